"""Bad input at the command line: exit 2, every fault named, nothing written, no traceback; doubts reach the sheet."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import openpyxl
import pytest

from labkit.cli import main
from labkit.paths import sample_data
from tests.printed import layout, on_one_line

SHIMS = "shim,thickness [mm],U [mm],k,certificate\n" + "".join(
    f"A-{i + 1},{x},0.0008,2,PD-1\n" for i, x in enumerate((0.1, 0.25, 0.5, 1.0, 2.0, 3.0))
)
ROWS = [("zero", "0.009")] + [(f"A-{i + 1}", f"{x + 0.005:.3f}") for i, x in enumerate((0.1, 0.25, 0.5, 1.0, 2.0, 3.0))]
GOOD = "shim,indication [mm]\n" + "".join(f"{name},{value}\n" for name, value in ROWS for _ in range(3))


def book(*rows: list[object], merge: str = "", formula_at: str = "") -> bytes:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    if merge:
        sheet.merge_cells(merge)
    if formula_at:
        sheet[formula_at] = "=A1*2"
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def bomb() -> bytes:
    out = io.BytesIO(book(["shim", "indication [mm]"], ["A-1", 0.105]))
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("xl/media/padding.bin", bytes(60_000_000))
    return out.getvalue()


HEAD = "shim,indication [mm]\n"
REFUSED: dict[str, tuple[str | bytes, str, list[str]]] = {
    # name: readings, shims, what the message must say
    "empty": ("", SHIMS, ["nothing in it"]),
    "header only": (HEAD, SHIMS, ["no row below"]),
    "text in a number": (GOOD + "A-2,abc\n", SHIMS, ["row 23", "abc", "not a number"]),
    "letter for a digit": (GOOD + "A-2,0.25O\n", SHIMS, ["row 23", "letter O"]),
    "two units": ("shim,indication [mm],indication 2 [in]\nA-1,0.105,0.004\nA-2,0.255,0.01\n", SHIMS, ["unit"]),
    "unit in a cell": (GOOD + "A-2,0.255 in\n", SHIMS, ["row 23", "in"]),
    "unknown shim": (GOOD + "A-9,0.9\n", SHIMS, ["row 23", "A-9"]),
    "NaN": (GOOD + "A-2,NaN\n", SHIMS, ["row 23", "NaN"]),
    "infinite": (GOOD + "A-2,inf\n", SHIMS, ["row 23", "inf"]),
    "no unit": ("shim,indication\nA-1,0.105\nA-2,0.255\nA-3,0.505\n", SHIMS, ["unit", "--unit"]),
    "unknown role": ("shim,indication [mm],role\nA-1,0.105,fitt\nA-2,0.255,fit\n", SHIMS, ["row 2", "fitt"]),
    "one thickness": (HEAD + "A-2,0.255\nA-2,0.256\n", SHIMS, ["thickness"]),
    "mixed signs": ("shim,indication [counts]\nA-1,100\nA-2,-80\nA-3,60\n", SHIMS, ["sign"]),
    "negative reference": ("reference [mm],indication [mm]\n-0.1,0.1\n0.5,0.5\n1,1\n", "", ["row 2", "reference"]),
    "ambiguous separators": ("shim;indication [mm]\nA-1;1,234\nA-2;2,345\n", SHIMS, ["1,234", "1234"]),
    "too many separators": (GOOD + 'A-2,"0.2.5"\n', SHIMS, ["row 23", "0.2.5"]),
    "a date": (GOOD + "A-2,2026-11-25\n", SHIMS, ["row 23", "date"]),
    "a percentage": (GOOD + "A-2,25%\n", SHIMS, ["row 23", "percent"]),
    "an error value": (GOOD + "A-2,#N/A\n", SHIMS, ["row 23", "#N/A"]),
    "a formula as text": (GOOD + "A-2,=0.25+0.005\n", SHIMS, ["row 23", "formula"]),
    "no shim column": ("thing,indication [mm]\nA-1,0.105\n", SHIMS, ["shim"]),
    "two files in one": (GOOD + HEAD, SHIMS, ["row 23"]),
    "not text": (b"\x00\x01\x02\x03" * 50, SHIMS, ["neither a text file nor a workbook"]),
    "over 10 MB": (HEAD + "A-1,0.105\n" * 1_100_000, SHIMS, ["10 MB"]),
    "a bomb": (bomb(), SHIMS, ["50 MB"]),
    "merged cells": (
        book(["shim", "indication [mm]"], ["A-1", 0.105], ["A-2", 0.255], merge="A2:A3"), SHIMS, ["merged"]
    ),
    "formula without a value": (
        book(["shim", "indication [mm]"], ["A-1", 0.105], ["A-2", 0.2], formula_at="B3"), SHIMS, ["formula"]
    ),
    "a shim twice": (GOOD, SHIMS + "A-2,0.26,0.0008,2,PD-1\n", ["A-2"]),
    "U without k": (GOOD, "shim,thickness [mm],U [mm]\nA-1,0.1,0.001\n", ["k"]),
    "U of zero": (GOOD, SHIMS.replace("0.25,0.0008", "0.25,0"), ["row 3", "U"]),
    "thickness without a unit": (GOOD, SHIMS.replace(" [mm],U [mm]", ",U"), ["unit"]),
    "negative thickness": (GOOD, SHIMS.replace("A-2,0.25", "A-2,-0.25"), ["row 3"]),
    "an absurd thickness": (GOOD, SHIMS.replace("A-6,3.0", "A-6,3000"), ["row 7"]),
    "shims without a name": (GOOD, SHIMS.replace("A-2,", ",", 1), ["row 3"]),
    "a number beyond any display": ("shim,indication [counts]\nA-1,1e300\nA-2,1e299\nA-3,1e298\n", SHIMS, ["too large"]),
    "a number below any signal": ("shim,indication [counts]\nA-1,3\nA-2,2\nA-3,1e-300\n", SHIMS, ["too small"]),
    "an absurd uncertainty": (GOOD, SHIMS.replace("0.25,0.0008", "0.25,1e300"), ["A-2", "uncertainty"]),
    "an absurd coverage factor": (GOOD, SHIMS.replace("0.25,0.0008,2", "0.25,0.0008,1e-300"), ["A-2", "uncertainty"]),
    "a shim of no thickness": (GOOD, SHIMS.replace("A-2,0.25", "A-2,1e-300"), ["A-2", "thickness"]),
    "only left-out readings": (HEAD.replace("]", "],left out") + "A-1,0.105,dropped\nA-2,0.255,dropped\n", SHIMS, []),
}  # fmt: skip


def written(folder: Path, readings: str | bytes, shims: str) -> list[str]:
    """The arguments for files with this content, all results asked for."""
    binary = isinstance(readings, bytes)
    name = "readings.xlsx" if binary and readings[:2] == b"PK" else "readings.csv"
    (folder / name).write_bytes(readings if isinstance(readings, bytes) else readings.encode())
    arguments = ["calibrate", str(folder / name)]
    if shims:
        (folder / "shims.csv").write_text(shims, encoding="utf-8")
        arguments += ["--shims", str(folder / "shims.csv")]
    return [*arguments, "--json", str(folder / "out.json"), "--sheet", str(folder / "out.pdf")]


@pytest.mark.parametrize("case", REFUSED)
def test_refused(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readings, shims, said = REFUSED[case]
    assert main(written(tmp_path, readings, shims)) == 2
    out, error = capsys.readouterr()
    assert "Traceback" not in error
    assert out == ""
    for words in said:
        assert words.lower() in error.lower(), error
    assert not (tmp_path / "out.json").exists()
    assert not (tmp_path / "out.pdf").exists()


def test_there_are_at_least_thirty() -> None:
    assert len(REFUSED) >= 30


def test_every_fault_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = HEAD + "A-1,0.1O5\nA-2,0.255\nA-9,0.9\nA-3,NaN\n"
    assert main(written(tmp_path, text, SHIMS)) == 2
    error = capsys.readouterr().err
    assert [f"row {row}" in error for row in (2, 3, 4, 5)] == [True, False, True, True]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--range", "2:1"], "working range"),
        (["--range", "0.25"], "colon"),
        (["--range", "a:b"], "not a working range"),
        (["--range", "0:1e300"], "100.0000 mm"),
        (["--tolerance", "0"], "above 0"),
        (["--tolerance", "wide"], "not a length"),
        (["--tolerance", "1e-320"], "above 0"),
        (["--tolerance=-0.01"], "above 0"),
        (["--range", "1e999:2"], "not a working range"),
        (["--family", "spiral"], "spiral"),
        (["--family", "power-law"], "does not fit this kind of indication"),
        (["--about", "nowhere.toml"], "nowhere.toml"),
        (["--sign", "me.p12"], "laboratory.name"),
    ],
)
def test_options_that_make_no_sense(
    arguments: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(written(tmp_path, GOOD, SHIMS) + arguments) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
    assert not (tmp_path / "out.json").exists()
    assert not (tmp_path / "out.pdf").exists()


def test_outputs_are_looked_at_before_anything_is_computed_or_signed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LABKIT_PASSPHRASE", "pw")
    identity, data = tmp_path / "me.p12", tmp_path / "data"
    assert main(["identity", "M. Okonjo", "--out", str(identity)]) == 0
    folder = sample_data() / "hinge_day"
    arguments = ["calibrate", str(folder / "readings.csv"), "--shims", str(folder / "shims.csv")]
    arguments += ["--about", str(sample_data() / "about.toml"), "--sign", str(identity), "--data", str(data)]
    good, elsewhere = str(tmp_path / "out.pdf"), str(tmp_path / "nowhere" / "out")
    for outputs in (
        ["--sheet", elsewhere],
        ["--sheet", str(tmp_path)],
        ["--sheet", ""],
        ["--sheet", "/dev/null"],
        ["--sheet", good, "--json", elsewhere],
        ["--sheet", good, "--json", good],
    ):
        assert main([*arguments, *outputs]) == 2
        assert "Traceback" not in capsys.readouterr().err
    assert not Path(good).exists()
    assert not data.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["authority.key", "authority.pem", "me.p12"]


def test_a_data_folder_that_is_none_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LABKIT_PASSPHRASE", "pw")
    identity, sheet = tmp_path / "me.p12", tmp_path / "out.pdf"
    assert main(["identity", "M. Okonjo", "--out", str(identity)]) == 0
    folder = sample_data() / "hinge_day"
    arguments = ["calibrate", str(folder / "readings.csv"), "--shims", str(folder / "shims.csv")]
    arguments += ["--about", str(sample_data() / "about.toml"), "--sign", str(identity), "--sheet", str(sheet)]
    assert main([*arguments, "--data", str(identity)]) == 2
    assert "not a folder" in capsys.readouterr().err
    assert not sheet.exists()


def test_what_has_no_end_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", "/dev/zero"]) == 2
    assert main(["verify", "/dev/zero"]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_written_file_has_the_rights_of_any_other(tmp_path: Path) -> None:
    assert main(written(tmp_path, GOOD, SHIMS)) == 0
    plain = tmp_path / "plain"
    plain.touch()
    assert (tmp_path / "out.pdf").stat().st_mode == plain.stat().st_mode


def swapped() -> str:
    """A-2 and A-3 bear each other's label."""
    return GOOD.replace("A-2,", "A-x,").replace("A-3,", "A-2,").replace("A-x,", "A-3,")


