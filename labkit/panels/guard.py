"""
What stands around every callback: a `Problem` is shown beside its field, anything else is ours to explain.
"""

from __future__ import annotations

import functools
import logging
import secrets
from collections.abc import Callable
from typing import ParamSpec

from labkit.messages import sentence
from labkit.panels.logs import log_pages
from labkit.paths import data_folder
from labkit.problems import Problem

P = ParamSpec("P")

Guard = Callable[..., Callable[..., None]]
"""What a page hands to its parts to put around their callbacks: `guarded` with the page's own banner."""

_log = logging.getLogger("labkit.pages")


def guarded(
    banner: Callable[[str], None], beside: Callable[[Problem], None] | None = None
) -> Callable[[Callable[P, object]], Callable[P, None]]:
    """
    A decorator for callbacks of widgets, which must never raise: nobody would see it.

    Parameters
    ----------
    banner : callable
        Shows a sentence across the page, plain text.
    beside : callable, optional
        Shows a problem beside the field that it is about. Without it, problems go to the banner.

    Returns
    -------
    callable
        The decorator. What it makes returns None.
    """

    def decorate(callback: Callable[P, object]) -> Callable[P, None]:
        @functools.wraps(callback)
        def run(*args: P.args, **kwargs: P.kwargs) -> None:
            try:
                callback(*args, **kwargs)
            except Problem as problem:
                if beside is None:
                    banner(str(problem))
                else:
                    beside(problem)
            except Exception:
                banner(report(f"in {callback.__qualname__}"))

        return run

    return decorate


def report(where: str) -> str:
    """Write the exception that is being handled to the log, and return the sentence that names it by a short id."""
    fault = secrets.token_hex(2).upper()
    log_pages(data_folder())
    _log.exception("fault %s %s", fault, where)
    return sentence("pages.fault", {"fault": fault})
