"""What a record leans on, read from the record: for an auditor, and for the day on which a shim turns out wrong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from labkit.ledger.canonical import canonical

PARTS: Final = ("gauge", "probe", "tip", "target")


@dataclass(frozen=True)
class Lean:
    """
    One thing on which a result leans.

    Attributes
    ----------
    kind, subject : str
        As the register names it: a shim is ``SET/SHIM``. A certificate ("result") is named by its id.
    detail : str
        What the record says of it, as canonical JSON.
    """

    kind: str
    subject: str
    detail: str


def leans_of(record: Mapping[str, Any]) -> tuple[Lean, ...]:
    """
    Every shim that was read, the parts of the rig, instruments, procedure, people and earlier certificate of a record,
    each once.
    """
    found: dict[tuple[str, str], Lean] = {}
    for lean in _leans(record):
        found.setdefault((lean.kind, lean.subject), lean)
    return tuple(found.values())


def _leans(record: Mapping[str, Any]) -> Iterator[Lean]:
    inputs = record.get("inputs") or {}
    about, readings = inputs.get("about") or {}, inputs.get("readings") or {}
    rows = readings.get("rows") or []
    read = {name for row in rows for name in row.get("shims") or ()}
    shims = readings.get("shims") or {}
    for shim in shims.get("shims") or ():
        if shim.get("name") in read:
            named_set = shim.get("set_name") or shims.get("name") or ""
            yield _lean("shim", f"{named_set}/{shim['name']}", shim)
    certificate = inputs.get("calibration") or {}
    if certificate:
        yield _lean("result", (certificate.get("record") or {}).get("id"), {"number": certificate.get("number", "")})
    rig = about.get("rig") or {}
    yield _lean("rig", rig.get("name", ""), {"warm_up_min": rig.get("warm_up_min")})
    for kind in PARTS:
        part = rig.get(kind) or {}
        yield _lean(kind, part.get("name", ""), part)
    for instrument in about.get("instruments") or ():
        yield _lean("instrument", instrument.get("name", ""), instrument)
    yield _lean("procedure", about.get("procedure") or "", {"revision": about.get("revision", "")})
    people = {str(row.get("operator") or "") for row in rows} | {str(about.get("operator") or "")}
    for person in sorted(people):
        yield _lean("person", person, {})


def _lean(kind: str, subject: object, detail: Mapping[str, Any]) -> Lean:
    return Lean(kind, str(subject or ""), canonical(detail))
