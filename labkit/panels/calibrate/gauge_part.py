"""A gauge that is in use in another rig: who has it, and saying that it is free."""

from __future__ import annotations

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.guard import Guard
from labkit.workflow.clock import when
from labkit.workflow.readings_page import ReadingsPage


class GaugePart:
    """
    Not there as long as the gauge is free or in use here.

    Parameters
    ----------
    page : ReadingsPage
    guard : callable
    """

    def __init__(self, page: ReadingsPage, guard: Guard) -> None:
        self._page = page
        self._says, self._ask = shell.html(), Ask(guard)
        self._free = shell.button("It is free: say how you know", guard(lambda _: self._asked()))
        self._free.add_class("lk-slim")
        self.root = shell.rows([self._says, shell.bar([self._free], "lk-msg-bar"), self._ask.root])
        self.root.layout.display = "none"

    def show(self) -> None:
        live, zone = self._page.elsewhere, self._page.bench.zone
        self.root.layout.display = "" if live is not None else "none"
        if live is not None:
            since = when(live.since, zone, self._page.begun).removeprefix("today ")
            params = {"gauge": live.gauge, "rig": live.rig, "person": live.person or "–", "since": since}
            shell.say(self._says, shell.message("watch", shell.escape(sentence("gauge.in_use", params))))

    def _asked(self) -> None:
        live = self._page.elsewhere
        if live is not None:
            says = sentence("bench.free_gauge", {"gauge": live.gauge, "person": live.person or "–"})
            self._ask.ask(says, "It is free", self._page.free_gauge)
