"""
What a browser may do to the widgets of a page, whoever wrote the script that asks for it.

ipywidgets takes every trait of every widget from the browser, and the press of a button that is disabled too. In the
dashboards only what a person can do with a widget is taken; the rest is refused, written down, and shown to be so.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Mapping
from typing import Any, Final

import ipywidgets as W
import traitlets as T

from labkit.messages import sentence
from labkit.panels.browser import OneWay
from labkit.panels.guard import report
from labkit.panels.logs import log_pages
from labkit.paths import data_folder

MOST_TEXT: Final = 2000
"""Characters in a line of text."""

MOST_LINES: Final = 20_000
"""Characters in a field of several lines."""

_PERSONS: Final = frozenset({"value", "index", "selected_index"})
"""The traits that follow a person's hand."""

_SHOWN: Final = (W.Box, W.HTML, W.HTMLMath, W.Label, W.Image, W.Audio, W.Video, W.IntProgress, W.FloatProgress, W.Valid)
"""Kinds of widgets that only show, but for the folds of an accordion."""

_FOLDS: Final = (W.Accordion, W.Tab, W.Stack)

_SPEAKING: Final = (OneWay, W.Button, W.Text, W.ToggleButtons)
"""What sends messages besides its value: presses, and Enter."""

_LOG: Final = logging.getLogger(__name__)


_TOO_LONG: Final = "a text that is too long"


class Inward:
    """
    Stands between the browser and the widgets of one kernel.

    Attributes
    ----------
    who : callable
        The name of the person at the page, for the log.
    say : callable
        Shows a sentence across the page.
    """

    def __init__(self) -> None:
        self.who: Callable[[], str] = lambda: ""
        self.say: Callable[[str], object] = lambda _: None

    def stand(self) -> None:
        """Take up the place, for every widget that is made from now on; and have the pages' log written."""
        log_pages(data_folder())

        def handle(widget: Any, msg: Mapping[str, Any]) -> None:
            self.pass_on(widget, msg)

        W.Widget._handle_msg = handle

    def pass_on(self, widget: Any, msg: Mapping[str, Any]) -> None:
        """Give a message to its widget, if a person could have caused it."""
        why = refusal(widget, msg)
        try:
            if not why:
                _take(widget, msg)
        except T.TraitError:
            why = "a value of the wrong kind"
        except Exception:
            self.say(report(f"in a message to {_called(widget)}"))
        if why:
            _LOG.warning("refused: %s, %s; at the page: %.80r", why, _called(widget), self.who())
            widget.send_state()
        if why == _TOO_LONG:
            self.say(sentence("field.too_long", {"limit": MOST_TEXT}))


def refusal(widget: Any, msg: Mapping[str, Any]) -> str:
    """
    What speaks against a message from the browser to a widget, for the log; empty where nothing does.

    Parameters
    ----------
    widget : Widget
    msg : mapping
        As a kernel gets it, with ``content`` and ``buffers``.
    """
    match msg.get("content"):
        case {"data": {"method": "request_state"}}:
            return ""
        case {"data": {"method": "update", "state": dict(state), **rest}}:
            return "bytes in a value" if rest.get("buffer_paths") else _refused_state(widget, state)
        case {"data": {"method": "custom", "content": dict(content)}}:
            if isinstance(widget, W.Button) and widget.disabled:
                return "a press of a disabled button"
            return "" if isinstance(widget, _SPEAKING) else f"a message {sorted(map(str, content))!r:.80}"
    return "a message of no form"


def _refused_state(widget: Any, state: Mapping[Any, Any]) -> str:
    if not state:
        return ""
    shows = isinstance(widget, OneWay) or (isinstance(widget, _SHOWN) and not isinstance(widget, _FOLDS))
    if shows or not isinstance(widget, W.DOMWidget) or not state.keys() <= _PERSONS.intersection(widget.keys):
        return f"a change of {sorted(map(str, state))!r:.80}"
    if getattr(widget, "disabled", False):
        return "a change of a disabled field"
    limit = MOST_LINES if isinstance(widget, W.Textarea) else MOST_TEXT
    for value in state.values():
        if isinstance(value, str) and len(value) > limit:
            return _TOO_LONG
        if isinstance(value, float) and not math.isfinite(value):
            return "a value that is no number"
    return ""


def _take(widget: Any, msg: Mapping[str, Any]) -> None:
    data = msg["content"]["data"]
    match data["method"]:
        case "update":
            widget.set_state(data["state"])
        case "request_state":
            widget.send_state()
        case "custom":
            widget._handle_custom_msg(data["content"], msg.get("buffers", ()))


def _called(widget: Any) -> str:
    """A widget as the log names it."""
    names = (str(getattr(widget, name, "") or "") for name in ("description", "tooltip", "label", "name"))
    return f"{type(widget).__name__} {next(filter(None, names), '')!r:.80}"


INWARD: Final = Inward()
"""Of this kernel."""
