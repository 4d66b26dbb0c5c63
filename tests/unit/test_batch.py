"""A folder of readings becomes a folder of certificates, also when it is stopped on the way."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from labkit.cli import main
from labkit.ledger import find
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sheet.identity import make_authority, make_signer
from labkit.sheet.verify import trusted_here, verify
from labkit.workflow import batch
from labkit.workflow.batch import make_all
from labkit.workflow.batch_jobs import Done, Job, jobs_in
from tests.sheets import PASSPHRASE

HINGE = sample_data() / "hinge_day"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Readings of two rigs, and what their sheets say."""
    made = tmp_path / "in"
    made.mkdir()
    shutil.copy(sample_data() / "about.toml", made)
    shutil.copy(HINGE / "shims.csv", made)
    for name in ("rig-2", "rig-5"):
        add(made, name)
    return made


@pytest.fixture
def signed(tmp_path: Path) -> list[str]:
    """The options that sign, with a laboratory of its own."""
    authority = make_authority("Larkfield Closures")
    data = tmp_path / "data"
    (data / "identities").mkdir(parents=True, mode=0o700)
    (data / "identities" / "authority.pem").write_bytes(authority.certificate_pem)
    file, word = tmp_path / "signer.p12", tmp_path / "word"
    file.write_bytes(make_signer("M. Okonjo", authority, PASSPHRASE))
    word.write_text(PASSPHRASE)
    return ["--sign", str(file), "--passphrase-file", str(word), "--data", str(data)]


def add(folder: Path, name: str, text: str | None = None) -> None:
    file = folder / f"{name}.csv"
    file.write_text((HINGE / "readings.csv").read_text("utf-8") if text is None else text, "utf-8")
    (folder / f"{name}.toml").write_text(f'[rig]\nname = "{name.title()}"\n[rig.gauge]\nserial = "S {name}"\n')


def table(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8-sig", newline="") as opened:
        return list(csv.DictReader(opened))


def test_what_can_be_made_is_made_and_the_rest_is_said(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    add(folder, "rig-3", "shim,indication [mm]\nA-1,nothing\n")
    (folder / "rig-9.toml").write_text("")
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out)]) == 3
    said = capsys.readouterr().out
    assert "1 of 3  rig-2: draft, U " in said
    assert "2 of 3  rig-3: not made. rig-3.csv, row 2, column indication" in said
    assert "2 made in " in said and "2 not made" in said
    made = table(out / "summary.csv")
    assert [(each["name"], each["rig"], each["certificate"]) for each in made] == [
        ("rig-2", "Rig-2", ""),
        ("rig-5", "Rig-5", ""),
    ]
    why = {each["name"]: each["why"] for each in table(out / "not-made.csv")}
    assert set(why) == {"rig-3", "rig-9"}
    assert "row 2" in why["rig-3"] and "no readings of this name" in why["rig-9"]
    record = json.loads((out / "rig-5.json").read_text("utf-8"))
    assert record["inputs"]["about"]["rig"]["gauge"]["serial"] == "S rig-5"
    assert record["inputs"]["about"]["rig"]["gauge"]["name"] == "G-07"  # of the common file
    assert (out / "rig-5-draft.pdf").read_bytes().startswith(b"%PDF")

    stamp = (out / "rig-5-draft.pdf").stat().st_mtime_ns
    add(folder, "rig-3")
    (folder / "rig-9.toml").unlink()
    assert main(["batch", str(folder), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "1 made in " in said and "2 had been made before" in said
    assert (out / "rig-5-draft.pdf").stat().st_mtime_ns == stamp
    assert table(out / "not-made.csv") == []


def test_what_was_made_of_other_readings_is_made_anew(folder: Path, tmp_path: Path) -> None:
    (folder / "rig-5.csv").unlink()
    (folder / "rig-5.toml").unlink()
    out = tmp_path / "out"
    out.mkdir()
    jobs, _ = jobs_in(folder)
    first = make_all(jobs, out)[0]
    add(folder, "rig-2", (HINGE / "readings.csv").read_text("utf-8") + "\n# read once more\n")
    second = make_all(jobs, out)[0]
    assert second.made and second.inputs != first.inputs and second.id != first.id


def test_certificates_are_numbered_and_signed_in_order(
    folder: Path, signed: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out), *signed]) == 0
    assert [each["certificate"] for each in table(out / "summary.csv")] == ["0001", "0002"]
    for name, number in (("rig-2", "0001"), ("rig-5", "0002")):
        found = verify((out / f"{name}.pdf").read_bytes(), trusted_here(tmp_path / "data"))
        assert (found.verdict, found.number, found.signer) == ("genuine", number, "M. Okonjo")
        assert find(tmp_path / "data", number).pdf == (out / f"{name}.pdf").read_bytes()
    assert main(["ledger", "check", "--data", str(tmp_path / "data")]) == 0
    capsys.readouterr()

    # once more: the same certificates, no further numbers; one that was lost comes from the ledger
    (out / "rig-5.pdf").unlink()
    assert main(["batch", str(folder), "--out", str(out), *signed]) == 0
    assert find(tmp_path / "data", "0002").pdf == (out / "rig-5.pdf").read_bytes()
    with pytest.raises(BadInput, match="No signed result 0003"):
        find(tmp_path / "data", "0003")

    # other readings under a name that is signed: no second certificate in silence
    before = (out / "rig-2.pdf").read_bytes()
    add(folder, "rig-2", (HINGE / "readings.csv").read_text("utf-8") + "\n# read once more\n")
    assert main(["batch", str(folder), "--out", str(out), *signed]) == 3
    assert "Certificate 0001 was signed for other readings" in table(out / "not-made.csv")[0]["why"]
    assert (out / "rig-2.pdf").read_bytes() == before


