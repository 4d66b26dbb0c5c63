"""The command ``labkit correct``: thicknesses from indications, with a calibration that was kept."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from labkit import format as text
from labkit.bench.read_indications import read_indications
from labkit.calibration import Calibration
from labkit.commands import DONE
from labkit.commands.arguments import check_outputs, json_path, load_families, read_at_most, write_json
from labkit.paths import data_folder
from labkit.problems import BadInput

LARGEST_RECORD: Final = 200_000_000
"""Bytes; a record of a usual day has a tenth of a megabyte."""


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "correct",
        help="turn indications into thicknesses",
        description="Correct indications with a record that `labkit calibrate --json` wrote. Prints a table, or "
        "writes JSON.",
    )
    parser.add_argument("result", type=Path, metavar="RESULT.json", help="the record of the calibration")
    parser.add_argument("indications", type=Path, metavar="INDICATIONS", help="a column of indications")
    parser.add_argument("--unit", help="of indications that name none; default that of the calibration")
    parser.add_argument(
        "--outside",
        choices=["raise", "mask"],
        default="raise",
        help="refuse indications outside the calibrated range, or leave their thickness empty",
    )
    parser.add_argument("--json", metavar="FILE", help="write JSON; - for standard output")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the data folder; default the user's own")


def run(args: Namespace) -> int:
    check_outputs(json_path(args.json))
    load_families(data_folder(args.data))
    result = Calibration.from_dict(_record(args.result))
    readings = result.readings
    values = read_indications(args.indications, readings.signal, readings.unit, given_unit=args.unit)
    x, u = result.correct(values, outside=args.outside)
    missing = np.ma.getmaskarray(x)
    # a display shows few different numbers, however many readings there are: each is worked out once
    distinct, first, back = np.unique(np.ma.getdata(x), return_index=True, return_inverse=True)
    spread, k = np.ma.getdata(u)[first], result.expanded(distinct)[1]
    if args.json is not None:
        columns = {"thickness_mm": distinct, "u_mm": spread, "k": k}
        held = {name: np.ma.masked_array(each[back], missing).tolist() for name, each in columns.items()}
        write_json(args.json, {"schema": "labkit.corrected/1", "calibration": result.id, **held}, indent=None)
    else:
        shown = np.array([_shown(each, U) for each, U in zip(distinct, k * spread, strict=True)], dtype=object)
        sys.stdout.writelines(_table(values, np.where(missing, "\t", shown[back])))
    return DONE


def _record(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(read_at_most(path, LARGEST_RECORD))
    except FileNotFoundError:
        raise BadInput("command.no_file", file=str(path)) from None
    except (OSError, ValueError, RecursionError):
        raise BadInput("command.not_record", file=str(path)) from None
    if not isinstance(found, dict):
        raise BadInput("command.not_record", file=str(path))
    return found


def _shown(thickness_mm: float, U_mm: float) -> str:
    shown, expanded = text.with_uncertainty(float(thickness_mm), float(U_mm))
    return f"{shown.replace(text.MINUS, '-')}\t{expanded}"


def _table(values: Iterable[float], corrected: Iterable[str]) -> Iterator[str]:
    """Tab-separated, so that it can be pasted into a spreadsheet."""
    yield "indication\tthickness [mm]\tU [mm]\n"
    for value, each in zip(values, corrected, strict=True):
        yield f"{value:.6g}\t{each}\n"
