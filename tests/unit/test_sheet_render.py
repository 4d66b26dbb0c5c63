"""The sheet as a PDF: its numbers, its attachment, and that nobody's words become markup."""

from __future__ import annotations

import copy
import io
import json
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pikepdf
import pytest

import labkit
from labkit.paths import sample_data
from labkit.problems import BadInput, Problem
from labkit.sheet import render, svg_preview, verify
from labkit.sheet.attachments import COVARIANCE, READINGS, RESULTS
from labkit.sheet.card import card
from labkit.sheet.fields import FIELD, PLACE
from labkit.sheet.label import label
from labkit.sheet.plot import draw
from labkit.sheet.plotted import plot_data
from labkit.sheet.typesetting import typeset
from labkit.sheet.witness import Witness
from tests.printed import on_one_line, words
from tests.sheets import Laboratory

HOSTILE = '#import "x" <script>alert(1)</script> *bold* $x$ _i_ `raw` @ref [link](a) \\ // -- #panic() = "q" &amp;'


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=labkit.read_shims(folder / "shims.csv"))
    about = labkit.read_about(sample_data() / "about.toml")
    return labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01, about=about).to_dict()


def test_the_numbers_are_in_the_text(record: dict[str, Any]) -> None:
    text = on_one_line(render(record))
    for row in record["printed"]["table"]:
        assert f"{row['correction']} {row['U']} {row['k']}" in text
    for check in record["printed"]["checks"]:
        assert f"{check['shim']} {check['reference']} {check['corrected']} {check['deviation']} {check['U']}" in text
    assert "Page 1 of 4" in text
    assert record["id"] in text


def test_the_attachment_is_the_record(record: dict[str, Any]) -> None:
    with pikepdf.open(io.BytesIO(render(record))) as pdf:
        assert list(pdf.attachments) == ["calibration.json", COVARIANCE, READINGS, RESULTS]
        attached = pdf.attachments["calibration.json"]
        assert json.loads(attached.get_file().read_bytes()) == record
        assert attached.obj.AFRelationship == "/Data"


def test_a_certificate_carries_the_end_of_the_ledger_as_data(record: dict[str, Any], laboratory: Laboratory) -> None:
    """As it prints it, so that a machine can hold the ledger against it; a draft witnesses nothing."""
    pdf = render(record, number="0119", ledger_head=(7, "ab" * 32), signed=True)
    found = verify(laboratory.sign(pdf), laboratory.trust)
    assert found.verdict == "genuine" and found.witness == Witness("0119", 7, "ab" * 32)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert list(opened.attachments) == ["calibration.json", COVARIANCE, "ledger.json", READINGS, RESULTS]
        assert opened.attachments["ledger.json"].obj.AFRelationship == "/Supplement"
    with pikepdf.open(io.BytesIO(render(record, ledger_head=(7, "ab" * 32)))) as opened:
        assert "ledger.json" not in opened.attachments


def test_the_same_record_gives_the_same_bytes(record: dict[str, Any]) -> None:
    assert render(record, number="0119", signed=True) == render(copy.deepcopy(record), number="0119", signed=True)
    assert render(record) != render(record, number="0119", signed=True)


def test_the_plot_is_reproducible_and_loads_nothing(record: dict[str, Any]) -> None:
    svg = draw(plot_data(record))
    assert svg == draw(plot_data(record))
    hrefs = [value for each in ET.fromstring(svg).iter() for key, value in each.attrib.items() if "href" in key]
    assert all(value.startswith("#") for value in hrefs)
    assert "<text" not in svg


def test_markup_stays_words(record: dict[str, Any]) -> None:
    hostile = copy.deepcopy(record)

    def poison(found: Any, path: tuple[str, ...] = ()) -> Any:
        kept = {"time", "zone", "due", "switched_on", "rule", "outcomes", "background", "certified_on", "family"}
        kept |= {"received_on", "language"}
        if isinstance(found, dict):
            return {key: each if key in kept else poison(each, (*path, key)) for key, each in found.items()}
        if isinstance(found, list):
            return [poison(each, path) for each in found]
        return HOSTILE if isinstance(found, str) else found

    hostile["inputs"]["about"] = poison(hostile["inputs"]["about"])
    for shim in hostile["inputs"]["readings"]["shims"]["shims"]:
        shim.update(dict.fromkeys(("certificate", "material", "issued_by", "set_name"), HOSTILE))
    hostile["inputs"]["readings"]["rows"][3]["left_out"] = HOSTILE
    hostile["inputs"]["readings"]["rows"][3]["typed"] = HOSTILE
    hostile["results"]["reason"] = {"code": "recommend.chosen", "params": {"family": "line", "why": HOSTILE}}

    assert "#panic()" in on_one_line(render(hostile, form="summary"))
    for make in (label, card):
        assert on_one_line(make(hostile, HOSTILE)).count('#import "x"') > 1
    text = on_one_line(render(hostile))
    assert text.count("#panic()") > 15
    for piece in ('#import "x"', "<script>alert(1)</script>", "*bold*", "$x$", "`raw`", "@ref", "\\ //", "&amp;"):
        assert piece in text, piece


