"""Backups of a ledger in use, and putting them back: on a database of its own, on a server, and from one to the other."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
import sqlalchemy as sa

from labkit.ledger import (
    Actor,
    back_up,
    check,
    head,
    last_backup,
    list_drafts,
    load_bench,
    new_id,
    save_bench,
    save_draft,
)
from labkit.ledger.backups import restores
from labkit.ledger.demo import demo_bench
from labkit.ledger.restore import MOST_SKIPPED, Asked, restore
from labkit.ledger.store import close_store, open_store
from labkit.problems import BadInput, Problem
from tests.ledgers import WHO, filled, rows, sign
from tests.postgres import Server
from tests.sheets import PASSPHRASE, Laboratory

ME = Actor("root")
REPLACE = Asked(replace=True, why="the disk was lost")
OWN = ("laboratory", "backup", "restore")
"""What a restore is meant to change."""


def refused(data: Path, file: Path, asked: Asked | None = None) -> str:
    with pytest.raises(BadInput) as caught:
        restore(data, file, ME, asked)
    assert str(caught.value)
    return caught.value.code


# ---- the file ----


def test_a_backup_is_one_private_file_with_its_digest(ledger_folder: Path, tmp_path: Path) -> None:
    done = back_up(filled(ledger_folder), tmp_path / "backup.zip", ME)
    assert done.report.whole and done.manifest.entries == head(ledger_folder).entries - 1
    for file in (done.file, tmp_path / "backup.zip.sha256"):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    said = subprocess.run(["sha256sum", "--check", "backup.zip.sha256"], cwd=tmp_path, capture_output=True, check=False)
    assert said.stdout == b"backup.zip: OK\n"
    with zipfile.ZipFile(done.file) as packed:
        assert set(packed.namelist()) == {"manifest.json", "ledger.sqlite"}
        manifest = json.loads(packed.read("manifest.json"))
    assert manifest["laboratory"]["name"] == "Larkfield Closures"
    assert manifest["head"] == {"entries": done.manifest.entries, "hash": done.manifest.hash}
    left = {path.name for path in tmp_path.iterdir() if not path.name.startswith("ledger.")}
    assert left <= {"backup.zip", "backup.zip.sha256", ".lock"}


def test_no_backup_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "backup.zip").write_bytes(b"precious")
    with pytest.raises(BadInput) as caught:
        back_up(filled(tmp_path / "data"), tmp_path / "backup.zip", ME)
    assert caught.value.code == "backup.exists"
    assert (tmp_path / "backup.zip").read_bytes() == b"precious"
    assert last_backup(tmp_path / "data") is None


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        back_up(filled(tmp_path / "data"), tmp_path / "nowhere" / "backup.zip", ME)
    assert caught.value.code == "backup.cannot_write"


def test_what_belongs_to_the_ledger_goes_along_and_no_open_key(
    tmp_path: Path, laboratory: Laboratory, postgres: Server
) -> None:
    data = postgres.settings(tmp_path / "data")
    settings = data / "ledger.toml"
    settings.write_text(settings.read_text().replace("labkit@", "labkit:very-secret@"))
    filled(data)
    for folder in ("identities", "trust", "families"):
        (data / folder).mkdir()
    (data / "identities" / "m-okonjo.p12").write_bytes(laboratory.signing_file)
    (data / "identities" / "authority.key").write_bytes(laboratory.authority.key_pem)
    (data / "identities" / "renamed.pem").write_bytes(laboratory.authority.key_pem)
    (data / "trust" / "customer.pem").write_bytes(laboratory.authority.certificate_pem)
    (data / "families" / "bent.py").write_text("x = 1\n")
    (data / "families" / "link.py").symlink_to(data / "ledger.toml")
    (data / "families" / ".hidden").write_text("")
    done = back_up(data, tmp_path / "backup.zip", ME)
    with zipfile.ZipFile(done.file) as packed:
        members = {name: packed.read(name) for name in packed.namelist()}
    assert set(members) == {
        "manifest.json", "ledger.sqlite", "identities/m-okonjo.p12", "trust/customer.pem", "families/bent.py",
    }  # fmt: skip
    assert not any(b"very-secret" in content or b"PRIVATE KEY" in content for content in members.values())
    assert [each.params["file"] for each in done.left_out] == ["identities/authority.key", "identities/renamed.pem"]

    new = tmp_path / "new"
    assert set(restore(new, done.file, ME).put_back) == set(members) - {"manifest.json", "ledger.sqlite"}
    assert (new / "identities" / "m-okonjo.p12").read_bytes() == laboratory.signing_file
    assert all(stat.S_IMODE(file.stat().st_mode) == 0o600 for file in new.glob("*/*.p*"))
    assert stat.S_IMODE((new / "identities").stat().st_mode) == 0o700


def test_keys_that_open_without_a_passphrase_are_known(laboratory: Laboratory) -> None:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.serialization import pkcs12

    from labkit.ledger.belongings import unprotected_key
    from labkit.sheet.identity import open_signing_file

    certificate, key, _ = open_signing_file(laboratory.signing_file, PASSPHRASE)
    bare = serialization.NoEncryption()
    assert unprotected_key(pkcs12.serialize_key_and_certificates(b"x", key, certificate, None, bare))
    pkcs8 = serialization.PrivateFormat.PKCS8
    for encoding in (serialization.Encoding.DER, serialization.Encoding.PEM):
        assert unprotected_key(key.private_bytes(encoding, pkcs8, bare))
        locked = key.private_bytes(encoding, pkcs8, serialization.BestAvailableEncryption(b"x"))
        assert not unprotected_key(locked)
    assert not unprotected_key(laboratory.signing_file)
    assert not unprotected_key(laboratory.authority.certificate_pem)


def test_the_ledger_knows_its_last_backup(ledger_folder: Path, tmp_path: Path) -> None:
    data = filled(ledger_folder)
    assert last_backup(data) is None
    back_up(data, tmp_path / "first.zip", ME)
    done = back_up(data, tmp_path / "second.zip", ME)
    known = last_backup(data)
    assert known is not None and (known.file, known.sha256) == ("second.zip", done.sha256)
    assert known.entries == done.manifest.entries and known.made == done.manifest.made
    assert check(data).whole


def test_a_broken_ledger_is_kept_and_said(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    with sqlite3.connect(data / "ledger.sqlite") as connection:
        connection.execute("UPDATE result SET decision = 'pass' WHERE number = '0002'")
    done = back_up(data, tmp_path / "backup.zip", ME)
    assert [fault.code for fault in done.report.faults] == ["chain.row_altered"]
    assert refused(tmp_path / "new", done.file) == "restore.not_whole"


# ---- while others write ----

WRITER = """
import sys
from pathlib import Path
from labkit.ledger import Actor, new_id, save_draft
data, who = Path(sys.argv[1]), Actor("M. Okonjo")
while True:
    draft = new_id()
    save_draft(data, {"id": draft, "person": who.name}, who)
    print(draft, flush=True)
