"""
The reading band and the grid below it, as one widget: the number has to follow the gauge's key at once, without
waiting for Python, wherever it is shown.

The browser shows and collects. What a reading means, where the next one goes and what every line says is decided
by whoever listens with `ReadingGrid.on_event` and sets the traits in answer.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import traitlets as T

from labkit.panels.browser import OneWay, source, words

_log = logging.getLogger(__name__)

EventType = Literal[
    "take", "edit", "clear", "paste", "undo", "redo", "menu", "button", "next-row", "select", "hide-reference"
]

_ROOM: Final = {"text": 80, "cells": 20_000}  # longest text and largest block that a message may bring
_ALWAYS: Final = ("select", "button")  # what a page that may only be looked at still passes on

ROW_MENU: Final = (
    {"id": "read-again", "label": "Read again"},
    {"id": "finish-fewer", "label": "Finish with fewer readings"},
    {"id": "note", "label": "Write a note"},
    {"id": "dropped", "label": "Dropped or damaged", "strong": True},
)

_SCRIPTS: Final = (
    "js/make.js",
    "js/outbox.js",
    "js/sounds.js",
    "js/reading_band.js",
    "js/reading_table.js",
    "js/reading_menu.js",
    "js/reading_places.js",
    "js/reading_keys.js",
    "js/reading_grid.js",
)
_HEADINGS: Final = {"label": "Shim", "reference": "Reference", "mean": "Mean", "s": "s, µm", "remark": "Remark"}


@dataclass(frozen=True)
class GridEvent:
    """
    One thing that a person did in the grid or the band.

    Attributes
    ----------
    type : str
        ``take`` (row, cell, text): a reading, into a cell that was empty.
        ``edit`` (row, cell, text): a cell that had a text gets another.
        ``clear`` (cells), ``paste`` (row, cell, block), ``undo``, ``redo``.
        ``menu`` (row, item): an entry of the row menu.
        ``button`` (item): a button of the band, the tools or a remark.
        ``next-row`` (row, cell): on to the next shim.
        ``select`` (row, cell): the cursor was moved by hand, and stays there; set `current` and `band` to say what goes
        on in that row.
        ``hide-reference`` (value).
    row : str
        The row's ``id``, as the rows had it when the event happened; it may be gone by now.
    cell : int
        Counted from 0; may lie past the last repeat of a row that reads more of them.
    text : str
        As typed, not stripped, not checked.
    block : tuple of tuple of str
        Pasted cells, line by line.
    cells : tuple of (str, int)
        Row and cell of each.
    item : str
        The ``id`` of the entry or button.
    value : bool
        The choice ticked or not.
    """

    type: EventType
    row: str = ""
    cell: int = 0
    text: str = ""
    block: tuple[tuple[str, ...], ...] = ()
    cells: tuple[tuple[str, int], ...] = ()
    item: str = ""
    value: bool = False


class ReadingGrid(OneWay):
    """
    The band with the last reading in large digits, the tools, and the grid of readings.

    Set the traits, whole, from Python; answer events by setting them again.

    Attributes
    ----------
    rows : list of dict
        ``id, label, reference, cells, mean, s, remark, remark_state, state``, all texts but the cells. ``cells`` is a
        list of ``text, state, note``; the state of a cell is ``''``, ``bad``, ``apart``, ``out`` or ``changed``, or
        several with a space between. ``state`` of the row is ``''``, ``now`` or ``set-aside``; ``remark_state`` is
        ``''``, ``ok``, ``part``, ``watch``, ``stop`` or ``idle``. Optional ``remark_button`` (``id, label``) stands
        after the remark; optional ``wanted`` says how many readings the row takes where that is not `repeats`: the
        reading after its last one waits for `current`. With no rows there is no table, only the band.
    repeats : int
        Readings asked of each row; more columns are shown when a row has more cells.
    current : dict or None
        ``row, cell``: where the next reading goes. None when there is no place for one (nothing is on the probe): a
        reading that comes then is refused with a sentence. It is asked for again after the last repeat of a row, a
        next-row, a button or a menu entry: readings that come before the answer are held, and follow it.
    band : dict
        ``gauge, on_probe, last_label, last_value, unit, next_text`` (texts), ``tally`` (a list of ``on``, ``at``,
        ``''``), ``hide_reference`` (bool; without the key the choice is not offered), ``advice``: ``lead`` (bold),
        ``text``, ``mark`` (``state, text``), ``buttons`` (``id, label, primary``). An empty ``last_value`` shows
        blanks. Without `band` (an empty dict) there is only the grid.
    tools : list of dict
        Buttons between band and grid: ``id, label``, optional ``gap`` (the rest goes to the right) and ``off``.
    menu, headings
        Entries of the row menu (``id, label, strong``), and the words over the columns.
    unit_note : str
        The line below the grid.
    read_only, sounds : bool
        Look only; one short sound for a reading taken and another for one that stands apart or cannot be read.
    """

    _esm = source(*_SCRIPTS)
    _css = source("css/reading_grid.css")

    rows: T.List[dict[str, Any]] = T.List().tag(sync=True)
    repeats = T.Int(5, min=1).tag(sync=True)
    current: T.Dict[str, Any] | None = T.Dict(None, allow_none=True).tag(sync=True)
    band = T.Dict().tag(sync=True)
    tools: T.List[dict[str, Any]] = T.List().tag(sync=True)
    menu = T.List(list(ROW_MENU)).tag(sync=True)
    headings = T.Dict(_HEADINGS).tag(sync=True)
    unit_note = T.Unicode().tag(sync=True)
    read_only = T.Bool(False).tag(sync=True)
    sounds = T.Bool(False).tag(sync=True)

    words = T.Dict().tag(sync=True)
    acknowledged = T.Dict().tag(sync=True)  # each view of the grid → the number of its last event that arrived
    listen_calls = T.Int(0).tag(sync=True)
    pointed_out = T.Dict().tag(sync=True)  # row, and the number of the call, or the same row twice were no change

    def __init__(self, **traits: Any) -> None:
        super().__init__(words=words("grid"), **traits)
        self._callbacks: list[Callable[[GridEvent], None]] = []
        self.on_msg(self._receive)

    def on_event(self, callback: Callable[[GridEvent], None]) -> None:
        """
        Have `callback` called with each `GridEvent`: once each, in the order in which they happened.

        The browser counts its events and sends again what was not acknowledged; an event counts as arrived when the
        callback has returned, or raised. Set the traits before returning: the browser then replaces what it showed
        meanwhile.
        """
        self._callbacks.append(callback)

    def listen(self) -> None:
        """Bring the grid into view, with the cursor where the next reading goes."""
        self.listen_calls += 1

    def point_out(self, row: str) -> None:
        """Bring a row into view with the focus on its menu: a reading that comes then replaces nothing."""
        self.pointed_out = {"row": row, "calls": self.pointed_out.get("calls", 0) + 1}

    def _receive(self, _widget: object, content: Mapping[str, Any], _buffers: Sequence[object]) -> None:
        client, number = content.get("client"), content.get("seq")
        if not isinstance(client, str) or not _is_count(number):
            return
        last = self.acknowledged.get(client, 0)
        if number <= last:  # it was here; the answer got lost, and with it perhaps more
            self.send_state(["rows", "repeats", "current", "band", "acknowledged"])
        elif number == last + 1:  # a later one waits until those before it are sent again
            try:
                self._pass_on(content)
            finally:
                self.acknowledged = {**self.acknowledged, client: number}

    def _pass_on(self, content: Mapping[str, Any]) -> None:
        event = read_event(content)
        if event is None:
            _log.warning("The reading grid got a message that it does not know: %.200r", content)
        elif event.type in _ALWAYS or not self.read_only:
            for callback in tuple(self._callbacks):
                callback(event)


def read_event(content: Mapping[str, Any]) -> GridEvent | None:
    """
    A browser's message as an event; None if it is not one.
    """
    match content:
        case {"type": "take" | "edit" as kind, "row": str(row), "cell": cell, "text": str(text)}:
            if _is_count(cell) and len(text) <= _ROOM["text"]:
                return GridEvent(kind, row=row, cell=cell, text=text)
        case {"type": "paste", "row": str(row), "cell": cell, "block": [*lines]}:
            if _is_count(cell) and _is_block(lines):
                return GridEvent("paste", row=row, cell=cell, block=tuple(tuple(line) for line in lines))
        case {"type": "clear", "cells": [*places]}:
            cells = tuple(_place(place) for place in places)
            if None not in cells and len(cells) <= _ROOM["cells"]:
                return GridEvent("clear", cells=tuple(cell for cell in cells if cell))
        case {"type": "next-row" | "select" as kind, "row": str(row), "cell": cell} if _is_count(cell):
            return GridEvent(kind, row=row, cell=cell)
        case {"type": "undo" | "redo" as kind}:
            return GridEvent(kind)
        case {"type": "menu", "row": str(row), "item": str(item)}:
            return GridEvent("menu", row=row, item=item)
        case {"type": "button", "id": str(item)}:
            return GridEvent("button", item=item)
        case {"type": "hide-reference", "value": bool(value)}:
            return GridEvent("hide-reference", value=value)
    return None


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1_000_000


def _place(place: object) -> tuple[str, int] | None:
    match place:
        case {"row": str(row), "cell": int(cell)} if _is_count(cell):
            return row, cell
    return None


def _is_block(lines: Sequence[object]) -> bool:
    room = _ROOM["cells"]
    for line in lines:
        if not isinstance(line, list) or not all(isinstance(text, str) and len(text) <= _ROOM["text"] for text in line):
            return False
        room -= len(line)
    return room >= 0