def with_formula() -> bytes:
    """The readings as a workbook in which one cell is a formula whose value is stored."""
    rows: list[list[object]] = [["shim", "indication [mm]"]]
    rows += [[name, float(value)] for name, value in ROWS for _ in range(3)]
    content = book(*rows)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            data = old.read(part)
            if "worksheets/" in part:
                data = re.sub(rb'<c r="B2"([^>]*)><v>', rb'<c r="B2"\1><f>0.004+0.005</f><v>', data)
            new.writestr(part, data)
    assert b"<f>" in zipfile.ZipFile(out).read("xl/worksheets/sheet1.xml")
    return out.getvalue()


DOUBTED: dict[str, tuple[str | bytes, str, str]] = {
    # name: readings, shims, what is said on screen and sheet
    "order broken": (swapped(), SHIMS, "out of order"),
    "suspected 25.4": (HEAD + "".join(f"{n},{float(v) / 25.4:.5f}\n" for n, v in ROWS for _ in "ab"), SHIMS, "units mixed up"),
    "straggler": (GOOD.replace("A-4,1.005", "A-4,1.025", 1), SHIMS, "stands apart"),
    "repeated row": (
        "shim,indication [mm],time\n"
        + "".join(f"{n},{v},2026-11-25T10:0{i}:00Z\n" for i, (n, v) in enumerate(ROWS))
        + "A-6,3.005,2026-11-25T10:06:00Z\n", SHIMS, "entered twice"),
    "stored formula": (with_formula(), SHIMS, "formula"),
    "no repeats": (HEAD + "".join(f"{n},{v}\n" for n, v in ROWS), SHIMS, "repeatability is not known"),
    "no uncertainty": (GOOD, SHIMS.replace(",U [mm],k", "").replace(",0.0008,2", ""), "uncertainty"),
    "no certificate": (GOOD, SHIMS.replace(",certificate", "").replace(",PD-1", ""), "certificate"),
    "ends only": (HEAD + "".join(f"{n},{v}\n" for n, v in ROWS if n in ("zero", "A-1", "A-6") for _ in "abc"), SHIMS,
                  "Only the ends"),
    "past its date": (
        "shim,indication [mm],time\n" + "".join(f"{n},{v},2026-11-25T10:0{i}:0{j}Z\n" for i, (n, v) in enumerate(ROWS)
                                                for j in range(2)),
        SHIMS.replace("certificate\n", "certificate,due\n").replace("PD-1\n", "PD-1,2026-01-31\n"), "2026"),
    "no temperature": (GOOD, SHIMS, "20 °C was assumed"),
    "nothing read again": (GOOD, SHIMS, "closing difference is not known"),
    "check took part in the fit": (GOOD.replace("]", "],role", 1).replace("\n", ",fit\n").replace("role,fit", "role")
                                   .replace("zero,0.009,fit", "zero,0.009,zero") + "A-3,0.505,check\n", SHIMS,
                                   "took part in the fit"),
}  # fmt: skip


