"""The record of a check: one JSON schema for the PDF's attachment, the ledger and whoever computes it again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import labkit
from labkit import format as text
from labkit.bench.about import About
from labkit.bench.readings import Readings
from labkit.calibration.in_print import printed_check
from labkit.metrology.budget import METHOD as BUDGET_METHOD
from labkit.problems import BadInput

if TYPE_CHECKING:
    from labkit.check.result import Check

SCHEMA: Final = "labkit.check/1"
METHOD: Final = "take-up/1"


def schema() -> dict[str, Any]:
    """The JSON Schema of the record."""
    found: dict[str, Any] = json.loads(files("labkit.check").joinpath("record.schema.json").read_text(encoding="utf-8"))
    return found


def to_record(result: Check) -> dict[str, Any]:
    """
    The record of a check, ready for JSON.

    Parameters
    ----------
    result : Check

    Returns
    -------
    dict
        Lengths in mm, times in UTC; what could not be stated is None.
    """
    signal, unit = result.readings.signal, result.readings.unit
    record = {
        "schema": SCHEMA,
        "id": result.id,
        "labkit": labkit.__version__,
        "created": result.created,
        "zone": result.about.zone,
        "method": {"check": METHOD, "budget": BUDGET_METHOD},
        "inputs": {
            "readings": result.readings.to_dict(),
            "about": result.about.to_dict(),
            "options": asdict(result.options),
            "calibration": {"number": result.certificate, "record": result.calibration_record},
        },
        "results": {
            "signal": signal,
            "unit": "mm" if signal == "thickness" else unit,
            "background": result.background.to_dict(),
            "zero": result.zero.to_dict() if result.zero else None,
            "checks": [check.to_dict() for check in result.shims],
            "missing": [each.to_dict() for each in result.missing],
            "verdict": result.outcome,
            "reasons": [each.to_dict() for each in result.reasons],
            "cautions": [each.to_dict() for each in result.cautions],
        },
        "printed": _printed(result),
    }
    plain: dict[str, Any] = json.loads(json.dumps(record, allow_nan=False))
    return plain


def from_record(record: Mapping[str, Any]) -> Check:
    """
    The check of a record, computed again from its inputs by the methods that it names.

    Raises
    ------
    BadInput
        Not a record; a newer schema or method; the calibration's own record cannot be computed again.
    """
    from labkit.check.run import take_up

    name = str(record.get("schema", "")) if isinstance(record, Mapping) else ""
    if not name.startswith("labkit.check/"):
        raise BadInput("record.not_a_check")
    if name != SCHEMA:
        raise BadInput("record.newer", schema=name, version=str(record.get("labkit", "")))
    _check_form(record)
    if record["method"] != {"check": METHOD, "budget": BUDGET_METHOD}:
        raise BadInput("record.method", method=f"{record['method']['check']}, {record['method']['budget']}")
    inputs = record["inputs"]
    try:
        readings, about = Readings.from_dict(inputs["readings"]), About.from_dict(inputs["about"])
        due = date.fromisoformat(inputs["options"]["due"]) if inputs["options"]["due"] else None
    except (KeyError, TypeError, ValueError) as error:
        # what the schema cannot say: a day that no calendar has, a key that no instrument has
        raise BadInput("record.broken", place="$.inputs", fault=str(error)[:200]) from error
    options = inputs["options"]
    tolerance = options["tolerance_mm"]
    return take_up(
        inputs["calibration"]["record"],
        readings,
        rule=options["rule"],
        outcomes=options["outcomes"],
        risk=options["risk"],
        tolerance=tuple(tolerance) if isinstance(tolerance, list) else tolerance,
        certificate=inputs["calibration"]["number"],
        due=due,
        again=options["again"],
        about=about,
        id=record["id"],
        created=record["created"],
    )


def _check_form(record: Mapping[str, Any]) -> None:
    """Refuse what is not of the schema, with the place of the first fault."""
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import best_match
    from referencing import Registry, Resource

    from labkit.calibration.record import schema as schema_of_calibration

    registry: Registry[Any] = Registry().with_resource(
        "labkit.calibration/1", Resource.from_contents(schema_of_calibration())
    )
    fault = best_match(Draft202012Validator(schema(), registry=registry).iter_errors(record))
    if fault is not None:
        raise BadInput("record.broken", place=fault.json_path, fault=fault.message[:200])


def _printed(result: Check) -> dict[str, Any]:
    """The numbers that a person reads, as strings: what recomputing is compared with."""
    background, zero = result.background, result.zero
    largest = result.largest_U_mm
    return {
        "checks": [
            {
                "shim": check.point,
                "reference": text.length(check.reference_mm, with_unit=False),
                "corrected": text.length(check.corrected_mm, with_unit=False),
                "deviation": numbers.deviation,
                "U": numbers.U,
                "E_n": text.number(check.e_n, 2, signed=True),
                "decision": check.outcome or text.NOTHING,
            }
            for check in result.shims
            for numbers in [printed_check(check.deviation_mm, check.U_mm, check.limits_mm, check.decision)]
        ],
        "background": text.significant(background.now, 5),
        "zero_shift": text.NOTHING if zero is None else text.length(zero.shift_mm, "µm", signed=True, with_unit=False),
        "largest_U": text.NOTHING if largest is None else text.expanded_length(largest),
        "outcome": str(result.says) if result.says else text.NOTHING,
    }
