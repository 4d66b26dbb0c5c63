"""
The golden store of schema 0001: a ledger with something of everything in it, and a backup of it.

Made once, before the release, and never again: ``python -m tests.golden.make_schema_0001`` refuses where it is there.
The two PDFs of a calibration and of a check are what labkit made on that day.
"""

from __future__ import annotations

import gzip
import shutil
import sqlite3
import sys
import tempfile
from dataclasses import asdict, replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import pikepdf

from labkit import ledger
from labkit.commands.demo import DEMO_PASSPHRASE, prepare_demo
from labkit.ledger import Actor, InstrumentCertificate, Person, new_id
from labkit.ledger.attempts import wrong_passphrase
from labkit.ledger.schema import REVISION
from labkit.ledger.store import DATABASE, close_store
from labkit.ledger.withdrawals import Withdrawal, withdraw_signer
from labkit.sheet.identity import fingerprint_of, make_authority, make_signer, open_signing_file
from labkit.sheet.withdrawn import Withdrawn, make_list
from labkit.workflow.replacing import draft_to_replace
from labkit.workflow.signing import signed_sheet
from tests.calibrate_pages import Asleep, finished_state, new_page, take
from tests.check_pages import RIG, begun_check, read

HERE: Final = Path(__file__).parent / "schema_0001"
BACKUP: Final = "backup.zip"
PACKED: Final = f"{DATABASE}.gz"

TECHNICIAN: Final = Actor("M. Okonjo", "technician", proven=True)
COLLEAGUE: Final = Actor("D. Abara", "technician", proven=True)
ENGINEER: Final = Actor("R. Halloran", "engineer", proven=True)
MANAGER: Final = Actor("E. Marsh", "manager", proven=True)


