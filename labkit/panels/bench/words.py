"""Words and addresses that the sections of the Bench share."""

from __future__ import annotations

from typing import Final

from labkit.panels.pages import address, pages
from labkit.panels.visitor import base_url

_KINDS: Final = {
    "calibration": "calibration certificate",
    "calibrate": "calibration",
    "check": "check record",
    "parts": "inspection report",
    "study": "study report",
}


def kind_words(kind: str) -> str:
    """A kind of result, or the page of a draft, as a person says it."""
    return _KINDS.get(kind, kind)


def page_name(key: str) -> str:
    """The page of a draft as its tab says."""
    return next((page.name for page in pages() if page.key == key), key or "–")


def link(key: str, draft: str = "", *, rig: str = "") -> str:
    """Where a page opens, with a draft or a rig; empty where no such page is here."""
    page = next((page for page in pages() if page.key == key), None)
    return address(page, base_url(), draft, rig=rig) if page is not None else ""


def counted(count: int, one: str, more: str) -> str:
    """``2 rigs``."""
    return f"{count} {one if count == 1 else more}"
