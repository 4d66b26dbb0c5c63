"""The spread of repeats along the thickness, and readings that stand apart."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.metrology import fit_variance, stragglers
from labkit.metrology.repeatability import CURVATURE_PRIOR, _without_each, stated_variance
from labkit.problems import BadInput

X = np.array([0.3, 0.5, 0.8, 1.2, 1.7, 2.4])


def drawn(rng, sd, n, step=0.0):
    y = sd[:, None] * rng.standard_normal((len(sd), n))
    return np.round(y / step) * step if step else y


def test_a_trend_in_the_spread_is_found():
    sd = np.exp(np.linspace(np.log(1.0), np.log(4.0), 6))  # straight in nothing that the fit knows
    s2 = drawn(np.random.default_rng(1), sd, 200).var(axis=1, ddof=1)
    found = fit_variance(X, s2, np.full(6, 199), 0.0)
    assert found.sd(X) == pytest.approx(sd, rel=0.25)
    assert found.sd(X[-1]) / found.sd(X[0]) == pytest.approx(4.0, rel=0.15)
    assert found.dof == 6 * 199


def test_few_repeats_of_constant_spread_are_pooled():
    """Over many sets: the mean of σ̂² is right at both ends, and varies far less than that of one shim."""
    rng = np.random.default_rng(2)
    fits = [fit_variance(X, drawn(rng, np.ones(6), 5).var(axis=1, ddof=1), np.full(6, 4), 0.0) for _ in range(300)]
    ends = np.array([each.variance(X[[0, -1]]) for each in fits])
    assert np.median(ends, axis=0) == pytest.approx([1.2, 1.2], abs=0.15)  # it leans a little to a hollow spread
    assert np.std(np.log(ends[:, 0])) < 0.8 * np.std(np.log(rng.chisquare(4, 5000) / 4))


def test_it_is_the_maximum_of_the_gamma_likelihood():
    s2 = np.array([1.0, 0.5, 2.0, 1.5, 4.0, 3.0])
    dof = np.array([4, 4, 2, 4, 9, 4])
    found = fit_variance(X, s2, dof, 0.3)

    def cost(theta):
        t = np.log((0.3 + X) / 0.6) / np.log(2.7 / 0.6) - 0.5
        variance = np.exp(theta[0] + theta[1] * t + theta[2] * (t**2 - 1 / 12)) + 0.3**2 / 12
        prior = 0.5 * (theta[1] / 3.0) ** 2 + 0.5 * ((theta[2] - CURVATURE_PRIOR[0]) / CURVATURE_PRIOR[1]) ** 2
        return np.sum(dof / 2 * (np.log(variance) + s2 / variance)) + prior

    best = cost(found.theta)
    for step in np.vstack([np.eye(3), -np.eye(3)]):
        assert cost(found.theta + 0.01 * step) >= best


def test_a_spread_that_falls_steeply_is_the_same_in_every_unit():
    """Newton's steps leave the bounds at first: the way around them must end at the same place, to the same digits."""
    x = np.array([0.4058, 0.6221, 0.9866, 1.5707, 2.451, 3.773])
    s2 = np.array([40.6, 26.9, 0.209, 0.177, 2.71e-3, 1.47e-4])
    one = fit_variance(x, s2, np.full(6, 3), 0.01)
    other = fit_variance(x, s2 * 1e-8, np.full(6, 3), 0.01e-4)
    assert one.theta[1] < -9
    assert other.theta - one.theta == pytest.approx([np.log(1e-8), 0.0, 0.0], abs=1e-7)


def test_a_spread_that_rounding_hides_is_the_same_in_every_unit():
    """The level of what is left besides rounding stands at its bound."""
    s2 = np.array([0.0, 0.3, 0.0, 0.0, 0.3, 0.3])
    one, other = (fit_variance(X, s2 * f**2, np.full(6, 2), 3.0 * f) for f in (1.0, 1e-4))
    assert other.sd(X) * 1e4 == pytest.approx(one.sd(X), rel=1e-12)
    assert other.theta - one.theta == pytest.approx([np.log(1e-8), 0.0, 0.0], abs=1e-9)


def test_where_it_is_known_best_it_has_most_degrees_of_freedom():
    found = fit_variance(X, [1.0, 0.5, 2.0, 1.5, 4.0, 3.0], np.full(6, 4), 0.0)
    assert np.all(found.dof_at(X[[0, -1]]) < found.dof_at(1.0))
    assert np.all(found.dof_at(X) < found.dof)
    alone = found.dof_of_sum(X, np.eye(6))
    assert alone == pytest.approx(found.dof_at(X))
    together = found.dof_of_sum(X, np.ones((1, 6)))
    assert together[0] > alone.max()


def test_the_degrees_of_freedom_are_those_of_the_estimates():
    """Over many sets: 2/var(ln σ̂²) at an end is about what each set says of itself."""
    rng = np.random.default_rng(5)
    sd = np.exp(0.5 * (X - 1.0) ** 2)
    fits = [fit_variance(X, drawn(rng, sd, 5).var(axis=1, ddof=1), np.full(6, 4), 0.0) for _ in range(400)]
    spread = np.var([np.log(each.variance(X)) for each in fits], axis=0)
    said = np.mean([2 / each.dof_at(X) for each in fits], axis=0)
    assert np.all(spread < 1.15 * said)
    assert np.all(spread > 0.5 * said)


def test_zeros_are_evidence_and_the_display_step_is_the_floor():
    found = fit_variance(X, np.zeros(6), np.full(6, 4), 0.001)
    assert found.variance(X) == pytest.approx(np.full(6, 0.001**2 / 12), rel=0.001)
    some = fit_variance(X, [0, 0, 0, 1e-6, 0, 1e-6], np.full(6, 4), 0.001)
    assert np.all(some.variance(X[:-1]) < 1e-6)
    assert np.all(some.variance(X) > 0.001**2 / 12)


