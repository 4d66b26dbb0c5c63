"""JCGM 100:2008, annex H.5: components of variance of a voltage standard over days."""

from __future__ import annotations

import numpy as np

from labkit.metrology import one_way_from_summaries
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("H5_anova")
def voltage_over_days(case: Case) -> dict[str, float]:
    """In microvolts, from the mean and the standard deviation of each day."""
    K = case.inputs["K_per_day"]
    found = one_way_from_summaries(1e6 * case.array("day_mean_V"), case.array("within_day_s_uV"), K)
    assert found.F is not None and found.u_mean_random is not None
    return {
        "grand_mean_V": 1e-6 * found.mean,
        "s_of_day_means_uV": found.sd_of_group_means,
        "s_grand_mean_uV": found.u_mean_random,
        "s_within_uV": found.sd_within,
        "s_within_mean_uV": found.sd_within / np.sqrt(K),
        "F": found.F,
        "s_a_uV (K*between)": np.sqrt(found.ms_between),
        "s_B_uV": found.sd_between,
        "F_crit_95_9_40": found.critical_F(0.95),
        "F_crit_975_9_40": found.critical_F(0.975),
    }
