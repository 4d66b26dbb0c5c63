"""Section 3: the reading band and the grid, and what is said about single readings."""

from __future__ import annotations

from functools import partial
from typing import Final

import ipywidgets as W

from labkit.format import length
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.calibrate.cell_messages import Action, CellMessages, cell_message
from labkit.panels.calibrate.part import ReadingPart
from labkit.panels.guard import Guard
from labkit.panels.reading_grid import ROW_MENU, GridEvent
from labkit.panels.upload import Upload
from labkit.problems import Caution
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.clock import time_of_day
from labkit.workflow.log import PARTS

TOOLS: Final = (
    {"id": "table", "label": "Paste cells or upload a file"},
    {"id": "add", "label": "Add a shim"},
    {"id": "close", "label": "Read again at the end", "gap": True},
    {"id": "background", "label": "Re-read with no target"},
    {"id": "undo", "label": "Undo"},
)


class ReadingsSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    """

    def __init__(self, page: CalibratePage, guard: Guard) -> None:
        self._page, self._guard = page, guard
        self.part = ReadingPart(
            page,
            "readings",
            guard,
            {
                "table": self._toggle_upload,
                "add": self._toggle_add,
                "close": lambda _: page.close_readings(),
                "background": lambda _: page.background_again(),
                "undo": lambda _: page.grid_event("readings", GridEvent("undo")),
                "read": self.read_shim,
                "stop": lambda _: page.stop_here(),
            },
            {"note": self._ask_note, "dropped": self._ask_dropped, "remove": page.remove_row},
        )
        self.part.grid.menu = [*ROW_MENU, {"id": "remove", "label": "Take out a row without readings"}]
        self.part.grid.tools = list(TOOLS)
        self.part.grid.sounds = True
        self._upload = Upload(page.take_table, lambda name, data: page.take_table(data, name))
        self._upload.layout.display = "none"
        self._shim = W.Dropdown(options=[("Choose a shim", "")], value="")
        self._add = shell.bar([self._shim, shell.button("Add it", guard(self._add_shim))])
        self._add.layout.display = "none"
        self._ask = Ask(guard)
        self._apart = CellMessages(self._apart_message)
        self._notes, self._lead = shell.html(), shell.html()
        self.section = shell.section(
            3,
            "Readings",
            notes=[self._notes],
            body=[self._lead, self.part.root, self._upload, self._add, self._ask.root, self._apart.root],
        )

    def show(self, unit: str) -> None:
        page = self._page
        shell.say(self._lead, "" if page.rig is not None else shell.lead(sentence("page.no_rig"), quiet=True))
        self.part.root.layout.display = "" if page.rig is not None else "none"
        self.part.show(unit)
        self._offer_shims()
        self._apart.show(page.stragglers)
        shell.say(self._notes, _margin(page))

    def read_shim(self, name: str) -> None:
        """A row for the shim, and the cursor on it."""
        self._page.read_shim(name)
        self.part.grid.listen()

    def find(self, point: str) -> None:
        """Bring the row of a point into view."""
        line = next((line for line in self._page.log.of(*PARTS["readings"]) if line.name == point), None)
        if line is not None:
            self.part.grid.point_out(line.id)

    # ---- a shim more, a table, a note ----

    def _offer_shims(self) -> None:
        p = self._page.particulars
        if p is None or not self._page.fields.get("shim_set"):
            return
        laid = {line.name for line in self._page.log.of("fit")}
        shims = self._page.bench.shim_set(self._page.fields["shim_set"])
        left = [(f"{shim.name}, {length(shim.thickness_mm)}", shim.name) for shim in shims if shim.name not in laid]
        options = (("Choose a shim", ""), *left)
        if self._shim.options != options:
            self._shim.options = options
            self._shim.value = ""

    def _toggle_upload(self, _behind: str) -> None:
        if _opened(self._upload):
            self._upload.ask()

    def _toggle_add(self, _behind: str) -> None:
        if _opened(self._add):
            self._shim.focus()  # also brings it into view, below the grid

    def _add_shim(self, _button: object) -> None:
        if self._shim.value:
            self.read_shim(self._shim.value)
            self._add.layout.display = "none"

    def _ask_note(self, line_id: str) -> None:
        line = self._page.log.line(line_id)
        name = line.name if line else ""
        self._ask.ask(f"A note to {name}:", "Write it", partial(self._page.write_note, line_id))

    def _ask_dropped(self, line_id: str) -> None:
        line = self._page.log.line(line_id)
        name = line.name if line else ""
        self._ask.ask(
            f"Set {name} aside. Its readings stay but do not count. It cannot be used until it is recertified. "
            "What happened?",
            "Set aside",
            partial(self._page.set_aside, line_id),
        )

    # ---- what is said about single readings ----

    def _apart_message(self, line_id: str, place: int, caution: Caution) -> W.VBox:
        words = f"<b>{shell.escape(sentence(caution.code, caution.params))}</b>"
        actions: list[Action] = [
            ("Keep it", lambda: self._page.decide_straggler(line_id, place)),
            ("Leave it out, with a reason", lambda: self._ask_out(line_id, place)),
            ("Read it again", lambda: self.part.read_again(line_id)),
        ]
        return cell_message("watch", words, actions, self._guard)

    def _ask_out(self, line_id: str, place: int) -> None:
        def leave(reason: str) -> None:
            self._page.decide_straggler(line_id, place, reason=reason)

        self._ask.ask("What was wrong with this reading? The reason goes on the sheet.", "Leave it out", leave)


def _opened(box: W.DOMWidget) -> bool:
    """Open what is folded away, or fold it away; whether it is open now."""
    opened = box.layout.display == "none"
    box.layout.display = "" if opened else "none"
    return opened


def _margin(page: CalibratePage) -> str:
    """How Enter works, what the background says, and the notes that people wrote."""
    said = [
        shell.note(
            "<b>Enter</b> always takes a reading. The gauge’s own key does the same. "
            "One sound for taken, another for stands apart."
        )
    ]
    background = page.result.table.background if page.result is not None else None
    if background is not None and background.value is not None and page.rig is not None:
        unit = "mm" if page.rig.signal == "thickness" else page.rig.unit
        said.append(
            shell.note(f"<b>Background reading</b><br>No target near: {background.value:.6g} {shell.escape(unit)}.")
        )
    for line in page.log.lines:
        if line.note:
            when = next((time_of_day(cell.time, page.bench.zone) for cell in line.cells if cell.time), "")
            said.append(shell.signed_note(f"{line.name}: {line.note}", page.person, when))
    return "".join(said)
