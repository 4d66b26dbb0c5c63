"""JCGM 106:2012 and ILAC-G8:09/2019: probabilities of conformity, guard bands and what they leave."""

from __future__ import annotations

import math

from labkit.metrology import decide
from labkit.metrology.conformity import guard_band_for_risk, probability_inside
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("conformance_probability")
def probabilities(case: Case) -> dict[str, float]:
    """Of three measured values; and the speed from which on a limit is exceeded for certain enough."""
    zener, container, oil = (case.inputs[name] for name in ("zener_upper", "container_lower", "oil_two_sided"))
    speed = case.inputs["speed"]
    limit, p = speed["T_U"], speed["p"]
    # u is a share of the measured speed v, the guard band outside the limit: v − z·u_rel·v = limit
    per_speed = guard_band_for_risk(1 - p, speed["u_rel"], (None, limit))
    return {
        "zener_pc": probability_inside(zener["y"], zener["u"], (None, zener["T_U"])),
        "container_pc": probability_inside(container["y"], container["u"], (container["T_L"], None)),
        "oil_pc": probability_inside(oil["y"], oil["u"], (oil["T_L"], oil["T_U"])),
        "speed_limit": float(math.ceil(limit / (1 - per_speed))),
    }


@computes("ilac_g8_guard_bands")
def risks(case: Case) -> dict[str, float]:
    """The specific risk at the acceptance limit, for one upper limit at 0 and U = 2u = 1."""
    return {
        f"risk_w_{ratio:.3g}{'U' if ratio else ''}_percent": 100 * decide(-ratio, 0.5, (None, 0.0)).specific_risk
        for ratio in case.inputs["w_over_U"]
    }