def main() -> int:
    assert REVISION == "0001", "a later schema has a golden store of its own"
    if HERE.exists():
        print(f"{HERE} is there already; a released schema is never made again.", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "lab"
        data.mkdir()
        fill(data)
        HERE.mkdir()
        ledger.back_up(data, HERE / BACKUP, MANAGER)
        close_store(data)
        with sqlite3.connect(data / DATABASE) as connection:
            connection.execute("VACUUM")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.close()
        (HERE / PACKED).write_bytes(gzip.compress((data / DATABASE).read_bytes(), mtime=0))
        (HERE / f"{BACKUP}.sha256").unlink()
        shutil.copyfile(data / "identities" / "authority.pem", HERE / "authority.pem")
    for made in sorted(HERE.iterdir()):
        made.chmod(0o644)
        print(f"{made.name}: {made.stat().st_size} bytes")
    return 0


def fill(data: Path) -> None:
    """One of everything that schema 0001 keeps."""
    prepare_demo(data)
    _register(data)
    first = _signed(data)
    _check(data)
    _replaced(data, first)
    _drafts(data)
    wrong_passphrase(data, TECHNICIAN.name)


def _register(data: Path) -> None:
    """People with every role, a laboratory that was changed, certificates with PDFs, notes, what left the bench."""
    laboratory = next(each for each in ledger.load_register(data, "laboratory"))
    ledger.register(data, "person", "K. Doyle", asdict(Person("K. Doyle", "technician")), MANAGER)
    ledger.withdraw(data, "person", "K. Doyle", MANAGER, "left the laboratory")
    body = {key: value for key, value in laboratory.body.items() if key not in ("order", "state", "why")}
    ledger.register(data, "laboratory", "laboratory", body | {"place": "Laboratory, table 3"}, MANAGER, "moved")
    ledger.register(data, "procedure", "LP-12", {"name": "LP-12", "revision": "5"}, ENGINEER, "new check limits")
    pdf = _pdf("Certificate DC-2027-A-5")
    shim = ledger.load_bench(data).shim_set("Brass set A")["A-5"]
    recertified = replace(shim, certificate="DC-2027-A-5", thickness_mm=0.7497)
    ledger.register_shims(data, "Brass set A", [recertified], ENGINEER, "recertified", pdf)
    ledger.set_aside(data, "Brass set B", "B-3", TECHNICIAN, "dropped; µ ☂ 漢")
    found = InstrumentCertificate("T-3", "TC-2026-118", "2027-02-06", "2026-02-06", "Demo Calibration Service")
    ledger.certify(data, found, ENGINEER, "handed in", _pdf("Certificate TC-2026-118"))
    ledger.withdraw(data, "customer", "Larkfield Closures, Moulding, in-house", ENGINEER, "moved away")
    ledger.put_back(data, "customer", "Larkfield Closures, Moulding, in-house", ENGINEER, "came back")
    ledger.withdraw(data, "rig", "Rig 4", ENGINEER, "the probe is lost")
    _withdraw_signer(data)
    ledger.write_note(data, "rig", RIG, "The cable is short.", ENGINEER)
    ledger.strike_out(data, ledger.write_note(data, "gauge", "G-11", "wrong one", ENGINEER).id, ENGINEER)


def _withdraw_signer(data: Path) -> None:
    """Somebody who left signs no more."""
    authority = make_authority("Larkfield Closures")
    certificate, _ = open_signing_file(make_signer("K. Doyle", authority, DEMO_PASSPHRASE), DEMO_PASSPHRASE)[:2]
    serial, since = certificate.serial_number, datetime(2026, 11, 27, 16, 0, tzinfo=UTC)
    found = Withdrawal(
        fingerprint_of(certificate), "K. Doyle", str(serial), "2026-11-27T16:00:00Z", "left", "left the laboratory"
    )
    crl = make_list(authority, [Withdrawn(serial, since, "left")], 1)
    (data / "trust").mkdir()
    (data / "trust" / "earlier.pem").write_bytes(authority.certificate_pem)
    withdraw_signer(data, found, crl, MANAGER)


def _signed(data: Path) -> str:
    """A certificate that was asked for, sent back, asked for again, signed and approved."""
    page = new_page(data, finished_state() | {"id": new_id()})
    page.set_tick("clean", True)
    asked = ledger.ask(data, page.id, TECHNICIAN, to=ENGINEER.name, says="pass")
    ledger.send_back(data, asked.id, ENGINEER, "Say which cleaner.")
    ledger.seen(data, asked.id, TECHNICIAN)
    ledger.ask(data, page.id, TECHNICIAN, says="pass")
    number = page.sign(DEMO_PASSPHRASE, signed_sheet)
    ledger.approve(data, page.id, ENGINEER, "seen")
    return number


def _check(data: Path) -> None:
    page = begun_check(data, at="2026-11-28T07:12:00Z")
    read(page)
    page.sign(DEMO_PASSPHRASE, signed_sheet)


def _replaced(data: Path, number: str) -> None:
    """Certificates are approved with a second signature from now on; one, without a sheet of its own, is replaced."""
    laboratory = next(each for each in ledger.load_register(data, "laboratory"))
    body = {key: value for key, value in laboratory.body.items() if key not in ("order", "state", "why")}
    ledger.register(data, "laboratory", "laboratory", body | {"approval": True}, MANAGER, "new quality manual")
    rig = {"name": "Rig 3", "gauge": {"name": "G-11"}, "target": {"name": "Ball 3.0", "kind": "ball 3.0 mm"}}
    numbers = []
    for replaces in ("", "it"):
        record = {"schema": "labkit.calibration/1", "id": new_id(), "inputs": {"about": {"rig": rig}}}
        kept = ledger.sign_and_keep(
            data,
            record,
            lambda place: _pdf(f"Certificate {place.number}"),
            TECHNICIAN if not replaces else ENGINEER,
            replaces=numbers[0] if replaces else "",
            reason="the customer was wrong" if replaces else "",
        )
        numbers.append(kept.number)
        approver = MANAGER if replaces else ENGINEER
        ledger.approve(data, kept.id, approver, sign=lambda pdf, _: pdf + b"\n% signed again\n")
    draft_to_replace(data, ledger.find(data, number), ENGINEER, "a note was missing", ledger.utc_now())


def _drafts(data: Path) -> None:
    """One with readings on a gauge that is in use, one that a colleague took over, one that was put away."""
    page = begun_page_in(data, RIG)
    read_some(page)
    taken = _empty_draft(data)
    ledger.take_over(data, taken, COLLEAGUE)
    ledger.put_away(data, _empty_draft(data), TECHNICIAN, "begun by mistake")
    ledger.ask(data, page.id, TECHNICIAN)


def begun_page_in(data: Path, rig: str) -> Any:
    """A page Calibrate of the laboratory that is there."""
    page = new_page(data, worker=Asleep())
    page.choose_person(TECHNICIAN.name)
    page.choose_rig(rig)
    page.set_field("temperature", "20.1")
    return page


def read_some(page: Any) -> None:
    take(page, "background:", "11.634")
    take(page, "zero:", "0.009", "0.01O")


def _empty_draft(data: Path) -> str:
    made = {"id": new_id(), "page": "calibrate", "rig": "Rig 5", "person": TECHNICIAN.name, "owner": TECHNICIAN.name}
    ledger.save_draft(data, made, TECHNICIAN)
    return str(made["id"])


def _pdf(title: str) -> bytes:
    """A PDF of one empty page."""
    made, out = pikepdf.new(), BytesIO()
    made.add_blank_page()
    made.docinfo["/Title"] = title
    made.save(out)
    return out.getvalue()


if __name__ == "__main__":
    sys.exit(main())
