"""The ledger as open files: everything is there, in words that no spreadsheet runs, under names that fit every disk."""

from __future__ import annotations

import csv
import hashlib
import json
import stat
import subprocess
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from labkit.inert import inert
from labkit.ledger import Actor, export, find, new_id, register, save_draft, search, sign_and_keep, write_note
from labkit.ledger.export import readings_of
from labkit.ledger.people import SYSTEM
from labkit.ledger.schema import METADATA
from labkit.ledger.store import open_store
from labkit.ledger.tables_out import Names, flat
from labkit.problems import BadInput
from tests.ledgers import WHO, filled, record, rows
from tests.postgres import Server
from tests.sheets import Laboratory


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_every_signed_record_and_reading_is_there(ledger_folder: Path, tmp_path: Path) -> None:
    data = filled(ledger_folder)
    done = export(data, tmp_path / "out")
    assert done.report.whole and (done.results, done.readings) == (3, 6)
    lines = search(data).lines
    assert {each["number"] for each in table(tmp_path / "out" / "tables" / "results.csv")} == {"0001", "0002", "0003"}
    readings = table(tmp_path / "out" / "tables" / "readings.csv")
    for line in lines:
        kept = find(data, line.number)
        results = tmp_path / "out" / "results"
        assert (results / f"{line.number}.pdf").read_bytes() == kept.pdf
        content = (results / f"{line.number}.json").read_bytes()
        assert json.loads(content) == kept.record
        history = json.loads((results / f"{line.number}.history.json").read_text())
        assert hashlib.sha256(content).hexdigest() == history["record_sha256"]
        assert {"gauge", "person"} <= {lean["kind"] for lean in history["leans"]}
        assert [entry["what"] for entry in history["entries"]] == ["signed"]
        for reading in kept.record["inputs"]["readings"]["rows"]:
            row = {
                "result": line.number,
                "shims": " + ".join(reading["shims"]),
                "as typed": reading["typed"].replace("=", "'="),
                "value": str(reading["value"]),
                "left out, because": reading.get("left_out", ""),
                "unit of the value": "mm",
            }
            assert any(row.items() <= each.items() for each in readings), row


def test_the_readings_of_a_certificate_are_not_those_of_its_checks_too(tmp_path: Path) -> None:
    """A check carries the record on which it leans, and readings of its own."""
    reading = {"typed": "0.251", "value": 0.251, "shims": ["C-1"], "role": "check"}
    inputs = {"calibration": record(1), "readings": {"signal": "raw", "unit": "counts", "rows": [reading]}}
    assert list(readings_of(inputs)) == [(reading, "counts")]


def test_every_row_of_every_table_is_there(ledger_folder: Path, tmp_path: Path) -> None:
    data = filled(ledger_folder)
    write_note(data, "gauge", "G-07", "=HYPERLINK(1)", WHO)
    done = export(data, tmp_path / "out")
    out, there = tmp_path / "out", rows(data)
    counts = {"result": "results", "draft": "drafts", "entry": "entries", "lean": "leans", "file": "files"}
    counts |= {"attempt": "attempts", "laboratory": "laboratory"}
    for name, file in counts.items():
        assert len(table(out / "tables" / f"{file}.csv")) == len(there[name]), name
    assert {each.name for each in METADATA.sorted_tables} == {*counts, "version"}, "a new table is to be exported too"
    states = [
        [said["kind"], said["name"], state["revision"], state["body"]]
        for said in (json.loads(file.read_text()) for file in out.glob("register/*/*.json"))
        for state in said["states"]
    ]
    assert len(states) == len(there["version"]) and done.registered == len(list(out.glob("register/*/*.json")))
    with open_store(data).reading() as connection:
        asked = sa.text("SELECT kind, subject, revision, body FROM version WHERE laboratory = :mine")
        for kind, subject, revision, body in connection.execute(asked, {"mine": open_store(data).laboratory}):
            assert [kind, subject, revision, json.loads(body)] in states
    drafts = [json.loads(file.read_text()) for file in out.glob("drafts/*.json")]
    assert len(drafts) == 4 and all(draft["entries"][0]["what"] == "saved" for draft in drafts)
    (note,) = table(out / "register" / "note.csv")
    assert note["text"] == "'=HYPERLINK(1)" and note["by"] == WHO.name
    assert "IT WAS BROKEN" not in (out / "README.txt").read_text()


