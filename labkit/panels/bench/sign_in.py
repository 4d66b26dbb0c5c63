"""Signing in on the page: who it is, and the passphrase of their signing file."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.guard import Guard
from labkit.problems import BadInput, Problem
from labkit.workflow.ledger_page import LedgerPage

Then = Callable[[], object]


class SignIn:
    """
    Stays hidden until somebody has to show who they are; it then stays in view.

    Parameters
    ----------
    page : LedgerPage
    guard : callable
    """

    def __init__(self, page: LedgerPage, guard: Guard) -> None:
        self._page = page
        self._then: Then | None = None
        # what was asked for can be refused after all: that is said across the page, as this is closed by then
        self._then_guarded = guard(lambda then: then())
        self._named: Callable[[str], object] | None = None
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
        self._chosen = shell.bar(
            [
                shell.button("It is me", guard(lambda _: self._name_given(), beside=self._refuse), main=True),
                shell.button("Cancel", guard(lambda _: self.close())),
            ]
        )
        line = shell.bar([self._name, self._word, self._chosen])
        self.root = shell.rows([self._says, line, self._refused], "lk-msg-ask", "lk-door")
        self.root.layout.display = "none"

    def ask(self, says: str = "", name: str = "", then: Then | None = None) -> None:
        """Ask who it is; `then` is called once that is shown."""
        self._then, self._named = then, None
        self._open(says or sentence("bench.sign_in"), name)
        self._word.ask()

    def name_only(self, says: str, then: Callable[[str], object]) -> None:
        """Ask who it is, without a passphrase: for what nobody has to sign in for, but somebody answers for."""
        self._then, self._named = None, then
        self._open(says, "")
        self._name.focus()

    def _open(self, says: str, name: str) -> None:
        self._word.layout.display = "none" if self._named is not None else ""
        self._chosen.layout.display = "" if self._named is not None else "none"
        shell.say(self._says, f"<p>{shell.escape(says)}</p>")
        shell.say(self._refused, "")
        names = [person.name for person in self._page.bench.people]
        chosen = name or self._name.value
        self._name.options = [("Choose who you are", ""), *((each, each) for each in names)]
        self._name.value = chosen if chosen in names else ""
        self.root.layout.display = ""

    def signed_in(self, action: str, says: str, then: Then) -> None:
        """Call `then` at once where whoever is at the page may do this; else ask who it is first."""
        if self._page.who.proven or self._page.anybody_may(action):
            then()
        else:
            self.ask(says, then=then)

    def close(self) -> None:
        self._then = self._named = None
        self.root.layout.display = "none"

    def _given(self, passphrase: str) -> None:
        if not self._name.value:
            raise BadInput("bench.nobody_chosen")
        self._page.sign_in(self._name.value, passphrase)
        self._go_on(self._then)

    def _name_given(self) -> None:
        if not self._name.value:
            raise BadInput("bench.nobody_chosen")
        named, name = self._named, self._name.value
        self._go_on(named and (lambda: named(name)))

    def _go_on(self, then: Then | None) -> None:
        self.close()
        if then is not None:
            self._then_guarded(then)

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._refused, shell.error(str(problem)))
