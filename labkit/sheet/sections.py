"""What the calibration amounts to: result, check shims and plots, each from the record to blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from labkit import format as text_of
from labkit.language import in_figures, say
from labkit.messages import sentence
from labkit.metrology import Decision
from labkit.sheet.blocks import Column, Plot, Record, Run, Section, Table, Text, small, table, text
from labkit.sheet.decisions import in_print, limit_in_print, outcome_words, rests_on, rule_words
from labkit.sheet.numbers import capital, mm
from labkit.sheet.rounded import at_round_thicknesses, length_unit_of
from labkit.units import small_unit


def result(record: Record) -> Section:
    """What the calibration amounts to, in a sentence; then the results table."""
    found = record["results"]
    said = Text((Run(largest_u(record)), Run(checks_in_words(record), strong=True)))
    rows = found["table"]
    if not rows:
        return Section(say("Result"), (said,))
    raw = found["signal"] == "raw"
    unit = found["unit"]
    columns = [Column(say("Thickness, mm"), False, 0.9), Column(say("Indication, {unit}", unit=unit), True, 1)]
    columns += [] if raw else [Column(say("Correction, µm"), True, 1)]
    columns += [Column(say("U, µm"), True, 1), Column("k", True, 0.6)]
    tolerance = _half_width(record)
    columns += [Column(say("U as share of tolerance"), True, 1.2)] if tolerance else []
    body = []
    for row, printed in zip(rows, record["printed"]["table"], strict=True):
        indication = text_of.significant(row["indication"], 6) if raw else mm(row["indication"])
        line = [in_figures(printed["thickness"]), indication]
        line += [] if raw else [in_figures(printed["correction"])]
        line += [in_figures(printed["U"]), in_figures(printed["k"])]
        line += [f"{text_of.number(100 * row['U_mm'] / tolerance, 0)} %"] if tolerance else []
        body.append(line)
    note = say(
        "U is the expanded uncertainty of one corrected reading, coverage probability about 95 %, k from the effective "
        "degrees of freedom (JCGM 100:2008, G.4), rounded up to two significant digits."
    )
    correction = "" if raw else say("Add the correction to the indication.")
    return Section(say("Result"), (said, table(columns, body), small(correction, note)))


def largest_u(record: Record) -> str:
    """The largest U of the working range, as far as the points reach."""
    budget = record["results"]["budget"]
    if budget is None:
        return say("The curve cannot be used: it turns inside the range, so that one indication has two thicknesses.")
    (low, high), (first, last) = record["inputs"]["options"]["working_range_mm"], record["results"]["curve"]["range_mm"]
    low, high = max(low, first), min(high, last)
    return say(
        "From {low} mm to {high} mm a corrected reading is uncertain by at most {U} (k = {k}), reached at {at} mm.",
        low=mm(low, 3),
        high=mm(high, 3),
        U=in_figures(record["printed"]["largest_U"]),
        k=text_of.number(budget["k"], 2),
        at=mm(budget["at_mm"], 3),
    )


def checks_in_words(record: Record) -> str:
    """The gravest outcome of the check shims as a sentence."""
    found = record["results"]
    if not found["checks"]:
        return say("No check shim was read.")
    if found["verdict"] is None:
        return say("No tolerance is given, so nothing was decided.")
    names = ", ".join(check["point"] for check in found["checks"] if _outcome(check) == found["verdict"])
    gravest = next(check for check in found["checks"] if _outcome(check) == found["verdict"])
    outcome = say("Check shims: {outcome} ({names}).", outcome=outcome_words(found["verdict"]), names=names)
    return f"{outcome} {_in_words(gravest['decision'])}"


def residuals(record: Record, alt: str) -> Section:
    """The plots."""
    drawn = say("Points less the curve, in thickness; bars are U of the point (k = 2): its shim and its repeats.")
    band = say("The band is ± U of one corrected reading.") if record["results"]["fine_table"] else ""
    dashes = say("Dashes are the tolerance.") if record["inputs"]["options"]["tolerance_mm"] is not None else ""
    right = say("Right: the curve, with the working range shaded.")
    return Section(say("Points and curve"), (Plot(alt), small(drawn, band, dashes, right)))


def round_values(record: Record) -> Section | None:
    """The results at round thicknesses, in the unit of the gauge; None where the curve cannot be used."""
    rows = at_round_thicknesses(record)
    if not rows:
        return None
    raw, unit = record["results"]["signal"] == "raw", length_unit_of(record)
    small_one = small_unit(unit)
    columns = [
        Column(say("Thickness, {unit}", unit=unit), False, 0.9),
        Column(say("Indication, {unit}", unit=record["results"]["unit"] if raw else unit), True, 1),
        *([] if raw else [Column(say("Correction, {unit}", unit=small_one), True, 1)]),
        Column(say("U, {unit}", unit=small_one), True, 1),
        Column("k", True, 0.6),
    ]
    body = []
    for row in rows:
        shown = row.indication
        line = [text_of.length(row.thickness_mm, unit, with_unit=False)]
        line.append(text_of.significant(shown, 6) if raw else text_of.length(shown, unit, with_unit=False))
        off = text_of.small_length(row.thickness_mm - shown, unit, signed=True, with_unit=False)
        line += [] if raw else [off]
        line += [text_of.expanded_length(row.U_mm, small_one, with_unit=False), text_of.number(row.k, 2)]
        body.append(line)
    note = say("From the curve, as the results above; no shim was read there unless one has just this thickness.")
    return Section(say("Results at round values"), (table(columns, body), small(note)))


def checks(record: Record) -> Section:
    """Check shims and as found, with the decision rule and what came of it."""
    found = record["results"]
    blocks: list[Any] = []
    if found["checks"]:
        blocks.append(check_table(found["checks"], record["printed"]["checks"]))
    else:
        blocks.append(text(say("No check shim was read.")))
    decided = next((check["decision"] for check in found["checks"] + found["as_found"] if check["decision"]), None)
    if decided:
        meaning = say("Probability is that of a true deviation inside the limits. En = deviation/U.")
        blocks.append(small(rule_words(decided, limits(record)), meaning))
    blocks += rests_on(record)
    for check in found["checks"]:
        if check["in_fit"]:
            blocks.append(small(sentence("check.in_fit", {"shim": check["point"]})))
        elif check["shares_master"]:
            blocks.append(small(sentence("check.shares_master", {"shim": check["point"]})))
    return Section(say("Check shims"), tuple(blocks))


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
        say("As found"),
        (
            text(say("Read before anything was cleaned, zeroed or adjusted, with what was in force until then.")),
            check_table(found, printed),
        ),
    )


def limits(record: Record) -> str:
    """The tolerance in words."""
    found = record["inputs"]["options"]["tolerance_mm"]
    if found is None:
        return text_of.NOTHING
    if not isinstance(found, list | tuple):
        return f"±{limit_in_print(abs(found), signed=False)}"
    lower, upper = (None if each is None else limit_in_print(each) for each in found)
    if lower is None or upper is None:
        return say("not below {limit}", limit=lower) if upper is None else say("not above {limit}", limit=upper)
    return say("{low} to {high}", low=lower, high=upper)


def check_table(found: Sequence[Mapping[str, Any]], printed: Sequence[Mapping[str, str]]) -> Table:
    columns = [
        Column(say("Shim"), False, 0.7),
        Column(say("Reference, mm"), True, 1.1),
        Column(say("Corrected, mm"), True, 1.1),
        Column(say("Deviation, µm"), True, 1.1),
        Column(say("U, µm"), True, 0.6),
        Column("k", True, 0.6),
        Column("En", True, 0.6),
        Column(say("Probability"), True, 0.9),
        Column(say("Decision"), False, 1.3),
    ]
    rows = []
    for check, said in zip(found, printed, strict=True):
        decision = check["decision"]
        rows.append(
            [
                check["point"],
                in_figures(said["reference"]),
                in_figures(said["corrected"]),
                in_figures(said["deviation"]),
                in_figures(said["U"]),
                text_of.number(check["k"], 2),
                in_figures(said["E_n"]),
                text_of.probability(decision["probability"]) if decision else text_of.NOTHING,
                capital(outcome_words(decision["outcome"])) if decision else say("none: no tolerance"),
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
