"""Check shims as HTML: what the curve makes of known thicknesses, drawn against the limits, and the decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from labkit import format as text_of
from labkit.calibration.checks import Check
from labkit.calibration.in_print import PrintedCheck, printed_check, printed_limit
from labkit.calibration.operating import in_words, least_known
from labkit.metrology.risk import Process
from labkit.panels import wording
from labkit.panels.shell import State, mark, message
from labkit.panels.wording import head, quiet, row, safe, say, table
from labkit.problems import Caution
from labkit.sentences import SENTENCES
from labkit.units import small_unit

_STATES: Final[dict[str, State]] = {
    "pass": "ok",
    "conditional pass": "watch",
    "conditional fail": "watch",
    "fail": "stop",
}

OF_THE_RULE: Final = ("check.nothing_passes", "check.narrow", "check.low_ratio", "check.preset_protects_less")
"""Cautions that the uncertainty is too large for the tolerance, or for the rule."""

_WIDTH, _HEIGHT = 240, 32
_LIMIT: Final = 85.7
"""From the middle to a limit in the drawing, 240 wide and 32 high [px]."""


def check_table(
    checks: Sequence[Check], unit: str = "mm", unread: Sequence[tuple[str, float]] = (), empty: str = "result.no_check"
) -> str:
    """
    Check shims, or the same shims as found.

    Parameters
    ----------
    checks : sequence of Check
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    unread : sequence of (str, float)
        Name and reference value [mm] of the check shims that are still to be read.
    empty : str
        The code of the sentence that stands in place of an empty table.

    Returns
    -------
    str
        HTML.
    """
    if not checks and not unread:
        return quiet(say(empty))
    small = small_unit(unit)
    scale = _Scale.of(checks)
    heading = head(
        ("", "Shim"),
        ("r", f"Reference,<br>{unit}"),
        ("r", f"Corrected,<br>{unit}"),
        ("r", f"Deviation,<br>{small}"),
        ("r", f"U, {small}"),
        ("", scale.heading(unit)),
        ("r", "E<sub>n</sub>"),
        ("r", "Conforms,<br>probability"),
        ("", "Decision"),
    )
    body = [_checked(each, scale, unit) for each in checks]
    for name, reference in unread:
        dash = text_of.NOTHING
        cells = [("", f"<b>{safe(name)}</b>"), ("r lk-num", text_of.length(reference, unit, with_unit=False))]
        cells += [("r", dash)] * 3 + [("", "")] + [("r", dash)] * 2 + [("", mark("idle", "Not read yet"))]
        body.append(row(cells, "lk-off"))
    note = quiet(say("result.no_tolerance")) if any(each.decision is None for each in checks) else ""
    return table(heading, body) + note


def rests_on(checks: Sequence[Check], process: Process | None = None, unit: str = "mm") -> str:
    """
    What the decisions rest on: guard band, risk, indices, and the global risks where a process is stated.

    Parameters
    ----------
    checks : sequence of Check
    process : Process, optional
        Of the rigs that are brought.
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    str
        HTML; empty where nothing was decided.
    """
    decided = [(check, check.decision) for check in checks if check.decision is not None]
    if not decided:
        return ""
    heading = head(
        ("", "Shim"),
        ("r", f"Guard band w,<br>{small_unit(unit)}"),
        ("r", "Decision is wrong,<br>probability"),
        ("r", "C<sub>m</sub>"),
        ("r", "TUR"),
    )
    body = [
        row(
            [
                ("", f"<b>{safe(check.point)}</b>"),
                ("r lk-num", _in_print(check, unit).guard_band),
                ("r lk-num", safe(text_of.probability(decision.specific_risk))),
                ("r lk-num", text_of.number(check.capability, 1)),
                ("r lk-num", text_of.number(check.ratio, 1)),
            ]
        )
        for check, decision in decided
    ]
    return table(heading, body) + quiet(say("check.ratio")) + _global_risk(checks, process, unit)


def doubts_of_the_rule(cautions: Sequence[Caution], unit: str = "mm") -> str:
    """That the uncertainty is too large for the tolerance or the rule, as HTML; empty where it is not."""
    found = [each for each in cautions if each.code in OF_THE_RULE]
    said = [message("watch", f"{wording.said(each, unit)} <b>{wording.hint(each, unit)}</b>") for each in found]
    return f'<div class="lk-doubts">{"".join(said)}</div>' if said else ""


def operating_words(checks: Sequence[Check], unit: str = "mm") -> str:
    """How often rigs pass, in words, as HTML; empty where nothing was decided."""
    check = least_known(checks)
    if check is None:
        return ""
    said = " ".join(say(each.code, each.params, unit) for each in in_words(check))
    drawn = say("operating.drawn_for", {"shim": check.point, "u_mm": check.u_mm}, unit) if len(checks) > 1 else ""
    return f"<p><b>{said}</b></p>" + (quiet(drawn) if drawn else "")


def _global_risk(checks: Sequence[Check], process: Process | None, unit: str) -> str:
    check = least_known(checks)
    found = check.global_risk(process) if check is not None and process is not None else None
    if check is None or process is None or found is None:
        return ""
    params = {
        "shim": check.point,
        "mean_mm": process.mean_mm,
        "sd_mm": process.sd_mm,
        "consumer": 100 * found.consumer,
        "producer": 100 * found.producer,
    }
    return f"<p>{say('check.global_risk', params, unit)}</p>"


def _in_print(check: Check, unit: str) -> PrintedCheck:
    return printed_check(check.deviation_mm, check.U_mm, check.limits_mm, check.decision, unit)


def decision_sentence(check: Check) -> str:
    """What the outcome of a check shim means, as HTML; empty where nothing was decided."""
    decision = check.decision
    if decision is None:
        return ""
    said, to_do = say(decision.code), f"outcome.{decision.outcome}.hint"
    return f"{said} {say(to_do)}" if to_do in SENTENCES else said


def _checked(check: Check, scale: _Scale, unit: str) -> str:
    decision = check.decision
    printed = _in_print(check, unit)
    if decision is None:
        probability, decided = text_of.NOTHING, text_of.NOTHING
    else:
        probability = safe(text_of.probability(decision.probability))
        decided = mark(_STATES[decision.outcome], decision.outcome.capitalize())
        decided += f"<small>{decision_sentence(check)}</small>"
    if check.in_fit:
        decided += f"<small>{say('check.in_fit', {'shim': check.point})}</small>"
    elif check.shares_master:
        decided += f"<small>{say('check.shares_master', {'shim': check.point})}</small>"
    return row(
        [
            ("", f"<b>{safe(check.point)}</b>"),
            ("r lk-num", text_of.length(check.reference_mm, unit, with_unit=False)),
            ("r lk-num", text_of.length(check.corrected_mm, unit, with_unit=False)),
            ("r lk-num", f"<b>{printed.deviation}</b>"),
            ("r lk-num", printed.U),
            ("", scale.drawing(check, unit)),
            ("r lk-num", text_of.number(check.e_n, 2, signed=True)),
            ("r lk-num", probability),
            ("", decided),
        ]
    )


@dataclass(frozen=True)
class _Scale:
    """
    One scale for all rows, so that they can be compared.

    Attributes
    ----------
    unit_mm : float
        The deviation [mm] that is drawn `_LIMIT` from the middle.
    limits_mm : (float or None, float or None)
    """

    unit_mm: float
    limits_mm: tuple[float | None, float | None]

    @classmethod
    def of(cls, checks: Sequence[Check]) -> _Scale:
        limits = checks[0].limits_mm if checks else (None, None)
        sides = [abs(side) for side in limits if side]
        reach = max(sides, default=0.0) or max((abs(c.deviation_mm) + c.U_mm for c in checks), default=0.0)
        return cls(reach or 1.0, limits)

    def at(self, value_mm: float) -> float:
        """Across the drawing [px]; what lies beyond is drawn at its edge."""
        return min(max(_WIDTH / 2 + value_mm / self.unit_mm * _LIMIT, 4.0), _WIDTH - 4.0)

    def heading(self, unit: str) -> str:
        limits = [limit for limit in self.limits_mm if limit is not None]
        if not limits:
            return ""
        words = [f'<text class="m" x="{self.at(0):.1f}" y="13">0</text>']
        for limit in limits:
            shown = _short(printed_limit(limit, unit, with_unit=False))
            with_unit = f" {small_unit(unit)}" if limit == limits[-1] else ""
            words.append(f'<text class="m" x="{self.at(limit):.1f}" y="13">{shown}{with_unit}</text>')
        return _svg(16, "limits", "".join(words))

    def drawing(self, check: Check, unit: str) -> str:
        low, high = (self.at(check.deviation_mm + side * check.U_mm) for side in (-1, 1))
        middle = self.at(check.deviation_mm)
        drawn = [f'<path class="gr" d="M{self.at(0):.1f} 2V30"/><path class="gr" d="M0 16H{_WIDTH}"/>']
        drawn += [
            f'<path class="tol lk-limit" d="M{self.at(limit):.1f} 3V29"/>'
            for limit in self.limits_mm
            if limit is not None
        ]
        drawn.append(f'<rect class="band" x="{low:.1f}" y="9" width="{high - low:.1f}" height="14"/>')
        drawn.append(f'<path class="k" d="M{low:.1f} 9v14M{high:.1f} 9v14M{low:.1f} 16H{high:.1f}"/>')
        beyond = abs(check.deviation_mm) / self.unit_mm * _LIMIT > _WIDTH / 2 - 4
        if beyond:
            side = 1 if check.deviation_mm > 0 else -1
            drawn.append(f'<path class="kf" d="M{middle:.1f} 16l{-8 * side} -6v12z"/>')
        else:
            drawn.append(f'<circle class="kf" cx="{middle:.1f}" cy="16" r="5"/>')
        printed, small = _in_print(check, unit), small_unit(unit)
        words = f"deviation {printed.deviation} {small} with U {printed.U} {small}"
        return _svg(_HEIGHT, f"{words}{self._limits_in_words(unit)}", "".join(drawn))

    def _limits_in_words(self, unit: str) -> str:
        shown = [printed_limit(limit, unit) for limit in self.limits_mm if limit is not None]
        return f", limits {' and '.join(shown)}" if shown else ""


def _short(number: str) -> str:
    """A round limit without the zeros behind its point."""
    return number.rstrip("0").rstrip(".") if "." in number else number


def _svg(height: int, label: str, inside: str) -> str:
    size = f'viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}"'
    return f'<svg {size} role="img" aria-label="{safe(label)}">{inside}</svg>'
