"""What U is made of, in section 4: sentence, bars, table, random draws, and the fold where influences are typed."""

from __future__ import annotations

from typing import Final

import ipywidgets as W

from labkit.bench.influences import SHARE, SIGNAL_PER_K, Entry, Kind
from labkit.bench.readings import Signal
from labkit.calibration.result import Calibration
from labkit.charts import shares_figure
from labkit.messages import influence_label, sentence
from labkit.panels import budget_tables, shell
from labkit.panels.calibrate.result_figure import ResultFigure
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.wording import said, say
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.influences import kinds_of, value_field, why_field

NOT_CONSIDERED: Final = "budget.not_considered"
"""The caution that stands here, where it can be answered."""


class BudgetPart:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    """

    def __init__(self, page: CalibratePage, guard: Guard) -> None:
        self._page, self._guard = page, guard
        self._sentence, self.table, self.drawn, self.open = shell.html(), shell.html(), shell.html(), shell.html()
        self._bars = ResultFigure(shares_figure)
        self._forms: dict[tuple[Signal, str], tuple[Form, W.VBox]] = {}
        self._inside = shell.rows([])
        help_text = shell.html(f'<p class="lk-help">{say("result.besides_help")}</p>')
        self.fold = W.Accordion([shell.rows([help_text, self._inside])])
        self.fold.add_class("lk-fold")
        self.fold.observe(guard(lambda _: self._show_fold()), "selected_index")
        above = shell.rows([self._sentence, self._bars.root], "lk-budget")
        below = shell.rows([self.table, self.drawn], "lk-budget")
        self.root = shell.rows([above, below, self.open, self.fold], "lk-stack")

    def show(self, result: Calibration, unit: str, *, dark: bool) -> None:
        """The budget of a result, and the influences as they are typed."""
        shell.say(self._sentence, budget_tables.budget_sentence(result, unit))
        self._bars.root.layout.display = "none" if result.budget is None else ""
        if result.budget is not None:
            self._bars.show(result, unit, dark=dark)
        shell.say(self.table, budget_tables.budget_table(result, unit))
        shell.say(self.drawn, budget_tables.drawn_sentence(result, unit))
        found = [each for each in result.cautions if each.code == NOT_CONSIDERED]
        shell.say(self.open, "".join(shell.message("watch", said(each, unit)) for each in found))
        self._show_fold()

    def _show_fold(self) -> None:
        """What its heading counts; and the fields, once somebody has opened it: they are many."""
        p = self._page.particulars
        if p is None:
            return
        stated = p.about.conditions.influences
        off = sum(bool(each.off) for each in stated)
        counts = {"valued": len(stated) - off, "off": off, "open": len(kinds_of(p.signal)) - len(stated)}
        title = f"{sentence('result.besides')}: {sentence('result.besides_count', counts)}"
        if self.fold.titles != (title,):
            self.fold.titles = (title,)
        if self.fold.selected_index is None:
            return
        form, rows = self._form(p.signal, p.unit)
        if self._inside.children != (rows,):
            self._inside.children = (rows,)
        form.show(self._page.fields, p.influence_faults, {})
        form.disable(self._page.read_only)

    def _form(self, signal: Signal, unit: str) -> tuple[Form, W.VBox]:
        """The fields for a kind of indication, made when they are first needed."""
        if (signal, unit) not in self._forms:
            form = Form(self._guard(self._page.set_field))
            rows = shell.rows([_row(form, kind, signal, unit) for kind in kinds_of(signal)], "lk-besides")
            self._forms[signal, unit] = (form, rows)
        return self._forms[signal, unit]


def _row(form: Form, kind: Kind, signal: Signal, unit: str) -> W.Box:
    """An influence with its numbers, and how it is known or why it is left out."""
    label = influence_label(kind.code)
    label = label[:1].upper() + label[1:]
    parts: list[W.Widget | str] = []
    names = []
    for entry in kind.asks(signal):
        name = value_field(kind, entry)
        words = sentence(f"entry.{entry.name}")
        parts += [words] if len(kind.asks(signal)) > 1 else []
        parts += [form.text(name, placeholder=_placeholder(entry), label=f"{label}, {words}"), _unit(entry, unit)]
        names.append(name)
    why = form.text(
        why_field(kind), width="wide", placeholder=sentence("result.besides_why"), label=f"{label}, how it is known"
    )
    return form.field(label, *parts, why, names=[*names, why_field(kind)])


def _unit(entry: Entry, unit: str) -> str:
    """What stands after a number; a share says of what, or it is taken for one of the quantity itself."""
    return sentence("entry.of_signal") if entry == SHARE else entry.unit or unit


def _placeholder(entry: Entry) -> str:
    return sentence("entry.magnet_or") if entry is SIGNAL_PER_K else ""
