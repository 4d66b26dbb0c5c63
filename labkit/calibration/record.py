"""The record of a calibration: one JSON schema for ``--json``, the PDF's attachment and the ledger."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import numpy as np

import labkit
from labkit import format as text
from labkit.bench.about import About
from labkit.bench.readings import Readings
from labkit.calibration.in_print import printed_check
from labkit.calibration.one_thread import on_one_thread
from labkit.curves import Family, families, is_own
from labkit.curves.flexible import METHOD as FLEXIBLE_METHOD
from labkit.messages import family_label
from labkit.metrology.budget import METHOD as BUDGET_METHOD
from labkit.problems import BadInput

if TYPE_CHECKING:
    from labkit.calibration.result import Calibration

SCHEMA: Final = "labkit.calibration/1"

FINE: Final = 200
"""Rows of the fine table, against which a curve can be checked that cannot be computed again."""


def schema() -> dict[str, Any]:
    """The JSON Schema of the record."""
    found: dict[str, Any] = json.loads(
        files("labkit.calibration").joinpath("record.schema.json").read_text(encoding="utf-8")
    )
    return found


@on_one_thread
def to_record(result: Calibration) -> dict[str, Any]:
    """
    The record of a calibration, ready for JSON.

    Parameters
    ----------
    result : Calibration

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
        "method": {"curve": _method(result), "budget": BUDGET_METHOD},
        "inputs": {
            "readings": result.readings.to_dict(),
            "about": result.about.to_dict(),
            "options": asdict(result.options),
        },
        "results": {
            "signal": signal,
            "unit": "mm" if signal == "thickness" else unit,
            "points": _points(result),
            "curve": result.curve.to_dict() | {"label": family_label(result.curve.family)} | _own(result.curve.form),
            "widened": result.widening.to_dict() if result.widening else None,
            "recommended": result.comparison.recommended,
            "reason": result.reason.to_dict(),
            "lack_of_fit": result.lack_of_fit.to_dict() if result.lack_of_fit else None,
            "stability": result.stability.to_dict() if result.stability else None,
            "comparison": [row.to_dict() | {"label": family_label(row.family)} for row in result.comparison.rows],
            "criterion": result.comparison.criterion,
            "next_points": result.next_points.to_dict() if result.next_points else None,
            "background": result.table.background.to_dict(),
            "closing": [each.to_dict() for each in result.closing],
            "checks": [check.to_dict() for check in result.checks],
            "as_found": [check.to_dict() for check in result.as_found],
            "verdict": result.verdict,
            "budget": _budget(result),
            "monte_carlo": result.drawn.to_dict() if result.drawn else None,
            "table": [row.to_dict() for row in result.results],
            "fine_table": _fine_table(result),
            "cautions": [caution.to_dict() for caution in result.cautions],
        },
        "printed": printed(result),
    }
    plain: dict[str, Any] = json.loads(json.dumps(record, default=_plain, allow_nan=False))
    return plain


def from_record(record: Mapping[str, Any]) -> Calibration:
    """
    The calibration of a record, computed again from its inputs by the methods that it names.

    Raises
    ------
    BadInput
        Not a record; a newer schema or method; an own family that is not registered here.
    """
    from labkit.calibration.run import calibrate

    name = str(record.get("schema", "")) if isinstance(record, Mapping) else ""
    if not name.startswith("labkit.calibration/"):
        raise BadInput("record.not_one")
    if name != SCHEMA:
        raise BadInput("record.newer", schema=name, version=str(record.get("labkit", "")))
    _check_form(record)
    if record["method"]["budget"] != BUDGET_METHOD or not _known_method(record["method"]["curve"]):
        raise BadInput("record.method", method=f"{record['method']['curve']}, {record['method']['budget']}")
    options = record["inputs"]["options"]
    family, used = options["family"], record["results"]["curve"]["family"]
    known = {form.name: form for form in families()}
    for wanted in (family, used):
        if wanted != "auto" and wanted not in known:
            raise BadInput("record.own_family", family=wanted)
    _check_own(record["results"]["curve"], known[used])
    # a family that was made since does not come into it; one that is gone took no part in the result
    rows = [row["family"] for row in record["results"]["comparison"]]
    among = [each for each in rows if each in known]
    tolerance = options["tolerance_mm"]
    try:
        readings = Readings.from_dict(record["inputs"]["readings"])
        about = About.from_dict(record["inputs"]["about"])
    except (KeyError, TypeError, ValueError) as error:
        # what the schema cannot say: a day that no calendar has, a key that no instrument has
        raise BadInput("record.broken", place="$.inputs", fault=str(error)[:200]) from error
    result = calibrate(
        readings,
        family,
        tuple(options["working_range_mm"]),
        tuple(tolerance) if isinstance(tolerance, list) else tolerance,
        options["target_u_mm"],
        rule=options["rule"],
        outcomes=options["outcomes"],
        seed=options["seed"],
        risk=options.get("risk"),
        process=tuple(process) if (process := options.get("process_mm")) else None,
        reason=options["reason"],
        about=about,
        id=record["id"],
        created=record["created"],
        among=among,
        widen_reason=options.get("widen_reason", ""),
        widen_by=options.get("widen_by", ""),
    )
    if result.curve.family != used and (gone := [each for each in rows if each not in known]):
        raise BadInput("record.own_family", family=gone[0])
    return result


