"""Which shim to read next: what it would bring, in which order, and when to stop."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from scipy.linalg import block_diag

from labkit.curves import Points, fit
from labkit.curves.foretell import prospect
from labkit.curves.next_point import ALIKE, MOST_REPEATS, rank_next
from labkit.curves.offers import Offer
from tests.held_curve import only, with_points

U_SHIM, U_READING = 0.0005, 2.0


def signal_of(x):
    return 3e4 * (1 + x / 1.8) ** -5


def curve_on(*x, u_x=U_SHIM):
    x = np.array(x)
    return fit(x, signal_of(x), "flexible", ux=u_x or None, uy=U_READING)


def with_point(curve, x, u_x=U_SHIM, V_y=U_READING**2):
    x = np.atleast_1d(x)
    return Points(
        np.append(curve.points.x, x),
        np.append(curve.points.y, curve.value(x)),
        block_diag(curve.points.V_x, np.eye(len(x)) * u_x**2),
        block_diag(curve.points.V_y, np.eye(len(x)) * V_y),
    )


def expanded(curve, x, reading_mm=0.0):
    with np.errstate(all="ignore"):
        u = np.hypot(curve.standard_uncertainty(x) / np.abs(curve.slope(x)), reading_mm)
    return 2 * u, np.full(x.shape, 2.0)


def V_mean(n):
    """Of shims that are read five times."""
    return U_READING**2 * 5 / n


def ranked(curve, candidates, *, target=None, working=(0.3, 2.4), u_x=U_SHIM, spread=None, again=(), reading_mm=0.0):
    """New shims, and repeats of the points with these places."""
    x = np.array([*candidates, *curve.points.x[list(again)]])
    points = with_point(curve, x, u_x)
    m = len(curve.points.x)
    for j, i in enumerate(again, m + len(candidates)):
        points.V_x[j, :], points.V_x[:, j] = points.V_x[i, :], points.V_x[:, i]
        points.V_x[j, j] = points.V_x[i, i]
    offers = [Offer(f"S-{each:g}", each, V_mean, spread_mm=(spread or {}).get(each)) for each in candidates]
    offers += [Offer(f"R-{i}", float(curve.points.x[i]), V_mean, again=True) for i in again]
    return rank_next(curve, offers, points, working, partial(expanded, curve, reading_mm=reading_mm), target, 5)


CANDIDATES = (0.4, 0.8, 1.4, 2.2, 5.0)


@pytest.mark.parametrize("at", [0.1, 0.35, 0.9, 1.7, 2.39, 4.0])
def test_at_fixed_smoothness_a_point_more_never_raises_the_variance(at):
    """Of each pair of amplitude and length; their mixture may widen by as much as they then disagree."""
    curve = curve_on(0.3, 0.6, 1.1, 1.8, 2.4, u_x=0.0)
    after = with_points(curve, with_point(curve, at, 0.0))
    grid = np.linspace(0.1, 4.0, 200)
    assert np.array_equal(after.components.weight, curve.components.weight)
    near = np.argmin(np.abs(grid - at))
    for g in range(len(curve.components.weight)):
        then, now = only(after, g)._spread(grid), only(curve, g)._spread(grid)
        assert np.all(then <= now * (1 + 1e-5))
        assert then[near] < 0.999 * now[near]


def one_of(curve):
    """The curve with the one pair of amplitude and length that carries most weight."""
    return only(curve, int(np.argmax(curve.components.weight)))


@pytest.mark.parametrize("at", [[0.9], [0.4, 1.5], [2.4, 3.0]])
def test_what_points_would_tell_is_what_the_variance_loses_once_they_are_there(at):
    """For one pair of amplitude and length a bordered update is exact, but for the last bits of the slopes."""
    curve = one_of(curve_on(0.3, 0.6, 1.1, 1.8, 2.4))
    points = with_point(curve, np.array(at))
    grid = np.linspace(0.3, 3.0, 40)
    lost = prospect(curve, points, grid).variance_lost(range(len(at)))
    now, then = (c._spread(grid) ** 2 for c in (curve, with_points(curve, points)))
    per_mm = curve.slope(grid) / curve.value(grid)
    assert now - lost * per_mm**2 == pytest.approx(then, rel=1e-3)


@pytest.mark.parametrize("n", [1, 3, 20])
def test_a_repeat_is_a_smaller_variance_of_its_point_and_nothing_else(n):
    """The shim and its error stay the same; twice the readings do not make it another shim."""
    curve = one_of(curve_on(0.3, 0.6, 1.1, 1.8, 2.4, u_x=0.002))
    i = 3
    points = with_point(curve, curve.points.x[i], 0.0, 5 * U_READING**2 / n)
    points.V_x[-1, :-1] = points.V_x[:-1, -1] = points.V_x[i, :-1]
    points.V_x[-1, -1] = points.V_x[i, i]
    again = curve.points.V_y.copy()
    again[i, i] *= 5 / (5 + n)
    then = with_points(curve, Points(curve.points.x, curve.points.y, curve.points.V_x, again))
    grid = np.linspace(0.3, 2.4, 40)
    lost = prospect(curve, points, grid).variance_lost([0])
    per_mm = curve.slope(grid) / curve.value(grid)
    assert curve._spread(grid) ** 2 - lost * per_mm**2 == pytest.approx(then._spread(grid) ** 2, rel=1e-3)
    assert np.all(lost * per_mm**2 < curve._spread(grid) ** 2)


def test_points_that_would_be_read_never_raise_the_variance():
    curve = curve_on(0.3, 0.6, 1.1, 1.8, 2.4)
    grid = np.linspace(0.1, 4.0, 100)
    x = np.linspace(0.1, 4.0, 30)
    outlook = prospect(curve, with_point(curve, x), grid)
    single = np.array([outlook.variance_lost([i]) for i in range(len(x))])
    assert np.all(single >= 0)
    assert np.all(outlook.variance_lost(range(len(x))) >= single.max(axis=0) * (1 - 1e-9))
    assert np.all(outlook.variance_lost([3], 1e3) <= single[3])


def test_the_points_as_they_are_change_nothing():
    curve = curve_on(0.3, 0.6, 1.1, 1.8, 2.4)
    grid = np.linspace(0.3, 2.4, 30)
    again = with_points(curve, curve.points)
    assert again.value(grid) == pytest.approx(curve.value(grid), rel=1e-4)
    assert again.standard_uncertainty(grid) == pytest.approx(curve.standard_uncertainty(grid), rel=0.02)


def test_the_shim_in_the_widest_gap_wins_with_its_reason():
    found = ranked(curve_on(0.3, 0.5, 0.7, 2.2, 2.4), (0.4, 0.6, 1.45, 2.3))
    assert found.stop == "go on"
    assert found.best.x_mm == 1.45
    assert found.best.reason.code == "next.widest_gap"
    assert found.best.reason.params == {"low_mm": 0.7, "high_mm": 2.2}
    assert found.best.readings == 5
    gain = [each.before - each.after for each in found.ranking]
    assert all(b <= a / ALIKE or a < 0.01 * found.best.before for a, b in pairwise(gain))
    assert all(each.U_after_mm <= each.U_before_mm * (1 + 1e-6) for each in found.ranking)
    assert found.reason.code == "next.read"
    assert found.reason.params["after_mm"] == found.best.U_after_mm


def test_each_place_has_its_reason():
    found = ranked(curve_on(0.5, 0.8, 1.6, 2.0), (0.35, 0.6, 1.2, 1.8, 2.2, 5.0))
    assert {each.x_mm: each.reason.code for each in found.ranking} == {
        0.35: "next.end",
        0.6: "next.second_gap",  # narrower than the next, but in the scale of a falling signal wider
        1.2: "next.widest_gap",
        1.8: "next.gap",
        2.2: "next.end",
        5.0: "next.end",  # beyond the working range, whose end no point reaches yet
    }


def test_an_end_shim_that_spans_the_working_range_is_advised_for_that_reason():
    """It lies a little outside, as the one that spans a range usually does."""
    found = ranked(curve_on(0.5, 0.8, 1.2, 1.7), (0.28, 1.0, 2.45), working=(0.3, 2.4))
    assert found.best.x_mm in (0.28, 2.45)
    assert {each.x_mm: each.reason.code for each in found.ranking} == {
        0.28: "next.end",
        1.0: "next.second_gap",
        2.45: "next.end",
    }


def test_where_the_points_span_the_working_range_a_shim_beyond_it_is_outside():
    found = ranked(curve_on(0.302, 0.8, 1.6, 2.39), (0.2, 0.301, 2.395, 5.0), working=(0.3, 2.4))
    assert {each.x_mm: each.reason.code for each in found.ranking} == {
        0.2: "next.outside",
        0.301: "next.towards_end",  # the range is spanned but for less than a hundredth
        2.395: "next.towards_end",
        5.0: "next.outside",
    }


def test_an_uncertain_shim_is_worth_less_than_a_certain_one_beside_it():
    curve = curve_on(0.3, 0.6, 2.0, 2.4)
    good = ranked(curve, (1.2,)).best
    poor = ranked(curve, (1.2,), u_x=0.01).ranking[0]
    assert good.after < poor.after <= poor.before


def test_of_shims_that_are_alike_the_one_where_the_formulas_disagree_comes_first():
    curve = curve_on(0.3, 0.5, 0.7, 2.2, 2.4)
    near = (1.44, 1.45)
    plain = ranked(curve, near).best.x_mm
    other = near[1 - near.index(plain)]
    told = ranked(curve, near, spread={plain: 0.0, other: 0.5})
    assert told.best.x_mm == other
    assert told.best.spread_mm == 0.5
    assert ranked(curve, near, spread={plain: 0.0, other: 1e-9}).best.x_mm == plain
    far = ranked(curve, (0.6, 1.45), spread={0.6: 0.5, 1.45: 0.0})
    assert far.best.x_mm == 1.45


def test_last_the_mean_decides():
    found = ranked(curve_on(0.3, 0.5, 0.7, 2.2, 2.4), (1.44, 1.45, 1.46))
    assert min(each.before - each.after for each in found.ranking) > ALIKE * (found.best.before - found.best.after)
    mean = [each.mean_after for each in found.ranking]
    assert mean == sorted(mean)
    assert mean[0] < found.best.mean_before


def test_a_looser_target_at_the_thick_end_turns_attention_away_from_it():
    curve = curve_on(0.3, 0.6, 1.0, 2.6, 5.0)
    working = (0.3, 5.0)
    assert ranked(curve, (0.45, 3.8), working=working).best.x_mm == 3.8
    steep = ranked(curve, (0.45, 3.8), working=working, target=lambda x: 1e-4 * (x / 0.3) ** 6)
    assert steep.ranking[0].x_mm == 0.45
    level = ranked(curve, (0.45, 3.8), working=working, target=1e-4)
    assert level.best.x_mm == 3.8
    assert level.best.before == pytest.approx(level.best.U_before_mm / 1e-4)


# ---- more repeats ----


def rough():
    """A curve whose U comes from few readings, not from what lies between its points."""
    x = np.linspace(0.3, 2.4, 14)
    return fit(x, signal_of(x), "flexible", ux=1e-5, uy=np.where(x > 2.3, 40.0, 2.0))


def test_repeats_stand_beside_new_shims_where_they_are_worth_their_readings():
    curve = rough()
    found = ranked(curve, (0.4,), u_x=1e-5, again=(0, 13))
    assert [(each.name, each.again) for each in found.ranking] == [("R-13", True), ("S-0.4", False)]
    assert found.best.reason.code == "next.again"
    assert found.reason.code == "next.read_again"
    assert found.new == found.ranking[1:]
    assert found.best.U_gain_per_reading_mm == pytest.approx((found.best.U_before_mm - found.best.U_after_mm) / 5)


def test_so_many_repeats_buy_as_much_as_the_best_new_shim():
    curve = rough()
    found = ranked(curve, (2.39,), u_x=1e-5, again=(0, 13))
    assert found.repeats.code == "next.repeats_as_good"
    count = found.repeats.params["readings"]
    assert found.repeats.params["shim"] == "R-13"
    wanted = found.new[0].after
    points = with_point(curve, curve.points.x[13], 1e-5)
    points.V_x[-1, 13] = points.V_x[13, -1] = 1e-10
    grid = np.linspace(0.3, 2.4, 61)
    U, k = expanded(curve, grid)

    def largest(n):
        lost = prospect(curve, points, grid).variance_lost([0], V_mean(n) - U_READING**2)
        return np.sqrt(U**2 - k**2 * lost).max()

    assert largest(count) <= wanted < largest(count - 1)


def test_where_the_gap_is_wide_no_repeats_are_as_good():
    found = ranked(curve_on(0.3, 0.5, 0.7, 2.2, 2.4), (1.45,), again=range(5))
    assert found.repeats.code == "next.no_repeats_as_good"
    assert found.repeats.params == {"new": "S-1.45", "most": MOST_REPEATS}


def test_repeats_that_reach_the_target_are_advised_though_they_bring_little():
    curve = rough()
    U_now = expanded(curve, np.linspace(0.3, 2.4, 61))[0].max()
    found = ranked(curve, (0.4,), u_x=1e-5, again=(13,), target=U_now * 0.97)
    assert (found.stop, found.best.name) == ("go on", "R-13")
    assert found.best.after <= 1.0


def test_out_of_reach_says_what_many_more_repeats_would_do():
    curve = curve_on(*np.linspace(0.3, 2.4, 25))
    U_now = expanded(curve, np.linspace(0.3, 2.4, 61), 0.002)[0].max()
    found = ranked(curve, (1.0,), again=(0, 24), target=U_now * 0.93, reading_mm=0.002)
    assert (found.stop, found.reason.code, found.best) == ("no longer helps", "next.out_of_reach_repeats", None)
    assert found.reason.params["shim"] == "R-24"
    assert 5 < found.reason.params["readings"] <= MOST_REPEATS
    hopeless = ranked(curve, (1.0,), again=(0, 24), target=U_now * 0.5, reading_mm=0.002)
    assert (hopeless.stop, hopeless.reason.code) == ("no longer helps", "next.out_of_reach")


def test_readings_that_tell_nothing_more_are_not_advised():
    curve = rough()
    offer = Offer("R-13", 2.4, lambda n: np.inf, again=True)
    points = with_point(curve, 2.4, 1e-5)
    found = rank_next(curve, [offer], points, (0.3, 2.4), partial(expanded, curve), 1e-5, 5)
    assert (found.stop, found.ranking, found.repeats) == ("nothing at hand", (), None)


def test_outcome_target_reached():
    found = ranked(curve_on(0.3, 0.8, 1.4, 2.0, 2.4), CANDIDATES, target=0.05)
    assert (found.stop, found.reason.code, found.best) == ("target reached", "next.target_reached", None)
    assert len(found.ranking) == len(CANDIDATES)


def test_outcome_go_on_where_one_more_reaches_the_target():
    curve = curve_on(0.3, 0.5, 0.7, 2.2, 2.4)
    best = ranked(curve, (1.45,)).best
    target = (best.U_before_mm + best.U_after_mm) / 2
    found = ranked(curve, (1.45,), target=target)
    assert found.stop == "go on"
    assert found.best.before == pytest.approx(best.U_before_mm / target)
    assert found.best.after < 1 < found.best.before


def test_outcome_not_reachable_still_names_the_best():
    found = ranked(curve_on(0.3, 0.5, 0.7, 2.2, 2.4), (1.45,), target=1e-5)
    assert (found.stop, found.reason.code) == ("not reachable", "next.read_not_enough")
    assert found.best.x_mm == 1.45


def test_outcome_no_longer_helps():
    many = curve_on(*np.linspace(0.3, 2.4, 25))
    assert ranked(many, (1.0,)).stop == "no longer helps"
    assert ranked(many, (1.0,)).reason.code == "next.no_longer_helps"
    short = ranked(many, (1.0,), target=1e-5)
    assert (short.stop, short.reason.code, short.best) == ("no longer helps", "next.out_of_reach", None)


def test_outcome_nothing_at_hand():
    found = ranked(curve_on(0.3, 0.8, 2.4), ())
    assert (found.stop, found.reason.code, found.best, found.ranking) == (
        "nothing at hand",
        "next.nothing_at_hand",
        None,
        (),
    )


def test_a_working_range_far_beyond_the_points_has_a_number_and_wants_its_end():
    curve = curve_on(0.3, 0.6, 1.1, 1.8, 2.4)
    assert ranked(curve, (1.4, 4.0), working=(0.3, 4.0)).best.x_mm == 4.0
    far = ranked(curve, (1.4, 4.0), working=(0.3, 400.0))
    assert all(np.isfinite(each.U_before_mm) and each.U_before_mm <= 400 for each in far.ranking)


def test_a_ranking_can_be_written_as_data():
    data = ranked(curve_on(0.3, 0.5, 0.7, 2.2, 2.4), (1.45,)).to_dict()
    assert data["stop"] == "go on"
    assert data["ranking"][0]["reason"]["code"] == "next.widest_gap"
