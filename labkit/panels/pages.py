"""The pages, one workbook each, in the order of the work. Only those that exist are shown anywhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

from labkit.paths import workbooks


@dataclass(frozen=True)
class PageName:
    """
    A page as tabs and lists name it.

    Attributes
    ----------
    key : str
        The workbook's file name without its ending; also the ``page`` of its drafts.
    name : str
        On its tab.
    says : str
        What is done there, in one sentence.
    """

    key: str
    name: str
    says: str

    @property
    def file(self) -> str:
        return f"{self.key}.ipynb"


_ALL: Final = (
    PageName("bench", "Bench", "What waits, what is due, and what is registered."),
    PageName("calibrate", "Calibrate", "Shim readings to a curve, proved on check shims, and a signed sheet."),
    PageName("check", "Check", "Two check shims before the first part."),
    PageName("parts", "Parts", "The smallest thickness along a line on a part."),
    PageName("study", "Gauge study", "How much of the tolerance the gauge and its readers use."),
    PageName("records", "Signed records", "Every signed result, and what leans on what."),
)


def pages() -> tuple[PageName, ...]:
    """The pages whose workbook is there."""
    folder = workbooks()
    return tuple(page for page in _ALL if (folder / page.file).is_file())


def address(page: PageName, base_url: str = "/", draft: str = "", *, rig: str = "") -> str:
    """Where the dashboards show a page, from the root of the server; with the draft to go on with, or a rig."""
    query = f"?draft={quote(draft)}" if draft else f"?rig={quote(rig)}" if rig else ""
    return f"{base_url}voila/render/{quote(page.file)}{query}"
