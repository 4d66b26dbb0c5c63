"""Section 6: the check shims with the new curve, and what their outcome does to signing."""

from __future__ import annotations

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.calibrate.part import ReadingPart
from labkit.panels.check_tables import check_table
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.workflow.blockers import marks
from labkit.workflow.calibrate import CalibratePage

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
            body=[self._lead, shell.bar([self._read]), self._part.root, self._table, self._release, self._help],
        )

    def show(self, unit: str) -> None:
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
        shell.say(self._table, check_table(result.checks, unit) if result and result.checks else "")
        verdict = result.verdict if result is not None else None
        self._release.layout.display = "" if verdict in ("fail", "conditional fail") else "none"
        self.form.show(page.fields, {}, {})
        self.form.disable(page.read_only)
        shell.say(self._rule, _rule(page))

    def _begin(self, _button: object) -> None:
        self._page.open_part("checks")
        self._part.grid.listen()


def _is_next(page: CalibratePage) -> bool:
    """Whether the readings of the curve are done, and no further shim is advised."""
    advice = page.result.next_points if page.result is not None else None
    return marks(page)[3].state == "ok" and (page.stopped or advice is None or advice.best is None)


def _rule(page: CalibratePage) -> str:
    rule = page.bench.rule
    binary = page.bench.outcomes == "two" and rule != "simple"
    code = f"rule.{rule}.binary" if binary else f"rule.{rule}"
    return shell.note(f"<b>Decision rule</b><br>{shell.escape(sentence(code))}") + shell.note(
        "U here is that of the deviation: curve, check shim and reading together. All readings count."
    )


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
