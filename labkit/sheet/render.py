"""The sheet as a PDF with the record attached, and as pictures for the screen."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, Literal

from labkit.language import language_of, speaking
from labkit.sheet.attachments import Attached, beside_the_record
from labkit.sheet.blocks import Sheet
from labkit.sheet.budget_section import shares
from labkit.sheet.check_content import check_content, is_check
from labkit.sheet.content import content, plot_data, words_of_people
from labkit.sheet.fields import PLACE
from labkit.sheet.plot import draw, draw_bars
from labkit.sheet.typesetting import check_characters, printable, throughout, typeset
from labkit.sheet.witness import FILE, Witness, attached


def render(
    record: Mapping[str, Any],
    *,
    number: str | None = None,
    ledger_head: tuple[int, str] | None = None,
    signed: bool = False,
) -> bytes:
    """
    The sheet of a calibration or a check as a PDF (PDF/A-3a, PDF/UA-1) with the record and its tables attached.

    Parameters
    ----------
    record : mapping
        As `labkit.Calibration.to_dict` or `labkit.Check.to_dict` gives it.
    number : str, optional
        The certificate's number.
    ledger_head : (int, str), optional
        How many entries the ledger holds before this certificate's own, and the hash of the last of them.
    signed : bool
        Leave out the mark of a draft, because `labkit.sheet.sign` comes next.

    Returns
    -------
    bytes
        The same for the same record and number.

    Raises
    ------
    BadInput
        ``sheet.character``: a text holds a character that the fonts lack.
    """
    said = _says(record)(record, number=number, ledger_head=ledger_head, signed=signed)
    witness = Witness(number or "", *ledger_head) if signed and ledger_head is not None else None
    return _set(record, said, "pdf", witness)[0]


def svg_preview(record: Mapping[str, Any], *, number: str | None = None, signed: bool = False) -> list[bytes]:
    """
    The pages of the sheet as SVG, as it stands now; see `render`.
    """
    return _set(record, _says(record)(record, number=number, signed=signed), "svg")


def _says(record: Mapping[str, Any]) -> Callable[..., Sheet]:
    return check_content if is_check(record) else content


def _set(
    record: Mapping[str, Any], said: Sheet, form: Literal["pdf", "svg"], witness: Witness | None = None
) -> list[bytes]:
    check_characters((place, printable(text)) for place, text in words_of_people(record))
    sheet = throughout(said.to_dict(), printable)
    place = asdict(PLACE)
    sheet["place"] = {"width": place["width_mm"], "height": place["height_mm"]}
    inside = sorted(_files(record, said, witness), key=lambda each: each.name)
    files = {f"file {each.name}": each.content.decode() for each in inside}
    sheet["attached"] = [{key: value for key, value in vars(each).items() if key != "content"} for each in inside]
    if not is_check(record):
        with speaking(language_of(record)):
            files["plot"] = draw(plot_data(record))
            if named := shares(record):
                files["shares"] = draw_bars(named)
    return typeset(
        "certificate.typ",
        sheet,
        files=files,
        form=form,
        timestamp=datetime.fromisoformat(record["created"]).astimezone(UTC),
    )


def _files(record: Mapping[str, Any], said: Sheet, witness: Witness | None) -> list[Attached]:
    json_type = "application/json"
    inside = [Attached(said.file, attachment(record), json_type, said.holds), *beside_the_record(record)]
    if witness is not None:
        inside.append(Attached(FILE, attached(witness), json_type, said.labels.ledger, "supplement"))
    return inside


def attachment(record: Mapping[str, Any]) -> bytes:
    """The record as it is attached: JSON in UTF-8."""
    return json.dumps(record, ensure_ascii=False, sort_keys=True, indent=1, allow_nan=False).encode()
