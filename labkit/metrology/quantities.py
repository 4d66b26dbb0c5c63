"""Input quantities: a value, how well it is known, and the shape of what is believed about it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, Self, get_args

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from labkit.problems import BadInput

Array = NDArray[np.floating[Any]]

Shape = Literal["normal", "rectangular", "triangular", "trapezoidal", "arcsine"]

SHAPES: Final[tuple[Shape, ...]] = get_args(Shape)

_HALF_WIDTH: Final = {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}
"""Of a distribution of standard deviation 1."""


@dataclass(frozen=True)
class Quantity:
    """
    One input of a measurement.

    Attributes
    ----------
    name : str
    value : float
        Its estimate.
    u : float
        Standard uncertainty, in the unit of `value`.
    dof : float
        Degrees of freedom; infinite where `u` is taken as exactly known.
    shape : "normal", "rectangular", "triangular", "trapezoidal" or "arcsine"
        Of the distribution about `value`. With finite `dof`, "normal" is Student's t of scale `u`, and "rectangular"
        has limits that are themselves known only to ± half-width/√(2·dof).
    beta : float
        For "trapezoidal" alone: length of the top over that of the base, from 0 (triangular) to 1 (rectangular).
    common : str
        Quantities of the same non-empty word lean on the same estimate of spread.

    Raises
    ------
    BadInput
        A number or a shape that no distribution has.

    References
    ----------
    JCGM 101:2008, 6.4 (the shapes); 6.4.3 with JCGM 100:2008, G.4.2 (limits not exactly known).
    """

    name: str
    value: float
    u: float
    dof: float = math.inf
    shape: Shape = "normal"
    beta: float = 0.0
    common: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or not (math.isfinite(self.u) and self.u >= 0):
            raise BadInput("uncertainty.number", name=self.name, value=self.value, u=self.u)
        if not self.dof >= 0:
            raise BadInput("uncertainty.dof", name=self.name, dof=self.dof)
        if self.shape not in SHAPES:
            raise BadInput("uncertainty.shape", name=self.name, got=self.shape, known=list(SHAPES))
        if not 0 <= self.beta <= 1:
            raise BadInput("uncertainty.beta", name=self.name, beta=self.beta)

    @classmethod
    def within(
        cls,
        name: str,
        value: float,
        half_width: float,
        shape: Shape = "rectangular",
        dof: float = math.inf,
        beta: float = 0.0,
    ) -> Self:
        """
        A quantity of which only the limits are known.

        Parameters
        ----------
        name : str
        value : float
            Midway between the limits.
        half_width : float
            From `value` to either limit.
        shape : str
            Any but "normal", which has no limits.
        dof, beta : float

        Returns
        -------
        Quantity

        References
        ----------
        JCGM 100:2008, 4.3.7 and 4.3.9.
        """
        if shape == "trapezoidal":
            return cls(name, value, half_width * math.sqrt((1.0 + beta**2) / 6.0), dof, shape, beta)
        if shape not in _HALF_WIDTH:
            raise BadInput("uncertainty.shape", name=name, got=shape, known=[*_HALF_WIDTH, "trapezoidal"])
        return cls(name, value, half_width / _HALF_WIDTH[shape], dof, shape)

    @property
    def has_variance(self) -> bool:
        """Student's t has a variance from 3 degrees of freedom on."""
        return self.shape != "normal" or self.dof > 2 or self.u == 0


def from_readings(readings: Mapping[str, ArrayLike]) -> tuple[tuple[Quantity, ...], Array]:
    """
    Means of readings that were taken together, and how they go together.

    Parameters
    ----------
    readings : mapping of str to array_like, shape (n,)
        By name; the i-th readings of all quantities belong to one another.

    Returns
    -------
    quantities : tuple of Quantity
        The means, each with n − 1 degrees of freedom.
    correlation : ndarray, shape (q, q)
        Correlation coefficients of the means.

    Raises
    ------
    BadInput
        Fewer than two readings, or not equally many of each.

    References
    ----------
    JCGM 100:2008, 4.2 and 5.2.3 (equation 17).
    """
    columns = {name: np.asarray(values, dtype=np.float64) for name, values in readings.items()}
    counts = {values.size for values in columns.values()}
    if len(counts) != 1 or min(counts) < 2:
        raise BadInput("uncertainty.readings", counts=sorted(counts))
    n = counts.pop()
    V = np.atleast_2d(np.cov(np.stack(list(columns.values())), ddof=1)) / n
    u = np.sqrt(np.diag(V))
    quantities = tuple(
        Quantity(name, float(values.mean()), float(u[i]), n - 1.0) for i, (name, values) in enumerate(columns.items())
    )
    size = np.where(u > 0, u, 1.0)
    correlation = V / np.outer(size, size)
    np.fill_diagonal(correlation, 1.0)
    return quantities, correlation


def correlation_factor(correlation: ArrayLike | None, n: int) -> Array | None:
    """
    A factor C of a correlation matrix, C·Cᵀ = R; None for None.

    Raises
    ------
    BadInput
        Not of shape (n, n), not symmetric with ones on its diagonal, or of no joint distribution.
    """
    if correlation is None:
        return None
    R = np.asarray(correlation, dtype=np.float64)
    if R.shape != (n, n) or not np.allclose(R, R.T) or not np.allclose(np.diag(R), 1.0):
        raise BadInput("uncertainty.correlation", count=n)
    size, axes = np.linalg.eigh(R)
    # 1 and −1 are allowed, so that a root may be 0, and by rounding a little less
    if size.min() < -1e-9 * n:
        raise BadInput("uncertainty.correlation_impossible")
    return np.asarray(axes * np.sqrt(np.maximum(size, 0.0)))


