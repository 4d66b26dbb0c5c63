"""A calibration function used backwards: from the indication to the thickness, and how well that is known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize.elementwise import find_root
from scipy.special import ndtri, stdtrit

from labkit.curves.family import Array
from labkit.curves.tabulated import FEW, along, in_blocks
from labkit.problems import BadInput

if TYPE_CHECKING:
    from labkit.curves.curve import Curve

PLACES: Final = 2049
"""Of the table that answers for very many indications."""

CLOSE: Final = 1e-11
"""Error of that table, as a share of the reach, above which an indication is looked for by itself."""

DRAWS: Final = 20_000
FEWER_DRAWS: Final = 4_000
"""Curves of a Monte Carlo interval; fewer of those through the points, which are laid one by one."""


def invert(
    curve: Curve,
    y: ArrayLike,
    uy: ArrayLike | None,
    reach: tuple[float, float],
    outside: Literal["raise", "mask"],
) -> tuple[Array, Array | None]:
    """The thickness at an indication, with its standard uncertainty; see `Curve.invert`."""
    x = thickness(curve, y, reach, outside)
    thicknesses = np.ma.getdata(x)
    if curve.standard_uncertainty(thicknesses.ravel()[:1]) is None:
        return x, None

    def spread(x: Array) -> Array:
        u = curve.standard_uncertainty(x)
        assert u is not None  # a curve states it everywhere or nowhere
        return np.stack([u, np.abs(curve.slope(x))])

    u, steep = along(spread, thicknesses)
    u = np.hypot(u, 0.0 if uy is None else np.asarray(uy, dtype=np.float64)) / steep
    return x, np.ma.masked_array(u, np.ma.getmaskarray(x)) if outside == "mask" else u


def thickness(
    curve: Curve, y: ArrayLike, reach: tuple[float, float], outside: Literal["raise", "mask"] = "raise"
) -> Array:
    """The thickness at an indication alone; see `Curve.invert`."""
    y = np.asarray(y, dtype=np.float64)
    if outside not in ("raise", "mask"):
        raise BadInput("curve.outside", got=outside)
    if not curve.monotonic or curve.turns(reach):
        raise BadInput("curve.not_monotonic", family=curve.family)
    ends = np.sort(curve.value(np.array(reach)))
    # the last digits of a value depend on how many are computed at once
    slack = 1e-9 * (ends[1] - ends[0])
    beyond = ~((y >= ends[0] - slack) & (y <= ends[1] + slack))
    if outside == "raise" and np.any(beyond):
        places = np.flatnonzero(beyond)
        raise BadInput(
            "curve.outside_range",
            count=len(places),
            total=y.size,
            low=ends[0],
            high=ends[1],
            places=[int(place) + 1 for place in places[:20]],
        )
    # a display shows few different numbers, however many readings there are
    distinct, back = np.unique(np.clip(np.where(beyond, ends[0], y), *ends), return_inverse=True)
    x = _solve(curve, distinct, reach)[back].reshape(y.shape)
    return np.ma.masked_array(x, beyond) if outside == "mask" else x


def _solve(curve: Curve, y: Array, reach: tuple[float, float]) -> Array:
    """F(x) = y within the reach: at once for a straight line, from a table where many are asked for."""
    if curve.form.kind == "linear" and curve.form.degree == 1:
        b0, b1 = _line(curve)
        return np.clip((y - b0) / b1, *reach)
    return _roots(curve, y, reach) if y.size <= FEW else _from_table(curve, y, reach)


def _line(curve: Curve) -> tuple[float, float]:
    """Intercept and slope of a straight line, the thickness included for thickness indications."""
    b0, b1 = curve.parameters.values()
    return b0, b1 + 1.0 if curve.signal == "thickness" else b1


def _roots(curve: Curve, y: Array, reach: tuple[float, float]) -> Array:
    """By Chandrupatla's method, started from a table so that few steps are left."""
    grid = np.linspace(*reach, 257)
    table, wanted = curve.value(grid) * curve.direction, y * curve.direction
    place = np.clip(np.searchsorted(table, wanted), 1, len(grid) - 1)
    left, right = place - 1, place

    def miss(x: Array, wanted: Array) -> Array:
        return curve.value(x) - wanted

    found = find_root(miss, (grid[left], grid[right]), args=(y,), tolerances={"xatol": 1e-13, "xrtol": 4e-16})
    # what lies on a place of the table may lie outside its bracket by the last digits
    nearest = np.where(np.abs(table[left] - wanted) <= np.abs(table[right] - wanted), left, right)
    return np.where(found.success, found.x, grid[nearest])


