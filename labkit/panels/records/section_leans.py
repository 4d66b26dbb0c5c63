"""Section 3: which signed results leaned on a shim, a gauge or another thing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.guard import Guard
from labkit.workflow.clock import full_date
from labkit.workflow.record_files import kind_words
from labkit.workflow.records import LEANED_ON, RecordsPage

MARGIN = (
    "When a shim or a gauge turns out wrong, everything that leaned on it is found here. Signed results stay as they "
    "are until an engineer has decided.",
)


class LeansSection:
    """
    Parameters
    ----------
    page : RecordsPage
    guard : callable
    """

    def __init__(self, page: RecordsPage, guard: Guard) -> None:
        self._page, self._showing = page, False
        kinds = [(sentence(f"register_kind.{kind}"), kind) for kind in LEANED_ON]
        self._kind = W.Dropdown(options=kinds, value="shim", tooltip="Kind of thing")
        self._subject = W.Dropdown(options=[("Choose one", "")], value="", tooltip="What turned out wrong")
        self._kind.observe(guard(lambda _: self._kind_chosen()), "value")
        self._subject.observe(guard(self._chosen), "value")
        self._says, self._table = shell.html(), shell.html()
        boxes = [
            shell.bar([shell.html(f"<span>{label}</span>", "lk-l"), shell.bar([made], "lk-bar")], "lk-f")
            for label, made in (("Kind of thing", self._kind), ("Which", self._subject))
        ]
        self.section = shell.section(
            3,
            "What leans on what",
            notes=[shell.html("".join(shell.note(said) for said in MARGIN))],
            body=[shell.with_classes(W.GridBox(boxes), "lk-form"), self._says, self._table],
        )

    def show(self) -> None:
        page = self._page
        self._showing = True
        try:
            kind = page.leaned[0] or self._kind.value
            self._kind.value = kind
            options = (("Choose one", ""), *((each, each) for each in page.names(kind)))
            if self._subject.options != options:
                self._subject.options = options
            subject = page.leaned[1]
            self._subject.value = subject if subject in [value for _, value in options] else ""
        finally:
            self._showing = False
        shell.say(self._says, _says(page))
        shell.say(self._table, _table(page))

    def _kind_chosen(self) -> None:
        if not self._showing:
            self._page.ask_leaning(self._kind.value, "")

    def _chosen(self, change: Mapping[str, Any]) -> None:
        if not self._showing:
            self._page.ask_leaning(self._kind.value, str(change["new"] or ""))


def _says(page: RecordsPage) -> str:
    found, total = page.leaning
    name = page.leaned[1]
    if not name:
        return f'<p class="lk-quiet">{shell.escape(sentence("records.choose_leaned"))}</p>'
    if not total:
        return shell.lead(sentence("records.nothing_leans", {"name": name}), quiet=True)
    said = sentence("records.leaned_one" if total == 1 else "records.leaned", {"name": name, "count": total})
    more = [sentence("records.leaned_first", {"shown": len(found)})] if len(found) < total else []
    return shell.message("watch", shell.escape(" ".join([said, *more, sentence("records.leaned_of_results")])))


def _table(page: RecordsPage) -> str:
    found, _ = page.leaning
    if not found:
        return ""
    zone = page.bench.zone
    rows = []
    for each in found:
        state = shell.mark("idle", f"Replaced by {each.replaced_by}") if each.replaced_by else shell.mark("ok", "Valid")
        then = str(each.said.get("certificate") or "") or (f"state {each.revision}" if each.revision else "–")
        says = f"U ≤ {each.says}" if each.says and each.kind == "calibration" else each.says
        result = ", ".join(part for part in (each.decision, says) if part) or "–"
        cells = (full_date(each.signed, zone), kind_words(each.kind), each.rig or "–", result, then)
        shown = "".join(f"<td>{shell.escape(cell)}</td>" for cell in cells)
        off = ' class="lk-off"' if each.replaced_by else ""
        rows.append(f"<tr{off}><td><b>{shell.escape(each.number)}</b></td>{shown}<td>{state}</td></tr>")
    heads = "".join(
        f"<th>{head}</th>" for head in ("Number", "Signed", "Kind", "Rig", "Result", "As certified then", "State")
    )
    table = f'<table class="lk-tbl"><thead><tr>{heads}</tr></thead><tbody>{"".join(rows)}</tbody></table>'
    return f'<div class="lk-scroll">{table}</div>'
