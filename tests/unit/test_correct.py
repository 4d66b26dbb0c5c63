"""The command `labkit correct`: a table or JSON from a record, and records that somebody has edited."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

import labkit
from labkit.cli import main
from labkit.paths import sample_data

Record = dict[str, Any]


@pytest.fixture(scope="module")
def record() -> Record:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", folder / "shims.csv")
    return labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01).to_dict()


def correct(folder: Path, record: Record | str, indications: str, *options: str) -> int:
    text = record if isinstance(record, str) else json.dumps(record)
    (folder / "result.json").write_text(text, encoding="utf-8")
    (folder / "indications.csv").write_text(indications, encoding="utf-8")
    return main(["correct", str(folder / "result.json"), str(folder / "indications.csv"), *options])


def test_table_and_json_say_what_the_calibration_says(
    record: Record, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    indications = [1.25, 0.5, 1.25, 2.0]
    text = "indication [mm]\n" + "".join(f"{each}\n" for each in indications)
    assert correct(tmp_path, record, text, "--json", "-") == 0
    found = json.loads(capsys.readouterr().out)
    result = labkit.Calibration.from_dict(record)
    thickness, u = result.correct(indications)
    k = result.expanded(thickness)[1]
    assert found["thickness_mm"] == pytest.approx(thickness, rel=1e-12)
    assert found["u_mm"] == pytest.approx(u, rel=1e-9)
    assert found["k"] == pytest.approx(k, rel=1e-9)

    assert correct(tmp_path, record, text) == 0
    head, *rows = capsys.readouterr().out.splitlines()
    assert head.split("\t") == ["indication", "thickness [mm]", "U [mm]"]
    cells = [row.split("\t") for row in rows]
    assert [float(row[0]) for row in cells] == indications
    assert [float(row[1]) for row in cells] == pytest.approx(thickness, abs=0.00006)
    assert all(0 <= float(row[2]) - bound < 0.0001 for row, bound in zip(cells, k * u, strict=True))


def test_what_lies_outside_is_named_or_left_empty(
    record: Record, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "indication [mm]\n0.5\n99\n1e300\n1.25\n"
    assert correct(tmp_path, record, text) == 2
    assert "at 2, 3" in capsys.readouterr().err
    assert correct(tmp_path, record, text, "--outside", "mask", "--json", "-") == 0
    found = json.loads(capsys.readouterr().out)
    for name in ("thickness_mm", "u_mm", "k"):
        assert [each is None for each in found[name]] == [False, True, True, False]
    assert correct(tmp_path, record, text, "--outside", "mask") == 0
    rows = capsys.readouterr().out.splitlines()[1:]
    assert [row.split("\t")[1:] == ["", ""] for row in rows] == [False, True, True, False]


@pytest.mark.parametrize(
    ("indications", "said"),
    [
        ("", "no indication"),
        ("1,2\n1,3\n", "2 columns"),
        ('indication [mm]\n0.5\n"1\n', "quotation mark"),
        ("indication [mm]\n0.5\n1,2\n", "more cells"),
        ("indication [mm]\n0.5\nx\n1e999\n", "row 4"),
        ("indication [furlong]\n0.5\n", "furlong"),
        ("PK\x03\x04", "Save the worksheet as CSV"),
    ],
)
def test_indications_that_are_none(
    indications: str, said: str, record: Record, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert correct(tmp_path, record, indications, "--json", str(tmp_path / "out.json")) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out.json").exists()


def at(*path: str | int, value: Any) -> Callable[[Record], None]:
    def edit(record: Record) -> None:
        place: Any = record
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = value

    return edit


ABOUT = ("inputs", "about")
OPTIONS = ("inputs", "options")
ROW = ("inputs", "readings", "rows", 20)
SHIM = ("inputs", "readings", "shims", "shims", 0)


@pytest.mark.parametrize(
    "edit",
    [
        at(*ROW, "value", value="x"),
        at(*ROW, "value", value=1e308),
        at(*ROW, "value", value=float("nan")),
        at(*ROW, "shims", value=["Q-1"]),
        at(*ROW, "where", value={"place": 1}),
        at(*ROW, "time", value=5),
        at(*ROW, "other", value=1),
        at(*SHIM, "thickness_mm", value=-1),
        at(*SHIM, "u_mm", value=-1),
        at(*SHIM, "due", value="2026-13-45"),
        at(*SHIM, "set_name", value=None),
        at(*OPTIONS, "working_range_mm", value=[5, 1]),
        at(*OPTIONS, "tolerance_mm", value=1e-320),
        at(*OPTIONS, "target_u_mm", value=1e-320),
        at(*OPTIONS, "seed", value=-1),
        at(*OPTIONS, "family", value="power-law"),
        at(*ABOUT, "rig", value="x"),
        at(*ABOUT, "laboratory", value=None),
        at(*ABOUT, "laboratory", value={"colour": "blue"}),
        at(*ABOUT, "instruments", value=5),
        at(*ABOUT, "conditions", "temperature_start_degC", value=1e300),
        at(*ABOUT, "conditions", "resolution", value=1e300),
        at(*ABOUT, "conditions", "own_lines", value=[{"name": "a"}]),
        at("inputs", "readings", "cautions", value=[{"code": "shims.no_u", "params": {}, "where": {"q": 1}}]),
        at("results", "curve", "family", value="own"),
    ],
)
def test_an_edited_record_is_refused(
    edit: Callable[[Record], None], record: Record, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edited = deepcopy(record)
    edit(edited)
    assert correct(tmp_path, edited, "indication [mm]\n0.5\n") == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert error.strip()


@pytest.mark.parametrize("text", ["[" * 100_000, "{}", "[]", "", "\x00", '{"schema": ' + "9" * 5000 + "}"])
def test_what_is_no_record_is_refused(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert correct(tmp_path, text, "indication [mm]\n0.5\n") == 2
    assert "not a labkit calibration record" in capsys.readouterr().err
