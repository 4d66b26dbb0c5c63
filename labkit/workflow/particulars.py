"""The typed fields of a page: kept as typed, read into particulars and options, each wrong one with its sentence."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from labkit.bench.about import About, Party
from labkit.bench.numbers import parse_number
from labkit.bench.readings import Signal
from labkit.bench.rig import Part
from labkit.bench.shims import ShimSet
from labkit.ledger import Bench, RegisteredRig
from labkit.metrology.conformity import LARGEST_RISK
from labkit.problems import BadInput, Caution, Fault, Reason
from labkit.workflow import influences

TICKS: Final = ("clean", "no_steel", "shims_ready", "steady")
"""What is ticked before the first reading; ``tick.…`` in `labkit.messages` says it."""

INSTRUMENT_FIELDS: Final = ("thermometer", "hygrometer")
"""The fields that name auxiliary instruments."""

TEMPERATURE: Final = (20.0, 2.0)
"""Within which a procedure that says nothing else is carried out [°C] (common practice, no source)."""

MOST_REPEATS: Final = 50

RULE_FIELDS: Final = ("rule", "outcomes", "risk")
"""What the decision rule is; fixed once a check shim is read."""


@dataclass(frozen=True)
class Particulars:
    """
    What the fields say.

    Attributes
    ----------
    about : About
    repeats : int
    signal : "thickness" or "raw"
    unit : str
        Both of the rig.
    today : date
        Against which due dates are held.
    shims : ShimSet
        The shim set and the check set together, for nothing read may be unknown.
    faults : dict of str to Fault
        By field: what stops the page.
    doubts : dict of str to Caution
        By field: what the sheet will say.
    influence_faults : dict of str to Fault
        By field: an influence that is not counted until it is put right; the page goes on without it.
    rule_faults : dict of str to Fault
        By field: what is wrong with the decision rule, or with the process of which the global risks are stated.
        Without its risk nothing can be decided; without the process the page goes on.
    """

    about: About
    repeats: int
    signal: Signal
    unit: str
    today: date
    shims: ShimSet
    faults: dict[str, Fault] = field(default_factory=dict)
    doubts: dict[str, Caution] = field(default_factory=dict)
    influence_faults: dict[str, Fault] = field(default_factory=dict)
    rule_faults: dict[str, Fault] = field(default_factory=dict)


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
        "rule": bench.rule,
        "outcomes": bench.outcomes,
        "risk": _typed(None if bench.risk is None else round(100 * bench.risk, 6)),
        "repeats": str(rig.repeats),
        "arrival": rig.arrival,
        "needs_min": _typed(rig.rig.warm_up_min),
        "customer": bench.customers[0].name if bench.customers else "",
        "procedure": procedure.name if procedure else "",
        "revision": procedure.revision if procedure else "",
        "place": bench.place,
        "thermometer": kinds.get("thermometer", ""),
        "hygrometer": kinds.get("hygrometer", ""),
        **influences.typed(rig.conditions.influences, rig.signal),
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
    reader, besides = FieldReader(fields), FieldReader(fields)
    day = today or datetime.fromisoformat(begun).date()
    shims = _shims(fields, bench, reader, day)
    instruments = _instruments(fields, bench, reader, day)
    low, high = reader.number("low", least=0.0), reader.number("high", above_zero=True)
    span = (low, high) if low is not None and high is not None and low < high else None
    if low is not None and high is not None and span is None:
        reader.faults["high"] = Fault("field.high", {"low_mm": low})
    repeats = reader.number("repeats")
    if repeats is not None and not (repeats == int(repeats) and 1 <= repeats <= MOST_REPEATS):
        reader.faults["repeats"] = Fault("field.repeats", {"most": MOST_REPEATS})
        repeats = None
    target = reader.number("target", above_zero=True)
    conditions = replace(
        rig.conditions,
        temperature_start_degC=reader.temperature("temperature"),
        temperature_end_degC=reader.temperature("temperature_end"),
        influences=influences.read(fields, besides, rig.conditions.influences, rig.signal),
    )
    rule, of_the_rule = fields.get("rule") or bench.rule, FieldReader(fields)
    on = _switched_on(fields.get("switched_on", ""), begun, bench.zone, reader)
    about = About(
        laboratory=bench.laboratory,
        customer=_customer(fields, bench),
        rig=replace(rig.rig, warm_up_min=reader.number("needs_min", least=0.0)),
        conditions=conditions,
        procedure=fields.get("procedure", ""),
        revision=fields.get("revision", ""),
        place=fields.get("place", ""),
        received=fields.get("received", ""),
        humidity_percent=reader.number("humidity", least=0.0, most=100.0),
        instruments=instruments,
        operator=person,
        switched_on=on,
        working_range_mm=span,
        tolerance_mm=reader.number("tolerance", above_zero=True),
        target_u_mm=None if target is None else target / 1000,
        rule=rule,
        outcomes=fields.get("outcomes") or bench.outcomes,
        risk=_risk(of_the_rule) if rule == "guard-band-risk" else None,
        process_mm=_process(of_the_rule),
        zone=bench.zone,
    )
    return Particulars(
        about,
        int(repeats or rig.repeats),
        rig.signal,
        rig.unit,
        day,
        shims,
        reader.faults,
        reader.doubts,
        besides.faults,
        of_the_rule.faults,
    )


class FieldReader:
    """Reads one field after the other and gathers what is wrong with each."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        self._fields = fields
        self.faults: dict[str, Fault] = {}
        self.doubts: dict[str, Caution] = {}

    def number(
        self, name: str, *, least: float = -math.inf, most: float = math.inf, above_zero: bool = False
    ) -> float | None:
        text = self._fields.get(name, "").strip()
        if not text:
            return None
        try:
            value = parse_number(text, "," if "," in text and "." not in text else None)
        except BadInput as problem:
            self.faults[name] = problem.fault
            return None
        if above_zero and value <= 0:
            self.faults[name] = Fault("field.above_zero")
        elif value > most:
            self.faults[name] = Fault("field.between", {"least": least, "most": most})
        elif value < least:
            self.faults[name] = Fault("field.below_zero")
        else:
            return value
        return None

    def temperature(self, name: str) -> float | None:
        value = self.number(name)
        if value is not None and abs(value - TEMPERATURE[0]) > TEMPERATURE[1]:
            self.doubts[name] = Caution("field.temperature", {"t": value, "within": TEMPERATURE[1]})
        return value


