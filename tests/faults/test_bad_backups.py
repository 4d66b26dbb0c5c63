"""A backup that is damaged, forged or hostile is refused before anything of the ledger that is there has changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import stat
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from labkit.ledger import Actor, back_up, check, save_bench
from labkit.ledger.backup import BackedUp
from labkit.ledger.demo import demo_bench
from labkit.ledger.restore import Asked, restore
from labkit.ledger.schema import REVISION
from labkit.ledger.store import close_store
from labkit.problems import BadInput
from tests.ledgers import filled, rows

ME = Actor("root")
REPLACE = Asked(replace=True, why="the disk was lost")
Members = dict[str, bytes]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> BackedUp:
    folder = tmp_path_factory.mktemp("good")
    data = filled(folder / "data")
    (data / "trust").mkdir()
    (data / "trust" / "customer.pem").write_bytes(b"a certificate")
    return back_up(data, folder / "backup.zip", ME)


@pytest.fixture
def there(tmp_path: Path) -> Path:
    """A ledger that must stay as it is."""
    data = tmp_path / "there"
    save_bench(data, demo_bench())
    return data


def left_as_it_is(there: Path, file: Path, asked: Asked = REPLACE) -> BadInput:
    before = rows(there)
    with pytest.raises(BadInput) as caught:
        restore(there, file, ME, asked)
    assert rows(there) == before and check(there).whole
    names = {path.name for path in there.iterdir()} - {"ledger.sqlite-wal", "ledger.sqlite-shm"}
    assert names <= {"ledger.sqlite", ".lock", ".restore"}
    assert {path.name for path in there.glob(".restore/*")} <= {".lock"}
    assert str(caught.value)
    return caught.value


def taken_apart(file: Path) -> Members:
    with zipfile.ZipFile(file) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def manifest_of(members: Members, **changes: Any) -> bytes:
    """The manifest made again, so that all digests agree with what was forged."""
    found = json.loads(members["manifest.json"]) | changes
    found["members"] = [
        {"name": name, "size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in members.items()
        if name != "manifest.json"
    ]
    return json.dumps(found).encode()


def put_together(file: Path, members: Members, *, attributes: int = (stat.S_IFREG | 0o600) << 16) -> Path:
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            info = zipfile.ZipInfo(name)
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, attributes
            packed.writestr(info, content)
    return file


# ---- the file ----


def test_control(good: BackedUp, tmp_path: Path) -> None:
    members = taken_apart(good.file)
    again = put_together(tmp_path / "again.zip", members | {"manifest.json": manifest_of(members)})
    restore(tmp_path / "new", again, ME)
    assert (tmp_path / "new" / "trust" / "customer.pem").read_bytes() == b"a certificate"


def test_any_byte_that_changed_is_found(good: BackedUp, there: Path, tmp_path: Path) -> None:
    """By the digest beside it; and without that, by the members' own, or it is of no consequence."""
    content = bytearray(good.file.read_bytes())
    for at in range(0, len(content), len(content) // 60):
        changed = bytearray(content)
        changed[at] ^= 0x55
        file = tmp_path / f"{at}.zip"
        file.write_bytes(changed)
        file.with_name(f"{at}.zip.sha256").write_text(f"{good.sha256}  {file.name}\n")
        assert left_as_it_is(there, file).code == "restore.digest"
        file.with_name(f"{at}.zip.sha256").unlink()
        try:
            restore(tmp_path / f"new-{at}", file, ME)
        except BadInput as refused:
            assert refused.code in ("restore.not_a_backup", "restore.member", "restore.not_whole")
        else:
            new, old = rows(tmp_path / f"new-{at}"), rows(good.file.parent / "data")
            assert all(new[table] == old[table] for table in ("draft", "file", "result", "lean"))


@pytest.mark.parametrize("size", [0, 1, 100, 0.5, 0.99])
def test_a_file_that_was_cut_off(good: BackedUp, there: Path, tmp_path: Path, size: float) -> None:
    content = good.file.read_bytes()
    file = tmp_path / "cut.zip"
    file.write_bytes(content[: int(size if size == 0 or size >= 1 else size * len(content))])
    assert left_as_it_is(there, file).code == "restore.not_a_backup"


def test_no_file_and_a_folder(there: Path, tmp_path: Path) -> None:
    assert left_as_it_is(there, tmp_path / "nothing").code == "restore.no_file"
    assert left_as_it_is(there, tmp_path).code == "restore.no_file"


@pytest.mark.parametrize("digest", ["0" * 64, "not a digest", "é"])
def test_a_digest_that_is_another(good: BackedUp, there: Path, digest: str) -> None:
    assert left_as_it_is(there, good.file, replace(REPLACE, sha256=digest)).code == "restore.digest"


def test_a_digest_that_was_kept_elsewhere(good: BackedUp, tmp_path: Path) -> None:
    shutil.copy(good.file, tmp_path / "alone.zip")
    assert not restore(tmp_path / "unknown", tmp_path / "alone.zip", ME).held
    assert restore(tmp_path / "known", tmp_path / "alone.zip", ME, Asked(sha256=good.sha256.upper())).held


# ---- the members ----


def _more(name: str, content: bytes = b"x") -> Callable[[Members], Members]:
    return lambda members: members | {name: content}


def _without(name: str) -> Callable[[Members], Members]:
    return lambda members: {key: each for key, each in members.items() if key != name}


MEMBERS: dict[str, Callable[[Members], Members]] = {
    "a path upward": _more("trust/../../../escaped.pem"),
    "a path upward, the other way": _more("trust\\..\\escaped.pem"),
    "a name that goes up": _more("trust/.."),
    "an absolute path": _more("/tmp/escaped.pem"),
    "a drive": _more("trust/c:escaped.pem"),
    "a folder of its own": _more("escaped/escaped.pem"),
    "deeper": _more("families/deeper/escaped.py"),
    "at the top": _more("escaped.pem"),
    "the settings": _more("ledger.toml", b'url = "sqlite:////etc/passwd"'),
    "a hidden file": _more("families/.escaped"),
    "a name with a line break": _more("families/a\nb.py"),
    "a name that turns around": _more("families/a\u202eyp.b"),
    "a folder": _more("trust/"),
    "alike on a disk that knows no capitals": _more("trust/CUSTOMER.pem"),
    "no database": _without("ledger.sqlite"),
    "a large file": _more("families/large.py", bytes(10_000_001)),
    "very many files": lambda members: members | {f"families/{n}.py": b"" for n in range(2001)},
    "a database of nothing that unpacks to much": _more("ledger.sqlite", bytes(50_000_000)),
}


@pytest.mark.parametrize("way", MEMBERS)
def test_members_that_no_backup_has(good: BackedUp, there: Path, tmp_path: Path, way: str) -> None:
    members = MEMBERS[way](taken_apart(good.file))
    members["manifest.json"] = manifest_of(members)
    file = put_together(tmp_path / "forged.zip", members)
    assert left_as_it_is(there, file).code == "restore.not_a_backup"
    assert not list(tmp_path.rglob("*escaped*"))


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO, stat.S_IFBLK])
def test_members_that_are_no_files(good: BackedUp, there: Path, tmp_path: Path, kind: int) -> None:
    file = put_together(tmp_path / "forged.zip", taken_apart(good.file), attributes=(kind | 0o777) << 16)
    assert left_as_it_is(there, file).code == "restore.not_a_backup"


