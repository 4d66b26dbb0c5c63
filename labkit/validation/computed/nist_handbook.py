"""NIST/SEMATECH e-Handbook of Statistical Methods: check standards, gauge studies, charts and capability."""

from __future__ import annotations

from labkit.metrology import (
    capability_indices,
    check_standard,
    ewma,
    gauge_differences,
    individuals_chart,
    linear_check_chart,
    stability_study,
)
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("capability_6_1_6")
def capability(case: Case) -> dict[str, float]:
    given = case.inputs
    found = capability_indices(given["mean"], given["s"], (given["LSL"], given["USL"]))
    assert found.both is not None and found.lower is not None and found.upper is not None
    assert found.off_centre is not None
    return {
        "Cp": found.both,
        "Cpu": found.upper,
        "Cpl": found.lower,
        "Cpk": found.worst,
        "k_offcentre": found.off_centre,
        "Cpk_from_k": (1 - found.off_centre) * found.both,
    }


@computes("check_standard_137")
def check_standard_137(case: Case) -> dict[str, float]:
    found = check_standard(case.array("value"), case.array("short_term_sd"), case.array("dof"))
    return {
        "mean": found.mean,
        "level1_pooled_sd": found.level_1.sd,
        "level1_dof": found.level_1.dof,
        "level2_sd": found.level_2.sd,
        "level2_dof": found.level_2.dof,
    }


@computes("ewma_6_3_2_4")
def moving_average(case: Case) -> dict[str, float]:
    given = case.inputs
    chart = ewma(case.array("x"), start=given["start"], sigma=given["s"], weight=given["lambda"], k=given["k"])
    assert chart.upper and chart.lower
    found = {f"EWMA_{i}": point for i, point in enumerate(chart.points, start=1)}
    return found | {"UCL": chart.upper[-1], "LCL": chart.lower[-1]}


@computes("gauge_bias_probes")
def differences_between_probes(case: Case) -> dict[str, float]:
    probes, wafers = case.inputs["probe"], case.inputs["wafer"]
    rows = [
        (mean, probe, wafer)
        for probe, means in zip(probes, case.inputs["means"], strict=True)
        for wafer, mean in zip(wafers, means, strict=True)
    ]
    found = gauge_differences(*zip(*rows, strict=True))
    values = {}
    for i, probe in enumerate(probes, start=1):
        values[f"probe{i}_mean"] = found.mean(probe)
        for wafer, difference in zip(found.artefacts, found.differences[probe], strict=True):
            values[f"probe{i}_wafer{wafer}"] = difference
    return values


@computes("gauge_study_resistivity")
def stability_of_probes(case: Case) -> dict[str, float]:
    """Five probes: repeats, days and runs."""
    values = {}
    for probe in dict.fromkeys(case.inputs["probe"]):
        mine = [i for i, each in enumerate(case.inputs["probe"]) if each == probe]
        wafers, runs = ([case.inputs[name][i] for i in mine] for name in ("wafer", "run"))
        found = stability_study(case.array("mean")[mine], case.array("sd")[mine], case.inputs["dof"], wafers, runs)
        for run in found.level_1:
            values[f"probe{probe}_run{run}_level1_pooled"] = found.level_1[run].sd
            values[f"probe{probe}_run{run}_level2_pooled"] = found.level_2[run].sd
        assert found.level_3 is not None
        values[f"probe{probe}_level3"] = found.level_3.sd
    return values


@computes("individuals_flowrate")
def flow_rate(case: Case) -> dict[str, float]:
    charts = individuals_chart(case.array("x"))
    assert charts.level.upper and charts.level.lower
    return {
        "mean": charts.level.centre,
        "MR_bar": charts.spread.centre,
        "UCL": charts.level.upper[0],
        "LCL": charts.level.lower[0],
    }


@computes("linewidth_check_control_chart")
def line_width(case: Case) -> dict[str, float]:
    given = case.inputs
    line = {name: given[name] for name in ("intercept", "slope", "residual_sd", "dof", "together", "level")}
    chart = linear_check_chart(case.array("reading"), case.array("reference"), **line)
    assert chart.upper
    places = zip(given["day"], given["position"], chart.points, strict=True)
    return (
        {f"W_day{day}_{position}": point for day, position, point in places}
        | {f"out_of_control_{i}": float(row) for i, row in enumerate(chart.beyond, start=1)}
        | {
            "rows_out_of_control": float(len(chart.beyond)),
            "limit": chart.upper[0],
            "t_star": chart.upper[0] / chart.sigma,
        }
    )
