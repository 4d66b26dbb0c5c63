"""Before anything is read: which shims of the box to read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from labkit.bench.readings import Signal
from labkit.curves.plan import PLANNED, plan_shims
from labkit.ledger import Bench
from labkit.problems import Reason
from labkit.workflow.log import line_id
from labkit.workflow.particulars import Particulars
from labkit.workflow.rig_work import RigWork


@dataclass(frozen=True)
class ShimPlan:
    """
    Attributes
    ----------
    shims : tuple of str
        In the order of reading, the end shims first.
    left : tuple of str
        Those that have no row yet.
    reason : Reason
        In one sentence.
    """

    shims: tuple[str, ...]
    left: tuple[str, ...]
    reason: Reason


def shim_plan(work: RigWork, p: Particulars, bench: Bench) -> ShimPlan | None:
    """
    The shims to read; None as long as shim set or working range are not right.

    A shim whose row was taken out is not advised.
    """
    if not work.fields.get("shim_set") or p.faults.keys() & {"shim_set", "low", "high"}:
        return None
    box = [
        shim for shim in bench.shim_set(work.fields["shim_set"]) if line_id("fit", [shim.name]) not in work.taken_out
    ]
    if not box:
        return None
    x = tuple(shim.thickness_mm for shim in box)
    besides = (0.0,) if work.log.of("zero") else ()
    chosen = _chosen(x, p.about.working_range_mm or (min(x), max(x)), p.signal, besides)
    names = tuple(box[i].name for i in chosen)
    left = tuple(name for name in names if work.log.line(line_id("fit", [name])) is None)
    return ShimPlan(names, left, _reason(names, len(box)))


@lru_cache(maxsize=16)
def _chosen(
    x: Sequence[float], working: tuple[float, float], signal: Signal, besides: Sequence[float]
) -> tuple[int, ...]:
    return plan_shims(x, PLANNED, working, signal, besides).chosen


def _reason(names: Sequence[str], every: int) -> Reason:
    if len(names) < 3:
        return Reason("plan.few", {"shims": list(names)})
    return Reason("plan.read", {"count": len(names), "all": every, "shims": list(names)})
