"""The bench as the register keeps it: one subject a person, part, rig, shim, procedure and customer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

from labkit.bench.about import Party
from labkit.bench.rig import Part, Rig
from labkit.bench.shims import ShimSet
from labkit.ledger.register import Bench, NotInUse, Person, Procedure, RegisteredRig
from labkit.ledger.versions import Version

PART_KINDS: Final = ("gauge", "probe", "tip", "target")

KINDS: Final = (
    "laboratory", "person", *PART_KINDS, "instrument", "rig", "shim-set", "shim", "procedure", "customer",
)  # fmt: skip
"""The kinds that make up a bench, in an order in which each names only earlier ones."""

State = Literal["in use", "set aside", "withdrawn"]

SETTINGS: Final = ("zone", "place", "rule", "outcomes", "risk", "approval", "timestamps")
"""What is set for the laboratory, besides its particulars."""

_OWN: Final = ("order", "state", "why")
"""Keys that every body has besides what is registered."""

THE_LABORATORY: Final = "laboratory"
"""The one subject of its kind: name, zone and rules of the laboratory."""


@dataclass(frozen=True)
class Subject:
    """One thing to be registered: its kind, its name, and its body without `_OWN`."""

    kind: str
    name: str
    body: Mapping[str, Any]


def shim_subject(set_name: str, shim: str) -> str:
    """The name of a shim in the register: shims of two sets may bear the same mark."""
    return f"{set_name}/{shim}"


def subjects(bench: Bench) -> Iterator[Subject]:
    """Everything of a bench, each once."""
    settings = {key: getattr(bench, key) for key in SETTINGS}
    yield Subject("laboratory", THE_LABORATORY, {"party": asdict(bench.laboratory), **settings})
    yield from (Subject("person", each.name, asdict(each)) for each in bench.people)
    seen: set[tuple[str, str]] = set()
    for rig in bench.rigs:
        for kind in PART_KINDS:
            part: Part = getattr(rig.rig, kind)
            if part.name and (kind, part.name) not in seen:
                seen.add((kind, part.name))
                arrival = {"arrival": rig.arrival} if kind == "gauge" else {}
                yield Subject(kind, part.name, asdict(part) | arrival)
    yield from (Subject("instrument", each.name, asdict(each)) for each in bench.instruments)
    yield from (Subject("rig", each.name, _rig_body(each)) for each in bench.rigs)
    for shim_set in bench.shim_sets:
        yield Subject("shim-set", shim_set.name, {"cautions": [each.to_dict() for each in shim_set.cautions]})
        yield from (Subject("shim", shim_subject(shim_set.name, each.name), each.to_dict()) for each in shim_set)
    yield from (Subject("procedure", each.name, asdict(each)) for each in bench.procedures)
    yield from (Subject("customer", customer_subject(each), asdict(each)) for each in bench.customers)


def customer_subject(customer: Party) -> str:
    """A customer's name in the register, with the department where there is one."""
    return f"{customer.name}, {customer.department}" if customer.department else customer.name


def bench_of(versions: Iterable[Version]) -> Bench:
    """
    The bench that these states make up.

    Withdrawn people, parts, rigs, procedures and customers are left out; shims that are not in use stay in their set,
    as an earlier draft may have read them, and are named in `Bench.not_in_use`.

    Raises
    ------
    KeyError, TypeError, ValueError
        A body is not what this labkit writes.
    """
    by_kind: dict[str, list[Version]] = {kind: [] for kind in KINDS}
    for each in versions:
        if each.kind in by_kind:
            by_kind[each.kind].append(each)
    for found in by_kind.values():
        found.sort(key=lambda each: (each.body["order"], each.subject))

    def in_use(kind: str) -> Iterator[tuple[str, dict[str, Any]]]:
        for each in by_kind[kind]:
            if each.body["state"] == "in use":
                yield each.subject, _without_own(each.body)

    parts = {kind: dict(in_use(kind)) for kind in PART_KINDS}
    settings = next((_without_own(each.body) for each in by_kind["laboratory"]), {})
    party = settings.pop("party", {})
    return Bench(
        laboratory=Party(**party),
        **settings,
        people=tuple(Person(**body) for _, body in in_use("person")),
        rigs=tuple(_rig(body, parts) for _, body in in_use("rig") if _parts_there(body, parts)),
        shim_sets=tuple(_shim_set(name, body, by_kind["shim"]) for name, body in in_use("shim-set")),
        instruments=tuple(Part(**body) for _, body in in_use("instrument")),
        procedures=tuple(Procedure(**body) for _, body in in_use("procedure")),
        customers=tuple(Party(**body) for _, body in in_use("customer")),
        not_in_use=tuple(
            NotInUse(each.kind, each.subject, each.body["state"], each.body["why"], each.who, each.at)
            for kind in KINDS
            for each in by_kind[kind]
            if each.body["state"] != "in use"
        ),
    )


def _rig_body(rig: RegisteredRig) -> dict[str, Any]:
    body = rig.to_dict()
    del body["arrival"]  # it is the gauge's
    body["rig"] = {kind: body["rig"][kind]["name"] for kind in PART_KINDS} | {
        "name": rig.name,
        "warm_up_min": rig.rig.warm_up_min,
    }
    return body


def _rig(body: Mapping[str, Any], parts: Mapping[str, Mapping[str, Mapping[str, Any]]]) -> RegisteredRig:
    named = body["rig"]
    gauge = dict(parts["gauge"].get(named["gauge"], {}))
    arrival = gauge.pop("arrival", "typed")
    found = {kind: Part(**parts[kind].get(named[kind], {})) for kind in PART_KINDS[1:]}
    rig = Rig(named["name"], Part(**gauge), found["probe"], found["tip"], found["target"], named["warm_up_min"])
    return RegisteredRig.from_dict({**body, "rig": rig.to_dict(), "arrival": arrival})


def _parts_there(body: Mapping[str, Any], parts: Mapping[str, Mapping[str, Any]]) -> bool:
    """A rig of which a part was withdrawn is a rig no more."""
    return all(not body["rig"][kind] or body["rig"][kind] in parts[kind] for kind in PART_KINDS)


def _shim_set(name: str, body: Mapping[str, Any], shims: Iterable[Version]) -> ShimSet:
    mine = [each for each in shims if each.subject.startswith(f"{name}/") and _set_of(each) == name]
    return ShimSet.from_dict({"name": name, "shims": [_without_own(each.body) for each in mine], **body})


def _set_of(shim: Version) -> str:
    return shim.subject.removesuffix(f"/{shim.body['name']}")


def _without_own(body: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in body.items() if key not in _OWN}
