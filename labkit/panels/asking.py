"""Asking for an approval, as a page with a draft shows it: whom, and what they answered."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.guard import Guard
from labkit.problems import Problem
from labkit.workflow.asking import Asking
from labkit.workflow.clock import day_and_time
from labkit.workflow.draft_page import DraftPage

ANYBODY = "Whoever may approve"


class AskingPart:
    """
    Parameters
    ----------
    page : DraftPage
    guard : callable
    says : callable
        What the sheet says now, in a few words, for whoever is asked.
    """

    def __init__(self, page: DraftPage, guard: Guard, says: Callable[[], str]) -> None:
        self._page, self._says = page, says
        self.asking = Asking(page)
        self._whom = W.Dropdown(options=[(ANYBODY, "")], value="")
        self._whom.tooltip = "Who is asked to approve"
        self._ask = shell.button("Ask to approve", guard(lambda _: self._asked(), beside=self._refuse))
        self._back = shell.button("Take the request back", guard(lambda _: self._taken_back(), beside=self._refuse))
        self._state, self._refused = shell.html(), shell.html("", "lk-say-field")
        self.note = shell.html()
        """The note with which it was sent back: for the margin."""
        self.root = shell.rows([self._state, shell.bar([self._whom, self._ask, self._back]), self._refused])

    def show(self) -> None:
        """What was asked and answered, as it was read last."""
        asking, request = self.asking, self.asking.request
        whom = asking.whom
        options = ((ANYBODY, ""), *((name, name) for name in whom))
        if self._whom.options != options:
            self._whom.options = options
            self._whom.value = whom[0] if len(whom) == 1 else ""
        done = asking.approval is not None
        _shown(self._whom, len(whom) > 1 and not asking.open and not done)
        self._ask.description = f"Ask {whom[0]} to approve" if len(whom) == 1 else "Ask to approve"
        _shown(self._ask, bool(whom) and not asking.open and not done)
        _shown(self._back, asking.open and request is not None and request.by == self._page.person)
        shell.say(self._state, self._words())
        note = ""
        if request is not None and request.note:
            note = shell.signed_note(request.note, request.answered_by, self._at(request.answered))
        shell.say(self.note, note)

    def look(self) -> None:
        """Read again, and show what changed."""
        if self.asking.look():
            self.show()

    def _words(self) -> str:
        approval, request = self.asking.approval, self.asking.request
        if approval is not None:
            said = sentence("request.approved", {"by": approval.by, "at": self._at(approval.at)})
            return shell.message("ok", shell.escape(said))
        if request is None or request.state == "withdrawn":
            return ""
        answered = {"by": request.answered_by, "at": self._at(request.answered)}
        match request.state:
            case "asked":
                params = {"by": request.by, "to": request.to or "an engineer", "at": self._at(request.asked)}
                return shell.message("part", shell.escape(sentence("request.asked", params)))
            case "signed":
                return shell.message("ok", shell.escape(sentence("request.signed_by", answered)))
            case _ if request.note:
                words = f"{sentence('request.sent_back', answered)} “{request.note}”"
                return shell.message("watch", shell.escape(words))
        return ""

    def _asked(self) -> None:
        shell.say(self._refused, "")
        self.asking.ask(self._whom.value, self._says())
        self.show()

    def _taken_back(self) -> None:
        shell.say(self._refused, "")
        self.asking.take_back()
        self.show()

    def _refuse(self, problem: Problem) -> None:
        self.look()
        shell.say(self._refused, shell.error(str(problem)))

    def _at(self, utc: str) -> str:
        return day_and_time(utc, self._page.bench.zone)


def _shown(widget: W.DOMWidget, shown: bool) -> None:
    widget.layout.display = "" if shown else "none"
