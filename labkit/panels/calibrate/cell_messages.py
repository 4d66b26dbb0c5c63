"""What is said about single readings, each with the buttons that answer it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.guard import Guard
from labkit.problems import Fault, Finding
from labkit.workflow.readings_page import ReadingsPage

Action = tuple[str, Callable[[], object]]
"""What a button says, and what it does."""


class CellMessages:
    """
    One message a cell, built again only when others are to be said: a button under the finger is never replaced.

    Parameters
    ----------
    message : callable
        Makes the message of a cell, from the line's id, the place and what was found.
    """

    def __init__(self, message: Callable[[str, int, Any], W.VBox]) -> None:
        self._message = message
        self._said: list[tuple[str, int, str]] = []
        self.root = shell.rows([], "lk-stack")

    def show(self, found: Sequence[tuple[str, int, Finding]]) -> None:
        """Say what was found, by line and place."""
        said = [(line_id, place, str(finding)) for line_id, place, finding in found]
        if said != self._said:
            self._said = said
            self.root.children = [self._message(*each) for each in found]


class BadCells:
    """
    The cells of a part that hold no reading: kept as typed, and nothing computed from them.

    Parameters
    ----------
    page : ReadingsPage
    part : str
        A key of the page's ``PARTS``.
    guard : callable
    read_again : callable
        Gives a row its repeats once more; it gets the row's id.
    """

    def __init__(self, page: ReadingsPage, part: str, guard: Guard, read_again: Callable[[str], object]) -> None:
        self._page, self._part, self._guard, self._read_again = page, part, guard, read_again
        self._messages = CellMessages(self._message)
        self.root = self._messages.root

    def show(self) -> None:
        """What the model holds now."""
        here = {line.id for line in self._page.log.of(*self._page.PARTS[self._part])}
        self._messages.show([(*place, fault) for place, fault in self._page.collected.bad.items() if place[0] in here])

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
