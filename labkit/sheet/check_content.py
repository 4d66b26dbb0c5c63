"""From the record of a check to what its sheet says: one page, every number already text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from labkit import format as text_of
from labkit.check.result import OUTCOME_CODES
from labkit.language import in_its_language, noted, say
from labkit.messages import sentence
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
    shims_words,
    warm_up,
    when_read,
)
from labkit.sheet.decisions import rule_words
from labkit.sheet.numbers import capital, day
from labkit.sheet.qr import in_words
from labkit.sheet.sections import check_table, limits
from labkit.sheet.statements import seal

FILE: Final = "check.json"

_HANDLED: Final = {
    "subtract": noted("subtracted from the readings of the day"),
    "inside": noted("subtracted by the gauge itself"),
    "not shown": noted("the gauge shows no number"),
}


def is_check(record: Record) -> bool:
    """Whether this is the record of a check, and not of a calibration."""
    return str(record.get("schema", "")).startswith("labkit.check/")


@in_its_language
def title_of(record: Record, number: str) -> str:
    """What a signed sheet is called."""
    if is_check(record):
        return say("Check record {number}", number=number)
    return say("Calibration certificate {number}", number=number)


@in_its_language
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
    rig = about["rig"]["name"] or say("Rig not named")
    name = title_of(record, number) if signed and number else say("Check record")
    laboratory = about["laboratory"]
    return Sheet(
        title=name,
        header=name if signed else say("Draft, {rig}, {made}", rig=rig, made=moment(record["created"], record["zone"])),
        footer=say("Record {id}, labkit {version}", id=record["id"], version=record["labkit"]),
        mark="" if signed else say(MARK),
        number=number or "" if signed else "",
        description=say("Check of {rig}, with its readings, its results and its calibration attached as data", rig=rig),
        author=", ".join(each for each in (laboratory["name"], laboratory["department"]) if each),
        laboratory=party_lines(laboratory),
        customer=party_lines(about["customer"]),
        facts=tuple(_facts(record)),
        signature=Signature(
            label=say("Checked by") if signed else say("Not signed"),
            below=operators(record),
            note=(
                " ".join(
                    each
                    for each in (
                        say("The signature in this file names the signer and shows any change made after it."),
                        seal(ledger_head) if ledger_head is not None else "",
                    )
                    if each
                )
                if signed
                else say("A draft has no number and proves nothing. The number is given when it is signed.")
            ),
        ),
        sections=tuple(_sections(record)),
        ending=say("End of check record {number}", number=number) if signed and number else say("End of the draft"),
        qr=in_words(number) if signed and number else "",
        file=FILE,
        holds=say("Readings, conditions and results of this check as data, with the record of its calibration"),
    )


def _facts(record: Record) -> Iterator[Fact]:
    about, found, options = record["inputs"]["about"], record["results"], record["inputs"]["options"]
    held = record["inputs"]["calibration"]
    yield Fact(say("Rig"), about["rig"]["name"] or say(NOT_STATED))
    parts = [part_words(about["rig"][part]) for part in ("gauge", "probe", "tip", "target")]
    yield Fact(say("Parts"), "; ".join(each for each in parts if each != say(NOT_STATED)) or say(NOT_STATED))
    leans = [_certificate(held["number"]), moment(held["record"]["created"], record["zone"])]
    leans += [say("relied upon to {day}", day=day(options["due"]))] if options["due"] else []
    yield Fact(say("Leans on"), ", ".join(leans))
    yield Fact(say("Read"), ", ".join(each for each in (when_read(record), about["place"], by_whom(record)) if each))
    yield Fact(say("Conditions"), conditions_words(about, warm_up(record)))
    yield Fact(say("Check shims"), shims_words(record))
    yield Fact(say("Background"), _background(found))
    yield Fact(say("Contact zero"), _zero(found))
    if options["again"]:
        yield Fact(say("Repeats"), say("check {number}", number=options["again"]))


def _certificate(number: str) -> str:
    if not number:
        return say("a calibration without a number")
    return say("calibration certificate {number}", number=number)


def _background(found: Record) -> str:
    background = found["background"]
    unit = found["unit"]
    if background["now"] is None:
        return capital(say(_HANDLED[background["handled"]]))
    now = f"{text_of.significant(background['now'], 5)} {unit}, {say(_HANDLED[background['handled']])}"
    since = []
    if background["moved"] is not None:
        moved = text_of.significant(background["moved"], 2)
        signed = moved if background["moved"] < 0 else f"+{moved}"
        since.append(say("moved by {difference} since the calibration", difference=f"{signed} {unit}"))
    if background["limit"] is not None:
        since.append(say("limit {limit}", limit=f"{text_of.significant(background['limit'], 2)} {unit}"))
    before = "; " if background["moved"] is not None else ", "
    return before.join((now, ", ".join(since))) if since else now


def _zero(found: Record) -> str:
    zero = found["zero"]
    if zero is None:
        return say("Not compared")
    shift = text_of.length(zero["shift_mm"], "µm", signed=True, with_unit=False)
    return say(
        "Moved by {shift} µm in thickness since the calibration, U {U}",
        shift=shift,
        U=text_of.expanded_length(zero["U_mm"]),
    )


def _sections(record: Record) -> Iterator[Section]:
    yield Section(say("Outcome"), (_outcome(record),))
    yield _shims(record)
    yield evidence.readings(record)
    yield evidence.cautions(record)
    yield Section(say("Notes"), (Items(tuple(_notes(record))),))


def _outcome(record: Record) -> Text:
    found = record["results"]
    said = [str(Reason.from_dict(each)) for each in (*found["missing"], *found["reasons"])]
    outcome = say("No outcome yet.")
    if verdict := found["verdict"]:
        outcome = sentence(OUTCOME_CODES[verdict], {"due": record["inputs"]["options"]["due"]})
    return Text((Run(outcome, strong=True), Run(" ".join(said))))


def _shims(record: Record) -> Section:
    found = record["results"]
    if not found["checks"]:
        return Section(say("Check shims"), (text(say("No check shim was read.")),))
    blocks: list[Any] = [check_table(found["checks"], record["printed"]["checks"])]
    decided = next((check["decision"] for check in found["checks"] if check["decision"]), None)
    if decided:
        meaning = say("U is that of the deviation: curve, check shim and reading together. En = deviation/U.")
        blocks.append(small(rule_words(decided, limits(record)), meaning))
    return Section(say("Check shims"), tuple(blocks))


def _notes(record: Record) -> Iterator[str]:
    yield from (each for each in record["inputs"]["about"]["remarks"] if each)
    yield say("The outcome holds for this rig as it was when it was read, for no other combination of its parts.")
    yield say(
        "This file holds the readings, the results and the record of the calibration as data ({file}); labkit verify "
        "says who signed it, and computes it again.",
        file=FILE,
    )
    yield sentence("safety.rules")
