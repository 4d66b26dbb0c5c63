"""What still stands between a page and its signature, and how far each section has come: plain sentences."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from labkit.problems import Reason
from labkit.workflow.calibrate import PARTS, CalibratePage
from labkit.workflow.particulars import TICKS

State = Literal["idle", "part", "ok", "watch", "stop"]


@dataclass(frozen=True)
class Blocker:
    """
    One thing that is left to do.

    Attributes
    ----------
    section : int
        Where.
    reason : Reason
    """

    section: int
    reason: Reason

    def __str__(self) -> str:
        return str(self.reason)


@dataclass(frozen=True)
class Mark:
    """How far a section has come: one of the five drawn marks, and a word."""

    state: State
    words: Reason


def blockers(page: CalibratePage) -> list[Blocker]:
    """
    Everything that is left, in the order of the sections; empty where the sheet can be signed.
    """
    if not page.fields.get("rig"):
        return [Blocker(1, Reason("left.nothing"))]
    return [*_of_particulars(page), *_of_as_found(page), *_of_readings(page), *_of_curve(page), *_of_checks(page)]


def _of_particulars(page: CalibratePage) -> list[Blocker]:
    found = []
    if not page.person:
        found.append(Blocker(1, Reason("left.person")))
    elif not page.bench.person(page.person).identity or not _identity(page).is_file():
        found.append(Blocker(1, Reason("left.identity", {"person": page.person})))
    if not page.fields.get("shim_set"):
        found.append(Blocker(1, Reason("left.shim_set")))
    if page.particulars is not None:
        found += [Blocker(1, Reason(fault.code, fault.params)) for fault in page.particulars.faults.values()]
        if page.particulars.about.conditions.temperature_start_degC is None:
            found.append(Blocker(1, Reason("left.temperature")))
    return found


def _of_as_found(page: CalibratePage) -> list[Blocker]:
    read = any(line.taken for line in page.log.of("as-found"))
    if read or page.fields.get("as_found_reason"):
        return []
    return [Blocker(2, Reason("left.as_found"))]


def _of_readings(page: CalibratePage) -> list[Blocker]:
    found = [
        Blocker(_section(line_id), Reason("left.bad_cell", {"line": _name(page, line_id), "reading": place + 1}))
        for line_id, place in page.collected.bad
    ]
    for line in page.log.of(*PARTS["readings"]):
        if not line.complete:
            params = {"line": line.name, "taken": line.taken, "wanted": line.wanted}
            found.append(Blocker(3, Reason("left.unfinished", params)))
    for line_id, place, _ in page.stragglers:
        found.append(Blocker(3, Reason("left.straggler", {"line": _name(page, line_id), "reading": place + 1})))
    return found


def _of_curve(page: CalibratePage) -> list[Blocker]:
    result = page.result
    if page.problem is not None and not page.read_only:
        return [Blocker(4, Reason(page.problem.code, page.problem.params))]
    if page.computing:
        return [Blocker(4, Reason("left.computing"))]
    if result is None:
        return [Blocker(4, Reason("left.no_curve"))]
    if not result.usable:
        return [Blocker(4, Reason("left.turns"))]
    if any(caution.code == "curve.no_reason" for caution in result.cautions):
        return [Blocker(4, Reason("left.no_reason", {"family": result.curve.family}))]
    if result.comparison.recommended is None and not page.fields.get("reason"):
        return [Blocker(4, Reason("left.not_recommended"))]
    return []


def _of_checks(page: CalibratePage) -> list[Blocker]:
    if not page.fields.get("check_set"):
        return [Blocker(6, Reason("left.check_set"))]
    lines = {line.name: line for line in page.log.of("check")}
    found = []
    for shim in page.bench.shim_set(page.fields["check_set"]):
        line = lines.get(shim.name)
        if line is None or not line.taken:
            found.append(Blocker(6, Reason("left.check_unread", {"shim": shim.name})))
        elif not line.complete:
            params = {"line": line.name, "taken": line.taken, "wanted": line.wanted}
            found.append(Blocker(6, Reason("left.check_unfinished", params)))
    return [*found, *_of_verdict(page)]


def _of_verdict(page: CalibratePage) -> list[Blocker]:
    """Who may sign what: a technician what passes, the engineer the rest, with a reason that the sheet prints."""
    verdict = page.result.verdict if page.result is not None else None
    if verdict not in ("conditional fail", "fail"):
        return []
    engineer = page.person and page.bench.person(page.person).role == "engineer"
    if not engineer:
        return [Blocker(6, Reason("left.engineer_only", {"verdict": verdict}))]
    return (
        [] if page.fields.get("release_reason") else [Blocker(6, Reason("left.release_reason", {"verdict": verdict}))]
    )


def marks(page: CalibratePage) -> dict[int, Mark]:
    """The mark beside each section's number."""
    left = blockers(page)
    return {
        1: _mark_of_particulars(page, left),
        2: _mark_of_as_found(page),
        3: _mark_of_readings(page, left),
        4: _mark_of_curve(page),
        5: _mark_of_extra(page),
        6: _mark_of_checks(page, left),
        7: _mark_of_sheet(page, left),
    }


