"""
A check shim that shares a master with the shims of the fit cannot see that master's error: stated u against drawn errors.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import labkit
from labkit.bench.conditions import Conditions
from labkit.bench.readings import Reading, Readings
from labkit.bench.shims import Shim, ShimSet
from labkit.calibration.checks import Criterion, check_shims
from labkit.calibration.curve_lines import CurveLines
from labkit.calibration.points import build_points
from labkit.calibration.uncertainty import Uncertainty
from labkit.curves import family_named
from labkit.curves.fit import fit_points

THICKNESSES = (0.25, 0.5, 0.8, 1.2, 1.7, 2.2, 3.0)
CHECK_MM = 1.45
OWN_MM, SHARED_MM, NOISE_MM = 0.0004, 0.003, 0.0005
REPEATS = 5
DRAWN = 150
CONDITIONS = Conditions(resolution=1e-6, temperature_start_degC=20.0, temperature_end_degC=20.0)
NO_LIMITS = Criterion((None, None), "guard-band-U", "four")


def shim(name: str, thickness_mm: float, set_name: str) -> Shim:
    return Shim(
        name,
        thickness_mm,
        u_mm=float(np.hypot(OWN_MM, SHARED_MM)),
        shared_u_mm=SHARED_MM,
        set_name=set_name,
        certificate="PD-1",
    )


def bench(check_set: str) -> ShimSet:
    fit = tuple(shim(f"A-{i + 1}", x, "A") for i, x in enumerate(THICKNESSES))
    return ShimSet((*fit, shim("C", CHECK_MM, check_set)), "all")


def drawn(shims: ShimSet, rng: np.random.Generator) -> Readings:
    """Readings on shims whose true thickness is drawn: one error a master, one a shim."""
    masters = {each.set_name: rng.normal(0.0, SHARED_MM) for each in shims}
    rows = []
    for each in shims:
        true = each.thickness_mm + masters[each.set_name] + rng.normal(0.0, OWN_MM)
        shown = true + 0.01 - 0.004 * true + rng.normal(0.0, NOISE_MM, REPEATS)
        role = "check" if each.name == "C" else "fit"
        rows += [Reading(value, f"{value:.6f}", (each.name,), role) for value in map(float, shown)]
    return Readings(tuple(rows), shims, "thickness", "mm")


def checked(shims: ShimSet, name: str, rng: np.random.Generator):
    """The check shim of one drawn calibration, and what was said of it."""
    readings = drawn(shims, rng)
    table = build_points(readings, CONDITIONS)
    curve = fit_points(table.fitted, family_named(name), "thickness")
    uncertainty = Uncertainty(CurveLines(table), curve if name == "flexible" else None, None)

    def correct(mean: float, n: int):
        x = float(curve.invert([mean])[0][0])
        return x, uncertainty.budget(curve, x, n, on_parts=False)

    cautions: list = []
    (check,) = check_shims(readings.with_role("check"), table, correct, NO_LIMITS, cautions, curve)
    return check, {each.code for each in cautions}


@pytest.mark.parametrize("name", ["line", "flexible"])
@pytest.mark.parametrize("check_set", ["A", "B"])
def test_u_of_a_deviation_is_the_spread_of_drawn_deviations(name, check_set):
    rng = np.random.default_rng(20)
    found = [checked(bench(check_set), name, rng) for _ in range(DRAWN)]
    deviations = np.array([check.deviation_mm for check, _ in found])
    stated = float(np.sqrt(np.mean([check.u_mm**2 for check, _ in found])))
    spread = float(np.std(deviations, ddof=1))
    # the spread of 150 has a standard error of 6 %; the flexible curve allows for a form that a line does not have
    assert 1 - 4 / np.sqrt(2 * DRAWN) < stated / spread < (1.35 if name == "flexible" else 1 + 4 / np.sqrt(2 * DRAWN))
    shares = check_set == "A"
    assert all(check.shares_master is shares for check, _ in found)
    assert all(("check.shares_master" in codes) is shares for _, codes in found)
    # the master's error is in the deviation of the other set alone
    assert (spread < SHARED_MM / 2) is shares


def test_the_caution_says_what_such_a_check_cannot_see():
    shims = bench("A")
    readings = drawn(shims, np.random.default_rng(3))
    result = labkit.calibrate(readings, tolerance=0.01, conditions=CONDITIONS)
    said = [str(each) for each in result.cautions if each.code == "check.shares_master"]
    assert said == ["C shares a master with shims of the fit: an error of that master would not show."]
    apart = labkit.calibrate(replace(readings, shims=bench("B")), tolerance=0.01, conditions=CONDITIONS)
    assert apart.checks[0].u_mm > result.checks[0].u_mm
    assert "check.shares_master" not in {each.code for each in apart.cautions}
