"""What verifying says: the numbers in the pages of every kind of sheet, and the command with its details."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

import labkit
from labkit.cli import main
from labkit.language import LANGUAGES
from labkit.paths import sample_data
from labkit.sheet import render
from labkit.sheet.identity import make_signer
from labkit.sheet.printed import in_pages, pages_text
from labkit.sheet.shown import Shown, shortened
from labkit.sheet.sign import approve, sign
from labkit.sheet.verify import verify
from tests.sheets import PASSPHRASE, Laboratory, small_sheet


def calibrated(tolerance: float) -> dict[str, Any]:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=labkit.read_shims(folder / "shims.csv"))
    about = labkit.read_about(sample_data() / "about.toml")
    return labkit.calibrate(readings, "polynomial-2", (0.25, 2.5), tolerance, about=about, reason="ours").to_dict()


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    """Its check shims pass on conditions."""
    return calibrated(0.001)


def in_language(record: dict[str, Any], code: str) -> dict[str, Any]:
    found = copy.deepcopy(record)
    found["inputs"]["about"]["language"] = code
    return found


@pytest.mark.parametrize("form", ["full", "summary"])
@pytest.mark.parametrize("code", LANGUAGES)
def test_every_number_and_decision_is_found_in_the_pages(record: dict[str, Any], code: str, form: Any) -> None:
    spoken = in_language(record, code)
    part = spoken if form == "full" else shortened(spoken, Shown.of(spoken))
    text = pages_text(render(spoken, number="0119", signed=True, form=form))
    found = in_pages(part, text)
    assert (found.agree, found.first) == (found.of, "") and found.of > 50
    assert {check["decision"] for check in record["printed"]["checks"]} == {"conditional pass"}
    for check in part["printed"]["checks"]:
        for other in {"pass", "conditional pass", "conditional fail", "fail"} - {check["decision"]}:
            turned = copy.deepcopy(part)
            mine = next(each for each in turned["printed"]["checks"] if each["shim"] == check["shim"])
            mine["decision"] = other
            assert in_pages(turned, text).first == f"check {check['shim']}", f"{check['decision']} read as {other}"


def test_a_pass_is_not_found_in_a_conditional_one(record: dict[str, Any]) -> None:
    text = pages_text(render(record, number="0119", signed=True))
    passed = pages_text(render(calibrated(0.01), number="0119", signed=True))
    assert "Conditional pass" in text and passed.count(" Pass") >= 3
    found = in_pages(calibrated(0.01), text)
    assert found.first.startswith("check ")


def test_one_unit_in_the_last_digit_is_rounding_and_two_are_not(record: dict[str, Any]) -> None:
    text = pages_text(render(record, number="0119", signed=True))
    for off, agrees in ((0.1, True), (0.2, False)):
        moved = copy.deepcopy(record)
        row = moved["printed"]["table"][3]
        row["U"] = f"{float(row['U']) + off:.1f}"
        found = in_pages(moved, text)
        assert (found.agree == found.of) is agrees
        assert found.first == ("" if agrees else "table 4")


def test_a_signed_certificate_in_ukrainian_is_genuine(record: dict[str, Any], laboratory: Laboratory) -> None:
    pdf = laboratory.sign(render(in_language(record, "uk"), number="0119", ledger_head=(7, "ab" * 32), signed=True))
    found = verify(pdf, laboratory.trust)
    assert found.genuine, str(found)
    assert found.witness is not None and found.number == "0119"


def test_the_command_says_what_its_verdict_rests_on(
    laboratory: Laboratory, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trust = tmp_path / "authority.pem"
    trust.write_bytes(laboratory.trust[0])
    waiting = sign(small_sheet(), laboratory.signing_file, PASSPHRASE, to_approve=True)
    approved = approve(waiting, make_signer("D. Abara", laboratory.authority, PASSPHRASE), PASSPHRASE)
    (tmp_path / "waiting.pdf").write_bytes(waiting)
    (tmp_path / "approved.pdf").write_bytes(approved)
    options = ["--trust", str(trust), "--data", str(tmp_path / "nowhere")]
    assert main(["verify", str(tmp_path / "approved.pdf"), *options]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Genuine: signed by M. Okonjo, approved by D. Abara, and unchanged since.\n")
    for line in ("Certificate:  0119", "Approved by:  D. Abara", "by the signer's own clock"):
        assert line in said
    found = verify(approved, laboratory.trust)
    assert found.recomputed is not None and found.printed is not None
    assert f"{found.recomputed.agree} of {found.recomputed.of} numbers and decisions" in said
    assert all(each.fingerprint in said for each in found.signatures)

    assert main(["verify", str(tmp_path / "waiting.pdf"), *options, "--json", "-"]) == 3
    answer = json.loads(capsys.readouterr().out)
    assert (answer["verdict"], answer["genuine"], answer["number"]) == ("awaiting approval", False, "0119")
    assert [each["role"] for each in answer["signatures"]] == ["calibrated"]
    assert answer["recomputed"]["agree"] == answer["recomputed"]["of"]
    assert not (tmp_path / "nowhere").exists(), "asking makes no data folder"
