"""Units and constants of the trade, as the package reads and applies them."""

from __future__ import annotations

import math

import numpy as np

from labkit.bench.read_shims import read_shims
from labkit.bench.shims import Shim
from labkit.curves import family_named
from labkit.units import from_mm, to_mm
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("trade_constants")
def constants(case: Case) -> dict[str, float]:
    length_mm, warm_degC = float(case.inputs["steel_length_mm"]), float(case.inputs["steel_temperature_degC"])
    steel = _shim("steel", length_mm)
    ratio = _far_ratio()
    return {
        "inch_mm": to_mm(1.0, "in"),
        "mil_um": from_mm(to_mm(1.0, "mil"), "µm"),
        "reference_temperature_degC": _reference_temperature(steel),
        "expansion_steel_per_K": steel.expansion_per_K,
        "expansion_brass_per_K": _shim("brass", length_mm).expansion_per_K,
        "expansion_aluminium_per_K": _shim("aluminium", length_mm).expansion_per_K,
        "steel_25_to_20_degC_um": from_mm(length_mm - steel.at(warm_degC), "µm"),
        "coating_um": from_mm(to_mm(float(case.inputs["coating_mil"]), "mil"), "µm"),
        "dipole_exponent": math.log2(ratio),
        "dipole_ratio_at_2r": ratio,
    }


def _shim(material: str, length_mm: float) -> Shim:
    """A shim whose table names the material alone."""
    return read_shims(f"shim,thickness [mm],U [mm],k,material\nA,{length_mm},0.001,2,{material}").shims[0]


def _reference_temperature(shim: Shim) -> float:
    """Where the certified thickness holds; the thickness is linear in the temperature."""
    at_0, at_40 = shim.at(0.0), shim.at(40.0)
    return 40.0 * (shim.thickness_mm - at_0) / (at_40 - at_0)


def _far_ratio() -> float:
    """The power law with exponent 3 at twice a distance far beyond its length, over that at the distance."""
    far = 1e7
    near, twice = family_named("power-law-3").f(np.array([far, 2 * far]), 0.0, 1.0, 1.0)
    return float(twice / near)