@pytest.mark.parametrize("case", DOUBTED)
def test_accepted_with_a_caution_on_screen_and_sheet(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    readings, shims, said = DOUBTED[case]
    assert main(written(tmp_path, readings, shims)) in (0, 3), capsys.readouterr().err
    out = capsys.readouterr().out
    assert said in out
    assert said in on_one_line((tmp_path / "out.pdf").read_bytes())
    record = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert record["results"]["cautions"]


def test_there_are_at_least_ten() -> None:
    assert len(DOUBTED) >= 10


def test_a_broken_order_names_the_shims_and_recommends_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(written(tmp_path, swapped(), SHIMS))
    out = capsys.readouterr().out
    assert "A-2" in out
    assert "A-3" in out
    assert "No curve is recommended" in out
    record = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert record["results"]["recommended"] is None


HOSTILE = ["<script>x</script>", "#import", "*A*", "$x$", "=1+1", "+A", "-A", "@A", "\u202eA", 'A"B', "A\\B"]


@pytest.mark.parametrize("name", HOSTILE)
def test_names_that_look_like_code_are_inert(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    quoted = '"' + name.replace('"', '""') + '"'
    readings = GOOD.replace("A-2,", f"{quoted},")
    shims = SHIMS.replace("A-2,", f"{quoted},")
    assert main(written(tmp_path, readings, shims)) == 0, capsys.readouterr().err
    record = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    names = {shim["name"] for shim in record["inputs"]["readings"]["shims"]["shims"]}
    assert name in names
    assert name.replace("\u202e", "") in layout((tmp_path / "out.pdf").read_bytes())


def test_json_to_standard_output_is_json_alone(tmp_path: Path) -> None:
    folder = sample_data() / "hinge_day"
    done = subprocess.run(
        [sys.executable, "-m", "labkit", "calibrate", str(folder / "readings.csv"), "--shims",
         str(folder / "shims.csv"), "--json", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout)["schema"] == "labkit.calibration/1"
    assert "recommended" in done.stderr


def test_a_failed_check_is_exit_three_and_written(tmp_path: Path) -> None:
    text = GOOD.replace("]", "],role", 1).replace("\n", ",fit\n").replace("role,fit", "role")
    text = text.replace("zero,0.009,fit", "zero,0.009,zero") + "A-3,0.535,check\n" * 3
    shims = SHIMS
    assert main([*written(tmp_path, text, shims), "--tolerance", "0.005"]) == 3
    record = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert record["results"]["verdict"] == "fail"
