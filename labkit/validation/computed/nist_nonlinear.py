"""
NIST Statistical Reference Datasets, nonlinear least squares, from both of NIST's starts.

Each model is entered as an engineer enters an own family: a callable and first values, no derivatives.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from labkit.curves import Curve, Family, fit
from labkit.curves.family import Array
from labkit.validation.cases import Case
from labkit.validation.register import computes


def bennett5(x: Array, b1: float, b2: float, b3: float) -> Array:
    return b1 * (b2 + x) ** (-1.0 / b3)


def chwirut(x: Array, b1: float, b2: float, b3: float) -> Array:
    return np.exp(-b1 * x) / (b2 + b3 * x)


def danwood(x: Array, b1: float, b2: float) -> Array:
    return b1 * x**b2


def eckerle4(x: Array, b1: float, b2: float, b3: float) -> Array:
    return b1 / b2 * np.exp(-0.5 * ((x - b3) / b2) ** 2)


def gauss1(x: Array, b1: float, b2: float, b3: float, b4: float, b5: float, b6: float, b7: float, b8: float) -> Array:
    return b1 * np.exp(-b2 * x) + b3 * np.exp(-(((x - b4) / b5) ** 2)) + b6 * np.exp(-(((x - b7) / b8) ** 2))


def hahn1(x: Array, b1: float, b2: float, b3: float, b4: float, b5: float, b6: float, b7: float) -> Array:
    return (b1 + b2 * x + b3 * x**2 + b4 * x**3) / (1.0 + b5 * x + b6 * x**2 + b7 * x**3)


def kirby2(x: Array, b1: float, b2: float, b3: float, b4: float, b5: float) -> Array:
    return (b1 + b2 * x + b3 * x**2) / (1.0 + b4 * x + b5 * x**2)


def lanczos3(x: Array, b1: float, b2: float, b3: float, b4: float, b5: float, b6: float) -> Array:
    return b1 * np.exp(-b2 * x) + b3 * np.exp(-b4 * x) + b5 * np.exp(-b6 * x)


def mgh09(x: Array, b1: float, b2: float, b3: float, b4: float) -> Array:
    return b1 * (x**2 + x * b2) / (x**2 + x * b3 + b4)


def mgh17(x: Array, b1: float, b2: float, b3: float, b4: float, b5: float) -> Array:
    return b1 + b2 * np.exp(-x * b4) + b3 * np.exp(-x * b5)


def misra1a(x: Array, b1: float, b2: float) -> Array:
    return b1 * (1.0 - np.exp(-b2 * x))


def misra1b(x: Array, b1: float, b2: float) -> Array:
    return b1 * (1.0 - (1.0 + b2 * x / 2.0) ** -2.0)


def misra1c(x: Array, b1: float, b2: float) -> Array:
    return b1 * (1.0 - (1.0 + 2.0 * b2 * x) ** -0.5)


def rat43(x: Array, b1: float, b2: float, b3: float, b4: float) -> Array:
    return b1 / (1.0 + np.exp(b2 - b3 * x)) ** (1.0 / b4)


MODELS: Final[dict[str, Callable[..., Array]]] = {
    "Bennett5": bennett5,
    "Chwirut1": chwirut,
    "Chwirut2": chwirut,
    "DanWood": danwood,
    "Eckerle4": eckerle4,
    "Gauss1": gauss1,
    "Hahn1": hahn1,
    "Kirby2": kirby2,
    "Lanczos3": lanczos3,
    "MGH09": mgh09,
    "MGH17": mgh17,
    "Misra1a": misra1a,
    "Misra1b": misra1b,
    "Misra1c": misra1c,
    "Rat43": rat43,
}

STARTS: Final = ("start1", "start2")


def from_start(case: Case, start: str) -> dict[str, float]:
    """What the general fitter reaches from one of NIST's two starts."""
    names = tuple(case.inputs["parameters"])
    family = Family(case.name, MODELS[case.name], lambda x, y: case.inputs[start], names, "raw", len(names) + 1)
    return _values(fit(case.array("x"), case.array("y"), family))


@computes(*MODELS)
def from_both_starts(case: Case) -> dict[str, float]:
    """Of both starts, the number that agrees less."""
    first, second = (from_start(case, start) for start in STARTS)
    return {name: min(first[name], second[name], key=case.published[name].lre) for name in first}


def _values(curve: Curve) -> dict[str, float]:
    assert curve.residual_sd is not None
    return (
        curve.parameters
        | {f"u_{name}": u for name, u in curve.standard_errors.items()}
        | {"residual_sd": curve.residual_sd}
    )
