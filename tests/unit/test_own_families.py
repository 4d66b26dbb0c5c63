"""An engineer's own curve families as files: run with care, kept with the record, and never run by verify."""

from __future__ import annotations

import copy
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import labkit
from labkit.cli import main
from labkit.curves import families, family, family_named, load_own_families, own
from labkit.panels.bench.tables import rows_of
from labkit.paths import families_folder, sample_data
from labkit.problems import BadInput
from labkit.sheet.content import content
from labkit.sheet.recheck import first_disagreement
from labkit.sheet.verify import verify
from labkit.workflow.bench import BenchPage
from labkit.workflow.own_families import own_files
from labkit.workflow.worker import Worker
from tests.calibrate_pages import begun_page, demo_folder, take
from tests.sheets import Laboratory, small_sheet

SATURATING = '''"""A raw signal that saturates."""

import numpy as np
from labkit.curves import register


@register("saturating", start=lambda x, y: (y[-1], y[0] - y[-1], 0.5), signal="raw", positive=("L",))
def saturating(x, c, a, L):
    return c + a * L / (L + x)
'''

BENT = """from labkit.curves import register


@register("bent", start=lambda x, y: (0.0, 0.0, 0.0), signal="thickness")
def bent(x, a, b, c):
    return a + b * x + c * x**2
"""

Record = dict[str, Any]


@pytest.fixture(autouse=True)
def kept_register() -> Iterator[None]:
    before = dict(family._REGISTER)
    yield
    family._REGISTER.clear()
    family._REGISTER.update(before)


def write(folder: Path, **files: str) -> Path:
    """A folder of own families; the name of a file stands for its content."""
    place = families_folder(folder)
    place.mkdir(exist_ok=True, mode=0o700)
    for name, text in files.items():
        (place / f"{name}.py").write_text(text, encoding="utf-8")
        (place / f"{name}.py").chmod(0o600)
    return place


def known() -> set[str]:
    return {form.name for form in families()}


def hinge_day() -> Any:
    folder = sample_data() / "hinge_day"
    return labkit.read_readings(folder / "readings.csv", folder / "shims.csv")


def calibrated(family: str = "bent") -> labkit.Calibration:
    return labkit.calibrate(hinge_day(), family, working_range=(0.25, 2.5), tolerance=0.01, reason="ours")


def code_of(call: Callable[[], object]) -> str:
    with pytest.raises(BadInput) as caught:
        call()
    return caught.value.code


# ---- loading ----


def test_a_file_gives_its_families_to_every_comparison_with_its_source(tmp_path: Path) -> None:
    folder = write(tmp_path, saturating=SATURATING, bent=BENT)
    assert load_own_families(folder) == ()
    form = family_named("saturating")
    assert form.source is not None
    assert (form.source.file, form.source.text) == ("saturating.py", SATURATING)
    assert form.source.sha256 == hashlib.sha256((folder / "saturating.py").read_bytes()).hexdigest()
    assert calibrated().comparison["bent"].curve is not None


def test_loading_again_takes_what_the_folder_holds_now(tmp_path: Path) -> None:
    folder = write(tmp_path, saturating=SATURATING, bent=BENT)
    load_own_families(folder)
    (folder / "saturating.py").unlink()
    write(tmp_path, bent=BENT.replace("x**2", "x**3"))
    assert load_own_families(folder) == ()
    assert "saturating" not in known()
    source = family_named("bent").source
    assert source is not None and "x**3" in source.text


def test_no_folder_is_no_fault(tmp_path: Path) -> None:
    assert load_own_families(tmp_path / "families") == ()


@pytest.mark.parametrize(
    ("broken", "line", "why"),
    [
        ("import numpy\n\n\ndef f(:\n", 4, "invalid syntax"),
        ("import numpy\n\n1 / 0\n", 3, "ZeroDivisionError: division by zero"),
        ("\n\nimport nothing_of_that_name\n", 3, "ModuleNotFoundError"),
        ("import sys\nsys.exit(3)\n", 2, "SystemExit: 3"),
        (f"{SATURATING}\nraise ValueError('later')\n", 11, "ValueError: later"),
    ],
)
def test_a_broken_file_is_named_with_its_line_and_stops_no_other(
    tmp_path: Path, broken: str, line: int, why: str
) -> None:
    faults = load_own_families(write(tmp_path, a_broken=broken, bent=BENT))
    assert [(fault.code, fault.params["file"], fault.params["line"]) for fault in faults] == [
        ("own.broken", "a_broken.py", line)
    ]
    assert why in str(faults[0])
    assert f"a_broken.py, line {line}" in str(faults[0])
    assert "bent" in known() and "saturating" not in known()


