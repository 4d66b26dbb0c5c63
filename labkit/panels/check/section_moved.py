"""Section 3: how the rig has moved from check to check."""

from __future__ import annotations

from typing import Final

from labkit import format as text_of
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.guard import Guard
from labkit.panels.wording import head, row, table
from labkit.units import small_unit
from labkit.workflow.check import CheckPage
from labkit.workflow.clock import day_and_time

BASELINE: Final = 15
"""Checks from which the limits are taken (common practice, no source)."""

SHOWN: Final = 8
"""Of the checks before, in the table."""


class MovedSection:
    """
    Parameters
    ----------
    page : CheckPage
    guard : callable
    """

    def __init__(self, page: CheckPage, guard: Guard) -> None:
        self._page = page
        self._says, self._table = shell.html(), shell.html()
        self.section = shell.section(
            3,
            "How it has moved",
            notes=[shell.html(shell.note("Each check is one point. Contact zero shows a worn or dirty tip."))],
            body=[self._says, self._table],
        )

    def show(self, unit: str, *, dark: bool) -> None:
        """What the model holds now."""
        count = len(self._page.earlier)
        shell.say(self._says, shell.lead(_kept(count), quiet=True) if self._page.rig is not None else "")
        shell.say(self._table, _table(self._page, unit))

    def mark(self) -> tuple[shell.State, str]:
        """How many checks there are."""
        count = len(self._page.earlier)
        return ("ok" if count >= BASELINE else "idle"), sentence("check_page.mark_kept", {"count": count})


def _kept(count: int) -> str:
    return sentence(
        "check_page.baseline_one" if count == 1 else "check_page.baseline", {"baseline": BASELINE, "count": count}
    )


def _table(page: CheckPage, unit: str) -> str:
    """The newest checks before this one."""
    if not page.earlier:
        return ""
    small = small_unit(unit)
    heading = head(
        ("", "Check"), ("", "Read"), ("", "Deviations, " + small), ("", f"Contact zero, {small}"), ("", "Decision")
    )
    body = []
    for kept in reversed(page.earlier[-SHOWN:]):
        found = kept.record["results"]
        shims = ", ".join(
            f"{each['point']} {text_of.small_length(each['deviation_mm'], unit, signed=True, with_unit=False)}"
            for each in found["checks"]
        )
        zero = found["zero"]
        shift = (
            text_of.NOTHING
            if zero is None
            else text_of.small_length(zero["shift_mm"], unit, signed=True, with_unit=False)
        )
        cells = [kept.number, day_and_time(kept.signed, page.bench.zone), shims, shift, kept.outcome]
        body.append(row([("", shell.escape(each)) for each in cells]))
    return table(heading, body)
