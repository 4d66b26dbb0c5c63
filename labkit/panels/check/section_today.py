"""Section 1: the band and its four rows, what the check shims say, and with which rig."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import ipywidgets as W

from labkit import format as text_of
from labkit.check import Check
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.calibrate.gauge_part import GaugePart
from labkit.panels.calibrate.part import ReadingPart
from labkit.panels.calibrate.section_rig import rig_words
from labkit.panels.check_tables import check_table
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.reading_grid import ROW_MENU, GridEvent
from labkit.panels.wording import hint, said
from labkit.workflow.check import FIELDS, TODAY, CheckPage
from labkit.workflow.check_blockers import blockers
from labkit.workflow.log import line_id
from labkit.workflow.shims_out import SHIMS_REASON, shims_out

TOOLS: Final = (
    {"id": "background", "label": "Re-read with no target"},
    {"id": "more", "label": "Read one more check shim"},
    {"id": "undo", "label": "Undo", "gap": True},
)

MARGIN: Final = (
    "Half a minute: once with no target, once at contact zero, then two check shims inside the working range.",
    "<b>E<sub>n</sub></b> at most 1: both uncertainties together explain the deviation.",
    "No target near means no steel within 300 mm.",
)


class TodaySection:
    """
    Parameters
    ----------
    page : CheckPage
    guard : callable
    sign : callable
        Brings the cursor to the line for the passphrase.
    """

    def __init__(self, page: CheckPage, guard: Guard, sign: Callable[[], object]) -> None:
        self._page = page
        self.part = ReadingPart(
            page,
            TODAY,
            guard,
            {
                "background": lambda _: page.read_row_again(line_id("background", [])),
                "more": lambda _: page.read_shim(page.unread[0].name) if page.unread else None,
                "sign": lambda _: sign(),
                "undo": lambda _: page.grid_event(TODAY, GridEvent("undo")),
            },
            {"note": self._ask_note, "dropped": self._ask_dropped, "remove": page.remove_row},
        )
        grid = self.part.grid
        grid.menu = [*ROW_MENU, {"id": "remove", "label": "Take out a row without readings"}]
        grid.sounds = True
        self._ask, self._gauge = Ask(guard), GaugePart(page, guard)
        self._out_says = shell.html()
        self._lead, self._table, self._doubts, self._facts = (shell.html() for _ in range(4))
        self.form = Form(guard(self._typed))
        form = self.form
        fields = [
            form.field("Rig", form.choice("rig", label="Rig"), names=["rig"], long=True),
            form.field("Temperature", form.text("temperature", label="Temperature"), "°C", names=["temperature"]),
            form.field("Thermometer", form.choice("thermometer"), names=["thermometer"]),
        ]
        reason = form.text(SHIMS_REASON, width="wide", label="Why these shims are used all the same")
        named = form.field("Used all the same", reason, names=[SHIMS_REASON], long=True)
        self._out = shell.rows([self._out_says, named])
        self.section = shell.section(
            1,
            "Today’s check",
            notes=[shell.html("".join(shell.note(words) for words in MARGIN))],
            body=[
                self._lead,
                self._gauge.root,
                self.part.root,
                self._ask.root,
                self._table,
                self._doubts,
                self._out,
                shell.with_classes(W.GridBox(fields), "lk-form"),
                self._facts,
            ],
        )

    def show(self, unit: str) -> None:
        """What the model holds now."""
        page, rig = self._page, self._page.rig
        ready = bool(page.log.lines)
        if rig is None:
            shell.say(self._lead, shell.lead(sentence("check_page.no_rig"), quiet=True))
        else:
            blocked = [each for each in blockers(page) if each.reason.code in _STOPS] if not ready else []
            words = "".join(shell.message("stop", f"{shell.escape(each)} {_way(page)}") for each in blocked)
            shell.say(self._lead, words)
        self._gauge.show()
        self.part.root.layout.display = "" if ready else "none"
        if ready:
            with self.part.grid.hold_sync():
                self.part.show(unit)
                self.part.grid.tools = [tool for tool in TOOLS if tool["id"] != "more" or page.unread]
                if page.rig is not None:
                    self.part.grid.band = {**self.part.grid.band, "advice": _advice(page)}
        check = page.check
        read = {each.point for each in check.shims} if check is not None else set()
        left = [
            (line.name, page.particulars.shims[line.shims[0]].thickness_mm)
            for line in page.log.of("check")
            if line.name not in read and page.particulars is not None and line.shims[0] in page.particulars.shims
        ]
        shell.say(self._table, check_table(check.shims if check else (), unit, left) if ready else "")
        shell.say(self._doubts, _doubts(page, unit))
        self._show_fields()
        shell.say(self._facts, _facts(page, unit))

    def _show_fields(self) -> None:
        page, bench, form = self._page, self._page.bench, self.form
        form.offer("rig", [("Choose a rig", ""), *((rig_words(rig), rig.name) for rig in bench.rigs)])
        form.offer("thermometer", [("–", ""), *((part.name, part.name) for part in bench.instruments)])
        p = page.particulars
        form.show(page.shown_fields, p.faults if p else {}, p.doubts if p else {})
        form.disable(page.read_only, FIELDS)
        out = shims_out(page)
        self._out.layout.display = "" if out or page.fields.get(SHIMS_REASON) else "none"
        words = " ".join(str(each.says) for each in out)
        shell.say(self._out_says, shell.message("watch", shell.escape(words)) if words else "")

    def _typed(self, name: str, text: str) -> None:
        if name != "rig":
            self._page.set_field(name, text)
        elif text:
            self._page.choose_rig(text)
            self.part.grid.listen()

    def _ask_note(self, row_id: str) -> None:
        line = self._page.log.line(row_id)
        name = line.label if line else ""
        self._ask.ask(f"A note to {name}:", "Write it", lambda note: self._page.write_note(row_id, note))

    def _ask_dropped(self, row_id: str) -> None:
        line = self._page.log.line(row_id)
        name = line.label if line else ""
        self._ask.ask(
            f"Set {name} aside. Its readings stay but do not count. What happened?",
            "Set aside",
            lambda reason: self._page.set_aside(row_id, reason),
        )


_STOPS: Final = ("check_page.no_calibration", "ledger.changed", "ledger.damaged", "ledger.not_in_force")


def today_mark(page: CheckPage) -> tuple[shell.State, str]:
    """How far the readings are."""
    lines = page.log.lines
    if page.rig is None:
        return "idle", sentence("mark.choose_rig")
    if page.collected.bad:
        return "stop", sentence("mark.cells", {"count": len(page.collected.bad)})
    if page.problem is not None or page.ledger_problem is not None or page.in_force is None:
        return "stop", sentence("check_page.mark_stopped")
    done = sum(line.complete for line in lines)
    if not any(line.taken for line in lines):
        return "idle", sentence("mark.not_read")
    if done < len(lines):
        return "part", sentence("mark.rows", {"done": done, "all": len(lines)})
    return "ok", sentence("mark.done")


def shown_background(check: Check) -> str:
    """The background as it was read now, with its unit."""
    unit = "mm" if check.readings.signal == "thickness" else check.readings.unit
    return f"{text_of.significant(check.background.now, 5)} {unit}"


def _advice(page: CheckPage) -> dict[str, Any]:
    """What the hand does next, in the band where the eye is."""
    check = page.check
    if check is not None and check.says is not None and not page.computing:
        said: dict[str, Any] = {"lead": str(check.says), "text": ""}
        if page.number:
            return said
        left = blockers(page)
        if left:
            return said | {"text": str(left[0])}
        button = {"id": "sign", "label": sentence("check_page.sign"), "primary": True}
        return said | {"buttons": [button]}
    if not any(line.taken for line in page.log.lines):
        return {"text": sentence("check_page.begin")}
    missing = [str(each) for each in check.missing] if check is not None else []
    return {"text": " ".join(missing) or sentence("check_page.go_on")}


def _doubts(page: CheckPage, unit: str) -> str:
    if page.problem is not None:
        return shell.message("stop", f"<b>{shell.escape(page.problem)}</b> {shell.escape(page.problem.hint or '')}")
    check = page.check
    # a shim past its date is said where its reason is asked
    cautions = [each for each in check.cautions if each.code != "shims.past_due"] if check is not None else []
    found = [shell.message("watch", f"{said(each, unit)} <b>{hint(each, unit)}</b>") for each in cautions]
    return f'<div class="lk-doubts">{"".join(found)}</div>' if found else ""


def _facts(page: CheckPage, unit: str) -> str:
    """The background and contact zero against the calibration, and what the check leans on."""
    if page.in_force is None:
        return ""
    facts: list[tuple[str, str]] = []
    check = page.check
    if check is not None and check.background.now is not None:
        facts.append(("Background", f"{shell.escape(shown_background(check))} {_moved(check)}"))
    if check is not None and check.zero is not None:
        params = {"shift_mm": check.zero.shift_mm, "U_mm": check.zero.U_mm}
        moved = shell.mark("watch" if check.zero.moved else "ok", sentence("check_page.zero", params, unit))
        facts.append(("Contact zero", moved))
    due = f", due {page.due.day} {page.due:%b %Y}" if page.due else ""
    facts.append(("Follows", shell.escape(f"certificate {page.certificate}{due}")))
    lines = "".join(f"<div><dt>{what}</dt><dd>{says}</dd></div>" for what, says in facts)
    return f'<dl class="lk-facts3">{lines}</dl>'


def _moved(check: Check) -> str:
    background = check.background
    if background.moved is None:
        return ""
    shown = text_of.significant(background.moved, 2)
    params = {"moved": shown if background.moved < 0 else f"+{shown}"}
    if background.limit is None:
        return shell.mark("watch", sentence("check_page.moved", params))
    words = sentence("check_page.moved_limit", params | {"limit": background.limit})
    return shell.mark("stop" if background.exceeded else "ok", words)


def _way(page: CheckPage) -> str:
    return shell.escape(page.ledger_problem.hint or "") if page.ledger_problem is not None else ""
