"""The sheet as a PDF with the record attached, and as pictures for the screen."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Literal, get_args

from labkit.language import language_of, say, speaking
from labkit.problems import BadInput
from labkit.sheet.attachments import Attached, beside_the_record, record_bytes
from labkit.sheet.blocks import Sheet
from labkit.sheet.budget_section import shares
from labkit.sheet.check_content import check_content, is_check
from labkit.sheet.content import content, words_of_people
from labkit.sheet.fields import APPROVAL_PLACE, PLACE
from labkit.sheet.house import OURS, House
from labkit.sheet.plot import draw, draw_bars
from labkit.sheet.plotted import plot_data
from labkit.sheet.qr import payload, qr_svg
from labkit.sheet.shown import Shown
from labkit.sheet.summary import summary
from labkit.sheet.typesetting import check_characters, printable, throughout, typeset
from labkit.sheet.witness import FILE, Witness, attached

Form = Literal["full", "summary"]
FORMS = get_args(Form)


def render(
    record: Mapping[str, Any],
    *,
    number: str | None = None,
    ledger_head: tuple[int, str] | None = None,
    signed: bool = False,
    to_approve: bool = False,
    form: Form = "full",
    house: House = OURS,
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
    to_approve : bool
        Leave a place for the signature of whoever approves it.
    form : "full" or "summary"
        On one page, or all of it. A check has one page in both.
    house : House
        What the laboratory's sheets have of their own.

    Returns
    -------
    bytes
        The same for the same record and number, and house.

    Raises
    ------
    BadInput
        ``sheet.character``: a text holds a character that the fonts lack. ``house.template_…``: the laboratory's own
        template fails, or does not attach the data.
    """
    said = _says(record, form)(record, number=number, ledger_head=ledger_head, signed=signed)
    witness = Witness(number or "", *ledger_head) if signed and ledger_head is not None else None
    return _set(record, said, "pdf", witness, to_approve=to_approve, form=form, house=house)[0]


def svg_preview(
    record: Mapping[str, Any],
    *,
    number: str | None = None,
    signed: bool = False,
    form: Form = "full",
    house: House = OURS,
) -> list[bytes]:
    """
    The pages of the sheet as SVG, as it stands now; see `render`.
    """
    return _set(record, _says(record, form)(record, number=number, signed=signed), "svg", form=form, house=house)


def _says(record: Mapping[str, Any], form: Form) -> Callable[..., Sheet]:
    if is_check(record):
        return check_content
    return content if form == "full" else summary


def _set(
    record: Mapping[str, Any],
    said: Sheet,
    kind: Literal["pdf", "svg"],
    witness: Witness | None = None,
    *,
    to_approve: bool = False,
    form: Form = "full",
    house: House = OURS,
) -> list[bytes]:
    texts = [*words_of_people(record), *(("the letterhead", line) for line in house.lines)]
    check_characters(((place, printable(text)) for place, text in texts), house.fonts)
    sheet = throughout(said.to_dict(), printable)
    sheet["house"] = house.to_sheet()
    across = APPROVAL_PLACE.left_mm - PLACE.left_mm
    sheet["place"] = {"width": PLACE.width_mm, "height": PLACE.height_mm, "across": across}
    sheet["approval"] = said.labels.approved if to_approve else ""
    on_one_page = form == "summary" and not is_check(record)
    inside = [*_files(record, said, witness), *([Shown.of(record).attached()] if on_one_page else [])]
    inside.sort(key=lambda each: each.name)
    files = {f"file {each.name}": each.content.decode() for each in inside}
    sheet["attached"] = [{key: value for key, value in vars(each).items() if key != "content"} for each in inside]
    if said.qr:
        files["qr"] = qr_svg(payload(record, said.number))
    if house.logo is not None:
        files["logo"] = house.logo.svg
    with speaking(language_of(record)):
        if not is_check(record):
            files["plot"] = draw(plot_data(record), house.fonts)
            if named := shares(record):
                files["shares"] = draw_bars(named, house.fonts)
        if house.template is not None:
            sheet["footer"] += say(", own template {digest}", digest=house.template.sha256[:16])
    template = "summary.typ" if on_one_page else "certificate.typ"
    own = house.template.files if house.template is not None and template in house.template.files else None
    made = typeset(
        template,
        sheet,
        files=files,
        form=kind,
        timestamp=datetime.fromisoformat(record["created"]).astimezone(UTC),
        fonts=house.fonts,
        own=own,
    )
    if own is not None and kind == "pdf":
        _check_attached(made[0], {each.name for each in inside})
    return made


def _check_attached(pdf: bytes, wanted: set[str]) -> None:
    """Refuse what an own template has made without the data that belong to it."""
    import pikepdf

    with pikepdf.open(io.BytesIO(pdf)) as opened:
        missing = sorted(wanted - set(opened.attachments))
    if missing:
        raise BadInput("house.template_data", missing=missing)


def _files(record: Mapping[str, Any], said: Sheet, witness: Witness | None) -> list[Attached]:
    json_type = "application/json"
    inside = [Attached(said.file, record_bytes(record), json_type, said.holds), *beside_the_record(record)]
    if witness is not None:
        inside.append(Attached(FILE, attached(witness), json_type, said.labels.ledger, "supplement"))
    return inside
