"""Everything that is in the ledger as open files: tables, JSON and PDFs, which need no labkit to be read."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

import labkit
from labkit.ledger.belongings import belongings
from labkit.ledger.bundle import digest_of
from labkit.ledger.chain import ENTRY_KEYS
from labkit.ledger.checking import ChainReport, check_in
from labkit.ledger.export_readme import README
from labkit.ledger.files import sync_folder, utc_now
from labkit.ledger.schema import ATTEMPT, DRAFT, ENTRY, FILE, LABORATORY, LEAN, RESULT, VERSION
from labkit.ledger.store import Store, open_store
from labkit.ledger.tables_out import Names, flat, write_json, write_table
from labkit.ledger.waiting import approved_file
from labkit.problems import BadInput

SUMS: Final = "SHA256SUMS"

_ENDINGS: Final = {"application/pdf": ".pdf", "application/json": ".json"}

_READING: Final = {
    "role": "role",
    "typed": "as typed",
    "value": "value",
    "time": "time [UTC]",
    "operator": "operator",
    "left_out": "left out, because",
}
"""Keys of a reading in a record, and their columns."""


@dataclass(frozen=True)
class Exported:
    """
    What was written.

    Attributes
    ----------
    folder : Path
    results, readings, drafts, registered, entries, files : int
        How many signed results, readings in them, drafts, registered things, entries of the chain, and files in all.
    report : ChainReport
        What a check of the ledger found: a broken one is exported too, and ``check.json`` says where.
    """

    folder: Path
    results: int
    readings: int
    drafts: int
    registered: int
    entries: int
    files: int
    report: ChainReport


def export(data: Path, folder: Path) -> Exported:
    """
    Write everything that is in the ledger of `data` into `folder`, at one moment of it.

    Parameters
    ----------
    data : Path
    folder : Path
        Made where it is missing; it must be empty.

    Raises
    ------
    BadInput
        ``export.not_empty``, ``export.cannot_write``.
    Problem
        The ledger cannot be read. The folder is left as it was.
    """
    store, folder = open_store(data), folder.absolute()
    try:
        if os.path.lexists(folder) and not (folder.is_dir() and not any(folder.iterdir())):
            raise BadInput("export.not_empty", folder=str(folder))
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{folder.name[:60]}.") as around:
            inside = Path(around) / "export"
            inside.mkdir(mode=0o700)
            with store.reading() as connection:
                done = _Export(connection, store, inside).write(folder)
            os.replace(inside, folder)
        sync_folder(folder.parent)
    except OSError as error:
        raise BadInput("export.cannot_write", folder=str(folder), why=error.strerror or str(error)) from error
    return done


class _Export:
    def __init__(self, connection: sa.Connection, store: Store, folder: Path) -> None:
        self.connection, self.laboratory, self.data, self.folder = connection, store.laboratory, store.data, folder
        self.readings = 0
        self.used: set[str] = set()

    def write(self, named: Path) -> Exported:
        for name in ("tables", "register", "results", "drafts", "files"):
            (self.folder / name).mkdir()
        results, drafts = self._results(), self._drafts()
        registered = self._register()
        entries = self._chain()
        self._files()
        self._beside()
        report = check_in(self.connection, self.laboratory)
        write_json(self.folder / "check.json", report.to_dict())
        whole = "It was whole." if report.whole else "IT WAS BROKEN: check.json says where."
        text = README.format(
            laboratory=self._name(), id=self.laboratory, at=utc_now(), labkit=labkit.__version__, whole=whole,
            results=results, readings=self.readings, drafts=drafts, registered=registered, entries=entries,
        )  # fmt: skip
        (self.folder / "README.txt").write_text(text, encoding="utf-8")
        files = self._sums()
        return Exported(named, results, self.readings, drafts, registered, entries, files, report)

    # ---- signed results ----

    def _results(self) -> int:
        """Each with its certificate and its record, byte for byte, and what the ledger says of it."""
        rows = [dict(row) for row in self._rows(RESULT, RESULT.c.place)]
        numbers = {row["id"]: row["number"] for row in rows}
        replaced_by = {row["replaces"]: row["number"] for row in rows if row["replaces"]}
        names = Names()
        for row in rows:
            row["file"] = name = names.give(row["number"])
            row["replaced by"], row["replaces"] = replaced_by.get(row["id"], ""), numbers.get(row["replaces"], "")
            approved = approved_file(self.connection, self.laboratory, row["id"])
            row["approved"] = approved
            files = [(".pdf", row["pdf_sha256"]), (".json", row["record_sha256"])]
            for ending, digest in [*files, *([(".approved.pdf", approved)] if approved else [])]:
                self._file(digest, self.folder / "results" / f"{name}{ending}")
            said = {key: value for key, value in row.items() if key not in ("words", "file")}
            leans = [lean | {"detail": _json(lean["detail"])} for lean in self._leans(row["id"])]
            history = {"leans": leans, "entries": self._entries_of("result", row["id"])}
            write_json(self.folder / "results" / f"{name}.history.json", said | history)
        self._table(
            "results", rows,
            number="number", kind="kind", rig="rig", gauge="gauge", target="target", signer="signed by",
            customer="customer", decision="decision", says="largest U", signed="signed at [UTC]", replaces="replaces",
            **{"replaced by": "replaced by"}, reason="reason", id="id", pdf_sha256="SHA-256 of the certificate",
            approved="SHA-256 of the approved certificate",
            record_sha256="SHA-256 of the record", head="entries before", head_hash="hash of the last of them",
            file="file in results",
        )  # fmt: skip
        heads = ["result", "shims", *_READING.values(), "unit of the value"]
        self.readings = write_table(self.folder / "tables" / "readings.csv", heads, self._read(rows))
        every = (lean | {"number": row["number"]} for row in rows for lean in self._leans(row["id"]))
        self._table(
            "leans", every,
            number="result", kind="leans on", subject="name", revision="state in the register",
            detail="as the record has it",
        )  # fmt: skip
        return len(rows)

    def _leans(self, result: str) -> Iterator[dict[str, Any]]:
        return self._rows(LEAN, LEAN.c.kind, LEAN.c.subject, only=LEAN.c.result == result)

    def _read(self, rows: Sequence[Mapping[str, Any]]) -> Iterator[list[object]]:
        for row in rows:
            record = _json(self._content(row["record_sha256"]).decode(errors="replace"))
            inputs = record.get("inputs") if isinstance(record, dict) else None
            for reading, unit in readings_of(inputs or {}):
                shims = " + ".join(map(str, reading.get("shims") or ()))
                yield [row["number"], shims, *(reading.get(key) for key in _READING), unit]

    # ---- what is not signed ----

    def _drafts(self) -> int:
        rows, names = [], Names()
        for row in self._rows(DRAFT, DRAFT.c.begun, DRAFT.c.id):
            name = names.give(row["id"])
            body = _json(row["body"])
            write_json(
                self.folder / "drafts" / f"{name}.json",
                {"draft": body, "entries": self._entries_of("draft", row["id"])},
            )
            rows.append({**row, "file": f"{name}.json"})
        return self._table(
            "drafts", rows,
            id="id", page="page", rig="rig", person="person", owner="owner", begun="begun [UTC]", saved="saved [UTC]",
            revision="state", number="signed as", file="file in drafts",
        )  # fmt: skip

    def _register(self) -> int:
        """Each thing with every state of it; a table of each kind, as it stands now."""
        count, folders = 0, Names()
        kinds = self.connection.execute(
            sa.select(VERSION.c.kind).where(VERSION.c.laboratory == self.laboratory).distinct().order_by(VERSION.c.kind)
        ).scalars()
        for kind in list(kinds):
            place = folders.give(kind)
            (self.folder / "register" / place).mkdir()
            things: dict[str, list[dict[str, Any]]] = {}
            for row in self._rows(VERSION, VERSION.c.subject, VERSION.c.revision, only=VERSION.c.kind == kind):
                state = {"revision": row["revision"], "at": row["at"], "who": row["who"], "body": _json(row["body"])}
                things.setdefault(row["subject"], []).append(state)
            names, now = Names(), []
            for subject, states in things.items():
                file = f"{names.give(subject)}.json"
                said = {"kind": kind, "name": subject, "states": states, "entries": self._entries_of(kind, subject)}
                write_json(self.folder / "register" / place / file, said)
                body = states[-1]["body"]
                held = {
                    "registered as": subject,
                    "revision": states[-1]["revision"],
                    "registered at [UTC]": states[-1]["at"],
                    "registered by": states[-1]["who"],
                    "file in register": f"{place}/{file}",
                }
                now.append(held | flat(body if isinstance(body, dict) else {}))
            heads = list(dict.fromkeys(key for row in now for key in row))
            cells = ([row.get(head) for head in heads] for row in now)
            write_table(self.folder / "register" / f"{place}.csv", heads, cells)
            count += len(things)
        return count

    # ---- the chain, and what else there is ----

    def _chain(self) -> int:
        """The entries as a table, and as lines over which the hashes can be taken again."""
        with (self.folder / "chain.jsonl").open("w", encoding="utf-8") as lines:
            for row in self._rows(ENTRY, ENTRY.c.seq):
                entry = {"laboratory": self.laboratory, **row}
                lines.write(json.dumps(entry, ensure_ascii=False, sort_keys=True, separators=(",", ":")) + "\n")
        self._table(
            "laboratory", self._rows(LABORATORY, LABORATORY.c.id), **{c.name: c.name for c in LABORATORY.columns}
        )
        self._table(
            "attempts",
            self._rows(ATTEMPT, ATTEMPT.c.person),
            person="person",
            wrong="wrong passphrases in a row",
            last="last [UTC]",
        )
        heads = {key: key for key in (*ENTRY_KEYS[1:], "hash")}
        return self._table("entries", self._rows(ENTRY, ENTRY.c.seq), **heads)

    def _files(self) -> None:
        """What is kept and belongs to no result, such as the certificates of shims; all in one table."""
        rows = []
        columns = FILE.c.sha256, FILE.c.media_type, sa.func.length(FILE.c.content).label("size")
        for found in self.connection.execute(
            sa.select(*columns).where(FILE.c.laboratory == self.laboratory).order_by(FILE.c.sha256)
        ).all():
            place = "results" if found.sha256 in self.used else "files"
            name = Names().give(found.sha256) + _ENDINGS.get(found.media_type, "")
            if place == "files":
                self._file(found.sha256, self.folder / "files" / name)
            rows.append([found.sha256, found.media_type, found.size, place])
        write_table(self.folder / "tables" / "files.csv", ["SHA-256", "media type", "bytes", "folder"], rows)

    def _beside(self) -> None:
        """What is trusted here, who was withdrawn, and the laboratory's own curve families; no signing file."""
        for name, content in belongings(self.data)[0].items():
            folder, _, file = name.partition("/")
            place = "families" if folder == "families" else "trust" if _is_public(content) else ""
            if place:
                (self.folder / place).mkdir(exist_ok=True)
                (self.folder / place / file).write_bytes(content)

    def _sums(self) -> int:
        """A digest of each file, as ``sha256sum --check`` reads them; readable for the owner alone."""
        files = sorted(path for path in self.folder.rglob("*") if path.is_file())
        lines = [f"{digest_of(path)}  {path.relative_to(self.folder).as_posix()}\n" for path in files]
        (self.folder / SUMS).write_text("".join(lines), encoding="utf-8")
        for path in self.folder.rglob("*"):
            path.chmod(0o700 if path.is_dir() else 0o600)
        return len(files) + 1

    # ---- helpers ----

    def _name(self) -> str:
        newest = sa.select(VERSION.c.body).where(
            VERSION.c.laboratory == self.laboratory, VERSION.c.kind == "laboratory"
        ).order_by(VERSION.c.revision.desc()).limit(1)  # fmt: skip
        body = _json(self.connection.execute(newest).scalar() or "{}")
        party = body.get("party") if isinstance(body, dict) else None
        return str((party or {}).get("name") or "a laboratory without a name")

    def _rows(
        self, table: sa.Table, *order: sa.ColumnElement[Any], only: sa.ColumnElement[bool] | None = None
    ) -> Iterator[dict[str, Any]]:
        mine = table.c.id if table is LABORATORY else table.c.laboratory
        columns = [column for column in table.columns if column.name != "laboratory"]
        asked = sa.select(*columns).where(mine == self.laboratory).order_by(*order)
        asked = asked if only is None else asked.where(only)
        found = self.connection.execute(asked, execution_options={"yield_per": 200})
        for row in found.mappings():
            yield dict(row)

    def _entries_of(self, kind: str, subject: str) -> list[dict[str, Any]]:
        mine = (ENTRY.c.kind == kind) & (ENTRY.c.subject == subject)
        return [
            {key: row[key] for key in ("seq", "at", "who", "role", "what", "revision", "why", "hash")}
            for row in self._rows(ENTRY, ENTRY.c.seq, only=mine)
        ]

    def _table(self, name: str, rows: Any, **heads: str) -> int:
        cells = ([row.get(key) for key in heads] for row in rows)
        return write_table(self.folder / "tables" / f"{name}.csv", list(heads.values()), cells)

    def _content(self, digest: str) -> bytes:
        mine = (FILE.c.laboratory == self.laboratory) & (FILE.c.sha256 == digest)
        return bytes(self.connection.execute(sa.select(FILE.c.content).where(mine)).scalar() or b"")

    def _file(self, digest: str, target: Path) -> None:
        self.used.add(digest)
        target.write_bytes(self._content(digest))


