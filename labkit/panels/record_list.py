"""The list of signed results, drawn in the browser: a row is ticked or opened without a widget of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import traitlets as T

from labkit.panels.browser import OneWay, source, words

COLUMNS: Final = ("Number", "Signed", "Kind", "Of", "Result", "Signed by", "Approved by", "State")


@dataclass(frozen=True)
class Line:
    """
    One row; all of it text.

    Attributes
    ----------
    id : str
        The number of the result.
    cells : tuple of str
        What stands under `COLUMNS`, the last one left out.
    mark, state : str
        The drawn mark, and its word.
    ticked, open, off : bool
        Chosen; looked at below; no longer in force.
    """

    id: str
    cells: tuple[str, ...]
    mark: str
    state: str
    ticked: bool = False
    open: bool = False
    off: bool = False


class RecordList(OneWay):
    """
    The table.

    Parameters
    ----------
    on_tick : callable
        Gets a number, and whether it is ticked.
    on_open : callable
        Gets a number. Neither must raise.
    """

    _esm = source("js/make.js", "js/record_list.js")
    _css = source("css/records.css")

    name = T.Unicode("Signed results").tag(sync=True)
    columns: T.List[str] = T.List(list(COLUMNS)).tag(sync=True)
    rows: T.List[dict[str, Any]] = T.List().tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(self, on_tick: Callable[[str, bool], object], on_open: Callable[[str], object], **traits: Any) -> None:
        super().__init__(words=words("record_list"), **traits)
        self._on_tick, self._on_open = on_tick, on_open
        self.on_msg(self._receive)

    def show(self, lines: Sequence[Line]) -> None:
        """Show these rows; where there are none, the table is not there."""
        shown = [asdict(line) for line in lines]
        if shown != self.rows:
            self.rows = shown
        self.layout.display = "" if shown else "none"

    def _receive(self, _widget: object, content: Mapping[str, Any], _buffers: object) -> None:
        match content:
            case {"type": "tick", "row": str(row), "on": bool(on)} if self._has(row):
                self._on_tick(row, on)
            case {"type": "open", "row": str(row)} if self._has(row):
                self._on_open(row)

    def _has(self, row: str) -> bool:
        """Whether that row is on the page: it need not have been our script that sent this."""
        return any(each["id"] == row for each in self.rows)
