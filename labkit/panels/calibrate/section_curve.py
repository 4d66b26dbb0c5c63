"""Section 4: the curves side by side, the one that is used, and what its uncertainty is made of."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as W

from labkit.charts import curve_figure, quantile_figure
from labkit.messages import family_label, sentence
from labkit.panels import result_tables, shell
from labkit.panels.calibrate.budget_part import NOT_CONSIDERED, BudgetPart
from labkit.panels.calibrate.result_figure import ResultFigure
from labkit.panels.check_tables import OF_THE_RULE
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.wording import quiet, say
from labkit.problems import Fault
from labkit.workflow.calibrate import CalibratePage

MARGIN = (
    "<b>χ²/ν</b> near 1: points and curve agree as well as their uncertainties say. Far below 1: the stated "
    "uncertainties look too large.",
    "<b>Error at a shim not used</b>: how far each inner point lies from the curve fitted to the others, root mean "
    "square.",
)

SAID_ELSEWHERE = ("points.straggler", "curve.no_reason", "curve.none_fits", NOT_CONSIDERED, *OF_THE_RULE)
"""Cautions that stand beside the readings, beside the field, with the budget, or with the check shims."""


class CurveSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    find : callable
        Shows the row of a point, by its name.
    """

    def __init__(self, page: CalibratePage, guard: Guard, find: Callable[[str], None]) -> None:
        self._page = page
        self._lead, self._table, self._cautions = shell.html(), shell.html(), shell.html()
        self._stale, self._own = shell.html(), shell.html()
        self.form = Form(guard(page.set_field))
        self._choose = shell.with_classes(
            W.GridBox(
                [
                    self.form.field("Use", self.form.choice("family", label="Use this curve"), names=["family"]),
                    self.form.field(
                        "Reason",
                        self.form.text(
                            "reason", width="wide", placeholder="only if you choose another curve", label="Reason"
                        ),
                        names=["reason"],
                    ),
                ]
            ),
            "lk-form",
        )
        self._widen = self.form.field(
            "Larger uncertainties",
            self.form.text(
                "widen_reason",
                width="wide",
                placeholder="only if those given are too small, and why",
                label="Why the given uncertainties are too small",
            ),
            names=["widen_reason"],
        )
        self._widen_about = shell.html(quiet(say("widen.about")))
        self._figure = ResultFigure(curve_figure, guard(find))
        self._quantiles = ResultFigure(lambda result, reading, **look: quantile_figure(result, **look))
        self._parameters = shell.html()
        self.budget = BudgetPart(page, guard)
        fold = W.Accordion([shell.rows([self._parameters, self._quantiles.root])], titles=("All measures",))
        fold.add_class("lk-fold")
        self.work = shell.rows(
            [
                self._table,
                self._choose,
                self._cautions,
                self._widen,
                self._widen_about,
                self._figure.root,
                self.budget.root,
                fold,
            ],
            "lk-stack",
        )
        self.section = shell.section(
            4,
            "Curve",
            notes=[shell.html("".join(shell.note(said) for said in MARGIN))],
            body=[self._own, self._lead, self._stale, self.work],
        )

    def show(self, unit: str, *, dark: bool) -> None:
        page, result = self._page, self._page.result
        shell.say(self._own, "".join(_family_fault(fault) for fault in page.family_faults))
        self.work.layout.display = "" if result is not None else "none"
        note = '<p class="lk-stale-note">Readings have changed since. Computing again.</p>'
        shell.say(self._stale, note if page.computing and result is not None else "")
        (self.work.add_class if page.computing else self.work.remove_class)("lk-stale")
        if result is None:
            shell.say(self._lead, _empty(page))
            return
        shell.say(self._lead, result_tables.say_recommendation(result, unit))
        shell.say(self._table, result_tables.comparison_table(result, unit))
        self.form.offer("family", _families(result))
        unexplained = [each for each in result.cautions if each.code == "curve.no_reason"]
        self.form.show(page.fields, {}, {"reason": unexplained[0]} if unexplained else {})
        self.form.disable(page.read_only)
        for part in (self._widen, self._widen_about):
            part.layout.display = "" if page.may_widen else "none"
        shell.say(self._cautions, result_tables.cautions_list(result, unit, without=SAID_ELSEWHERE))
        self._figure.show(result, unit, dark=dark, reading=page.being_read)
        self._quantiles.show(result, unit, dark=dark)
        self.budget.show(result, unit, dark=dark)
        shell.say(self._parameters, result_tables.parameters_fold(result, unit))


def _empty(page: CalibratePage) -> str:
    if page.problem is not None:
        hint = page.problem.hint or ""
        words = sentence(page.problem.code, page.problem.params)
        return shell.message("stop", f"<b>{shell.escape(words)}</b> {shell.escape(hint)}")
    if page.computing:
        return shell.lead("Computing.", quiet=True)
    read = sum(line.taken > 0 for line in page.log.of("zero", "fit"))
    words = {0: "none is read", 1: "one is read", 2: "two are read"}.get(read, f"{read} are read")
    return shell.lead(f"A curve needs three thicknesses; {words}.", quiet=True)


def _family_fault(fault: Fault) -> str:
    words = f"<b>{shell.escape(str(fault))}</b> {shell.escape(fault.hint or '')}"
    return shell.message("watch", words)


def _families(result: Any) -> list[tuple[str, str]]:
    recommended = result.comparison.recommended
    auto = f"{family_label(recommended)} (recommended)" if recommended else "None is recommended"
    fitted = [row.family for row in result.comparison.rows if row.curve is not None and row.family != recommended]
    return [(auto, ""), *((family_label(family), family) for family in fitted)]
