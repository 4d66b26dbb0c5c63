"""The Light / Dark / System switch on the cover."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import traitlets as T

from labkit.panels.browser import OneWay, source


class ThemeSwitch(OneWay):
    """
    Sets the theme in the browser, which remembers it, and tells Python what is seen.

    Attributes
    ----------
    dark : bool
        Observe it to draw figures again in the other colours.
    """

    _esm = source("js/theme.js")

    dark = T.Bool(False)

    def __init__(self) -> None:
        super().__init__()
        self.on_msg(_seen)

    def on_change(self, draw: Callable[[bool], None]) -> None:
        """Call `draw` with `dark` whenever that changes."""
        self.observe(lambda change: draw(change["new"]), "dark")


def _seen(widget: ThemeSwitch, content: Any, _buffers: Any) -> None:
    if isinstance(content, dict) and content.get("type") == "theme":
        widget.dark = content.get("dark") is True
