"""JCGM 100:2008: annex H.3 (a thermometer's calibration line) and table G.2 (Student's t, from memory)."""

from __future__ import annotations

import numpy as np
import pytest
from agreement import disagreements, left_unchecked

from labkit.curves import fit
from labkit.validation import case


def test_h3_thermometer():
    one = case("H3_thermometer")
    t0 = one.inputs["t0"]
    curve = fit(one.array("t") - t0, one.array("b"), "line")
    assert curve.covariance is not None
    assert curve.residual_sd is not None
    V = curve.covariance
    b_30, u_b_30 = curve.predict([30.0 - t0])
    assert u_b_30 is not None
    computed = {
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
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


@pytest.mark.parametrize("name", sorted(case("table_G2_student").published))
def test_table_g2_through_the_half_width_of_an_interval(name):
    """U/u of a line whose scale was estimated from so many degrees of freedom is t; table G.2, from memory."""
    level_text, dof = name.removeprefix("t").split("_")
    level = float(f"0.{level_text}")
    m = int(dof) + 2
    x = np.linspace(0.0, 1.0, m)
    y = x + 1e-3 * np.random.default_rng(3).standard_normal(m)
    curve = fit(x, y, "line")
    _, u = curve.invert([0.5], 0.0)
    assert u is not None
    low, high = curve.invert_interval(0.5, 0.0, level=level, method="wald")
    assert disagreements(case("table_G2_student"), {name: (high - low) / 2.0 / float(u[0])}) == []
