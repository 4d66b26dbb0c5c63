"""The store: nothing half written, nothing overwritten unseen, no number used twice."""

import json
import multiprocessing
import os
import subprocess
import sys
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from labkit.ledger import (
    Bench,
    find,
    in_force,
    list_drafts,
    load_bench,
    load_draft,
    new_id,
    record_sha256,
    save_bench,
    save_draft,
    sign_and_keep,
)
from labkit.ledger.demo import demo_bench, fill_if_empty
from labkit.ledger.files import write_safely
from labkit.problems import BadInput, Problem

RECORD = {"schema": "labkit.calibration/1", "inputs": {"about": {"rig": {"name": "Rig 2"}}}, "u_mm": 0.0012}


def pdf_of(number: str) -> bytes:
    return f"%PDF- certificate {number}".encode()


# ---- bench ----


def test_demo_bench_survives_the_file(tmp_path):
    fill_if_empty(tmp_path)
    assert load_bench(tmp_path) == demo_bench()


def test_a_filled_bench_is_not_filled_again(tmp_path):
    own = replace(demo_bench(), place="Laboratory, table 1")
    save_bench(tmp_path, own)
    fill_if_empty(tmp_path)
    assert load_bench(tmp_path) == own


def test_demo_bench_holds_what_a_page_offers():
    bench = demo_bench()
    assert {"thickness", "raw"} == {rig.signal for rig in bench.rigs}
    assert {"mm", "in", "counts"} == {rig.unit for rig in bench.rigs}
    assert len(bench.shim_set("Brass set A")) == 10
    assert bench.shim_set("Brass set A")["A-5"].thickness_mm == 0.7498
    assert [shim.name for shim in bench.shim_set("Check set C")] == ["C-1", "C-2", "C-3"]
    assert bench.person("R. Halloran").role == "engineer"
    for rig in bench.rigs:
        assert bench.shim_set(rig.shim_set)
        assert bench.shim_set(rig.check_set)


def test_unknown_names_are_said(tmp_path):
    with pytest.raises(BadInput, match=r"No shim set Brass set Z is registered\."):
        demo_bench().shim_set("Brass set Z")


def test_an_empty_data_folder_has_an_empty_bench(tmp_path):
    assert load_bench(tmp_path / "not there yet") == Bench()


@pytest.mark.parametrize(
    "content",
    [b'{"schema": "labkit.bench/1", "peo', b"[]", b"\xff\xfe", b'{"schema": "labkit.bench/9"}', b""],
    ids=["truncated", "no object", "no text", "newer", "empty"],
)
def test_a_damaged_bench_is_named_and_kept(tmp_path, content):
    (tmp_path / "bench.json").write_bytes(content)
    with pytest.raises(Problem, match=r"bench\.json cannot be read") as caught:
        load_bench(tmp_path)
    assert caught.value.code == "ledger.unreadable"
    save_bench(tmp_path, demo_bench())
    assert load_bench(tmp_path) == demo_bench()
    assert (tmp_path / "bench.json.broken-1").read_bytes() == content


# ---- drafts ----


def test_a_draft_comes_back_with_its_revision(tmp_path):
    draft = {"id": new_id(), "page": "calibrate", "rig": "Rig 2", "person": "M. Okonjo", "cells": [["0.5O3"]]}
    assert save_draft(tmp_path, draft) == 1
    assert save_draft(tmp_path, draft | {"revision": 1}) == 2
    found = load_draft(tmp_path, draft["id"])
    assert found["cells"] == [["0.5O3"]]
    assert found["revision"] == 2
    (line,) = list_drafts(tmp_path)
    assert (line.id, line.rig, line.person, line.saved) == (draft["id"], "Rig 2", "M. Okonjo", found["saved"])


def test_the_older_tab_does_not_overwrite_the_newer(tmp_path):
    draft = {"id": new_id(), "note": "first"}
    revision = save_draft(tmp_path, draft)
    save_draft(tmp_path, draft | {"revision": revision, "note": "second tab"})
    with pytest.raises(Problem) as caught:
        save_draft(tmp_path, draft | {"revision": revision, "note": "first tab, later"})
    assert caught.value.code == "draft.newer_elsewhere"
    assert load_draft(tmp_path, draft["id"])["note"] == "second tab"


