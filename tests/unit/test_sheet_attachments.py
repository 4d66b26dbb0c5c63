"""What a sheet carries: tables that say what the record says, inert, and nothing that verifying does not hold to it."""

from __future__ import annotations

import copy
import csv
import io
import json
import subprocess
import sys
from typing import Any

import numpy as np
import pikepdf
import pytest
from jsonschema import Draft202012Validator

import labkit
from labkit.calibration.record import schema
from labkit.curves import families
from labkit.paths import sample_data
from labkit.sheet import render, verify
from labkit.sheet.attachments import COVARIANCE, READINGS, RESULTS, beside_the_record
from labkit.sheet.formulas import right_side, unit_of_parameter
from tests.sheets import Laboratory

ALL = ["calibration.json", COVARIANCE, "ledger.json", READINGS, RESULTS]


def calibration(folder: str = "hinge_day", family: str = "auto") -> dict[str, Any]:
    place = sample_data() / folder
    readings = labkit.read_readings(next(place.glob("readings.*")), shims=place / "shims.csv")
    about = labkit.read_about(sample_data() / "about.toml") if folder == "hinge_day" else None
    return labkit.calibrate(readings, family, reason="for comparison", about=about).to_dict()


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    return calibration()


def attached(record: dict[str, Any]) -> dict[str, bytes]:
    return {each.name: each.content for each in beside_the_record(record)}


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_the_results_in_the_table_are_those_of_the_record(record: dict[str, Any]) -> None:
    table = rows(attached(record)[RESULTS])
    assert [float(row["U [mm]"]) for row in table] == [row["U_mm"] for row in record["results"]["table"]]
    assert [float(row["correction [mm]"]) for row in table] == [
        row["correction_mm"] for row in record["results"]["table"]
    ]
    assert any(row["correction [mm]"].startswith("-") for row in table)  # a number stays a number


def test_the_readings_can_be_read_from_the_table_again(record: dict[str, Any]) -> None:
    table = rows(attached(record)[READINGS])
    held = record["inputs"]["readings"]["rows"]
    assert [row["as typed [mm]"] for row in table] == [row["typed"] for row in held]
    assert [float(row["value [mm]"]) for row in table] == [row["value"] for row in held]
    assert [row["role"] for row in table] == [row["role"] for row in held]


@pytest.mark.parametrize("text", ["=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", "\t=1", "-2+3+cmd", "＝1"])
def test_no_cell_becomes_a_formula(record: dict[str, Any], text: str) -> None:
    hostile = copy.deepcopy(record)
    hostile["inputs"]["readings"]["rows"][0] |= {"shims": [text], "typed": text, "operator": text, "left_out": text}
    row = rows(attached(hostile)[READINGS])[0]
    assert {row[key] for key in ("point", "as typed [mm]", "operator", "left out, because")} == {f"'{text}"}


@pytest.mark.parametrize("folder", ["hinge_day", "raw_ball"])
@pytest.mark.parametrize("family", ["line", "polynomial-3", "power-law", "exponential", "log-polynomial-4", "flexible"])
def test_the_covariance_is_that_of_the_curve_with_units(folder: str, family: str) -> None:
    if folder == "hinge_day" and family in ("power-law", "exponential", "log-polynomial-4"):
        family = "polynomial-2"  # those are for a raw signal alone
    made = calibration(folder, family)
    found, curve = json.loads(attached(made)[COVARIANCE]), made["results"]["curve"]
    assert found["schema"] == "labkit.covariance/1"
    assert {each["name"]: each["value"] for each in found["parameters"]} == curve["parameters"]
    assert found["covariance"] == curve["covariance"]
    if family == "flexible":
        assert (found["parameters"], found["covariance"], found["formula"]) == ([], None, None)
        return
    spread = np.sqrt(np.diag(found["covariance"]))
    assert [each["standard_uncertainty"] for each in found["parameters"]] == pytest.approx(spread)
    assert all(each["unit"] for each in found["parameters"]) and found["formula"]


def test_units_of_parameters_make_the_formula_come_out() -> None:
    """b2·x² of a deviation in mm is in mm only where b2 is in 1/mm."""
    length = {
        "signal": "thickness",
        "unit": "mm",
        "curve": {"family": "polynomial-3", "parameters": dict.fromkeys("abcd")},
    }
    assert [unit_of_parameter(length, f"b{i}") for i in range(4)] == ["mm", "1", "1/mm", "1/mm^2"]
    raw = length | {"signal": "raw", "unit": "counts"}
    assert [unit_of_parameter(raw, f"b{i}") for i in range(3)] == ["counts", "counts/mm", "counts/mm^2"]
    logged = raw | {"curve": {"family": "log-polynomial-3", "parameters": dict.fromkeys("abcd")}}
    assert [unit_of_parameter(logged, f"b{i}") for i in range(3)] == ["1", "1/mm", "1/mm^2"]
    law = raw | {"curve": {"family": "power-law", "parameters": dict.fromkeys("caLn")}}
    assert [unit_of_parameter(law, name) for name in "caLn"] == ["counts", "counts", "mm", "1"]


