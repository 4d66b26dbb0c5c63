"""The banner that says when the kernel or the server is gone, and the address that leads back to the draft."""

from __future__ import annotations

from typing import Any, Final

import traitlets as T

from labkit.panels.browser import OneWay, source, words
from labkit.panels.visitor import base_url


class Heartbeat(OneWay):
    """
    Answers the browser's question from the kernel's main thread: long work there counts as a lost connection, and
    belongs in `labkit.workflow.worker`.
    """

    _esm = source("js/heartbeat.js")

    words: T.Dict[str, str] = T.Dict().tag(sync=True)
    saved = T.Unicode("", help="When the draft was last saved, on the laboratory's clock; shown.").tag(sync=True)
    draft = T.Unicode("", help="The draft's id, kept in the address.").tag(sync=True)
    title = T.Unicode("", help="The title of the browser's tab.").tag(sync=True)
    every_ms = T.Int(2000).tag(sync=True)
    patience_ms = T.Int(6000).tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        probe = f"{base_url()}labkit/favicon.svg"
        super().__init__(words=words("lost") | {"probe": probe}, **traits)
        self.on_msg(_answer)


_PONG: Final = {"type": "pong"}


def _answer(widget: Heartbeat, content: Any, _buffers: Any) -> None:
    if isinstance(content, dict) and content.get("type") == "ping":
        widget.send(_PONG)
