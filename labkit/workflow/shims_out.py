"""Shims that are not to be used and were read all the same: set aside, withdrawn, or past their date."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from labkit.problems import Reason

if TYPE_CHECKING:
    from labkit.workflow.readings_page import ReadingsPage

SHIMS_REASON: Final = "shims_reason"
"""The field for why they are used all the same; who gave it stands in the field of this name with ``_by``."""


@dataclass(frozen=True)
class OutOfUse:
    """
    One such shim.

    Attributes
    ----------
    shim : str
    says : Reason
        What is the matter with it.
    """

    shim: str
    says: Reason


def shims_out(page: ReadingsPage) -> list[OutOfUse]:
    """Every shim that was read and counts, and is not to be used; in the order of the rows."""
    return list({each.shim: each for each in _found(page)}.values())


def _found(page: ReadingsPage) -> Iterator[OutOfUse]:
    p = page.particulars
    if p is None:
        return
    for line in page.log.lines:
        if not line.taken or line.set_aside or line.id in page.collected.elsewhere:
            continue
        for name in line.shims:
            if name not in p.shims:
                continue
            out = page.bench.shim_out_of_use(page.set_of(name), name)
            due = p.shims[name].due
            if out is not None:
                yield OutOfUse(name, Reason("shim.out", {"shim": name, "state": out.state, "why": out.why}))
            elif due is not None and due < p.today:
                yield OutOfUse(name, Reason("shims.past_due", {"shim": name, "due": due.isoformat()}))
