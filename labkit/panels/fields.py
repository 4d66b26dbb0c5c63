"""Fields of a form: a label, what is typed, and under it what is wrong or doubtful about it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import ipywidgets as W

from labkit.panels import shell
from labkit.problems import Finding

Input = Any  # W.Text or W.Dropdown: ipywidgets has no types


class Form:
    """
    The fields of a page, by the name under which the model keeps them.

    Parameters
    ----------
    typed : callable
        Called with a field's name and its text when a person has changed it.
    """

    def __init__(self, typed: Callable[[str, str], None]) -> None:
        self._typed = typed
        self._inputs: dict[str, Input] = {}
        self._says: dict[str, W.HTML] = {}
        self._showing = False

    # ---- building ----

    def text(self, name: str, *, width: str = "", placeholder: str = "", label: str = "") -> W.Text:
        """A line of text; a change counts when the person leaves it or presses Enter."""
        made = W.Text(continuous_update=False, placeholder=placeholder)
        made.add_class("lk-wide" if width == "wide" else "lk-n")
        return self._bound(name, made, label)

    def choice(self, name: str, options: Iterable[tuple[str, str]] = (), label: str = "") -> W.Dropdown:
        """One of several, by what is shown and what is kept."""
        return self._bound(name, W.Dropdown(options=[("", ""), *options], value=""), label)

    def field(self, label: str, *parts: W.Widget | str, names: Sequence[str] = (), long: bool = False) -> W.Box:
        """A label with its inputs side by side, and room for a sentence under them."""
        inside = [shell.html(shell.escape(part)) if isinstance(part, str) else part for part in parts]
        say = shell.html("", "lk-say-field")
        for name in names:
            self._says[name] = say
        classes = ("lk-f", "lk-long") if long else ("lk-f",)
        return shell.bar(
            [shell.html(f"<span>{shell.escape(label)}</span>", "lk-l"), shell.bar(inside, "lk-bar"), say], *classes
        )

    # ---- showing ----

    def show(self, values: Mapping[str, str], faults: Mapping[str, Finding], doubts: Mapping[str, Finding]) -> None:
        """What the model holds, and what it says of it."""
        self._showing = True
        try:
            for name, made in self._inputs.items():
                _put(made, values.get(name, ""))
                (made.add_class if name in faults else made.remove_class)("lk-invalid")
        finally:
            self._showing = False
        for say in dict.fromkeys(self._says.values()):
            names = [name for name, place in self._says.items() if place is say]
            said = [shell.error(str(faults[name])) for name in names if name in faults]
            said += [_doubt(str(doubts[name])) for name in names if name in doubts and name not in faults]
            shell.say(say, "".join(said))

    def offer(self, name: str, options: Iterable[tuple[str, str]]) -> None:
        """Give a choice its options, the chosen one kept where it is still among them."""
        made = self._inputs[name]
        wanted = tuple(options)
        if made.options != wanted:
            self._showing = True
            try:
                value = made.value
                made.options = wanted
                made.value = value if value in [kept for _, kept in wanted] else wanted[0][1]
            finally:
                self._showing = False

    def disable(self, disabled: bool, names: Sequence[str] = ()) -> None:
        """A page that may only be looked at; or only these fields of it."""
        for name in names or self._inputs:
            self._inputs[name].disabled = disabled

    def _bound(self, name: str, made: Any, label: str) -> Any:
        self._inputs[name] = made
        if label:
            made.tooltip = label

        def changed(change: Mapping[str, Any]) -> None:
            if not self._showing:
                self._typed(name, str(change["new"]))

        made.observe(changed, "value")
        return made


def _put(made: Input, text: str) -> None:
    if isinstance(made, W.Dropdown) and text not in [value for _, value in made.options]:
        text = made.options[0][1]
    if made.value != text:
        made.value = text


def _doubt(text: str) -> str:
    return f'<p class="lk-err lk-doubt">{shell.mark("watch", text)}</p>'
