"""
Whether the advice on the next shim is worth following: ``python -m tests.benchmarks.advice``.

A box of 15 shims lies beside each simulated bench of `tests.benchmarks.benches`. Three technicians read the same shims
with the same readings, as many of them each: one begins with the ends and the middle and follows the advice, one takes
shims at equal distances, one begins like the first and goes on at random. Compared is the largest actual error over the working range, of the flexible
curve by which the advice is given, and of the curve that is recommended. In a box "alike" every shim is known equally well; in a box "mixed" every shim
is, by the toss of a coin, four times as uncertain, as where plain foils lie among certified ones.

Printed are geometric means of the ratio of the largest errors, with their standard errors over benches; below 1 the
advice is better. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import product

import numpy as np

from labkit import Calibration, Conditions, Readings, calibrate, read_readings
from tests.benchmarks.benches import NOISES, SIGNALS, TARGETS, Bench, Cell, Seeds, draw

BOX = 15
COUNTS = (5, 6, 7)
BOXES = ("alike", "mixed")
POORER = 4.0
PLACES = 41
CELLS = tuple(Cell(target, noise, BOX, signal) for target, noise, signal in product(TARGETS, NOISES, SIGNALS))

CURVES = ("flexible", "recommended")

Key = tuple[str, int, str]
"""A technician, how many shims were read, and the curve that is judged."""


class Day:
    """One bench with its box, every shim of which has been read; who reads fewer has a part of the same readings."""

    def __init__(self, cell: Cell, index: int, seeds: Seeds, box: str) -> None:
        bench = draw(cell, index, seeds)
        self.rng = np.random.default_rng(index)
        u = np.full(BOX, bench.u_mm)
        shims = bench.shims_csv()
        if box == "mixed":
            u = np.where(self.rng.random(BOX) < 0.5, POORER * u, u)
            bench = replace(bench, true_mm=bench.certified_mm + u * self.rng.standard_normal(BOX))
            rows = (f"S-{i + 1},{bench.certified_mm[i]:.4f},{2 * u[i]:.7f},2" for i in range(BOX))
            shims = "\n".join(["shim,thickness [mm],U [mm],k", *rows]) + "\n"
        self.bench: Bench = bench
        self.readings: Readings = read_readings(bench.readings_csv(), shims=shims)
        self.conditions = Conditions(resolution=bench.step, temperature_start_degC=20.0, temperature_end_degC=20.0)

    def calibrated(self, chosen: Iterable[int]) -> Calibration:
        names = {f"S-{i + 1}" for i in chosen}
        rows = tuple(row for row in self.readings.rows if row.role != "fit" or row.shims[0] in names)
        readings = replace(self.readings, rows=rows)
        return calibrate(readings, working_range=self.bench.working_mm, conditions=self.conditions)

    def largest_errors(self, who: str, chosen: Sequence[int], result: Calibration) -> dict[Key, float]:
        """Of each curve over the working range, as far as the points reach [mm]."""
        found = {}
        flexible = result.comparison.flexible
        assert flexible is not None
        low, high = flexible.range
        x = np.linspace(max(low, self.bench.working_mm[0]), min(high, self.bench.working_mm[1]), PLACES)
        true = result.table.signal_of(self.bench.true_indication(x))
        slope = result.table.sign * self.bench.true_slope(x)
        for name, curve in zip(CURVES, (flexible, result.curve), strict=True):
            found[who, len(chosen), name] = float(np.max(np.abs((curve.value(x) - true) / slope)))
        return found


def ends_and_middle(x: np.ndarray) -> list[int]:
    return [0, len(x) - 1, int(np.argmin(np.abs(x - (x[0] + x[-1]) / 2)))]


def equal_distances(x: np.ndarray, count: int) -> list[int]:
    """The shims nearest to equal distances from end to end."""
    left, chosen = list(range(len(x))), []
    for wanted in np.linspace(x[0], x[-1], count):
        chosen.append(min(left, key=lambda i: abs(x[i] - wanted)))
        left.remove(chosen[-1])
    return chosen


def advised(result: Calibration) -> int | None:
    """The new shim that is ranked first, whether or not it is said to be worth its readings."""
    new = result.next_points.new if result.next_points is not None else ()
    return int(new[0].name[2:]) - 1 if new else None


def errors(job: tuple[Cell, int, Seeds, str]) -> dict[Key, float]:
    """The largest error of each technician after each count of shims [mm]."""
    day = Day(*job)
    x = day.bench.certified_mm
    start = ends_and_middle(x)
    by_chance = [int(i) for i in day.rng.permutation([i for i in range(BOX) if i not in start])]
    found: dict[Key, float] = {}
    chosen = list(start)
    while len(chosen) <= max(COUNTS):
        result = day.calibrated(chosen)
        if len(chosen) in COUNTS:
            found |= day.largest_errors("advice", chosen, result)
        best = advised(result)
        chosen.append(next(i for i in by_chance if i not in chosen) if best is None else best)
    for count in COUNTS:
        others = {"equal": equal_distances(x, count), "random": start + by_chance[: count - len(start)]}
        for who, read in others.items():
            found |= day.largest_errors(who, read, day.calibrated(read))
    return found


def ratio(found: Sequence[dict[Key, float]], other: str, count: int, curve: str) -> tuple[float, float]:
    """The geometric mean of advice over another, and its standard error."""
    logs = np.log([each["advice", count, curve] / each[other, count, curve] for each in found])
    mean = float(np.exp(logs.mean()))
    return mean, mean * float(logs.std(ddof=1)) / float(np.sqrt(len(logs)))


def line(what: str, found: Sequence[dict[Key, float]], curve: str) -> str:
    cells = [f"{what:<26}{len(found):>5}"]
    for count in COUNTS:
        cells += [
            f"{m:>7.3f} ±{s:.3f}" for m, s in (ratio(found, other, count, curve) for other in ("equal", "random"))
        ]
        cells.append(f"{1e3 * float(np.median([each['advice', count, curve] for each in found])):>6.2f}")
    return " ".join(cells)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    parser.add_argument("--benches", type=int, default=4, help="benches a cell and box")
    parser.add_argument("--first", type=int, default=0, help="index of the first of them")
    parser.add_argument("--seeds", choices=("building", "table"), default="building")
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args(arguments)
    indices = range(asked.first, asked.first + asked.benches)
    jobs = [(cell, i, asked.seeds, box) for box, cell, i in product(BOXES, CELLS, indices)]
    with ProcessPoolExecutor(asked.processes) as pool:
        found = list(pool.map(errors, jobs))
    groups: dict[str, list[dict[Key, float]]] = defaultdict(list)
    for (cell, _, _, box), each in zip(jobs, found, strict=True):
        groups[f"{box}, {cell.signal}, {cell.noise}"].append(each)
        groups[f"{box}, all"].append(each)
    print(f"{asked.seeds} seeds; largest error, advice over equal and over random; median with advice [µm]")
    for curve in CURVES:
        print(f"\n{f'{curve} curve':<21}{'benches':>10} " + " ".join(f"{f'{count} shims':>33}" for count in COUNTS))
        for name in sorted(groups):
            print(line(name, groups[name], curve), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
