"""Who has come: asked last, because a kernel is often started before there is a visitor."""

from __future__ import annotations

import os
from urllib.parse import parse_qs


def in_dashboard() -> bool:
    """Whether this kernel belongs to the dashboards, and not to a JupyterLab or a script."""
    return "VOILA_PREHEAT" in os.environ


def base_url() -> str:
    """The root of the server that shows the page, with its last slash."""
    return os.environ.get("VOILA_BASE_URL", "/")


def wanted_draft() -> str:
    """The draft that the address asks for, or an empty string; see `wanted`."""
    return wanted("draft")


def wanted(what: str) -> str:
    """What the address asks for, such as ``number=0117``; or an empty string. See `wanted_all`."""
    return wanted_all().get(what, "")


def wanted_all() -> dict[str, str]:
    """
    Everything that the address asks for, by name.

    Notes
    -----
    In the dashboards this waits until there is a visitor, who is told of once: ask once. Call it last, when all widgets
    are made; and load everything that changes with time after it.
    """
    if not in_dashboard():
        return {}
    from voila.utils import get_query_string

    return {name: values[-1] for name, values in parse_qs(get_query_string() or "").items()}
