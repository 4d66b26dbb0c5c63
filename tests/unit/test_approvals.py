"""Certificates that a second person signs: not in force before, two files after, and the ledger knows both."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from labkit import ledger
from labkit.commands.demo import prepare_demo
from labkit.ledger import Actor, check, find, in_force, new_id, save_bench, sign_and_keep
from labkit.ledger.backup import back_up
from labkit.ledger.chain import Head
from labkit.ledger.demo import demo_bench
from labkit.ledger.restore import Asked, restore
from labkit.ledger.schema import FILE
from labkit.ledger.search import known_pdf
from labkit.ledger.standing import known_since, standings
from labkit.ledger.store import open_store
from labkit.ledger.waiting import approved_file
from labkit.ledger.witnessed import check_against
from labkit.panels.bench.page import BenchView
from labkit.problems import BadInput, Problem
from labkit.sheet.sign import sign
from labkit.sheet.verify import trusted_here, verify
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_register import fields_of, read_form
from labkit.workflow.door import signing_file
from labkit.workflow.worker import Worker
from tests.sheets import real_record, small_sheet

CALIBRATED = Actor("M. Okonjo", "technician", proven=True)
ENGINEER = Actor("R. Halloran", "engineer", proven=True)


@pytest.fixture
def data(ledger_folder: Path) -> Path:
    """A laboratory that wants its certificates signed by two."""
    save_bench(ledger_folder, replace(demo_bench(), approval=True))
    return ledger_folder


def certificate(data: Path, rig: str = "Rig 2", **more: Any) -> ledger.Entry:
    found = {"schema": "labkit.calibration/1", "id": new_id(), "inputs": {"about": {"rig": {"name": rig}}}}
    return sign_and_keep(data, found, lambda place: f"%PDF {place}".encode(), CALIBRATED, **more)


def again(pdf: bytes, _wants: object) -> bytes:
    return pdf + b" approved"


def test_it_is_in_force_once_it_is_approved_and_asks_for_that_by_itself(data: Path) -> None:
    entry = certificate(data)
    assert b"to_approve=True" in entry.pdf
    assert in_force(data, "Rig 2") is None and ledger.last_calibrations(data) == {}
    (request,) = ledger.requests(data)
    assert (request.about, request.to, request.by, request.open) == (entry.id, "", "M. Okonjo", True)
    assert standings(data, [entry.id])[entry.id].waits
    ledger.approve(data, entry.id, ENGINEER, "read", again)
    now = in_force(data, "Rig 2")
    assert now is not None and now.number == entry.number
    assert list(ledger.last_calibrations(data)) == ["Rig 2"]
    assert ledger.requests(data)[0].state == "approved"
    found = standings(data, [entry.id])[entry.id]
    assert (found.approved_by, found.waits) == ("R. Halloran", False)
    assert check(data).whole


def test_the_older_one_stays_in_force_until_its_successor_is_approved(data: Path) -> None:
    first = certificate(data)
    ledger.approve(data, first.id, ENGINEER, "", again)
    amends = Actor("R. Halloran", "engineer", proven=True)
    second = {"schema": "labkit.calibration/1", "id": new_id(), "inputs": {"about": {"rig": {"name": "Rig 2"}}}}
    later = sign_and_keep(data, second, lambda _: b"%PDF 2", amends, replaces=first.number, reason="wrong shim")
    now = in_force(data, "Rig 2")
    assert now is not None and now.number == first.number
    third = certificate(data)
    before = in_force(data, "Rig 2", before=third.number)
    assert before is not None and before.number == first.number
    ledger.approve(data, later.id, Actor("E. Marsh", "manager", proven=True), "", again)
    now, before = in_force(data, "Rig 2"), in_force(data, "Rig 2", before=third.number)
    assert now is not None and now.number == later.number
    assert before is not None and before.number == first.number, "it was approved after the third was signed"


def test_both_files_are_kept_and_the_approved_one_is_handed_out(data: Path, tmp_path_factory: Any) -> None:
    first = certificate(data).pdf
    entry = find(data, "1")
    assert (entry.pdf, entry.first_pdf) == (first, b"")
    began = datetime.now(UTC)
    ledger.approve(data, entry.id, ENGINEER, "", again)
    entry = find(data, "1")
    assert (entry.pdf, entry.first_pdf) == (first + b" approved", first)
    for pdf in (entry.pdf, first):
        known = known_pdf(data, pdf)
        assert known is not None and known.number == "0001"
    since, later = known_since(data, first), known_since(data, entry.pdf)
    assert since is not None and later is not None and since < later
    assert began - timedelta(seconds=5) < later
    assert known_since(data, b"%PDF other") is None
    witness = Head(entry.head.entries, entry.head.hash)
    assert all(check_against(data, "0001", witness, pdf).whole for pdf in (entry.pdf, first))
    assert not check_against(data, "0001", witness, b"%PDF other").whole
    folder = tmp_path_factory.mktemp("out")
    ledger.export(data, folder / "all")
    assert (folder / "all" / "results" / "0001.approved.pdf").read_bytes() == entry.pdf
    assert (folder / "all" / "results" / "0001.pdf").read_bytes() == first
    back_up(data, folder / "backup.zip", ENGINEER)
    target = folder / "restored"
    target.mkdir()
    restore(target, folder / "backup.zip", ENGINEER, Asked(True, "moved", "", None))
    assert find(target, "1").pdf == entry.pdf and check(target).whole


def test_an_approved_file_that_is_gone_is_found(data: Path) -> None:
    entry = certificate(data)
    ledger.approve(data, entry.id, ENGINEER, "", again)
    store = open_store(data)
    with store.reading() as connection:
        digest = approved_file(connection, store.laboratory, entry.id)
    with store.engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        connection.execute(sa.delete(FILE).where(FILE.c.sha256 == digest))
    assert [fault.code for fault in check(data).faults] == ["chain.approved_removed"]
    with pytest.raises(Problem) as caught:
        find(data, "1")
    assert caught.value.code == "ledger.changed"


def test_nothing_is_approved_where_the_second_signature_fails(data: Path) -> None:
    entry = certificate(data)
    for sign_again, code in ((None, "request.signature"), (lambda *_: b"%PDF another", "request.other_file")):
        with pytest.raises(BadInput) as caught:
            ledger.approve(data, entry.id, ENGINEER, "", sign_again)
        assert caught.value.code == code and str(caught.value)

    def breaks(*_: object) -> bytes:
        raise BadInput("sign.wrong_passphrase")

    with pytest.raises(BadInput):
        ledger.approve(data, entry.id, ENGINEER, "", breaks)
    for who, code in ((CALIBRATED, "door.not_allowed"), (Actor("R. Halloran", "engineer"), "door.sign_in")):
        with pytest.raises(Problem) as refused:
            ledger.approve(data, entry.id, who, "", again)
        assert refused.value.code == code
    assert ledger.approval_of(data, entry.id) is None and find(data, "1").first_pdf == b""


def test_nobody_approves_what_they_signed(data: Path) -> None:
    found = {"schema": "labkit.calibration/1", "id": new_id()}
    entry = sign_and_keep(data, found, lambda _: b"%PDF", ENGINEER)
    with pytest.raises(Problem) as refused:
        ledger.approve(data, entry.id, ENGINEER, "", again)
    assert refused.value.code == "request.own"
    assert ledger.requests(data)[0].open, "an engineer's own certificate is asked of another"


def test_a_laboratory_that_wants_one_signature_has_one(ledger_folder: Path) -> None:
    save_bench(ledger_folder, demo_bench())
    entry = certificate(ledger_folder)
    assert b"to_approve=False" in entry.pdf and ledger.requests(ledger_folder) == ()
    assert in_force(ledger_folder, "Rig 2") is not None
    ledger.approve(ledger_folder, entry.id, ENGINEER)
    assert find(ledger_folder, "1").pdf == entry.pdf


def test_the_settings_are_in_the_register_and_in_its_form(data: Path) -> None:
    bench = ledger.load_bench(data)
    assert (bench.approval, bench.timestamps) == (True, "")
    (body,) = (each.body for each in ledger.load_register(data, "laboratory"))
    fields = fields_of("laboratory", body, "laboratory")
    assert (fields["approval"], fields["timestamps"]) == ("yes", "")
    register = ledger.load_register(data)
    read, faults = read_form(
        "laboratory", fields | {"approval": "", "timestamps": "http://tsa.example/a"}, register, None
    )
    assert (faults, read["approval"], read["timestamps"]) == ({}, False, "http://tsa.example/a")
    for wrong in ("tsa.example", "ftp://tsa.example", "file:///etc/passwd", "http:///x", "http://a b"):
        _, faults = read_form("laboratory", fields | {"timestamps": wrong}, register, None)
        assert list(faults) == ["timestamps"], wrong


# ---- the whole way, on the page Bench ----


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    prepare_demo(tmp_path)
    save_bench(tmp_path, replace(ledger.load_bench(tmp_path), approval=True))
    return tmp_path


def real_certificate(data: Path) -> ledger.Entry:
    record = real_record() | {"id": new_id()}
    p12 = signing_file(data, ledger.load_bench(data).person("M. Okonjo"))

    def make(place: ledger.Place) -> bytes:
        return sign(
            small_sheet(json.dumps(record)), p12, "demo", to_approve=place.to_approve, timestamps=place.timestamps,
            withdrawn=place.withdrawn,
        )  # fmt: skip

    return sign_and_keep(data, record, make, CALIBRATED)


def test_an_engineer_signs_the_very_file_on_the_bench(demo: Path) -> None:
    entry = real_certificate(demo)
    assert verify(entry.pdf, trusted_here(demo)).verdict == "awaiting approval"
    page = BenchPage(demo, worker=Worker(inline=True))
    page.begin()
    page.sign_in("R. Halloran", "demo")
    (waiting,) = page.to_approve
    assert page.signs_to_approve(waiting)
    with pytest.raises(BadInput) as caught:
        page.approve(waiting, "read", "guess")
    assert caught.value.code == "sign.wrong_passphrase" and ledger.approval_of(demo, entry.id) is None
    page.approve(waiting, "read", "demo")
    approved = find(demo, entry.number)
    assert approved.pdf.startswith(entry.pdf) and approved.first_pdf == entry.pdf
    found = verify(approved.pdf, trusted_here(demo))
    assert (found.verdict, found.signer, found.approver) == ("genuine", "M. Okonjo", "R. Halloran")
    assert page.to_approve == () and check(demo).whole


def test_the_bench_asks_for_the_passphrase_and_says_what_it_refuses(demo: Path) -> None:
    entry = real_certificate(demo)
    page = BenchPage(demo, worker=Worker(inline=True))
    page.begin()
    page.sign_in("R. Halloran", "demo")
    view = BenchView(page)
    view.refresh()
    part = view.waiting._read
    view.waiting._asked._on_press(page.to_approve[0].request.id, "read")
    part._approve._on_answer("read")
    assert part._passphrase.root.layout.display == "" and "Certificate 0001" in part._passphrase._say.value
    part._passphrase._line._on_answer("guess")
    assert "does not open your signing file" in part._refused.value
    assert ledger.approval_of(demo, entry.id) is None
    assert part._passphrase.root.layout.display == "", "asked for again"
    part._passphrase._line._on_answer("demo")
    approval = ledger.approval_of(demo, entry.id)
    assert approval is not None and (approval.note, bool(approval.pdf_sha256)) == ("read", True)
    assert part.root.layout.display == "none"


def test_without_the_timestamp_authority_nothing_is_signed_and_no_number_used(demo: Path) -> None:
    save_bench(demo, replace(ledger.load_bench(demo), approval=False, timestamps="http://127.0.0.1:9/tsa"))
    before = ledger.head(demo)
    with pytest.raises(Problem) as caught:
        real_certificate(demo)
    assert caught.value.code == "timestamp.unreachable"
    assert "no number was used" in str(caught.value)
    assert ledger.head(demo) == before
    save_bench(demo, replace(ledger.load_bench(demo), timestamps=""))
    assert real_certificate(demo).number == "0001"
