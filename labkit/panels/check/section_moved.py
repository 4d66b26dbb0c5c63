"""Section 3: how the rig has moved from check to check."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import ipywidgets as W

from labkit import format as text_of
from labkit.charts import moved_figure
from labkit.check import Past, Series, series, watched
from labkit.check.history import BACKGROUND, BASELINE, ZERO
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.figure import Figure, figure_widget, update
from labkit.panels.guard import Guard
from labkit.panels.wording import head, row, safe, table
from labkit.units import small_unit
from labkit.workflow.check import CheckPage
from labkit.workflow.clock import day_and_time

if TYPE_CHECKING:
    import plotly.graph_objects as go

SHOWN: Final = 8
"""Of the checks before, in the table."""

SPANS: Final = (("6 months", 183), ("18 months", 548), ("All", 0))
"""What the figure shows, and how many days that is."""

MARGIN: Final = (
    f"Each check is one point. Control limits come from the first {BASELINE} checks: centre ± 3 s, with s from the "
    "moving range.",
    "The weighted mean (NIST/SEMATECH e-Handbook 6.3.2.4) sees a slow drift before any single check fails. Its limits "
    "stand on both sides.",
    "Contact zero shows a worn or dirty tip.",
)


class MovedSection:
    """
    Parameters
    ----------
    page : CheckPage
    guard : callable
    """

    def __init__(self, page: CheckPage, guard: Guard) -> None:
        self._page = page
        self._says, self._table = shell.html(), shell.html()
        self._what = shell.with_classes(W.ToggleButtons(options=[("–", "")], value=""), "lk-switch")
        self._span = shell.with_classes(W.ToggleButtons(options=SPANS, value=SPANS[1][1]), "lk-switch")
        for switch in (self._what, self._span):
            switch.observe(guard(lambda _: self._again()), "value")
        self._switches = shell.bar([self._what, self._span])
        self._figure = _Drawn()
        self._shown: tuple[str, bool] = ("mm", False)
        self._offering = False
        self.section = shell.section(
            3,
            "How it has moved",
            notes=[shell.html("".join(shell.note(words) for words in MARGIN))],
            body=[self._says, self._switches, self._figure.root, self._table],
        )

    def show(self, unit: str, *, dark: bool) -> None:
        """What the model holds now."""
        self._shown = (unit, dark)
        page, pasts = self._page, self._page.pasts
        found = watched(pasts)
        self._offer(found)
        drawn = [series(pasts, what) for what in found]
        self._worst = _mark(drawn, len(page.earlier))
        for part in (self._switches, self._figure.root):
            part.layout.display = "" if pasts else "none"
        shell.say(self._says, _says(page, drawn))
        shell.say(self._table, _table(page, unit))
        chosen = next((each for each in drawn if each.what == self._what.value), None)
        if chosen is not None:
            raw = page.rig is not None and page.rig.signal == "raw"
            in_unit = page.rig.unit if page.rig is not None and raw else "mm"
            since = _since(pasts, self._span.value)
            self._figure.show(
                (chosen, unit, dark, since),
                lambda: moved_figure(
                    chosen, theme="dark" if dark else "light", unit=unit, reading_unit=in_unit, since=since
                ),
            )

    def mark(self) -> tuple[shell.State, str]:
        """The gravest of what the series say."""
        return self._worst

    def _again(self) -> None:
        if not self._offering:
            unit, dark = self._shown
            self.show(unit, dark=dark)

    def _offer(self, found: tuple[str, ...]) -> None:
        options = [(_called(what), what) for what in found] or [("–", "")]
        if list(self._what.options) != options:
            value = self._what.value
            self._offering = True
            self._what.options = options
            self._what.value = value if value in found else options[0][1]
            self._offering = False


class _Drawn:
    """A figure that is made when there first is one, and changed in place from then on."""

    def __init__(self) -> None:
        self._widget: Figure | None = None
        self._shown: object = None
        self.root = shell.rows([], "lk-fig")

    def show(self, of: object, draw: Callable[[], go.Figure]) -> None:
        if of == self._shown:
            return
        if self._widget is None:
            self._widget = figure_widget(draw())
            self.root.children = [self._widget]
        else:
            update(self._widget, draw())
        self._shown = of


def _since(pasts: tuple[Past, ...], days: int) -> str:
    if not days or not pasts:
        return ""
    return (date.fromisoformat(pasts[-1].at[:10]) - timedelta(days=days)).isoformat()


def _called(what: str) -> str:
    return {ZERO: sentence("moved.zero"), BACKGROUND: "Background"}.get(what, what)


def _named(what: str) -> str:
    return {ZERO: sentence("moved.zero"), BACKGROUND: sentence("moved.background")}.get(what, what)


def _state(each: Series) -> tuple[shell.State, str]:
    if each.beyond:
        return "watch", "beyond"
    if each.drifts:
        return "watch", "drifts"
    return ("watch", "noisy") if each.noisy else ("ok", "steady")


def _mark(drawn: list[Series], kept: int) -> tuple[shell.State, str]:
    """The gravest state among the series that have limits; how many checks there are where none has."""
    states = [_state(each) for each in drawn if each.chart is not None or each.standard is not None]
    if not states:
        return "idle", sentence("check_page.mark_kept", {"count": kept})
    order = ("beyond", "drifts", "noisy", "steady")
    state, code = min(states, key=lambda found: order.index(found[1]))
    return state, sentence(f"moved.mark_{code}")


def _says(page: CheckPage, drawn: list[Series]) -> str:
    """One sentence for each series that has something to say; how many checks are kept while no limits are there."""
    if page.rig is None:
        return shell.lead(sentence("check_page.moved_no_rig"), quiet=True)
    count = len([each for each in page.earlier if each.id != page.id])
    if all(len(each.values) < BASELINE for each in drawn):
        code = "check_page.baseline_one" if count == 1 else "check_page.baseline"
        return shell.lead(sentence(code, {"baseline": BASELINE, "count": count}), quiet=True)
    said = []
    for each in drawn:
        params = {"what": _named(each.what), "baseline": BASELINE, "count": len(each.values)}
        if len(each.values) < BASELINE:
            said.append(("idle", sentence("moved.few", params)))
        elif each.chart is None:
            said.append(("idle", sentence("moved.same", params)))
        else:
            state, code = _state(each)
            said.append((state, sentence(f"moved.{code}", params)))
    doubtful = [words for state, words in said if state == "watch"]
    shown = doubtful or [words for _, words in said]
    return "".join(f"<p>{'<b>' if doubtful else ''}{safe(words)}{'</b>' if doubtful else ''}</p>" for words in shown)


def _table(page: CheckPage, unit: str) -> str:
    """The newest checks before this one."""
    if not page.earlier:
        return ""
    small = small_unit(unit)
    columns = ("Check", "Signed", f"Deviations, {small}", f"Contact zero, {small}", "Decision")
    heading = head(*(("", name) for name in columns))
    body = []
    for kept in reversed(page.earlier[-SHOWN:]):
        found = kept.record["results"]
        shims = ", ".join(
            f"{each['point']} {text_of.small_length(each['deviation_mm'], unit, signed=True, with_unit=False)}"
            for each in found["checks"]
        )
        moved = found["zero"]["shift_mm"] if found["zero"] else None
        shift = text_of.small_length(moved, unit, signed=True, with_unit=False)
        cells = [kept.number, day_and_time(kept.signed, page.bench.zone), shims, shift, kept.outcome]
        body.append(row([("", safe(each)) for each in cells]))
    return table(heading, body)