def _shims(fields: Mapping[str, str], bench: Bench, reader: FieldReader, today: date) -> ShimSet:
    """Both sets as one; a set past its date is said."""
    found = []
    for name in ("shim_set", "check_set"):
        if not fields.get(name):
            continue
        try:
            chosen = bench.shim_set(fields[name])
        except BadInput as problem:
            reader.faults[name] = problem.fault
            continue
        found.append(chosen)
        overdue = [shim.due for shim in chosen if shim.due is not None and shim.due < today]
        if overdue:
            reader.doubts[name] = Caution("field.shims_due", {"set": chosen.name, "due": min(overdue).isoformat()})
    shims = {shim.name: shim for each in found for shim in each}
    cautions = tuple(caution for each in found for caution in each.cautions)
    return ShimSet(tuple(shims.values()), found[0].name if found else "", cautions)


def _instruments(fields: Mapping[str, str], bench: Bench, reader: FieldReader, today: date) -> tuple[Part, ...]:
    """Those that were chosen; one past its date is said."""
    chosen = {name: fields[name] for name in INSTRUMENT_FIELDS if fields.get(name)}
    found = tuple(part for part in bench.instruments if part.name in chosen.values())
    for part in overdue(found, today):
        params = {"name": part.name, "due": part.due}
        reader.doubts |= {name: Caution("field.instrument_due", params) for name in chosen if chosen[name] == part.name}
    return found


def overdue(instruments: Iterable[Part], today: date) -> list[Part]:
    """Auxiliary instruments past the date to which they are relied upon."""
    return [part for part in instruments if part.due and part.due < today.isoformat()]


def _risk(reader: FieldReader) -> float | None:
    """The risk that is typed in percent, as a share; the rule that asks for it cannot do without."""
    percent = reader.number("risk", least=0.0, most=100 * LARGEST_RISK, above_zero=True)
    if percent is None:
        reader.faults.setdefault("risk", Fault("decision.risk_missing"))
        return None
    return percent / 100


def _process(reader: FieldReader) -> tuple[float, float] | None:
    """Mean and standard deviation [mm] from what is typed in µm: both, or neither."""
    mean, sd = reader.number("process_mean"), reader.number("process_sd", above_zero=True)
    if mean is not None and sd is not None:
        return mean / 1000, sd / 1000
    if (mean is None) != (sd is None):
        reader.faults.setdefault("process_mean" if mean is None else "process_sd", Fault("field.process"))
    return None


def _customer(fields: Mapping[str, str], bench: Bench) -> Party:
    name = fields.get("customer", "")
    known = next((party for party in bench.customers if party.name == name), Party(name))
    return replace(known, order=fields.get("order", ""))


def _switched_on(text: str, begun: str, zone: str, reader: FieldReader) -> str:
    try:
        return switched_on(text, begun, zone)
    except ValueError:
        reader.faults["switched_on"] = Fault("field.time", {"typed": text})
        return ""


def switched_on(text: str, begun: str, zone: str) -> str:
    """
    ``09:17`` on the laboratory's clock as UTC: the day of `begun`, or the day before where that would lie ahead.

    Raises
    ------
    ValueError
        It is no time of day.
    """
    if not text.strip():
        return ""
    clock = datetime.strptime(text.strip().replace(".", ":"), "%H:%M").time()
    here = datetime.fromisoformat(begun).astimezone(ZoneInfo(zone))
    then = datetime.combine(here.date(), clock, here.tzinfo)
    if then > here + timedelta(hours=12):
        then -= timedelta(days=1)
    return then.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def cold_readings(about: About, first_read: str) -> Reason | None:
    """
    What the sheet says where the gauge was read before it was warm; None where it was warm, or nobody said.

    Parameters
    ----------
    about : About
    first_read : str
        When the first reading was taken (UTC, ISO 8601 with Z); empty where none was.
    """
    needed = about.rig.warm_up_min
    if not (about.switched_on and first_read and needed):
        return None
    on, read = datetime.fromisoformat(about.switched_on), datetime.fromisoformat(first_read)
    minutes = (read - on).total_seconds() / 60
    return Reason("remark.cold", {"minutes": max(minutes, 0.0), "needed": needed}) if minutes < needed else None


def _typed(value: Any) -> str:
    return "" if value in (None, "") else f"{value:g}"
