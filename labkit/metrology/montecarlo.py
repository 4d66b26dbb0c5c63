"""Propagation of distributions by drawing at random, and what it says about the law of propagation."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labkit.metrology.quantities import Array, Quantity, correlation_factor, draw, groups
from labkit.problems import BadInput, Reason

MOST_TRIALS: Final = 1_000_000
"""Where the adaptive procedure gives up."""

FEWEST_BATCHES: Final = 10
"""The spread of two or three batches is itself hardly known: the procedure would often stop by chance."""

BATCH: Final = 10_000
"""Trials in a batch, at least."""

FEWEST_TRIALS: Final = 1_000
"""Fewer say nothing about the ends of an interval."""

FOR_COMPARISON: Final = 0.2
"""Of the tolerance δ: how closely a result must be known that judges the law of propagation by δ (JCGM 101, 8.2)."""

STEADY: Final = 0.05
"""
Of u: the tolerance δ where no digit is named. By digits, δ jumps tenfold where u passes a power of ten, and
neighbouring thicknesses would contradict one another. One significant digit allows from a half of u down to a
twentieth: what agrees within a twentieth agrees to one digit wherever the decimal point falls (JCGM 101:2008, 8.1 with
7.9.2).
"""

FEW_DOF: Final = 30.0
"""Below it Student's t is visibly wider than the normal distribution (common practice, no source)."""


@dataclass(frozen=True)
class MonteCarlo:
    """
    A quantity as random draws show it. All but `trials`, `coverage` and `stable` is in the unit of the quantity.

    Attributes
    ----------
    value : float
        Mean of the draws; their median where the mean does not exist.
    u : float or None
        Standard deviation of the draws; None where it does not exist (Student's t of 1 or 2 degrees of freedom).
    symmetric : (float, float)
        The coverage interval with as much below it as above it.
    shortest : (float, float)
        The shortest coverage interval.
    trials : int
    coverage : float
        Probability of the intervals.
    delta : float
        The tolerance asked for: `tolerance_of` u, or a share of it.
    reached : float
        Twice the standard deviation, over the batches, of the worst known of value, u and the two ends of `symmetric`.
    stable : bool
        `reached` is not above `delta`.
    """

    value: float
    u: float | None
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    trials: int
    coverage: float
    delta: float
    reached: float
    stable: bool

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"symmetric": list(self.symmetric), "shortest": list(self.shortest)}


def simulate(
    draw: Callable[[Generator, int], Array],
    *,
    coverage: float = 0.95,
    digits: int | None = 2,
    trials: int | None = None,
    seed: int = 1,
    tolerance: float = 1.0,
    most: int = MOST_TRIALS,
    has_variance: bool = True,
    batch: int = BATCH,
) -> MonteCarlo:
    """
    Draw a quantity until its interval is known to the digits that count.

    Parameters
    ----------
    draw : callable
        From a random generator and a count to so many values, shape (count,).
    coverage : float
        Coverage probability.
    digits : int or None
        Significant digits of u that count; None for the share `STEADY` of u.
    trials : int, optional
        A fixed number of trials, instead of the adaptive procedure.
    seed : int
    tolerance : float
        Share of `tolerance_of` u that is left open; `FOR_COMPARISON` where the result is to judge the law of
        propagation.
    most : int
        Where the adaptive procedure gives up.
    has_variance : bool
        Whether the quantity has a mean and a standard deviation at all.
    batch : int
        Trials in a batch, at least.

    Returns
    -------
    MonteCarlo

    Raises
    ------
    BadInput
        A coverage probability that is none, hardly any trials, or a draw that is no number.

    Notes
    -----
    Batches are drawn until twice the standard deviation of the averages, over the batches, of value, u and both ends
    of the interval lies below the tolerance, but ten at least.

    References
    ----------
    JCGM 101:2008, 7.5 to 7.7 and 7.9.4.
    """
    if not 0 < coverage < 1:
        raise BadInput("uncertainty.coverage", coverage=coverage)
    if trials is not None and trials < FEWEST_TRIALS:
        raise BadInput("uncertainty.trials", trials=trials, least=FEWEST_TRIALS)
    rng = np.random.default_rng(seed)
    size = max(batch, math.ceil(100 / (1 - coverage))) if trials is None else trials // FEWEST_BATCHES
    drawn: list[Array] = []
    seen: list[tuple[float, ...]] = []
    for count in _batches(size, most if trials is None else trials):
        values = np.sort(draw(rng, count))
        if not np.all(np.isfinite(values)):
            raise BadInput("uncertainty.model")
        drawn.append(values)
        seen.append(_seen(values, coverage, has_variance))
        reached = _reached(seen)
        delta = tolerance * tolerance_of(_spread(np.mean(seen, axis=0), coverage, has_variance), digits)
        if trials is None and len(seen) >= FEWEST_BATCHES and reached <= delta:
            break
    every = np.sort(np.concatenate(drawn))
    value, low, high, *u = _seen(every, coverage, has_variance)
    shortest = shortest_interval(every, coverage)
    found = u[0] if u else None
    return MonteCarlo(value, found, (low, high), shortest, len(every), coverage, delta, reached, reached <= delta)