def test_a_draft_is_marked_on_every_page(record: dict[str, Any]) -> None:
    def marked(pdf: bytes) -> list[bool]:
        """Whether a page has words set at the slant of the mark (52°, whose cosine is 0.6157)."""
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            contents = [b"".join(part.read_bytes() for part in _parts(page)) for page in opened.pages]
        return [re.search(rb"0\.6156\d+ -?0\.788\d+", content) is not None for content in contents]

    draft = marked(render(record))
    assert len(draft) > 1
    assert all(draft)
    assert not any(marked(render(record, number="0119", signed=True)))


def _parts(page: pikepdf.Page) -> list[Any]:
    contents = page.Contents
    return list(contents) if isinstance(contents, pikepdf.Array) else [contents]


def test_the_structure_is_tagged_for_screen_readers(record: dict[str, Any]) -> None:
    with pikepdf.open(io.BytesIO(render(record))) as pdf:
        assert pdf.Root.MarkInfo.Marked
        assert str(pdf.Root.Lang) == "en-GB"
        metadata = pdf.Root.Metadata.read_bytes().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in metadata
    assert "<pdfuaid:part>1</pdfuaid:part>" in metadata


def test_long_words_stay_on_the_paper(record: dict[str, Any]) -> None:
    wide = copy.deepcopy(record)
    wide["inputs"]["about"]["customer"]["name"] = "x" * 300
    wide["inputs"]["about"]["rig"]["gauge"]["serial"] = "9" * 200
    wide["inputs"]["readings"]["shims"]["shims"][0]["certificate"] = "C" * 80
    found = [word for word in words(render(wide)) if re.match("[x9C]{8,}", word.text)]
    assert sum(len(word.text) for word in found) >= 300 + 200 + 80 - 40
    right = 595.28 - 22 * 72 / 25.4
    assert max(word.right for word in found) <= right + 0.5


def test_a_table_over_several_pages_repeats_its_head(record: dict[str, Any]) -> None:
    many = copy.deepcopy(record)
    many["results"]["table"] *= 12
    many["printed"]["table"] *= 12
    assert on_one_line(render(many)).count("Thickness, mm Indication, mm Correction, µm") >= 3


def test_the_preview_has_the_pages_of_the_pdf(record: dict[str, Any]) -> None:
    pages = svg_preview(record)
    with pikepdf.open(io.BytesIO(render(record))) as pdf:
        assert len(pages) == len(pdf.pages)
    assert all(ET.fromstring(page).tag.endswith("svg") for page in pages)


def test_a_certificate_is_rendered_signed_and_genuine(
    record: dict[str, Any], laboratory: Laboratory, tmp_path: Path
) -> None:
    signed = laboratory.sign(render(record, number="0119", signed=True))
    found = verify(signed, laboratory.trust)
    assert (found.verdict, found.number, found.record) == ("genuine", "0119", record)
    text = on_one_line(signed)
    assert "Calibration certificate 0119" in text
    assert "M. Okonjo Signed electronically" in text
    (tmp_path / "sheet.pdf").write_bytes(signed)
    for command in (["qpdf", "--check"], ["pdfsig", "-nocert"]):
        done = subprocess.run([*command, str(tmp_path / "sheet.pdf")], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


def test_the_signature_stands_where_the_sheet_leaves_room(record: dict[str, Any], laboratory: Laboratory) -> None:
    """No word of the sheet lies under the signature."""
    pdf = render(record, number="0119", signed=True)
    per_mm = 72 / 25.4
    left, right = PLACE.left_mm * per_mm, (PLACE.left_mm + PLACE.width_mm) * per_mm
    bottom = 841.89 - PLACE.bottom_mm * per_mm
    top = bottom - PLACE.height_mm * per_mm
    found = words(pdf, 1)
    assert len(found) > 100
    under = [w for w in found if w.left < right and w.right > left and w.top < bottom and w.bottom > top]
    assert under == []
    with pikepdf.open(io.BytesIO(laboratory.sign(pdf))) as opened:
        assert str(opened.Root.AcroForm.Fields[0].T) == FIELD


def test_a_character_is_named_before_anything_is_set(record: dict[str, Any]) -> None:
    spoilt = copy.deepcopy(record)
    spoilt["inputs"]["about"]["customer"]["name"] = "Umbrella ☂ works"
    with pytest.raises(BadInput) as caught:
        render(spoilt)
    assert str(caught.value).startswith("The sheet cannot print the character ☂ in the customer.")


def test_marks_that_turn_the_line_around_are_inert(record: dict[str, Any]) -> None:
    turned = copy.deepcopy(record)
    turned["inputs"]["about"]["customer"]["name"] = "safe\u202eetanimile\u202c \u200fname"
    pdf = render(turned)
    assert "safeetanimile name" in on_one_line(pdf)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        attached = json.loads(opened.attachments["calibration.json"].get_file().read_bytes())
    assert attached["inputs"]["about"]["customer"]["name"] == turned["inputs"]["about"]["customer"]["name"]


def test_a_fault_of_the_template_is_ours() -> None:
    with pytest.raises(Problem) as caught:
        typeset("certificate.typ", {})
    assert caught.value.code == "sheet.typesetting"
    assert not isinstance(caught.value, BadInput)
