"""Everything behind signed results, as one ZIP that an auditor can read without this program."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from labkit import ledger
from labkit.ledger.behind import ENTRY_COLUMNS, Behind, LeanedOn, behind
from labkit.ledger.canonical import sha256
from labkit.ledger.leans import PARTS
from labkit.ledger.tables_out import Names
from labkit.messages import sentence
from labkit.problems import BadInput
from labkit.sheet.verify import trusted_here
from labkit.workflow.clock import date_and_time
from labkit.workflow.record_files import Pack, file_name, kind_words, readings_table, record_json, table

INDEX: Final = "index.html"
CHECKSUMS: Final = "SHA256SUMS.txt"

MOST_AT_ONCE: Final = 100
"""Results of which everything is handed out in one piece."""


@dataclass(frozen=True)
class Written:
    """A file of the ZIP: its path, what it is in words, and its SHA-256."""

    path: str
    says: str
    digest: str


@dataclass(frozen=True)
class Chapter:
    """What the index says of one result."""

    behind: Behind
    files: tuple[Written, ...]
    missing: tuple[str, ...]


def everything_behind(data: Path, numbers: Sequence[str], zone: str) -> tuple[str, bytes]:
    """
    Everything behind these results: record, readings, certificate, shim certificates, register and people of the day,
    and the entries of the chain about them; with an index that names every file, and what is missing.

    Parameters
    ----------
    data : Path
    numbers : sequence of str
    zone : str
        In which the index says times.

    Returns
    -------
    (str, bytes)
        A name for the file, and the ZIP.

    Raises
    ------
    BadInput
        ``records.none_chosen``, ``records.too_many``, ``records.too_much``.
    Problem
        ``ledger.changed``.
    """
    if not numbers:
        raise BadInput("records.none_chosen")
    if len(numbers) > MOST_AT_ONCE:
        raise BadInput("records.too_many", count=len(numbers), limit=MOST_AT_ONCE)
    pack, folders = Pack(), Names()
    chapters = [_chapter(pack, folders.give(number), behind(data, number), zone) for number in numbers]
    trust = _trust(pack, data)
    index = _index(ledger.load_bench(data).laboratory.name, chapters, trust, zone)
    pack.add(INDEX, index)
    files = [*trust, *(each for chapter in chapters for each in chapter.files)]
    sums = [(sha256(index), INDEX), *((each.digest, each.path) for each in files)]
    pack.add(CHECKSUMS, "".join(f"{digest}  {path}\n" for digest, path in sums).encode())
    name = numbers[0] if len(numbers) == 1 else f"{len(numbers)} records"
    return f"{name} and everything behind.zip", pack.close()


class _Writer:
    """Puts the files of one result into the ZIP, and notes what each is."""

    def __init__(self, pack: Pack, folder: str) -> None:
        self._pack, self._folder = pack, folder
        self._names: dict[str, Names] = {}
        self.files: list[Written] = []
        self.missing: list[str] = []

    def add(self, name: str, ending: str, content: bytes, says: str, under: str = "") -> None:
        given = self._names.setdefault(under, Names()).give(name)
        path = "/".join(each for each in (self._folder, under, f"{given}{ending}") if each)
        self._pack.add(path, content)
        self.files.append(Written(path, says, sha256(content)))

    def lacks(self, code: str, **params: Any) -> None:
        self.missing.append(sentence(f"behind.{code}", params).strip())


def _chapter(pack: Pack, folder: str, found: Behind, zone: str) -> Chapter:
    entry, write = found.entry, _Writer(pack, folder)
    write.add(file_name(entry, ""), ".pdf", entry.pdf, sentence("behind.certificate"))
    write.add("record", ".json", record_json(entry.record), sentence("behind.record"))
    if ((entry.record.get("inputs") or {}).get("readings") or {}).get("rows"):
        write.add("readings", ".csv", readings_table(entry.record), sentence("behind.readings"))
    else:
        write.lacks("no_readings")
    for lean in found.leans:
        if lean.kind == "shim":
            _shim(write, lean, entry.kept, zone)
        elif lean.kind == "instrument":
            _instrument(write, lean)
            _registered(write, lean, entry.kept, zone)
        elif lean.kind in (*PARTS, "rig", "procedure"):
            _registered(write, lean, entry.kept, zone)
    if not any(lean.kind == "procedure" for lean in found.leans):
        write.lacks("no_procedure")
    if not any(lean.kind == "instrument" for lean in found.leans):
        write.lacks("no_instrument")
    _people(write, found, zone)
    rows = [[each[key] for key in ENTRY_COLUMNS] for each in found.entries]
    write.add("ledger entries", ".csv", table(ENTRY_COLUMNS, rows), sentence("behind.entries"))
    if found.approval is None:
        write.lacks("no_approval")
    return Chapter(found, tuple(write.files), tuple(write.missing))


def _trust(pack: Pack, data: Path) -> tuple[Written, ...]:
    """The certificates by which the signatures are verified; they are public."""
    names, found = Names(), []
    for source in trusted_here(data):
        content = source.read_bytes()
        path = f"trust/{names.give(source.name)}"
        pack.add(path, content)
        found.append(Written(path, sentence("behind.trust"), sha256(content)))
    return tuple(found)


def _shim(write: _Writer, lean: LeanedOn, signed: str, zone: str) -> None:
    name = lean.subject.rpartition("/")[2]
    number = str(lean.said.get("certificate") or "")
    if lean.certificate is not None:
        write.add(
            f"{_plain(lean)} {number}",
            ".pdf",
            lean.certificate,
            sentence("behind.shim_certificate", {"shim": lean.subject, "number": number or "–"}),
            "shims",
        )
    elif number:
        write.lacks("no_shim_pdf", shim=lean.subject, number=number)
    else:
        write.lacks("no_shim_certificate", shim=name)
    _registered(write, lean, signed, zone, "shims")


def _instrument(write: _Writer, lean: LeanedOn) -> None:
    """The certificate of a thermometer, or what is missing of it."""
    stands_on, due = lean.stands_on, str(lean.said.get("due") or "–")
    if stands_on is None:
        write.lacks("no_instrument_certificate", name=lean.subject, due=due)
    elif lean.certificate is None:
        write.lacks("no_instrument_pdf", name=lean.subject, number=stands_on.certificate)
    else:
        params = {"name": lean.subject, "number": stands_on.certificate, "due": due}
        name = f"{lean.subject} {stands_on.certificate}"
        write.add(name, ".pdf", lean.certificate, sentence("behind.instrument_certificate", params), "instruments")


def _plain(lean: LeanedOn) -> str:
    """The name of a shim without the stroke between set and shim."""
    return lean.subject.replace("/", " ")


def _registered(write: _Writer, lean: LeanedOn, signed: str, zone: str, under: str = "register") -> None:
    """A thing as it was registered, beside what the record says of it."""
    state = lean.registered
    kind = sentence(f"register_kind.{lean.kind}")
    if lean.subject.startswith(kind):
        kind = ""  # “Rig 2” says itself what it is
    body: dict[str, Any] = {"kind": lean.kind, "name": lean.subject, "as the record has it": dict(lean.said)}
    if state is None:
        write.lacks("not_registered", kind=kind, name=lean.subject)
    else:
        body |= {
            "as it was registered": dict(state.body),
            "state of the register": state.revision,
            "registered at": state.at,
            "registered by": state.who,
        }
        if state.at > signed:
            write.lacks("registered_later", kind=kind, name=lean.subject, at=date_and_time(state.at, zone))
    content = json.dumps(body, ensure_ascii=False, indent=2).encode()
    params = {"kind": kind, "name": lean.subject, "revision": state.revision if state is not None else "–"}
    wanted = _plain(lean) if under == "shims" else f"{lean.kind} {lean.subject}"
    write.add(wanted, ".json", content, sentence("behind.registered", params).strip(), under)


def _people(write: _Writer, found: Behind, zone: str) -> None:
    readers = {lean.subject for lean in found.leans if lean.kind == "person"}
    heads = ("name", "role then", "state then", "registered at [UTC]", "registered by", "read", "signed")
    rows = [
        [
            each.subject,
            each.body.get("role", ""),
            each.body.get("state", ""),
            each.at,
            each.who,
            "yes" if each.subject in readers else "",
            "yes" if each.subject == found.entry.signer else "",
        ]
        for each in found.people
    ]
    if rows:
        write.add("people", ".csv", table(heads, rows), sentence("behind.people"))
    else:
        write.lacks("no_people", at=date_and_time(found.entry.kept, zone))
    known = {each.subject for each in found.people}
    for name in sorted((readers | {found.entry.signer}) - known):
        if rows and name:
            write.lacks("not_registered", kind=sentence("register_kind.person"), name=name)


# ---- the index ----


def _index(laboratory: str, chapters: Sequence[Chapter], trust: Sequence[Written], zone: str) -> bytes:
    """One page of HTML, without scripts and without anything from outside."""
    title = sentence("behind.title", {"laboratory": laboratory or "labkit"})
    body = "".join(_section(chapter, zone) for chapter in chapters)
    verify = sentence("behind.how_verify" if trust else "behind.no_trust")
    contents = "".join(f'<li><a href="#{escape(_number(each))}">{escape(_heading(each))}</a></li>' for each in chapters)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>"
        f"<h1>{escape(title)}</h1><p>{escape(sentence('behind.intro', {'zone': zone}))}</p>"
        f"<ul>{contents}</ul>{body}"
        f"<h2>{escape(sentence('behind.how'))}</h2>{_files(trust)}<p>{escape(verify)}</p>"
        f"<p>{escape(sentence('behind.how_sums', {'file': CHECKSUMS}))}</p>"
        f"<p>{escape(sentence('behind.how_chain', {'laboratory': chapters[0].behind.laboratory}))}</p>"
        "</body></html>"
    ).encode()


def _number(chapter: Chapter) -> str:
    return chapter.behind.entry.number


def _heading(chapter: Chapter) -> str:
    entry = chapter.behind.entry
    return f"{kind_words(entry.kind)} {entry.number}" + (f", {entry.rig}" if entry.rig else "")


def _section(chapter: Chapter, zone: str) -> str:
    missing = "".join(f"<li>{escape(each)}</li>" for each in chapter.missing)
    said = f"<h3>{escape(sentence('behind.missing'))}</h3><ul>{missing}</ul>" if missing else ""
    facts = "".join(f"<p>{escape(each)}</p>" for each in _facts(chapter.behind, zone))
    return (
        f'<h2 id="{escape(_number(chapter), quote=True)}">{escape(_heading(chapter))}</h2>{facts}'
        f"{_files(chapter.files)}{said}"
    )


def _files(files: Sequence[Written]) -> str:
    rows = "".join(
        f'<tr><td><a href="{escape(quote(each.path))}">{escape(each.path)}</a></td>'
        f"<td>{escape(each.says)}</td><td><code>{each.digest}</code></td></tr>"
        for each in files
    )
    head = "<tr><th>File</th><th>What it is</th><th>SHA-256</th></tr>"
    return f"<table><thead>{head}</thead><tbody>{rows}</tbody></table>" if files else ""


def _facts(found: Behind, zone: str) -> list[str]:
    entry = found.entry
    kept = next((each for each in found.entries if each["kind"] == "result"), None)
    said = [sentence("behind.signed", {"person": entry.signer or "–", "at": date_and_time(entry.kept, zone)})]
    if found.approval is not None:
        said.append(
            sentence("behind.approved", {"person": found.approval.by, "at": date_and_time(found.approval.at, zone)})
        )
    if found.replaces:
        said.append(sentence("behind.replaces", {"number": found.replaces, "reason": entry.reason}))
    if found.replaced_by:
        said.append(sentence("behind.replaced", {"number": found.replaced_by}))
    if kept is not None:
        said.append(sentence("behind.entry", {"entry": kept["seq"], "hash": kept["hash"]}))
    return said


_STYLE: Final = (
    "body{font:16px/24px sans-serif;max-width:1100px;margin:32px auto;padding:0 24px;color:#15202c;background:#fff}"
    "table{border-collapse:collapse;width:100%}th,td{text-align:left;vertical-align:top;padding:4px 12px 4px 0;"
    "border-bottom:1px solid #cfdcdf}code{font-size:12px;word-break:break-all}h2{margin-top:48px}"
)