def _mark_of_particulars(page: CalibratePage, left: list[Blocker]) -> Mark:
    if not page.fields.get("rig"):
        return Mark("idle", Reason("mark.choose_rig"))
    faults = len(page.particulars.faults) if page.particulars is not None else 0
    if faults:
        return Mark("stop", Reason("mark.put_right", {"count": faults}))
    if any(blocker.section == 1 for blocker in left) or len(page.ticks) < len(TICKS):
        return Mark("part", Reason("mark.begun"))
    return Mark("ok", Reason("mark.done"))


def _mark_of_as_found(page: CalibratePage) -> Mark:
    lines = page.log.of("as-found")
    if page.fields.get("as_found_reason"):
        return Mark("watch", Reason("mark.not_possible"))
    if not any(line.taken for line in lines):
        return Mark("idle", Reason("mark.not_read"))
    done = sum(line.complete for line in lines)
    if done < len(lines):
        return Mark("part", Reason("mark.of", {"done": done, "all": len(lines)}))
    return Mark("ok", Reason("mark.done"))


def _mark_of_readings(page: CalibratePage, left: list[Blocker]) -> Mark:
    lines = page.log.of(*PARTS["readings"])
    bad = sum(_section(line_id) == 3 for line_id, _ in page.collected.bad)
    if bad:
        return Mark("stop", Reason("mark.cells", {"count": bad}))
    if not any(line.taken for line in lines):
        return Mark("idle", Reason("mark.none_yet"))
    if page.stragglers:
        return Mark("watch", Reason("mark.apart"))
    done = sum(line.complete for line in lines)
    if any(blocker.section == 3 for blocker in left):
        return Mark("part", Reason("mark.rows", {"done": done, "all": len(lines)}))
    return Mark("ok", Reason("mark.done"))


def _mark_of_curve(page: CalibratePage) -> Mark:
    result = page.result
    if result is None:
        if page.problem is not None:
            return Mark("stop", Reason("mark.no_curve"))
        return Mark("part", Reason("mark.computing")) if page.computing else Mark("idle", Reason("mark.three_points"))
    if not result.usable:
        return Mark("stop", Reason("mark.turns"))
    if result.comparison.recommended is None or any(c.code == "curve.disagrees" for c in result.cautions):
        return Mark("watch", Reason("mark.disagree"))
    return Mark("ok", Reason("mark.on_points", {"points": len(result.table.points)}))


def _mark_of_extra(page: CalibratePage) -> Mark:
    advice = page.result.next_points if page.result is not None else None
    if advice is None:
        return Mark("idle", Reason("mark.later"))
    if page.stopped:
        return Mark("ok", Reason("mark.stopped"))
    match advice.stop:
        case "target reached":
            return Mark("ok", Reason("mark.target_reached"))
        case "no longer helps" | "nothing at hand":
            return Mark("ok", Reason("mark.enough"))
        case _:
            return Mark("part", Reason("mark.one_advised"))


def _mark_of_checks(page: CalibratePage, left: list[Blocker]) -> Mark:
    checks = page.result.checks if page.result is not None else ()
    if not any(line.taken for line in page.log.of("check")):
        return Mark("idle", Reason("mark.not_read"))
    verdict = page.result.verdict if page.result is not None else None
    if verdict in ("fail", "conditional fail"):
        return Mark("stop", Reason("mark.verdict", {"verdict": verdict}))
    if any(blocker.section == 6 for blocker in left):
        wanted = len(page.log.of("check"))
        return Mark("part", Reason("mark.of", {"done": len(checks), "all": wanted}))
    if verdict == "conditional pass":
        return Mark("watch", Reason("mark.verdict", {"verdict": verdict}))
    return Mark("ok", Reason("mark.done"))


def _mark_of_sheet(page: CalibratePage, left: list[Blocker]) -> Mark:
    if page.number:
        return Mark("ok", Reason("mark.signed", {"number": page.number}))
    if left and left[0].reason.code == "left.nothing":
        return Mark("idle", Reason("mark.nothing_to_sign"))
    if left:
        return Mark("idle", Reason("mark.left", {"count": len(left)}))
    return Mark("part", Reason("mark.sign"))


def _identity(page: CalibratePage) -> Path:
    return page.data / "identities" / page.bench.person(page.person).identity


def _section(line_id: str) -> int:
    role = line_id.partition(":")[0]
    return next(no for no, part in ((2, "as-found"), (3, "readings"), (6, "checks")) if role in PARTS[part])


def _name(page: CalibratePage, line_id: str) -> str:
    line = page.log.line(line_id)
    return line.name if line is not None else line_id
