"""A calibration as HTML: why this curve, the curves side by side, what U is made of, what is doubtful."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.curves import families
from labkit.curves.compare import Row
from labkit.messages import family_label
from labkit.panels import wording
from labkit.panels.shell import State, mark, message
from labkit.panels.wording import head, quiet, row, safe, say, table
from labkit.units import from_mm, small_unit, to_mm

_VERDICTS: Final[dict[str, tuple[State, str]]] = {
    "recommended": ("ok", "Recommended"),
    "possible": ("idle", "Possible"),
    "too few points": ("watch", "Too few points"),
    "does not fit": ("stop", "Does not fit"),
    "turns": ("stop", "Turns"),
    "departs": ("stop", "Departs"),
}

_PALE: Final = ("does not fit", "turns", "departs")
"""Verdicts whose U means nothing."""

PLACES: Final = {"mm": 2, "µm": 0, "in": 4, "mil": 1}
"""Decimals of a thickness at which U is stated: it says where, and is no measured value."""

_MANY: Final = 1000
"""Beyond this χ²/ν and the criterion say only that a curve does not fit."""


# ---- which curve ----


def say_recommendation(result: Calibration, unit: str = "mm") -> str:
    """
    The sentence that leads the section Curve: which curve, and why.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    str
        HTML.
    """
    comparison, options = result.comparison, result.options
    sentences = []
    if options.family not in ("auto", comparison.recommended):
        if options.reason:
            said = wording.opening_in_bold(wording.said(result.reason, unit))
            sentences.append(said if said.endswith((".", "!", "?")) else f"{said}.")
        else:
            sentences.append(wording.opening_in_bold(say("result.no_reason", {"family": result.curve.family}, unit)))
        sentences.append(wording.said(comparison.reason, unit))
    else:
        sentences.append(wording.opening_in_bold(wording.said(comparison.reason, unit)))
    if result.stability is not None:
        sentences.append(wording.said(result.stability, unit))
    sentences += [
        f"{wording.said(each, unit)} <b>{wording.hint(each, unit)}</b>"
        for each in result.cautions
        if each.code == "curve.none_fits"
    ]
    if not result.usable:
        sentences.append(say("result.turns"))
    return f'<p class="lk-say lk-lead">{" ".join(sentences)}</p>'


def comparison_table(result: Calibration, unit: str = "mm") -> str:
    """
    The curves side by side, the chosen one marked; under the table those that were left out, with the reasons.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    str
        HTML.
    """
    small = small_unit(unit)
    with_tolerance = result.options.tolerance_mm is not None
    way = "Rises" if result.curve.direction > 0 else "Falls"
    heading = head(
        ("", "Curve"),
        ("r lk-opt", "Parameters"),
        ("r", "χ²/ν"),
        ("r", result.comparison.criterion),
        ("r", f"Error at a shim<br>not used, {small}"),
        ("r", f"Largest<br>residual, {small}"),
        *([("r lk-opt", "of the<br>tolerance")] if with_tolerance else []),
        ("", f"{way}<br>throughout"),
        ("r", f"Largest<br>U, {small}"),
        ("", "Verdict"),
    )
    shown = [each for each in result.comparison.rows if each.curve is not None]
    body = [_compared(each, result, unit, with_tolerance) for each in shown]
    left_out = _left_out(result)
    return table(heading, body) + (quiet(left_out) if left_out else "")


def _compared(found: Row, result: Calibration, unit: str, with_tolerance: bool) -> str:
    chosen = found.family == result.curve.family
    name = safe(family_label(found.family))
    state, words = _VERDICTS[found.verdict]
    verdict = mark(state, words)
    remark = " ".join(
        each for each in ("no U" if _states_no_u(found) else "", "chosen" if _against(chosen, found) else "") if each
    )
    largest = text_of.expanded_length(found.largest_U_mm, small_unit(unit), with_unit=False)
    names = "lk-sel-row" if chosen else "lk-off" if found.verdict not in ("recommended", "possible") else ""
    return row(
        [
            ("", f"<b>{name}</b>" if chosen else name),
            ("r lk-num lk-opt", _parameters(found)),
            ("r lk-num", _ratio(found.chi2_per_dof)),
            ("r lk-num", _criterion(found.criterion)),
            ("r lk-num", wording.error(found.left_out_error_mm, unit)),
            ("r lk-num", wording.error(found.largest_residual_mm, unit)),
            *([("r lk-num lk-opt", wording.share(found.share_of_tolerance))] if with_tolerance else []),
            ("", "yes" if found.monotonic else "no"),
            ("r lk-num", f'<span class="lk-pale">{largest}</span>' if found.verdict in _PALE else largest),
            ("lk-nw", verdict + (f'<span class="lk-small lk-quiet">, {remark}</span>' if remark else "")),
        ],
        names,
    )


def _states_no_u(found: Row) -> bool:
    return bool(found.monotonic) and found.largest_U_mm is None


def _against(chosen: bool, found: Row) -> bool:
    return chosen and found.verdict != "recommended"


def _parameters(found: Row) -> str:
    effective = found.family in ("flexible", "smoothing-spline")
    return text_of.number(found.parameters, 1 if effective else 0) + (" (effective)" if effective else "")


def _ratio(value: float | None) -> str:
    return f"&gt; {_MANY}" if value is not None and value > _MANY else text_of.number(value, 1)


def _criterion(value: float | None) -> str:
    return text_of.number(value, 1 if abs(value or 0.0) < _MANY else 0)


def _left_out(result: Calibration) -> str:
    """One sentence a reason, over the families that have no row."""
    found = [each for each in result.comparison.rows if each.curve is None]
    more, sentences = [], []
    for each in found:
        assert each.why_not is not None
        if each.why_not.code == "curve.too_few_points":
            more.append(f"{family_label(each.family)} ({each.why_not.params['needed']})")
        else:
            why = {"family": each.family, "why": str(each.why_not)}
            sentences.append(say("result.left_out", why))
    if more:
        sentences.insert(0, say("result.need_more", {"families": more}))
    considered = {each.family for each in result.comparison.rows}
    other = [family_label(form.name) for form in families() if form.name not in considered]
    if other:
        sentences.append(say("result.other_signal", {"families": other}))
    return " ".join(sentences)


# ---- the chosen curve ----


def parameters_fold(result: Calibration, unit: str = "mm") -> str:
    """
    What the chosen curve consists of, folded away.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`; parameters are always those of lengths in mm.

    Returns
    -------
    str
        HTML.
    """
    curve = result.curve
    through_points = curve.form.kind == "through-points"
    if curve.family == "flexible":
        inside = quiet(_flexible_in_words(result, unit))
    elif through_points:
        inside = quiet(say("result.through_points"))
    elif not curve.parameters:
        params = {"spent": curve.effective_parameters, "points": len(curve.points.x)}
        inside = quiet(say("result.no_formula", params))
    else:
        inside = _parameter_table(result)
    if (test := result.lack_of_fit) is not None:
        inside += quiet(say("result.lack_of_fit", test.to_dict(), unit))
    label = safe(family_label(curve.family))
    return f'<details class="lk-fold"><summary>Parameters <span>{label}</span></summary>{inside}</details>'


def _parameter_table(result: Calibration) -> str:
    curve = result.curve
    errors = curve.standard_errors
    body = [
        row(
            [
                ("", _subscript(name)),
                ("r lk-num", text_of.significant(value, 7)),
                ("r lk-num", text_of.significant(errors.get(name), 3)),
            ]
        )
        for name, value in curve.parameters.items()
    ]
    heading = head(("", "Parameter"), ("r", "Value"), ("r", "Standard uncertainty"))
    if result.readings.signal == "thickness":
        y = say("result.y_error")
    else:
        code = "result.y_log" if curve.family.startswith("log-polynomial-") else "result.y_raw"
        y = say(code, {"unit": result.readings.unit})
    return table(heading, body) + quiet(f"{y} {say('result.correlated')}")


def _subscript(name: str) -> str:
    """b2 as b₂."""
    letter, digits = name.rstrip("0123456789"), name[len(name.rstrip("0123456789")) :]
    return f"{safe(letter)}<sub>{digits}</sub>" if letter and digits else safe(name)


def _flexible_in_words(result: Calibration, unit: str) -> str:
    curve = result.uncertainty.flexible
    assert curve is not None
    part = curve.components
    amplitude = math.exp(float(part.weight @ np.log(part.amplitude)))
    params = {
        "degree": curve.degree,
        "L": f"{text_of.significant(from_mm(curve.L, unit), 3)} {unit}",
        "points": len(curve.points.x),
        "spent": curve.effective_parameters,
    }
    if result.readings.signal == "thickness":
        shown = f"{wording.error(amplitude, unit)} {small_unit(unit)}"
    else:
        shown = f"{text_of.significant(100 * amplitude, 2)} % of the signal"
    about = {"amplitude": shown, "length": math.exp(float(part.weight @ np.log(part.length)))}
    return f"{say('result.flexible', params, unit)} {say('result.departure', about, unit)}"


# ---- U ----


def strip_cells(result: Calibration, unit: str = "mm") -> list[tuple[str, str]]:
    """
    U at three thicknesses of the working range, as far as the points reach, for `labkit.panels.shell.say_strip`.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    list of (str, str)
        What it is, as text, and what it says, as HTML.
    """
    places = PLACES[unit]
    at = strip_thicknesses(result.covered_mm, unit)
    U = result.expanded(np.array(at))[0] if result.usable else [None] * len(at)
    small = small_unit(unit)
    cells = []
    for thickness, value in zip(at, U, strict=True):
        shown = text_of.expanded_length(None if value is None else float(value), small, with_unit=False)
        unit_shown = "" if shown == text_of.NOTHING else f' <span class="lk-unit">{small}</span>'
        cells.append((f"U at {text_of.length(thickness, unit, decimals=places)}", shown + unit_shown))
    return cells


def strip_thicknesses(range_mm: tuple[float, float], unit: str) -> tuple[float, float, float]:
    """The ends of a range and a round number between them, nearer to the thin end [mm]."""
    low, high = range_mm
    middle = math.sqrt(low * high) if low > 0 else high / 3
    shown = from_mm(middle, unit)
    power = 10.0 ** math.floor(math.log10(shown))
    round_ones = [to_mm(step * power, unit) for step in (1, 2, 5, 10)]
    inside = [each for each in round_ones if low < each < high]
    return low, min(inside, key=lambda each: abs(math.log(each / middle)), default=middle), high


# ---- doubts ----


def cautions_list(result: Calibration, unit: str = "mm", without: Sequence[str] = ()) -> str:
    """
    Every doubt that the result carries, each with its remedy.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    without : sequence of str
        Codes that are shown elsewhere.

    Returns
    -------
    str
        HTML; a sentence where there is none at all, nothing where all are shown elsewhere.
    """
    found = [each for each in result.cautions if each.code not in without]
    if not found:
        return "" if result.cautions else quiet(say("result.no_cautions"))
    said = []
    for each in found:
        remedy = wording.hint(each, unit)
        said.append(message("watch", wording.said(each, unit) + (f" <b>{remedy}</b>" if remedy else "")))
    return f'<div class="lk-doubts">{"".join(said)}</div>'