def test_a_name_twice(good: BackedUp, there: Path, tmp_path: Path) -> None:
    file = shutil.copy(good.file, tmp_path / "forged.zip")
    with zipfile.ZipFile(file, "a") as packed, pytest.warns(UserWarning):
        packed.writestr("trust/customer.pem", b"another one")
    assert left_as_it_is(there, Path(file)).code == "restore.not_a_backup"


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_another_way_of_packing(good: BackedUp, there: Path, tmp_path: Path, packing: int) -> None:
    with zipfile.ZipFile(tmp_path / "forged.zip", "w", packing) as packed:
        for name, content in taken_apart(good.file).items():
            packed.writestr(name, content)
    assert left_as_it_is(there, tmp_path / "forged.zip").code == "restore.not_a_backup"


# ---- the manifest ----


def _changed(**changes: Any) -> Callable[[dict[str, Any]], Any]:
    return lambda manifest: manifest | changes


def _first(**changes: Any) -> Callable[[dict[str, Any]], Any]:
    return lambda manifest: manifest | {"members": [manifest["members"][0] | changes, *manifest["members"][1:]]}


MANIFESTS: dict[str, tuple[Callable[[dict[str, Any]], Any], str]] = {
    "a newer form": (_changed(schema="labkit.backup/2"), "restore.newer_backup"),
    "another form": (_changed(schema="labkit.bench/1"), "restore.not_a_backup"),
    "a newer schema": (_changed(database="9999"), "restore.newer_schema"),
    "an older schema than it has": (_changed(database="0000"), "restore.not_whole"),
    "another laboratory": (_changed(laboratory={"id": "x", "name": "x"}), "restore.not_whole"),
    "another end": (_changed(head={"entries": 3, "hash": "ab" * 32}), "restore.not_whole"),
    "an end that is none": (_changed(head={"entries": "3", "hash": "ab" * 32}), "restore.not_a_backup"),
    "no members": (_changed(members=[]), "restore.not_a_backup"),
    "members of another kind": (_changed(members=[1, 2]), "restore.not_a_backup"),
    "a list": (lambda manifest: [manifest], "restore.not_a_backup"),
    "nothing": (lambda manifest: None, "restore.not_a_backup"),
    "another digest": (_first(sha256="0" * 64), "restore.member"),
    "a digest that is none": (_first(sha256="x"), "restore.not_a_backup"),
    "another size": (_first(size=7), "restore.not_a_backup"),
    "a size below nothing": (_first(size=-1), "restore.not_a_backup"),
    "another name": (_first(name="trust/other.pem"), "restore.not_a_backup"),
}


