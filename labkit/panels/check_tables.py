"""Check shims as HTML: what the curve makes of known thicknesses, drawn against the limits, and the decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from labkit import format as text_of
from labkit.calibration.checks import Check
from labkit.panels.shell import State, mark
from labkit.panels.wording import head, quiet, row, safe, say, table
from labkit.sentences import SENTENCES
from labkit.units import small_unit

_STATES: Final[dict[str, State]] = {
    "pass": "ok",
    "conditional pass": "watch",
    "conditional fail": "watch",
    "fail": "stop",
}

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


def decision_sentence(check: Check) -> str:
    """What the outcome of a check shim means, as HTML; empty where nothing was decided."""
    decision = check.decision
    if decision is None:
        return ""
    said, to_do = say(decision.code), f"outcome.{decision.outcome}.hint"
    return f"{said} {say(to_do)}" if to_do in SENTENCES else said


def _checked(check: Check, scale: _Scale, unit: str) -> str:
    decision = check.decision
    small = small_unit(unit)
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
            ("r lk-num", f"<b>{text_of.small_length(check.deviation_mm, unit, signed=True, with_unit=False)}</b>"),
            ("r lk-num", text_of.expanded_length(check.U_mm, small, with_unit=False)),
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
            shown = _short(text_of.small_length(limit, unit, signed=True, with_unit=False))
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
        deviation = text_of.small_length(check.deviation_mm, unit, signed=True)
        U = text_of.expanded_length(check.U_mm, small_unit(unit))
        return _svg(_HEIGHT, f"deviation {deviation} with U {U}{self._limits_in_words(unit)}", "".join(drawn))

    def _limits_in_words(self, unit: str) -> str:
        shown = [text_of.small_length(limit, unit, signed=True) for limit in self.limits_mm if limit is not None]
        return f", limits {' and '.join(shown)}" if shown else ""


def _short(number: str) -> str:
    """A round limit without the zeros behind its point."""
    return number.rstrip("0").rstrip(".") if "." in number else number


def _svg(height: int, label: str, inside: str) -> str:
    size = f'viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}"'
    return f'<svg {size} role="img" aria-label="{safe(label)}">{inside}</svg>'