def test_what_the_readme_says_of_the_chain_is_so(ledger_folder: Path, tmp_path: Path) -> None:
    """Its hashes, taken again with nothing but the standard library."""
    data = filled(ledger_folder)
    export(data, tmp_path / "out")
    before, digests = "0" * 64, {}
    for line in (tmp_path / "out" / "chain.jsonl").read_text(encoding="utf-8").splitlines():
        entry = json.loads(line)
        own = entry.pop("hash")
        text = json.dumps(entry, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert entry["before"] == before and hashlib.sha256(text.encode()).hexdigest() == own
        before = own
        digests[entry["kind"], entry["subject"], entry["revision"]] = entry["digest"]
    assert len(digests) > 40
    for file in (tmp_path / "out").glob("register/*/*.json"):
        said = json.loads(file.read_text())
        for state in said["states"]:
            body = json.dumps(state["body"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
            row = {"kind": said["kind"], "subject": said["name"], **state, "body": body}
            text = json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
            if "e-" not in body:  # a number that RFC 8785 writes otherwise
                digest = digests[said["kind"], said["name"], state["revision"]]
                assert hashlib.sha256(text.encode()).hexdigest() == digest
    said = subprocess.run(["sha256sum", "--check", "--quiet", "SHA256SUMS"], cwd=tmp_path / "out", check=False)
    assert said.returncode == 0


def test_nobody_s_words_become_formulas_or_paths(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    hostile = [
        "../../escaped",
        "=cmd|' /C calc'!A0",
        "CON",
        "a/b",
        "A/B",
        "a\\b",
        "x" * 300,
        "漢",
        ". .",
        "+1",
        "-1",
        "@SUM(1)",
    ]
    for name in hostile:
        body = {
            "name": name,
            "maker": '=1+1";=2',
            "model": "-2+3",
            "serial": "@x",
            "firmware": "＝1",
            "kind": "+1",
            "due": "",
        }
        register(data, "instrument", name, body, SYSTEM)
    found = record(9)
    found["inputs"]["about"]["customer"] = {"name": "\t=1+1"}
    found["inputs"]["readings"]["rows"][0]["operator"] = "\r=1+1"
    save_draft(data, {"id": new_id(), "person": "=1+1", "rig": "-cmd"}, Actor("=1+1"))
    sign_and_keep(data, found, lambda place: b"%PDF", Actor("=1+1", "technician", proven=True))
    export(data, tmp_path / "out")
    assert not list(tmp_path.rglob("*escaped")) and not list(Path(tmp_path.parent).glob("escaped*"))
    files = list((tmp_path / "out").rglob("*"))
    assert all(len(file.name) <= 80 and file.name.isascii() for file in files)
    assert len({str(file).casefold() for file in files}) == len(files)
    assert {"CON", "con"}.isdisjoint(file.stem for file in files)
    for path in (tmp_path / "out").rglob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    number = cell.lstrip("-").replace(".", "").replace("e-", "").isdigit()
                    assert number or not cell.startswith(tuple("=+-@\t\r＝")), (path.name, cell)
    names = {json.loads(file.read_text())["name"] for file in (tmp_path / "out" / "register" / "instrument").iterdir()}
    assert set(hostile) <= names


def test_no_secret_is_in_it(tmp_path: Path, laboratory: Laboratory, postgres: Server) -> None:
    data = postgres.settings(tmp_path / "data")
    settings = data / "ledger.toml"
    settings.write_text(settings.read_text().replace("labkit@", "labkit:very-secret@"))
    filled(data)
    for folder in ("identities", "trust", "families"):
        (data / folder).mkdir()
    (data / "identities" / "m-okonjo.p12").write_bytes(laboratory.signing_file)
    (data / "identities" / "authority.key").write_bytes(laboratory.authority.key_pem)
    (data / "identities" / "authority.pem").write_bytes(laboratory.authority.certificate_pem)
    (data / "trust" / "customer.pem").write_bytes(laboratory.authority.certificate_pem)
    (data / "trust" / "key.pem").write_bytes(laboratory.authority.key_pem)
    (data / "trust" / "signer.p12").write_bytes(laboratory.signing_file)
    (data / "families" / "bent.py").write_text("x = 1\n")
    export(data, tmp_path / "out")
    files = [file for file in (tmp_path / "out").rglob("*") if file.is_file()]
    assert {file.name for file in files if file.parent.name in ("trust", "families", "identities")} == {
        "authority.pem", "customer.pem", "bent.py",
    }  # fmt: skip
    secrets = (b"very-secret", b"PRIVATE KEY", laboratory.signing_file[:200])
    assert not [file for file in files for secret in secrets if secret in file.read_bytes()]
    assert all(stat.S_IMODE(file.stat().st_mode) == 0o600 for file in files)
    folders = [file for file in (tmp_path / "out").rglob("*") if file.is_dir()]
    assert all(stat.S_IMODE(folder.stat().st_mode) == 0o700 for folder in [tmp_path / "out", *folders])


def test_nothing_is_mixed_with_an_export(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine").write_text("precious")
    (tmp_path / "file").write_text("precious")
    for name in ("out", "file"):
        with pytest.raises(BadInput) as caught:
            export(data, tmp_path / name)
        assert caught.value.code == "export.not_empty"
    (tmp_path / "empty").mkdir()
    export(data, tmp_path / "empty")
    with pytest.raises(BadInput):
        export(data, tmp_path / "empty")
    with pytest.raises(BadInput) as caught:
        export(data, tmp_path / "nowhere" / "out")
    assert caught.value.code == "export.cannot_write"
    assert {path.name for path in tmp_path.iterdir()} == {"data", "out", "file", "empty"}


def test_a_broken_ledger_is_exported_and_says_so(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    with open_store(data).engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        connection.execute(sa.text("UPDATE draft SET body = 'no JSON' WHERE number = ''"))
        connection.execute(sa.text("UPDATE version SET body = 'no JSON' WHERE kind = 'tip'"))
        connection.execute(sa.text("UPDATE file SET content = x'ff' WHERE media_type = 'application/json'"))
    done = export(data, tmp_path / "out")
    assert not done.report.whole and done.readings == 0
    assert "IT WAS BROKEN" in (tmp_path / "out" / "README.txt").read_text()
    found = json.loads((tmp_path / "out" / "check.json").read_text())
    assert {fault["code"] for fault in found["faults"]} == {"chain.row_altered", "chain.file_altered"}


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        ("=1", "'=1"), ("+1", "'+1"), ("-1", "'-1"), ("@a", "'@a"), ("\tx", "'\tx"), ("\rx", "'\rx"), ("  =1", "'  =1"),
        ("＝1", "'＝1"), ("a=1", "a=1"), ("", ""), (None, ""), (-0.5, -0.5), (True, "true"), ("−1", "−1"),
    ],
)  # fmt: skip
def test_a_cell_is_inert(value: object, cell: object) -> None:
    assert inert(value) == cell


def test_names_are_told_apart() -> None:
    names = Names()
    given = [names.give(wanted) for wanted in ("Rig 2", "rig 2", "Rig/2", "Rig\\2", "Rig 2.", "nul", "NUL.txt", "")]
    assert given[0] == "Rig 2" and len({each.casefold() for each in given}) == len(given)
    assert all(each and not each.endswith((".", " ")) for each in given)
    assert not any(each.casefold().partition(".")[0] in ("nul", "con") for each in given)


def test_bodies_become_columns() -> None:
    body: dict[str, Any] = {"a": {"b": 1, "c": {"d": "x"}}, "e": [1, "y"], "f": [{"g": 1}], "h": None}
    assert flat(body) == {"a.b": 1, "a.c.d": "x", "e": "1; y", "f": '[{"g": 1}]', "h": None}
