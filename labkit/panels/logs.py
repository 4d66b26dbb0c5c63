"""
What the server and the pages write down: one line an event, so that no text from outside can pose as another, and
never a secret.
"""

from __future__ import annotations

import functools
import logging
import logging.handlers
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

_FORM: Final = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class OneLine(logging.Formatter):
    """
    Sets an event in one line; a traceback follows, each of its lines set in.

    Parameters
    ----------
    secrets : iterable of str
        Texts that must not be written, wherever they come from.
    """

    def __init__(self, secrets: Iterable[str] = ()) -> None:
        super().__init__(_FORM)
        self._secrets = tuple(secret for secret in secrets if secret)

    def formatMessage(self, record: logging.LogRecord) -> str:
        return "".join(each if each.isprintable() else ascii(each)[1:-1] for each in super().formatMessage(record))

    def format(self, record: logging.LogRecord) -> str:
        text = "\n    ".join(super().format(record).splitlines())
        for secret in self._secrets:
            text = text.replace(secret, "…")
        return text


def server_log(data: Path, account: str = "") -> Path:
    """Where the server writes what happened; each account of a hub has a server, and a file, of its own."""
    name = re.sub(r"[^\w.@-]", "_", account)[:60]
    return data / "logs" / (f"serve-{name}.log" if name else "serve.log")


def log_server(file: Path, secrets: Iterable[str]) -> None:
    """Send everything to the file: the terminal keeps the one line with the address."""
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    handler = logging.handlers.RotatingFileHandler(file, maxBytes=1_000_000, backupCount=3, encoding="utf-8")
    handler.setFormatter(OneLine(secrets))
    handler.setLevel(logging.INFO)
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    # `labkit.panels.gate` writes down what was refused or failed, without what stood in the address
    logging.getLogger("tornado.access").setLevel(logging.CRITICAL)


@functools.cache
def log_pages(data: Path) -> None:
    """Send what a page's kernel has to say of labkit to ``logs/pages.log`` in the data folder; once a process."""
    folder = data / "logs"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    # not a rotating file: every page is a process of its own, and all of them write here
    handler = logging.FileHandler(folder / "pages.log", encoding="utf-8")
    handler.setFormatter(OneLine())
    ours = logging.getLogger("labkit")
    ours.addHandler(handler)
    ours.setLevel(logging.INFO)
