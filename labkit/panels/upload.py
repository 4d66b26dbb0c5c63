"""Cells to paste and a file to upload, in one place: what a page takes readings and shims from."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import traitlets as T

from labkit.panels.browser import OneWay, source, words
from labkit.panels.guard import report
from labkit.problems import Problem

ENDINGS: Final = (".csv", ".tsv", ".txt", ".xlsx")

_BYTES_PER_MB: Final = 1_000_000


class Upload(OneWay):
    """
    A text field for pasted cells, a button for a file, and a place to drop one.

    Both callbacks may return a sentence, which is shown; a `Problem` that they raise is shown as one that stops.

    Parameters
    ----------
    on_cells : callable
        Gets the text as pasted.
    on_file : callable
        Gets the file's name and its bytes.

    Attributes
    ----------
    limit_mb : int
        Largest file, in MB of 1 000 000 bytes. The browser refuses a larger one without sending it.
    """

    _esm = source("js/make.js", "js/upload.js")
    _css = source("css/upload.css")

    limit_mb = T.Int(10, min=1).tag(sync=True)
    endings: T.List[str] = T.List(list(ENDINGS)).tag(sync=True)
    kinds = T.Unicode("", help="The endings, as a person reads them.").tag(sync=True)
    with_cells = T.Bool(True, help="Whether cells can be pasted, besides a file.").tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(
        self, on_cells: Callable[[str], str | None], on_file: Callable[[str, bytes], str | None], **traits: Any
    ) -> None:
        super().__init__(words=words("upload"), **traits)
        *most, last = [ending.removeprefix(".").upper() for ending in self.endings]
        self.kinds = f"{', '.join(most)} or {last}" if most else last
        self._on_cells, self._on_file = on_cells, on_file
        self.on_msg(self._receive)

    def ask(self) -> None:
        """Put the cursor where cells are pasted."""
        self.send({"type": "ask"})

    def _receive(self, _widget: object, content: Mapping[str, Any], buffers: Sequence[memoryview]) -> None:
        match content:
            case {"type": "cells", "text": str(text)}:
                self._answer(content, lambda: self._on_cells(text))
            case {"type": "file", "name": str(name)} if buffers:
                self._answer(content, lambda: self._take_file(name, bytes(buffers[0])))

    def _take_file(self, name: str, data: bytes) -> str | None:
        # the browser checked both; but it need not have been our script that sent this
        if len(data) > self.limit_mb * _BYTES_PER_MB:
            raise Problem("upload.too_large", size=-(-len(data) // _BYTES_PER_MB), limit=self.limit_mb)
        if not name.lower().endswith(tuple(self.endings)):
            raise Problem("upload.kind", name=name, kinds=self.kinds)
        return self._on_file(name, data)

    def _answer(self, content: Mapping[str, Any], take: Callable[[], str | None]) -> None:
        try:
            state, text = "ok", take() or ""
        except Problem as problem:
            state, text = "stop", str(problem)
        except Exception:
            state, text = "stop", report("in an upload")
        self.send({"type": "answer", "send": content.get("send"), "state": state, "text": text})
