"""A question in the page: a sentence, a line to answer on, and two buttons."""

from __future__ import annotations

from collections.abc import Callable

from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.guard import Guard


class Ask:
    """
    Stays hidden until it is asked.

    Parameters
    ----------
    guard : callable
        Stands around every callback.
    secret : bool
        Whether the answer is a passphrase.
    """

    def __init__(self, guard: Guard, *, secret: bool = False) -> None:
        self._say = shell.html("", "lk-ask-say")
        self._answer: Callable[[str], None] | None = None
        self._line = Answer(guard(self._given), guard(self._left), cancel="Cancel", secret=secret)
        self.root = shell.rows([self._say, self._line], "lk-msg-ask")
        self.root.layout.display = "none"

    def ask(self, sentence: str, button: str, answer: Callable[[str], None]) -> None:
        """Ask for a line of text; `answer` gets it, and is not called with an empty one."""
        shell.say(self._say, f"<p>{shell.escape(sentence)}</p>")
        self._line.label, self._line.name, self._answer = button, sentence, answer
        self.root.layout.display = ""
        self._line.ask()

    def _given(self, text: str) -> None:
        answer = self._answer
        self._left()
        if answer is not None:
            answer(text)

    def _left(self) -> None:
        self._answer = None
        self.root.layout.display = "none"
