"""
The numbers in the pages of a sheet, held against its record: a table can say one thing and the attached data another.

The text of the pages is taken as PDFium reads it, and each row of the results table and of the check shims is looked
for in it, wherever the template has put it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final, get_args

from labkit.format import MINUS, NOTHING
from labkit.language import language_of, speaking
from labkit.metrology.conformity import Outcome
from labkit.problems import BadInput
from labkit.sheet.blocks import Table
from labkit.sheet.decisions import outcome_words
from labkit.sheet.picture import ONE_AT_A_TIME
from labkit.sheet.recompute import Recomputed, alike
from labkit.sheet.sections import round_values

MOST_PAGES: Final = 300
MOST_CHARACTERS: Final = 3_000_000
"""Of all pages: a sheet with 400 points has about a tenth of it."""

_BETWEEN: Final = 4
"""Words that may stand between two cells of a row, such as an indication or a coverage factor."""

OUTCOMES: Final = get_args(Outcome)

_COMMA: Final = re.compile(r"(?<=\d),(?=\d)")


def pages_text(pdf: bytes) -> str:
    """
    The text of all pages.

    Raises
    ------
    BadInput
        ``verify.not_a_pdf``; ``verify.many_pages``: it is longer than any sheet.
    """
    import pypdfium2 as pdfium

    said: list[str] = []
    with ONE_AT_A_TIME:
        try:
            document = pdfium.PdfDocument(pdf)
        except pdfium.PdfiumError as error:
            raise BadInput("verify.not_a_pdf") from error
        try:
            if len(document) > MOST_PAGES:
                raise BadInput("verify.many_pages", limit=MOST_PAGES)
            length = 0
            for page in document:
                text = page.get_textpage()
                length += text.count_chars()
                if length > MOST_CHARACTERS:
                    raise BadInput("verify.many_pages", limit=MOST_PAGES)
                said.append(text.get_text_range())
        finally:
            document.close()
    return "\n".join(said)


def in_pages(record: Mapping[str, Any], text: str) -> Recomputed:
    """
    How many numbers and decisions of a record stand in the text of its pages, to one unit in the last digit.

    Parameters
    ----------
    record : mapping
        Of a calibration or a check; it recomputes.
    text : str

    Returns
    -------
    Recomputed
        A row that is not there counts with all its cells; `first` names it.
    """
    words = [_plain(each).casefold() for each in text.split()]
    places: dict[str, list[int]] = {}
    for place, word in enumerate(words):
        places.setdefault(word, []).append(place)
    agree = of = 0
    first = ""
    for name, row in _rows(record, " ".join(words)):
        of += len(row)
        if _stands(row, words, places):
            agree += len(row)
        elif not first:
            first = name
    return Recomputed(agree, of, first)


def _rows(record: Mapping[str, Any], said: str) -> Iterator[tuple[str, list[_Cell]]]:
    """Each row that a sheet prints, with its name."""
    printed, language = record["printed"], language_of(record)
    for number, row in enumerate(printed.get("table") or (), start=1):
        cells = [row["thickness"], row["correction"], row["U"], row["k"]]
        yield f"table {number}", [_Cell.of(each) for each in cells if each != NOTHING]
    for check in printed.get("checks") or ():
        cells = [check["shim"], *(check[key] for key in ("reference", "corrected", "deviation", "U", "E_n"))]
        row = [_Cell.of(each) for each in cells if each != NOTHING]
        decided = check.get("decision", NOTHING)
        yield f"check {check['shim']}", row + ([] if decided == NOTHING else [_decision(decided, language)])
    yield from _round_values(record, said, language)
    if "table" in printed and printed.get("largest_U", NOTHING) != NOTHING:  # the record of a check prints none
        yield "largest U", [_Cell.of(printed["largest_U"])]


def _round_values(record: Mapping[str, Any], said: str, language: str) -> Iterator[tuple[str, list[_Cell]]]:
    """The results at round values, where the sheet has that table."""
    if "table" not in record["printed"]:
        return
    with speaking(language):
        section = round_values(record)
    if section is None or " ".join(section.title.casefold().split()) not in said:
        return
    for block in section.blocks:
        if isinstance(block, Table):
            for number, row in enumerate(block.rows, start=1):
                cells = ["".join(run.text for run in cell) for cell in row]
                yield f"round values {number}", [_Cell.of(each) for each in cells if each != NOTHING]


@dataclass(frozen=True)
class _Cell:
    """The words of a cell, each as it may be printed; and what stands in its place where it says something else."""

    wanted: tuple[tuple[str, ...], ...]
    instead: tuple[tuple[str, ...], ...] = ()

    @classmethod
    def of(cls, text: str) -> _Cell:
        return cls((tuple(_plain(text).casefold().split()),))


def _stands(row: Sequence[_Cell], words: Sequence[str], places: Mapping[str, Sequence[int]]) -> bool:
    """Whether the cells stand in the text one after the other, with few words between them."""
    for wanted in row[0].wanted:
        for begin in _near(wanted[0]):
            for start in places.get(begin, ()):
                at: int | None = _find(row[0], words, start, 1)
                for cell in row[1:]:
                    at = _find(cell, words, at, 1 + _BETWEEN) if at is not None else None
                if at is not None:
                    return True
    return False


def _find(cell: _Cell, words: Sequence[str], start: int, room: int) -> int | None:
    """Behind the first place from `start` on, within `room` words, where a cell stands; None where it does not."""
    for at in range(start, min(start + room, len(words))):
        if any(_is_at(other, words, at) for other in cell.instead):
            return None
        for wanted in cell.wanted:
            if _is_at(wanted, words, at):
                return at + len(wanted)
    return None


def _is_at(wanted: Sequence[str], words: Sequence[str], at: int) -> bool:
    there = words[at : at + len(wanted)]
    return len(there) == len(wanted) and all(map(_same, wanted, there))


def _same(wanted: str, word: str) -> bool:
    return wanted == word or (wanted[-1:].isdigit() and alike(wanted, word))


def _near(word: str) -> list[str]:
    """A word; a number with those that differ by one unit in its last digit."""
    try:
        number = Decimal(word.replace(MINUS, "-"))
    except InvalidOperation:
        return [word]
    unit = Decimal(1).scaleb(int(number.as_tuple().exponent))
    return [word, *(f"{number + by:f}".replace("-", MINUS) for by in (unit, -unit))]


def _plain(text: str) -> str:
    """Numbers with a point, and blanks of whatever width as one."""
    return _COMMA.sub(".", " ".join(text.split()))


def _decision(decided: str, language: str) -> _Cell:
    """A decision, and what it must not be read for: “Conditional pass” ends in “pass”."""
    with speaking(language):
        said = {outcome: tuple(outcome_words(outcome).casefold().split()) for outcome in OUTCOMES}
    return _Cell((said[decided],), tuple(words for outcome, words in said.items() if outcome != decided))