def test_what_fails_is_not_signed(folder: Path, signed: list[str], tmp_path: Path) -> None:
    (folder / "rig-5.csv").unlink()
    (folder / "rig-5.toml").unlink()
    (folder / "rig-2.toml").write_text("[procedure]\ntolerance = 0.0001\n")
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out), *signed]) == 3
    assert "fail" in table(out / "not-made.csv")[0]["why"]
    assert (out / "rig-2-draft.pdf").exists() and not (out / "rig-2.pdf").exists()


def test_a_stopped_batch_goes_on(folder: Path, signed: list[str], tmp_path: Path) -> None:
    """Killed as soon as the first certificate is there: nothing is made twice, no number is left out."""
    for name in ("rig-6", "rig-7"):
        add(folder, name)
    out = tmp_path / "out"
    command = [sys.executable, "-m", "labkit", "batch", str(folder), "--out", str(out), "--processes", "1", *signed]
    running = subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wait_for(lambda: (out / "rig-2.pdf").exists() or running.poll() is not None)
    os.killpg(running.pid, signal.SIGKILL)
    running.wait()
    assert not (out / "rig-7.pdf").exists(), "it was over before it could be stopped"
    first = (out / "rig-2.pdf").read_bytes()
    assert main(["batch", str(folder), "--out", str(out), *signed]) == 0
    assert (out / "rig-2.pdf").read_bytes() == first
    numbers = [each["certificate"] for each in table(out / "summary.csv")]
    assert numbers == ["0001", "0002", "0003", "0004"]