def readings_of(content: Any, unit: str = "") -> Iterator[tuple[Mapping[str, Any], str]]:
    """
    Every reading in the inputs of a record, with the unit of its value; not those of the calibration on which it leans.
    """
    if isinstance(content, list):
        for each in content:
            yield from readings_of(each, unit)
    elif isinstance(content, dict):
        if "typed" in content and "value" in content:
            yield content, unit
            return
        if "rows" in content and content.get("unit"):
            unit = "mm" if content.get("signal") == "thickness" else str(content["unit"])
        for key, each in content.items():
            if key != "calibration":
                yield from readings_of(each, unit)


def _json(text: str) -> Any:
    """What a text holds as JSON; the text itself where it is none any more."""
    try:
        return json.loads(text)
    except ValueError:
        return text


def _is_public(content: bytes) -> bool:
    """Whether it is a certificate, or a list of withdrawn ones; no key."""
    from cryptography import x509

    if b"PRIVATE KEY" in content:
        return False
    pem = b"-----BEGIN" in content
    certificate = x509.load_pem_x509_certificate if pem else x509.load_der_x509_certificate
    for load in (certificate, x509.load_pem_x509_crl if pem else x509.load_der_x509_crl):
        try:
            load(content)
        except ValueError:
            continue
        return True
    return False
