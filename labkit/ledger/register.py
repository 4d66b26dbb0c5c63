"""The bench of one laboratory: its people, rigs, shims and rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Final, Literal, Self, TypeVar

from labkit.bench.about import Party
from labkit.bench.conditions import Conditions
from labkit.bench.readings import Signal
from labkit.bench.rig import Part, Rig
from labkit.bench.shims import ShimSet
from labkit.ledger.people import Role
from labkit.problems import BadInput

SCHEMA: Final = "labkit.bench/1"
"""Of the bench as one JSON object: in an export, and in the data folders of the first form."""

Arrival = Literal["typed", "keyed", "streamed"]
"""How readings arrive: a person types them, the gauge's key types them, the gauge streams them."""


@dataclass(frozen=True)
class Person:
    """
    Somebody who reads or signs.

    Attributes
    ----------
    name : str
        As it is printed on the sheet.
    role : str
        "technician", "engineer" or "manager".
    identity : str
        File name of the signing file in the data folder's ``identities/``; empty where there is none.
    account : str
        The name under which a hub in front knows this person; empty where there is none.
    """

    name: str
    role: Role = "technician"
    identity: str = ""
    account: str = ""


@dataclass(frozen=True)
class NotInUse:
    """
    A registered thing that is set aside or withdrawn.

    Attributes
    ----------
    kind, name : str
        A shim's name is ``SET/SHIM``.
    state : str
        "set aside" or "withdrawn".
    why, who, at : str
        The reason, by whom and when (UTC, ISO 8601 with Z).
    """

    kind: str
    name: str
    state: str
    why: str = ""
    who: str = ""
    at: str = ""


@dataclass(frozen=True)
class Procedure:
    """A written procedure and its revision."""

    name: str
    revision: str = ""


@dataclass(frozen=True)
class RegisteredRig:
    """
    A rig, and what a new page about it begins with.

    Attributes
    ----------
    rig : Rig
    signal : "thickness" or "raw"
    unit : str
        Of the indications: ``mm``, ``in``, ``counts``, ….
    conditions : Conditions
        The display step, the handling of the background and the closing limits of this rig.
    working_range_mm : (float, float) or None
    tolerance_mm, target_u_mm : float or None
        Half-width [mm], and the expanded uncertainty [mm] to reach.
    repeats : int
        Readings at each point.
    arrival : "typed", "keyed" or "streamed"
    shim_set, check_set : str
        Names of the sets that are used when nobody chooses others.
    interval_months : int or None
        How often the laboratory calibrates it; None where it has set no interval. Nothing of it is printed.
    """

    rig: Rig
    signal: Signal = "thickness"
    unit: str = "mm"
    conditions: Conditions = field(default_factory=Conditions)
    working_range_mm: tuple[float, float] | None = None
    tolerance_mm: float | None = None
    target_u_mm: float | None = None
    repeats: int = 5
    arrival: Arrival = "typed"
    shim_set: str = ""
    check_set: str = ""
    interval_months: int | None = None

    @property
    def name(self) -> str:
        return self.rig.name

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"rig": self.rig.to_dict(), "conditions": self.conditions.to_dict()}

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        values["rig"] = Rig.from_dict(values["rig"])
        values["conditions"] = Conditions.from_dict(values.get("conditions", {}))
        if values.get("working_range_mm") is not None:
            low_mm, high_mm = values["working_range_mm"]
            values["working_range_mm"] = (low_mm, high_mm)
        return cls(**values)


@dataclass(frozen=True)
class Bench:
    """
    What one laboratory has registered.

    Attributes
    ----------
    laboratory : Party
    zone : str
        Its IANA time zone.
    place : str
        Where calibrations are done, when nobody says otherwise.
    people : tuple of Person
    rigs : tuple of RegisteredRig
    shim_sets : tuple of ShimSet
    instruments : tuple of Part
        Thermometers, hygrometers and other auxiliary instruments.
    procedures : tuple of Procedure
    customers : tuple of Party
    rule, outcomes : str
        The decision rule and how many outcomes it has, as `labkit.calibrate` takes them.
    risk : float or None
        The risk at the acceptance limit, for the rule "guard-band-risk".
    approval : bool
        Whether a certificate is approved by a second person, who signs it too.
    timestamps : str
        The address of a timestamp authority (RFC 3161) that is asked at each signature; empty where none is.
    not_in_use : tuple of NotInUse
        What is set aside or withdrawn. Shims among it are in their set all the same: they were read once.
    """

    laboratory: Party = field(default_factory=Party)
    zone: str = "UTC"
    place: str = ""
    people: tuple[Person, ...] = ()
    rigs: tuple[RegisteredRig, ...] = ()
    shim_sets: tuple[ShimSet, ...] = ()
    instruments: tuple[Part, ...] = ()
    procedures: tuple[Procedure, ...] = ()
    customers: tuple[Party, ...] = ()
    rule: str = "guard-band-U"
    outcomes: str = "four"
    risk: float | None = None
    approval: bool = False
    timestamps: str = ""
    not_in_use: tuple[NotInUse, ...] = ()

    def rig(self, name: str) -> RegisteredRig:
        """The rig of that name; BadInput where none is registered."""
        return _named(self.rigs, name, "rig")

    def shim_set(self, name: str) -> ShimSet:
        """The shim set of that name; BadInput where none is registered."""
        return _named(self.shim_sets, name, "shim set")

    def person(self, name: str) -> Person:
        """The person of that name; BadInput where none is registered."""
        return _named(self.people, name, "person")

    def shim_out_of_use(self, set_name: str, shim: str) -> NotInUse | None:
        """Why a shim may not be used without a reason, or None where it may."""
        name = f"{set_name}/{shim}"
        return next((each for each in self.not_in_use if each.kind == "shim" and each.name == name), None)

    def to_dict(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "laboratory": asdict(self.laboratory),
            "zone": self.zone,
            "place": self.place,
            "people": [asdict(each) for each in self.people],
            "rigs": [each.to_dict() for each in self.rigs],
            "shim_sets": [each.to_dict() for each in self.shim_sets],
            "instruments": [asdict(each) for each in self.instruments],
            "procedures": [asdict(each) for each in self.procedures],
            "customers": [asdict(each) for each in self.customers],
            "rule": self.rule,
            "outcomes": self.outcomes,
            "risk": self.risk,
            "approval": self.approval,
            "timestamps": self.timestamps,
            "not_in_use": [asdict(each) for each in self.not_in_use],
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = {key: value for key, value in found.items() if key != "schema"}
        return cls(
            **values
            | {
                "laboratory": Party(**values.get("laboratory", {})),
                "people": tuple(Person(**each) for each in values.get("people", ())),
                "rigs": tuple(RegisteredRig.from_dict(each) for each in values.get("rigs", ())),
                "shim_sets": tuple(ShimSet.from_dict(each) for each in values.get("shim_sets", ())),
                "instruments": tuple(Part(**each) for each in values.get("instruments", ())),
                "procedures": tuple(Procedure(**each) for each in values.get("procedures", ())),
                "customers": tuple(Party(**each) for each in values.get("customers", ())),
                "not_in_use": tuple(NotInUse(**each) for each in values.get("not_in_use", ())),
            }
        )


_Registered = TypeVar("_Registered", RegisteredRig, ShimSet, Person)


def _named(register: tuple[_Registered, ...], name: str, kind: str) -> _Registered:
    for each in register:
        if each.name == name:
            return each
    raise BadInput("bench.unknown", kind=kind, name=name)
