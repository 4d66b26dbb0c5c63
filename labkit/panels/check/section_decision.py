"""Section 2: the decision in one line, the facts beside it, and the signature."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import partial
from typing import Final

import ipywidgets as W

from labkit.check.result import Outcome
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.asking import AskingPart
from labkit.panels.download import Download
from labkit.panels.guard import Guard
from labkit.problems import BadInput, Problem
from labkit.workflow.check import CheckPage
from labkit.workflow.check_blockers import blockers
from labkit.workflow.clock import time_of_day
from labkit.workflow.signing import signed_sheet

_STATES: Final[Mapping[Outcome, shell.State]] = {
    "fit to measure": "ok",
    "today only": "watch",
    "check again": "watch",
    "calibrate fully": "stop",
}

_LOOK_EVERY: Final = 3
"""Heartbeats between two looks at what was answered."""

MARGIN: Final = (
    "The decision and who took it go into the ledger, whichever way it falls.",
    "“Fit to measure” needs every check shim to pass, and the background within its limit.",
    "What is not clear is read again once. The repeated check decides.",
)


class DecisionSection:
    """
    Parameters
    ----------
    page : CheckPage
    guard : callable
    """

    def __init__(self, page: CheckPage, guard: Guard) -> None:
        self._page = page
        self._says, self._facts, self._left, self._signed = (shell.html() for _ in range(4))
        self._refused = shell.html("", "lk-say-field")
        self._sign = Answer(
            guard(self._finish, beside=lambda problem: self._refuse(problem)),
            label="Finish and sign",
            name="Passphrase",
            placeholder="of your signing file",
            empty=sentence("page.no_passphrase"),
            secret=True,
        )
        self._field = shell.bar(
            [shell.html("<span>Passphrase</span>", "lk-l"), shell.bar([self._sign], "lk-bar"), self._refused], "lk-f"
        )
        self._asking = AskingPart(page, guard, self._outcome)
        self._pdf = Download(page.signed_pdf, "check.pdf", "Download PDF", primary=True)
        self._data = Download(self._record, "check.json", "Download its data")
        self._looked_for: object = None
        self._ticks = 0
        self._again = shell.button("Begin the next check", guard(lambda _: page.check_again()))
        self.section = shell.section(
            2,
            "Decision",
            notes=[self._asking.note, shell.html("".join(shell.note(words) for words in MARGIN))],
            body=[
                shell.with_classes(
                    W.GridBox([shell.rows([self._says], "lk-stack"), shell.rows([self._facts], "lk-stack")]),
                    "lk-split",
                    "lk-53",
                ),
                self._left,
                self._field,
                self._signed,
                self._asking.root,
                shell.bar([self._pdf, self._data, self._again]),
            ],
        )

    def show(self, unit: str) -> None:
        """What the model holds now."""
        page = self._page
        left = [] if page.number else blockers(page)
        shell.say(self._says, _says(page))
        shell.say(self._facts, _facts(page, unit))
        shell.say(self._left, _left_words(page) if page.rig is not None and left else "")
        self._sign.enabled = not left and not page.read_only
        self._field.layout.display = "none" if page.number or page.rig is None else ""
        when = time_of_day(page.saved, page.bench.zone)
        words = f"Signed by {page.person}, {when}. Check {page.number} is in the ledger."
        shell.say(self._signed, shell.message("ok", f"<b>{shell.escape(words)}</b>") if page.number else "")
        for made in (self._pdf, self._again):
            made.layout.display = "" if page.number else "none"
        self._show_asking()
        self._pdf.enabled = bool(page.number)
        self._pdf.file_name = f"check-{page.number or '0000'}.pdf"
        self._data.enabled = page.check is not None
        self._data.layout.display = "" if page.check is not None else "none"

    def tick(self) -> None:
        """The browser asks every two seconds: now and then, see whether somebody has answered."""
        self._ticks += 1
        if self._asking.asking.open and self._ticks % _LOOK_EVERY == 0:
            self._asking.look()

    def _show_asking(self) -> None:
        """Whom to ask, where the rig is not simply fit to measure: a good check in the morning is not held up."""
        page, asking = self._page, self._asking.asking
        asked_for = (page.id, page.number)
        if self._looked_for != asked_for:  # not after each reading: nobody answers what was not asked
            self._looked_for = asked_for
            asking.look()
        self._asking.show()
        unclear = page.check is not None and page.check.outcome not in (None, "fit to measure")
        there = unclear or asking.request is not None or asking.approval is not None
        self._asking.root.layout.display = "" if there else "none"

    def _outcome(self) -> str:
        """What the check says, for whoever is asked."""
        check = self._page.check
        return (check.outcome if check is not None else None) or sentence("request.no_verdict")

    def ask(self) -> None:
        """The cursor on the line for the passphrase."""
        self._sign.ask()

    def _finish(self, passphrase: str) -> None:
        shell.say(self._refused, "")
        self._page.sign(passphrase, partial(signed_sheet, house=self._page.house))

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._refused, shell.error(f"{problem} {problem.hint or ''}".strip()))

    def _record(self) -> bytes:
        if self._page.check is None:
            raise BadInput("points.none")
        return json.dumps(self._page.check.to_dict(), ensure_ascii=False, indent=2).encode()


def decision_mark(page: CheckPage) -> tuple[shell.State, str]:
    """The outcome, or that there is none."""
    check = page.check
    if page.number:
        return "ok", sentence("check_page.mark_signed", {"number": page.number})
    if check is None or check.outcome is None:
        return "idle", sentence("check_page.mark_none")
    return _STATES[check.outcome], check.outcome.capitalize()


def _says(page: CheckPage) -> str:
    check = page.check
    if check is None or check.says is None:
        left = [str(each) for each in check.missing] if check is not None else []
        return shell.lead(" ".join([sentence("check_page.none_yet"), *left]), quiet=True)
    why = " ".join(str(each) for each in check.reasons)
    to_do = sentence(f"{check.says.code}.do") if check.outcome != "fit to measure" else ""
    return f'<p class="lk-verdict">{shell.escape(check.says)}</p>{shell.lead(f"{why} {to_do}".strip())}'


def _facts(page: CheckPage, unit: str) -> str:
    check = page.check
    if page.in_force is None or check is None:
        return ""
    facts = [("Leans on", f"certificate {page.certificate}")]
    if page.due is not None:
        facts.append(("Calibration due", f"{page.due.day} {page.due:%b %Y}"))
    if check.largest_U_mm is not None:
        facts.append(("Largest U of a deviation", sentence("check_page.U", {"U_mm": check.largest_U_mm}, unit)))
    mine = [each for each in page.earlier if each.certificate == page.certificate and each.id != page.id]
    facts.append(("Checks of this certificate before", str(len(mine))))
    if mine:
        facts.append(("The last one", f"{mine[-1].number}, {mine[-1].outcome}"))
    lines = "".join(f"<div><dt>{shell.escape(a)}</dt><dd>{shell.escape(b)}</dd></div>" for a, b in facts)
    return f'<dl class="lk-facts3">{lines}</dl>'


def _left_words(page: CheckPage) -> str:
    lines = "".join(
        f'<li><span class="lk-dot lk-stop"></span><span>{shell.escape(each)} '
        f'<a href="{each.place}">Go there</a></span></li>'
        for each in blockers(page)
    )
    return f'<h3>Before it can be signed</h3><ul class="lk-block">{lines}</ul>'
