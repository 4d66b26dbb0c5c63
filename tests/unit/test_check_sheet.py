"""The sheet of a check: one page, its record attached, genuine only where it computes again."""

from __future__ import annotations

import copy
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pikepdf
import pytest

import labkit
from labkit.curves import load_own_families
from labkit.ledger import Head, Place
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sheet import render, svg_preview, verify
from labkit.workflow.signing import signed_sheet
from tests.printed import on_one_line
from tests.sheets import PASSPHRASE, Laboratory, small_sheet

FOLDER = sample_data() / "hinge_day"
LINES = "def own(x, a, b, c, d):\n    return a + b * x + c * x**2 + d * x**3\n"
OWN = (
    "from labkit.curves import register\n\n\n"
    "@register('bent', start=lambda x, y: (0.0, 0.0, 0.0, 0.0), signal='thickness')\n" + LINES
)


def checked(family: str = "auto", **more: Any) -> labkit.Check:
    readings = labkit.read_readings(FOLDER / "readings.csv", shims=FOLDER / "shims.csv")
    about = labkit.read_about(sample_data() / "about.toml")
    conditions = replace(about.conditions, temperature_start_degC=20.6, temperature_end_degC=None)
    calibration = labkit.calibrate(readings, family, (0.25, 2.5), 0.005, about=about, reason="ours")
    morning = labkit.read_readings(FOLDER / "check.csv", shims=FOLDER / "shims.csv", whole=False)
    about = replace(about, conditions=conditions, operator="M. Okonjo")
    return labkit.take_up(calibration, morning, about=about, certificate="0094", created="2026-11-26T07:16:00Z", **more)


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    return checked().to_dict()


def with_record(laboratory: Laboratory, record: dict[str, Any], name: str = "check.json") -> Any:
    return verify(laboratory.sign(small_sheet(json.dumps(record), name)), laboratory.trust)


def test_it_is_one_page_that_says_the_outcome_and_every_number(record: dict[str, Any]) -> None:
    text = on_one_line(render(record, number="0094-09", signed=True))
    assert "Check record 0094-09" in text and "Page 1 of 1" in text and "Leans on calibration certificate 0094" in text
    assert "Fit to measure. All check shims pass (C-1, C-3)" in text
    for check in record["printed"]["checks"]:
        assert f"{check['shim']} {check['reference']} {check['corrected']} {check['deviation']} {check['U']}" in text
    assert f"Moved by {record['printed']['zero_shift']} µm in thickness" in text
    assert f"{record['printed']['background']} mm, subtracted by the gauge itself; moved by −0.020 mm" in text


def test_a_draft_is_marked_and_the_preview_has_its_page(record: dict[str, Any]) -> None:
    assert "The number is given when it is signed." in on_one_line(render(record))
    assert len(svg_preview(record)) == 1


def test_the_record_is_attached_and_the_file_is_an_archive_that_can_be_read_aloud(record: dict[str, Any]) -> None:
    with pikepdf.open(io.BytesIO(render(record, number="0094-09", signed=True))) as pdf:
        assert json.loads(pdf.attachments["check.json"].get_file().read_bytes()) == record
        about = pdf.open_metadata()
        assert (about["pdfaid:part"], about["pdfaid:conformance"], about["pdfuaid:part"]) == ("3", "A", "1")


def test_a_signed_check_is_genuine(record: dict[str, Any], laboratory: Laboratory) -> None:
    place = Place("0094-09", Head(7, "ab" * 32))
    found = verify(signed_sheet(record, place, laboratory.signing_file, PASSPHRASE), laboratory.trust)
    assert (found.verdict, found.number, found.signer) == ("genuine", "0094-09", "M. Okonjo")
    assert found.record == record and found.witness is not None and found.witness.entries == 7


def change(record: dict[str, Any], path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    found = copy.deepcopy(record)
    inside: Any = found
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] = value
    return found


CHANGES: dict[str, tuple[tuple[Any, ...], Any]] = {
    "a printed number": (("printed", "checks", 0, "deviation"), "+0.0"),
    "a deviation": (("results", "checks", 1, "deviation_mm"), 0.0),
    "the outcome": (("results", "verdict"), "today only"),
    "a reading": (("inputs", "readings", "rows", 5, "value"), 0.360),
    "the day it is due": (("inputs", "options", "due"), "2026-11-27"),
    "a point of the calibration": (("inputs", "calibration", "record", "inputs", "readings", "rows", 20, "value"), 0.2),
    "no calibration": (("inputs", "calibration"), None),
    "a calibration of nothing": (("inputs", "calibration", "record"), {}),
}


@pytest.mark.parametrize("what", CHANGES)
def test_what_does_not_compute_again_is_not_genuine(record: dict[str, Any], laboratory: Laboratory, what: str) -> None:
    """Signed by a person who is trusted here, and yet not what the attached readings give."""
    assert with_record(laboratory, record).verdict == "genuine"
    found = with_record(laboratory, change(record, *CHANGES[what]))
    assert (found.verdict, found.reason.code) == ("does not recompute", "verify.disagrees_computed")


def test_the_last_digits_of_another_machine_are_no_disagreement(record: dict[str, Any], laboratory: Laboratory) -> None:
    found = copy.deepcopy(record)
    for check in found["results"]["checks"]:
        check["deviation_mm"] *= 1 + 1e-10
        check["u_mm"] *= 1 - 1e-10
    assert with_record(laboratory, found).verdict == "genuine"


def test_a_record_under_another_name_is_none(record: dict[str, Any], laboratory: Laboratory) -> None:
    assert with_record(laboratory, record, "calibration.json").verdict == "not a certificate"
    newer = with_record(laboratory, record | {"schema": "labkit.check/2"})
    assert newer.verdict == "made by a newer labkit"


def test_a_check_on_an_own_curve_is_held_against_its_table_and_runs_no_code(
    laboratory: Laboratory, tmp_path: Path
) -> None:
    (tmp_path / "bent.py").write_text(OWN)
    (tmp_path / "bent.py").chmod(0o600)
    load_own_families(tmp_path)
    record = checked("bent").to_dict()
    load_own_families(tmp_path / "nowhere")
    found = with_record(laboratory, record)
    assert found.verdict == "genuine" and str(found.note) == "curve not recomputed: own family bent"
    for path, value in (
        (("results", "checks", 0, "corrected_mm"), 0.351),
        (("inputs", "readings", "rows", 5, "value"), 0.366),
        (("results", "checks", 0, "decision", "outcome"), "conditional pass"),
    ):
        assert with_record(laboratory, change(record, path, value)).verdict == "does not recompute"


def test_a_character_that_cannot_be_printed_is_named(record: dict[str, Any]) -> None:
    with pytest.raises(BadInput, match="☂"):
        render(change(record, ("inputs", "about", "place"), "table ☂"))
