"""What still stands between a page and its signature, and how far each section has come: plain sentences."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

from labkit.calibration import Calibration
from labkit.ledger import Person
from labkit.ledger.people import MAY
from labkit.messages import sentence
from labkit.problems import BadInput, Reason
from labkit.workflow.influences import influence_of
from labkit.workflow.log import PARTS, Line
from labkit.workflow.particulars import TICKS
from labkit.workflow.remarks import FAILED
from labkit.workflow.shims_out import SHIMS_REASON, shims_out

if TYPE_CHECKING:
    from labkit.sheet.own_fonts import OwnFonts
    from labkit.workflow.calibrate_model import CalibrateModel

DISAGREE: Final = ("curve.disagrees", "curve.none_fits", "curve.widened", "curve.widened_by_nobody")
"""Doubts whether points and curve agree."""

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

    @property
    def place(self) -> str:
        """The address of the place on the page: who is at it is chosen on the cover."""
        return "#top" if self.reason.code == "left.person" else f"#s{self.section}"


@dataclass(frozen=True)
class Mark:
    """How far a section has come: one of the five drawn marks, and a word."""

    state: State
    words: Reason


def blockers(page: CalibrateModel) -> list[Blocker]:
    """
    Everything that is left, in the order of the sections; empty where the sheet can be signed.
    """
    if not page.fields.get("rig"):
        return [Blocker(1, Reason("left.nothing"))]
    found = [
        *_of_particulars(page),
        *_of_as_found(page),
        *_of_cells(page),
        *_of_readings(page),
        *_of_curve(page),
        *_of_influences(page),
        *_of_checks(page),
        *_of_sheet(page),
    ]
    return sorted(found, key=lambda blocker: blocker.section)


def _of_particulars(page: CalibrateModel) -> list[Blocker]:
    found = []
    person = _person(page)
    if person is None:
        found.append(Blocker(1, Reason("left.person")))
    elif not person.identity or not (page.data / "identities" / person.identity).is_file():
        found.append(Blocker(1, Reason("left.identity", {"person": page.person})))
    if not page.fields.get("shim_set"):
        found.append(Blocker(1, Reason("left.shim_set")))
    if not page.fields.get(SHIMS_REASON):
        found += [Blocker(1, Reason("left.shim_out", {"says": str(each.says)})) for each in shims_out(page)]
    if page.particulars is not None:
        faults = page.particulars.faults
        for name, fault in faults.items():
            params = {"field": sentence(f"field_name.{name}"), "what": str(fault), "section": 1}
            found.append(Blocker(1, Reason("left.field", params)))
        if page.particulars.about.conditions.temperature_start_degC is None and "temperature" not in faults:
            found.append(Blocker(1, Reason("left.temperature")))
    return found


def _of_as_found(page: CalibrateModel) -> list[Blocker]:
    if page.fields.get("as_found_reason"):
        return []
    if page.ledger_problem is not None:
        return [Blocker(2, Reason(page.ledger_problem.code, page.ledger_problem.params))]
    lines = _at_hand(page, "as-found")
    if not any(line.taken for line in lines):
        return [Blocker(2, Reason("left.as_found"))]
    return [Blocker(2, Reason("left.as_found_unfinished", _progress(line))) for line in lines if not line.complete]


def _of_cells(page: CalibrateModel) -> list[Blocker]:
    """Cells that hold no reading, and rows on shims of another set."""
    found = []
    for row_id, place in page.collected.bad:
        params = {"line": _name(page, row_id), "reading": place + 1, "section": _section(row_id)}
        found.append(Blocker(_section(row_id), Reason("left.bad_cell", params)))
    for row_id in page.collected.elsewhere:
        line = page.log.line(row_id)
        if line is not None and line.taken and not line.set_aside:
            params = {"line": line.label, "section": _section(row_id)}
            found.append(Blocker(_section(row_id), Reason("left.elsewhere", params)))
    return found


def _of_readings(page: CalibrateModel) -> list[Blocker]:
    found = []
    for line in _at_hand(page, *PARTS["readings"]):
        if not line.complete:
            found.append(Blocker(3, Reason("left.unfinished", _progress(line))))
    for line_id, place, _ in page.stragglers:
        found.append(Blocker(3, Reason("left.straggler", {"line": _name(page, line_id), "reading": place + 1})))
    return found


def _of_curve(page: CalibrateModel) -> list[Blocker]:
    result = page.result
    if page.problem is not None:
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


def _of_influences(page: CalibrateModel) -> list[Blocker]:
    faults = page.particulars.influence_faults if page.particulars is not None else {}
    return [
        Blocker(4, Reason("left.influence", {"influence": influence_of(name), "what": str(fault)}))
        for name, fault in faults.items()
    ]


def _of_checks(page: CalibrateModel) -> list[Blocker]:
    if not page.fields.get("check_set"):
        return [Blocker(6, Reason("left.check_set"))]
    if page.particulars is not None and "check_set" in page.particulars.faults:
        return []  # section 1 says so
    found = _of_rule(page)
    lines = {line.name: line for line in page.log.of("check")}
    for shim in page.bench.shim_set(page.fields["check_set"]):
        line = lines.pop(shim.name, None)
        if line is None or not line.taken:
            found.append(Blocker(6, Reason("left.check_unread", {"shim": shim.name})))
        elif not line.complete:
            found.append(Blocker(6, Reason("left.check_unfinished", _progress(line))))
    for line in lines.values():
        if line.taken and not line.complete and line.id not in page.collected.elsewhere:
            found.append(Blocker(6, Reason("left.check_unfinished", _progress(line))))
    return [*found, *_of_verdict(page)]


def _of_rule(page: CalibrateModel) -> list[Blocker]:
    faults = page.particulars.rule_faults if page.particulars is not None else {}
    return [
        Blocker(6, Reason("left.field", {"field": sentence(f"field_name.{name}"), "what": str(fault), "section": 6}))
        for name, fault in faults.items()
    ]


def _of_verdict(page: CalibrateModel) -> list[Blocker]:
    """Who may sign what: a technician what passes, the engineer the rest, with a reason that the sheet prints."""
    verdict = page.result.verdict if page.result is not None else None
    if verdict not in FAILED:
        return []
    person = _person(page)
    if person is None or person.role != "engineer":
        return [Blocker(6, Reason("left.engineer_only", {"verdict": verdict}))]
    # a reason that somebody else wrote is not the engineer's
    if page.fields.get("release_reason") and page.fields.get("released_by") == person.name:
        return []
    return [Blocker(6, Reason("left.release_reason", {"verdict": verdict}))]


def _of_sheet(page: CalibrateModel) -> list[Blocker]:
    unprintable = (
        _unprintable(page.result, page.house.fonts) if page.result is not None and not page.computing else None
    )
    found = [] if unprintable is None else [Blocker(7, unprintable)]
    if page.house_problem is not None:
        found.append(Blocker(7, Reason(page.house_problem.code, page.house_problem.params)))
    if page.replaces and page.who.role not in MAY["amend"]:
        found.append(Blocker(7, Reason("left.may_not_replace", {"number": page.replaces})))
    return found


@lru_cache(maxsize=4)
def _unprintable(result: Calibration, fonts: OwnFonts) -> Reason | None:
    """The first character of what people typed that the sheet cannot print; None where there is none."""
    from labkit.sheet.content import words_of_people
    from labkit.sheet.typesetting import check_characters, printable

    inputs = {
        "about": result.about.to_dict(),
        "options": {"reason": result.options.reason},
        "readings": result.readings.to_dict(),
    }
    try:
        check_characters(((place, printable(text)) for place, text in words_of_people({"inputs": inputs})), fonts)
    except BadInput as problem:
        return Reason(problem.code, problem.params)
    return None


def marks(page: CalibrateModel) -> dict[int, Mark]:
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


def _mark_of_particulars(page: CalibrateModel, left: list[Blocker]) -> Mark:
    if not page.fields.get("rig"):
        return Mark("idle", Reason("mark.choose_rig"))
    faults = len(page.particulars.faults) if page.particulars is not None else 0
    if faults:
        return Mark("stop", Reason("mark.put_right", {"count": faults}))
    if any(blocker.section == 1 for blocker in left) or len(page.ticks) < len(TICKS):
        return Mark("part", Reason("mark.begun"))
    return Mark("ok", Reason("mark.done"))


def _mark_of_as_found(page: CalibrateModel) -> Mark:
    lines = _at_hand(page, "as-found")
    if page.fields.get("as_found_reason"):
        return Mark("watch", Reason("mark.not_possible"))
    if not any(line.taken for line in lines):
        return Mark("idle", Reason("mark.not_read"))
    if bad := _mark_of_cells(page, 2):
        return bad
    done = sum(line.complete for line in lines)
    if done < len(lines):
        return Mark("part", Reason("mark.of", {"done": done, "all": len(lines)}))
    return Mark("ok", Reason("mark.done"))


def _mark_of_cells(page: CalibrateModel, section: int) -> Mark | None:
    """How many cells of a section hold no reading; None where all do."""
    bad = sum(_section(line_id) == section for line_id, _ in page.collected.bad)
    if not bad:
        return None
    return Mark("stop", Reason("mark.cells", {"count": bad}) if bad > 1 else Reason("mark.cell"))


def _mark_of_readings(page: CalibrateModel, left: list[Blocker]) -> Mark:
    lines = _at_hand(page, *PARTS["readings"])
    if bad := _mark_of_cells(page, 3):
        return bad
    if not any(line.taken for line in lines):
        return Mark("idle", Reason("mark.none_yet"))
    if page.stragglers:
        return Mark("watch", Reason("mark.apart"))
    done = sum(line.complete for line in lines)
    if any(blocker.section == 3 for blocker in left):
        return Mark("part", Reason("mark.rows", {"done": done, "all": len(lines)}))
    return Mark("ok", Reason("mark.done"))


def _mark_of_curve(page: CalibrateModel) -> Mark:
    result = page.result
    if result is None:
        if page.problem is not None:
            return Mark("stop", Reason("mark.no_curve"))
        return Mark("part", Reason("mark.computing")) if page.computing else Mark("idle", Reason("mark.three_points"))
    if not result.usable:
        return Mark("stop", Reason("mark.turns"))
    if result.comparison.recommended is None or any(caution.code in DISAGREE for caution in result.cautions):
        return Mark("watch", Reason("mark.disagree"))
    return Mark("ok", Reason("mark.on_points", {"points": len(result.table.points)}))


def _mark_of_extra(page: CalibrateModel) -> Mark:
    advice = page.result.next_points if page.result is not None else None
    if advice is None:
        return Mark("idle", Reason("mark.later"))
    if page.stopped:
        return Mark("ok", Reason("mark.stopped"))
    match advice.stop:
        case "target reached":
            return Mark("ok", Reason("mark.target_reached"))
        case "no longer helps" | "nothing at hand":
            # without a target, what no longer helps is enough; with one, it was not reached
            missed = page.result is not None and page.result.options.target_u_mm is not None
            return Mark("watch", Reason("mark.target_missed")) if missed else Mark("ok", Reason("mark.enough"))
        case _:
            return Mark("part", Reason("mark.one_advised"))


def _mark_of_checks(page: CalibrateModel, left: list[Blocker]) -> Mark:
    if faults := _of_rule(page):
        return Mark("stop", Reason("mark.put_right", {"count": len(faults)}))
    if not any(line.taken for line in page.log.of("check")):
        return Mark("idle", Reason("mark.not_read"))
    if bad := _mark_of_cells(page, 6):
        return bad
    verdict = page.result.verdict if page.result is not None else None
    if verdict in FAILED:
        return Mark("stop", Reason("mark.verdict", {"verdict": verdict.capitalize()}))
    if any(blocker.section == 6 for blocker in left):
        lines = _at_hand(page, "check")
        done = sum(line.complete for line in lines)
        return Mark("part", Reason("mark.of", {"done": done, "all": len(lines)}))
    if verdict == "conditional pass":
        return Mark("watch", Reason("mark.verdict", {"verdict": verdict.capitalize()}))
    return Mark("ok", Reason("mark.done"))


def _mark_of_sheet(page: CalibrateModel, left: list[Blocker]) -> Mark:
    if page.number:
        return Mark("ok", Reason("mark.signed", {"number": page.number}))
    if left and left[0].reason.code == "left.nothing":
        return Mark("idle", Reason("mark.nothing_to_sign"))
    if left:
        return Mark("idle", Reason("mark.left", {"count": len(left)}))
    return Mark("part", Reason("mark.sign"))


def _person(page: CalibrateModel) -> Person | None:
    """Whoever is chosen on the cover, as far as the bench knows them."""
    return next((person for person in page.bench.people if person.name == page.person), None)


def _at_hand(page: CalibrateModel, *roles: str) -> list[Line]:
    """The lines in these roles, without those on shims of another set."""
    return [line for line in page.log.of(*roles) if line.id not in page.collected.elsewhere]


def _progress(line: Line) -> dict[str, object]:
    return {"line": line.label, "taken": line.taken, "wanted": line.wanted}


def _section(line_id: str) -> int:
    role = line_id.partition(":")[0]
    return next(no for no, part in ((2, "as-found"), (3, "readings"), (6, "checks")) if role in PARTS[part])


def _name(page: CalibrateModel, line_id: str) -> str:
    line = page.log.line(line_id)
    return line.label if line is not None else line_id
