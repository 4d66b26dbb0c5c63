"""The label on the gauge: what the person at the bench asks first, and the way to the certificate."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from labkit import format as text_of
from labkit.language import Language, day_in_words, in_its_language, say, spoken
from labkit.sheet.blocks import Record
from labkit.sheet.content import operators, words_of_people
from labkit.sheet.decisions import outcome_words
from labkit.sheet.house import OURS, House
from labkit.sheet.qr import in_words, payload, qr_svg
from labkit.sheet.rounded import length_unit_of
from labkit.sheet.typesetting import check_characters, printable, throughout, typeset
from labkit.sheet.validity import agreed_until, calibrated_on
from labkit.units import small_unit

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


@dataclass(frozen=True)
class Label:
    """
    What a label says, each line shortened where it is too long.

    Attributes
    ----------
    title, description : str
        Of the file.
    rig : str
    lines : tuple of str
    qr : str
        The code in words.
    language : Language
    """

    title: str
    description: str
    rig: str
    lines: tuple[str, ...]
    qr: str
    language: Language


@in_its_language
def label(record: Record, number: str, house: House = OURS) -> bytes:
    """
    The label for a gauge with a certificate, 50 mm × 25 mm, as a PDF (PDF/A-3a, PDF/UA-1).

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
        ``sheet.character``.
    """
    return with_code("label.typ", label_words(record, number), record, number, house)


def with_code(template: str, words: DataclassInstance, record: Record, number: str, house: House) -> bytes:
    """What goes with a certificate and leads to it: `words` in a template, beside the code."""
    check_characters(((place, printable(text)) for place, text in words_of_people(record)), house.fonts)
    said: dict[str, Any] = throughout(asdict(words) | {"house": house.to_sheet()}, printable)
    files = {"qr": qr_svg(payload(record, number))}
    return typeset(template, said, files=files, timestamp=_made(record), fonts=house.fonts)[0]


def label_words(record: Record, number: str) -> Label:
    """What the label says."""
    rig = record["inputs"]["about"]["rig"]["name"] or say("Rig not named")
    lines = [
        say("Certificate {number}", number=number),
        say("Calibrated {day}", day=day_in_words(calibrated_on(record))),
        say("by {names}", names=names) if (names := operators(record)) else "",
        range_words(record),
        largest_u_words(record),
    ]
    if (verdict := record["results"]["verdict"]) in ("fail", "conditional fail"):
        lines.append(say("Check shims: {outcome}", outcome=outcome_words(verdict)))
    if (until := agreed_until(record)) is not None:
        lines.append(say("Due {day}", day=day_in_words(until)))
    return Label(
        title=say("Gauge label {number}", number=number),
        description=say("Label of {rig} for certificate {number}", rig=rig, number=number),
        rig=rig,
        lines=tuple(line for line in lines if line),
        qr=in_words(number),
        language=spoken(),
    )


def range_words(record: Record) -> str:
    """From where to where may be measured, as far as the points reach, in the gauge's unit of length."""
    unit = length_unit_of(record)
    (low, high), (first, last) = record["inputs"]["options"]["working_range_mm"], record["results"]["curve"]["range_mm"]
    decimals = {"mm": 3, "µm": 0, "in": 4, "mil": 1}[unit]
    ends = (
        text_of.length(max(low, first), unit, decimals=decimals, with_unit=False),
        text_of.length(min(high, last), unit, decimals=decimals),
    )
    return say("{low} to {high}", low=ends[0], high=ends[1])


def largest_u_words(record: Record) -> str:
    """The largest U in the working range; that there is none where the curve cannot be used."""
    budget = record["results"]["budget"]
    if budget is None:
        return say("Not to be used: the curve turns")
    return say("U at most {U}", U=text_of.expanded_length(budget["U_mm"], small_unit(length_unit_of(record))))


def _made(record: Record) -> datetime:
    """The moment that a file made of a record carries as its own, so that the same record gives the same bytes."""
    return datetime.fromisoformat(record["created"]).astimezone(UTC)
