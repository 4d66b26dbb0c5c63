"""Curves through every point: the piecewise line and the monotone cubic. They state no uncertainty of their own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator, PPoly

from labkit.curves.curve import Curve
from labkit.curves.family import Array, Family, no_formula, register


@dataclass(frozen=True, eq=False)
class ThroughPoints(Curve):
    """
    A curve through the mean indication at every thickness, continued straight on beyond the ends.

    References
    ----------
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, for the monotone cubic.
    """

    @cached_property
    def knots(self) -> tuple[Array, Array]:
        """Thicknesses in order and the mean indication at each."""
        return self.points.at_different(self.points.x), self.points.at_different(self.points.y)

    @cached_property
    def _pieces(self) -> PPoly:
        return self._through(*self.knots)

    def _through(self, x: Array, y: Array) -> PPoly:
        """F, less the thickness for thickness indications, through values y at rising x."""
        error = y - x if self.signal == "thickness" else y
        if self.family == "monotone-cubic":
            inside = PchipInterpolator(x, error)
            coefficients, slopes = inside.c, inside(x[[0, -1]], 1)
        else:
            steps = np.diff(error) / np.diff(x)
            coefficients, slopes = np.stack([steps, error[:-1]]), steps[[0, -1]]
        order = len(coefficients)
        ends = np.zeros((order, 2))
        ends[-2:] = np.stack([slopes, error[[0, -1]]])
        ends[-1, 0] -= slopes[0] * np.ptp(x)
        wider = np.concatenate([[x[0] - np.ptp(x)], x, [x[-1] + np.ptp(x)]])
        return PPoly(np.hstack([ends[:, :1], coefficients, ends[:, 1:]]), wider, extrapolate=True)

    def value(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        return np.asarray(self._pieces(x)) + (x if self.signal == "thickness" else 0.0)

    def slope(self, x: ArrayLike) -> Array:
        return np.asarray(self._pieces(np.asarray(x), 1)) + (1.0 if self.signal == "thickness" else 0.0)

    def standard_uncertainty(self, x: ArrayLike) -> None:
        return None

    def weights(self, x: ArrayLike) -> None:
        return None

    def draws(self, x: ArrayLike, count: int, rng: Generator) -> Array | None:
        """The points are drawn from their covariances, and a curve is laid through each draw."""
        V_x, V_y = self.points.V_x, self.points.V_y
        if self.scale == "estimated" or V_y is None:
            return None
        x = np.ravel(np.asarray(x, dtype=np.float64))
        xs = rng.multivariate_normal(self.points.x, V_x, count, method="eigh")
        ys = rng.multivariate_normal(self.points.y, V_y, count, method="eigh")
        found = np.empty((count, len(x)))
        for row, drawn_x, drawn_y in zip(found, xs, ys, strict=True):
            knots, values = self.points.at_different(drawn_x), self.points.at_different(drawn_y)
            # shims of nearly one thickness may change places
            order = np.argsort(knots)
            row[:] = self._through(knots[order], values[order])(x)
        return found + x if self.signal == "thickness" else found

    @property
    def parameters(self) -> dict[str, float]:
        x, y = self.knots
        return {f"y({thickness:g})": float(value) for thickness, value in zip(x, y, strict=True)}

    @property
    def covariance(self) -> None:
        return None

    @property
    def chi2(self) -> None:
        return None

    @property
    def effective_parameters(self) -> float:
        return float(len(self.knots[0]))


for _name, _points in (("piecewise-line", 2), ("monotone-cubic", 3)):
    register(Family(_name, no_formula, lambda x, y: (), (), "any", _points, kind="through-points"))
