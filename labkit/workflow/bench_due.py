"""What falls due: calibrations by the interval that the laboratory has set, the rest by its certificates."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from labkit.bench.dates import months_after
from labkit.ledger import Bench, DraftLine, LastCalibration, LastCheck, RegisteredRig
from labkit.problems import Reason
from labkit.workflow.clock import today

DueKind = Literal["rig", "shim-set", "instrument"]
State = Literal["overdue", "calibrate fully", "today only", "check again", "today", "begun", "in date"]


@dataclass(frozen=True)
class Due:
    """
    One thing that falls due.

    Attributes
    ----------
    kind : str
    name : str
        As it is registered.
    what : str
        Its parts, or how many shims.
    on : date
    why : Reason
    state : str
        Three of them are what the last check of a rig says.
    draft : str
        The id of the draft that was begun for it; empty where none was.
    since : str
        When that was begun (UTC, ISO 8601 with Z).
    checked : str
        When its calibration was last checked (UTC, ISO 8601 with Z); empty where it was not.
    """

    kind: DueKind
    name: str
    what: str
    on: date
    why: Reason
    state: State
    draft: str = ""
    since: str = ""
    checked: str = ""


def due(
    bench: Bench,
    last: Mapping[str, LastCalibration],
    drafts: Iterable[DraftLine],
    day: date,
    checks: Mapping[str, LastCheck] | None = None,
) -> tuple[Due, ...]:
    """
    Everything that falls due, the earliest first.

    Parameters
    ----------
    bench : Bench
    last : mapping of str to LastCalibration
        The calibration in force for each rig.
    drafts : iterable of DraftLine
        Those that are not signed.
    day : date
        Today, where the laboratory is.
    checks : mapping of str to LastCheck, optional
        The last check of each rig: one of another certificate than that in force says nothing any more.
    """
    begun = {line.rig: line for line in drafts if line.page == "calibrate" and line.owner}
    found = [*_rigs(bench, last, begun, day, checks or {}), *_shims(bench, day), *_instruments(bench, day)]
    return tuple(sorted(found, key=lambda each: (each.on, each.kind, each.name)))


def without_interval(bench: Bench) -> list[str]:
    """The rigs for which no interval is registered: nothing tells when they are due."""
    return [rig.name for rig in bench.rigs if not rig.interval_months]


def never_calibrated(bench: Bench, last: Mapping[str, LastCalibration]) -> list[str]:
    """The rigs that have an interval and no certificate yet."""
    return [rig.name for rig in bench.rigs if rig.interval_months and rig.name not in last]


_CHECKED: Final[Mapping[str, State]] = {
    "calibrate fully": "calibrate fully",
    "today only": "today only",
    "check again": "check again",
}
"""What a check leaves to do, by its outcome; “fit to measure” leaves nothing."""


def _rigs(
    bench: Bench,
    last: Mapping[str, LastCalibration],
    begun: Mapping[str, DraftLine],
    day: date,
    checks: Mapping[str, LastCheck],
) -> Iterator[Due]:
    for rig in bench.rigs:
        if not rig.interval_months or rig.name not in last:
            continue
        on = months_after(today(last[rig.name].signed, bench.zone), rig.interval_months)
        why = Reason("due.calibration", {"months": rig.interval_months, "number": last[rig.name].number})
        line = begun.get(rig.name)
        state: State = _state(on, day)
        check = checks.get(rig.name)
        if check is not None and check.certificate != last[rig.name].number:
            check = None
        if check is not None and check.outcome in _CHECKED and state == "in date":
            state = _CHECKED[check.outcome]
            why = Reason("due.check", {"number": check.number, "outcome": check.outcome})
            on = on if state == "today only" else day
        if line is not None and state in ("in date", "calibrate fully", "today only"):
            state = "begun"
        draft, since = (line.id, line.begun) if line is not None else ("", "")
        yield Due("rig", rig.name, parts_of(rig), on, why, state, draft, since, check.signed if check else "")


def _shims(bench: Bench, day: date) -> Iterator[Due]:
    """One line a set and date: what is sent away together comes back together."""
    for shim_set in bench.shim_sets:
        dates: dict[date, list[str]] = {}
        for shim in shim_set:
            if shim.due is not None and bench.shim_out_of_use(shim_set.name, shim.name) is None:
                dates.setdefault(shim.due, []).append(shim.name)
        for on, names in dates.items():
            said = f"{len(names)} shims" if len(names) > 3 else ", ".join(names)
            yield Due("shim-set", shim_set.name, said, on, Reason("due.shims"), _state(on, day))


def _instruments(bench: Bench, day: date) -> Iterator[Due]:
    for part in bench.instruments:
        try:
            on = date.fromisoformat(part.due)
        except ValueError:
            continue
        yield Due("instrument", part.name, part.kind, on, Reason("due.instrument"), _state(on, day))


def _state(on: date, day: date) -> State:
    return "overdue" if on < day else "today" if on == day else "in date"


def parts_of(rig: RegisteredRig) -> str:
    """The parts of a rig in one line."""
    parts = rig.rig
    said = [
        parts.gauge.name,
        f"probe {parts.probe.name}" if parts.probe.name else "",
        parts.tip.kind,
        parts.target.kind,
    ]
    return ", ".join(each for each in said if each)
