"""Which point next: what each shim at hand would do to the uncertainty, before it is read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from labkit.curves.curve import Points
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.problems import Reason

Stop = Literal["go on", "target reached", "no longer helps", "not reachable", "nothing at hand"]

WORTHWHILE: Final = 0.05
"""A point that lowers the criterion by less than this share is not worth its readings."""


@dataclass(frozen=True)
class Candidate:
    """
    A shim that could be read.

    Attributes
    ----------
    name : str
    x_mm : float
    before, after : float
        Largest U over its target within the working range, now and after.
    U_before_mm, U_after_mm : float
        Largest expanded uncertainty over the working range, now and after [mm].
    readings : int
        What it costs.
    reason : Reason
    """

    name: str
    x_mm: float
    before: float
    after: float
    U_before_mm: float
    U_after_mm: float
    readings: int
    reason: Reason

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"reason": self.reason.to_dict()}


@dataclass(frozen=True)
class NextPoints:
    """
    The shims at hand, best first, and whether to go on.

    Attributes
    ----------
    ranking : tuple of Candidate
    stop : str
        "go on", "target reached", "no longer helps", "not reachable" or "nothing at hand".
    reason : Reason
    """

    ranking: tuple[Candidate, ...]
    stop: Stop
    reason: Reason

    @property
    def best(self) -> Candidate | None:
        """The shim to read next; None where it is time to stop."""
        return self.ranking[0] if self.ranking and self.stop in ("go on", "not reachable") else None

    def to_dict(self) -> dict[str, Any]:
        return {
            "ranking": [each.to_dict() for each in self.ranking],
            "stop": self.stop,
            "reason": self.reason.to_dict(),
        }


def rank_next(
    curve: FlexibleCurve,
    at_hand: Sequence[tuple[str, float, Callable[[], Points]]],
    working_range: tuple[float, float],
    expanded: Callable[[FlexibleCurve, Array], Array],
    target_mm: float | None,
    readings: int,
) -> NextPoints:
    """
    Rank the shims at hand.

    Parameters
    ----------
    curve : FlexibleCurve
        Through the points that were read.
    at_hand : sequence of (name, x [mm], callable)
        The callable gives the points with the shim added, at the indication that the curve expects of it.
    working_range : (float, float)
        [mm]
    expanded : callable
        U of a result [mm] with a curve, on a grid of thicknesses.
    target_mm : float or None
        The expanded uncertainty to reach; where None the largest U itself is what counts.
    readings : int
        How many readings a shim costs.

    Returns
    -------
    NextPoints

    Notes
    -----
    Amplitude and length of the flexible curve are kept, with their weights: at each pair of them the variance can then
    only fall. After the shim is really read they are estimated again, and U may come out larger than was foretold.
    """
    grid = np.linspace(*working_range, 61)
    width = working_range[1] - working_range[0]
    target = target_mm or 1.0

    def largest(through: FlexibleCurve) -> float:
        # far beyond the points the curve knows nothing, and U may have no number; more than all is no worse than all
        return float(np.max(np.fmin(expanded(through, grid), width)))

    U_now = largest(curve)
    now = U_now / target
    ranking = []
    for name, x, with_it in at_hand:
        U_then = largest(curve.with_points(with_it()))
        ranking.append(
            Candidate(name, x, now, U_then / target, U_now, U_then, readings, _reason(x, curve, working_range))
        )
    ranking.sort(key=lambda candidate: candidate.after)
    return NextPoints(tuple(ranking), *_stop(ranking, now, U_now, target_mm))


def _stop(ranking: Sequence[Candidate], now: float, U_now: float, target_mm: float | None) -> tuple[Stop, Reason]:
    if target_mm is not None and now <= 1.0:
        return "target reached", Reason("next.target_reached", {"target_mm": target_mm})
    if not ranking:
        return "nothing at hand", Reason("next.nothing_at_hand")
    best = ranking[0]
    if best.after > now * (1 - WORTHWHILE):
        if target_mm is None:
            return "no longer helps", Reason("next.no_longer_helps")
        return "no longer helps", Reason("next.out_of_reach", {"target_mm": target_mm})
    params = {"shim": best.name, "x_mm": best.x_mm, "before_mm": U_now, "after_mm": best.U_after_mm}
    if target_mm is not None and best.after > 1.0:
        return "not reachable", Reason("next.read_not_enough", params | {"target_mm": target_mm})
    return "go on", Reason("next.read", params)


def _reason(x: float, curve: FlexibleCurve, working_range: tuple[float, float]) -> Reason:
    """In words, from where the shim lies among the points that were read."""
    read = np.sort(curve.points.x)
    if not working_range[0] <= x <= working_range[1]:
        return Reason("next.outside")
    if x < read[0] or x > read[-1]:
        return Reason("next.end")
    scale = np.log1p(read / curve.L)
    gaps = np.diff(scale)
    place = int(np.clip(np.searchsorted(read, x) - 1, 0, len(gaps) - 1))
    between = {"low_mm": float(read[place]), "high_mm": float(read[place + 1])}
    rank = int(np.sum(gaps > gaps[place] * (1 + 1e-9)))
    return Reason(("next.widest_gap", "next.second_gap")[rank] if rank < 2 else "next.gap", between)
