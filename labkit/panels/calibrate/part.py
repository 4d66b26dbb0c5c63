"""One place where readings are taken: the grid, and the words that follow what is done in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labkit.panels import shell
from labkit.panels.calibrate.cell_messages import BadCells
from labkit.panels.guard import Guard
from labkit.panels.reading_grid import GridEvent, ReadingGrid
from labkit.workflow import grid_view
from labkit.workflow.calibrate_model import CalibrateModel
from labkit.workflow.readings_page import ReadingsPage


class ReadingPart:
    """
    A `ReadingGrid` that shows one part of the page and passes on what happens in it.

    Parameters
    ----------
    page : ReadingsPage
    part : str
        A key of the page's ``PARTS``.
    guard : callable
    buttons : mapping of str to callable
        What a button of the grid does, by its id; ``read`` gets what stands behind the colon of its id.
    menus : mapping of str to callable
        What an entry of the row menu does that the model alone cannot do, by its id; it gets the row's id.
    """

    def __init__(
        self,
        page: ReadingsPage,
        part: str,
        guard: Guard,
        buttons: Mapping[str, Callable[[str], object]] | None = None,
        menus: Mapping[str, Callable[[str], object]] | None = None,
    ) -> None:
        self._page, self._part = page, part
        self._buttons, self._menus = dict(buttons or {}), dict(menus or {})
        self.grid = ReadingGrid()
        self._said = shell.html()
        self._bad = BadCells(page, part, guard, self.read_again)
        self.root = shell.rows([self.grid, self._said, self._bad.root])
        self.grid.on_event(guard(self._happened))

    def show(self, unit: str) -> None:
        """What the model holds now."""
        page, grid = self._page, self.grid
        with grid.hold_sync():
            grid.rows = grid_view.rows(page, self._part, unit)
            grid.current = grid_view.current(page, self._part)
            grid.band = grid_view.band(page, self._part)
            grid.headings = grid.headings | grid_view.headings(page, unit)
            if isinstance(page, CalibrateModel) and self._part == "readings":
                grid.unit_note = grid_view.unit_note(page, unit)
            grid.read_only = page.read_only
            if page.particulars is not None:
                grid.repeats = page.particulars.repeats

        self._bad.show()

    def read_again(self, line_id: str) -> None:
        """Give a row its repeats once more, and bring the cursor there."""
        self._page.grid_event(self._part, GridEvent("menu", row=line_id, item="read-again"))
        self.grid.listen()

    def _happened(self, event: GridEvent) -> None:
        said: object = ""
        if event.type == "button":
            name, _, behind = event.item.partition(":")
            if name in self._buttons:
                self._buttons[name](behind)
            else:
                said = self._page.grid_event(self._part, event)
        elif event.type == "menu" and event.item in self._menus:
            self._menus[event.item](event.row)
        else:
            said = self._page.grid_event(self._part, event)
        shell.say(self._said, shell.message("watch", shell.escape(said)) if said else "")
