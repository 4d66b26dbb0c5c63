"""Extra points as HTML: which shim next, what it brings, and where to stop."""

from __future__ import annotations

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.curves.next_point import WORTHWHILE, Candidate, NextPoints
from labkit.panels import wording
from labkit.panels.shell import mark
from labkit.panels.wording import head, quiet, row, safe, say, table
from labkit.units import small_unit


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
    second = _second(result, found, unit)
    return f'<p class="lk-lead">{said}{" " + second if second else ""}</p>'


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
            body.append(
                f'<tr class="lk-stopline"><td colspan="5"><span>{_stop_words(result, found, unit)}</span></td></tr>'
            )
        body.append(_ranked(each, i + 1, i < useful, each is found.best, each.name == reading, unit))
    heading = head(("", "Rank"), ("", "Shim"), ("r", unit), ("r", f"Largest<br>U, {small_unit(unit)}"), ("", "Why"))
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
    now, then = (text_of.expanded_length(U, small, with_unit=False) for U in (each.U_before_mm, each.U_after_mm))
    why = wording.said(each.reason, unit)
    return row(
        [
            ("", str(rank)),
            ("lk-nw", f"<b>{safe(each.name)}</b>" if useful else safe(each.name)),
            ("r lk-num", text_of.length(each.x_mm, unit, with_unit=False)),
            ("r lk-num", f"{now} → {then}"),
            ("", f"{mark('part', 'Being read')}<small>{why}</small>") if reading else ("lk-small", why),
        ],
        "lk-sel-row" if reading or best else "" if useful else "lk-off",
    )


def repeats_advice(result: Calibration) -> str:
    """What the ranking takes for granted: how often each shim would be read; empty where nothing is ranked."""
    if result.next_points is None or not result.next_points.ranking:
        return ""
    return quiet(say("result.ranked_for", {"repeats": result.table.repeats}))
