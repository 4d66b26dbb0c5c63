"""The store: nothing half written, nothing overwritten unseen, no number used twice."""

import json
import multiprocessing
import os
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from labkit.ledger import (
    Actor,
    Bench,
    Place,
    check,
    find,
    in_force,
    list_drafts,
    load_bench,
    load_draft,
    new_id,
    record_sha256,
    save_bench,
    save_draft,
    search,
    sign_and_keep,
)
from labkit.ledger.demo import demo_bench, fill_if_empty
from labkit.ledger.files import write_safely
from labkit.problems import BadInput, Problem

RECORD = {"schema": "labkit.calibration/1", "inputs": {"about": {"rig": {"name": "Rig 2"}}}, "u_mm": 0.0012}


WHO = Actor("M. Okonjo", "technician", proven=True)


def pdf_of(place: Place) -> bytes:
    return f"%PDF- certificate {place.number}".encode()


# ---- bench ----


def test_demo_bench_survives_the_file(ledger_folder):
    fill_if_empty(ledger_folder)
    assert load_bench(ledger_folder) == demo_bench()


def test_a_filled_bench_is_not_filled_again(ledger_folder):
    own = replace(demo_bench(), place="Laboratory, table 1")
    save_bench(ledger_folder, own)
    fill_if_empty(ledger_folder)
    assert load_bench(ledger_folder) == own


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


def test_unknown_names_are_said(ledger_folder):
    with pytest.raises(BadInput, match=r"No shim set Brass set Z is registered\."):
        demo_bench().shim_set("Brass set Z")


def test_an_empty_data_folder_has_an_empty_bench(ledger_folder):
    assert load_bench(ledger_folder / "not there yet") == Bench()


# ---- drafts ----


def test_a_draft_comes_back_with_its_revision(ledger_folder):
    draft = {"id": new_id(), "page": "calibrate", "rig": "Rig 2", "person": "M. Okonjo", "cells": [["0.5O3"]]}
    assert save_draft(ledger_folder, draft) == 1
    assert save_draft(ledger_folder, draft | {"revision": 1}) == 2
    found = load_draft(ledger_folder, draft["id"])
    assert found["cells"] == [["0.5O3"]]
    assert found["revision"] == 2
    (line,) = list_drafts(ledger_folder)
    assert (line.id, line.rig, line.person, line.saved) == (draft["id"], "Rig 2", "M. Okonjo", found["saved"])


def test_the_older_tab_does_not_overwrite_the_newer(ledger_folder):
    draft = {"id": new_id(), "note": "first"}
    revision = save_draft(ledger_folder, draft)
    save_draft(ledger_folder, draft | {"revision": revision, "note": "second tab"})
    with pytest.raises(Problem) as caught:
        save_draft(ledger_folder, draft | {"revision": revision, "note": "first tab, later"})
    assert caught.value.code == "draft.newer_elsewhere"
    assert load_draft(ledger_folder, draft["id"])["note"] == "second tab"


def test_signed_drafts_are_no_longer_listed(ledger_folder):
    draft = {"id": new_id(), "number": "0001"}
    save_draft(ledger_folder, draft)
    assert list_drafts(ledger_folder) == ()
    assert load_draft(ledger_folder, draft["id"])["number"] == "0001"


@pytest.mark.parametrize(
    "name",
    ["../bench", "/etc/passwd", "..", "", "a/b", None, 7, "0" * 36, "%2e%2e", "0197A000-0000-7000-8000-00000000000A"],
)
def test_ids_do_not_leave_the_folder(ledger_folder, name):
    with pytest.raises(BadInput) as caught:
        load_draft(ledger_folder, name)
    assert caught.value.code == "ledger.bad_id"
    with pytest.raises(BadInput):
        save_draft(ledger_folder, {"id": name})
    assert list_drafts(ledger_folder) == ()


