"""Section 3: the drafts, where each stands, what is left, and whose they are."""

from __future__ import annotations

from collections.abc import Callable

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.bench.words import link, page_name
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_drafts import Unfinished
from labkit.workflow.clock import day_and_time, when


class UnfinishedSection:
    """
    Parameters
    ----------
    page : BenchPage
    guard : callable
    signed_in : callable
        Calls what it is given once somebody has signed in; at once where somebody has.
    """

    def __init__(self, page: BenchPage, guard: Guard, signed_in: Callable[[str, Callable[[], object]], None]) -> None:
        self._page, self._signed_in = page, signed_in
        self._notes, self._lead, self._said = shell.html(), shell.html(), shell.html()
        columns = ("Draft", "Work", "Stands at", "Left to do", "By", "Saved")
        self._list = Listing("What is unfinished", columns, guard(self._pressed))
        self.section = shell.section(
            3, "What is unfinished", notes=[self._notes], body=[self._lead, self._said, self._list]
        )

    def show(self) -> None:
        page = self._page
        shell.say(self._lead, "" if page.unfinished else shell.lead(sentence("bench.no_drafts"), quiet=True))
        self._list.show([_row(each, page) for each in page.unfinished])
        shell.say(self._notes, _margin(page))

    def _pressed(self, draft_id: str, _button: str) -> None:
        each = next((one for one in self._page.unfinished if one.line.id == draft_id), None)
        if each is not None:
            says = sentence("bench.take_over", {"owner": each.line.owner})
            self._signed_in(says, lambda: self._take_over(each))

    def _take_over(self, each: Unfinished) -> None:
        self._page.take_over(each.line.id)
        address = link(each.line.page, each.line.id)
        words = sentence("bench.taken_over", {"draft": _name(each, self._page), "owner": each.line.owner})
        opened = f'<a class="lk-btn lk-go" href="{shell.escape(address)}">Open it</a>' if address else ""
        shell.say(self._said, shell.message("ok", f'<p>{shell.escape(words)}</p><span class="lk-bar">{opened}</span>'))


def _row(each: Unfinished, page: BenchPage) -> Row:
    line, standing = each.line, each.standing
    own = line.owner in ("", page.who.name)
    address = link(line.page, line.id)
    buttons: tuple[Button, ...]
    if own or not address:
        buttons = (Button("take-up", "Take up", address, main=own and bool(line.owner)),) if address else ()
    else:
        buttons = (Button("look", "Look", address), Button("over", "Take over"))
    by = "you" if line.owner and line.owner == page.who.name else line.owner or line.person or "–"
    return Row(
        line.id,
        (
            Cell(_name(each, page), bold=True),
            Cell(page_name(line.page), each.order),
            Cell(f"{standing.section} {standing.title}" if standing.section else "–"),
            Cell(", ".join(standing.left) or "–"),
            Cell(by),
            Cell(when(line.saved, page.bench.zone, page.now)),
        ),
        buttons,
    )


def _name(each: Unfinished, page: BenchPage) -> str:
    begun = day_and_time(each.line.begun, page.bench.zone)
    return ", ".join(part for part in (each.line.rig or "No rig", begun) if part)


def _margin(page: BenchPage) -> str:
    said = [shell.note(shell.escape(sentence("bench.drafts_kept")))]
    others = [each.line.owner for each in page.unfinished if each.line.owner not in ("", page.who.name)]
    if others:
        text = sentence("bench.began_this", {"owner": others[0]})
        said.append(
            shell.note(
                f"<b>{shell.escape(sentence('draft.of_another', {'owner': others[0]}))}</b> {shell.escape(text)}"
            )
        )
    return "".join(said)
