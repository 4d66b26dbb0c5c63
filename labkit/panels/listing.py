"""A table with buttons in its rows, drawn in the browser: quick with hundreds of rows, as none is a widget."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import traitlets as T

from labkit.panels.browser import OneWay, source, words
from labkit.panels.download import file_message


@dataclass(frozen=True)
class Cell:
    """
    What stands in a cell; all of it text.

    Attributes
    ----------
    text, small : str
        The line, and a smaller one under it.
    mark : str
        One of the five drawn marks, before the text.
    bold, right : bool
    share : float or None
        A ruled bar in place of the text, filled up to this share; the text says it to a screen reader.
    """

    text: str = ""
    small: str = ""
    mark: str = ""
    bold: bool = False
    right: bool = False
    share: float | None = None


@dataclass(frozen=True)
class Button:
    """
    A button of a row: with an address it leads there, else it calls `Listing`'s callback with its id.

    Attributes
    ----------
    id, label, href : str
    main : bool
        Filled: the one that is urgent.
    """

    id: str
    label: str
    href: str = ""
    main: bool = False


@dataclass(frozen=True)
class Row:
    """One row; `off` greys what is no longer in use."""

    id: str
    cells: tuple[Cell, ...]
    buttons: tuple[Button, ...] = ()
    off: bool = False


class Listing(OneWay):
    """
    The table.

    Parameters
    ----------
    name : str
        What it lists, to a screen reader.
    columns : sequence of str
        The headings; one that ends in ``>`` stands right. The buttons have a column of their own after them.
    on_press : callable
        Gets the row's id and the button's. It must not raise.

    Attributes
    ----------
    first : int
        How many rows are shown until a person asks for all of them.
    """

    _esm = source("js/make.js", "js/save.js", "js/listing.js")
    _css = source("css/listing.css")

    name = T.Unicode("").tag(sync=True)
    columns: T.List[str] = T.List().tag(sync=True)
    rows: T.List[dict[str, Any]] = T.List().tag(sync=True)
    first = T.Int(12, min=1).tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(
        self, name: str, columns: Sequence[str], on_press: Callable[[str, str], object], **traits: Any
    ) -> None:
        super().__init__(name=name, columns=list(columns), words=words("listing"), **traits)
        self._on_press = on_press
        self.on_msg(self._receive)

    def show(self, rows: Sequence[Row]) -> None:
        """Show these rows; where there are none, the table is not there."""
        shown = [asdict(row) for row in rows]
        if shown != self.rows:
            self.rows = shown
        self.layout.display = "" if shown else "none"

    def give(self, name: str, content: bytes) -> None:
        """Have the browser save a file, as the answer to a press."""
        self.send(file_message(name), buffers=[content])

    def _receive(self, _widget: object, content: Mapping[str, Any], _buffers: object) -> None:
        match content:
            case {"type": "press", "row": str(row), "button": str(button)} if self._has(row, button):
                self._on_press(row, button)

    def _has(self, row: str, button: str) -> bool:
        """Whether that button is on the page: it need not have been our script that sent this."""
        found = next((each for each in self.rows if each["id"] == row), None)
        return found is not None and any(each["id"] == button and not each["href"] for each in found["buttons"])
