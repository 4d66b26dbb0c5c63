"""The golden store of each released schema opens forever: it holds what it held, and is gone on with."""

from __future__ import annotations

import gzip
import shutil
import sqlite3
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config

from labkit import ledger
from labkit.calibration import Calibration
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import Actor
from labkit.ledger.attempts import before_passphrase, wrong_passphrase
from labkit.ledger.backups import last_backup
from labkit.ledger.behind import behind
from labkit.ledger.checks import checks_of
from labkit.ledger.leaning import leaning_on
from labkit.ledger.restore import restore
from labkit.ledger.standing import standings
from labkit.ledger.store import DATABASE, make_engine, open_store
from labkit.ledger.withdrawals import kept_lists, withdrawals
from labkit.problems import BadInput
from labkit.sheet.identity import make_authority, make_signer
from labkit.sheet.verify import verify
from labkit.workflow.record_behind import everything_behind
from labkit.workflow.signing import signed_sheet
from tests.calibrate_pages import new_page
from tests.check_pages import begun_check, new_check, read

HERE = Path(__file__).parents[1] / "golden" / "schema_0001"
BACKUP, PACKED = "backup.zip", "ledger.sqlite.gz"
RIG = "Rig 2"
TECHNICIAN = Actor("M. Okonjo", "technician", proven=True)
COLLEAGUE = Actor("D. Abara", "technician", proven=True)
ENGINEER = Actor("R. Halloran", "engineer", proven=True)
MANAGER = Actor("E. Marsh", "manager", proven=True)

LARGEST = 400_000
"""Of a file that stays in the repository forever [bytes]."""


@pytest.fixture
def store_0001(tmp_path: Path) -> Path:
    """A data folder with the golden store, as an installation of that day has left it."""
    data = tmp_path / "lab"
    data.mkdir()
    (data / DATABASE).write_bytes(gzip.decompress((HERE / PACKED).read_bytes()))
    (data / "identities").mkdir()
    shutil.copy(HERE / "authority.pem", data / "identities" / "authority.pem")
    return data


