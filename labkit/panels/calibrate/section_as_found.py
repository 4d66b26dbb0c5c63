"""Section 2: the check shims with the curve in force, before anything is cleaned, zeroed or adjusted."""

from __future__ import annotations

from functools import partial

import ipywidgets as W

from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.calibrate.part import ReadingPart
from labkit.panels.check_tables import check_table
from labkit.panels.guard import Guard
from labkit.panels.next_tables import at_temperature
from labkit.workflow.calibrate import CalibratePage

WHY = "As found shows what the rig did until today. Once it is cleaned, zeroed or adjusted, nobody can read it again."


class AsFoundSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    """

    def __init__(self, page: CalibratePage, guard: Guard) -> None:
        self._page = page
        self._lead = shell.html()
        self._read = shell.button("Read as found", guard(self._begin))
        self._ask = Ask(guard)
        self._cannot = shell.button("Cannot be read, with a reason", guard(self._ask_why))
        self._reason = shell.html()
        self._part = ReadingPart(page, "as-found", guard)
        self._table = shell.html()
        self._adjusted = W.ToggleButtons(options=[("No", ""), ("Yes: what was changed", "yes")], value="")
        self._adjusted.observe(guard(self._adjust), "value")
        self._what = shell.html()
        self._showing = False
        self.section = shell.section(
            2,
            "As found",
            notes=[shell.html(shell.note(WHY))],
            body=[
                self._lead,
                shell.bar([self._read, self._cannot]),
                self._reason,
                self._ask.root,
                self._part.root,
                self._table,
                shell.bar([shell.html("<span>Did you adjust the gauge itself?</span>"), self._adjusted, self._what]),
            ],
        )

    def show(self, unit: str) -> None:
        page = self._page
        rig = page.rig
        shell.say(self._lead, shell.lead(_lead_words(page), quiet=rig is None))
        begun = bool(page.log.of("as-found"))
        self._read.disabled = rig is None or begun or page.read_only or not page.fields.get("check_set")
        self._read.button_style = "" if begun or page.fields.get("as_found_reason") else "primary"
        self._cannot.disabled = rig is None or page.read_only
        reason = page.fields.get("as_found_reason", "")
        shell.say(self._reason, f"<p>Not read: {shell.escape(reason)}</p>" if reason else "")
        self._part.root.layout.display = "" if begun else "none"
        if begun:
            self._part.show(unit)
        result = page.result
        shown = check_table(result.as_found, unit) + at_temperature(result, unit) if result and result.as_found else ""
        shell.say(self._table, shown)
        self._showing = True
        adjusted = page.fields.get("adjusted", "")
        self._adjusted.value = "yes" if adjusted else ""
        self._adjusted.disabled = rig is None or page.read_only
        self._showing = False
        words = adjusted or "As left is then read in section 6."
        shell.say(self._what, f'<span class="lk-quiet">{shell.escape(words)}</span>')

    def _begin(self, _button: object) -> None:
        self._page.open_part("as-found")
        self._part.grid.listen()

    def _ask_why(self, _button: object) -> None:
        save = partial(self._page.set_field, "as_found_reason")
        self._ask.ask("Why can it not be read?", "Keep the reason", save)

    def _adjust(self, change: dict[str, object]) -> None:
        if self._showing:
            return
        if change["new"]:
            save = partial(self._page.set_field, "adjusted")
            self._ask.ask("What was changed on the gauge?", "Keep it", save)
        else:
            self._page.set_field("adjusted", "")


def _lead_words(page: CalibratePage) -> str:
    if page.rig is None:
        return "Choose a rig first: as found is read with the curve now in force."
    before = "Before you clean, zero or adjust anything, read the check shims"
    if page.in_force is None:
        return f"{before}. No sheet is in force for {page.rig.name}: they show what the gauge itself says."
    return f"{before} with the curve now in force (sheet {page.in_force.number})."
