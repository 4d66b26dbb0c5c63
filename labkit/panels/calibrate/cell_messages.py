"""What is said about single readings, each with the buttons that answer it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.problems import Fault
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.log import PARTS

Guard = Callable[..., Callable[..., None]]
Action = tuple[str, Callable[[], object]]
"""What a button says, and what it does."""


class BadCells:
    """
    One message for each cell of a part that holds no reading: kept as typed, and nothing computed from it.

    Parameters
    ----------
    page : CalibratePage
    part : str
        "as-found", "readings" or "checks".
    guard : callable
    read_again : callable
        Gives a row its repeats once more; it gets the row's id.
    """

    def __init__(self, page: CalibratePage, part: str, guard: Guard, read_again: Callable[[str], object]) -> None:
        self._page, self._part, self._guard, self._read_again = page, part, guard, read_again
        self._said: list[tuple[str, int, str]] = []
        self.root = shell.rows([], "lk-stack")

    def show(self) -> None:
        """What the model holds now; built again only when others are to be said."""
        here = {line.id for line in self._page.log.of(*PARTS[self._part])}
        bad = [(*place, fault) for place, fault in self._page.collected.bad.items() if place[0] in here]
        said = [(line_id, place, str(fault)) for line_id, place, fault in bad]
        if said != self._said:
            self._said = said
            self.root.children = [self._message(line_id, place, fault) for line_id, place, fault in bad]

    def _message(self, line_id: str, place: int, fault: Fault) -> W.VBox:
        line = self._page.log.line(line_id)
        where = f"{line.label if line else line_id}, reading {place + 1}"
        words = f"<b>{shell.escape(f'{where}: {sentence(fault.code, fault.params)}')}</b>"
        actions: list[Action] = [("Read it again", lambda: self._read_again(line_id))]
        if fault.code.startswith("cell."):
            actions.insert(0, ("Keep it", lambda: self._page.decide_straggler(line_id, place)))
        return cell_message("stop", f"{words} {shell.escape(fault.hint or '')}", actions, self._guard)


def cell_message(state: shell.State, html: str, actions: Sequence[Action], guard: Guard) -> W.VBox:
    """A sentence about a cell, and under it its buttons."""
    buttons = [_slim(words, act, guard) for words, act in actions]
    return shell.rows([shell.html(shell.message(state, html)), shell.bar(buttons, "lk-bar", "lk-msg-bar")])


def _slim(words: str, act: Callable[[], object], guard: Guard) -> W.Button:
    made = shell.button(words, guard(lambda _button: act()))
    made.add_class("lk-slim")
    return made
