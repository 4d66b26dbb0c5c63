"""
How long one calibration on 7 shims takes: ``python -m tests.benchmarks.calibrations`` prints a line for each cell of the
simulation that has 7 shims. Nothing here is asserted.

Beside it, in the same run and on the same points, stands a peer that does a part of the work: odrpack fits the
families that have a formula, with errors in both variables, and judges nothing. The last column is the clock of the
machine at that time: a million additions in plain Python.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
from odrpack import odr_fit

from labkit import calibrate, read_readings
from labkit.bench.conditions import Conditions
from labkit.curves import Points
from labkit.curves.family import Family, Signal
from tests.benchmarks.benches import CELLS, Bench, Cell, draw

SHIMS = 7


def cpu(call: Callable[[], object]) -> float:
    """Seconds of the processor: what else the machine does meanwhile is left out."""
    begin = time.process_time()
    call()
    return time.process_time() - begin


def additions() -> int:
    total = 0
    for i in range(1_000_000):
        total += i
    return total


def formulas_by_odrpack(points: Points, forms: list[Family], signal: Signal) -> None:
    assert points.V_y is not None
    weight_x, weight_y = 1.0 / np.diag(points.V_x), 1.0 / np.diag(points.V_y)
    shown = points.x if signal == "thickness" else np.zeros_like(points.x)
    for form in forms:

        def model(x: np.ndarray, b: np.ndarray, form: Family = form) -> np.ndarray:
            return form.f(x, *b) + (x if signal == "thickness" else 0.0)

        start = np.array(form.start(points.x, points.y - shown), dtype=float)
        with np.errstate(all="ignore"):
            odr_fit(model, points.x, points.y, start, weight_x=weight_x, weight_y=weight_y)


def times(bench: Bench) -> tuple[float, float, float]:
    """Of a calibration, of the peer and of the clock."""
    readings = read_readings(bench.readings_csv(), shims=bench.shims_csv())
    conditions = Conditions(resolution=bench.step, temperature_start_degC=20.0, temperature_end_degC=20.0)

    def ours() -> None:
        calibrate(readings, working_range=bench.working_mm, conditions=conditions)

    result = calibrate(readings, working_range=bench.working_mm, conditions=conditions)
    fitted = [row.curve.form for row in result.comparison.rows if row.curve is not None]
    forms = [form for form in fitted if form.kind in ("formula", "linear")]
    return cpu(ours), cpu(lambda: formulas_by_odrpack(result.table.fitted, forms, readings.signal)), cpu(additions)


def measured(cell: Cell, benches: int) -> str:
    ours, peer, clock = (
        statistics.median(each)
        for each in zip(*(times(draw(cell, i, "building")) for i in range(benches)), strict=True)
    )
    return f"{cell.name:<26}{1e3 * ours:>8.1f} ms{1e3 * peer:>12.1f} ms{ours / peer:>8.2f}{1e3 * clock:>14.1f} ms"


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=20, help="benches a cell, whose median is printed (20)")
    asked = parser.parse_args(arguments)
    print(f"{'median':<26}{'labkit':>11}{'odrpack':>15}{'ratio':>8}{'clock':>17}")
    for cell in CELLS.values():
        if cell.shims == SHIMS:
            print(measured(cell, asked.benches), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
