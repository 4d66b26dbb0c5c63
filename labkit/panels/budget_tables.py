"""What U is made of, as HTML: the sentence, the table, and what random draws say of it."""

from __future__ import annotations

import math

from labkit import format as text_of
from labkit.calibration.drawn import drawn_in_words
from labkit.calibration.result import Calibration
from labkit.messages import own_u
from labkit.metrology import BudgetLine
from labkit.panels.result_tables import PLACES
from labkit.panels.shell import message
from labkit.panels.wording import head, quiet, row, safe, say, table
from labkit.units import small_unit

MOST = 0.5
"""Of u²: the lines that make up this much of it are named in the sentence."""


def budget_sentence(result: Calibration, unit: str = "mm") -> str:
    """
    Where U is largest, what most of it comes from, and below what no U is stated.

    Parameters
    ----------
    result : Calibration
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    str
        HTML; a message where the curve turns and states no U.
    """
    budget = result.budget
    if budget is None:
        return message("stop", say("result.turns"))
    at = text_of.length(budget.at_mm, unit, decimals=PLACES[unit])
    names, held = [], 0.0
    for line, share in _sorted(result):
        if held >= MOST or share <= 0:
            break
        names.append(f"{_inside(line.name)} ({text_of.percent(share)})")
        held += share
    most = " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    said = [say("result.most_of_it", {"most": most})] if names else []
    smallest = result.table.conditions.smallest_U_mm
    if smallest is not None:
        said.append(say("result.raised", {"U_mm": smallest}, unit))
    heading = f"<h3>{say('result.budget_title', {'at': at})}</h3>"
    return heading + (f'<p class="lk-say">{" ".join(said)}</p>' if said else "")


def budget_table(result: Calibration, unit: str = "mm") -> str:
    """
    What U is made of where it is largest, the largest share first; empty where the curve turns.

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
    budget = result.budget
    if budget is None:
        return ""
    body = [
        row(
            [
                ("", safe(line.name)),
                ("lk-quiet", _how(line, unit)),
                ("r lk-num", safe(own_u(line.code, line.params) or _moved(line.u_mm, unit))),
                ("r lk-num", _moved(line.u_mm, unit)),
                ("r lk-num", safe(text_of.percent(share))),
            ]
        )
        for line, share in _sorted(result)
    ]
    together = say("result.together", {"k": budget.k, "u": _moved(budget.u_mm, unit)})
    body.append(
        row(
            [
                ("", "<b>Together</b>"),
                ("lk-quiet", together),
                ("", ""),
                ("r lk-num", f"<b>{_moved(budget.u_mm, unit)}</b>"),
                ("r lk-num", f"<b>U = {text_of.expanded_length(budget.U_mm, small_unit(unit))}</b>"),
            ]
        )
    )
    heading = head(
        ("", "What moves the reading"),
        ("", "How it is known"),
        ("r", "u"),
        ("r", "moves thickness by"),
        ("r", "share of u²"),
    )
    return table(heading, body)


def drawn_sentence(result: Calibration, unit: str = "mm") -> str:
    """
    What random draws of the whole measurement say of U; that they are on their way where they are.

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
    budget, found = result.budget, result.drawn
    if budget is None:
        return ""
    return quiet(say("result.drawing") if found is None else safe(drawn_in_words(found.to_dict(), unit)))


def _sorted(result: Calibration) -> list[tuple[BudgetLine, float]]:
    budget = result.budget
    assert budget is not None
    return sorted(zip(budget.lines, budget.shares(), strict=True), key=lambda each: -each[1])


def _inside(name: str) -> str:
    """A line's name within a sentence."""
    return name[:1].lower() + name[1:]


def _how(line: BudgetLine, unit: str) -> str:
    freedom = "" if math.isinf(line.dof) else f", {text_of.number(line.dof, 0)} degrees of freedom"
    return say(f"{line.code}.how", line.params, unit) + freedom


def _moved(value_mm: float, unit: str) -> str:
    return text_of.small_length(value_mm, unit, decimals=4 if small_unit(unit) == "mil" else 2)
