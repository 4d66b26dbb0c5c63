"""What still stands between a check and its signature: plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from labkit.problems import BadInput, Reason
from labkit.workflow.blockers import Blocker
from labkit.workflow.shims_out import SHIMS_REASON, shims_out

if TYPE_CHECKING:
    from labkit.workflow.check import CheckPage


def blockers(page: CheckPage) -> list[Blocker]:
    """Everything that is left before the check can be signed."""
    if page.rig is None:
        return [Blocker(1, Reason("check_page.no_rig"))]
    found = _of_person(page)
    if page.problem is not None or page.ledger_problem is not None:
        problem = page.problem or page.ledger_problem
        assert problem is not None
        return [*found, Blocker(1, Reason(problem.code, problem.params))]
    if page.in_force is None:
        return [*found, Blocker(1, Reason("check_page.no_calibration", {"rig": page.rig_name}))]
    if page.newer:
        params = {"number": page.certificate, "rig": page.rig_name, "newer": page.newer}
        return [*found, Blocker(1, Reason("ledger.not_in_force", params))]
    found += _of_rows(page)
    if not page.fields.get(SHIMS_REASON):
        found += [Blocker(1, Reason("left.shim_out", {"says": str(each.says)})) for each in shims_out(page)]
    if page.computing:
        return [*found, Blocker(2, Reason("check_page.computing"))]
    if page.check is None:
        return [*found, Blocker(1, Reason("check_page.unread"))]
    if page.house_problem is not None:
        found.append(Blocker(2, Reason(page.house_problem.code, page.house_problem.params)))
    return [*found, *(Blocker(1, reason) for reason in page.check.missing), *_unprintable(page)]


def _of_person(page: CheckPage) -> list[Blocker]:
    person = next((each for each in page.bench.people if each.name == page.person), None)
    if person is None:
        return [Blocker(1, Reason("left.person"))]
    if not person.identity or not (page.data / "identities" / person.identity).is_file():
        return [Blocker(1, Reason("left.identity", {"person": page.person}))]
    return []


def _of_rows(page: CheckPage) -> list[Blocker]:
    found = []
    for row_id, place in page.collected.bad:
        line = page.log.line(row_id)
        named = {"line": line.label if line is not None else row_id, "reading": place + 1, "section": 1}
        found.append(Blocker(1, Reason("left.bad_cell", named)))
    for line in page.log.lines:
        if line.taken and not line.complete:
            progress = {"line": line.label, "taken": line.taken, "wanted": line.wanted}
            found.append(Blocker(1, Reason("check_page.unfinished", progress)))
    return found


def _unprintable(page: CheckPage) -> list[Blocker]:
    from labkit.sheet.content import words_of_people
    from labkit.sheet.typesetting import check_characters, printable

    assert page.check is not None
    inputs = {"about": page.check.about.to_dict(), "options": {}, "readings": page.check.readings.to_dict()}
    try:
        check_characters(
            ((place, printable(text)) for place, text in words_of_people({"inputs": inputs})), page.house.fonts
        )
    except BadInput as problem:
        return [Blocker(2, Reason(problem.code, problem.params))]
    return []
