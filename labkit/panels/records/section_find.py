"""Section 1: what is looked for, the list, and what can be taken away of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, Final

import ipywidgets as W

from labkit.ledger import ResultLine
from labkit.ledger.standing import Standing
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.download import LongDownload
from labkit.panels.guard import Guard
from labkit.panels.record_list import Line, RecordList
from labkit.workflow.clock import full_date
from labkit.workflow.record_files import KINDS, kind_words
from labkit.workflow.records import LINES, RecordsPage

_OUTCOMES: Final = ("pass", "conditional pass", "conditional fail", "fail", "fit to measure", "today only")

_ANY: Final = {
    "kind": "All four kinds",
    "rig": "All rigs",
    "gauge": "All gauges",
    "target": "All targets",
    "signer": "Everybody",
    "decision": "Every decision",
}

MARGIN: Final = (
    "The ledger keeps every signed result, reading, change and decision. Each entry seals the one before it. It is "
    "checked when this page opens.",
    "A check record is numbered after the certificate that it checks: 0094-09 is the ninth check of 0094.",
)


class FindSection:
    """
    Parameters
    ----------
    page : RecordsPage
    guard : callable
    on_open : callable
        Called after a record was opened.
    """

    def __init__(self, page: RecordsPage, guard: Guard, on_open: Callable[[], object]) -> None:
        self._page, self._showing = page, False
        self._fields: dict[str, Any] = {}
        self._chain = shell.html()
        self._says = shell.html()
        self._list = RecordList(
            guard(lambda number, on: page.tick_line(number, on)), guard(lambda number: self._open(number, on_open))
        )
        self._shown = shell.html("", "lk-quiet")
        self._newer = shell.button("Newer", guard(lambda _: page.turn(-1)))
        self._older = shell.button("Older", guard(lambda _: page.turn(1)))
        self._all = shell.button("Show everything", guard(lambda _: page.ask_nothing()))
        self._none = shell.button("Untick all", guard(lambda _: page.untick()))
        for each in (self._newer, self._older, self._all, self._none):
            each.add_class("lk-slim")
        self._records = LongDownload(page.certificates, "records.zip", "Download", primary=True)
        self._behind = LongDownload(page.behind, "everything behind.zip", "Everything behind these")
        self._export = LongDownload(page.list_table, "signed results.csv", "Export the list")
        self.section = shell.section(
            1,
            "Find",
            notes=[shell.html(shell.note(MARGIN[0])), self._chain, shell.html(shell.note(MARGIN[1]))],
            body=[
                self._form(guard),
                self._says,
                self._list,
                shell.bar([self._newer, self._older, self._shown, self._all, self._none], "lk-bar", "lk-turn"),
                shell.bar([self._records, self._behind, self._export]),
                shell.html(f'<p class="lk-quiet lk-under">{shell.escape(sentence("records.behind_what"))}</p>'),
            ],
        )

    def show(self) -> None:
        page = self._page
        self._show_fields()
        shell.say(self._chain, _chain(page))
        found, zone = page.found, page.bench.zone
        self._list.show([self._line(line, zone) for line in found.lines])
        nothing = sentence("records.none_match" if page.signed else "records.none_signed")
        shell.say(self._says, "" if found.lines or page.problem is not None else shell.lead(nothing, quiet=True))
        first = page.offset + 1
        words = f"{first} to {page.offset + len(found.lines)} of {found.total}" if found.lines else ""
        shell.say(self._shown, words)
        several = found.total > LINES
        for button, wanted in ((self._newer, page.offset > 0), (self._older, first + LINES <= found.total)):
            button.layout.display = "" if several else "none"
            button.disabled = not wanted
        asked = any(page.asked.values())
        self._all.layout.display = "" if asked else "none"
        self._none.layout.display = "" if page.ticked else "none"
        count = len(page.ticked)
        opened = page.opened.number if page.opened is not None else ""
        self._records.label = (
            f"Download {count} records"
            if count > 1
            else f"Download {next(iter(page.ticked), '') or opened}"
            if page.chosen
            else "Download"
        )
        self._behind.label = "Everything behind these" if count > 1 else "Everything behind it"

    def _open(self, number: str, then: Callable[[], object]) -> None:
        self._page.open(number)
        then()

    def _line(self, line: ResultLine, zone: str) -> Line:
        page = self._page
        mark, state = page.state_of(line)
        standing = page.standing.get(line.id, Standing())
        asked = f"asked {full_date(standing.asked, zone)}" if standing.asked else "–"
        of = ", ".join(each for each in (line.rig, line.gauge, line.target) if each)
        says = f"U ≤ {line.says}" if line.says and line.kind == "calibration" else line.says
        result = ", ".join(each for each in (line.decision, says) if each)
        return Line(
            line.number,
            (
                line.number,
                full_date(line.signed, zone),
                kind_words(line.kind),
                of,
                result or "–",
                line.signer or "–",
                standing.approved_by or asked,
            ),
            mark,
            str(state),
            line.number in page.ticked,
            page.opened is not None and page.opened.number == line.number,
            bool(line.replaced_by),
        )

    # ---- what is looked for ----

    def _form(self, guard: Guard) -> W.Box:
        words = W.Text(continuous_update=False, placeholder="number, rig, batch, name or shim")
        words.add_class("lk-wide")
        self._bind("words", words, guard, "Look for")
        for name in _ANY:
            self._bind(name, W.Dropdown(options=[(_ANY[name], "")], value=""), guard, name.capitalize())
        for name in ("since", "until"):
            self._bind(name, W.DatePicker(), guard, "Signed " + {"since": "from", "until": "to"}[name])
        f = self._fields
        days = shell.bar([f["since"], shell.html("to"), f["until"]], "lk-bar")
        rows = (
            ("Look for", words),
            ("Rig", f["rig"]),
            ("Kind", f["kind"]),
            ("Signed", days),
            ("Gauge", f["gauge"]),
            ("Signed by", f["signer"]),
            ("Target", f["target"]),
            ("Decision", f["decision"]),
        )
        self._wrong = shell.html("", "lk-say-field")
        boxes = [
            shell.bar([shell.html(f"<span>{label}</span>", "lk-l"), shell.bar([made], "lk-bar")], "lk-f")
            for label, made in rows
        ]
        return shell.rows([shell.with_classes(W.GridBox(boxes), "lk-form"), self._wrong])

    def _bind(self, name: str, made: Any, guard: Guard, label: str) -> None:
        made.tooltip = label
        self._fields[name] = made

        def changed(change: Mapping[str, Any]) -> None:
            if not self._showing:
                value = change["new"]
                self._page.look_for(name, value.isoformat() if isinstance(value, date) else str(value or ""))

        made.observe(guard(changed), "value")

    def _show_fields(self) -> None:
        page = self._page
        self._showing = True
        try:
            for name, made in self._fields.items():
                asked = page.asked[name]
                if isinstance(made, W.Dropdown):
                    options = self._options(name, asked)
                    if made.options != options:
                        made.options = options
                    made.value = asked
                elif isinstance(made, W.DatePicker):
                    made.value = date.fromisoformat(asked) if asked and name not in page.faults else None
                elif made.value != asked:
                    made.value = asked
        finally:
            self._showing = False
        shell.say(self._wrong, "".join(shell.error(str(each)) for each in page.faults.values()))

    def _options(self, name: str, asked: str) -> tuple[tuple[str, str], ...]:
        """What can be chosen; what is asked for stays among it, though it left the register."""
        if name == "kind":
            found = [(kind_words(kind), kind) for kind in KINDS]
        else:
            names = list(_OUTCOMES) if name == "decision" else self._page.options(name)
            found = [(each, each) for each in names]
        if asked and asked not in [value for _, value in found]:
            found.append((asked, asked))
        return ((_ANY[name], ""), *found)


def _chain(page: RecordsPage) -> str:
    if page.chain is None:
        mark = shell.mark("part", "Being checked") if page.checking else ""
    elif page.chain.whole:
        mark = shell.mark("ok", "Chain unbroken")
    else:
        mark = shell.mark("stop", "Chain broken")
    return f'<p class="lk-note">{mark}</p>' if mark else ""
