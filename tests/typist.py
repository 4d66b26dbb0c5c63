"""Somebody who types readings into the page Calibrate without a browser, and waits for each to be acknowledged."""

from __future__ import annotations

import time
import uuid

from tests.attacks.visitor import Workbook

WAIT_S = 120.0


def choose(page: Workbook, tooltip: str, label: str) -> None:
    """Choose in the list with this tooltip what begins with `label`."""
    name, state = next((name, state) for name, state in page.states.items() if state.get("tooltip") == tooltip)
    labels = state["_options_labels"]
    page.set(name, index=next(i for i, each in enumerate(labels) if each.startswith(label)))
    page.hear(1.0)


class Typist:
    """
    Parameters
    ----------
    page : Workbook
        Calibrate, with a rig.
    """

    def __init__(self, page: Workbook) -> None:
        self.page = page
        self.client, self.sent = uuid.uuid4().hex, 0
        self.grid = self._grid()

    def take(self, row: str, cell: int, text: str) -> None:
        """A reading into a place; returns once the page has acknowledged it."""
        self.sent += 1
        event = {"type": "take", "row": row, "cell": cell, "text": text}
        self.page.tell(self.grid, {**event, "client": self.client, "seq": self.sent})
        deadline = time.monotonic() + WAIT_S
        while self.page.states[self.grid].get("acknowledged", {}).get(self.client, 0) < self.sent:
            assert time.monotonic() < deadline, "the page does not answer"
            self.page.hear(0.005)

    def _grid(self) -> str:
        """The grid of the readings for the curve: the one with a row for contact zero."""
        deadline = time.monotonic() + WAIT_S
        while time.monotonic() < deadline:
            for name, state in self.page.states.items():
                if any(row.get("id") == "zero:" for row in state.get("rows") or () if isinstance(row, dict)):
                    return name
            self.page.hear(0.5)
        raise AssertionError("the page laid out no rows")