@pytest.fixture(params=["opened", "restored"])
def golden(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The golden store opened, and its backup restored."""
    if request.param == "opened":
        found: Path = request.getfixturevalue("store_0001")
        return found
    data = tmp_path / "restored"
    restore(data, HERE / BACKUP, MANAGER)
    return data


def schema(database: sqlite3.Connection) -> set[tuple[str, ...]]:
    """Every table and index, as SQL without its white space."""
    rows = database.execute("SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_master").fetchall()
    return {tuple(" ".join(each.split()) for each in row) for row in rows}


def test_the_first_migration_still_makes_the_schema_that_was_released(store_0001: Path, tmp_path: Path) -> None:
    """Fails as soon as a released migration is edited: a change is a migration of its own."""
    engine = make_engine(f"sqlite:///{tmp_path / 'fresh.sqlite'}")
    with engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        config = Config()
        config.set_main_option("script_location", "labkit.ledger:migrations")
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    fresh, kept = sqlite3.connect(tmp_path / "fresh.sqlite"), sqlite3.connect(store_0001 / DATABASE)
    assert schema(fresh) == schema(kept)


def test_a_golden_store_that_was_opened_has_the_schema_of_a_fresh_one(golden: Path, tmp_path: Path) -> None:
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    for data in (fresh, golden):
        open_store(data)
    made, brought = sqlite3.connect(fresh / DATABASE), sqlite3.connect(golden / DATABASE)
    assert schema(made) == schema(brought)


def test_what_is_kept_forever_is_small() -> None:
    for file in HERE.iterdir():
        assert file.stat().st_size < LARGEST, file.name


def test_the_chain_is_whole_and_every_certificate_witnesses_it(golden: Path) -> None:
    report = ledger.check(golden)
    assert report.whole, [str(each) for each in report.faults]
    assert report.entries > 100
    for line in ledger.search(golden).lines:
        entry = ledger.find(golden, line.number)
        assert ledger.check(golden, witness=entry.head).whole, line.number


def test_everything_that_is_registered_is_read(golden: Path) -> None:
    bench = ledger.load_bench(golden)
    assert [(each.name, each.role) for each in bench.people] == [
        ("M. Okonjo", "technician"), ("D. Abara", "technician"), ("S. Whitby", "technician"),
        ("R. Halloran", "engineer"), ("E. Marsh", "manager"),
    ]  # fmt: skip
    assert (bench.laboratory.name, bench.place, bench.approval) == ("Larkfield Closures", "Laboratory, table 3", True)
    (gone,) = withdrawals(golden)
    assert (gone.name, gone.why, gone.since) == ("K. Doyle", "left", "2026-11-27T16:00:00Z")
    assert kept_lists(golden)[0].startswith(b"-----BEGIN X509 CRL")
    assert [each.name for each in bench.rigs] == ["Rig 2", "Rig 3", "Rig 5"]
    assert [(each.name, each.revision) for each in bench.procedures] == [("LP-12", "5")]
    assert {(each.kind, each.name, each.state) for each in bench.not_in_use} == {
        ("person", "K. Doyle", "withdrawn"), ("rig", "Rig 4", "withdrawn"), ("shim", "Brass set B/B-3", "set aside"),
    }  # fmt: skip
    assert "dropped; µ ☂ 漢" in [each.why for each in bench.not_in_use]
    newer, older = ledger.shim_certificates(golden, "Brass set A", "A-5")
    assert (newer.shim.certificate, newer.shim.thickness_mm) == ("DC-2027-A-5", 0.7497)
    assert (older.shim.certificate, older.shim.thickness_mm) == ("DC-2026-A-5", 0.7498)
    (thermometer,) = ledger.instrument_certificates(golden)
    assert (thermometer.instrument, thermometer.certificate, thermometer.due) == ("T-3", "TC-2026-118", "2027-02-06")
    for digest in (newer.pdf_sha256, thermometer.sha256):
        assert ledger.kept_pdf(golden, digest).startswith(b"%PDF")
    assert [(each.text, each.by) for each in ledger.notes(golden)] == [("The cable is short.", "R. Halloran")]
    assert ledger.reasons_of(golden, "rig", "Rig 4")[2] == "the probe is lost"


def test_what_was_asked_is_live_put_away_and_counted_is_read(golden: Path) -> None:
    states = sorted((each.state, each.by, each.note) for each in ledger.requests(golden))
    assert states == [
        ("approved", "M. Okonjo", ""), ("approved", "M. Okonjo", "seen"), ("approved", "R. Halloran", ""),
        ("asked", "M. Okonjo", ""), ("seen", "M. Okonjo", "Say which cleaner."),
    ]  # fmt: skip
    (live,) = ledger.live_gauges(golden)
    assert (live.gauge, live.rig, live.person) == ("G-07", RIG, "M. Okonjo")
    (away,) = ledger.away_drafts(golden).values()
    assert (away.why, away.by) == ("begun by mistake", "M. Okonjo")
    drafts = ledger.list_drafts(golden)
    assert sorted((each.page, each.rig, each.owner) for each in drafts) == [
        ("calibrate", "Rig 2", "M. Okonjo"), ("calibrate", "Rig 2", "R. Halloran"),
        ("calibrate", "Rig 5", "D. Abara"), ("calibrate", "Rig 5", "M. Okonjo"),
    ]  # fmt: skip


def test_wrong_passphrases_go_on_being_counted(store_0001: Path) -> None:
    """One was wrong before the release: two more, and the signing file rests."""
    wrong_passphrase(store_0001, TECHNICIAN.name)
    before_passphrase(store_0001, TECHNICIAN.name)
    wrong_passphrase(store_0001, TECHNICIAN.name)
    with pytest.raises(BadInput) as caught:
        before_passphrase(store_0001, TECHNICIAN.name)
    assert caught.value.code == "door.rests"


def test_every_signed_result_is_found_proved_and_recomputes(golden: Path) -> None:
    found = ledger.search(golden)
    assert sorted((each.number, each.kind, each.rig) for each in found.lines) == [
        ("0001", "calibration", "Rig 2"), ("0001-01", "check", "Rig 2"),
        ("0002", "calibration", "Rig 3"), ("0003", "calibration", "Rig 3"),
    ]  # fmt: skip
    trust = [(HERE / "authority.pem").read_bytes()]
    for number in ("0001", "0001-01"):
        assert verify(ledger.find(golden, number).pdf, trust).verdict == "genuine", number
    first = ledger.find(golden, "0001")
    again = Calibration.from_dict(first.record)
    assert [(each.point, each.outcome) for each in again.checks] == [
        (each["point"], each["decision"]["outcome"]) for each in first.record["results"]["checks"]
    ]
    in_force = ledger.in_force(golden, "Rig 3")
    assert in_force is not None and in_force.number == "0003"
    assert in_force.pdf == in_force.first_pdf + b"\n% signed again\n", "what was signed twice is handed out"
    replaced = next(each for each in found.lines if each.number == "0002")
    assert replaced.replaced_by == "0003"
    assert standings(golden, [first.id])[first.id].approved is not None
    (kept,) = checks_of(golden, RIG)
    assert (kept.number, kept.certificate) == ("0001-01", "0001")


def test_everything_behind_a_certificate_is_there(golden: Path) -> None:
    everything = behind(golden, "0001")
    assert everything.approval is not None and everything.approval.by == "R. Halloran"
    kinds = {each.kind for each in everything.leans}
    assert kinds == {"gauge", "instrument", "person", "probe", "procedure", "rig", "shim", "target", "tip"}
    thermometer = next(each for each in everything.leans if each.subject == "T-3")
    assert thermometer.certificate is not None and thermometer.stands_on is not None
    leans, total = leaning_on(golden, "shim", "Brass set A/A-3")
    assert (total, [each.number for each in leans]) == (1, ["0001"])
    _, content = everything_behind(golden, ["0001", "0001-01"], "UTC")
    assert content.startswith(b"PK")


def test_an_export_writes_all_of_it(golden: Path, tmp_path: Path) -> None:
    done = ledger.export(golden, tmp_path / "out")
    assert (done.results, done.drafts, done.report.whole) == (4, 6, True)


def test_it_is_gone_on_with(golden: Path) -> None:
    """A draft of that day is taken up, a check is signed, and the chain joins."""
    file = make_signer(TECHNICIAN.name, make_authority("Larkfield Closures"), DEMO_PASSPHRASE)
    (golden / "identities").mkdir(exist_ok=True)
    (golden / "identities" / "m-okonjo.p12").write_bytes(file)
    line = next(each for each in ledger.list_drafts(golden) if (each.rig, each.owner) == (RIG, "M. Okonjo"))
    page = new_page(golden, ledger.load_draft(golden, line.id))
    kept = page.log.line("zero:")
    assert kept is not None and [cell.text for cell in kept.cells[:2]] == ["0.009", "0.01O"]
    ledger.put_away(golden, line.id, TECHNICIAN, "as a new one is begun")
    check = begun_check(golden, at="2026-11-29T07:12:00Z")
    read(check)
    assert check.sign(DEMO_PASSPHRASE, signed_sheet) == "0001-02"
    assert new_check(golden, ledger.load_draft(golden, check.id)).number == "0001-02"
    ledger.write_note(golden, "rig", RIG, "A new cable.", COLLEAGUE)
    ledger.register(golden, "procedure", "LP-13", {"name": "LP-13", "revision": "1"}, ENGINEER)
    report = ledger.check(golden)
    assert report.whole, [str(each) for each in report.faults]


def test_what_was_restored_says_where_it_is_from(tmp_path: Path, store_0001: Path) -> None:
    restore(tmp_path / "restored", HERE / BACKUP, MANAGER)
    assert last_backup(store_0001) is not None
    with open_store(tmp_path / "restored").reading() as connection:
        assert connection.execute(sa.text("SELECT count(*) FROM version WHERE kind = 'restore'")).scalar() == 1
