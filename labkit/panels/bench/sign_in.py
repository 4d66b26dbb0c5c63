"""Signing in on the page: who it is, and the passphrase of their signing file."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.guard import Guard
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage

Then = Callable[[], object]


class SignIn:
    """
    Stays hidden until somebody has to show who they are; it then stays in view.

    Parameters
    ----------
    page : BenchPage
    guard : callable
    """

    def __init__(self, page: BenchPage, guard: Guard) -> None:
        self._page = page
        self._then: Then | None = None
        self._says, self._refused = shell.html("", "lk-ask-say"), shell.html("", "lk-say-field")
        self._name = W.Dropdown(options=[("Choose who you are", "")], value="")
        self._name.tooltip = "Who signs in"
        self._word = Answer(
            guard(self._given, beside=self._refuse),
            guard(self.close),
            label="Sign in",
            cancel="Cancel",
            name="Passphrase",
            placeholder="Passphrase of your signing file",
            empty=sentence("page.no_passphrase"),
            secret=True,
        )
        self.root = shell.rows(
            [self._says, shell.bar([self._name, self._word]), self._refused], "lk-msg-ask", "lk-door"
        )
        self.root.layout.display = "none"

    def ask(self, says: str = "", name: str = "", then: Then | None = None) -> None:
        """Ask who it is; `then` is called once that is shown."""
        self._then = then
        shell.say(self._says, f"<p>{shell.escape(says or sentence('bench.sign_in'))}</p>")
        shell.say(self._refused, "")
        names = [person.name for person in self._page.bench.people]
        chosen = name or self._name.value
        self._name.options = [("Choose who you are", ""), *((each, each) for each in names)]
        self._name.value = chosen if chosen in names else ""
        self.root.layout.display = ""
        self._word.ask()

    def signed_in(self, action: str, says: str, then: Then) -> None:
        """Call `then` at once where whoever is at the page may do this; else ask who it is first."""
        if self._page.who.proven or self._page.anybody_may(action):
            then()
        else:
            self.ask(says, then=then)

    def close(self) -> None:
        self._then = None
        self.root.layout.display = "none"

    def _given(self, passphrase: str) -> None:
        if not self._name.value:
            raise BadInput("bench.nobody_chosen")
        self._page.sign_in(self._name.value, passphrase)
        then = self._then
        self.close()
        if then is not None:
            then()

    def _refuse(self, problem: Problem) -> None:
        if self.root.layout.display == "none":  # signed in: what was asked for is refused
            raise problem
        shell.say(self._refused, shell.error(str(problem)))
