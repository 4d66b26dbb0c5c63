"""A question in the page: a sentence, a line to answer on, and two buttons."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as W

from labkit.panels import shell

Guard = Callable[..., Callable[..., None]]


class Ask:
    """
    Stays hidden until it is asked.

    Parameters
    ----------
    guard : callable
        Stands around every callback.
    """

    def __init__(self, guard: Guard) -> None:
        self._say = shell.html("", "lk-ask-say")
        self._line = W.Text(continuous_update=True)
        self._line.add_class("lk-wide")
        self._answer: Callable[[str], None] | None = None
        self._yes = shell.button("", guard(self._given), main=True)
        self._no = shell.button("Leave it", guard(self._left))
        self.root = shell.rows([self._say, shell.bar([self._line, self._yes, self._no])], "lk-msg-ask")
        self.root.layout.display = "none"

    def ask(self, sentence: str, button: str, answer: Callable[[str], None], *, text: str = "") -> None:
        """Ask for a line of text; `answer` gets it, and is not called with an empty one."""
        shell.say(self._say, f"<p>{shell.escape(sentence)}</p>")
        self._yes.description, self._line.value, self._answer = button, text, answer
        self.root.layout.display = ""
        self._line.focus()

    def _given(self, _button: object) -> None:
        text = self._line.value.strip()
        if not text or self._answer is None:
            return
        answer = self._answer
        self._left(None)
        answer(text)

    def _left(self, _button: object) -> None:
        self._answer = None
        self.root.layout.display = "none"
