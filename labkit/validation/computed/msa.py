"""AIAG, Measurement Systems Analysis: gauge studies, bias and linearity."""

from __future__ import annotations

from collections.abc import Hashable

from labkit.metrology import average_and_range, gauge_study, linearity, one_way, subgroup_charts
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("aiag_10x3x3")
def appraisers(case: Case) -> dict[str, float]:
    """By analysis of variance and by averages and ranges."""
    rows = [
        (value, part, who)
        for who, trials in case.inputs["by_appraiser_trial_part"].items()
        for trial in trials
        for part, value in enumerate(trial)
    ]
    values, parts, operators = zip(*rows, strict=True)
    study = gauge_study(values, parts, operators)
    ranges = average_and_range(values, parts, operators)
    found = {
        "SS_appraiser": study.row("operator").ss,
        "SS_part": study.row("part").ss,
        "SS_interaction": study.row("interaction").ss,
        "SS_equipment": study.row("equipment").ss,
        "F_interaction": _known(study.row("interaction").F),
        "ndc": _known(study.distinct_categories),
        "range_Rbarbar": subgroup_charts(list(_gathered(rows, 1, 2).values())).spread.centre,
        "range_pct_GRR": 100 * _known(ranges.components["gauge"].of_total),
        "range_ndc": _known(ranges.distinct_categories),
    }
    means = one_way(list(_gathered(rows, 2).values())).group_means
    found["range_Xdiff"] = max(means) - min(means)
    names = {"EV": "repeatability", "AV": "reproducibility", "GRR": "gauge", "PV": "part", "TV": "total"}
    for short, name in names.items():
        found[short] = study.components[name].sd
        found[f"range_{short}"] = ranges.components[name].sd
        if short != "TV":
            found[f"pct_{short}"] = 100 * _known(study.components[name].of_total)
    return found


@computes("qualitytools_3x10x2")
def three_operators(case: Case) -> dict[str, float]:
    rows = [
        (value, part, who)
        for who, parts in enumerate(case.inputs["by_operator_part_repeat"])
        for part, repeats in enumerate(parts)
        for value in repeats
    ]
    study = gauge_study(*zip(*rows, strict=True))
    part_of = study.components
    return {
        "SS_operator": study.row("operator").ss,
        "SS_part": study.row("part").ss,
        "SS_interaction": study.row("interaction").ss,
        "SS_residual": study.row("equipment").ss,
        "F_interaction": _known(study.row("interaction").F),
        "p_interaction": _known(study.row("interaction").p),
        "var_repeatability": part_of["repeatability"].variance,
        "var_reproducibility": part_of["reproducibility"].variance,
        "var_part": part_of["part"].variance,
        "var_totalRR": part_of["gauge"].variance,
        "sd_totalRR": part_of["gauge"].sd,
        "var_total": part_of["total"].variance,
    }


@computes("linearity_bias_5x12")
def bias_and_linearity(case: Case) -> dict[str, float]:
    pairs = [
        (reading, float(reference))
        for reference, readings in case.inputs["readings_by_reference"].items()
        for reading in readings
    ]
    found = linearity(*zip(*pairs, strict=True))
    return {
        "slope": found.slope,
        "intercept": found.intercept,
        "s": found.residual_sd,
        "R2": _known(found.r_squared),
        # printed without its sign
        "t_slope": abs(_known(found.t_slope)),
        "t_intercept": _known(found.t_intercept),
        "t_crit_58": found.t_critical,
    } | {f"mean_bias_ref{each.reference:g}": each.value for each in found.biases}


def _gathered(rows: list[tuple[float, int, str]], *by: int) -> dict[Hashable, list[float]]:
    """Values by the columns of these places."""
    found: dict[Hashable, list[float]] = {}
    for row in rows:
        found.setdefault(tuple(row[place] for place in by), []).append(row[0])
    return found


def _known(value: float | None) -> float:
    assert value is not None
    return value
