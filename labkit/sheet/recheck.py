"""
What a record says, held against itself: for a curve that is not computed again.

Code that comes with a sheet is never run. Of a curve of an engineer's own family the record holds 200 points, and from
these follow the results table, what the check shims read, and the decisions.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, Final

import numpy as np
from scipy.interpolate import PchipInterpolator

from labkit import format as text
from labkit.bench.readings import Readings, by_point
from labkit.curves.own import BUILT_IN
from labkit.metrology import decide
from labkit.problems import BadInput, Reason
from labkit.sheet.decisions import in_print

ROUNDING_MM: Final = 1e-9
"""Sums of numbers that stand in the record in full."""


def own_family(record: Mapping[str, Any]) -> str | None:
    """The engineer's own family that the curve of a record is of; None where labkit itself has the family."""
    curve = record["results"]["curve"]
    return str(curve["family"]) if curve.get("own") is not None or curve["family"] not in BUILT_IN else None


def first_disagreement(record: Mapping[str, Any]) -> Reason | None:
    """
    Where the results of a record do not follow from its own table of the curve.

    Parameters
    ----------
    record : mapping

    Returns
    -------
    Reason or None
        The first place; None where everything agrees, to one unit in the last digit that is printed.
    """
    return next(_disagreements(record), None)


def recheck_check(record: Mapping[str, Any]) -> tuple[Reason | None, Reason | None]:
    """
    A check on a curve of an engineer's own family, held against the table of that curve.

    Parameters
    ----------
    record : mapping
        Of schema ``labkit.check/1``.

    Returns
    -------
    note, disagreement : Reason or None
        The note that the code of the family is not run. Both are None where labkit itself has the family.
    """
    try:
        held = record["inputs"]["calibration"]["record"]
        family = own_family(held)
        if family is None:
            return None, None
        note = Reason("verify.own_family", {"family": family})
        return note, next(_disagreements(held), None) or next(_disagreements_of_check(record, held), None)
    except (BadInput, LookupError, ValueError, TypeError, AttributeError, ArithmeticError):
        return None, Reason("verify.disagrees_computed")


def _disagreements_of_check(record: Mapping[str, Any], held: Mapping[str, Any]) -> Iterator[Reason]:
    """Check shims of another day, with the background of that day taken off, on the table of the curve."""
    outcomes = {check["decision"]["outcome"] for check in record["results"]["checks"] if check["decision"]}
    if record["results"]["verdict"] in ("fit to measure", "today only") and not outcomes <= {"pass"}:
        yield Reason("verify.disagrees_computed")
    found, then = record["results"], held["results"]["background"]
    off = then["value"] - found["background"]["now"] if found["background"]["handled"] == "subtract" else 0.0
    rows = [row | {"value": row["value"] + off} for row in record["inputs"]["readings"]["rows"]]
    inputs = {
        "readings": {**record["inputs"]["readings"], "rows": rows},
        "options": {**held["inputs"]["options"], **record["inputs"]["options"]},
    }
    yield from _disagreements(
        {
            "inputs": {**held["inputs"], **inputs},
            "results": {**held["results"], "checks": found["checks"]},
            "printed": {**held["printed"], "checks": record["printed"]["checks"]},
        }
    )


def _disagreements(record: Mapping[str, Any]) -> Iterator[Reason]:
    found, printed = record["results"], record["printed"]
    if not found["fine_table"]:
        if found["table"] or found["checks"]:
            yield Reason("verify.disagrees_table")
        return
    x, indication, u = (
        np.array([row[name] for row in found["fine_table"]]) for name in ("thickness_mm", "indication", "u_mm")
    )
    direction = 1.0 if indication[-1] > indication[0] else -1.0
    if len(x) < 2 or not (np.all(np.diff(x) > 0) and np.all(np.diff(indication) * direction > 0)):
        yield Reason("verify.disagrees_table")
        return
    back = PchipInterpolator(direction * indication, x)

    def thickness(value: float) -> float:
        return float(back(direction * value))

    for row, said in zip(found["table"], printed["table"], strict=True):
        U = row["k"] * float(np.interp(row["thickness_mm"], x, u))
        agrees = (
            _alike(said["thickness"], text.length(thickness(row["indication"]), with_unit=False))
            and _alike(said["U"], text.expanded_length(U, with_unit=False))
            and _correction_agrees(row, said["correction"])
        )
        if not agrees:
            yield Reason("verify.disagrees_row", {"x_mm": row["thickness_mm"]})
    rows = by_point(Readings.from_dict(record["inputs"]["readings"]).with_role("check"))
    options = record["inputs"]["options"]
    for check, said in zip(found["checks"], printed["checks"], strict=True):
        values = [row.value for row in rows.get(check["point"], ()) if row.counts]
        read = thickness(float(np.mean(values))) if values else np.nan
        if not (
            len(values) == check["n"]
            and _alike(said["corrected"], text.length(read, with_unit=False))
            and _alike(said["reference"], text.length(check["reference_mm"], with_unit=False))
            and abs(read - check["corrected_mm"]) < 1e-4
            and _follows(check, options)
            and (said["deviation"], said["U"]) == (in_print(check).deviation, in_print(check).U)
            and said["decision"] == (check["decision"]["outcome"] if check["decision"] else text.NOTHING)
        ):
            yield Reason("verify.disagrees_check", {"shim": check["point"]})


def _correction_agrees(row: Mapping[str, Any], said: str) -> bool:
    if row["correction_mm"] is None:
        return said == text.NOTHING
    correction = row["thickness_mm"] - row["indication"]
    return _alike(said, text.length(correction, "µm", signed=True, with_unit=False))


def _follows(check: Mapping[str, Any], options: Mapping[str, Any]) -> bool:
    """Whether the deviation and the decision follow from what stands beside them."""
    if abs(check["corrected_mm"] - check["reference_mm"] - check["deviation_mm"]) > ROUNDING_MM:
        return False
    if abs(check["k"] * check["u_mm"] - check["U_mm"]) > ROUNDING_MM:
        return False
    if check["decision"] is None:
        return check["limits_mm"] == [None, None]
    lower, upper = check["limits_mm"]
    again = decide(
        check["deviation_mm"],
        check["u_mm"],
        (lower, upper),
        k=check["k"],
        rule=options["rule"],
        outcomes=options["outcomes"],
        risk=options.get("risk"),
    )
    return again.outcome == check["decision"]["outcome"]


def _alike(printed: str, again: str) -> bool:
    """Whether two printed numbers differ by no more than one unit in the last digit."""
    if text.NOTHING in (printed, again):
        return printed == again
    first, second = (Decimal(each.replace(text.MINUS, "-").replace(" ", "")) for each in (printed, again))
    unit = max(first.as_tuple().exponent, second.as_tuple().exponent)
    return abs(first - second) <= Decimal(1).scaleb(int(unit))
