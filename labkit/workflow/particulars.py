"""The typed fields of a page: kept as typed, read into particulars and options, each wrong one with its sentence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from labkit.bench.about import About, Party
from labkit.bench.numbers import parse_number
from labkit.bench.shims import ShimSet
from labkit.ledger import Bench, RegisteredRig
from labkit.problems import BadInput, Caution, Fault

TICKS: Final = ("clean", "no_steel", "shims_ready", "steady")
"""What is ticked before the first reading; ``tick.…`` in `labkit.messages` says it."""

TEMPERATURE: Final = (20.0, 2.0)
"""Within which a procedure that says nothing else is carried out [°C] (common practice, no source)."""

NUMBERS: Final = (
    "low", "high", "tolerance", "target", "temperature", "temperature_end", "repeats", "needs_min", "humidity",
)  # fmt: skip

MOST_REPEATS: Final = 50


@dataclass(frozen=True)
class Particulars:
    """
    What the fields say.

    Attributes
    ----------
    about : About
    repeats : int
    signal, unit : str
        Of the rig.
    shims : ShimSet
        The shim set and the check set together, for nothing read may be unknown.
    faults : dict of str to Fault
        By field: what stops the page.
    doubts : dict of str to Caution
        By field: what the sheet will say.
    """

    about: About
    repeats: int
    signal: str
    unit: str
    shims: ShimSet
    faults: dict[str, Fault] = field(default_factory=dict)
    doubts: dict[str, Caution] = field(default_factory=dict)


def defaults(bench: Bench, rig: RegisteredRig) -> dict[str, str]:
    """
    The fields as the register fills them for a rig.
    """
    low, high = rig.working_range_mm or ("", "")
    procedure = bench.procedures[0] if bench.procedures else None
    kinds = {part.kind: part.name for part in bench.instruments}
    return {
        "rig": rig.name,
        "shim_set": rig.shim_set,
        "check_set": rig.check_set,
        "low": _typed(low),
        "high": _typed(high),
        "tolerance": _typed(rig.tolerance_mm),
        "target": _typed(None if rig.target_u_mm is None else round(rig.target_u_mm * 1000, 6)),
        "repeats": str(rig.repeats),
        "arrival": rig.arrival,
        "needs_min": _typed(rig.rig.warm_up_min),
        "customer": bench.customers[0].name if bench.customers else "",
        "procedure": procedure.name if procedure else "",
        "revision": procedure.revision if procedure else "",
        "place": bench.place,
        "thermometer": kinds.get("thermometer", ""),
        "hygrometer": kinds.get("hygrometer", ""),
    }


def read_fields(
    fields: Mapping[str, str], bench: Bench, person: str, begun: str, today: date | None = None
) -> Particulars | None:
    """
    What the fields say, with every wrong one named; None as long as no rig is chosen.

    Parameters
    ----------
    fields : mapping of str to str
        As typed.
    bench : Bench
    person : str
    begun : str
        When the page was begun (UTC, ISO 8601 with Z): the day to which a time of day belongs.
    today : date, optional
        Against which due dates are held; default the day on which the page was begun.
    """
    if not fields.get("rig"):
        return None
    rig = bench.rig(fields["rig"])
    reader = _Reader(fields)
    shims = _shims(fields, bench, reader, today or datetime.fromisoformat(begun).date())
    low, high = reader.number("low"), reader.number("high")
    if low is not None and high is not None and not low < high:
        reader.faults["high"] = Fault("field.high", {"low_mm": low})
    temperature = reader.number("temperature")
    if temperature is not None and abs(temperature - TEMPERATURE[0]) > TEMPERATURE[1]:
        reader.doubts["temperature"] = Caution("field.temperature", {"t": temperature, "within": TEMPERATURE[1]})
    tolerance, target = reader.number("tolerance"), reader.number("target")
    repeats = reader.number("repeats")
    if repeats is not None and not (repeats == int(repeats) and 1 <= repeats <= MOST_REPEATS):
        reader.faults["repeats"] = Fault("field.repeats", {"most": MOST_REPEATS})
        repeats = None
    for name, value in (("tolerance", tolerance), ("target", target)):
        if value is not None and value <= 0:
            reader.faults[name] = Fault("field.above_zero")
    conditions = replace(
        rig.conditions, temperature_start_degC=temperature, temperature_end_degC=reader.number("temperature_end")
    )
    switched_on = _switched_on(fields.get("switched_on", ""), begun, bench.zone, reader)
    fine = not reader.faults
    about = About(
        laboratory=bench.laboratory,
        customer=_customer(fields, bench),
        rig=replace(rig.rig, warm_up_min=reader.number("needs_min")),
        conditions=conditions,
        procedure=fields.get("procedure", ""),
        revision=fields.get("revision", ""),
        place=fields.get("place", ""),
        received=fields.get("received", ""),
        humidity_percent=reader.number("humidity"),
        instruments=tuple(
            part for part in bench.instruments if part.name in (fields.get("thermometer"), fields.get("hygrometer"))
        ),
        operator=person,
        switched_on=switched_on,
        working_range_mm=(low, high) if fine and low is not None and high is not None else None,
        tolerance_mm=tolerance if fine else None,
        target_u_mm=target / 1000 if fine and target is not None else None,
        rule=bench.rule,
        outcomes=bench.outcomes,
        zone=bench.zone,
    )
    return Particulars(about, int(repeats or rig.repeats), rig.signal, rig.unit, shims, reader.faults, reader.doubts)


class _Reader:
    """Reads one field after the other and gathers what is wrong with each."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        self._fields = fields
        self.faults: dict[str, Fault] = {}
        self.doubts: dict[str, Caution] = {}

    def number(self, name: str) -> float | None:
        text = self._fields.get(name, "").strip()
        if not text:
            return None
        try:
            return parse_number(text, "," if "," in text and "." not in text else None)
        except BadInput as problem:
            self.faults[name] = problem.fault
            return None


def _shims(fields: Mapping[str, str], bench: Bench, reader: _Reader, today: date) -> ShimSet:
    """Both sets as one; a set past its date is said."""
    found = []
    for name in ("shim_set", "check_set"):
        if not fields.get(name):
            continue
        chosen = bench.shim_set(fields[name])
        found.append(chosen)
        overdue = [shim.due for shim in chosen if shim.due is not None and shim.due < today]
        if overdue:
            reader.doubts[name] = Caution("field.shims_due", {"set": chosen.name, "due": min(overdue).isoformat()})
    shims = {shim.name: shim for each in found for shim in each}
    cautions = tuple(caution for each in found for caution in each.cautions)
    return ShimSet(tuple(shims.values()), found[0].name if found else "", cautions)


def _customer(fields: Mapping[str, str], bench: Bench) -> Party:
    name = fields.get("customer", "")
    known = next((party for party in bench.customers if party.name == name), Party(name))
    return replace(known, order=fields.get("order", ""))


def _switched_on(text: str, begun: str, zone: str, reader: _Reader) -> str:
    """``09:17`` on the laboratory's clock as UTC: today, or the day before where that would lie ahead."""
    if not text.strip():
        return ""
    try:
        clock = datetime.strptime(text.strip().replace(".", ":"), "%H:%M").time()
    except ValueError:
        reader.faults["switched_on"] = Fault("field.time", {"typed": text})
        return ""
    here = datetime.fromisoformat(begun).astimezone(ZoneInfo(zone))
    then = datetime.combine(here.date(), clock, here.tzinfo)
    if then > here + timedelta(hours=12):
        then -= timedelta(days=1)
    return then.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _typed(value: Any) -> str:
    return "" if value in (None, "") else f"{value:g}"
