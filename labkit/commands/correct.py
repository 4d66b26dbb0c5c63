"""The command ``labkit correct``: thicknesses from indications, with a calibration that was kept."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from labkit import format as text
from labkit.bench.read_indications import read_indications
from labkit.calibration import Calibration
from labkit.commands.arguments import write_json
from labkit.problems import BadInput

DONE: Final = 0


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


def run(args: Namespace) -> int:
    result = Calibration.from_dict(_record(args.result))
    readings = result.readings
    values = read_indications(args.indications, readings.signal, readings.unit, given_unit=args.unit)
    x, u = result.correct(values, outside=args.outside)
    missing = np.ma.getmaskarray(x)
    thickness, spread = np.ma.getdata(x), np.ma.getdata(u)
    k = result.expanded(np.where(missing, result.curve.range[0], thickness))[1]
    if args.json:
        write_json(
            args.json,
            {
                "schema": "labkit.corrected/1",
                "calibration": result.id,
                "thickness_mm": [None if missing[i] else float(v) for i, v in enumerate(thickness)],
                "u_mm": [None if missing[i] else float(v) for i, v in enumerate(spread)],
                "k": [None if missing[i] else float(v) for i, v in enumerate(k)],
            },
        )
    else:
        sys.stdout.writelines(_table(values, thickness, k * spread, missing))
    return DONE


def _record(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BadInput("command.no_file", file=str(path)) from None
    except (OSError, ValueError):
        raise BadInput("command.not_record", file=path.name) from None
    if not isinstance(found, dict):
        raise BadInput("command.not_record", file=path.name)
    return found


def _table(values: Any, thickness: Any, U: Any, missing: Any) -> Iterator[str]:
    """Tab-separated, so that it can be pasted into a spreadsheet."""
    yield "indication\tthickness [mm]\tU [mm]\n"
    for i, value in enumerate(values):
        if missing[i]:
            yield f"{value:.6g}\t\t\n"
        else:
            shown, expanded = text.with_uncertainty(float(thickness[i]), float(U[i]))
            yield f"{value:.6g}\t{shown.replace(text.MINUS, '-')}\t{expanded}\n"
