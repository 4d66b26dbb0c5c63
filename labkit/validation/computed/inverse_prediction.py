"""A line used backwards: Graybill & Iyer (thermostat, crystal), Massart (example 1), EURACHEM/CITAC (example A5)."""

from __future__ import annotations

import numpy as np

from labkit.curves import Curve, fit
from labkit.validation.cases import Case
from labkit.validation.register import computes


def _line(case: Case) -> Curve:
    return fit(case.array("x"), case.array("y"), "line")


def _backwards(curve: Curve, y: float, uy: float) -> tuple[float, float]:
    x, u = curve.invert([y], [uy])
    assert u is not None
    return float(x[0]), float(u[0])


@computes("graybill_iyer_thermostat")
def thermostat(case: Case) -> dict[str, float]:
    """Limits of Fieller for a single observation."""
    curve = _line(case)
    found: dict[str, float] = {}
    for each in case.inputs["cases"]:
        y0 = each["y0"]
        low, high = curve.invert_interval(y0, repeats=each["m"], level=each["level"], method="fieller")
        found |= {f"lo_{y0}": low, f"hi_{y0}": high, f"x0_{y0}": _backwards(curve, y0, 0.0)[0]}
    return found


@computes("graybill_iyer_crystal")
def crystal(case: Case) -> dict[str, float]:
    """Limits of Fieller for a mean response, whose indication is taken as exact; standard errors of Wald."""
    curve, y0 = _line(case), case.inputs["y0"]
    low, high = curve.invert_interval(y0, 0.0, level=case.inputs["level"], method="fieller")
    x0, se_mean = _backwards(curve, y0, 0.0)
    assert curve.residual_sd is not None
    se_single = _backwards(curve, y0, curve.residual_sd)[1]
    return {"x0": x0, "lo": low, "hi": high, "se_wald_mean": se_mean, "se_wald_single_obs": se_single}


@computes("massart_ex1")
def massart(case: Case) -> dict[str, float]:
    """Half-widths of Wald for one reading and for the mean of five."""
    curve = _line(case)
    found: dict[str, float] = {}
    for each in case.inputs["cases"]:
        low, high = curve.invert_interval(each["y0"], repeats=each["m"], level=case.inputs["level"], method="wald")
        suffix = "" if each["m"] == 1 else f"_m{each['m']}"
        found[f"x_{each['y0']}"] = (low + high) / 2.0
        found[f"half_{each['y0']}{suffix}"] = (high - low) / 2.0
    return found


@computes("eurachem_a5")
def eurachem(case: Case) -> dict[str, float]:
    """Mean of two readings."""
    curve, readings = _line(case), case.array("y0_readings")
    V = curve.covariance
    assert V is not None and curve.residual_sd is not None
    c0, u_c0 = _backwards(curve, float(readings.mean()), curve.residual_sd / np.sqrt(len(readings)))
    return {
        "B0": curve.parameters["b0"],
        "B1": curve.parameters["b1"],
        "u_B0": curve.standard_errors["b0"],
        "u_B1": curve.standard_errors["b1"],
        "corr": float(V[0, 1] / np.sqrt(V[0, 0] * V[1, 1])),
        "c0": c0,
        "u_c0": u_c0,
    }
