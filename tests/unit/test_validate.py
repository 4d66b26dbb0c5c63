"""The command `labkit validate`: screen, JSON and PDF, and the exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pikepdf
import pytest

from labkit.cli import main
from labkit.validation import case, register


def test_screen_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["validate", "--topic", "line", "--topic", "iso_28037", "--json", str(tmp_path / "v.json")]) == 0
    out, error = capsys.readouterr()
    assert error == ""
    assert "bevington_t6_1" in out
    assert out.splitlines()[-1].startswith("All ")
    found = json.loads((tmp_path / "v.json").read_text(encoding="utf-8"))
    assert [each["name"] for each in found["topics"]] == ["line", "iso_28037"]


def test_json_on_standard_output_is_alone_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["validate", "--topic", "line", "--json", "-"]) == 0
    out, error = capsys.readouterr()
    assert json.loads(out)["verdict"] == "agrees"
    assert "All " in error


def test_what_does_not_agree_is_a_negative_answer_and_written_all_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    register.computation(case("bevington_t6_1"))
    monkeypatch.setitem(register._COMPUTATIONS, "bevington_t6_1", lambda one: {})
    assert main(["validate", "--topic", "line", "--json", str(tmp_path / "v.json")]) == 3
    assert "5 of 19 values do not agree" in capsys.readouterr().out
    assert json.loads((tmp_path / "v.json").read_text(encoding="utf-8"))["verdict"] == "does not agree"


def test_bad_input_is_named_and_nothing_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["validate", "--topic", "lines", "--json", str(tmp_path / "v.json")]) == 2
    error = capsys.readouterr().err
    assert "There is no topic “lines”" in error
    assert "line, nist_linear" in error
    assert main(["validate", "--topic", "line", "--json", str(tmp_path / "nowhere" / "v.json")]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_pdf_is_written_and_holds_what_the_json_says(tmp_path: Path) -> None:
    files = {"--sheet": tmp_path / "v.pdf", "--json": tmp_path / "v.json"}
    assert main(["validate", "--topic", "line", *(str(each) for pair in files.items() for each in pair)]) == 0
    with pikepdf.open(files["--sheet"]) as pdf:
        attached = json.loads(pdf.attachments["validation.json"].get_file().read_bytes())
    assert attached == json.loads(files["--json"].read_text(encoding="utf-8"))