def test_every_family_with_parameters_has_its_formula_and_units() -> None:
    """A new family is written here too, or its covariance has no units."""
    for form in families():
        found = {
            "unit": "counts",
            "signal": "raw",
            "curve": {"family": form.name, "parameters": dict.fromkeys(form.parameters)},
        }
        if form.kind in ("formula", "linear"):
            assert right_side(found), form.name
            assert all(unit_of_parameter(found, name) for name in form.parameters), form.name


def test_a_record_is_of_its_schema_and_a_spoilt_one_is_not(record: dict[str, Any]) -> None:
    validator = Draft202012Validator(schema())
    Draft202012Validator.check_schema(schema())
    for made in (record, calibration("raw_ball"), calibration("raw_ball", "power-law"), calibration("mislabelled")):
        assert list(validator.iter_errors(made)) == []
    for spoil in (
        lambda r: r["results"]["table"][0].pop("U_mm"),
        lambda r: r["inputs"]["readings"].update(unit=3),
        lambda r: r.update(more=1),
        lambda r: r["results"]["curve"].pop("covariance"),
    ):
        spoilt = copy.deepcopy(record)
        spoil(spoilt)
        assert list(validator.iter_errors(spoilt))


def test_the_pdf_carries_them_with_what_they_are(record: dict[str, Any]) -> None:
    pdf = render(record, number="0119", ledger_head=(7, "ab" * 32), signed=True)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert list(opened.attachments) == ALL
        for name, content in attached(record).items():
            held = opened.attachments[name]
            assert held.get_file().read_bytes() == content
            assert held.description and held.obj.AFRelationship == "/Data"
        assert opened.attachments[READINGS].get_file().mime_type == "text/csv"


def with_changed(pdf: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """The same sheet with other bytes in an attached file; not signed yet."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        stream = opened.Root.Names.EmbeddedFiles.Names[2 * ALL.index(name) + 1].EF.F
        content = stream.read_bytes()
        assert old in content
        stream.write(content.replace(old, new))
        out = io.BytesIO()
        opened.save(out, deterministic_id=True)
    return out.getvalue()


@pytest.mark.parametrize("name", [READINGS, RESULTS, COVARIANCE])
def test_a_table_that_says_something_else_than_the_record_is_not_genuine(
    name: str, record: dict[str, Any], laboratory: Laboratory
) -> None:
    """Though the laboratory itself signed it."""
    pdf = render(record, number="0119", ledger_head=(7, "ab" * 32), signed=True)
    assert verify(laboratory.sign(pdf), laboratory.trust).verdict == "genuine"
    digit = attached(record)[name].rstrip(b'"\r\n}] ,')[-1:] if name != COVARIANCE else b"0.0"
    other = with_changed(pdf, name, digit, b"7" if digit != b"7" else b"8")
    found = verify(laboratory.sign(other), laboratory.trust)
    assert (found.verdict, found.record) == ("does not recompute", None)
    assert name in str(found)


def test_one_table_missing_or_one_file_more_is_no_certificate(record: dict[str, Any], laboratory: Laboratory) -> None:
    pdf = render(record, number="0119", ledger_head=(7, "ab" * 32), signed=True)
    for change in ("remove", "add"):
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            names = opened.Root.Names.EmbeddedFiles.Names
            if change == "remove":
                del names[2 * ALL.index(RESULTS) : 2 * ALL.index(RESULTS) + 2]
            else:
                names.append(pikepdf.String("zero.csv"))
                names.append(names[1])
            out = io.BytesIO()
            opened.save(out, deterministic_id=True)
        assert verify(laboratory.sign(out.getvalue()), laboratory.trust).verdict == "not a certificate", change


_ONCE = """
import hashlib, json, sys
from labkit.sheet import render
record = json.load(sys.stdin)
print(hashlib.sha256(render(record, number="0119", ledger_head=(7, "ab" * 32), signed=True)).hexdigest())
"""


def test_two_fresh_processes_give_the_same_bytes(record: dict[str, Any]) -> None:
    found = {
        subprocess.run(
            [sys.executable, "-c", _ONCE], input=json.dumps(record), capture_output=True, text=True, check=True,
            env={"PYTHONHASHSEED": seed, "PATH": "/usr/bin:/bin", "TZ": zone},
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo"))
    }  # fmt: skip
    assert len(found) == 1
