"""Label and card: what is printed for the bench is what the calibration says, fits, and leads to the certificate."""

from __future__ import annotations

import copy
import io
import re
from dataclasses import replace
from hashlib import sha256
from typing import Any

import numpy as np
import pikepdf
import pypdfium2
import pytest
import zxingcpp

import labkit
from labkit.format import MINUS
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sheet import render
from labkit.sheet.card import card
from labkit.sheet.label import label
from labkit.sheet.rounded import at_round_indications, at_round_thicknesses
from tests.printed import paper, text_of, words

LONG = "Rig of the long corridor behind the second hall, Ελένη Παπαδοπούλου и Ковалёв, " * 4


def calibration(folder: str = "hinge_day", unit: str | None = None) -> labkit.Calibration:
    place = sample_data() / folder
    readings = labkit.read_readings(next(place.glob("readings.*")), shims=place / "shims.csv")
    if unit is not None:
        readings = replace(readings, unit=unit)
    about = labkit.read_about(sample_data() / "about.toml") if folder == "hinge_day" else None
    return labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01, about=about)


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    return calibration().to_dict()


@pytest.fixture(scope="module")
def raw() -> dict[str, Any]:
    return calibration("raw_ball").to_dict()


def stuffed(record: dict[str, Any]) -> dict[str, Any]:
    """The same with long words wherever a person can type them."""
    found = copy.deepcopy(record)
    about = found["inputs"]["about"]
    about["rig"]["name"] = LONG
    for part in ("gauge", "probe", "tip", "target"):
        about["rig"][part] |= {"name": LONG, "serial": "9" * 200, "maker": "x" * 90}
    for row in found["inputs"]["readings"]["rows"]:
        row["operator"] = LONG
    about["statements"]["agreed_months"] = 6
    return found


def outside(pdf: bytes) -> list[str]:
    """The words that do not lie on the paper."""
    wide, high = paper(pdf)
    found = words(pdf)
    assert found
    return [w.text for w in found if min(w.left, w.top) < 0 or w.right > wide or w.bottom > high]


def code_in(pdf: bytes) -> str:
    """What a telephone reads, from the page as a printer of 300 dots an inch prints it."""
    document = pypdfium2.PdfDocument(pdf)
    found = zxingcpp.read_barcodes(document[0].render(scale=300 / 72).to_pil())
    document.close()
    assert len(found) == 1
    return found[0].text


def size_mm(pdf: bytes) -> tuple[int, int, int]:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        box = opened.pages[0].mediabox
        return round(float(box[2]) / 72 * 25.4), round(float(box[3]) / 72 * 25.4), len(opened.pages)


def test_the_label_says_what_is_asked_first(record: dict[str, Any]) -> None:
    text = text_of(label(record, "0119"))
    for said in ("Rig 2", "Certificate 0119", "Calibrated 25 Nov 2026", "by M. Okonjo", "0.250 to 2.500 mm"):
        assert said in text
    assert f"U at most {record['printed']['largest_U']}" in text


@pytest.mark.parametrize("make", [label, card])
def test_a_next_day_is_printed_only_where_it_was_agreed(make: Any, record: dict[str, Any]) -> None:
    assert "Due" not in text_of(make(record, "0119"))
    agreed = copy.deepcopy(record)
    agreed["inputs"]["about"]["statements"]["agreed_months"] = 6
    assert "Due 25 May 2027" in text_of(make(agreed, "0119"))


@pytest.mark.parametrize("make", [label, card])
@pytest.mark.parametrize("which", ["record", "raw"])
def test_they_are_one_side_of_the_paper_whatever_names_are_in_them(
    make: Any, which: str, request: pytest.FixtureRequest
) -> None:
    found = request.getfixturevalue(which)
    for number, each in (("0119", found), ("LMV-2026-000119-A", stuffed(found))):
        pdf = make(each, number)
        assert size_mm(pdf) == ((50, 25, 1) if make is label else (105, 148, 1))
        assert outside(pdf) == []


@pytest.mark.parametrize("make", [label, card])
def test_the_code_has_the_digest_of_the_attached_record(make: Any, record: dict[str, Any], raw: dict[str, Any]) -> None:
    for found in (record, stuffed(raw)):
        with pikepdf.open(io.BytesIO(render(found, number="0119", signed=True))) as opened:
            attached = opened.attachments["calibration.json"].get_file().read_bytes()
        assert code_in(make(found, "0119")) == f"0119 calibration.json SHA-256 {sha256(attached).hexdigest()}"


