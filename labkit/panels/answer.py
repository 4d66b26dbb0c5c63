"""A line to answer on with its button: Enter and the button give the same answer, and give it whole."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import traitlets as T

from labkit.panels.browser import OneWay, source, words

_ROOM: Final = 2000


class Answer(OneWay):
    """
    The line.

    What is typed goes to Python with the answer, in one message. A text widget would send it letter by letter beside
    the press of a button, and while the kernel computes the press overtakes the letters.

    Parameters
    ----------
    on_answer : callable
        Gets the text, without spaces around it and never empty. It must not raise.
    on_left : callable, optional
        Called when the person gives up, with Esc or the second button.

    Attributes
    ----------
    label, cancel : str
        The two buttons; without `cancel` there is only the first.
    name : str
        What the line is for, to a screen reader.
    empty : str
        What is said when the line is empty.
    secret : bool
        Dots in place of letters; the line empties once it is answered.
    enabled : bool
        Whether it can be answered. Say beside it why not.
    """

    _esm = source("js/make.js", "js/answer.js")
    _css = source("css/answer.css")

    label = T.Unicode("").tag(sync=True)
    cancel = T.Unicode("").tag(sync=True)
    name = T.Unicode("").tag(sync=True)
    placeholder = T.Unicode("").tag(sync=True)
    empty = T.Unicode("").tag(sync=True)
    secret = T.Bool(False).tag(sync=True)
    enabled = T.Bool(True).tag(sync=True)
    asked = T.Int(0).tag(sync=True)
    words: T.Dict[str, str] = T.Dict().tag(sync=True)

    def __init__(
        self, on_answer: Callable[[str], object], on_left: Callable[[], object] | None = None, **traits: Any
    ) -> None:
        own = words("answer")
        super().__init__(**{"words": own, "empty": own["empty"], **traits})
        self._on_answer, self._on_left = on_answer, on_left
        self.on_msg(self._receive)

    def ask(self) -> None:
        """Empty the line, and put the cursor on it."""
        self.asked += 1

    def _receive(self, _widget: object, content: Mapping[str, Any], _buffers: object) -> None:
        match content:
            case {"type": "answer", "text": str(text)} if self.enabled and text.strip() and len(text) <= _ROOM:
                self._on_answer(text if self.secret else text.strip())
            case {"type": "left"} if self._on_left is not None:
                self._on_left()
        self.send({"type": "heard"})
