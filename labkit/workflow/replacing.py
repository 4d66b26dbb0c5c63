"""A new draft from a signed calibration, with the same readings, that will take its place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from labkit import ledger
from labkit.bench.conditions import Conditions
from labkit.bench.readings import Readings
from labkit.ledger import Actor, Bench, Entry
from labkit.problems import BadInput, Caution
from labkit.workflow import influences, tables
from labkit.workflow.draft_page import SCHEMA
from labkit.workflow.log import PARTS, ReadingLog
from labkit.workflow.particulars import defaults, read_fields
from labkit.workflow.rig_work import RigWork

PAGE: Final = "calibrate"


def draft_to_replace(data: Path, entry: Entry, who: Actor, reason: str, now: str) -> str:
    """
    Begin a draft with the readings of a signed calibration; signed, it replaces that one and says why.

    What was typed then is taken from the draft that was signed, and from the record where there was none.

    Parameters
    ----------
    data : Path
    entry : Entry
    who : Actor
        May amend; the draft is theirs, the readings keep the names of those who took them.
    reason : str
        Why it is replaced; it is printed.
    now : str
        UTC, ISO 8601 with Z.

    Returns
    -------
    str
        The id of the draft.

    Raises
    ------
    BadInput
        ``register.no_reason``, ``ledger.replaced_already``, ``records.other_kind``, ``bench.unknown``: the rig is no
        longer registered; ``records.limits_apart``: its tolerance is one that the page does not ask for.
    Problem
        ``door.…``: not allowed.
    """
    who.must("amend")
    if not reason.strip():
        raise BadInput("register.no_reason", name=entry.number)
    later = ledger.replaced_by(data, [entry.id]).get(entry.id)
    if later is not None:
        raise BadInput("ledger.replaced_already", number=entry.number, by=later)
    if entry.kind != "calibration":
        raise BadInput("records.other_kind", number=entry.number)
    bench = ledger.load_bench(data)
    bench.rig(entry.rig)
    draft = {
        **(_as_signed(data, entry) or _from_record(data, entry, bench, now)),
        "id": ledger.new_id(),
        "revision": 0,
        "number": "",
        "person": who.name,
        "owner": who.name,
        "put_away": {},
        "replaces": entry.number,
        "reason": reason.strip(),
    }
    ledger.save_draft(data, draft, who)
    return str(draft["id"])


def changed_since(bench: Bench, record: Mapping[str, Any]) -> list[Caution]:
    """
    Shims that a record was computed with and that are registered with another thickness now: a draft computes with
    what is registered.
    """
    held = Readings.from_dict(record["inputs"]["readings"])
    read = {name for row in held.rows for name in row.shims}
    found = []
    for shim in held.shims:
        registered = next((each for each in bench.shim_sets if each.name == shim.set_name), None)
        if shim.name in read and registered is not None and shim.name in registered:
            now = registered[shim.name]
            if now.thickness_mm != shim.thickness_mm:
                params = {"shim": shim.name, "then_mm": shim.thickness_mm, "now_mm": now.thickness_mm}
                found.append(Caution("records.shim_changed", params))
    return found


def _as_signed(data: Path, entry: Entry) -> dict[str, Any] | None:
    """The draft that was signed; None where the record came by another way."""
    try:
        found = ledger.load_draft(data, entry.id)
    except BadInput:
        return None
    return found if found.get("page") == PAGE and found.get("number") == entry.number else None


def _from_record(data: Path, entry: Entry, bench: Bench, now: str) -> dict[str, Any]:
    """A draft that holds what the record says was read and stated."""
    record = entry.record
    readings = Readings.from_dict(record["inputs"]["readings"])
    begun = min((row.time for row in readings.rows if row.time), default="") or str(record["created"])
    fields = _fields(record, readings, bench, begun)
    known = read_fields(fields, bench, "", begun)
    log = ReadingLog(lambda: now)
    if known is not None:
        tables.put_into(log, readings, known, f"certificate {entry.number}", "")
    parts = [part for part, roles in PARTS.items() if part == "readings" or readings.with_role(*roles)]
    checked = min((row.time for row in readings.with_role("check") if row.time), default="")
    before = ledger.in_force(data, entry.rig, before=entry.number) if readings.with_role("as-found") else None
    work = RigWork(
        fields,
        log,
        parts,
        stopped=True,
        in_force=before.number if before is not None else "",
        checked=checked or (begun if readings.with_role("check") else ""),
    )
    return {
        "schema": SCHEMA,
        "page": PAGE,
        "rig": entry.rig,
        "begun": begun,
        "ticks": [],
        "hide_reference": False,
        "work": work.get_state(),
    }


def _fields(record: Mapping[str, Any], readings: Readings, bench: Bench, begun: str) -> dict[str, str]:
    about, options = record["inputs"]["about"], record["inputs"]["options"]
    rig = bench.rig(about["rig"]["name"])
    conditions = Conditions.from_dict(about["conditions"])
    customer = about["customer"]
    low, high = options["working_range_mm"]
    process = options.get("process_mm") or (None, None)
    kinds = {part["kind"]: part["name"] for part in about["instruments"]}
    stated = {
        "shim_set": _set_of(readings, "fit") or rig.shim_set,
        "check_set": _set_of(readings, "check", "as-found") or rig.check_set,
        "low": _typed(low),
        "high": _typed(high),
        "tolerance": _typed(_half_width(options["tolerance_mm"])),
        "target": _typed(options["target_u_mm"], 1000),
        "rule": options["rule"],
        "outcomes": options["outcomes"],
        "risk": _typed(options.get("risk"), 100),
        "process_mean": _typed(process[0], 1000),
        "process_sd": _typed(process[1], 1000),
        "needs_min": _typed(about["rig"].get("warm_up_min")),
        "temperature": _typed(conditions.temperature_start_degC),
        "temperature_end": _typed(conditions.temperature_end_degC),
        "humidity": _typed(about["humidity_percent"]),
        "customer": customer["name"],
        "order": customer["order"],
        "procedure": about["procedure"],
        "revision": about["revision"],
        "place": about["place"],
        "received": about["received"],
        "thermometer": kinds.get("thermometer", ""),
        "hygrometer": kinds.get("hygrometer", ""),
        "switched_on": _clock(about["switched_on"], bench.zone),
        "family": options["family"] if options["family"] != "auto" else "",
        "reason": options["reason"],
        "repeats": str(_repeats(readings) or rig.repeats),
        **influences.typed(conditions.influences, readings.signal),
    }
    registered = {key: text for key, text in defaults(bench, rig).items() if not key.startswith(influences.PREFIX)}
    return registered | stated


def _set_of(readings: Readings, *roles: str) -> str:
    """The shim set of which most was read in these roles."""
    sets = {shim.name: shim.set_name for shim in readings.shims}
    found = Counter(sets.get(name, "") for row in readings.with_role(*roles) for name in row.shims)
    return found.most_common(1)[0][0] if found else ""


def _repeats(readings: Readings) -> int:
    found = Counter(row.shims for row in readings.with_role("fit") if row.counts)
    return max(found.values(), default=0)


def _half_width(tolerance: Any) -> float | None:
    if not isinstance(tolerance, list):
        return None if tolerance is None else float(tolerance)
    lower, upper = tolerance
    if lower is None or upper is None or lower != -upper:
        raise BadInput("records.limits_apart")
    return float(upper)


def _clock(utc: str, zone: str) -> str:
    return f"{datetime.fromisoformat(utc).astimezone(ZoneInfo(zone)):%H:%M}" if utc else ""


def _typed(value: float | None, times: float = 1.0) -> str:
    return "" if value is None else f"{round(value * times, 9):.10g}"
