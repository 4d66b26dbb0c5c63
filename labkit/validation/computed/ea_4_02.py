"""EA-4/02 M:2022, examples S2 (a weight), S4 (a gauge block) and S10 (a caliper)."""

from __future__ import annotations

import math
from typing import Any

from labkit.metrology import Quantity, Trapezoid, propagate
from labkit.validation.cases import Case
from labkit.validation.inputs import quantities_of
from labkit.validation.register import computes


@computes("S2_weight_10kg")
def weight(case: Case) -> dict[str, float]:
    """A sum of five; the difference is a mean of three, its spread pooled from before."""
    given = case.inputs
    u_difference = given["pooled_s_mg"] / math.sqrt(given["n"])
    others = given["contributions_mg"]
    quantities = [
        Quantity("m_S", given["m_S_g"], others["m_S"] / 1e3),
        Quantity("dm", given["difference_g"], u_difference / 1e3),
        *(Quantity(name, 0.0, u / 1e3) for name, u in others.items() if name != "m_S"),
    ]
    found = propagate(lambda *parts: sum(parts), quantities)
    return {
        "m_X_g": found.value,
        "u_dm_mg": abs(found.contributions["dm"]) * 1e3,
        "u_mg": found.u * 1e3,
        "U_k2_mg": found.U * 1e3,
    }


@computes("S4_gauge_block")
def gauge_block(case: Case) -> dict[str, float]:
    """Deviation from the nominal length [nm]; the product of two quantities that are 0 counts in second order."""
    L, alpha = float(case.inputs["L_nm"]), float(case.inputs["alpha"])

    def deviation(l_s: Any, drift: Any, dl: Any, comparator: Any, d_t: Any, d_alpha: Any, dT: Any, other: Any) -> Any:
        return l_s + drift + dl + comparator - L * (alpha * d_t + d_alpha * dT) - other

    quantities = quantities_of(case.inputs["quantities"])
    found = propagate(deviation, quantities, second_order=True)
    by_name = {each.name: each for each in quantities}
    product = propagate(lambda a, b: L * a * b, [by_name["dalpha"], by_name["DT"]], second_order=True)
    return {
        "l_X_mm": (L + found.value) / 1e6,
        "c_dt_nm": abs(found.contributions["dt"]),
        "c_dadT_nm": product.u,
        "u_nm": found.u,
        "U_k2_nm": found.U,
    }


@computes("S10_vernier_caliper")
def caliper(case: Case) -> dict[str, float]:
    """Two dominant rectangular contributions make a trapezoid, whose k is below 2."""
    given = case.inputs
    error = Quantity("l_iX", given["l_iX_mm"], 0.0), Quantity("l_S", given["l_S_mm"], 0.0)
    others = [Quantity(name, 0.0, u / 1e3) for name, u in given["contributions_um"].items()]
    found = propagate(lambda shown, length, *parts: shown - length + sum(parts), [*error, *others])
    shape = Trapezoid.of_rectangles(*given["dominant_half_widths_um"])
    k = shape.coverage_factor(float(given["coverage"]))
    return {
        "E_X_mm": found.value,
        "u_um": found.u * 1e3,
        "beta": shape.beta,
        "k_trapezoid": k,
        "U_mm": k * found.u,
    }