@pytest.mark.parametrize("way", MANIFESTS)
def test_manifests_that_say_something_else(good: BackedUp, there: Path, tmp_path: Path, way: str) -> None:
    change, expected = MANIFESTS[way]
    members = taken_apart(good.file)
    members["manifest.json"] = json.dumps(change(json.loads(members["manifest.json"]))).encode()
    assert left_as_it_is(there, put_together(tmp_path / "forged.zip", members)).code == expected


@pytest.mark.parametrize("content", [b"", b"no JSON", b"[" * 100_000, b"\xff\xfe", b" " * 1_000_001])
def test_manifests_that_are_none(good: BackedUp, there: Path, tmp_path: Path, content: bytes) -> None:
    members = taken_apart(good.file) | {"manifest.json": content}
    assert left_as_it_is(there, put_together(tmp_path / "forged.zip", members)).code == "restore.not_a_backup"


# ---- the database ----

FORGED: dict[str, str] = {
    "a result altered": "UPDATE result SET decision = 'pass' WHERE number = '0002'",
    "an entry removed": "DELETE FROM entry WHERE seq = 5",
    "a file altered": "UPDATE file SET content = x'00'",
    "bytes for a text": "UPDATE version SET body = x'00ff'",
    "a text for a number": "UPDATE entry SET seq = 'x' WHERE seq = 3",
    "a body that is no JSON": "UPDATE version SET body = 'x' WHERE kind = 'person'",
    "a second laboratory": "INSERT INTO laboratory VALUES ('x', 0, '', '', 0)",
    "a trigger": "CREATE TRIGGER t AFTER INSERT ON entry BEGIN DELETE FROM result; END",
    "a view": "CREATE VIEW v AS SELECT * FROM entry",
    "a table": "CREATE TABLE more (x)",
    "a virtual table": "CREATE VIRTUAL TABLE more USING fts5(x)",
    "another schema": "UPDATE alembic_version SET version_num = '0000'",
    "two schemas": "INSERT INTO alembic_version VALUES ('0000')",
    "no schema": "DROP TABLE alembic_version",
    "a table less": "DROP TABLE lean",
    "a column less": "ALTER TABLE version DROP COLUMN who",
    "numbers that go on": "UPDATE laboratory SET last_number = last_number + 1",
}


@pytest.mark.parametrize("way", FORGED)
def test_databases_that_are_no_whole_ledger(good: BackedUp, there: Path, tmp_path: Path, way: str) -> None:
    members = taken_apart(good.file)
    database = tmp_path / "forged.sqlite"
    database.write_bytes(members["ledger.sqlite"])
    with sqlite3.connect(database) as connection:
        connection.executescript(FORGED[way])
    connection.close()
    members["ledger.sqlite"] = database.read_bytes()
    members["manifest.json"] = manifest_of(members)
    assert left_as_it_is(there, put_together(tmp_path / "forged.zip", members)).code == "restore.not_whole"


def test_a_newer_database_under_an_older_manifest(good: BackedUp, there: Path, tmp_path: Path) -> None:
    members = taken_apart(good.file)
    database = tmp_path / "forged.sqlite"
    database.write_bytes(members["ledger.sqlite"])
    with sqlite3.connect(database) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    members["ledger.sqlite"] = database.read_bytes()
    members["manifest.json"] = manifest_of(members)
    refused = left_as_it_is(there, put_together(tmp_path / "forged.zip", members))
    assert refused.code == "restore.not_whole" and "9999" in str(refused) and REVISION != "9999"


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\0", b"no database" * 9999])
def test_what_is_no_database(good: BackedUp, there: Path, tmp_path: Path, content: bytes) -> None:
    members = taken_apart(good.file) | {"ledger.sqlite": content}
    members["manifest.json"] = manifest_of(members)
    assert left_as_it_is(there, put_together(tmp_path / "forged.zip", members)).code in (
        "restore.not_whole",
        "restore.not_a_backup",
    )


def test_a_page_of_the_database_that_went_bad(good: BackedUp, there: Path, tmp_path: Path) -> None:
    """Whatever page it is: refused, or it holds nothing."""
    members = taken_apart(good.file)
    whole = members["ledger.sqlite"]
    codes = []
    for page in range(0, len(whole) // 4096, 3):
        start = 4096 * page
        members["ledger.sqlite"] = whole[:start] + bytes(4096) + whole[start + 4096 :]
        members["manifest.json"] = manifest_of(members)
        file = put_together(tmp_path / f"{page}.zip", members)
        codes.append(left_as_it_is(there, file).code)
    assert len(codes) > 10 and set(codes) == {"restore.not_whole"}


# ---- the disk ----


def test_no_room(good: BackedUp, there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    full = shutil.disk_usage(there)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)
    assert left_as_it_is(there, good.file).code == "restore.no_room"


def test_a_folder_that_cannot_be_written(good: BackedUp, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(BadInput) as caught:
        restore(tmp_path / "file", good.file, ME)
    assert caught.value.code == "restore.cannot"


def test_the_control_can_be_restored_over_what_was_there(good: BackedUp, there: Path) -> None:
    restore(there, good.file, ME, REPLACE)
    close_store(there)
    assert len(rows(there)["result"]) == 3
