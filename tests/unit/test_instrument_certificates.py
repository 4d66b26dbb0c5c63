"""Thermometers: their certificates are kept, they fall due, and a sheet read with one past its date says so."""

from __future__ import annotations

import io
import zipfile
from datetime import date
from html import unescape
from pathlib import Path

import pytest
import sqlalchemy as sa

from labkit import ledger
from labkit.ledger import Actor, InstrumentCertificate, certify, check, save_bench
from labkit.ledger.demo import demo_bench
from labkit.ledger.restore import restore
from labkit.ledger.store import open_store
from labkit.panels.bench.record import RecordForm
from labkit.panels.bench.tables import rows_of
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_due import due
from labkit.workflow.bench_instruments import read_certificate
from labkit.workflow.record_behind import everything_behind
from labkit.workflow.worker import Worker
from tests.calibrate_pages import demo_folder, finished_state, new_page
from tests.check_pages import begun_check, calibrated_folder, read
from tests.sheets import small_sheet

ENGINEER = Actor("R. Halloran", "engineer", proven=True)
TECHNICIAN = Actor("M. Okonjo", "technician", proven=True)
NEWER = InstrumentCertificate("T-3", "TC-2027-118", "2028-02-06", "2027-02-05", "Demo Calibration Service")


@pytest.fixture
def data(ledger_folder: Path) -> Path:
    save_bench(ledger_folder, demo_bench())
    return ledger_folder


def code(caught: pytest.ExceptionInfo[Problem]) -> str:
    assert str(caught.value)
    return caught.value.code


def thermometer(data: Path) -> str:
    return next(part.due for part in ledger.load_bench(data).instruments if part.name == "T-3")


def test_a_certificate_is_kept_with_its_pdf_and_the_thermometer_is_due_as_it_says(data: Path) -> None:
    pdf = small_sheet()
    certify(data, NEWER, ENGINEER, "yearly calibration", pdf)
    (kept,) = ledger.instrument_certificates(data, "T-3")
    assert (kept.certificate, kept.due, kept.issued_by, kept.who) == (
        "TC-2027-118", "2028-02-06", "Demo Calibration Service", "R. Halloran",
    )  # fmt: skip
    assert ledger.kept_pdf(data, kept.sha256) == pdf
    assert thermometer(data) == "2028-02-06"
    on = next(each.on for each in due(ledger.load_bench(data), {}, (), date(2027, 3, 1)) if each.name == "T-3")
    assert on == date(2028, 2, 6)
    assert ledger.instrument_certificates(data, "H-1") == ()
    assert check(data).whole


def test_a_number_that_is_put_right_keeps_its_pdf(data: Path) -> None:
    pdf = small_sheet()
    certify(data, NEWER, ENGINEER, "yearly calibration", pdf)
    certify(data, InstrumentCertificate("T-3", "TC-2027-118", "2028-02-05"), ENGINEER, "the date was misread")
    (kept,) = ledger.instrument_certificates(data, "T-3")
    assert (kept.due, thermometer(data)) == ("2028-02-05", "2028-02-05")
    assert ledger.kept_pdf(data, kept.sha256) == pdf


@pytest.mark.parametrize(
    ("found", "who", "why", "pdf", "expected"),
    [
        (NEWER, TECHNICIAN, "yearly", b"", "door.not_allowed"),
        (NEWER, Actor("R. Halloran", "engineer"), "yearly", b"", "door.sign_in"),
        (NEWER, ENGINEER, " ", b"", "register.no_reason"),
        (InstrumentCertificate("T-3", " ", "2028-02-06"), ENGINEER, "yearly", b"", "register.no_name"),
        (InstrumentCertificate("T-9", "1", "2028-02-06"), ENGINEER, "yearly", b"", "bench.unknown"),
        (NEWER, ENGINEER, "yearly", b"<html>", "shim.not_a_pdf"),
    ],
)
def test_what_is_refused_leaves_everything_as_it_was(
    data: Path, found: InstrumentCertificate, who: Actor, why: str, pdf: bytes, expected: str
) -> None:
    with pytest.raises((BadInput, Problem)) as caught:
        certify(data, found, who, why, pdf)
    assert code(caught) == expected
    assert (ledger.instrument_certificates(data), thermometer(data)) == ((), "2027-02-06")


def test_a_thermometer_that_was_withdrawn_gets_no_certificate(data: Path) -> None:
    ledger.withdraw(data, "instrument", "T-3", ENGINEER, "broken")
    with pytest.raises(BadInput) as caught:
        certify(data, NEWER, ENGINEER, "yearly")
    assert code(caught) == "bench.unknown"


def test_a_pdf_that_is_gone_is_found_by_the_check(data: Path) -> None:
    certify(data, NEWER, ENGINEER, "yearly calibration", small_sheet())
    store = open_store(data)
    with store.engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        connection.execute(sa.text("DELETE FROM file WHERE laboratory = :mine"), {"mine": store.laboratory})
    assert [each.code for each in check(data).faults] == ["chain.instrument_file_removed"]


