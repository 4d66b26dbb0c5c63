"""A button that takes one file from the person's own disk."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import traitlets as T

from labkit.panels.browser import OneWay, source, words

_BYTES_PER_MB: Final = 1_000_000


class PickFile(OneWay):
    """
    Parameters
    ----------
    on_file : callable
        Gets the file's name and its bytes; it must not raise.

    Attributes
    ----------
    label : str
        What the button says.
    ending : str
        What the browser offers, such as ``.pdf``; another file can be chosen all the same.
    limit_mb : int
        Largest file, in MB of 1 000 000 bytes. The browser refuses a larger one without sending it.
    """

    _esm = source("js/make.js", "js/pick_file.js")

    label = T.Unicode("Choose a file").tag(sync=True)
    ending = T.Unicode("").tag(sync=True)
    limit_mb = T.Int(10, min=1).tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(self, on_file: Callable[[str, bytes], object], **traits: Any) -> None:
        super().__init__(words=words("pick_file"), **traits)
        self._on_file = on_file
        self.on_msg(self._receive)

    def _receive(self, _widget: object, content: Mapping[str, Any], buffers: Sequence[memoryview]) -> None:
        match content:
            # the browser looked at the size; but it need not have been our script that sent this
            case {"type": "file", "name": str(name)} if buffers and len(buffers[0]) <= self.limit_mb * _BYTES_PER_MB:
                self._on_file(name[:200], bytes(buffers[0]))
