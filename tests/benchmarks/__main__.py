"""
How long things take: ``python -m tests.benchmarks`` prints a table. Nothing here is asserted.

Times of one run on one machine say little, so each is given beside a peer that solves a like problem in the same run:
the ratio is what to watch. Set ``OPENBLAS_NUM_THREADS=1`` to compare with earlier runs.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from odrpack import odr_fit
from scipy.interpolate import make_smoothing_spline
from scipy.optimize import curve_fit

from labkit import Calibration, calibrate, read_readings
from labkit.curves import fit
from labkit.curves.physical import power_law

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"
SETS = {
    "raw_ball": "readings.csv",
    "indication_disc_inch": "readings.tsv",
    "mislabelled": "readings.csv",
    "ends_only": "readings.tsv",
    "hinge_day": "readings.csv",
}

X = np.array([0.25, 0.4, 0.6, 0.9, 1.25, 1.6, 2.0, 2.5, 3.0])
Y = power_law(X, 20.0, 30_000.0, 1.8, 5.0) + np.array([0.3, -1.1, 0.7, -0.2, 0.9, -0.6, -0.4, 0.5, 0.1])
UX, UY = 0.0005, 2.0
START = (10.0, 25_000.0, 1.5, 4.5)
MANY = np.linspace(0.25, 3.0, 100_000)


def seconds(call: Callable[[], object], at_least: float = 0.5) -> float:
    """The shortest of several calls: what a busy machine adds is only ever more."""
    best, spent = np.inf, 0.0
    while spent < at_least or not np.isfinite(best):
        begin = time.perf_counter()
        call()
        taken = time.perf_counter() - begin
        best, spent = min(best, taken), spent + taken
    return best


def by_odrpack(f: Callable[..., np.ndarray], start: object) -> object:
    def model(x: np.ndarray, b: np.ndarray) -> np.ndarray:
        return f(x, *b)

    return odr_fit(model, X, Y, np.array(start, dtype=float), weight_x=UX**-2, weight_y=UY**-2)


def cubic(x: np.ndarray, *b: float) -> np.ndarray:
    return np.polynomial.polynomial.polyval(x, b)


def one_by_one(result: Calibration, indications: np.ndarray) -> np.ndarray:
    """Without the tables, as fewer than 4096 are corrected."""
    return np.concatenate([result.correct(part)[1] for part in np.array_split(indications, 5)])


def line(what: str, ours: float, peer: str = "", theirs: float | None = None) -> None:
    beside = f"{peer:<34}{1e3 * theirs:>10.2f} ms{ours / theirs:>9.2f}" if theirs is not None else ""
    print(f"{what:<46}{1e3 * ours:>10.2f} ms   {beside}", flush=True)


def main() -> int:
    print(f"{'':<46}{'labkit':>13}   {'peer':<34}{'':>13}{'ratio':>9}")
    flexible = fit(X, Y, "flexible", UX, UY)
    law = fit(X, Y, "power-law", UX, UY)
    spline = make_smoothing_spline(X, np.log(Y))
    line(
        "flexible curve, 9 points",
        seconds(lambda: fit(X, Y, "flexible", UX, UY)),
        "scipy make_smoothing_spline, GCV",
        seconds(lambda: make_smoothing_spline(X, np.log(Y))),
    )
    line(
        "flexible curve and u, 100 000 thicknesses",
        seconds(lambda: flexible.predict(MANY)),
        "the same spline, no u",
        seconds(lambda: np.exp(spline(MANY))),
    )
    line(
        "power law, u in y",
        seconds(lambda: fit(X, Y, "power-law", uy=UY, start=START)),
        "scipy curve_fit",
        seconds(lambda: curve_fit(power_law, X, Y, START, np.full(9, UY), absolute_sigma=True)),
    )
    line(
        "power law, u in x and y",
        seconds(lambda: fit(X, Y, "power-law", UX, UY, start=START)),
        "odrpack",
        seconds(lambda: by_odrpack(power_law, START)),
    )
    line(
        "polynomial of degree 3, u in x and y",
        seconds(lambda: fit(X, Y, "polynomial-3", UX, UY)),
        "odrpack",
        seconds(lambda: by_odrpack(cubic, np.polynomial.polynomial.polyfit(X, Y, 3))),
    )
    line(
        "power law backwards, 100 000 indications",
        seconds(lambda: law.invert(law.value(MANY))),
        "the same law forwards",
        seconds(lambda: law.value(MANY)),
    )
    print()
    for name, file in SETS.items():
        readings = read_readings(SAMPLES / name / file, shims=SAMPLES / name / "shims.csv")
        result = calibrate(readings, tolerance=0.01)
        line(f"calibrate, {name}", seconds(lambda readings=readings: calibrate(readings, tolerance=0.01)))
        shown = result.table.indication_of(result.curve.value(np.linspace(*result.curve.range, 1_000_000)))
        line(
            "    correct, 1 000 000 different indications",
            seconds(lambda r=result, y=shown: r.correct(y), 0.0),
            "u of 10 000 of them, one by one",
            seconds(lambda r=result, y=shown: one_by_one(r, y[::100]), 0.0),
        )
        line("    record and back", seconds(lambda r=result: type(r).from_dict(r.to_dict()), 0.0))
    return 0


if __name__ == "__main__":
    sys.exit(main())