def test_what_is_not_utf_8_is_named_with_its_line(tmp_path: Path) -> None:
    folder = write(tmp_path, bent=BENT)
    (folder / "odd.py").write_bytes(b"# a\n# \xe9\n")
    (folder / "odd.py").chmod(0o600)
    (fault,) = load_own_families(folder)
    assert (fault.code, fault.params["line"]) == ("own.broken", 2)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (BENT.replace('"bent"', '"line"'), "own.broken"),
        (BENT.replace('signal="thickness"', 'signal="thickness", replace=True').replace('"bent"', '"line"'), "own.name_taken"),
        ("from labkit.curves import family\nfamily._REGISTER.pop('line')\n", "own.name_taken"),
        ("x = 1\n", "own.nothing"),
        (BENT.replace('"bent"', '"<b>"'), "own.name"),
        (BENT.replace('"bent"', '""'), "own.name"),
        (BENT.replace('signal="thickness"', 'kind="flexible"'), "own.kind"),
        (BENT.replace('signal="thickness"', "min_points=1"), "own.kind"),
        ("#" * 100_001, "own.too_large"),
    ],
)  # fmt: skip
def test_a_file_that_may_not_be_used(tmp_path: Path, text: str, code: str) -> None:
    line, before = family_named("line"), known()
    (fault,) = load_own_families(write(tmp_path, odd=text))
    assert fault.code == code
    assert str(fault)
    assert family_named("line") is line
    assert known() == before


@pytest.mark.parametrize("mode", [0o620, 0o602, 0o666])
def test_a_file_that_others_may_write_is_not_run(tmp_path: Path, mode: int) -> None:
    folder = write(tmp_path, bent=BENT, saturating=SATURATING)
    (folder / "bent.py").chmod(mode)
    (fault,) = load_own_families(folder)
    assert (fault.code, fault.params["file"]) == ("own.writable", "bent.py")
    assert "chmod go-w" in (fault.hint or "")
    assert "bent" not in known() and "saturating" in known()


def test_nothing_is_run_from_a_folder_that_others_may_write(tmp_path: Path) -> None:
    folder = write(tmp_path, bent=BENT)
    folder.chmod(0o777)
    (fault,) = load_own_families(folder)
    assert fault.code == "own.writable"
    assert "bent" not in known()


def test_a_file_of_somebody_else_is_not_run(tmp_path: Path) -> None:
    def owned_by(user: int) -> os.stat_result:
        return os.stat_result((0o100600, 0, 0, 1, user, 0, 0, 0, 0, 0))

    path = tmp_path / "bent.py"
    for user in (0, os.getuid()):
        own._check_hands(path, owned_by(user))
    assert code_of(lambda: own._check_hands(path, owned_by(os.getuid() + 1))) == "own.other_owner"