def test_rounded_readings_give_back_their_spread():
    sd = np.full(6, 0.0006)
    s2 = drawn(np.random.default_rng(3), sd, 400, 0.001).var(axis=1, ddof=1)
    found = fit_variance(X, s2, np.full(6, 399), 0.001)
    assert found.sd(X) == pytest.approx(np.full(6, np.hypot(0.0006, 0.001 / np.sqrt(12))), rel=0.05)


def test_the_mean_of_many_readings_keeps_the_resolution():
    found = fit_variance(X, np.full(6, 0.0004**2), np.full(6, 4), 0.001)
    assert found.variance_of_mean(1.0, 1) == pytest.approx(found.variance(1.0))
    assert found.variance_of_mean(1.0, 2) == pytest.approx(max(found.variance(1.0) / 2, 0.001**2 / 12))
    assert found.variance_of_mean(1.0, 1000) == pytest.approx(0.001**2 / 12)


def test_beyond_the_shims_the_spread_stays_as_at_the_end():
    found = fit_variance(X, [1, 1, 2, 4, 6, 9], np.full(6, 30), 0.0)
    assert found.variance(9.0) == found.variance(2.4)
    assert found.variance(0.0) == found.variance(0.3)


def test_one_group_has_no_trend():
    found = fit_variance([0.5], [4.0], [4], 0.0)
    assert found.variance([0.1, 0.5, 2.0]) == pytest.approx([4.0, 4.0, 4.0], rel=0.02)


def test_groups_of_one_count_for_nothing():
    with_one = fit_variance(X, [1, 2, 1, 2, 1, 0], [4, 4, 4, 4, 4, 0], 0.0)
    without = fit_variance(X[:5], [1, 2, 1, 2, 1], np.full(5, 4), 0.0, (0.3, 2.4))
    assert with_one.variance(X) == pytest.approx(without.variance(X), rel=1e-4)
    with pytest.raises(BadInput) as caught:
        fit_variance([1.0], [0.0], [0], 0.001)
    assert caught.value.code == "points.no_repeats"


def test_a_stated_spread_is_taken_as_exactly_known():
    found = stated_variance(0.002, 0.3, 2.4, 0.001)
    assert found.sd([0.3, 5.0]) == pytest.approx([0.002, 0.002])
    assert np.isinf(found.dof)
    assert stated_variance(0.0, 0.3, 2.4, 0.001).sd(1.0) == pytest.approx(0.001 / np.sqrt(12))


# ---- stragglers ----

QUIET = [np.array([0.0, 0.1, -0.1, 0.05, -0.05]) + level for level in (5.0, 4.0, 3.0, 2.0)]
AT = (0.5, 1.0, 1.5, 2.0)


def test_a_reading_far_from_its_repeats_stands_apart():
    groups = [group.copy() for group in QUIET]
    groups[2][3] += 2.0
    (found,) = stragglers(AT, groups, 0.01)
    assert (found.group, found.index, found.value) == (2, 3, groups[2][3])
    assert found.median == np.median(groups[2])
    assert found.ratio > found.limit > 3


def test_quiet_readings_have_no_straggler():
    assert stragglers(AT, QUIET, 0.01) == ()


def test_by_chance_hardly_any_stands_apart():
    rng = np.random.default_rng(4)
    sets = [stragglers(AT, list(rng.standard_normal((4, 5))), 0.0001) for _ in range(300)]
    assert np.mean([len(found) > 0 for found in sets]) < 0.03


def test_one_display_step_never_stands_apart():
    groups = [np.full(5, level) for level in (5.0, 4.0, 3.0, 2.0)]
    groups[1] = groups[1] + np.array([0, 0, 0.01, 0, 0])
    assert stragglers(AT, groups, 0.01) == ()
    groups[1] = groups[1] + np.array([0, 0, 0.02, 0, 0])
    assert [(each.group, each.index) for each in stragglers(AT, groups, 0.01)] == [(1, 2)]


def test_a_group_that_scatters_as_a_whole_has_no_odd_one_out():
    groups = [group.copy() for group in QUIET]
    groups[1] = 4.0 + np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    assert [each for each in stragglers(AT, groups, 0.01) if each.group == 1] == []


def test_where_the_spread_grows_a_wide_reading_is_usual():
    rng = np.random.default_rng(5)
    x = np.linspace(0.3, 2.4, 8)
    sd = np.geomspace(0.1, 3.0, 8)
    groups = [s * rng.standard_normal(6) for s in sd]
    assert not [each for each in stragglers(x, groups, 0.001) if each.group >= 6]


@pytest.mark.parametrize(
    "groups",
    [
        [[1.0, 9.0], [2.0, 2.1, 2.0], [3.0, 3.1, 3.0]],  # of two, neither is the odd one
        [[1.0, 1.0, 9.0]],  # nothing to judge the spread by
        [[1.0, 1.0, 9.0], [2.0]],
    ],
)
def test_what_cannot_be_judged_is_left_alone(groups):
    assert [each for each in stragglers(range(1, len(groups) + 1), groups, 0.01) if each.group == 0] == []


@pytest.mark.parametrize("group", [[1.2, 1.3, 1.1, 5.0, 1.25], [7.1, 7.1, 7.1, 7.4], [30000.1, 30000.2, 30000.1]])
def test_the_spread_without_each_reading_is_that_of_the_others(group):
    others = [np.delete(group, i).var(ddof=1) for i in range(len(group))]
    assert _without_each(np.array(group)) == pytest.approx(others, rel=1e-9, abs=1e-12)