def _own(form: Family) -> dict[str, Any]:
    """Of an engineer's own family its file, whole; of one that was made in a notebook only that it is one."""
    if not is_own(form):
        return {}
    return {"own": {"file": None, "sha256": None, "source": None} if form.source is None else form.source.to_dict()}


def _check_own(curve: Mapping[str, Any], here: Family) -> None:
    """Refuse an own family that is another one here than in the record."""
    there = (curve.get("own") or {}).get("sha256")
    mine = here.source.sha256 if here.source is not None else None
    if there != mine:
        shown = [each[:12] if each else text.NOTHING for each in (mine, there)]
        raise BadInput("record.own_family_differs", family=here.name, here=shown[0], there=shown[1])


def _check_form(record: Mapping[str, Any]) -> None:
    """Refuse what is not of the schema, with the place of the first fault."""
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import best_match

    fault = best_match(Draft202012Validator(schema()).iter_errors(record))
    if fault is not None:
        raise BadInput("record.broken", place=fault.json_path, fault=fault.message[:200])


def _method(result: Calibration) -> str:
    return FLEXIBLE_METHOD if result.curve.family == "flexible" else f"{result.curve.family}/1"


def _known_method(method: str) -> bool:
    return method.endswith("/1")


def _points(result: Calibration) -> list[dict[str, Any]]:
    """The points with their residuals, in thickness."""
    curve = result.curve
    off = curve.residuals_mm
    U = result.expanded(curve.points.x)[0] if result.usable else None
    return [
        point.to_dict()
        | {
            "residual_mm": float(off[i]),
            "U_mm": float(U[i]) if U is not None else None,
        }
        for i, point in enumerate(result.table.points)
    ]


def _budget(result: Calibration) -> dict[str, Any] | None:
    if result.budget is None:
        return None
    found = result.budget.to_dict()
    for line, said in zip(found["lines"], result.budget.lines, strict=True):
        line |= {"name": said.name, "how": said.how}
    return found


def _fine_table(result: Calibration) -> list[dict[str, float]]:
    if not result.usable:
        return []
    x = np.linspace(*result.curve.range, FINE)
    indication = result.table.indication_of(result.curve.value(x))
    u = result.uncertainty.standard(result.curve, x)
    return [{"thickness_mm": float(x[i]), "indication": float(indication[i]), "u_mm": float(u[i])} for i in range(FINE)]


def printed(result: Calibration) -> dict[str, Any]:
    """The numbers that a person reads, as strings: what recomputing is compared with."""
    return {
        "table": [
            {
                "thickness": text.length(row.thickness_mm, with_unit=False),
                "correction": text.length(row.correction_mm, "µm", signed=True, with_unit=False),
                "U": text.expanded_length(row.U_mm, with_unit=False),
                "k": text.number(row.k, 2),
            }
            for row in result.results
        ],
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
            for check in result.checks
            for numbers in [printed_check(check.deviation_mm, check.U_mm, check.limits_mm, check.decision)]
        ],
        "largest_U": text.expanded_length(result.budget.U_mm) if result.budget else text.NOTHING,
    }


def _plain(value: Any) -> Any:
    """What the standard encoder does not know: numpy's numbers."""
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} does not belong in a record")
