"""Which point next: what each shim at hand would do to the uncertainty, before it is read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple, TypeAlias

import numpy as np

from labkit.curves.curve import Points
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.foretell import prospect
from labkit.curves.offers import WORTHWHILE, Candidate, NextPoints, Offer, Stop, Target
from labkit.curves.plan import reaches
from labkit.problems import Reason

ALIKE: Final = 0.75
"""
Shims that bring at least this share of what the best one brings by the first criterion are alike by it, and the others
decide: by the largest U alone the first shims go to where they serve two gaps by halves. Common practice has no number;
on simulated benches shares from a quarter to three quarters did equally well.
"""

MOST_REPEATS: Final = 50
"""More further readings of one shim than this are not advised."""


def rank_next(
    curve: FlexibleCurve,
    offers: Sequence[Offer],
    points: Points,
    working_range: tuple[float, float],
    expanded: Callable[[Array], tuple[Array, Array]],
    target: Target,
    readings: int,
    smallest_mm: float = 0.0,
) -> NextPoints:
    """
    Rank the shims at hand, and more repeats of those that were read.

    Parameters
    ----------
    curve : FlexibleCurve
        Through the points that were read.
    offers : sequence of Offer
    points : Points
        The points that were read, and after them one for each offer, at the indication that the curve expects of it
        in the mean of `readings`; see `labkit.curves.foretell.prospect`.
    working_range : (float, float)
        [mm]
    expanded : callable
        U of a result [mm] and its coverage factor, now, on a grid of thicknesses.
    target : float, callable or None
        The expanded uncertainty to reach; where None the largest U itself is what counts.
    readings : int
        How many readings an offer costs.
    smallest_mm : float
        The smallest U that may be stated [mm]: none is foretold below it, and where it is reached it is time to stop.

    Returns
    -------
    NextPoints

    Notes
    -----
    The first criterion is the largest U over its target: plain largest U would always chase the thick end, where a
    looser target is usual. Offers that are alike by it are ranked by how far the formulas that are not rejected lie
    apart there, the farther first, and then by the quadratic mean of U over its target. Weights from an information
    criterion are not used: where all formulas are wrong they name the least bad one.

    Amplitude and length of the flexible curve are kept, with their weights: the variance can then only fall. After
    the shim is really read they are estimated again, and U may come out larger than was foretold.
    """
    outlook = _Outlook(curve, offers, points, working_range, expanded, target, readings, smallest_mm)
    candidates = [outlook.candidate(i) for i in range(len(offers))]
    candidates = [each for each in candidates if not each.again or _worthwhile(each)]
    ranking = tuple(_ordered(candidates, _KEYS))
    stop, reason = _stop(ranking, outlook, target is not None)
    return NextPoints(ranking, stop, reason, _repeats(ranking, outlook))


def lowered(U: Array, k: Array, variance_lost: Array, smallest_mm: float) -> Array:
    """
    U [mm] once the variance of the thickness found has fallen: no smaller than may be stated, and no larger than it is.

    Parameters
    ----------
    U, k : ndarray
        Now [mm].
    variance_lost : ndarray, shape of U
        [mm²]
    smallest_mm : float
    """
    then = np.sqrt(np.maximum(U**2 - k**2 * variance_lost, 0.0))
    return np.asarray(np.fmin(np.maximum(then, smallest_mm), U))


class _Judged(NamedTuple):
    """
    Largest U over its target, U and the target there [mm], and the quadratic means of U over its target and of U [mm].
    """

    largest: float
    U_mm: float
    target_mm: float
    mean: float
    mean_U_mm: float


def _quadratic_mean(values: Array) -> float:
    # quadratic: what a single reading adds to U is then the same before and after, and hides no difference
    return float(np.sqrt(np.mean(np.square(values))))


class _Outlook:
    """What offers would do to U, for any number of readings."""

    def __init__(
        self,
        curve: FlexibleCurve,
        offers: Sequence[Offer],
        points: Points,
        working_range: tuple[float, float],
        expanded: Callable[[Array], tuple[Array, Array]],
        target: Target,
        readings: int,
        smallest_mm: float,
    ) -> None:
        self.curve, self.offers, self.working_range, self.readings = curve, offers, working_range, readings
        self.smallest_mm = smallest_mm
        grid = np.linspace(*working_range, 61)
        U, self._k = expanded(grid)
        # far beyond the points the curve knows nothing, and U may have no number; more than all is no worse than all
        self._most = working_range[1] - working_range[0]
        self._U = np.fmin(U, self._most)
        self._target = target(grid) if callable(target) else np.full(grid.shape, target or 1.0)
        self._prospect = prospect(curve, points, grid)
        self.now = self._judge(self._U)

    def _judge(self, U: Array) -> _Judged:
        share = U / self._target
        place = int(np.argmax(share))
        return _Judged(
            float(share[place]), float(U[place]), float(self._target[place]), _quadratic_mean(share), _quadratic_mean(U)
        )

    def after(self, i: int, n: int) -> _Judged:
        """`_judge` after n readings of offer i."""
        offer = self.offers[i]
        V = offer.V_mean(n)
        if not np.isfinite(V):
            return self.now
        lost = self._prospect.variance_lost([i], V - offer.V_mean(self.readings) if n != self.readings else 0.0)
        return self._judge(lowered(self._U, self._k, lost, self.smallest_mm))

    @property
    def at_smallest(self) -> bool:
        """Whether U is already the smallest that may be stated, where it is largest for its target."""
        return self.now.U_mm <= self.smallest_mm * (1 + 1e-9)

    def candidate(self, i: int) -> Candidate:
        offer = self.offers[i]
        now, then = self.now, self.after(i, self.readings)
        return Candidate(
            offer.name,
            offer.x_mm,
            now.largest,
            then.largest,
            now.U_mm,
            then.U_mm,
            self.readings,
            _reason(offer, self.curve, self.working_range),
            offer.again,
            now.mean,
            then.mean,
            now.mean_U_mm,
            then.mean_U_mm,
            offer.spread_mm,
        )

    def fewest_repeats(self, wanted: float) -> tuple[int, Offer] | None:
        """The fewest further readings of one shim that was read that bring the criterion down to `wanted`."""
        again = [i for i, offer in enumerate(self.offers) if offer.again]
        again = [i for i in again if self.after(i, MOST_REPEATS).largest <= wanted]
        if not again:
            return None
        low, high = 0, MOST_REPEATS
        while high - low > 1:
            middle = (low + high) // 2
            enough = [i for i in again if self.after(i, middle).largest <= wanted]
            low, high, again = (low, middle, enough) if enough else (middle, high, again)
        return high, self.offers[min(again, key=lambda i: self.after(i, high).largest)]


_Key: TypeAlias = tuple[Callable[[Candidate], float], Callable[[Candidate], float]]

_KEYS: Final[tuple[_Key, ...]] = (
    (lambda each: float(each.after > 1.0), lambda best: 0.0),
    (lambda each: float(not _worthwhile(each)), lambda best: 0.0),
    # a gain of less than a hundredth tells no shim from another
    (lambda each: each.after, lambda best: max((1 - ALIKE) * (best.before - best.after), 0.01 * best.before)),
    # a tenth of U is nothing to choose a shim by
    (lambda each: -(each.spread_mm or 0.0), lambda best: 0.1 * best.U_before_mm),
    (lambda each: each.mean_after, lambda best: 0.0),
)
"""
What is ranked by, lowest first, and how far two may lie apart to be alike by it: what reaches the target, what is worth
its readings, the largest U, the formulas, the mean of U.
"""


def _worthwhile(each: Candidate) -> bool:
    return each.after <= each.before * (1 - WORTHWHILE)


def _ordered(candidates: Sequence[Candidate], keys: Sequence[_Key]) -> list[Candidate]:
    """By the first key; those that are alike by it, by the next."""
    value, apart = keys[0]
    left = sorted(candidates, key=value)
    if len(keys) == 1:
        return left
    found: list[Candidate] = []
    while left:
        limit = value(left[0]) + apart(left[0])
        alike = [each for each in left if value(each) <= limit]
        found += _ordered(alike, keys[1:])
        left = left[len(alike) :]
    return found


def _stop(ranking: Sequence[Candidate], outlook: _Outlook, targeted: bool) -> tuple[Stop, Reason]:
    now, U_now, target_mm = outlook.now.largest, outlook.now.U_mm, outlook.now.target_mm
    if targeted and now <= 1.0:
        return "target reached", Reason("next.target_reached", {"target_mm": target_mm})
    lowest = min((each.after for each in ranking), default=np.inf)
    if lowest > now * (1 - WORTHWHILE) and not (targeted and lowest <= 1.0):
        return _no_further(ranking, outlook, target_mm if targeted else None)
    best = ranking[0]
    params = {"shim": best.name, "x_mm": best.x_mm, "before_mm": U_now, "after_mm": best.U_after_mm}
    again = "_again" if best.again else ""
    if targeted and lowest > 1.0:
        return "not reachable", Reason(f"next.read_not_enough{again}", params | {"target_mm": target_mm})
    return "go on", Reason(f"next.read{again}", params)


def _no_further(ranking: Sequence[Candidate], outlook: _Outlook, target_mm: float | None) -> tuple[Stop, Reason]:
    """Where no offer is worth its readings: what many more of them would do, if there is a target to reach."""
    new = any(not each.again for each in ranking)
    stop: Stop = "no longer helps" if new else "nothing at hand"
    if target_mm is not None and (enough := outlook.fewest_repeats(1.0)) is not None:
        count, offer = enough
        params = {"target_mm": target_mm, "shim": offer.name, "readings": count}
        return stop, Reason("next.out_of_reach_repeats", params)
    if target_mm is not None and target_mm < outlook.smallest_mm:
        return stop, Reason("next.target_too_small", {"target_mm": target_mm, "smallest_mm": outlook.smallest_mm})
    if target_mm is None and outlook.at_smallest:
        return stop, Reason("next.smallest_reached", {"smallest_mm": outlook.smallest_mm})
    if not new:
        return stop, Reason("next.nothing_at_hand")
    if target_mm is None:
        return stop, Reason("next.no_longer_helps")
    return stop, Reason("next.out_of_reach", {"target_mm": target_mm})


def _repeats(ranking: Sequence[Candidate], outlook: _Outlook) -> Reason | None:
    """How many more repeats of one shim buy as much as the best new shim, in one sentence."""
    new = next((each for each in ranking if not each.again), None)
    if new is None or not _worthwhile(new):
        return None
    enough = outlook.fewest_repeats(new.after)
    if enough is None:
        return Reason("next.no_repeats_as_good", {"new": new.name, "most": MOST_REPEATS})
    count, offer = enough
    params = {"readings": count, "shim": offer.name, "x_mm": offer.x_mm, "new": new.name}
    return Reason("next.one_repeat_as_good" if count == 1 else "next.repeats_as_good", params)


def _reason(offer: Offer, curve: FlexibleCurve, working_range: tuple[float, float]) -> Reason:
    """In words, from where the shim lies among the points that were read."""
    x, read = offer.x_mm, np.sort(curve.points.x)
    if offer.again:
        return Reason("next.again")
    lower, upper = (bool(each.any()) for each in reaches(read, working_range))
    if (x < read[0] and not lower) or (x > read[-1] and not upper):
        return Reason("next.end")
    if not working_range[0] <= x <= working_range[1]:
        return Reason("next.outside")
    if x < read[0] or x > read[-1]:
        return Reason("next.towards_end")
    scale = np.log1p(read / curve.L)
    gaps = np.diff(scale)
    place = int(np.clip(np.searchsorted(read, x) - 1, 0, len(gaps) - 1))
    between = {"low_mm": float(read[place]), "high_mm": float(read[place + 1])}
    rank = int(np.sum(gaps > gaps[place] * (1 + 1e-9)))
    return Reason(("next.widest_gap", "next.second_gap")[rank] if rank < 2 else "next.gap", between)