def monte_carlo(
    model: Callable[..., Any],
    quantities: Sequence[Quantity],
    correlation: ArrayLike | None = None,
    *,
    coverage: float = 0.95,
    digits: int = 2,
    trials: int | None = None,
    seed: int = 1,
    tolerance: float = 1.0,
    most: int = MOST_TRIALS,
) -> MonteCarlo:
    """
    The distribution of a quantity from those of its inputs.

    Parameters
    ----------
    model : callable
        Takes the quantities in their order, each an array, and gives an array of the same shape.
    quantities : sequence of Quantity
    correlation : array_like, shape (n, n), optional
        Correlation coefficients of the quantities.
    coverage, digits, trials, seed, tolerance, most
        As in `simulate`.

    Returns
    -------
    MonteCarlo

    Raises
    ------
    BadInput
        As in `simulate`; or correlations that cannot be.

    References
    ----------
    JCGM 101:2008, clauses 5 to 7.
    """
    factor = correlation_factor(correlation, len(quantities))
    members = groups([each.common for each in quantities], correlation)

    def one(rng: Generator, count: int) -> Array:
        drawn = model(*draw(quantities, factor, members, rng, count))
        return np.array(np.broadcast_to(np.asarray(drawn, dtype=np.float64), (count,)))

    return simulate(
        one,
        coverage=coverage,
        digits=digits,
        trials=trials,
        seed=seed,
        tolerance=tolerance,
        most=most,
        has_variance=all(each.has_variance for each in quantities),
    )