def test_a_stop_between_the_ledger_and_the_folder_is_mended(
    folder: Path, signed: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The certificate is in the ledger and not yet in the folder: it is taken from there."""
    out = tmp_path / "out"

    def stop(*_: object) -> Done:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(batch, "_write_certificate", stop)
        assert main(["batch", str(folder), "--out", str(out), *signed]) == 1
    assert find(tmp_path / "data", "0001") and not (out / "rig-2.pdf").exists()
    assert main(["batch", str(folder), "--out", str(out), *signed]) == 0
    assert find(tmp_path / "data", "0001").pdf == (out / "rig-2.pdf").read_bytes()
    assert [each["certificate"] for each in table(out / "summary.csv")] == ["0001", "0002"]


def test_ctrl_c_stops_and_says_how_to_go_on(folder: Path, tmp_path: Path) -> None:
    for name in ("rig-6", "rig-7", "rig-8"):
        add(folder, name)
    out = tmp_path / "out"
    command = [sys.executable, "-m", "labkit", "batch", str(folder), "--out", str(out), "--processes", "1"]
    running = subprocess.Popen(
        command,
        start_new_session=True,
        text=True,
        stderr=subprocess.PIPE,
        # whoever runs the tests in the background ignores it, and that is inherited
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    # once the second one is written the first has been reported
    wait_for(lambda: len(list(out.glob("*-draft.pdf"))) > 1 or running.poll() is not None)
    os.killpg(running.pid, signal.SIGINT)
    _, said = running.communicate()
    assert running.returncode == 1
    assert "The same command goes on from here." in said and "Traceback" not in said
    assert "rig-2" in {each["name"] for each in table(out / "summary.csv")}


def wait_for(condition: object, limit_s: float = 300) -> None:
    end = time.monotonic() + limit_s
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end
        time.sleep(0.02)


def _dies(job: Job) -> batch._Computed:
    if job.name == "rig-5":
        os.kill(os.getpid(), signal.SIGKILL)
    return batch._Computed(why_not="computed")


def test_a_process_that_dies_takes_no_other_with_it(folder: Path) -> None:
    for name in ("rig-3", "rig-6", "rig-7"):
        add(folder, name)
    jobs, _ = jobs_in(folder)
    found = {job.name: result.why_not for job, result in batch._computed(jobs, _dies, 2, None)}
    assert list(found) == ["rig-2", "rig-3", "rig-5", "rig-6", "rig-7"]
    assert "ended twice" in found.pop("rig-5")
    assert set(found.values()) == {"computed"}


def test_no_more_records_wait_than_asked(folder: Path) -> None:
    class Counting(ProcessPoolExecutor):
        submitted = 0

        def submit(self, *given: object, **more: object) -> object:  # type: ignore[override]
            type(self).submitted += 1
            return None

    jobs = jobs_in(folder)[0] * 20
    taken = batch._in_order(Counting(1), _dies, jobs, 4)
    for _ in range(3):
        next(taken)
    assert Counting.submitted == 6


@pytest.mark.parametrize(
    ("files", "code"),
    [
        ([], "batch.empty"),
        (["shims.csv", "about.toml"], "batch.empty"),
        (["a.csv", "a.xlsx"], "batch.two_files"),
    ],
)
def test_a_folder_that_cannot_be_used(files: list[str], code: str, tmp_path: Path) -> None:
    for name in files:
        (tmp_path / name).write_text("")
    with pytest.raises(BadInput) as caught:
        jobs_in(tmp_path)
    assert caught.value.code == code
    with pytest.raises(BadInput) as caught:
        jobs_in(tmp_path / "none")
    assert caught.value.code == "batch.no_folder"


def test_what_belongs_to_what(tmp_path: Path) -> None:
    names = ("about.toml", "shims.xlsx", "a.csv", "a.toml", "b.tsv", "b.shims.csv", "c.shims.csv", ".hidden.csv")
    for name in names:
        (tmp_path / name).write_text("")
    jobs, strays = jobs_in(tmp_path)
    assert [(job.name, job.shims and job.shims.name, [each.name for each in job.about]) for job in jobs] == [
        ("a", "shims.xlsx", ["about.toml", "a.toml"]),
        ("b", "b.shims.csv", ["about.toml"]),
    ]
    assert [each.name for each in strays] == ["c"]


def test_wrong_arguments(folder: Path, signed: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "out")
    assert main(["batch", str(folder), "--out", str(folder)]) == 2
    assert main(["batch", str(folder), "--out", out, "--processes", "0"]) == 2
    assert main(["batch", str(folder), "--out", out, "--about", "none.toml"]) == 2
    Path(signed[3]).write_text("another")
    assert main(["batch", str(folder), "--out", out, *signed]) == 2
    said = capsys.readouterr().err
    assert "Choose another folder" in said and "passphrase does not open" in said
    assert not list((tmp_path / "out").glob("*"))
