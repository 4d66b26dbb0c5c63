"""What the decisions on the check shims rest on, from the record to blocks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from labkit import format as text_of
from labkit.calibration.in_print import PrintedCheck, printed_check, printed_limit
from labkit.language import in_figures, noted, say, speaking
from labkit.messages import sentence
from labkit.metrology import Decision
from labkit.metrology.conformity import rule_in_words
from labkit.metrology.risk import Process, capability_index, global_risk, uncertainty_ratio
from labkit.sheet.blocks import Block, Column, Record, small, table

_OUTCOMES: Final = {
    "pass": noted("pass"),
    "conditional pass": noted("conditional pass"),
    "conditional fail": noted("conditional fail"),
    "fail": noted("fail"),
}


def outcome_words(outcome: str) -> str:
    """What a decision amounts to, within a sentence."""
    return say(_OUTCOMES[outcome])


def rule_words(decision: Mapping[str, Any], limits: str) -> str:
    """The decision rule, with the limits."""
    rule = rule_in_words(decision["rule"], decision["outcomes"], decision.get("risk"))
    named = {name: in_figures(value) for name, value in rule.params.items()}
    return say(
        "Decision rule: {rule} Limits: {limits}. The decision uses the mean of all readings, unrounded.",
        rule=sentence(rule.code, named),
        limits=limits,
    )


def in_print(check: Mapping[str, Any]) -> PrintedCheck:
    """The numbers of a decision in µm, with the digits that it needs."""
    lower, upper = check["limits_mm"]
    decision = check["decision"]
    with speaking("en"):  # the digits are found by reading the printed number again
        found = printed_check(
            check["deviation_mm"], check["U_mm"], (lower, upper), Decision(**decision) if decision else None
        )
    return PrintedCheck(in_figures(found.deviation), in_figures(found.U), in_figures(found.guard_band))


def limit_in_print(limit_mm: float, *, signed: bool = True) -> str:
    """A limit in µm, with all its digits."""
    with speaking("en"):
        found = printed_limit(limit_mm, signed=signed)
    return in_figures(found)


def rests_on(record: Record) -> list[Block]:
    """
    Guard band, risk and indices of each check shim, and the global risks where a process is stated.

    Parameters
    ----------
    record : mapping

    Returns
    -------
    list of Block
        Empty where nothing was decided.
    """
    decided = [check for check in record["results"]["checks"] if check["decision"]]
    if not decided:
        return []
    two_sided = None not in decided[0]["limits_mm"]
    process = record["inputs"]["options"].get("process_mm")
    columns = [
        Column(say("Shim"), False, 0.7),
        Column(say("Guard band w, µm"), True, 1),
        Column(say("Decision is wrong"), True, 1),
    ]
    columns += [Column("Cm", True, 0.6), Column("TUR", True, 0.6)] if two_sided else []
    if process:
        columns += [Column(say("Outside, passes"), True, 1), Column(say("Inside, does not pass"), True, 1)]
    rows = []
    for check in decided:
        row = [check["point"], in_print(check).guard_band]
        row.append(text_of.probability(Decision(**check["decision"]).specific_risk))
        if two_sided:
            limits = tuple(check["limits_mm"])
            row.append(text_of.number(capability_index(check["u_mm"], limits), 1))
            row.append(text_of.number(uncertainty_ratio(check["U_mm"], limits), 1))
        row += _global(check, Process(*process)) if process else []
        rows.append(row)
    said = [say("“Decision is wrong” is the specific risk: the probability that the true deviation says the opposite.")]
    said += [sentence("check.ratio")] if two_sided else []
    if process:
        params = {"mean_mm": process[0], "sd_mm": process[1]}
        said.append(sentence("check.process", params))
    return [table(columns, rows), small(*said)]


def _global(check: Mapping[str, Any], process: Process) -> list[str]:
    dof = check.get("dof")
    known_from = math.inf if dof is None else dof
    w = check["decision"]["guard_band_mm"]
    found = global_risk(tuple(check["limits_mm"]), w, check["u_mm"], process, known_from)
    return [text_of.probability(found.consumer), text_of.probability(found.producer)]
