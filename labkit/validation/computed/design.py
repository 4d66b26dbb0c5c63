"""Designs that are optimal before anything is read."""

from __future__ import annotations

import numpy as np

from labkit.curves import Family
from labkit.curves.design import Basis, exchange, linearised
from labkit.curves.shares import Shares, optimal
from labkit.validation.cases import Case
from labkit.validation.register import computes


def _powers(degree: int) -> Basis:
    return lambda x: np.vander(x, degree + 1, increasing=True)


@computes("polynomial_d_g_optimal")
def polynomials(case: Case) -> dict[str, float]:
    """Shares over the whole range; and the exchange among candidates of which the support is part."""
    low, high = float(case.inputs["low"]), float(case.inputs["high"])
    found: dict[str, float] = {}
    for degree in case.inputs["degrees"]:
        basis, name = _powers(degree), f"degree_{degree}"
        shares = optimal(basis, (low, high))
        candidates = np.unique([*np.linspace(low, high, case.inputs["candidates"]), *shares.x])
        chosen = exchange(basis, candidates, degree + 1, "D").x
        for i, (x, exchanged) in enumerate(zip(shares.x, chosen, strict=True), 1):
            found |= {f"{name}_x{i}": float(x), f"{name}_exchange_x{i}": float(exchanged)}
        found |= {
            f"{name}_weight": _farthest(shares, 1 / (degree + 1)),
            f"{name}_det": shares.det,
            f"{name}_largest_variance": shares.largest_variance,
        }
    return found


def _farthest(shares: Shares, from_: float) -> float:
    """Of weights that are to be equal, the one that is least so."""
    return float(shares.weights[np.argmax(np.abs(shares.weights - from_))])


@computes("inverse_power_locally_d_optimal")
def inverse_power(case: Case) -> dict[str, float]:
    family = Family("inverse power", lambda r, b, n: b * r**-n, lambda x, y: (y.max(), 3.0), ("b", "n"))
    between = (float(case.inputs["r1"]), float(case.inputs["r2"]))
    one, other = (optimal(linearised(family, (b, float(case.inputs["n"]))), between) for b in case.array("b"))
    return {
        "x1": float(one.x[0]),
        "x2": float(one.x[1]),
        "weight_1": float(one.weights[0]),
        "weight_2": float(one.weights[1]),
        "largest_variance": one.largest_variance,
        "x2_other_b": float(other.x[1]),
    }