def test_unknown_draft(ledger_folder):
    with pytest.raises(BadInput) as caught:
        load_draft(ledger_folder, new_id())
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


def test_writers_at_the_same_time_lose_nothing(ledger_folder):
    draft_id = new_id()
    save_draft(ledger_folder, {"id": draft_id, "count": 0})
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=count_up, args=(ledger_folder, draft_id, 10)) for _ in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0, 0, 0]
    assert load_draft(ledger_folder, draft_id)["count"] == 30


# ---- crashes ----


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


def test_numbers_follow_each_other_and_a_failed_signing_uses_none(ledger_folder):
    assert sign_and_keep(ledger_folder, RECORD, pdf_of, WHO).number == "0001"

    def wrong_passphrase(place: Place) -> bytes:
        raise ValueError("wrong passphrase")

    with pytest.raises(ValueError, match="wrong passphrase"):
        sign_and_keep(ledger_folder, RECORD, wrong_passphrase, WHO)
    assert sign_and_keep(ledger_folder, RECORD, pdf_of, WHO).number == "0002"
    assert [line.number for line in search(ledger_folder).lines] == ["0002", "0001"]


def test_what_was_signed_is_found_by_number_and_by_id(ledger_folder):
    kept = sign_and_keep(ledger_folder, RECORD, pdf_of, WHO)
    assert find(ledger_folder, "1") == find(ledger_folder, "0001") == find(ledger_folder, kept.id) == kept
    assert kept.pdf == b"%PDF- certificate 0001"
    assert kept.record == RECORD
    for absent in ("0002", new_id()):
        with pytest.raises(BadInput) as caught:
            find(ledger_folder, absent)
        assert caught.value.code == "ledger.not_found"
    with pytest.raises(BadInput) as caught:
        find(ledger_folder, "../bench")
    assert caught.value.code == "ledger.bad_id"


def test_the_last_calibration_of_a_rig_is_in_force(ledger_folder):
    assert in_force(ledger_folder, "Rig 2") is None
    sign_and_keep(ledger_folder, RECORD, pdf_of, WHO)
    second = sign_and_keep(ledger_folder, RECORD, pdf_of, WHO)
    sign_and_keep(ledger_folder, {"inputs": {"about": {"rig": {"name": "Rig 3"}}}}, pdf_of, WHO)
    assert in_force(ledger_folder, "Rig 2") == second
    assert in_force(ledger_folder, "Rig 9") is None


def test_a_record_is_kept_once(ledger_folder):
    record = RECORD | {"id": new_id()}
    sign_and_keep(ledger_folder, record, pdf_of, WHO)
    with pytest.raises(BadInput, match="number 0001"):
        sign_and_keep(ledger_folder, record, pdf_of, WHO)


def sign_some(data: Path, times: int) -> None:
    for _ in range(times):
        sign_and_keep(data, RECORD, pdf_of, WHO)


def test_signers_at_the_same_time_get_numbers_of_their_own(ledger_folder):
    context = multiprocessing.get_context("spawn")
    signers = [context.Process(target=sign_some, args=(ledger_folder, 4)) for _ in range(3)]
    for signer in signers:
        signer.start()
    for signer in signers:
        signer.join()
    assert [line.number for line in search(ledger_folder).lines] == [f"{n:04d}" for n in range(12, 0, -1)]
    assert check(ledger_folder).whole
    for n in range(1, 13):
        assert find(ledger_folder, str(n)).pdf == f"%PDF- certificate {n:04d}".encode()


def test_the_hash_does_not_depend_on_the_order_of_keys():
    assert record_sha256({"b": 1, "a": [0.1]}) == record_sha256(json.loads('{"a": [0.10], "b": 1.0}'))


def test_numbers_are_hashed_as_rfc_8785_writes_them():
    """RFC 8785, 3.2.2.3: the numbers of its example."""
    written = b'{"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27]}'
    assert record_sha256({"numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 1e-27]}) == sha256(written).hexdigest()
