"""Section 3: the drafts, where each stands, what is left, and whose they are."""

from __future__ import annotations

from functools import partial

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.bench.sign_in import SignIn
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
    door : SignIn
    """

    def __init__(self, page: BenchPage, guard: Guard, door: SignIn) -> None:
        self._page, self._door = page, door
        self._notes, self._lead, self._said = shell.html(), shell.html(), shell.html()
        self._ask = Ask(guard)
        columns = ("Draft", "Work", "Stands at", "Left to do", "By", "Saved")
        self._list = Listing("What is unfinished", columns, guard(self._pressed))
        self._away = Listing("Put away", ("Draft", "Work", "Why", "By", "When"), guard(self._pressed))
        self._fold = W.Accordion([shell.rows([self._away])], titles=("",))
        self._fold.add_class("lk-fold")
        self.section = shell.section(
            3,
            "What is unfinished",
            notes=[self._notes],
            body=[self._lead, self._said, self._ask.root, self._list, self._fold],
        )

    def show(self) -> None:
        page = self._page
        shell.say(self._lead, "" if page.unfinished else shell.lead(sentence("bench.no_drafts"), quiet=True))
        self._list.show([_row(each, page) for each in page.unfinished])
        self._away.show([_away_row(each, page) for each in page.away])
        self._fold.titles = (sentence("bench.away", {"count": len(page.away)}),)
        self._fold.layout.display = "" if page.away else "none"
        shell.say(self._notes, _margin(page))

    def _pressed(self, draft_id: str, button: str) -> None:
        page = self._page
        page.use()
        each = next((one for one in (*page.unfinished, *page.away) if one.line.id == draft_id), None)
        if each is None:
            return
        match button:
            case "over":
                says = sentence("bench.take_over", {"owner": each.line.owner})
                self._door.signed_in("take over", says, partial(self._take_over, each))
            case "away":
                says = sentence("bench.put_away", {"draft": _name(each, page)})
                self._ask.ask(says, "Put away", partial(self._put_away, draft_id))
            case "out":
                self._door.signed_in("take over", sentence("bench.sign_in"), partial(page.take_out, draft_id))

    def _put_away(self, draft_id: str, why: str) -> None:
        self._door.signed_in("take over", sentence("bench.sign_in"), lambda: self._page.put_away(draft_id, why))

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
    buttons = []
    if address and own:
        buttons.append(Button("take-up", "Take up", address, main=bool(line.owner)))
    elif address:
        buttons += [Button("look", "Look", address), Button("over", "Take over")]
    if own:
        buttons.append(Button("away", "Put away"))
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
        tuple(buttons),
    )


def _away_row(each: Unfinished, page: BenchPage) -> Row:
    away = each.away
    why, by, at = (away.why, away.by, when(away.at, page.bench.zone, page.now)) if away is not None else ("", "", "")
    return Row(
        each.line.id,
        (
            Cell(_name(each, page), each.line.owner, bold=True),
            Cell(page_name(each.line.page), each.order),
            Cell(why),
            Cell(by),
            Cell(at),
        ),
        (Button("out", "Take it out again"),),
        off=True,
    )


def _name(each: Unfinished, page: BenchPage) -> str:
    begun = day_and_time(each.line.begun, page.bench.zone)
    return ", ".join(part for part in (each.line.rig or "No rig", begun) if part)


def _margin(page: BenchPage) -> str:
    said = [shell.note(shell.escape(sentence("bench.drafts_kept")))]
    others = [each.line.owner for each in page.unfinished if each.line.owner not in ("", page.who.name)]
    if others:
        began = shell.escape(sentence("draft.of_another", {"owner": others[0]}))
        said.append(shell.note(f"<b>{began}</b> {shell.escape(sentence('bench.began_this'))}"))
    return "".join(said)
