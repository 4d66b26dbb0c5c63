"""Control charts and capability: constants, subgroups, a limit on one side."""

from __future__ import annotations

from labkit.metrology import capability_indices, process_capability, subgroup_charts
from labkit.metrology.chart_constants import c4, d2, d3
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("chart_constants")
def constants(case: Case) -> dict[str, float]:
    functions = {"d2": d2, "d3": d3, "c4": c4}
    names = [name.split("_") for name in case.published]
    return {f"{which}_{n}": functions[which](int(n)) for which, n in names}


@computes("montgomery_flow_width")
def flow_width(case: Case) -> dict[str, float]:
    groups = case.array("subgroups")
    charts = subgroup_charts(groups)
    process = process_capability(groups, (case.inputs["LSL"], case.inputs["USL"]), within="range")
    level, spread = charts.level, charts.spread
    assert level.upper and level.lower and spread.upper and process.indices.both is not None
    return {
        "xbarbar": level.centre,
        "Rbar": spread.centre,
        "UCL_x": level.upper[0],
        "LCL_x": level.lower[0],
        "UCL_R": spread.upper[0],
        "sigma_hat": level.sigma,
        "Cp": process.indices.both,
        "ppm": 1e6 * process.indices.share_outside,
    }


@computes("montgomery_one_sided")
def one_sided(case: Case) -> dict[str, float]:
    found = capability_indices(case.inputs["mean"], case.inputs["s"], (case.inputs["LSL"], None))
    return {"Cpl": found.worst, "ppm_below": 1e6 * found.share_below}
