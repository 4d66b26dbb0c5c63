"""
What a sheet carries besides its words: the record as JSON, its readings and results as tables, the fit's covariance.

The record holds everything and is what verifying reads. The others follow from it byte for byte, for whoever opens a
spreadsheet and not a program; verifying makes them again and compares.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from labkit.inert import inert
from labkit.sheet.blocks import Record
from labkit.sheet.formulas import left_side, right_side, unit_of_parameter

READINGS: Final = "readings.csv"
RESULTS: Final = "results.csv"
COVARIANCE: Final = "covariance.json"

FORM: Final = "form.json"
"""Attached to a summary alone: which rows of the record it prints."""

COVARIANCE_SCHEMA: Final = "labkit.covariance/1"

_PLAIN_NUMBER: Final = re.compile(r"[-+−]?[0-9., ' ]*[0-9]([eE][-+]?[0-9]+)?")
"""What a spreadsheet may take for a number, whatever its sign."""


@dataclass(frozen=True)
class Attached:
    """
    A file within a PDF.

    Attributes
    ----------
    name : str
    content : bytes
    mime : str
    holds : str
        What it is, for those who see a list of files.
    relationship : str
        To the document, as ISO 19005-3 has it.
    """

    name: str
    content: bytes
    mime: str
    holds: str
    relationship: str = "data"


def record_name(record: Record) -> str:
    """The name under which a record is attached."""
    return "check.json" if str(record["schema"]).startswith("labkit.check/") else "calibration.json"


def record_bytes(record: Record) -> bytes:
    """The record as it is attached: JSON in UTF-8."""
    return json.dumps(record, ensure_ascii=False, sort_keys=True, indent=1, allow_nan=False).encode()


def beside_the_record(record: Record) -> list[Attached]:
    """
    The tables, and the covariance of a calibration's curve, sorted by name.

    Parameters
    ----------
    record : mapping
        Of a calibration or a check.
    """
    csv_type = "text/csv"
    found = [Attached(READINGS, readings_table(record), csv_type, "Every reading as typed and as it was used")]
    if record_name(record) == "check.json":
        return [*found, Attached(RESULTS, checks_table(record), csv_type, "The check shims in full digits")]
    results = Attached(RESULTS, results_table(record), csv_type, "The results table in full digits")
    spread = Attached(
        COVARIANCE, covariance(record), "application/json", "The curve's parameters with their covariance"
    )
    return [spread, *found, results]


def readings_table(record: Record) -> bytes:
    """Every reading: role, point, as typed, value and unit, when, by whom, and why it was left out."""
    held = record["inputs"]["readings"]
    unit = "mm" if held["signal"] == "thickness" else held["unit"]
    heads = ["point", "role", f"as typed [{held['unit']}]", f"value [{unit}]", "time [UTC]", "operator"]
    rows = [
        [" + ".join(row["shims"]), *(row[key] for key in ("role", "typed", "value", "time", "operator", "left_out"))]
        for row in held["rows"]
    ]
    return _table([*heads, "left out, because"], rows)


def results_table(record: Record) -> bytes:
    """The results table of a calibration in full digits; lengths in mm."""
    found = record["results"]
    heads = ["thickness [mm]", f"indication [{found['unit']}]", "correction [mm]", "U [mm]", "k"]
    keys = ("thickness_mm", "indication", "correction_mm", "U_mm", "k")
    return _table(heads, ([row[key] for key in keys] for row in found["table"]))


def checks_table(record: Record) -> bytes:
    """The check shims of a check in full digits; lengths in mm."""
    heads = ["shim", "reference [mm]", "corrected [mm]", "deviation [mm]", "U [mm]", "k", "En", "decision"]
    keys = ("point", "reference_mm", "corrected_mm", "deviation_mm", "U_mm", "k", "e_n")
    return _table(
        heads,
        (
            [*(check[key] for key in keys), check["decision"]["outcome"] if check["decision"] else ""]
            for check in record["results"]["checks"]
        ),
    )


def covariance(record: Record) -> bytes:
    """
    The curve's parameters with units, standard uncertainties and covariance, as JSON.

    Of the covariance ``covariance[i][j]`` the unit is that of parameter i times that of parameter j. It is null for a
    curve without a formula: the standard uncertainty along the curve stands in ``fine_table`` of the record.
    """
    found = record["results"]
    curve = found["curve"]
    right = right_side(found)
    said = {
        "schema": COVARIANCE_SCHEMA,
        "record": record["id"],
        "curve": curve["family"],
        "formula": f"{left_side(found)} = {right}" if right else None,
        "x": "thickness in mm",
        "range_mm": curve["range_mm"],
        "parameters": [
            {
                "name": name,
                "value": value,
                "unit": unit_of_parameter(found, name),
                "standard_uncertainty": curve["standard_errors"].get(name),
            }
            for name, value in curve["parameters"].items()
        ],
        "covariance": curve["covariance"],
        "chi2": curve["chi2"],
        "degrees_of_freedom": curve["dof"],
    }
    return json.dumps(said, ensure_ascii=False, indent=1, allow_nan=False).encode()


def disagreeing(record: Record, files: Mapping[str, bytes]) -> str | None:
    """The name of the first attached file that does not follow from the record; None where all do."""
    made = {each.name: each.content for each in beside_the_record(record)}
    if FORM in files:
        from labkit.sheet.shown import Shown

        made[FORM] = Shown.of(record).attached().content
    return next((name for name, content in files.items() if name in made and made[name] != content), None)


def _cell(value: object) -> object:
    """Numbers stay numbers, those that were typed too."""
    return value if isinstance(value, str) and _PLAIN_NUMBER.fullmatch(value) else inert(value)


def _table(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """A CSV as spreadsheets read it: UTF-8 with its mark, every cell in quotes, no formula in any of them."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow([inert(each) for each in heads])
    for row in rows:
        writer.writerow([_cell(each) for each in row])
    return out.getvalue().encode("utf-8-sig")
