"""Section 5: which shims to read, which one next, what it would bring, and when to stop."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as W

from labkit.charts import u_figure
from labkit.messages import sentence
from labkit.panels import next_tables, shell, wording
from labkit.panels.calibrate.result_figure import ResultFigure
from labkit.panels.guard import Guard
from labkit.workflow.calibrate import CalibratePage


class ExtraSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    read_shim : callable
        Adds a row for a shim and moves the cursor there.
    listen : callable
        Moves the cursor to where the next reading goes: a button that is gone once it was pressed cannot keep it.
    """

    def __init__(
        self, page: CalibratePage, guard: Guard, read_shim: Callable[[str], None], listen: Callable[[], None]
    ) -> None:
        self._page, self._read_shim, self._listen = page, read_shim, listen
        self._lead, self._table = shell.html(), shell.html()
        self._figure = ResultFigure(u_figure)
        self._read = shell.button("Read it now", guard(self._read_now), main=True)
        self._stop = shell.button("Stop here", guard(lambda _: self._go_on(page.stop_here)))
        self._buttons = shell.bar([self._read, self._stop])
        self._lay_out = shell.button("Lay out these rows", guard(lambda _: self._go_on(page.lay_out_plan)), main=True)
        self._planned = shell.bar([self._lay_out])
        self._later = shell.html(shell.note(sentence("plan.rest")))
        self._besides = shell.html()
        left = shell.rows([self._table, self._besides, self._buttons], "lk-stack")
        self._split = shell.with_classes(W.GridBox([left, self._figure.root]), "lk-split", "lk-53")
        self.section = shell.section(
            5,
            "Extra points",
            notes=[
                shell.html(
                    shell.note("The end shims span the range. Extra points belong inside it, where parts are measured.")
                    + shell.note(
                        "The line is drawn where the target is reached, or where another point lowers U by less "
                        "than 5 %. After it is read, U is estimated afresh and may come out larger."
                    )
                )
            ],
            body=[self._lead, self._planned, self._later, self._split],
        )

    def show(self, unit: str, *, dark: bool) -> None:
        page = self._page
        result = page.result
        advice = result.next_points if result is not None else None
        self._split.layout.display = "" if advice is not None else "none"
        self._show_plan(unit)
        if result is None:
            return
        shell.say(self._lead, next_tables.next_sentence(result, unit))
        if advice is None:
            return
        shell.say(self._table, next_tables.next_table(result, unit, page.being_read))
        shell.say(self._besides, next_tables.repeats_advice(result, unit))
        best = advice.best
        if best is not None:
            name = sentence("band.again", {"shim": best.name}) if best.again else best.name
            self._read.description = f"Read {name} now"
        self._read.layout.display = "" if best is not None else "none"
        self._read.disabled = page.read_only or page.computing
        self._stop.layout.display = "" if best is not None else "none"
        self._stop.disabled = page.stopped or page.read_only
        self._figure.show(result, unit, dark=dark, reading=page.being_read)

    def _show_plan(self, unit: str) -> None:
        """What to read, as long as there is no result."""
        plan = self._page.plan
        self._later.layout.display = "" if self._page.result is None else "none"
        self._planned.layout.display = "" if plan is not None and plan.left else "none"
        self._lay_out.disabled = self._page.read_only
        if self._page.result is None:
            said = f'<p class="lk-lead">{wording.said(plan.reason, unit)}</p>' if plan is not None else ""
            shell.say(self._lead, said)

    def _go_on(self, lay_out: Callable[[], None]) -> None:
        lay_out()
        self._listen()

    def _read_now(self, _button: object) -> None:
        advice = self._page.result.next_points if self._page.result is not None else None
        if advice is not None and advice.best is not None:
            self._read_shim(advice.best.name)
