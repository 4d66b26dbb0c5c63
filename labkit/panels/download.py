"""A button that has a file made when it is pressed, and saves it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import traitlets as T

from labkit.panels.browser import OneWay, source, words
from labkit.panels.guard import report
from labkit.problems import Problem
from labkit.workflow.worker import Worker

_TYPES: Final = {
    "pdf": "application/pdf",
    "zip": "application/zip",
    "csv": "text/csv",
    "json": "application/json",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


class Download(OneWay):
    """
    The button.

    Parameters
    ----------
    build : callable
        Returns the file as bytes; called when the button is pressed. It may set `file_name` first. A `Problem` that
        it raises is shown beside the button, as a sentence.
    file_name : str
        What the browser saves it as.

    Attributes
    ----------
    label : str
        What the button says.
    enabled : bool
        Whether it can be pressed. Say beside it why not.
    primary : bool
        The one button of its section that is filled.
    """

    _esm = source("js/make.js", "js/save.js", "js/download.js")

    label = T.Unicode("Download").tag(sync=True)
    file_name = T.Unicode("file.bin").tag(sync=True)
    enabled = T.Bool(True).tag(sync=True)
    primary = T.Bool(False).tag(sync=True)
    patience_s = T.Int(30, help="How long the browser waits for the file [s].").tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(self, build: Callable[[], bytes], file_name: str, label: str = "Download", **traits: Any) -> None:
        super().__init__(file_name=file_name, label=label, words=words("download"), **traits)
        self._build = build
        self.on_msg(self._receive)

    def _receive(self, _widget: object, content: Mapping[str, Any], _buffers: object) -> None:
        if content.get("type") != "build" or not self.enabled:
            return
        # `press` comes back with the answer, so that one to an earlier press is not taken for it
        self._begin({"press": content.get("press")})

    def _begin(self, answer: dict[str, Any]) -> None:
        try:
            made = self._build()
        except Exception as error:
            self._refuse(answer, error)
        else:
            self.send(answer | file_message(self.file_name), buffers=[made])

    def _refuse(self, answer: dict[str, Any], error: BaseException) -> None:
        try:
            raise error
        except Problem as problem:
            text = str(problem)
        except Exception:
            text = report(f"in the download of {self.file_name}")
        self.send(answer | {"type": "refused", "text": text})


Job = Callable[[], tuple[str, bytes]]


class LongDownload(Download):
    """
    A button for a file that takes a while: it is made beside the page, which goes on.

    Parameters
    ----------
    prepare : callable
        Called when the button is pressed; returns what makes the file, and gives it a name. That touches no model.
    file_name : str
    label : str
    worker : Worker, optional
    """

    patience_s = T.Int(600).tag(sync=True)

    def __init__(
        self, prepare: Callable[[], Job], file_name: str, label: str, worker: Worker | None = None, **traits: Any
    ) -> None:
        super().__init__(bytes, file_name, label, **traits)
        self._prepare, self._worker = prepare, worker or Worker()

    def _begin(self, answer: dict[str, Any]) -> None:
        try:
            job = self._prepare()
        except Exception as error:
            self._refuse(answer, error)
        else:
            self._worker.submit(job, lambda made: self._made(answer, *made), lambda error: self._refuse(answer, error))

    def _made(self, answer: dict[str, Any], name: str, content: bytes) -> None:
        self.send(answer | file_message(name), buffers=[content])


def file_message(name: str) -> dict[str, str]:
    """What goes with the bytes of a file to a script that saves it."""
    kind = _TYPES.get(name.rpartition(".")[2].lower(), "application/octet-stream")
    return {"type": "file", "name": name, "kind": kind}