"""


def test_others_go_on_writing_while_it_is_made_and_checked(ledger_folder: Path, tmp_path: Path) -> None:
    """Everything that was acknowledged before a backup begins is in it, and what comes meanwhile breaks nothing."""
    data = filled(ledger_folder)
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(data)], stdout=subprocess.PIPE, text=True) for _ in range(2)
    ]
    try:
        for turn in range(4):
            acknowledged = {writer.stdout.readline().strip() for writer in writers if writer.stdout for _ in range(3)}
            done = back_up(data, tmp_path / f"{turn}.zip", ME)
            assert done.report.whole
            assert check(data).whole
            target = tmp_path / f"restored-{turn}"
            restore(target, done.file, ME)
            assert acknowledged <= {line.id for line in list_drafts(target)}
    finally:
        for writer in writers:
            writer.kill()
            writer.wait()
    assert head(data).entries > done.manifest.entries


def test_what_others_write_while_it_is_restored_is_in_one_of_the_two(ledger_folder: Path, tmp_path: Path) -> None:
    """Acknowledged before: in the ledger that is kept beside. After: in the restored one. Nothing falls between."""
    data = filled(ledger_folder)
    done = back_up(data, tmp_path / "backup.zip", ME)
    logs = [tmp_path / name for name in ("one", "two")]
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(data)], stdout=log.open("wb")) for log in logs]

    def wait_for_more() -> None:
        goals = [len(log.read_text().splitlines()) + 3 for log in logs]
        while any(len(log.read_text().splitlines()) < goal for log, goal in zip(logs, goals, strict=True)):
            assert all(writer.poll() is None for writer in writers)
            time.sleep(0.02)

    try:
        wait_for_more()
        found = restore(data, done.file, ME, REPLACE)
        wait_for_more()
    finally:
        for writer in writers:
            writer.kill()
            writer.wait()
    assert found.kept is not None
    (tmp_path / "kept").mkdir()
    os.rename(found.kept, tmp_path / "kept" / "ledger.sqlite")
    here, there = ({line.id for line in list_drafts(each)} for each in (data, tmp_path / "kept"))
    acknowledged = {line for log in logs for line in log.read_text().splitlines() if len(line) == 36}
    assert acknowledged <= here | there and acknowledged & here and acknowledged & there
    assert check(data).whole and check(tmp_path / "kept").whole


# ---- putting it back ----


@pytest.mark.parametrize("target", ["sqlite", "postgresql"])
def test_a_backup_fits_both_databases(ledger_folder: Path, tmp_path: Path, target: str, postgres: Server) -> None:
    data = filled(ledger_folder)
    done = back_up(data, tmp_path / "backup.zip", ME)
    new = tmp_path / "new"
    if target == "postgresql":
        with sa.create_engine(postgres.url, isolation_level="AUTOCOMMIT").connect() as connection:
            connection.execute(sa.text(f'CREATE DATABASE "{tmp_path.name}"'))
        new.mkdir()
        (new / "ledger.toml").touch(mode=0o600)
        (new / "ledger.toml").write_text(f'url = "{postgres.url.removesuffix("postgres")}{tmp_path.name}"\n')
    found = restore(new, done.file, ME)
    assert found.head.entries == done.manifest.entries + 1 and found.kept is None and found.held
    assert rows(new, without=OWN) == rows(data, without=OWN)
    assert check(new).whole and open_store(new).laboratory == open_store(data).laboratory
    known = last_backup(new)
    assert known is not None and known.sha256 == done.sha256
    assert sign(new, 7) == "0004"
    assert check(new).whole


def test_a_restore_is_an_entry(tmp_path: Path) -> None:
    done = back_up(filled(tmp_path / "data"), tmp_path / "backup.zip", ME)
    restore(tmp_path / "new", done.file, ME, Asked(why="moved to another machine"))
    (found,) = restores(tmp_path / "new")
    assert found.who == "root" and found.body["sha256"] == done.sha256
    with open_store(tmp_path / "new").reading() as connection:
        last = connection.execute(sa.text("SELECT what, why, who FROM entry ORDER BY seq DESC LIMIT 1")).one()
    assert tuple(last) == ("restored", "moved to another machine", "root")


def test_what_the_backup_lacks_is_not_lost_unasked(ledger_folder: Path, tmp_path: Path) -> None:
    data = filled(ledger_folder)
    done = back_up(data, tmp_path / "backup.zip", ME)
    assert sign(data, 4) == "0004" and sign(data, 5) == "0005"
    before = rows(data)
    with pytest.raises(BadInput) as caught:
        restore(data, done.file, ME)
    assert caught.value.code == "restore.would_lose"
    assert caught.value.params["numbers"] == ["0004", "0005"] and caught.value.params["who"] == WHO.name
    assert refused(data, done.file, Asked(replace=True, why="  ")) == "restore.no_reason"
    assert rows(data) == before and not list(data.glob("*.before-restore-*"))

    found = restore(data, done.file, ME, REPLACE)
    assert found.skipped == ("0004", "0005") and found.next_number == 6
    assert check(data).whole and len(rows(data)["result"]) == 3
    # the one that was there, whole, as a ledger that can be opened
    assert found.kept is not None and stat.S_IMODE(found.kept.stat().st_mode) == 0o600
    kept = tmp_path / "kept"
    kept.mkdir()
    os.rename(found.kept, kept / "ledger.sqlite")
    assert check(kept).whole and rows(kept) == before
    # certificates were handed out under these numbers
    assert sign(data, 6) == "0006"
    assert check(data).whole


def test_numbers_that_were_lost_stay_lost_through_further_restores(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    done = back_up(data, tmp_path / "backup.zip", ME)
    sign(data, 4)
    restore(data, done.file, ME, REPLACE)
    again = restore(data, done.file, ME)
    assert again.skipped == ("0004",) and sign(data, 5) == "0005"
    later = back_up(data, tmp_path / "later.zip", ME)
    assert restore(tmp_path / "new", later.file, ME).skipped == ()
    assert check(tmp_path / "new").whole and sign(tmp_path / "new", 6) == "0006"


def test_the_last_number_can_be_said_where_the_ledger_is_lost(tmp_path: Path) -> None:
    done = back_up(filled(tmp_path / "data"), tmp_path / "backup.zip", ME)
    new = tmp_path / "new"
    assert refused(new, done.file, Asked(last_number=3 + MOST_SKIPPED + 1)) == "restore.last_number"
    assert restore(new, done.file, ME, Asked(last_number=5)).skipped == ("0004", "0005")
    assert sign(new, 6) == "0006" and check(new).whole


def test_a_later_backup_goes_over_an_earlier_one_unasked(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    first = back_up(data, tmp_path / "first.zip", ME)
    sign(data, 4)
    second = back_up(data, tmp_path / "second.zip", ME)
    new = tmp_path / "new"
    restore(new, first.file, ME)
    found = restore(new, second.file, ME)
    assert found.skipped == () and found.next_number == 5
    assert rows(new, without=OWN) == rows(data, without=OWN)


def test_a_ledger_that_went_another_way_is_not_lost_unasked(tmp_path: Path) -> None:
    """The same laboratory, two machines: neither has all of the other's entries."""
    data, new = filled(tmp_path / "data"), tmp_path / "new"
    first = back_up(data, tmp_path / "first.zip", ME)
    restore(new, first.file, ME)
    sign(new, 8)
    for n in range(4, 8):
        sign(data, n)
    longer = back_up(data, tmp_path / "longer.zip", ME)
    assert refused(new, longer.file) == "restore.would_lose"