def _batches(size: int, most: int) -> Iterator[int]:
    """Counts of one size, `most` in all; the last one takes what is left over."""
    whole = max(most // size, 1)
    yield from [size] * (whole - 1)
    yield most - size * (whole - 1)


def half_last_digit(u: float, digits: int) -> float:
    """
    The numerical tolerance δ: half a unit of the last of so many significant digits of u.

    References
    ----------
    JCGM 101:2008, 7.9.2.
    """
    if not u > 0:
        return 0.0
    exponent = math.floor(math.log10(u)) - digits + 1
    # 0.0996 has, to two digits, those of 0.10
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def tolerance_of(u: float, digits: int | None) -> float:
    """The numerical tolerance δ: `half_last_digit`, or the share `STEADY` of u where no digits are named."""
    return STEADY * max(u, 0.0) if digits is None else half_last_digit(u, digits)


def symmetric_interval(values: Array, coverage: float) -> tuple[float, float]:
    """The interval with as many of the sorted values below it as above it (JCGM 101:2008, 7.7.2)."""
    held = _held(values, coverage)
    first = max((len(values) - held + 1) // 2, 1)  # counted from 1, as there
    return float(values[first - 1]), float(values[min(first + held, len(values)) - 1])


def shortest_interval(values: Array, coverage: float) -> tuple[float, float]:
    """The shortest interval that holds the share `coverage` of the sorted values (JCGM 101:2008, 7.7.3)."""
    held = min(_held(values, coverage), len(values) - 1)
    first = int(np.argmin(values[held:] - values[: len(values) - held]))
    return float(values[first]), float(values[first + held])


def _held(values: Array, coverage: float) -> int:
    return int(coverage * len(values) + 0.5)


def _seen(values: Array, coverage: float, has_variance: bool) -> tuple[float, ...]:
    """Value, low and high end, and u where it exists, of sorted draws."""
    interval = symmetric_interval(values, coverage)
    if not has_variance:
        return float(np.median(values)), *interval
    return float(values.mean()), *interval, float(values.std(ddof=1))


def _reached(seen: list[tuple[float, ...]]) -> float:
    if len(seen) < 2:
        return math.inf
    return float(2.0 * np.max(np.std(seen, axis=0, ddof=1)) / math.sqrt(len(seen)))


def _spread(means: Array, coverage: float, has_variance: bool) -> float:
    """The u whose digits count; where there is none, what an interval of this width has with k = 2."""
    return float(means[3]) if has_variance else float(means[2] - means[1]) / 4.0


@dataclass(frozen=True)
class GumComparison:
    """
    The interval of the law of propagation beside that of random draws. All but `validated` in the unit of the quantity.

    Attributes
    ----------
    low, high : float
        The interval of the law of propagation.
    d_low, d_high : float
        How far its ends lie from those of the draws.
    delta : float
        What they may lie apart: `tolerance_of` u.
    validated : bool or None
        Whether both ends agree within `delta`; None where the draws were too few to tell.
    reason : Reason
        In words.
    """

    low: float
    high: float
    d_low: float
    d_high: float
    delta: float
    validated: bool | None
    reason: Reason

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"reason": self.reason.to_dict()}


def compare_with_gum(
    value: float,
    u: float,
    k_or_interval: float | tuple[float, float],
    montecarlo: MonteCarlo,
    digits: int | None = 2,
    dof: float = math.inf,
) -> GumComparison:
    """
    Whether random draws confirm the interval of the law of propagation.

    Parameters
    ----------
    value, u : float
        Estimate and combined standard uncertainty by the law of propagation.
    k_or_interval : float or (float, float)
        Its coverage factor, or the interval itself.
    montecarlo : MonteCarlo
        Of the same coverage probability, drawn with ``tolerance=FOR_COMPARISON``. Where it was stopped before that,
        its own remaining doubt counts.
    digits : int or None
        Significant digits of u that count; None for the share `STEADY` of u.
    dof : float
        The fewest degrees of freedom among the lines that matter: few of them explain a difference, however many u
        itself has.

    Returns
    -------
    GumComparison

    Notes
    -----
    Where u was estimated from few readings, the two differ as a rule: the law of propagation takes one t for the sum
    and whole degrees of freedom, while the draws add each t as it is. That is no fault of the measurement.

    References
    ----------
    JCGM 101:2008, clause 8 (δ/5 for the draws, 8.2, from memory).
    """
    low, high = (
        k_or_interval if isinstance(k_or_interval, tuple) else (value - k_or_interval * u, value + k_or_interval * u)
    )
    delta = tolerance_of(u, digits)
    d_low, d_high = abs(low - montecarlo.symmetric[0]), abs(high - montecarlo.symmetric[1])
    worst = max(d_low, d_high)
    doubt = 0.0 if montecarlo.reached <= FOR_COMPARISON * delta else montecarlo.reached
    validated = None if abs(worst - delta) < doubt else worst <= delta
    if validated is None:
        code = "gum_interval.undecided"
    elif validated:
        code = "gum_interval.validated"
    else:
        code = "gum_interval.few_readings" if dof < FEW_DOF else "gum_interval.differs"
    return GumComparison(
        low, high, d_low, d_high, delta, validated, Reason(code, {"dof": dof} if dof < FEW_DOF else {})
    )
