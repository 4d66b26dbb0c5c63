"""JCGM 100:2008, annexes H.1 (an end gauge) and H.2 (resistance and reactance): the law of propagation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from labkit.metrology import from_readings, propagate, propagate_together
from labkit.metrology.budget import coverage_factor
from labkit.validation.cases import Case
from labkit.validation.inputs import quantities_of
from labkit.validation.register import computes


def length(
    l_s: Any, d_mean: Any, d_random: Any, d_systematic: Any, alpha: Any, theta: Any, cycle: Any, d_alpha: Any, d_t: Any
) -> Any:
    """The end gauge [nm], from the standard, the comparison and the temperatures (H.1, equation H.3)."""
    return l_s + d_mean + d_random + d_systematic - l_s * (d_alpha * (theta + cycle) + alpha * d_t)


@computes("H1_end_gauge")
def end_gauge(case: Case) -> dict[str, float]:
    """First order and, at the end, second; k for 99 %."""
    quantities = quantities_of(case.inputs["quantities"])
    coverage = float(case.inputs["coverage"])
    comparison = propagate(lambda *d: sum(d), quantities[1:4], coverage=coverage)
    found = propagate(length, quantities, coverage=coverage)
    second = propagate(length, quantities, coverage=coverage, second_order=True)
    whole = math.floor(found.dof)
    return {
        "l_mm": found.value / 1e6,
        "u_d_nm": comparison.u,
        "nu_d": comparison.dof,
        "u_c_nm": found.u,
        "nu_eff_floor": whole,
        "t99_16": float(coverage_factor(whole, coverage)),
        "U99_nm": found.U,
        "c_delta_theta_nm": abs(found.contributions["delta_theta"]),
        "c_delta_alpha_nm": abs(found.contributions["delta_alpha"]),
        "u_c_with_second_order_nm": second.u,
    }


def impedance(V: Any, current: Any, phi: Any) -> tuple[Any, Any, Any]:
    """Resistance, reactance and impedance [Ω]."""
    return V / current * np.cos(phi), V / current * np.sin(phi), V / current


@computes("H2_resistance_reactance")
def resistance_and_reactance(case: Case) -> dict[str, float]:
    """Approach 1: means, propagated with their correlations. Approach 2: means of five results."""
    readings = {name: case.array(name) for name in ("V", "I", "phi")}
    means, correlation = from_readings(readings)
    V, current, phi = means
    first = propagate_together(impedance, means, correlation)
    R, X, Z = first.results
    second, r_second = from_readings(dict(zip("RXZ", impedance(*readings.values()), strict=True)))
    return {
        "V": V.value,
        "I_mA": current.value * 1e3,
        "phi": phi.value,
        "u_V": V.u,
        "u_I_mA": current.u * 1e3,
        "u_phi": phi.u,
        "r_VI": correlation[0, 1],
        "r_Vphi": correlation[0, 2],
        "r_Iphi": correlation[1, 2],
        "R": R.value,
        "u_R": R.u,
        "X": X.value,
        "u_X": X.u,
        "Z": Z.value,
        "u_Z": Z.u,
        "r_RX": first.correlation[0, 1],
        "r_RZ": first.correlation[0, 2],
        "r_XZ": first.correlation[1, 2],
        "R_approach2": second[0].value,
        "X_approach2": second[1].value,
        "Z_approach2": second[2].value,
        "u_R_approach2": second[0].u,
        "u_X_approach2": second[1].u,
        "u_Z_approach2": second[2].u,
        "r_RX_approach2": r_second[0, 1],
    }
