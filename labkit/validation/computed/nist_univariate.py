"""NIST Statistical Reference Datasets, univariate summary statistics."""

from __future__ import annotations

from labkit.metrology import describe
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("Lew", "Lottery", "Michelso", "NumAcc1", "NumAcc2", "NumAcc4")
def univariate(case: Case) -> dict[str, float]:
    found = describe(case.array("values"))
    assert found.sd is not None and found.lag1 is not None
    return {"mean": found.mean, "sd": found.sd, "lag1": found.lag1}
