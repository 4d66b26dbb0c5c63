"""What a sheet says besides the numbers: whose laboratory, for whom, which rig, by which procedure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Self

from labkit.bench.conditions import Conditions
from labkit.bench.rig import Part, Rig


@dataclass(frozen=True)
class Party:
    """
    A laboratory or a customer.

    Attributes
    ----------
    name, department, address : str
    accreditation : str
        Of a laboratory; empty where it has none.
    order : str
        Of a customer.
    """

    name: str = ""
    department: str = ""
    address: str = ""
    accreditation: str = ""
    order: str = ""


@dataclass(frozen=True)
class Statements:
    """
    What a laboratory may have to say of a calibration besides its numbers (ISO/IEC 17025:2017, 7.8).

    Attributes
    ----------
    received_on : str
        ISO date on which the gauge came, where that matters.
    adjusted : str
        What was adjusted or repaired between "as found" and the readings of the curve; empty where nothing was.
    deviations : str
        Additions to the procedure, deviations and exclusions from it; empty where there were none.
    specification : str
        What the limits of the tolerance come from, such as a drawing or an order.
    supplied : str
        What the customer supplied and the laboratory did not check, such as the target or its diameter.
    external : str
        Results that come from an external provider, besides the certificates of the shims.
    opinions : str
        Opinions and interpretations, and who is authorised for them.
    agreed_months : int or None
        The interval to the next calibration that was agreed with the customer; without an agreement none is printed.
    """

    received_on: str = ""
    adjusted: str = ""
    deviations: str = ""
    specification: str = ""
    supplied: str = ""
    external: str = ""
    opinions: str = ""
    agreed_months: int | None = None


@dataclass(frozen=True)
class About:
    """
    The particulars of one calibration.

    Attributes
    ----------
    laboratory, customer : Party
    rig : Rig
    conditions : Conditions
    procedure, revision : str
    place, received : str
        Where it was done; the condition of the gauge on receipt.
    humidity_percent : float or None
        Relative humidity.
    instruments : tuple of Part
        Thermometers, hygrometers and other auxiliary instruments.
    operator : str
        Who read.
    switched_on : str
        UTC, ISO 8601 with Z; empty where it is not known.
    working_range_mm : (float, float) or None
    tolerance_mm : float or (float or None, float or None) or None
        Half-width, or lower and upper limit [mm] of the deviation.
    target_u_mm : float or None
        The expanded uncertainty [mm] to reach.
    rule, outcomes : str
        The decision rule and how many outcomes it has, as `labkit.calibrate` takes them; empty for its defaults.
    risk : float or None
        The risk at the acceptance limit, for the rule "guard-band-risk".
    process_mm : (float, float) or None
        Mean and standard deviation [mm] of the true deviations of the rigs that are brought.
    zone : str
        The laboratory's IANA time zone.
    remarks : tuple of str
    widen_reason : str
        Why the given uncertainties of shims and readings are too small, where χ² says so and the operator knows why.
    replaces, replaced_why : str
        The number of the certificate that this one replaces, and why; empty where it replaces none.
    language : str
        Of the sheet: a key of `labkit.language.LANGUAGES`; empty for English.
    statements : Statements
    """

    laboratory: Party = field(default_factory=Party)
    customer: Party = field(default_factory=Party)
    rig: Rig = field(default_factory=Rig)
    conditions: Conditions = field(default_factory=Conditions)
    procedure: str = ""
    revision: str = ""
    place: str = ""
    received: str = ""
    humidity_percent: float | None = None
    instruments: tuple[Part, ...] = ()
    operator: str = ""
    switched_on: str = ""
    working_range_mm: tuple[float, float] | None = None
    tolerance_mm: float | tuple[float | None, float | None] | None = None
    target_u_mm: float | None = None
    rule: str = ""
    outcomes: str = ""
    zone: str = "UTC"
    remarks: tuple[str, ...] = ()
    risk: float | None = None
    process_mm: tuple[float, float] | None = None
    widen_reason: str = ""
    replaces: str = ""
    replaced_why: str = ""
    language: str = ""
    statements: Statements = field(default_factory=Statements)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"conditions": self.conditions.to_dict()}

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        for key in ("laboratory", "customer"):
            values[key] = Party(**values.get(key, {}))
        values["rig"] = Rig.from_dict(values.get("rig", {}))
        values["conditions"] = Conditions.from_dict(values.get("conditions", {}))
        values["instruments"] = tuple(Part(**each) for each in values.get("instruments", ()))
        values["statements"] = Statements(**values.get("statements", {}))
        values["remarks"] = tuple(values.get("remarks", ()))
        for key in ("working_range_mm", "tolerance_mm", "process_mm"):
            if isinstance(values.get(key), list):
                values[key] = tuple(values[key])
        return cls(**values)
