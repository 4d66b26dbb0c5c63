"""The warm-up clock: for how long a gauge has been on, on a ruled scale of the minutes that it needs."""

from __future__ import annotations

from typing import Any

import traitlets as T

from labkit.panels.browser import OneWay, source, words


class WarmUp(OneWay):
    """
    Ticks in the browser, without asking Python.

    Attributes
    ----------
    since : str
        When the gauge was switched on, UTC in ISO 8601 with Z; empty as long as nobody said.
    needs_min : int
        What the rig needs, in minutes.
    zone : str
        The laboratory's IANA zone: the clock times are read there, wherever the browser is.
    """

    _esm = source("js/make.js", "js/warm_up.js")

    since = T.Unicode("").tag(sync=True)
    needs_min = T.Int(30, min=1).tag(sync=True)
    zone = T.Unicode("UTC").tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        super().__init__(words=words("warm_up"), **traits)