def rows_of(pdf: bytes, cells: int) -> list[list[float]]:
    """The rows of numbers on a card."""
    document = pypdfium2.PdfDocument(pdf)
    lines = document[0].get_textpage().get_text_range().splitlines()
    document.close()
    number = re.compile(rf"[+{MINUS}]?\d+(\.\d+)?")
    found = [line.split() for line in lines]
    words = [[each.replace(MINUS, "-") for each in line] for line in found if all(map(number.fullmatch, line))]
    flat = [float(each) for line in words for each in line]
    return [flat[i : i + cells] for i in range(0, len(flat), cells)]


def test_the_card_leads_from_indication_to_thickness(record: dict[str, Any]) -> None:
    """Each line against the curve itself, which the card knows only by its table of 200 points."""
    made = calibration()
    rows = rows_of(card(record, "0119"), 4)
    assert len(rows) == 22
    for indication, correction, thickness, U in rows:
        exact = float(made.correct([indication])[0][0])
        assert thickness == pytest.approx(exact, abs=6e-5)
        assert correction == pytest.approx(1000 * (exact - indication), abs=0.06)
        assert float(made.expanded(np.array([exact]))[0][0]) - 1e-9 <= 1e-3 * U


def test_the_card_of_a_signal_has_round_signals(raw: dict[str, Any]) -> None:
    made = calibration("raw_ball")
    found = at_round_indications(raw)
    assert found is not None and len(found.rows) > 30
    for row in found.rows:
        assert len(str(int(row.indication)).rstrip("0")) <= 3
        assert row.thickness_mm == pytest.approx(float(made.correct([row.indication])[0][0]), abs=5e-5)
    between = [(a.indication + b.indication) / 2 for a, b in zip(found.rows, found.rows[1:], strict=False)]
    middle = [(a.thickness_mm + b.thickness_mm) / 2 for a, b in zip(found.rows, found.rows[1:], strict=False)]
    off = np.abs(np.array(middle) - made.correct(between)[0])
    assert off.max() == pytest.approx(found.between_mm, rel=0.05)
    text = text_of(card(raw, "7"))
    assert "off by up to" in text and "The table holds for a background of" in text


@pytest.mark.parametrize(
    ("unit", "shown", "small"),
    [("mm", "2.40", "µm"), ("µm", "2400", "µm"), ("in", "0.090", "mil"), ("mil", "95", "mil")],
)
def test_label_and_card_are_in_the_unit_of_the_gauge(unit: str, shown: str, small: str) -> None:
    found = calibration(unit=unit).to_dict()
    text = text_of(card(found, "0119"))
    assert f"Indication, {unit}" in text and f"Thickness, {unit}" in text and f"U, {small}" in text
    assert f" {shown} " in text
    said = text_of(label(found, "0119"))
    assert f" {unit} " in said and f"{small}" in said


def test_round_thicknesses_lie_in_the_working_range(record: dict[str, Any]) -> None:
    rows = at_round_thicknesses(record)
    assert [round(row.thickness_mm, 6) for row in rows] == [round(0.2 * i, 6) for i in range(2, 13)]
    made = calibration()
    U, k = made.expanded(np.array([row.thickness_mm for row in rows]))
    assert [row.U_mm for row in rows] == pytest.approx(U, rel=2e-3)
    assert [row.k for row in rows] == pytest.approx(k, rel=5e-3)


def test_a_curve_that_turns_has_no_card() -> None:
    found = calibration().to_dict()
    found["results"] |= {"fine_table": [], "table": [], "budget": None}
    found["printed"] |= {"table": []}
    with pytest.raises(BadInput) as caught:
        card(found, "0119")
    assert caught.value.code == "sheet.no_card"
    assert "Not to be used" in text_of(label(found, "0119"))


@pytest.mark.parametrize("make", [label, card])
def test_a_gauge_that_failed_is_not_recommended(make: Any, record: dict[str, Any]) -> None:
    failed = copy.deepcopy(record)
    failed["results"]["verdict"] = "fail"
    assert "Check shims: Fail" in text_of(make(failed, "0119")) or "Check shims: fail" in text_of(make(failed, "0119"))


@pytest.mark.parametrize("make", [label, card])
def test_the_same_record_gives_the_same_bytes(make: Any, record: dict[str, Any]) -> None:
    assert make(record, "0119") == make(copy.deepcopy(record), "0119")
