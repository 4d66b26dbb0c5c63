"""
A line used backwards: Graybill & Iyer (thermostat, crystal), Massart (example 1), EURACHEM/CITAC (example A5).

Agreement is rounding to the printed digits.
"""

from __future__ import annotations

import numpy as np
import pytest
from agreement import disagreements, left_unchecked

from labkit.curves import Curve, fit
from labkit.validation import Case, case


def line_of(one: Case) -> Curve:
    return fit(one.array("x"), one.array("y"), "line")


def backwards(curve: Curve, y: float, uy: float) -> tuple[float, float]:
    x, u = curve.invert([y], [uy])
    assert u is not None
    return float(x[0]), float(u[0])


def test_thermostat_fieller_limits_of_a_single_observation():
    """Graybill & Iyer (1996), p. 431."""
    one = case("graybill_iyer_thermostat")
    curve = line_of(one)
    computed = {}
    for each in one.inputs["cases"]:
        y0 = each["y0"]
        low, high = curve.invert_interval(y0, repeats=each["m"], level=each["level"], method="fieller")
        computed |= {f"lo_{y0}": low, f"hi_{y0}": high, f"x0_{y0}": backwards(curve, y0, 0.0)[0]}
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_crystal_fieller_limits_of_a_mean_response_and_wald_errors():
    """Graybill & Iyer (1996), p. 434; the indication is taken as exact for the mean response."""
    one = case("graybill_iyer_crystal")
    curve = line_of(one)
    y0 = one.inputs["y0"]
    low, high = curve.invert_interval(y0, 0.0, level=one.inputs["level"], method="fieller")
    assert curve.residual_sd is not None
    x0, se_mean = backwards(curve, y0, 0.0)
    computed = {
        "x0": x0,
        "lo": low,
        "hi": high,
        "se_wald_mean": se_mean,
        "se_wald_single_obs": backwards(curve, y0, curve.residual_sd)[1],
    }
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_massart_wald_half_widths_for_one_reading_and_for_five():
    """Massart et al. (1997), part A, chapter 8, example 1."""
    one = case("massart_ex1")
    curve = line_of(one)
    computed = {}
    for each in one.inputs["cases"]:
        low, high = curve.invert_interval(each["y0"], repeats=each["m"], level=one.inputs["level"], method="wald")
        suffix = "" if each["m"] == 1 else f"_m{each['m']}"
        computed[f"x_{each['y0']}"] = (low + high) / 2.0
        computed[f"half_{each['y0']}{suffix}"] = (high - low) / 2.0
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_eurachem_a5_mean_of_two_readings():
    """EURACHEM/CITAC Guide CG4 (QUAM 2012), example A5."""
    one = case("eurachem_a5")
    curve = line_of(one)
    readings = one.array("y0_readings")
    assert curve.residual_sd is not None
    assert curve.covariance is not None
    V = curve.covariance
    c0, u_c0 = backwards(curve, float(readings.mean()), curve.residual_sd / np.sqrt(len(readings)))
    computed = {
        "B0": curve.parameters["b0"],
        "B1": curve.parameters["b1"],
        "u_B0": curve.standard_errors["b0"],
        "u_B1": curve.standard_errors["b1"],
        "corr": float(V[0, 1] / np.sqrt(V[0, 0] * V[1, 1])),
        "c0": c0,
        "u_c0": u_c0,
    }
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


@pytest.mark.parametrize("y0", [100.0, 104.0])
def test_monte_carlo_limits_lie_near_the_exact_ones(y0):
    """Thermostat (Graybill & Iyer): within 4 % of the exact half-width, what 20 000 draws can tell."""
    curve = line_of(case("graybill_iyer_thermostat"))
    exact = np.array(curve.invert_interval(y0, method="fieller"))
    drawn = np.array(curve.invert_interval(y0, method="monte-carlo"))
    assert np.abs(drawn - exact).max() < 0.04 * np.ptp(exact) / 2.0