def test_a_link_or_a_pipe_is_not_run(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.py"
    elsewhere.write_text(BENT, encoding="utf-8")
    elsewhere.chmod(0o600)
    folder = write(tmp_path)
    (folder / "link.py").symlink_to(elsewhere)
    os.mkfifo(folder / "pipe.py", 0o600)
    assert [fault.code for fault in load_own_families(folder)] == ["own.not_a_file", "own.not_a_file"]
    assert "bent" not in known()


def test_what_a_file_prints_stays_out_of_the_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    load_own_families(write(tmp_path, bent=f"print('hello')\n{BENT}"))
    assert capsys.readouterr() == ("", "hello\n")


# ---- in a comparison ----


@pytest.mark.parametrize(
    ("body", "code", "said"),
    [
        ("    return [1.0][7]", "own.fails", "odd.py, line 6: IndexError"),
        ("    return x[:2]", "own.shape", "shape (2,)"),
        ("    return a + b + c", "own.shape", "shape ()"),
        ("    return a + b * x + c * x**2 if x.size < 50 else 1 / 0", "own.fails", "ZeroDivisionError"),
        ("    return a + b * x + c * x**2 if x.size < 50 else x * float('nan')", "own.no_number", "no number"),
    ],
)
def test_an_own_family_that_fails_is_left_out_with_its_line_and_stops_nothing(
    tmp_path: Path, body: str, code: str, said: str
) -> None:
    text = BENT.replace("    return a + b * x + c * x**2", body)
    assert load_own_families(write(tmp_path, odd=text)) == ()
    result = labkit.calibrate(hinge_day(), working_range=(0.25, 2.5))
    row = result.comparison["bent"]
    assert (row.verdict, row.curve) == ("left out", None)
    assert row.why_not is not None and row.why_not.code == code
    assert said in str(row.why_not)
    assert code_of(lambda: labkit.calibrate(hinge_day(), "bent")) == code
    json.dumps(result.to_dict(), allow_nan=False)


def test_an_own_family_fits_as_the_same_one_of_the_package(tmp_path: Path) -> None:
    load_own_families(write(tmp_path, bent=BENT))
    rows = calibrated().comparison
    assert rows["bent"].chi2 == pytest.approx(rows["polynomial-2"].chi2, rel=1e-9)
    assert rows["bent"].largest_U_mm == pytest.approx(rows["polynomial-2"].largest_U_mm, rel=1e-6)


# ---- in the record ----


def test_the_record_holds_the_file_and_is_computed_again_with_it(tmp_path: Path) -> None:
    folder = write(tmp_path, bent=BENT)
    load_own_families(folder)
    record = calibrated().to_dict()
    own = record["results"]["curve"]["own"]
    assert own == {"file": "bent.py", "sha256": hashlib.sha256(BENT.encode()).hexdigest(), "source": BENT}
    assert labkit.Calibration.from_dict(record).to_dict()["printed"] == record["printed"]

    write(tmp_path, bent=BENT + "# another remark\n")
    load_own_families(folder)
    with pytest.raises(BadInput) as caught:
        labkit.Calibration.from_dict(record)
    assert caught.value.code == "record.own_family_differs"
    assert own["sha256"][:12] in str(caught.value)

    (folder / "bent.py").unlink()
    load_own_families(folder)
    assert code_of(lambda: labkit.Calibration.from_dict(record)) == "record.own_family"


def test_a_record_without_own_curve_holds_no_source(tmp_path: Path) -> None:
    load_own_families(write(tmp_path, bent=BENT))
    record = calibrated("polynomial-2").to_dict()
    assert "own" not in record["results"]["curve"]
    assert "bent" in {row["family"] for row in record["results"]["comparison"]}


def test_a_family_that_was_made_since_does_not_change_an_older_record(tmp_path: Path) -> None:
    record = labkit.calibrate(hinge_day(), working_range=(0.25, 2.5)).to_dict()
    load_own_families(write(tmp_path, bent=BENT))
    again = labkit.Calibration.from_dict(record)
    assert [row.family for row in again.comparison.rows] == [row["family"] for row in record["results"]["comparison"]]


def test_a_record_survives_an_own_family_that_took_no_part_in_its_curve(tmp_path: Path) -> None:
    folder = write(tmp_path, bent=BENT)
    load_own_families(folder)
    record = calibrated("polynomial-3").to_dict()
    (folder / "bent.py").unlink()
    load_own_families(folder)
    assert labkit.Calibration.from_dict(record).to_dict()["printed"] == record["printed"]


def test_a_family_of_a_notebook_is_named_without_a_file() -> None:
    @family.register("typed", start=lambda x, y: (0.0, 0.0), signal="thickness")
    def typed(x: Any, a: float, b: float) -> Any:
        return a + b * x

    record = calibrated("typed").to_dict()
    assert record["results"]["curve"]["own"] == {"file": None, "sha256": None, "source": None}
    assert labkit.Calibration.from_dict(record).curve.family == "typed"


def test_the_sheet_names_the_file(tmp_path: Path) -> None:
    load_own_families(write(tmp_path, bent=BENT))
    record = calibrated().to_dict()
    said = json.dumps([str(section) for section in content(record).sections], ensure_ascii=False)
    assert "bent.py" in said
    assert record["results"]["curve"]["own"]["sha256"] in said


# ---- verifying ----


@pytest.fixture
def record(tmp_path: Path) -> Record:
    """Of a sheet that came from elsewhere: the family is not registered here."""
    load_own_families(write(tmp_path, bent=BENT))
    found = calibrated().to_dict()
    load_own_families(tmp_path / "nowhere")
    return found


def test_verify_runs_no_code_says_so_and_checks_the_rest(
    record: Record, laboratory: Laboratory, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = tmp_path / "ran"
    record["results"]["curve"]["own"]["source"] = f"open({str(ran)!r}, 'w').close()\n{BENT}"
    pdf = laboratory.sign(small_sheet(json.dumps(record)))
    found = verify(pdf, laboratory.trust)
    assert found.verdict == "genuine"
    assert str(found.note) == "curve not recomputed: own family bent"
    assert not ran.exists()
    assert "bent" not in known()

    (tmp_path / "sheet.pdf").write_bytes(pdf)
    (tmp_path / "root.pem").write_bytes(laboratory.authority.certificate_pem)
    write(tmp_path, bent=f"open({str(ran)!r}, 'w').close()\n{BENT}")
    command = ["verify", str(tmp_path / "sheet.pdf"), "--trust", str(tmp_path / "root.pem"), "--data", str(tmp_path)]
    assert main(command) == 0
    assert "curve not recomputed: own family bent" in capsys.readouterr().out
    assert not ran.exists()


def test_verify_says_nothing_of_own_families_where_there_is_none(laboratory: Laboratory) -> None:
    record = labkit.calibrate(hinge_day(), "polynomial-2", reason="ours").to_dict()
    found = verify(laboratory.sign(small_sheet(json.dumps(record))), laboratory.trust)
    assert (found.verdict, found.note) == ("genuine", None)


def moved(record: Record, *path: str | int, by: float) -> Record:
    """The record with one number changed."""
    found = copy.deepcopy(record)
    inside: Any = found
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] += by
    return found


def test_what_was_calibrated_agrees_with_its_own_table(record: Record) -> None:
    assert first_disagreement(record) is None
    raw = sample_data() / "raw_ball"
    readings = labkit.read_readings(raw / "readings.csv", raw / "shims.csv")
    assert first_disagreement(labkit.calibrate(readings, tolerance=0.05).to_dict()) is None


@pytest.mark.parametrize(
    ("path", "by", "code"),
    [
        (("results", "table", 2, "indication"), 0.0003, "verify.disagrees_row"),
        (("results", "table", 2, "thickness_mm"), 0.0003, "verify.disagrees_row"),
        (("results", "fine_table", 100, "indication"), 0.5, "verify.disagrees_table"),
        (("results", "checks", 0, "corrected_mm"), 0.0003, "verify.disagrees_check"),
        (("results", "checks", 0, "reference_mm"), 0.0003, "verify.disagrees_check"),
        (("results", "checks", 0, "deviation_mm"), 0.0003, "verify.disagrees_check"),
        (("results", "checks", 0, "U_mm"), 0.001, "verify.disagrees_check"),
        (("results", "checks", 0, "n"), 1, "verify.disagrees_check"),
    ],
)
def test_a_number_that_does_not_follow_is_found(record: Record, path: tuple[Any, ...], by: float, code: str) -> None:
    found = first_disagreement(moved(record, *path, by=by))
    assert found is not None and found.code == code


def test_a_printed_number_or_decision_that_does_not_follow_is_found(record: Record, laboratory: Laboratory) -> None:
    for key, value, code in (
        ("table", {"U": "0.1"}, "verify.disagrees_row"),
        ("table", {"correction": "+99.0"}, "verify.disagrees_row"),
        ("checks", {"corrected": "0.1234"}, "verify.disagrees_check"),
        ("checks", {"decision": "fail"}, "verify.disagrees_check"),
    ):
        changed = copy.deepcopy(record)
        changed["printed"][key][0] |= value
        found = first_disagreement(changed)
        assert found is not None and found.code == code
    turned = copy.deepcopy(record)
    turned["results"]["checks"][0]["decision"]["outcome"] = "fail"
    turned["printed"]["checks"][0]["decision"] = "fail"
    verdict = verify(laboratory.sign(small_sheet(json.dumps(turned))), laboratory.trust)
    assert (verdict.verdict, verdict.record) == ("does not recompute", None)
    assert verdict.note is not None
    for gone in ("fine_table", "checks", "table"):
        broken = copy.deepcopy(record)
        del broken["results"][gone]
        assert (
            verify(laboratory.sign(small_sheet(json.dumps(broken))), laboratory.trust).verdict == "does not recompute"
        )


# ---- commands and pages ----


def test_calibrate_and_correct_load_them_and_name_what_is_broken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path, bent=BENT, broken="1 / 0\n")
    folder = sample_data() / "hinge_day"
    out = tmp_path / "out.json"
    command = ["calibrate", str(folder / "readings.csv"), "--shims", str(folder / "shims.csv"), "--family", "bent"]
    assert main([*command, "--reason", "ours", "--json", str(out), "--data", str(tmp_path)]) == 0
    said = capsys.readouterr()
    assert "broken.py, line 1: ZeroDivisionError" in said.err
    assert "Curve     bent" in said.out

    (tmp_path / "indications.csv").write_text("indication [mm]\n1.0\n", encoding="utf-8")
    correct = ["correct", str(out), str(tmp_path / "indications.csv"), "--data"]
    assert main([*correct, str(tmp_path)]) == 0
    assert main([*correct, str(tmp_path / "elsewhere")]) == 2
    assert "own curve family, bent" in capsys.readouterr().err


