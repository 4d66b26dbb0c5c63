"""A thickness drawn at random through the whole measurement: curve, reading, and whatever the budget names besides."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.random import Generator

from labkit.calibration.terms import REPEATS, Term
from labkit.calibration.uncertainty import Uncertainty
from labkit.curves import Curve
from labkit.curves.family import Array
from labkit.curves.parametric import ParametricCurve
from labkit.metrology import GumComparison, MonteCarlo, compare_with_gum, simulate
from labkit.metrology.budget import COVERAGE
from labkit.metrology.montecarlo import FOR_COMPARISON
from labkit.metrology.quantities import spread_factor

MOST_TRIALS: Final = 200_000
"""Where the draws end for a page that somebody waits for."""

_REACH: Final = 12.0
"""How far from the estimate curves are drawn, in units of u; further out a curve goes on as it ended."""

_KNOTS: Final = 33
"""Thicknesses at which a curve is drawn; between them, less than one u apart, it is taken as straight."""


@dataclass(frozen=True)
class Simulation:
    """
    A thickness as random draws show it, beside what the law of propagation states.

    Attributes
    ----------
    at_mm : float
        The corrected reading [mm].
    drawn : MonteCarlo
        True thicknesses [mm] that go with it.
    comparison : GumComparison
        With the interval at_mm ± U.
    """

    at_mm: float
    drawn: MonteCarlo
    comparison: GumComparison

    def to_dict(self) -> dict[str, Any]:
        return {"at_mm": self.at_mm, "drawn": self.drawn.to_dict(), "comparison": self.comparison.to_dict()}


def simulate_thickness(
    uncertainty: Uncertainty,
    curve: Curve,
    x_mm: float,
    repeats: int = 1,
    *,
    digits: int | None = None,
    seed: int = 1,
    most: int = MOST_TRIALS,
) -> Simulation:
    """
    Draw the true thicknesses that go with a corrected reading.

    Parameters
    ----------
    uncertainty : Uncertainty
    curve : Curve
        That the reading was corrected with.
    x_mm : float
        The corrected reading [mm].
    repeats : int
        Readings that were averaged.
    digits : int, optional
        Significant digits of u that count in the comparison. By default one, wherever the decimal point falls: a
        twentieth of u. Where u was estimated with 50 degrees of freedom, its second digit is already open (JCGM
        100:2008, table E.1).
    seed : int
    most : int
        Where the adaptive procedure gives up.

    Returns
    -------
    Simulation

    Notes
    -----
    The reading y₀ = F(x) is held, and the thickness X found for which a drawn curve and a drawn error of the reading
    give it: y₀ = F*(X) + e. No slope is taken as constant. What the budget names besides is drawn by its shape and
    added. The spread of the repeats was estimated; one factor √(ν/χ²) widens the error of the reading and the part
    of the curve that comes from repeats alike. A reading that its display step rules is drawn as rectangular.

    References
    ----------
    JCGM 101:2008, clauses 5 to 8.
    """
    model = _Measurement(uncertainty, curve, x_mm, repeats)
    budget = uncertainty.budget(curve, x_mm, repeats)
    besides = budget.without({term.code for term in model.terms})

    def draw(rng: Generator, count: int) -> Array:
        return model.draws(rng, count) + besides.draws(rng, count)

    drawn = simulate(
        draw,
        coverage=COVERAGE,
        digits=digits,
        seed=seed,
        tolerance=FOR_COMPARISON,
        most=most,
        has_variance=model.has_variance and besides.has_variance,
    )
    compared = compare_with_gum(x_mm, budget.u_mm, budget.k, drawn, digits, budget.fewest_dof)
    return Simulation(x_mm, drawn, compared)


class _Measurement:
    """
    The curve and the reading, ready to be drawn.

    Attributes
    ----------
    terms : list of Term
        The lines of the budget that this holds.
    """

    def __init__(self, uncertainty: Uncertainty, curve: Curve, x_mm: float, repeats: int) -> None:
        x = np.array([x_mm])
        terms = uncertainty.of_curve(curve, x, repeats)
        if not terms and uncertainty.flexible is not None:
            # a curve through the points states nothing itself: it is believed as far as the flexible one
            curve = uncertainty.flexible
            terms = uncertainty.of_curve(curve, x, repeats)
        self.terms = terms
        self._x = x_mm
        self._y = float(curve.value(x)[0])
        steep = abs(float(curve.slope(x)[0]))
        self._reading = sum((float(term.u_mm[0]) for term in terms if _is_reading(term)), 0.0) * steep
        self._rounding = uncertainty.table.variance.resolution / math.sqrt(12.0)
        self._repeats_dof = min((float(np.min(term.dof)) for term in terms if term.common == REPEATS), default=math.inf)
        self._repeats_share = _share_of_repeats(curve, terms)
        # Student's part of an estimated scale is drawn here, together with that of the reading
        self._curve = replace(curve, scale="known") if isinstance(curve, ParametricCurve) else curve
        u = math.sqrt(sum(float(term.u_mm[0]) ** 2 for term in terms))
        self._knots = np.linspace(*_near(curve, x_mm, _REACH * max(u, 1e-9)), _KNOTS)
        self._values = curve.value(self._knots)
        self._end_slopes = curve.slope(self._knots[[0, -1]])
        self._common = _common_error(uncertainty, curve, x)

    @property
    def has_variance(self) -> bool:
        return self._repeats_dof > 2

    def draws(self, rng: Generator, count: int) -> Array:
        """Thicknesses [mm] that go with the reading, shape (count,)."""
        spread = spread_factor(self._repeats_dof, rng, count)
        drawn = self._curve.draws(self._knots, count, rng)
        assert drawn is not None  # a curve that states its uncertainty can be drawn
        widened = np.sqrt(1.0 + (np.square(spread) - 1.0) * self._repeats_share)
        off = np.reshape(widened, (-1, 1)) * (drawn - self._values)
        share, rest = self._common
        of_both = share * off[:, _KNOTS // 2] + rest * rng.standard_normal(count)
        return self._back(self._values + off, self._y + of_both - self._reading_error(spread, rng, count))

    def _reading_error(self, spread: Array | float, rng: Generator, count: int) -> Array:
        if self._reading <= self._rounding * (1.0 + 1e-9):
            return rng.uniform(-1.0, 1.0, count) * math.sqrt(3.0) * self._reading
        return np.asarray(self._reading * spread * rng.standard_normal(count))

    def _back(self, curves: Array, y: Array) -> Array:
        """Where each curve has its value; before the first knot and after the last one, by the slope there."""
        knots, direction = self._knots, self._curve.direction
        passed = np.sum((curves - y[:, None]) * direction < 0, axis=1)
        right = np.clip(passed, 1, _KNOTS - 1)
        rows = np.arange(len(y))
        before, after = curves[rows, right - 1], curves[rows, right]
        x = knots[right - 1] + (y - before) / (after - before) * (knots[1] - knots[0])
        first, last = self._end_slopes
        x = np.where(passed == 0, knots[0] + (y - curves[:, 0]) / first, x)
        return np.where(passed == _KNOTS, knots[-1] + (y - curves[:, -1]) / last, x)


def _common_error(uncertainty: Uncertainty, curve: Curve, x: Array) -> tuple[float, float]:
    """
    The error that the reading shares with the curve through the background that was taken off both: which share of the
    curve's own error at x it is, and the standard uncertainty of what is left of it.
    """
    variance = uncertainty.table.common_variance
    u, weights = curve.standard_uncertainty(x), curve.weights(x)
    if variance == 0 or u is None or weights is None or u[0] == 0 or curve.scale == "estimated":
        return 0.0, 0.0
    together = variance * float(weights[0].sum())
    share = together / float(u[0]) ** 2
    return share, math.sqrt(max(variance - share * together, 0.0))


def _is_reading(term: Term) -> bool:
    return term.code == "budget.reading"


def _share_of_repeats(curve: Curve, terms: list[Term]) -> float:
    """How much of the variance of the curve comes from repeats, whose spread was estimated."""
    if curve.scale == "estimated" and not isinstance(curve, ParametricCurve):
        return 0.0  # its draws hold already that the noise was estimated
    variance = {term.code: float(term.u_mm[0]) ** 2 for term in terms if not _is_reading(term)}
    repeats = sum(variance[term.code] for term in terms if term.common == REPEATS and not _is_reading(term))
    total = sum(variance.values())
    return repeats / total if total > 0 else 0.0


def _near(curve: Curve, x_mm: float, reach: float) -> tuple[float, float]:
    """The thicknesses about x_mm where the curve can be asked: its range, and a little more where it does not turn."""
    low, high = curve.range
    margin = (high - low) / 20
    if not curve.turns((low - margin, high + margin)):
        low, high = low - margin, high + margin
    return max(x_mm - reach, low), min(x_mm + reach, high)
