"""NIST Statistical Reference Datasets, one-way analysis of variance."""

from __future__ import annotations

from labkit.metrology import one_way
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("SiRstv", "SmLs01", "SmLs07")
def analysis_of_variance(case: Case) -> dict[str, float]:
    found = one_way(case.inputs["groups"])
    assert found.F is not None and found.r_squared is not None
    return {
        "dof_between": found.dof_between,
        "dof_within": found.dof_within,
        "ss_between": found.ss_between,
        "ms_between": found.ms_between,
        "ss_within": found.ss_within,
        "ms_within": found.ms_within,
        "F": found.F,
        "r_squared": found.r_squared,
        "residual_sd": found.sd_within,
    }
