"""JCGM 100:2008, annex H.3: the calibration line of a thermometer."""

from __future__ import annotations

import numpy as np

from labkit.curves import fit
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("H3_thermometer")
def thermometer(case: Case) -> dict[str, float]:
    """Ordinary least squares; prediction at 30 °C."""
    t0 = float(case.inputs["t0"])
    curve = fit(case.array("t") - t0, case.array("b"), "line")
    V = curve.covariance
    b_30, u_b_30 = curve.predict([30.0 - t0])
    assert V is not None and u_b_30 is not None and curve.residual_sd is not None
    return {
        "y1": curve.parameters["b0"],
        "y2": curve.parameters["b1"],
        "s_y1": curve.standard_errors["b0"],
        "s_y2": curve.standard_errors["b1"],
        "r": float(V[0, 1] / np.sqrt(V[0, 0] * V[1, 1])),
        "s": curve.residual_sd,
        "b_30": float(b_30[0]),
        "u_b_30": float(u_b_30[0]),
        "t0_uncorrelated": float(t0 - V[0, 1] / V[1, 1]),
    }
