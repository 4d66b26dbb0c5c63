"""JCGM 101:2008, clause 9: adaptive random draws beside the law of propagation."""

from __future__ import annotations

from typing import Any

from labkit.metrology import MonteCarlo, Quantity, monte_carlo, propagate
from labkit.validation.cases import Case
from labkit.validation.computed.gum_propagation import length
from labkit.validation.inputs import quantities_of
from labkit.validation.register import computes

MOST_TRIALS = 10_000_000
"""Three digits of u = 2 take millions of draws."""


def total(*parts: Any) -> Any:
    """The additive model."""
    return sum(parts)


def half(interval: tuple[float, float]) -> float:
    """Half its length."""
    return (interval[1] - interval[0]) / 2


@computes("9_2_additive")
def additive(case: Case) -> dict[str, float]:
    """Four normal quantities; four rectangular ones; and three with a fourth ten times as wide."""
    coverage, digits = float(case.inputs["coverage"]), int(case.inputs["digits"])
    normal = [Quantity(f"X{i}", 0.0, 1.0) for i in range(4)]
    even = [Quantity(f"X{i}", 0.0, 1.0, shape="rectangular") for i in range(4)]
    uneven = [Quantity(f"X{i}", 0.0, u, shape="rectangular") for i, u in enumerate(case.inputs["u_c"])]
    a, b, c = (propagate(total, each, coverage=coverage) for each in (normal, even, uneven))

    def drawn(quantities: list[Quantity]) -> MonteCarlo:
        return monte_carlo(total, quantities, coverage=coverage, digits=digits, most=MOST_TRIALS)

    return {
        "a_u": a.u,
        "a_half": a.U,
        "b_u": b.u,
        "b_half_exact": half(drawn(even).symmetric),
        "c_u": c.u,
        "c_half_GUF": c.U,
        "c_half_exact": half(drawn(uneven).symmetric),
    }


@computes("9_3_mass")
def mass(case: Case) -> dict[str, float]:
    """A weight compared in air; the densities act only in products."""
    coverage = float(case.inputs["coverage"])
    rho_a0, nominal = float(case.inputs["rho_a0"]), float(case.inputs["m_nom"])
    quantities = quantities_of(case.inputs["quantities"])

    def deviation(m: Any, dm: Any, rho_a: Any, rho_w: Any, rho_r: Any) -> Any:
        return (m + dm) * (1 + (rho_a - rho_a0) * (1 / rho_w - 1 / rho_r)) - nominal

    first = propagate(deviation, quantities, coverage=coverage)
    second = propagate(deviation, quantities, coverage=coverage, second_order=True)
    drawn = monte_carlo(deviation, quantities, coverage=coverage, digits=int(case.inputs["digits"]))
    assert drawn.u is not None
    return {
        "GUF1_u": first.u,
        "GUF1_lo": first.interval[0],
        "GUF1_hi": first.interval[1],
        "GUF2_u": second.u,
        "GUF2_lo": second.interval[0],
        "GUF2_hi": second.interval[1],
        "MCM_mean": drawn.value,
        "MCM_u": drawn.u,
        "MCM_lo": drawn.shortest[0],
        "MCM_hi": drawn.shortest[1],
        "MCM_width": 2 * half(drawn.shortest),
    }


@computes("9_5_gauge_block")
def gauge_block(case: Case) -> dict[str, float]:
    """The end gauge of the GUM, H.1, as a deviation from its nominal length."""
    coverage, nominal = float(case.inputs["coverage"]), float(case.inputs["L_nom"])
    quantities = quantities_of(case.inputs["quantities"])

    def deviation(*inputs: Any) -> Any:
        return length(*inputs) - nominal

    found = propagate(deviation, quantities, coverage=coverage)
    drawn = monte_carlo(deviation, quantities, coverage=coverage, digits=int(case.inputs["digits"]))
    assert drawn.u is not None
    return {
        "MCM_estimate": drawn.value,
        "MCM_u": drawn.u,
        "MCM_lo": drawn.shortest[0],
        "MCM_hi": drawn.shortest[1],
        "GUF_estimate": found.value,
        "GUF_u": found.u,
        "GUF_lo": found.interval[0],
        "GUF_hi": found.interval[1],
    }