def test_a_page_loads_them_and_says_what_is_broken(tmp_path: Path) -> None:
    data = demo_folder(tmp_path)
    write(data, bent=BENT, broken="def f(:\n")
    page = begun_page(data)
    assert [fault.params["file"] for fault in page.family_faults] == ["broken.py"]
    for row, value in (("zero:", "0.009"), ("fit:A-1", "0.25"), ("fit:A-15", "4.0")):
        if page.log.line(row) is not None:
            take(page, row, *[value] * 5)
    assert "bent" in known()


def test_the_page_shows_a_broken_file_as_inert_text(tmp_path: Path) -> None:
    from labkit.panels.calibrate.page import CalibrateView

    data = demo_folder(tmp_path)
    write(data, broken="raise ValueError('<script>')\n")
    view = CalibrateView(begun_page(data))
    view.refresh()
    shown = view.curve._own.value
    assert "broken.py, line 1: ValueError: &lt;script&gt;" in shown


# ---- on the Bench ----


def test_the_bench_lists_each_file_with_its_digest_or_why_it_was_not_loaded(tmp_path: Path) -> None:
    page = BenchPage(demo_folder(tmp_path), worker=Worker(inline=True))
    page.begin()
    page.look_at_families()
    assert rows_of("family", page) == []
    folder = write(
        tmp_path, bent=BENT, broken="def broken(:\n", saturating=SATURATING, open=BENT.replace("bent", "open")
    )
    (folder / "open.py").chmod(0o666)
    (folder / "link.py").symlink_to(folder / "bent.py")
    (folder / "_notes.py").write_text("never run")
    page.look_at_families()
    found = {each.file: each for each in page.own_files}
    assert list(found) == ["bent.py", "broken.py", "link.py", "open.py", "saturating.py"]
    assert {file: each.names for file, each in found.items() if each.names} == {
        "bent.py": ("bent",), "saturating.py": ("saturating",),
    }  # fmt: skip
    codes = {file: each.fault.code for file, each in found.items() if each.fault is not None}
    assert codes == {"broken.py": "own.broken", "link.py": "own.not_a_file", "open.py": "own.writable"}
    kept = calibrated().to_dict()["results"]["curve"]["own"]
    assert (found["bent.py"].sha256, found["link.py"].sha256) == (kept["sha256"], "")
    rows = {row.id: row for row in rows_of("family", page)}
    assert rows["bent.py"].cells[2].text.replace(" ", "") == kept["sha256"]
    assert rows["broken.py"].cells[-1].mark == "stop" and "line 1" in rows["broken.py"].cells[-1].small


def test_a_folder_that_others_may_write_is_said_beside_every_file(tmp_path: Path) -> None:
    folder = write(tmp_path, bent=BENT)
    folder.chmod(0o777)
    (only,) = own_files(tmp_path)
    assert only.names == () and only.fault is not None and only.fault.code == "own.writable"
    folder.chmod(0o700)
    (only,) = own_files(tmp_path)
    assert only.names == ("bent",) and only.fault is None
