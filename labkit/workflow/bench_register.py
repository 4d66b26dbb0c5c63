"""What the forms of the equipment register ask for each kind of thing, and how that becomes what is registered."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal
from zoneinfo import available_timezones

from labkit.bench.about import Party
from labkit.bench.conditions import Conditions
from labkit.bench.dates import parse_date
from labkit.bench.rig import Part
from labkit.ledger import ROLES, Version
from labkit.ledger.bench_rows import THE_LABORATORY
from labkit.problems import BadInput, Fault
from labkit.sheet.timestamps import checked_address
from labkit.workflow.particulars import MOST_REPEATS, FieldReader

FieldKind = Literal["text", "number", "date", "choice"]
Register = Sequence[Version]
Options = Callable[[Register], list[tuple[str, str]]]

LONGEST_TEXT: Final = 200
MOST_MONTHS: Final = 120


@dataclass(frozen=True)
class Field:
    """
    One field of a form.

    Attributes
    ----------
    name, label : str
    kind : str
    unit : str
        Written behind it.
    options : callable or None
        What a choice offers, by what is shown and what is kept.
    needed : bool
        Whether it cannot be left empty.
    fixed : bool
        Whether it stays once the thing is registered: its name.
    """

    name: str
    label: str
    kind: FieldKind = "text"
    unit: str = ""
    options: Options | None = None
    needed: bool = False
    fixed: bool = False


def _of(*choices: tuple[str, str]) -> Options:
    return lambda _register: list(choices)


def _in_use(kind: str, none: str = "–") -> Options:
    """What is in use of a kind, and nothing of it."""

    def options(register: Register) -> list[tuple[str, str]]:
        names = [each.subject for each in register if each.kind == kind and each.body["state"] == "in use"]
        return [(none, ""), *((name, name) for name in names)]

    return options


_ARRIVAL: Final = _of(("I type what it shows", "typed"), ("Its key types for me", "keyed"), ("It streams", "streamed"))
_SIGNAL: Final = _of(("Thickness", "thickness"), ("Raw signal", "raw"))
_BACKGROUND: Final = _of(
    ("–", ""), ("Subtracted here", "subtract"), ("By the gauge itself", "inside"), ("The gauge shows none", "not shown")
)
_INSTRUMENTS: Final = _of(("Thermometer", "thermometer"), ("Hygrometer", "hygrometer"), ("Other", "other"))
_RULES: Final = _of(
    ("Guard band w = U", "guard-band-U"),
    ("Guard band w = 1.65·u", "guard-band-1.65u"),
    ("Guard band for a stated risk", "guard-band-risk"),
    ("Simple acceptance", "simple"),
)
_APPROVAL: Final = _of(("By whoever calibrated", ""), ("And by another person, who approves it", "yes"))
_OUTCOMES: Final = _of(("Four", "four"), ("Two", "two"))


def _name(label: str) -> Field:
    return Field("name", label, needed=True, fixed=True)


_MAKE: Final = (Field("maker", "Maker"), Field("model", "Model"), Field("serial", "Serial number"))

FORMS: Final[dict[str, tuple[Field, ...]]] = {
    "rig": (
        _name("Rig"),
        Field("gauge", "Gauge", "choice", options=_in_use("gauge"), needed=True),
        Field("probe", "Probe", "choice", options=_in_use("probe")),
        Field("tip", "Probe tip", "choice", options=_in_use("tip")),
        Field("target", "Target", "choice", options=_in_use("target"), needed=True),
        Field("warm_up_min", "Warm-up", "number", "min"),
        Field("signal", "It shows", "choice", options=_SIGNAL),
        Field("unit", "Unit", needed=True),
        Field("resolution", "Display step", "number", "of that unit; mm for a thickness"),
        Field("repeats", "Repeats", "number"),
        Field("low", "Range, from", "number", "mm"),
        Field("high", "Range, to", "number", "mm"),
        Field("tolerance", "Tolerance ±", "number", "mm"),
        Field("target_u", "Target U", "number", "µm at k = 2"),
        Field("shim_set", "Shim set", "choice", options=_in_use("shim-set", "None")),
        Field("check_set", "Check set", "choice", options=_in_use("shim-set", "None")),
        Field("background", "Background", "choice", options=_BACKGROUND),
        Field("background_limit", "It may move by", "number", "of that unit"),
        Field("closing_limit", "Closing limit", "number", "µm"),
        Field("u_temperature", "u of the temperature", "number", "K"),
        Field("interval_months", "Calibrate every", "number", "months"),
    ),
    "gauge": (
        _name("Gauge"),
        *_MAKE,
        Field("firmware", "Firmware"),
        Field("arrival", "Readings arrive", "choice", options=_ARRIVAL),
    ),
    "probe": (_name("Probe"), *_MAKE),
    "tip": (_name("Probe tip"), Field("kind", "Form", needed=True), *_MAKE),
    "target": (_name("Target"), Field("kind", "Ball, disc or wire, and its size", needed=True), *_MAKE),
    "instrument": (
        _name("Instrument"),
        Field("kind", "It is a", "choice", options=_INSTRUMENTS, needed=True),
        *_MAKE,
        Field("due", "Calibration due", "date"),
    ),
    "person": (
        _name("Name, as it is printed"),
        Field("role", "Role", "choice", options=_of(*((role, role) for role in ROLES)), needed=True),
        Field("identity", "Signing file"),
        Field("account", "Account at the hub"),
    ),
    "procedure": (_name("Procedure"), Field("revision", "Revision", needed=True)),
    "customer": (_name("Customer"), Field("department", "Department"), Field("address", "Address")),
    "laboratory": (
        Field("name", "Laboratory", needed=True),
        Field("department", "Department"),
        Field("address", "Address"),
        Field("accreditation", "Accreditation"),
        Field("zone", "Time zone", needed=True),
        Field("place", "Where calibrations are done"),
        Field("rule", "Decision rule", "choice", options=_RULES),
        Field("outcomes", "Outcomes", "choice", options=_OUTCOMES),
        Field("risk", "Risk", "number", "%"),
        Field("approval", "A certificate is signed", "choice", options=_APPROVAL),
        Field("timestamps", "Timestamp authority"),
    ),
}  # fmt: skip
"""The fields of each kind, in their order."""


def fields_of(kind: str, body: Mapping[str, Any], name: str) -> dict[str, str]:
    """What is registered, as the fields of its form show it."""
    match kind:
        case "rig":
            return _rig_fields(body)
        case "laboratory":
            risk = body.get("risk")
            party = body.get("party") or {}
            shown = {**party, **{key: body.get(key) for key in ("zone", "place", "rule", "outcomes")}}
            signing = {"approval": "yes" if body.get("approval") else "", "timestamps": body.get("timestamps")}
            return _texts({**shown, **signing, "risk": None if risk is None else round(100 * risk, 6)})
        case _:
            return _texts({"name": name, **body})


def empty_fields(kind: str) -> dict[str, str]:
    """What a new form begins with."""
    begin = {
        "rig": {"signal": "thickness", "unit": "mm", "repeats": "5", "interval_months": "6"},
        "gauge": {"arrival": "typed"},
        "instrument": {"kind": "thermometer"},
        "person": {"role": "technician"},
    }
    return dict(begin.get(kind, {}))


def read_form(
    kind: str, fields: Mapping[str, str], register: Register, before: Version | None
) -> tuple[dict[str, Any], dict[str, Fault]]:
    """
    What is to be registered.

    Parameters
    ----------
    kind : str
    fields : mapping of str to str
        As typed.
    register : sequence of Version
        What is registered: choices are among it.
    before : Version or None
        What is registered now: keys that the form does not ask for are kept.

    Returns
    -------
    body : dict
        As `labkit.ledger.register` takes it; of no use where there are faults.
    faults : dict of str to Fault
        By field.
    """
    reader = FieldReader(fields)
    faults = reader.faults
    for field in FORMS[kind]:
        text = fields.get(field.name, "").strip()
        if field.needed and not text:
            faults[field.name] = Fault("field.needed")
        elif len(text) > LONGEST_TEXT:
            faults[field.name] = Fault("field.long", {"limit": LONGEST_TEXT})
        elif field.options is not None and text not in [kept for _, kept in field.options(register)]:
            faults[field.name] = Fault("field.not_offered", {"typed": text})
    body = _READERS.get(kind, _plain)(kind, reader, fields, before.body if before is not None else {})
    return body, faults


def _plain(kind: str, reader: FieldReader, fields: Mapping[str, str], before: Mapping[str, Any]) -> dict[str, Any]:
    """Texts alone; a date among them is written as ISO."""
    found = {field.name: fields.get(field.name, "").strip() for field in FORMS[kind]}
    for field in FORMS[kind]:
        if field.kind == "date" and found[field.name]:
            try:
                found[field.name] = parse_date(found[field.name]).isoformat()
            except ValueError:
                reader.faults[field.name] = Fault("table.not_a_date", {"typed": found[field.name]})
    return {**_empty(kind), **_known(kind, before), **found}


def _known(kind: str, before: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in before.items() if key in _empty(kind)}


def _empty(kind: str) -> dict[str, Any]:
    if kind == "customer":
        return asdict(Party())
    if kind in ("gauge", "probe", "tip", "target", "instrument"):
        return asdict(Part())
    return {}


def _laboratory(kind: str, reader: FieldReader, fields: Mapping[str, str], before: Mapping[str, Any]) -> dict[str, Any]:
    texts = {field.name: fields.get(field.name, "").strip() for field in FORMS[kind] if field.kind != "number"}
    if texts["zone"] and texts["zone"] not in available_timezones():
        reader.faults["zone"] = Fault("field.zone", {"zone": texts["zone"]})
    party = {**(before.get("party") or asdict(Party())), **{key: texts[key] for key in _PARTY}}
    risk = reader.number("risk", above_zero=True, most=50.0)
    if texts["rule"] == "guard-band-risk" and risk is None:
        reader.faults.setdefault("risk", Fault("decision.risk_missing"))
    kept = {key: texts[key] for key in ("zone", "place", "rule", "outcomes")}
    if texts["timestamps"]:
        try:
            checked_address(texts["timestamps"])
        except BadInput as problem:
            reader.faults["timestamps"] = problem.fault
    signing = {"approval": texts["approval"] == "yes", "timestamps": texts["timestamps"]}
    return {"party": party, **kept, **signing, "risk": None if risk is None else risk / 100}


_PARTY: Final = ("name", "department", "address", "accreditation")


def _rig(_kind: str, reader: FieldReader, fields: Mapping[str, str], before: Mapping[str, Any]) -> dict[str, Any]:
    text = {field.name: fields.get(field.name, "").strip() for field in FORMS["rig"]}
    low, high = reader.number("low", least=0.0), reader.number("high", above_zero=True)
    if (low is None) != (high is None) and "low" not in reader.faults and "high" not in reader.faults:
        reader.faults["high" if high is None else "low"] = Fault("field.needed")
    elif low is not None and high is not None and low >= high:
        reader.faults["high"] = Fault("field.high", {"low_mm": low})
    target, closing = reader.number("target_u", above_zero=True), reader.number("closing_limit", above_zero=True)
    conditions = {
        **(before.get("conditions") or Conditions().to_dict()),
        "resolution": reader.number("resolution", above_zero=True),
        "background": text["background"] or None,
        "background_limit": reader.number("background_limit", above_zero=True),
        "closing_limit_mm": None if closing is None else closing / 1000,
        "u_temperature_degC": reader.number("u_temperature", least=0.0),
    }
    return {
        "rig": {
            **{kind: text[kind] for kind in ("gauge", "probe", "tip", "target")},
            "name": text["name"],
            "warm_up_min": reader.number("warm_up_min", least=0.0),
        },
        "signal": text["signal"],
        "unit": text["unit"],
        "conditions": conditions,
        "working_range_mm": [low, high] if low is not None and high is not None else None,
        "tolerance_mm": reader.number("tolerance", above_zero=True),
        "target_u_mm": None if target is None else target / 1000,
        "repeats": _whole(reader, "repeats", MOST_REPEATS) or 5,
        "shim_set": text["shim_set"],
        "check_set": text["check_set"],
        "interval_months": _whole(reader, "interval_months", MOST_MONTHS),
    }


def _whole(reader: FieldReader, name: str, most: int) -> int | None:
    value = reader.number(name)
    if value is None:
        return None
    if value != int(value) or not 1 <= value <= most:
        reader.faults[name] = Fault("field.repeats", {"most": most})
        return None
    return int(value)


_READERS: Final = {"rig": _rig, "laboratory": _laboratory}


def _rig_fields(body: Mapping[str, Any]) -> dict[str, str]:
    conditions, rig = body["conditions"], body["rig"]
    low, high = body["working_range_mm"] or (None, None)

    def micrometres(value: float | None) -> float | None:
        return None if value is None else round(1000 * value, 6)

    return _texts(
        {
            **rig,
            **{key: body.get(key) for key in ("signal", "unit", "repeats", "shim_set", "check_set", "interval_months")},
            "low": low,
            "high": high,
            "tolerance": body["tolerance_mm"],
            "target_u": micrometres(body["target_u_mm"]),
            "resolution": conditions.get("resolution"),
            "background": conditions.get("background"),
            "background_limit": conditions.get("background_limit"),
            "closing_limit": micrometres(conditions.get("closing_limit_mm")),
            "u_temperature": conditions.get("u_temperature_degC"),
        }
    )


def _texts(values: Mapping[str, Any]) -> dict[str, str]:
    return {
        key: "" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)
        for key, value in values.items()
    }


def subject_of(kind: str, fields: Mapping[str, str]) -> str:
    """The name under which it is registered."""
    if kind == "laboratory":
        return THE_LABORATORY
    name, department = fields.get("name", "").strip(), fields.get("department", "").strip()
    return f"{name}, {department}" if kind == "customer" and department else name
