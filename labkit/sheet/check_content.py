"""From the record of a check to what its sheet says: one page, every number already text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from labkit import format as text_of
from labkit.messages import sentence
from labkit.metrology.conformity import rule_in_words
from labkit.problems import Reason
from labkit.sheet import evidence
from labkit.sheet.blocks import Fact, Items, Record, Run, Section, Sheet, Signature, Text, small, text
from labkit.sheet.content import (
    MARK,
    NOT_STATED,
    by_whom,
    conditions_words,
    moment,
    operators,
    part_words,
    party_lines,
    seal,
    shims_words,
    warm_up,
    when_read,
)
from labkit.sheet.numbers import day
from labkit.sheet.sections import check_table, limits

FILE: Final = "check.json"

_HANDLED: Final = {
    "subtract": "subtracted from the readings of the day",
    "inside": "subtracted by the gauge itself",
    "not shown": "the gauge shows no number",
}


def is_check(record: Record) -> bool:
    """Whether this is the record of a check, and not of a calibration."""
    return str(record.get("schema", "")).startswith("labkit.check/")


def title_of(record: Record, number: str) -> str:
    """What a signed sheet is called."""
    return f"Check record {number}" if is_check(record) else f"Calibration certificate {number}"


def check_content(
    record: Record, *, number: str | None = None, ledger_head: tuple[int, str] | None = None, signed: bool = False
) -> Sheet:
    """
    What the sheet of a check says.

    Parameters
    ----------
    record : mapping
        As `labkit.Check.to_dict` gives it.
    number, ledger_head, signed
        As for `labkit.sheet.content.content`.

    Returns
    -------
    Sheet
    """
    about = record["inputs"]["about"]
    rig = about["rig"]["name"] or "Rig not named"
    name = title_of(record, number) if signed and number else "Check record"
    laboratory = about["laboratory"]
    return Sheet(
        title=name,
        header=name if signed else f"Draft, {rig}, {moment(record['created'], record['zone'])}",
        footer=f"Record {record['id']}, labkit {record['labkit']}",
        mark="" if signed else MARK,
        number=number or "" if signed else "",
        description=f"Check of {rig}, with its readings, its results and its calibration attached as data",
        author=", ".join(each for each in (laboratory["name"], laboratory["department"]) if each),
        laboratory=party_lines(laboratory),
        customer=party_lines(about["customer"]),
        facts=tuple(_facts(record)),
        signature=Signature(
            label="Checked by" if signed else "Not signed",
            below=operators(record),
            note=(
                "The signature in this file names the signer and shows any change made after it. "
                f"{seal(ledger_head)}".strip()
                if signed
                else "A draft has no number and proves nothing. The number is given when it is signed."
            ),
        ),
        sections=tuple(_sections(record)),
        file=FILE,
        holds="Readings, conditions and results of this check as data, with the record of its calibration",
    )


def _facts(record: Record) -> Iterator[Fact]:
    about, found, options = record["inputs"]["about"], record["results"], record["inputs"]["options"]
    held = record["inputs"]["calibration"]
    yield Fact("Rig", about["rig"]["name"] or NOT_STATED)
    parts = [part_words(about["rig"][part]) for part in ("gauge", "probe", "tip", "target")]
    yield Fact("Parts", "; ".join(each for each in parts if each != NOT_STATED) or NOT_STATED)
    relied = f", relied upon to {day(options['due'])}" if options["due"] else ""
    then = moment(held["record"]["created"], record["zone"])
    yield Fact("Leans on", f"{_certificate(held['number'])}, {then}{relied}")
    yield Fact("Read", ", ".join(each for each in (when_read(record), about["place"], by_whom(record)) if each))
    yield Fact("Conditions", conditions_words(about, warm_up(record)))
    yield Fact("Check shims", shims_words(record).partition(";")[0])
    yield Fact("Background", _background(found))
    yield Fact("Contact zero", _zero(found))
    if options["again"]:
        yield Fact("Repeats", f"check {options['again']}")


def _certificate(number: str) -> str:
    return f"calibration certificate {number}" if number else "a calibration without a number"


def _background(found: Record) -> str:
    background = found["background"]
    unit = found["unit"]
    if background["now"] is None:
        return _HANDLED[background["handled"]].capitalize()
    said = f"{text_of.significant(background['now'], 5)} {unit}, {_HANDLED[background['handled']]}"
    if background["moved"] is not None:
        moved = text_of.significant(background["moved"], 2)
        said += f"; moved by {moved if background['moved'] < 0 else f'+{moved}'} {unit} since the calibration"
    if background["limit"] is not None:
        said += f", limit {text_of.significant(background['limit'], 2)} {unit}"
    return said


def _zero(found: Record) -> str:
    zero = found["zero"]
    if zero is None:
        return "Not compared"
    shift = text_of.length(zero["shift_mm"], "µm", signed=True, with_unit=False)
    return f"Moved by {shift} µm in thickness since the calibration, U {text_of.expanded_length(zero['U_mm'])}"


def _sections(record: Record) -> Iterator[Section]:
    yield Section("Outcome", (_outcome(record),))
    yield _shims(record)
    yield evidence.readings(record)
    yield evidence.cautions(record)
    yield Section("Notes", (Items(tuple(_notes(record))),))


def _outcome(record: Record) -> Text:
    found = record["results"]
    said = [str(Reason.from_dict(each)) for each in (*found["missing"], *found["reasons"])]
    outcome = record["printed"]["outcome"] if found["verdict"] else "No outcome yet."
    return Text((Run(outcome, strong=True), Run(" ".join(said))))


def _shims(record: Record) -> Section:
    found = record["results"]
    if not found["checks"]:
        return Section("Check shims", (text("No check shim was read."),))
    blocks: list[Any] = [check_table(found["checks"], record["printed"]["checks"])]
    decided = next((check["decision"] for check in found["checks"] if check["decision"]), None)
    if decided:
        rule = rule_in_words(decided["rule"], decided["outcomes"], decided.get("risk"))
        blocks.append(
            small(
                f"Decision rule: {rule} Limits: {limits(record)}. The decision uses the mean of all readings, "
                "unrounded.",
                "U is that of the deviation: curve, check shim and reading together. En = deviation/U.",
            )
        )
    return Section("Check shims", tuple(blocks))


def _notes(record: Record) -> Iterator[str]:
    yield from (each for each in record["inputs"]["about"]["remarks"] if each)
    yield "The outcome holds for this rig as it was when it was read, for no other combination of its parts."
    yield (
        f"This file holds the readings, the results and the record of the calibration as data ({FILE}); labkit verify "
        "says who signed it, and computes it again."
    )
    yield sentence("safety.rules")
