"""Shims on the page Bench: what a table would register, and a new certificate for one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final, Literal

from labkit.bench.dates import parse_date
from labkit.bench.read_shims import read_shims
from labkit.bench.shims import Shim
from labkit.bench.tables import Source
from labkit.ledger import Version
from labkit.ledger.bench_rows import shim_subject
from labkit.problems import BadInput, Caution, Fault
from labkit.workflow.particulars import FieldReader

What = Literal["new", "new certificate", "as it is", "same certificate"]
"""What registering it would do; the last one is refused: another value needs another certificate."""

FIELDS: Final = ("certificate", "thickness", "U", "k", "certified_on", "due", "issued_by")
"""What is asked for a new certificate, in this order: thickness in mm, U in µm."""


@dataclass(frozen=True)
class Offered:
    """A shim of a table, and what is registered of it."""

    shim: Shim
    before: Shim | None
    what: What


@dataclass(frozen=True)
class Offer:
    """
    What a table would register.

    Attributes
    ----------
    set_name : str
    shims : tuple of Offered
    cautions : tuple of Caution
        Doubts about the table.
    """

    set_name: str
    shims: tuple[Offered, ...]
    cautions: tuple[Caution, ...] = ()

    def named(self, what: What) -> list[str]:
        return [each.shim.name for each in self.shims if each.what == what]

    @property
    def to_register(self) -> tuple[Shim, ...]:
        """Those that registering would change."""
        return tuple(each.shim for each in self.shims if each.what in ("new", "new certificate"))


def offer(source: Source, set_name: str, register: Sequence[Version], today: date) -> Offer:
    """
    Read a table of shims, and say what registering it would do; nothing is registered.

    Parameters
    ----------
    source : path, str, bytes, file object or pandas.DataFrame
    set_name : str
        Into which set; where empty, that which the table names.
    register : sequence of Version
    today : date
        Shims that were due before it get a caution.

    Raises
    ------
    BadFile
        With every fault of the table.
    BadInput
        ``shim.several_sets``; ``register.no_name``: neither the page nor the table names the set.
    """
    read = read_shims(source, today=today)
    sets = sorted({shim.set_name for shim in read if shim.set_name})
    if len(sets) > 1:
        raise BadInput("shim.several_sets", sets=sets)
    name = set_name.strip() or (sets[0] if sets else "")
    if not name:
        raise BadInput("register.no_name", kind="shim set")
    there = {each.subject: each for each in register if each.kind == "shim"}
    found = tuple(_offered(replace(shim, set_name=name), there.get(shim_subject(name, shim.name))) for shim in read)
    return Offer(name, found, read.cautions)


def shims_of(register: Sequence[Version], set_name: str) -> list[Version]:
    """The shims of a set, in the order in which they were registered."""
    mine = [
        each
        for each in register
        if each.kind == "shim" and each.subject == shim_subject(set_name, str(each.body["name"]))
    ]
    return sorted(mine, key=lambda each: (each.body["order"], each.subject))


def registered(version: Version) -> Shim:
    """The shim of a state of the register."""
    return Shim.from_dict({key: value for key, value in version.body.items() if key not in ("order", "state", "why")})


def shim_fields(shim: Shim) -> dict[str, str]:
    """The fields of a shim as the register has them."""
    expanded = shim.u_mm * (shim.k or 1.0) if shim.u_mm is not None else None
    return {
        "certificate": shim.certificate,
        "thickness": f"{shim.thickness_mm:.10g}",
        "U": "" if expanded is None else f"{round(1000 * expanded, 6):.10g}",
        "k": "" if shim.k is None else f"{shim.k:g}",
        "certified_on": shim.certified_on.isoformat() if shim.certified_on else "",
        "due": shim.due.isoformat() if shim.due else "",
        "issued_by": shim.issued_by,
    }


def recertified(before: Shim, fields: Mapping[str, str]) -> tuple[Shim, dict[str, Fault]]:
    """
    The shim with its new certificate; of no use where there are faults, which are given by field.

    What the certificate does not say stays: material, flatness, wear, what the set shares.
    """
    reader = FieldReader(fields)
    faults = reader.faults
    certificate = fields.get("certificate", "").strip()
    if not certificate:
        faults["certificate"] = Fault("field.needed")
    elif certificate == before.certificate:
        faults["certificate"] = Fault("shim.old_number")
    thickness = reader.number("thickness", above_zero=True)
    expanded, k = reader.number("U", above_zero=True), reader.number("k", above_zero=True)
    for name, value in (("thickness", thickness), ("U", expanded), ("k", k)):
        if value is None and name not in faults:
            faults[name] = Fault("field.needed")
    certified_on, due = _date("certified_on", fields, faults), _date("due", fields, faults)
    if certified_on and due and due < certified_on:
        faults["due"] = Fault("shims.due_before_certified", {"due": due.isoformat(), "on": certified_on.isoformat()})
    if faults or thickness is None or expanded is None or k is None:
        return before, faults
    u = expanded / 1000 / k
    if before.shared_u_mm > u * (1 + 1e-9):
        faults["U"] = Fault("shims.shared_above_u", {"shared_mm": before.shared_u_mm, "u_mm": u})
    made = replace(
        before,
        thickness_mm=thickness,
        u_mm=u,
        k=k,
        tolerance_mm=None,
        certificate=certificate,
        certified_on=certified_on,
        due=due,
        issued_by=fields.get("issued_by", "").strip(),
        as_typed={"thickness [mm]": fields["thickness"], "U [µm]": fields["U"], "k": fields["k"]},
    )
    if not made.plausible:
        faults["thickness"] = Fault("points.shim", {"shim": before.name})
    return made, faults


def _offered(shim: Shim, version: Version | None) -> Offered:
    if version is None:
        return Offered(shim, None, "new")
    before = registered(version)
    if shim.certificate and shim.certificate != before.certificate:
        return Offered(shim, before, "new certificate")
    same = _values(shim) == _values(before)
    return Offered(shim, before, "as it is" if same else "same certificate")


def _values(shim: Shim) -> tuple[Any, ...]:
    return (shim.thickness_mm, shim.u_mm, shim.k, shim.tolerance_mm, shim.certificate, shim.certified_on, shim.due)


def _date(name: str, fields: Mapping[str, str], faults: dict[str, Fault]) -> date | None:
    typed = fields.get(name, "").strip()
    if not typed:
        return None
    try:
        return parse_date(typed)
    except ValueError:
        faults[name] = Fault("table.not_a_date", {"typed": typed})
        return None
