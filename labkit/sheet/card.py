"""The card beside the gauge: from what it shows to the thickness, at indications that are quick to find."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from labkit import format as text_of
from labkit.language import Language, day_in_words, in_its_language, say, spoken
from labkit.messages import sentence
from labkit.problems import BadInput
from labkit.sheet.blocks import Column, Fact, Record, Table, table
from labkit.sheet.content import part_words
from labkit.sheet.decisions import outcome_words
from labkit.sheet.house import OURS, House
from labkit.sheet.label import largest_u_words, range_words, with_code
from labkit.sheet.qr import in_words
from labkit.sheet.rounded import RoundIndications, at_round_indications, length_unit_of, shown_unit
from labkit.sheet.validity import agreed_until, calibrated_on
from labkit.units import from_mm, small_unit

_ONE_COLUMN = 26
"""Rows beyond which the table stands in two columns."""


@dataclass(frozen=True)
class Card:
    """
    What a card says.

    Attributes
    ----------
    title, description : str
        Of the card, and of the file.
    rig : str
    facts : tuple of Fact
    tables : tuple of Table
        One, or two side by side.
    how : str
        How to use the table.
    cautions : tuple of str
    qr : str
        The code in words.
    language : Language
    """

    title: str
    description: str
    rig: str
    facts: tuple[Fact, ...]
    tables: tuple[Table, ...]
    how: str
    cautions: tuple[str, ...]
    qr: str
    language: Language


@in_its_language
def card(record: Record, number: str, house: House = OURS) -> bytes:
    """
    The correction card of a certificate, A6, as a PDF (PDF/A-3a, PDF/UA-1).

    Parameters
    ----------
    record : mapping
        Of a calibration.
    number : str
        Of its certificate.
    house : House
        Whose fonts are used besides ours.

    Returns
    -------
    bytes
        The same for the same record, number and house.

    Raises
    ------
    BadInput
        ``sheet.no_card``: the curve cannot be used; ``sheet.character``.
    """
    return with_code("card.typ", card_words(record, number), record, number, house)


def card_words(record: Record, number: str) -> Card:
    """What the card says."""
    rounded = at_round_indications(record)
    if rounded is None:
        raise BadInput("sheet.no_card")
    rig = record["inputs"]["about"]["rig"]["name"] or say("Rig not named")
    return Card(
        title=say("Correction card"),
        description=say("Correction card of {rig} for certificate {number}", rig=rig, number=number),
        rig=rig,
        facts=tuple(_facts(record, number)),
        tables=_tables(record, rounded),
        how=_how(record, rounded),
        cautions=tuple(_cautions(record, number)),
        qr=in_words(number),
        language=spoken(),
    )


def _facts(record: Record, number: str) -> Iterator[Fact]:
    yield Fact(say("Certificate"), number)
    yield Fact(say("Calibrated"), day_in_words(calibrated_on(record)))
    if (until := agreed_until(record)) is not None:
        yield Fact(say("Due"), day_in_words(until))
    rig = record["inputs"]["about"]["rig"]
    parts = [part_words({**rig[part], "firmware": "", "due": ""}) for part in ("gauge", "probe", "tip", "target")]
    yield Fact(say("Only for"), "; ".join(dict.fromkeys(parts)))
    yield Fact(say("Range"), f"{range_words(record)}, {largest_u_words(record)}")


def _tables(record: Record, rounded: RoundIndications) -> tuple[Table, ...]:
    unit, raw = length_unit_of(record), record["results"]["signal"] == "raw"
    small = small_unit(unit)
    digits = max(_digits(min(row.U_mm for row in rounded.rows), unit), 0)
    columns = [
        Column(say("Indication, {unit}", unit=shown_unit(record)), True, 1),
        *([] if raw else [Column(say("Correction, {unit}", unit=small), True, 1)]),
        Column(say("Thickness, {unit}", unit=unit), True, 1),
        Column(say("U, {unit}", unit=small), True, 0.7),
    ]
    body = []
    for row in rounded.rows:
        shown = row.indication if raw else from_mm(row.indication, unit)
        correction = text_of.small_length(row.thickness_mm - row.indication, unit, signed=True, with_unit=False)
        thickness = text_of.length(row.thickness_mm, unit, decimals=digits, with_unit=False)
        uncertain = text_of.expanded_length(row.U_mm, small, with_unit=False)
        indication = text_of.number(shown, rounded.decimals)
        body.append([indication, *([] if raw else [correction]), thickness, uncertain])
    if len(body) <= _ONE_COLUMN:
        return (table(columns, body),)
    half = (len(body) + 1) // 2
    return table(columns, body[:half]), table(columns, body[half:])


def _digits(U_mm: float, unit: str) -> int:
    """Decimals of a thickness beside its smallest U, no more than a display could show."""
    return min(text_of.expanded_decimals(from_mm(U_mm, unit)), {"mm": 4, "µm": 1, "in": 5, "mil": 2}[unit])


def _how(record: Record, rounded: RoundIndications) -> str:
    small = small_unit(length_unit_of(record))
    off = text_of.expanded_length(max(rounded.between_mm, 1e-6), small)
    said = [say("Look up the indication and read off the thickness; between two lines interpolate.")]
    if rounded.between_mm >= 0.1 * min(row.U_mm for row in rounded.rows):
        said.append(
            say("That is off by up to {off}, which U does not contain; labkit correct has no such error.", off=off)
        )
    said.append(say("U holds for one reading (about 95 %)."))
    return " ".join(said)


def _cautions(record: Record, number: str) -> Iterator[str]:
    found = record["results"]
    background = found["background"]
    if found["verdict"] in ("fail", "conditional fail"):
        yield say("Check shims: {outcome}. Do not measure parts.", outcome=outcome_words(found["verdict"]))
    if background["handled"] == "subtract" and background["value"] is not None:
        value = text_of.significant(background["value"], 5)
        unit = shown_unit(record) if found["signal"] == "raw" else "mm"
        yield say(
            "The table holds for a background of {value} {unit}; take off what it has risen by.", value=value, unit=unit
        )
    yield say("Warm up, read a check shim, then measure. Another probe, tip or target needs another card.")
    yield say("Not a certificate: certificate {number} is, and holds the data behind the code.", number=number)
    yield sentence("safety.magnet")
