"""Section 6: the check shims with the new curve, and what their outcome does to signing."""

from __future__ import annotations

import ipywidgets as W

from labkit.calibration.operating import least_known
from labkit.charts import operating_figure
from labkit.messages import sentence
from labkit.metrology.conformity import OUTCOMES, RULES, rule_in_words
from labkit.panels import shell
from labkit.panels.calibrate.part import ReadingPart
from labkit.panels.calibrate.result_figure import ResultFigure
from labkit.panels.check_tables import check_table, doubts_of_the_rule, operating_words, rests_on
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.next_tables import at_temperature
from labkit.workflow.blockers import marks
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.clock import time_of_day
from labkit.workflow.particulars import RULE_FIELDS

STEPS = (
    "Clean the tip, the target and the shim. Read it again.",
    "Re-read with no target. If the background has moved, look for steel near the bench.",
    "Still failing: the curve or a shim is wrong. Read the two shims either side of it again. If it still fails, stop; "
    "the sheet will say fail and only the engineer can release it.",
)


class ChecksSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    """

    def __init__(self, page: CalibratePage, guard: Guard) -> None:
        self._page = page
        self._lead, self._table, self._rule = shell.html(), shell.html(), shell.html()
        self._read = shell.button("Read the check shims", guard(self._begin))
        self._part = ReadingPart(page, "checks", guard)
        self.form = Form(guard(page.set_field))
        self._rests, self._doubts, self._words = shell.html(), shell.html(), shell.html()
        self._figure = ResultFigure(operating_figure)
        self._risk = self.form.field(
            "Risk at the limit", self.form.text("risk", label="Risk at the limit"), "%", names=["risk"]
        )
        rules = [(sentence(f"choice.rule.{rule}"), rule) for rule in RULES]
        ways = [(sentence(f"choice.outcomes.{way}"), way) for way in OUTCOMES]
        self._fields = shell.with_classes(
            W.GridBox(
                [
                    self.form.field("Decision rule", self.form.choice("rule", rules, "Decision rule"), names=["rule"]),
                    self.form.field("Outcomes", self.form.choice("outcomes", ways, "Outcomes"), names=["outcomes"]),
                    self._risk,
                    self.form.field(
                        "Rigs are off by",
                        self.form.text("process_mean", placeholder="mean", label="Mean of what rigs are off by"),
                        "±",
                        self.form.text("process_sd", placeholder="s", label="Standard deviation of it"),
                        "µm, if known",
                        names=["process_mean", "process_sd"],
                    ),
                ]
            ),
            "lk-form",
        )
        self._release = self.form.field(
            "Why it is signed",
            self.form.text("release_reason", width="wide", label="Why it is signed all the same"),
            names=["release_reason"],
        )
        self._help = shell.html(_help())
        self.section = shell.section(
            6,
            "Check shims",
            notes=[self._rule],
            body=[
                self._lead,
                self._fields,
                shell.bar([self._read]),
                self._part.root,
                self._table,
                self._release,
                self._doubts,
                self._words,
                self._figure.root,
                self._rests,
                self._help,
            ],
        )

    def show(self, unit: str, *, dark: bool) -> None:
        page, result = self._page, self._page.result
        begun = bool(page.log.of("check"))
        lead = "They are read last, with the new curve, and take no part in it."
        shell.say(self._lead, "" if begun else shell.lead(lead, quiet=True))
        self._read.layout.display = "none" if begun else ""
        self._read.button_style = "primary" if _is_next(page) else ""
        self._read.disabled = page.rig is None or page.read_only or not page.fields.get("check_set")
        self._part.root.layout.display = "" if begun else "none"
        if begun:
            self._part.show(unit)
        self._help.layout.display = "" if begun else "none"
        shown = check_table(result.checks, unit) + at_temperature(result, unit) if result and result.checks else ""
        shell.say(self._table, shown)
        verdict = result.verdict if result is not None else None
        self._release.layout.display = "" if verdict in ("fail", "conditional fail") else "none"
        self._show_rule()
        self._show_decisions(unit, dark=dark)

    def _show_rule(self) -> None:
        page = self._page
        p = page.particulars
        self._fields.layout.display = "" if p is not None else "none"
        self._risk.layout.display = "" if p is not None and p.about.rule == "guard-band-risk" else "none"
        self.form.show(page.fields, p.rule_faults if p is not None else {}, {})
        self.form.disable(page.read_only)
        if page.rule_fixed:
            self.form.disable(True, RULE_FIELDS)
        shell.say(self._rule, _rule(page))

    def _show_decisions(self, unit: str, *, dark: bool) -> None:
        """What follows from the rule, once something was decided by it."""
        result = self._page.result
        checks = result.checks if result is not None else ()
        decided = result is not None and least_known(checks) is not None
        for part in (self._rests, self._doubts, self._words, self._figure.root):
            part.layout.display = "" if decided else "none"
        if result is None or not decided:
            return
        shell.say(self._doubts, doubts_of_the_rule(result.cautions, unit))
        shell.say(self._words, operating_words(checks, unit))
        self._figure.show(result, unit, dark=dark)
        shell.say(self._rests, rests_on(checks, result.options.process, unit))

    def _begin(self, _button: object) -> None:
        self._page.open_part("checks")
        self._part.grid.listen()


def _is_next(page: CalibratePage) -> bool:
    """Whether the readings of the curve are done, and no further shim is advised."""
    advice = page.result.next_points if page.result is not None else None
    return marks(page)[3].state == "ok" and (page.stopped or advice is None or advice.best is None)


def _rule(page: CalibratePage) -> str:
    p = page.particulars
    if p is None or "risk" in p.rule_faults:
        return ""
    words = str(rule_in_words(p.about.rule, p.about.outcomes, p.about.risk))
    said = [
        f"<b>Decision rule</b><br>{shell.escape(words)}",
        "U here is that of the deviation: curve, check shim and reading together. All readings count.",
    ]
    if page.rule_fixed:
        when = time_of_day(page.checked, page.bench.zone)
        said.append(f"The rule is fixed since the first check shim was read, {when}.")
    return "".join(shell.note(each) for each in said)


def _help() -> str:
    steps = "".join(f"<li><span>{shell.escape(step)}</span></li>" for step in STEPS)
    does = (
        ("ok", "Pass", "You may finish and sign."),
        ("watch", "Conditional pass", "You may sign; the sheet says so. Tell your supervisor."),
        ("watch", "Conditional fail", "You may not sign; the engineer may, with a reason that the sheet prints."),
        ("stop", "Fail", "Nobody signs it as valid; only the engineer can release it."),
    )
    lines = "".join(
        f"<dt>{shell.mark(state, words)}</dt><dd>{shell.escape(says)}</dd>"  # type: ignore[arg-type]
        for state, words, says in does
    )
    return (
        f'<div class="lk-split"><div><h3>If a check shim fails</h3><ol class="lk-steps lk-quiet">{steps}</ol></div>'
        f'<div><h3>What it does to signing</h3><dl class="lk-does">{lines}</dl></div></div>'
    )
