"""
What the widgets of this package share: their sources, read from assets/, and the rule that they only show.
"""

from __future__ import annotations

from importlib import resources
from typing import Any, Final

import anywidget

from labkit.sentences import SENTENCES

_ASSETS: Final = resources.files("labkit.panels") / "assets"


def source(*paths: str) -> str:
    """
    Files below assets/ as one text, in the order given.

    A widget's script is handed to the browser as one text, so it cannot import from a file beside it. What is too
    long for one file is written in several that share a scope; only the last of them exports.
    """
    return "\n".join((_ASSETS / path).read_text(encoding="utf-8") for path in paths)


def words(topic: str) -> dict[str, str]:
    """
    The sentences of one topic of `labkit.messages`, for a script to show: ``{"deaf": "Not listening. …"}``.

    Their fields, ``{count}``, stay as they are: the script fills them, with text that Python wrote.
    """
    return {code.removeprefix(f"{topic}."): text for code, text in SENTENCES.items() if code.startswith(f"{topic}.")}


class OneWay(anywidget.AnyWidget):
    """
    A widget whose traits go to the browser and never come back; the browser answers in messages.

    Anybody who can reach the page can write any trait of a widget. Here nothing written that way is taken, so that
    what a trait says was put there by Python.
    """

    def set_state(self, sync_data: dict[str, Any]) -> None:
        """Take nothing."""
