"""A fitted calibration function: what every kind of curve can be asked."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray

from labkit.curves import inverse
from labkit.curves.family import Array, Family, Signal
from labkit.curves.linear import cholesky_factor

Scale = Literal["known", "estimated"]


_ONE_THICKNESS: Final = 1e-6
"""Of the range: thicknesses that are closer than this are one."""


@dataclass(frozen=True)
class Points:
    """
    What a curve was fitted to.

    Attributes
    ----------
    x, y : ndarray, shape (m,)
        Reference values [mm] and mean indications (mm for thickness indications, else the unit of the signal).
    V_x : ndarray, shape (m, m)
        Covariance of x; zeros where the reference values are taken as exact.
    V_y : ndarray, shape (m, m) or None
        Covariance of y; None where no uncertainty was given.
    """

    x: Array
    y: Array
    V_x: Array
    V_y: Array | None

    @cached_property
    def factor_y(self) -> Array | None:
        """The lower Cholesky factor of V_y; None where that is."""
        return cholesky_factor(self.V_y, len(self.x), "uy")

    @cached_property
    def V(self) -> Array:
        """V_y, or the unit matrix where no uncertainty was given, shape (m, m)."""
        return np.eye(len(self.x)) if self.V_y is None else self.V_y

    def covariance_about(self, slope: Array) -> Array:
        """Of y − F(x), by `V` and V_x, where F has this slope at the points; shape (m, m)."""
        return self.V + slope[:, None] * self.V_x * slope

    @cached_property
    def place(self) -> NDArray[np.intp]:
        """
        Which of the different thicknesses each point has, in rising order, shape (m,). What differs by rounding alone,
        such as a stack of 0.1 and 0.2 mm beside a shim of 0.3 mm, is one thickness.
        """
        order = np.argsort(self.x, kind="stable")
        further = np.diff(self.x[order]) > _ONE_THICKNESS * np.ptp(self.x)
        found = np.zeros(len(order), dtype=np.intp)
        found[order[1:]] = np.cumsum(further)
        return found

    @property
    def different(self) -> int:
        """How many different thicknesses there are."""
        return int(self.place.max()) + 1

    def at_different(self, values: Array) -> Array:
        """The mean of values of the points at each of the different thicknesses, shape (`different`,)."""
        return np.bincount(self.place, values) / np.bincount(self.place)

    def without(self, index: int) -> Points:
        """A copy without point `index`."""
        keep = np.arange(len(self.x)) != index
        square = np.ix_(keep, keep)
        return Points(self.x[keep], self.y[keep], self.V_x[square], None if self.V_y is None else self.V_y[square])


@dataclass(frozen=True, eq=False)
class Curve(ABC):
    """
    A fitted calibration function y = F(x).

    Attributes
    ----------
    form : Family
    points : Points
    signal : "raw" or "thickness"
    scale : "known" or "estimated"
        Whether the given uncertainties are taken as they are, or scaled by the residual variance.
    """

    form: Family
    points: Points
    signal: Signal
    scale: Scale

    # ---- what each kind of curve knows ----

    @abstractmethod
    def value(self, x: ArrayLike) -> Array:
        """F(x), shape of x."""

    @abstractmethod
    def slope(self, x: ArrayLike) -> Array:
        """F′(x), shape of x."""

    @abstractmethod
    def standard_uncertainty(self, x: ArrayLike) -> Array | None:
        """u(F(x)) from the fit alone, shape of x; None for a curve that states none."""

    @abstractmethod
    def weights(self, x: ArrayLike) -> Array | None:
        """∂F(x)/∂y of the points, shape (q, m); None for a curve that states no uncertainty."""

    @abstractmethod
    def draws(self, x: ArrayLike, count: int, rng: Generator) -> Array | None:
        """`count` curves from the distribution of F, on the grid x: shape (count, q)."""

    @property
    @abstractmethod
    def parameters(self) -> dict[str, float]:
        """The parameters by name; empty where the curve has none to print."""

    @property
    @abstractmethod
    def covariance(self) -> Array | None:
        """Covariance of the parameters, in their order."""

    @property
    @abstractmethod
    def chi2(self) -> float | None:
        """The weighted sum of squared deviations."""

    @property
    @abstractmethod
    def effective_parameters(self) -> float:
        """How many parameters the curve spends on the points."""

    # ---- what follows from it ----

    @property
    def family(self) -> str:
        return self.form.name

    @property
    def dof(self) -> float:
        """Degrees of freedom, m − p."""
        return len(self.points.x) - self.effective_parameters

    @property
    def residual_sd(self) -> float | None:
        """√(χ²/ν); None where no degree of freedom is left."""
        return None if self.chi2 is None or self.dof <= 0 else float(np.sqrt(self.chi2 / self.dof))

    @cached_property
    def residuals(self) -> Array:
        """y − F(x) at the points, in the unit of y, shape (m,)."""
        return self.points.y - self.value(self.points.x)

    @property
    def residuals_mm(self) -> Array:
        """The residuals read in thickness, by the curve's own slope [mm], shape (m,)."""
        return self.residuals / self.slope(self.points.x)

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard uncertainty of each parameter; empty where none is stated."""
        if self.covariance is None:
            return {}
        return dict(zip(self.parameters, np.sqrt(np.diag(self.covariance)).tolist(), strict=True))

    @cached_property
    def variance_of_points(self) -> Array:
        """Variance of each point, that of its thickness included, in the square of the unit of y, shape (m,)."""
        variance = np.square(self.slope(self.points.x)) * np.diag(self.points.V_x)
        return variance if self.points.V_y is None else variance + np.diag(self.points.V_y)

    @property
    def standardised_residuals(self) -> Array:
        """The residuals over the standard deviation of their points, shape (m,)."""
        return np.asarray(self.residuals / np.sqrt(self.variance_of_points))

    @property
    def range(self) -> tuple[float, float]:
        """The thinnest and the thickest point [mm]."""
        return float(self.points.x.min()), float(self.points.x.max())

    @cached_property
    def direction(self) -> int:
        """+1 where the indication rises with thickness, −1 where it falls."""
        low, high = self.value(np.array(self.range))
        return 1 if high >= low else -1

    @cached_property
    def monotonic(self) -> bool:
        """Whether F has no turn within its range (on 400 thicknesses)."""
        return not self.turns(self.range)

    def turns(self, between: tuple[float, float]) -> bool:
        """Whether F turns between two thicknesses [mm] (on 400 of them)."""
        steps = np.diff(self.value(np.linspace(*between, 400)))
        return not bool((steps * self.direction > 0).all())

    def monotonic_share(self, rng: Generator, count: int = 400) -> float:
        """The share of curves drawn from the distribution of F that have no turn, on 200 thicknesses."""
        drawn = self.draws(np.linspace(*self.range, 200), count, rng)
        if drawn is None:
            return float(self.monotonic)
        return float(np.mean(np.all(np.diff(drawn, axis=1) * self.direction > 0, axis=1)))

    def predict(self, x: ArrayLike, ux: ArrayLike | None = None) -> tuple[Array, Array | None]:
        """
        The indication at a thickness.

        Parameters
        ----------
        x : array_like
            Thickness [mm].
        ux : array_like, optional
            Its standard uncertainty [mm].

        Returns
        -------
        y, u : ndarray, ndarray or None
            In the unit of y, shape of x; u is None for a curve that states no uncertainty.

        References
        ----------
        ISO/TS 28037:2010, 11.2.
        """
        y, u = self.value(x), self.standard_uncertainty(x)
        if u is not None and ux is not None:
            u = np.hypot(u, self.slope(x) * np.asarray(ux, dtype=np.float64))
        return y, u

    def invert(
        self,
        y: ArrayLike,
        uy: ArrayLike | None = None,
        *,
        reach: tuple[float, float] | None = None,
        outside: Literal["raise", "mask"] = "raise",
    ) -> tuple[Array, Array | None]:
        """
        The thickness at an indication.

        Parameters
        ----------
        y : array_like
            Indications, in the unit of the points.
        uy : array_like, optional
            Their standard uncertainty; 0 where None.
        reach : (float, float), optional
            Thinnest and thickest answer [mm]; default the range of the points.
        outside : "raise" or "mask"
            Refuse indications beyond, or return masked arrays.

        Returns
        -------
        x, u : ndarray, ndarray or None
            Thickness and its standard uncertainty [mm], shape of y.

        Raises
        ------
        BadInput
            Indications outside the reach (the first 20 are named), or a curve that turns within it.

        References
        ----------
        ISO/TS 28037:2010, 11.1.
        """
        return inverse.invert(self, y, uy, reach or self.range, outside)

    def invert_interval(
        self,
        y: float,
        uy: float | None = None,
        *,
        repeats: int = 1,
        level: float = 0.95,
        method: Literal["wald", "fieller", "monte-carlo"] = "wald",
        seed: int = 1,
    ) -> tuple[float, float]:
        """
        Coverage interval of the thickness at an indication.

        Parameters
        ----------
        y : float
            The indication, the mean of `repeats` readings.
        uy : float, optional
            Standard uncertainty of `y`; where None the residual standard deviation over √repeats. With 0 the
            interval is that of the curve alone.
        repeats : int
        level : float
            Coverage probability.
        method : "wald", "fieller" or "monte-carlo"
            Symmetric about the estimate; the exact limits of a straight line; or by drawing curves.
        seed : int
            Of the draws.

        Returns
        -------
        low, high : float
            [mm]

        Raises
        ------
        BadInput
            The method is not to be had for this curve, the limits of Fieller are not finite, or a level that is no
            probability.

        References
        ----------
        Fieller, J. R. Stat. Soc. B 16 (1954) 175. Graybill & Iyer, Regression Analysis (1994), 6.2 (from memory).
        """
        return inverse.interval(self, y, uy, repeats, level, method, seed)

    def to_dict(self) -> dict[str, Any]:
        return {
            "family": self.family,
            "signal": self.signal,
            "scale": self.scale,
            "parameters": self.parameters,
            "standard_errors": self.standard_errors,
            "covariance": None if self.covariance is None else self.covariance.tolist(),
            "chi2": self.chi2,
            "dof": self.dof,
            "effective_parameters": self.effective_parameters,
            "monotonic": self.monotonic,
            "direction": self.direction,
            "range_mm": list(self.range),
        }

    def __str__(self) -> str:
        stated = ", ".join(f"{name} = {value:.6g}" for name, value in self.parameters.items())
        return f"{self.family} through {len(self.points.x)} points" + (f": {stated}" if stated else "")
