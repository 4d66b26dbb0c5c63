"""Extra points as HTML: which shim next, what it brings, and where to stop."""

from __future__ import annotations

from typing import Final

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.curves.offers import WORTHWHILE, Candidate, NextPoints
from labkit.panels import wording
from labkit.panels.shell import mark
from labkit.panels.wording import head, quiet, row, safe, say, table
from labkit.units import small_unit

COLUMNS: Final = 8


def next_sentence(result: Calibration, unit: str = "mm") -> str:
    """
    The sentence that leads the section Extra points: the shim to read next, or why to stop.

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
    found = result.next_points
    if found is None:
        return f'<p class="lk-lead">{_not_ranked(result)}</p>'
    said = wording.said(found.reason, unit)
    if found.best is not None:
        opening, stop, rest = said.partition(". ")
        said = f"<b>{opening}.</b> {rest}" if stop else said
    whole = " ".join(each for each in (said, _second(result, found, unit), _whose_U(result, unit)) if each)
    return f'<p class="lk-lead">{whole}</p>'


def _whose_U(result: Calibration, unit: str) -> str:
    """That the foretold U is not that of the curve in use, where it is another than the flexible one."""
    if result.curve is result.uncertainty.flexible or result.budget is None:
        return ""
    return say("next.by_flexible", {"family": result.curve.family, "U_mm": result.budget.U_mm}, unit)


def _not_ranked(result: Calibration) -> str:
    flexible = result.uncertainty.flexible
    if flexible is None:
        count = len({point.x_mm for point in result.table.points})
        return say("result.one_point") if count == 1 else say("result.too_few_points", {"count": _word(count)})
    return say("result.not_ranked_turns" if not flexible.monotonic else "result.not_ranked")


def _word(count: int) -> str:
    return {0: "none", 2: "two"}.get(count, str(count))


def _second(result: Calibration, found: NextPoints, unit: str) -> str:
    """Whether the shim after the next reaches a target that the next alone does not."""
    target = result.options.target_u_mm
    if target is None or found.stop != "not reachable" or len(found.ranking) < 2:
        return ""
    first, second = found.ranking[:2]
    low, high = result.options.working_range_mm
    grid = [low + (high - low) * i / 60 for i in range(61)]
    then = result.expanded_with((first.name, second.name), grid)
    return say("result.second_reaches", {"shim": second.name}) if then is not None and then.max() <= target else ""


def next_table(result: Calibration, unit: str = "mm", reading: str = "") -> str:
    """
    The unread shims, the most useful first, with the line where another no longer helps.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    reading : str
        The shim that is being read.

    Returns
    -------
    str
        HTML; empty where there is nothing to rank, which `next_sentence` explains.
    """
    found = result.next_points
    if found is None or not found.ranking:
        return ""
    useful = _useful(found)
    body = []
    for i, each in enumerate(found.ranking):
        if i == useful:
            stop = _stop_words(result, found, unit)
            body.append(f'<tr class="lk-stopline"><td colspan="{COLUMNS}"><span>{stop}</span></td></tr>')
        body.append(_ranked(each, i + 1, i < useful, each is found.best, each.name == reading, unit))
    small = small_unit(unit)
    whose = "" if result.curve is result.uncertainty.flexible else "<br>flexible"
    heading = head(
        ("", "Rank"), ("", "Shim"), ("r", unit), ("r", f"Largest<br>U, {small}{whose}"),
        ("r", f"Mean<br>U, {small}{whose}"),
        ("r", f"Formulas<br>differ, {small}"), ("r", "Read-<br>ings"), ("", "Why"),
    )  # fmt: skip
    return table(heading, body)


def _useful(found: NextPoints) -> int:
    """How many shims stand above the line."""
    if found.stop in ("target reached", "no longer helps"):
        return 0
    if found.stop == "go on" and found.ranking[0].after <= 1.0 < found.ranking[0].before:
        return 1
    return sum(each.after <= each.before * (1 - WORTHWHILE) for each in found.ranking)


def _stop_words(result: Calibration, found: NextPoints, unit: str) -> str:
    target = result.options.target_u_mm
    reached = found.stop == "target reached" or (found.stop == "go on" and found.ranking[0].after <= 1.0)
    if target is not None and reached:
        return say("next.target_reached", {"target_mm": target}, unit).rstrip(".")
    return say("next.no_longer_helps").rstrip(".")


def _ranked(each: Candidate, rank: int, useful: bool, best: bool, reading: bool, unit: str) -> str:
    small = small_unit(unit)
    largest, mean = (
        " → ".join(text_of.expanded_length(U, small, with_unit=False) for U in pair)
        for pair in ((each.U_before_mm, each.U_after_mm), (each.mean_U_before_mm, each.mean_U_after_mm))
    )
    apart = "–" if each.spread_mm is None else text_of.small_length(each.spread_mm, unit, with_unit=False)
    why = wording.said(each.reason, unit)
    return row(
        [
            ("", str(rank)),
            ("lk-nw", f"<b>{safe(each.name)}</b>" if useful else safe(each.name)),
            ("r lk-num", text_of.length(each.x_mm, unit, with_unit=False)),
            ("r lk-num lk-nw", largest),
            ("r lk-num lk-nw", mean),
            ("r lk-num", apart),
            ("r lk-num", str(each.readings)),
            ("", f"{mark('part', 'Being read')}<small>{why}</small>") if reading else ("lk-small", why),
        ],
        "lk-sel-row" if reading or best else "" if useful else "lk-off",
    )


def repeats_advice(result: Calibration, unit: str = "mm") -> str:
    """
    How many more repeats would buy as much as the best new shim, and what the ranking takes for granted; empty where
    nothing is ranked.
    """
    found = result.next_points
    if found is None or not found.ranking:
        return ""
    bought = f"<p>{wording.said(found.repeats, unit)}</p>" if found.repeats is not None else ""
    return bought + quiet(say("result.ranked_for", {"repeats": result.table.repeats})) + at_temperature(result, unit)


def at_temperature(result: Calibration, unit: str = "mm") -> str:
    """Why a thickness is not the one of the certificate, under a table of thicknesses; empty where none shows that."""
    t = result.table.conditions.temperature_degC
    shims = list(result.readings.shims)
    if t is None or not shims:
        return ""
    moved = max(abs(shim.at(t) - shim.thickness_mm) for shim in shims)
    if all(text_of.length(shim.at(t), unit) == text_of.length(shim.thickness_mm, unit) for shim in shims):
        return ""
    return quiet(say("result.at_temperature", {"t": t, "moved_mm": moved}, unit))
