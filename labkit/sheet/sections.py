"""What the calibration amounts to: result, check shims and plots, each from the record to blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from labkit import format as text_of
from labkit.calibration.in_print import printed_limit
from labkit.messages import sentence
from labkit.metrology import Decision
from labkit.metrology.conformity import rule_in_words
from labkit.sheet.blocks import Column, Plot, Record, Run, Section, Table, Text, small, table, text
from labkit.sheet.decisions import in_print, rests_on
from labkit.sheet.numbers import mm


def result(record: Record) -> Section:
    """What the calibration amounts to, in a sentence; then the results table."""
    found = record["results"]
    said = Text((Run(largest_u(record)), Run(checks_in_words(record), strong=True)))
    rows = found["table"]
    if not rows:
        return Section("Result", (said,))
    raw = found["signal"] == "raw"
    unit = found["unit"]
    columns = [Column("Thickness, mm", False, 0.9), Column(f"Indication, {unit}", True, 1)]
    columns += [] if raw else [Column("Correction, µm", True, 1)]
    columns += [Column("U, µm", True, 1), Column("k", True, 0.6)]
    tolerance = _half_width(record)
    columns += [Column("U as share of tolerance", True, 1.2)] if tolerance else []
    body = []
    for row, printed in zip(rows, record["printed"]["table"], strict=True):
        indication = text_of.significant(row["indication"], 6) if raw else mm(row["indication"])
        line = [printed["thickness"], indication]
        line += [] if raw else [printed["correction"]]
        line += [printed["U"], printed["k"]]
        line += [f"{text_of.number(100 * row['U_mm'] / tolerance, 0)} %"] if tolerance else []
        body.append(line)
    note = (
        "U is the expanded uncertainty of one corrected reading, coverage probability about 95 %, k from the effective "
        "degrees of freedom (JCGM 100:2008, G.4), rounded up to two significant digits."
    )
    correction = "" if raw else "Add the correction to the indication."
    return Section("Result", (said, table(columns, body), small(correction, note)))


def largest_u(record: Record) -> str:
    """The largest U of the working range, as far as the points reach."""
    budget = record["results"]["budget"]
    if budget is None:
        return "The curve cannot be used: it turns inside the range, so that one indication has two thicknesses."
    (low, high), (first, last) = record["inputs"]["options"]["working_range_mm"], record["results"]["curve"]["range_mm"]
    low, high = max(low, first), min(high, last)
    return (
        f"From {mm(low, 3)} mm to {mm(high, 3)} mm a corrected reading is uncertain by at most "
        f"{record['printed']['largest_U']} (k = {text_of.number(budget['k'], 2)}), reached at "
        f"{mm(budget['at_mm'], 3)} mm."
    )


def checks_in_words(record: Record) -> str:
    """The gravest outcome of the check shims as a sentence."""
    found = record["results"]
    if not found["checks"]:
        return "No check shim was read."
    if found["verdict"] is None:
        return "No tolerance is given, so nothing was decided."
    names = ", ".join(check["point"] for check in found["checks"] if _outcome(check) == found["verdict"])
    gravest = next(check for check in found["checks"] if _outcome(check) == found["verdict"])
    return f"Check shims: {found['verdict']} ({names}). {_in_words(gravest['decision'])}"


def residuals(record: Record, alt: str) -> Section:
    """The plots."""
    drawn = "Points less the curve, in thickness; bars are U of the point (k = 2): its shim and its repeats."
    band = "The band is ± U of one corrected reading." if record["results"]["fine_table"] else ""
    dashes = "Dashes are the tolerance." if record["inputs"]["options"]["tolerance_mm"] is not None else ""
    right = "Right: the curve, with the working range shaded."
    return Section("Points and curve", (Plot(alt), small(drawn, band, dashes, right)))


def checks(record: Record) -> Section:
    """Check shims and as found, with the decision rule and what came of it."""
    found = record["results"]
    blocks: list[Any] = []
    if found["checks"]:
        blocks.append(check_table(found["checks"], record["printed"]["checks"]))
    else:
        blocks.append(text("No check shim was read."))
    decided = next((check["decision"] for check in found["checks"] + found["as_found"] if check["decision"]), None)
    if decided:
        rule = rule_in_words(decided["rule"], decided["outcomes"], decided.get("risk"))
        blocks.append(
            small(
                f"Decision rule: {rule} Limits: {limits(record)}. The decision uses the mean of all readings, "
                "unrounded.",
                "Probability is that of a true deviation inside the limits. En = deviation/U.",
            )
        )
    blocks += rests_on(record)
    for check in found["checks"]:
        if check["in_fit"]:
            blocks.append(small(sentence("check.in_fit", {"shim": check["point"]})))
        elif check["shares_master"]:
            blocks.append(small(sentence("check.shares_master", {"shim": check["point"]})))
    return Section("Check shims", tuple(blocks))


def as_found(record: Record) -> Section | None:
    """The check shims before anything was cleaned, zeroed or adjusted; None where they were not read."""
    found = record["results"]["as_found"]
    if not found:
        return None
    printed = [
        {
            "reference": mm(check["reference_mm"]),
            "corrected": mm(check["corrected_mm"]),
            "deviation": numbers.deviation,
            "U": numbers.U,
            "E_n": text_of.number(check["e_n"], 2, signed=True),
        }
        for check in found
        for numbers in [in_print(check)]
    ]
    return Section(
        "As found",
        (
            text("Read before anything was cleaned, zeroed or adjusted, with what was in force until then."),
            check_table(found, printed),
        ),
    )


def limits(record: Record) -> str:
    """The tolerance in words."""
    found = record["inputs"]["options"]["tolerance_mm"]
    if found is None:
        return text_of.NOTHING
    if not isinstance(found, list | tuple):
        return f"±{printed_limit(abs(found), signed=False)}"
    lower, upper = (None if each is None else printed_limit(each) for each in found)
    if lower is None or upper is None:
        return f"not below {lower}" if upper is None else f"not above {upper}"
    return f"{lower} to {upper}"


def check_table(found: Sequence[Mapping[str, Any]], printed: Sequence[Mapping[str, str]]) -> Table:
    columns = [
        Column("Shim", False, 0.7),
        Column("Reference, mm", True, 1.1),
        Column("Corrected, mm", True, 1.1),
        Column("Deviation, µm", True, 1.1),
        Column("U, µm", True, 0.6),
        Column("k", True, 0.6),
        Column("En", True, 0.6),
        Column("Probability", True, 0.9),
        Column("Decision", False, 1.3),
    ]
    rows = []
    for check, said in zip(found, printed, strict=True):
        decision = check["decision"]
        rows.append(
            [
                check["point"],
                said["reference"],
                said["corrected"],
                said["deviation"],
                said["U"],
                text_of.number(check["k"], 2),
                said["E_n"],
                text_of.probability(decision["probability"]) if decision else text_of.NOTHING,
                decision["outcome"].capitalize() if decision else "none: no tolerance",
            ]
        )
    return table(columns, rows)


def _in_words(decision: Mapping[str, Any]) -> str:
    return sentence(Decision(**decision).code)


def _outcome(check: Mapping[str, Any]) -> str | None:
    return check["decision"]["outcome"] if check["decision"] else None


def _half_width(record: Record) -> float | None:
    found = record["inputs"]["options"]["tolerance_mm"]
    return abs(found) if isinstance(found, int | float) else None
