"""Section 2: what falls due within twelve months, on a line and as a list."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.bench.timeline import timeline
from labkit.panels.bench.words import link
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_due import Due, never_calibrated, without_interval
from labkit.workflow.clock import day, time_of_day, today


class DueSection:
    """
    Parameters
    ----------
    page : BenchPage
    guard : callable
    open_register : callable
        Shows a kind and a name in the register.
    """

    def __init__(self, page: BenchPage, guard: Guard, open_register: Callable[[str, str], None]) -> None:
        self._page, self._open = page, open_register
        self._notes, self._lead, self._line = shell.html(), shell.html(), shell.html()
        self._list = Listing("What is due", ("When", "What", "Why", "State"), guard(self._pressed))
        self.section = shell.section(2, "What is due", notes=[self._notes], body=[self._line, self._lead, self._list])

    def show(self) -> None:
        page = self._page
        here = today(page.now, page.bench.zone)
        shell.say(self._notes, _margin(page))
        shell.say(self._line, timeline(page.due, here))
        nothing = "" if page.due else shell.lead(sentence("bench.nothing_due"), quiet=True)
        shell.say(self._lead, nothing)
        self._list.show([_row(each, here, page.bench.zone) for each in page.due])

    def _pressed(self, row: str, _button: str) -> None:
        kind, _, name = row.partition("|")[2].partition("|")
        self._open(kind, name)


def _row(each: Due, here: date, zone: str) -> Row:
    urgent = each.state in ("overdue", "today")
    opened = Button("open", "Open", main=urgent)
    match each.state:
        case "overdue":
            state = Cell("Overdue", mark="stop")
        case "today":
            state = Cell("Due today", mark="watch")
        case "begun":
            on = today(each.since, zone)
            begun = time_of_day(each.since, zone) if on == here else day(on, here)
            state = Cell(f"Begun {begun}", mark="part")
        case "calibrate fully":
            state = Cell("Calibrate fully", mark="stop")
        case "today only" | "check again":
            state = Cell(each.state.capitalize(), mark="watch")
        case _:
            state = Cell("In date", _checked(each, here, zone), mark="ok")
    if each.kind == "rig" and each.draft:
        opened = Button("look", "Look", link("calibrate", each.draft), main=urgent)
    elif each.kind == "rig" and (urgent or each.state in ("calibrate fully", "today only")):
        opened = Button("calibrate", "Calibrate", link("calibrate", rig=each.name), main=each.state != "today only")
    elif each.kind == "rig" and (each.state == "check again" or not _checked_today(each, here, zone)):
        opened = Button("check", "Check", link("check", rig=each.name), main=each.state == "check again")
    cells = (
        Cell(day(each.on, here), _away((each.on - here).days), bold=True),
        Cell(each.name, each.what, bold=True),
        Cell(str(each.why)),
        state,
    )
    return Row(f"{each.on.isoformat()}|{each.kind}|{each.name}", cells, (opened,))


def _checked_today(each: Due, here: date, zone: str) -> bool:
    return bool(each.checked) and today(each.checked, zone) == here


def _checked(each: Due, here: date, zone: str) -> str:
    """When a rig was last taken up again."""
    if each.kind != "rig":
        return ""
    if not each.checked:
        return "not checked yet"
    on = today(each.checked, zone)
    return f"checked {time_of_day(each.checked, zone)}" if on == here else f"last checked {day(on, here)}"


def _away(days: int) -> str:
    if days in (-1, 0, 1):
        return ("yesterday", "today", "tomorrow")[days + 1]
    return f"in {days} days" if days > 0 else f"{-days} days ago"


def _margin(page: BenchPage) -> str:
    said = [shell.note(shell.escape(sentence("bench.past_date")))]
    for code, names in (
        ("bench.never_calibrated", never_calibrated(page.bench, page.last)),
        ("bench.no_interval", without_interval(page.bench)),
    ):
        if names:
            said.append(shell.note(shell.escape(sentence(code, {"rigs": names}))))
    said += [
        shell.signed_note(f"{each.name}: {each.text}", each.by, _on(each.at, page))
        for each in page.notes
        if each.kind == "rig"
    ][:3]
    return "".join(said)


def _on(at: str, page: BenchPage) -> str:
    return day(today(at, page.bench.zone), today(page.now, page.bench.zone))