def _from_table(curve: Curve, y: Array, reach: tuple[float, float]) -> Array:
    """
    The inverse function itself, interpolated by Hermite's cubics from exact values and slopes.

    At three places between each two of the table the answer is put back into the curve; where it is off by more than
    `CLOSE` there (at the knots of curves that have some), the indications are looked for one by one.
    """
    grid = np.linspace(*reach, PLACES)
    table, wanted = curve.value(grid) * curve.direction, y * curve.direction
    rises = np.diff(table)
    if np.any(rises <= 0):
        return in_blocks(lambda part: _roots(curve, part, reach), y)
    steep = curve.slope(grid) * curve.direction
    # a slope of 0 has no inverse: the check finds it
    inverted = CubicHermiteSpline(table, grid, np.divide(1.0, steep, out=np.zeros_like(steep), where=steep > 0))
    tried = (table[:-1] + np.multiply.outer([0.25, 0.5, 0.75], rises)).ravel()
    x = inverted(tried)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs((curve.value(x) * curve.direction - tried) / curve.slope(x))
    good = np.all((off <= CLOSE * (reach[1] - reach[0])).reshape(3, -1), axis=0)
    failed = ~good[np.clip(np.searchsorted(table, wanted, side="right") - 1, 0, len(good) - 1)]
    found = np.clip(inverted(wanted), *reach)
    if np.any(failed):
        found[failed] = in_blocks(lambda part: _roots(curve, part, reach), y[failed])
    return found


def interval(
    curve: Curve, y: float, uy: float | None, repeats: int, level: float, method: str, seed: int
) -> tuple[float, float]:
    """Coverage interval of the thickness at an indication; see `Curve.invert_interval`."""
    if not 0 < level < 1:
        raise BadInput("curve.level", level=level)
    if repeats < 1:
        raise BadInput("correct.repeats", repeats=repeats)
    if uy is None:
        if curve.residual_sd is None or curve.scale != "estimated":
            raise BadInput("curve.uy_needed", family=curve.family)
        uy = curve.residual_sd / np.sqrt(repeats)
    if method == "fieller":
        return _fieller(curve, y, uy, _quantile(curve, level))
    if method == "monte-carlo":
        return _monte_carlo(curve, y, uy, level, seed)
    if method != "wald":
        raise BadInput("curve.method", method=method, family=curve.family)
    x, u = curve.invert(np.array([y]), uy)
    if u is None:
        raise BadInput("curve.method", method=method, family=curve.family)
    half = _quantile(curve, level) * u[0]
    return float(x[0] - half), float(x[0] + half)


def _quantile(curve: Curve, level: float) -> float:
    """Of Student's distribution where the scale was estimated from the residuals, else of the normal one."""
    if curve.scale == "estimated":
        return float(stdtrit(curve.dof, 0.5 + level / 2))
    return float(ndtri(0.5 + level / 2))


def _fieller(curve: Curve, y: float, uy: float, q: float) -> tuple[float, float]:
    """The roots in x of (y − a − bx)² = q²·(u²(y) + V_aa + 2x·V_ab + x²·V_bb)."""
    if curve.family != "line" or curve.covariance is None:
        raise BadInput("curve.method", method="fieller", family=curve.family)
    a, b = _line(curve)
    V = curve.covariance
    square = b**2 - q**2 * V[1, 1]
    if square <= 0:
        raise BadInput("curve.fieller_open")
    linear = b * (y - a) + q**2 * V[0, 1]
    constant = (y - a) ** 2 - q**2 * (uy**2 + V[0, 0])
    root = np.sqrt(linear**2 - square * constant)
    return float((linear - root) / square), float((linear + root) / square)


def _monte_carlo(curve: Curve, y: float, uy: float, level: float, seed: int) -> tuple[float, float]:
    """Curves are drawn on a grid close about the estimate and inverted one by one by linear interpolation."""
    x = float(curve.invert(np.array([y]))[0][0])
    rng = np.random.default_rng(seed)
    count = FEWER_DRAWS if curve.form.kind == "through-points" else DRAWS
    grid = x + np.linspace(-12, 12, 97) * _about(curve, x, uy, rng)
    drawn = _drawn(curve, grid, count, rng)
    noise = rng.standard_t(curve.dof, count) if curve.scale == "estimated" else rng.standard_normal(count)
    # a place of the grid counts where the drawn curve has not yet reached the indication
    below = (drawn - (y + uy * noise)[:, None]) * curve.direction < 0
    place = np.clip(below.sum(axis=1), 1, len(grid) - 1)
    rows = np.arange(count)
    left, right = drawn[rows, place - 1], drawn[rows, place]
    share = np.clip((y + uy * noise - left) / (right - left), 0.0, 1.0)
    answers = grid[place - 1] + share * (grid[place] - grid[place - 1])
    low, high = np.quantile(answers, [0.5 - level / 2, 0.5 + level / 2])
    return float(low), float(high)


def _about(curve: Curve, x: float, uy: float, rng: np.random.Generator) -> float:
    """Standard uncertainty of a thickness [mm], from draws for a curve that states none."""
    at = np.array([x])
    u = curve.standard_uncertainty(at)
    if u is None:
        u = _drawn(curve, at, FEWER_DRAWS // 10, rng).std(axis=0)
    return float(np.hypot(u[0], uy) / np.abs(curve.slope(at)[0]))


def _drawn(curve: Curve, x: Array, count: int, rng: np.random.Generator) -> Array:
    drawn = curve.draws(x, count, rng)
    if drawn is None:
        raise BadInput("curve.method", method="monte-carlo", family=curve.family)
    return drawn