def groups(words: Sequence[str], correlation: ArrayLike | None) -> list[list[int]]:
    """
    Which quantities are not independent of one another: those of one word, and those that are correlated.

    Parameters
    ----------
    words : sequence of str, length n
        `Quantity.common` of each.
    correlation : array_like, shape (n, n), or None

    Returns
    -------
    list of list of int
        Every place once.
    """
    gathered: dict[str, list[int]] = {}
    for i, word in enumerate(words):
        gathered.setdefault(word or f"alone {i}", []).append(i)
    found = list(gathered.values())
    if correlation is not None:
        for i, j in np.argwhere(np.asarray(correlation) != 0):
            one, other = (next(group for group in found if place in group) for place in (i, j))
            if one is not other:
                found.remove(other)
                one.extend(other)
    return found


def draw(
    quantities: Sequence[Quantity], factor: Array | None, members: Sequence[Sequence[int]], rng: Generator, count: int
) -> list[Array]:
    """
    Values of every quantity, drawn together.

    Parameters
    ----------
    quantities : sequence of Quantity
    factor : ndarray, shape (n, n), or None
        Of `correlation_factor`.
    members : sequence of sequence of int
        Of `groups`: the normal ones of a group share one spread, drawn from the fewest degrees of freedom among them.
    rng : numpy.random.Generator
    count : int

    Returns
    -------
    list of ndarray, each of shape (count,)

    Notes
    -----
    Correlated quantities are drawn as correlated normal ones and then bent into their shape. For normal ones the
    correlation is exact; for other shapes it comes out smaller by at most two hundredths, but for ±1, which stay.

    References
    ----------
    JCGM 101:2008, 6.4 and, for normal quantities that are correlated, 6.4.8.
    """
    z = rng.standard_normal((len(quantities), count))
    if factor is not None:
        z = factor @ z
    drawn: list[Array] = [z[i] for i in range(len(quantities))]
    for group in members:
        normal = [i for i in group if quantities[i].shape == "normal" and quantities[i].u > 0]
        spread = spread_factor(min((quantities[i].dof for i in normal), default=math.inf), rng, count)
        for i in group:
            each = quantities[i]
            deviate = z[i] * spread if each.shape == "normal" else _bent(each, z[i], rng)
            drawn[i] = each.value + each.u * deviate
    return drawn


def spread_factor(dof: float, rng: Generator, count: int) -> Array | float:
    """
    True spread over estimated one, as the degrees of freedom of the estimate leave it open: √(ν/χ²).

    Normal deviates times this factor are Student's; 1 where ν is infinite. Of fewer degrees of freedom than 1 nothing
    could be drawn: they count as 1, as in the coverage factor.
    """
    if math.isinf(dof):
        return 1.0
    dof = max(dof, 1.0)
    return np.asarray(np.sqrt(dof / rng.chisquare(dof, count)))


def _bent(quantity: Quantity, z: Array, rng: Generator) -> Array:
    """Normal deviates turned into those of the quantity's shape, in units of its u."""
    p = ndtr(z)
    if quantity.shape == "arcsine":
        return np.asarray(math.sqrt(2.0) * np.sin(np.pi * (p - 0.5)))
    if quantity.shape == "rectangular":
        even = math.sqrt(3.0) * (2.0 * p - 1.0)
        if math.isinf(quantity.dof):
            return np.asarray(even)
        open_limits = min(1.0 / math.sqrt(2.0 * max(quantity.dof, 0.5)), 1.0)
        return np.asarray(even * (1.0 + open_limits * rng.uniform(-1.0, 1.0, len(z))))
    beta = quantity.beta if quantity.shape == "trapezoidal" else 0.0
    return Trapezoid.of_unit_spread(beta).quantile(p)


@dataclass(frozen=True)
class Trapezoid:
    """
    A symmetric trapezoidal distribution about 0, such as the sum of two rectangular ones.

    Attributes
    ----------
    half_width : float
        Of the base.
    beta : float
        Length of the top over that of the base.

    References
    ----------
    EA-4/02 M:2022, S10.13 (from memory). JCGM 101:2008, 6.4.4.
    """

    half_width: float
    beta: float

    @classmethod
    def of_rectangles(cls, first: float, second: float) -> Self:
        """The sum of two independent rectangular distributions of these half-widths, not both 0."""
        return cls(first + second, abs(first - second) / (first + second))

    @classmethod
    def of_unit_spread(cls, beta: float) -> Self:
        """The one of standard deviation 1."""
        return cls(math.sqrt(6.0 / (1.0 + beta**2)), beta)

    @property
    def u(self) -> float:
        """Standard deviation."""
        return self.half_width * math.sqrt((1.0 + self.beta**2) / 6.0)

    def coverage_factor(self, coverage: float) -> float:
        """Half the interval that holds the share `coverage`, over the standard deviation."""
        return float(self.quantile(np.array(0.5 + coverage / 2))) / self.u

    def quantile(self, p: Array) -> Array:
        """Where the share p lies below."""
        from_middle = np.abs(2.0 * p - 1.0)
        on_top = from_middle * (1.0 + self.beta) / 2.0
        on_flank = 1.0 - np.sqrt(np.maximum((1.0 - from_middle) * (1.0 - self.beta**2), 0.0))
        return np.asarray(np.sign(p - 0.5) * self.half_width * np.where(on_top <= self.beta, on_top, on_flank))