def test_an_export_and_a_backup_hold_it(tmp_path: Path) -> None:
    first, second, pdf = tmp_path / "lab", tmp_path / "again", small_sheet()
    first.mkdir()
    save_bench(first, demo_bench())
    certify(first, NEWER, ENGINEER, "yearly calibration", pdf)
    ledger.export(first, tmp_path / "out")
    assert [each.read_bytes() for each in (tmp_path / "out" / "files").glob("*.pdf")] == [pdf]
    assert "TC-2027-118" in (tmp_path / "out" / "register" / "instrument-certificate.csv").read_text("utf-8-sig")
    ledger.back_up(first, tmp_path / "lab.zip", ENGINEER)
    restore(second, tmp_path / "lab.zip", ENGINEER)
    (kept,) = ledger.instrument_certificates(second, "T-3")
    assert ledger.kept_pdf(second, kept.sha256) == pdf


# ---- everything behind ----


def behind(data: Path) -> tuple[dict[str, bytes], str]:
    _, content = everything_behind(data, ["0001"], "UTC")
    with zipfile.ZipFile(io.BytesIO(content)) as found:
        files = {each: found.read(each) for each in found.namelist()}
    return files, unescape(files["index.html"].decode())


def test_an_auditor_gets_the_certificate_that_the_record_s_date_is_from(tmp_path: Path) -> None:
    data, pdf, later = calibrated_folder(tmp_path), small_sheet(), small_sheet() + b"\n% another"
    _, index = behind(data)
    assert "No certificate of T-3 is kept here; it was registered as due on 2027-02-06." in index
    certify(data, InstrumentCertificate("T-3", "TC-2026-118", "2027-02-06"), ENGINEER, "handed in late", pdf)
    certify(data, NEWER, ENGINEER, "yearly calibration", later)
    files, index = behind(data)
    assert files["0001/instruments/T-3 TC-2026-118.pdf"] == pdf
    assert later not in files.values(), "it was not relied upon then"
    assert "Certificate TC-2026-118 of T-3" in index and "No certificate of T-3" not in index
    assert "No certificate of H-1 is kept here" in index


# ---- the pages ----


def test_a_calibration_read_with_a_thermometer_past_its_date_says_so_on_the_sheet(tmp_path: Path) -> None:
    demo_folder(tmp_path)
    page = new_page(tmp_path, finished_state() | {"id": ledger.new_id()})
    assert page.particulars is not None and page.result is not None
    assert "thermometer" not in page.particulars.doubts
    certify(tmp_path, InstrumentCertificate("T-3", "TC-2025-118", "2026-02-06"), ENGINEER, "the last one that it has")
    page = new_page(tmp_path, finished_state() | {"id": ledger.new_id()})
    assert page.particulars is not None and page.result is not None
    assert page.particulars.doubts["thermometer"].params == {"name": "T-3", "due": "2026-02-06"}
    said = "T-3, with which the conditions were read, was due for calibration on 2026-02-06."
    assert said in page.result.about.remarks
    page.set_field("thermometer", "")
    assert "thermometer" not in page.particulars.doubts and said not in page.result.about.remarks


def test_a_check_says_so_too(tmp_path: Path) -> None:
    data = calibrated_folder(tmp_path)
    certify(data, InstrumentCertificate("T-3", "TC-2025-118", "2026-02-06"), ENGINEER, "the last one that it has")
    page = begun_check(data)
    read(page)
    assert page.particulars is not None and page.check is not None
    assert "thermometer" in page.particulars.doubts
    assert [each for each in page.check.to_dict()["inputs"]["about"]["remarks"] if "T-3" in each]


def test_what_is_typed_becomes_a_certificate_or_names_the_field() -> None:
    made, faults = read_certificate("T-3", {"certificate": " TC-1 ", "due": "6 Feb 2028", "certified_on": "2027-02-05"})
    assert (made.certificate, made.due, made.certified_on, faults) == ("TC-1", "2028-02-06", "2027-02-05", {})
    _, faults = read_certificate("T-3", {"due": "soon", "issued_by": "x" * 300})
    assert {name: fault.code for name, fault in faults.items()} == {
        "certificate": "field.needed", "due": "table.not_a_date", "issued_by": "field.long",
    }  # fmt: skip
    _, faults = read_certificate("T-3", {"certificate": "1", "due": "2026-02-05", "certified_on": "2027-02-05"})
    assert set(faults) == {"due"}


def test_the_form_of_a_thermometer_lists_its_certificates_and_keeps_a_new_one(tmp_path: Path) -> None:
    save_bench(tmp_path, demo_bench())
    page = BenchPage(tmp_path, worker=Worker(inline=True))
    page.begin()
    page._actor = ENGINEER
    form = RecordForm(page, lambda callback, beside=None: callback, lambda _action, _says, then: then())  # type: ignore[arg-type, return-value]
    form.open("instrument", "T-3")
    part = form.certificates
    assert part.root.layout.display == "" and part._list.layout.display == "none"
    with pytest.raises(BadInput, match="right"):
        part._keep("yearly calibration")
    for name, text in (("certificate", "TC-2027-118"), ("due", "2028-02-06")):
        part._typed(name, text)
    part._pdf.take("t-3.pdf", small_sheet())
    part._keep("yearly calibration")
    (kept,) = page.instrument_certificates
    assert (kept.certificate, bool(kept.sha256)) == ("TC-2027-118", True)
    assert form._fields["due"] == "2028-02-06", "the form shows the date that holds now"
    row = next(row for row in rows_of("instrument", page) if row.id == "T-3")
    assert "TC-2027-118" in [cell.text for cell in row.cells]
    form.open("gauge", "G-07")
    assert part.root.layout.display == "none"