def test_signed_drafts_are_no_longer_listed(tmp_path):
    draft = {"id": new_id(), "number": "0001"}
    save_draft(tmp_path, draft)
    assert list_drafts(tmp_path) == ()
    assert load_draft(tmp_path, draft["id"])["number"] == "0001"


def test_a_damaged_draft_is_named_and_hides_no_other(tmp_path):
    good, bad = new_id(), new_id()
    save_draft(tmp_path, {"id": good})
    broken = tmp_path / "drafts" / f"{bad}.json"
    broken.write_text('{"id": "')
    first, second = list_drafts(tmp_path)
    assert (first.id, first.fault) == (good, None)
    assert second.id == bad
    assert bad in str(second.fault)
    with pytest.raises(Problem, match="cannot be read"):
        load_draft(tmp_path, bad)
    assert broken.exists()
    assert save_draft(tmp_path, {"id": bad, "revision": 4}) == 5
    assert broken.with_name(f"{bad}.json.broken-1").read_text() == '{"id": "'


@pytest.mark.parametrize(
    "name", ["../bench", "/etc/passwd", "..", "", "a/b", None, 7, "0" * 36, "%2e%2e", new_id().upper()]
)
def test_ids_do_not_leave_the_folder(tmp_path, name):
    (tmp_path / "bench.json").write_text('{"id": "../bench", "revision": 1}')
    with pytest.raises(BadInput) as caught:
        load_draft(tmp_path, name)
    assert caught.value.code == "ledger.bad_id"
    with pytest.raises(BadInput):
        save_draft(tmp_path, {"id": name})
    assert not (tmp_path / "drafts").exists()


def test_unknown_draft(tmp_path):
    with pytest.raises(BadInput) as caught:
        load_draft(tmp_path, new_id())
    assert caught.value.code == "draft.unknown"


def count_up(data: Path, draft_id: str, times: int) -> None:
    done = 0
    while done < times:
        draft = load_draft(data, draft_id)
        try:
            save_draft(data, draft | {"count": draft["count"] + 1})
        except Problem:
            continue
        done += 1


def test_writers_at_the_same_time_lose_nothing(tmp_path):
    draft_id = new_id()
    save_draft(tmp_path, {"id": draft_id, "count": 0})
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=count_up, args=(tmp_path, draft_id, 10)) for _ in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0, 0, 0]
    assert load_draft(tmp_path, draft_id)["count"] == 30


# ---- crashes ----


def test_a_crash_before_the_rename_leaves_the_old_file(tmp_path):
    draft_id = new_id()
    save_draft(tmp_path, {"id": draft_id, "note": "old"})
    crash = (
        "import os, sys; from pathlib import Path; from labkit.ledger import save_draft\n"
        "os.replace = lambda *_: os._exit(9)\n"
        "save_draft(Path(sys.argv[1]), {'id': sys.argv[2], 'revision': 1, 'note': 'new'})"
    )
    died = subprocess.run([sys.executable, "-c", crash, str(tmp_path), draft_id], check=False)
    assert died.returncode == 9
    assert load_draft(tmp_path, draft_id)["note"] == "old"
    assert len(list_drafts(tmp_path)) == 1
    assert save_draft(tmp_path, {"id": draft_id, "revision": 1, "note": "newer"}) == 2  # the lock died with it