def test_files_that_are_there_are_left_as_they_are(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    (data / "families").mkdir()
    for name in ("same.py", "other.py", "missing.py", "link.py"):
        (data / "families" / name).write_text(name)
    done = back_up(data, tmp_path / "backup.zip", ME)
    (data / "families" / "other.py").write_text("newer")
    (data / "families" / "missing.py").unlink()
    (data / "families" / "link.py").unlink()
    (data / "families" / "link.py").symlink_to(tmp_path / "elsewhere")
    found = restore(data, done.file, ME)
    assert found.put_back == ("families/missing.py",)
    assert found.differ == ("families/link.py", "families/other.py")
    assert (data / "families" / "other.py").read_text() == "newer" and not (tmp_path / "elsewhere").exists()


# ---- whose ledger ----


def test_another_laboratory_on_the_server_is_left_alone(tmp_path: Path, postgres: Server) -> None:
    done = back_up(filled(tmp_path / "data"), tmp_path / "backup.zip", ME)
    laboratory = open_store(tmp_path / "data").laboratory
    other = filled(postgres.settings(tmp_path / "other"))
    before = rows(other)
    assert refused(other, done.file, REPLACE) == "restore.other_laboratory"
    empty = postgres.settings(tmp_path / "empty")
    assert refused(empty, done.file, REPLACE) == "restore.other_laboratory"
    named = postgres.settings(tmp_path / "named", laboratory)
    restore(named, done.file, ME)
    assert rows(named, without=OWN) == rows(tmp_path / "data", without=OWN)
    assert rows(other) == before and check(other).whole


def test_another_laboratory_s_folder_needs_to_be_asked_for(tmp_path: Path) -> None:
    done = back_up(filled(tmp_path / "data"), tmp_path / "backup.zip", ME)
    other = tmp_path / "other"
    save_bench(other, demo_bench())
    assert refused(other, done.file) == "restore.would_lose"
    found = restore(other, done.file, ME, REPLACE)
    assert found.another and found.skipped == () and check(other).whole
    assert open_store(other).laboratory == open_store(tmp_path / "data").laboratory


PAGE = """
import sys
from pathlib import Path
from labkit.ledger import Actor, list_drafts, load_bench, new_id, save_draft
from labkit.problems import Problem
data = Path(sys.argv[1])
print(len(load_bench(data).people), flush=True)
while sys.stdin.readline():
    try:
        save_draft(data, {"id": new_id()}, Actor("D. Abara"))
    except Problem as problem:
        print(problem.code, flush=True)
    else:
        print(len(list_drafts(data)), flush=True)
"""


class OpenPage:
    """Another process that has the ledger open all the time."""

    def __init__(self, data: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", PAGE, str(data)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout
        self.first = self.process.stdout.readline()

    def save(self) -> str:
        assert self.process.stdin and self.process.stdout
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        return self.process.stdout.readline().strip()

    def close(self) -> None:
        self.process.kill()
        self.process.wait()


def test_a_page_that_is_open_goes_on_with_the_restored_ledger(ledger_folder: Path, tmp_path: Path) -> None:
    data = filled(ledger_folder)
    done = back_up(data, tmp_path / "backup.zip", ME)
    page = OpenPage(data)
    try:
        assert page.save() == "2"
        restore(data, done.file, ME, REPLACE)
        assert page.save() == "2", "the draft of before is gone, the new one is in the restored ledger"
    finally:
        page.close()
    assert check(data).whole and len(list_drafts(data)) == 2


def test_a_page_of_an_empty_ledger_finds_the_restored_one(tmp_path: Path) -> None:
    """Somebody started the pages on a new machine, and restored only then: the laboratory has another id."""
    done = back_up(filled(tmp_path / "data"), tmp_path / "backup.zip", ME)
    new = tmp_path / "new"
    page = OpenPage(new)
    try:
        restore(new, done.file, ME)
        assert page.save() == "ledger.cannot_write", "a page tries that again by itself"
        assert page.save() == "2"
    finally:
        page.close()
    assert check(new).whole


# ---- where the file itself is damaged ----


def write_over(file: Path) -> None:
    with sqlite3.connect(file) as connection:  # else the pages would still be in the journal
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    file.write_bytes(b"no database" * 9999)


def zero_a_page(file: Path) -> None:
    """A page of the table of entries, in the middle."""
    with sqlite3.connect(file) as connection:
        page = connection.execute("SELECT max(pageno) FROM dbstat WHERE name = 'entry'").fetchone()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with file.open("r+b") as opened:
        opened.seek(4096 * (page[0] - 1))
        opened.write(bytes(4096))


@pytest.mark.parametrize("damage", [write_over, zero_a_page])
def test_a_damaged_file_is_replaced_by_another_and_kept(tmp_path: Path, damage) -> None:  # type: ignore[no-untyped-def]
    data = filled(tmp_path / "data")
    done = back_up(data, tmp_path / "backup.zip", ME)
    page = OpenPage(data)
    try:
        close_store(data)
        damage(data / "ledger.sqlite")
        broken = (data / "ledger.sqlite").read_bytes()
        assert refused(data, done.file) == "restore.damaged"
        assert (data / "ledger.sqlite").read_bytes() == broken
        found = restore(data, done.file, ME, Asked(replace=True, why="a bad disk", last_number=4))
        assert found.kept is not None and found.kept.read_bytes() == broken
        assert page.save() == "2", "it opens the file that lies there now"
    finally:
        page.close()
    assert check(data).whole and sign(data, 9) == "0005"
    assert stat.S_IMODE((data / "ledger.sqlite").stat().st_mode) == 0o600
    assert len(load_bench(data).people) == len(demo_bench().people)


def test_a_newer_ledger_is_left_alone(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    done = back_up(data, tmp_path / "backup.zip", ME)
    close_store(data)
    with sqlite3.connect(data / "ledger.sqlite") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(Problem) as caught:
        restore(data, done.file, ME, REPLACE)
    assert caught.value.code == "ledger.newer"


def test_a_draft_goes_on_after_a_restore(tmp_path: Path) -> None:
    """The page that holds it has a later revision than the restored ledger."""
    data = filled(tmp_path / "data")
    draft = {"id": new_id(), "person": WHO.name}
    first = save_draft(data, draft, WHO)
    done = back_up(data, tmp_path / "backup.zip", ME)
    later = save_draft(data, {**draft, "revision": first}, WHO)
    restore(data, done.file, ME, REPLACE)
    save_draft(data, {**draft, "revision": later}, WHO)
    assert check(data).whole