def test_a_full_disk_leaves_the_old_file_and_no_litter(tmp_path, monkeypatch):
    path = tmp_path / "file.json"
    write_safely(path, b"old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_safely(path, b"new")
    assert path.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["file.json"]


# ---- signed results ----


def test_numbers_follow_each_other_and_a_failed_signing_uses_none(tmp_path):
    assert sign_and_keep(tmp_path, RECORD, pdf_of).number == "0001"

    def wrong_passphrase(number: str) -> bytes:
        raise ValueError("wrong passphrase")

    with pytest.raises(ValueError, match="wrong passphrase"):
        sign_and_keep(tmp_path, RECORD, wrong_passphrase)
    assert sign_and_keep(tmp_path, RECORD, pdf_of).number == "0002"
    assert sorted(path.name for path in (tmp_path / "signed").iterdir()) == [
        "0001.json",
        "0001.pdf",
        "0002.json",
        "0002.pdf",
    ]


def test_what_was_signed_is_found_by_number_and_by_id(tmp_path):
    kept = sign_and_keep(tmp_path, RECORD, pdf_of)
    assert find(tmp_path, "1") == find(tmp_path, "0001") == find(tmp_path, kept.id) == kept
    assert kept.pdf.read_bytes() == b"%PDF- certificate 0001"
    assert kept.record == RECORD
    for absent in ("0002", new_id()):
        with pytest.raises(BadInput) as caught:
            find(tmp_path, absent)
        assert caught.value.code == "ledger.not_found"
    with pytest.raises(BadInput) as caught:
        find(tmp_path, "../bench")
    assert caught.value.code == "ledger.bad_id"


def test_the_last_calibration_of_a_rig_is_in_force(tmp_path):
    assert in_force(tmp_path, "Rig 2") is None
    sign_and_keep(tmp_path, RECORD, pdf_of)
    second = sign_and_keep(tmp_path, RECORD, pdf_of)
    sign_and_keep(tmp_path, {"inputs": {"about": {"rig": {"name": "Rig 3"}}}}, pdf_of)
    assert in_force(tmp_path, "Rig 2") == second
    assert in_force(tmp_path, "Rig 9") is None


def test_a_record_is_kept_once(tmp_path):
    record = RECORD | {"id": new_id()}
    sign_and_keep(tmp_path, record, pdf_of)
    with pytest.raises(BadInput, match="certificate 0001"):
        sign_and_keep(tmp_path, record, pdf_of)


@pytest.mark.parametrize("which", ["record", "pdf", "no pdf"])
def test_what_was_changed_afterwards_is_not_handed_out(tmp_path, which):
    kept = sign_and_keep(tmp_path, RECORD, pdf_of)
    if which == "record":
        path = tmp_path / "signed" / "0001.json"
        path.write_text(path.read_text().replace("0.0012", "0.0009"))
    elif which == "pdf":
        kept.pdf.write_bytes(b"%PDF- another")
    else:
        kept.pdf.unlink()
    with pytest.raises(Problem) as caught:
        find(tmp_path, "0001")
    assert caught.value.code == "ledger.changed"


def test_a_damaged_entry_keeps_its_number(tmp_path):
    sign_and_keep(tmp_path, RECORD, pdf_of)
    path = tmp_path / "signed" / "0001.json"
    path.write_text(path.read_text()[:40])
    with pytest.raises(Problem, match=r"signed/0001\.json cannot be read"):
        sign_and_keep(tmp_path, RECORD, pdf_of)
    assert len(path.read_text()) == 40


def test_a_crash_between_pdf_and_entry_frees_the_number_and_loses_nothing(tmp_path):
    (tmp_path / "signed").mkdir()
    (tmp_path / "signed" / "0001.pdf").write_bytes(b"given to nobody")
    assert sign_and_keep(tmp_path, RECORD, pdf_of).number == "0001"
    (unfinished,) = (tmp_path / "signed").glob("0001.unfinished-*")
    assert unfinished.read_bytes() == b"given to nobody"


def sign_some(data: Path, times: int) -> None:
    for _ in range(times):
        sign_and_keep(data, RECORD, pdf_of)


def test_signers_at_the_same_time_get_numbers_of_their_own(tmp_path):
    context = multiprocessing.get_context("spawn")
    signers = [context.Process(target=sign_some, args=(tmp_path, 4)) for _ in range(3)]
    for signer in signers:
        signer.start()
    for signer in signers:
        signer.join()
    assert sorted(path.stem for path in (tmp_path / "signed").glob("*.json")) == [f"{n:04d}" for n in range(1, 13)]
    for n in range(1, 13):
        assert find(tmp_path, str(n)).pdf.read_bytes() == pdf_of(f"{n:04d}")


def test_the_hash_does_not_depend_on_the_order_of_keys():
    assert record_sha256({"b": 1, "a": [0.1]}) == record_sha256(json.loads('{"a": [0.10], "b": 1.0}'))


def test_numbers_are_hashed_as_rfc_8785_writes_them():
    """RFC 8785, 3.2.2.3: the numbers of its example."""
    written = b'{"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27]}'
    assert record_sha256({"numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 1e-27]}) == sha256(written).hexdigest()
