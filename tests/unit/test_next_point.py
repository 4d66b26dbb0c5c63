"""Which shim to read next: what it would bring, in which order, and when to stop."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from labkit.curves import Points, fit
from labkit.curves.next_point import rank_next

U_SHIM, U_READING = 0.0005, 2.0


def signal_of(x):
    return 3e4 * (1 + x / 1.8) ** -5


def curve_on(*x, u_x=U_SHIM):
    x = np.array(x)
    return fit(x, signal_of(x), "flexible", ux=u_x or None, uy=U_READING)


def with_point(curve, x, u_x=U_SHIM):
    V_x, V_y = curve.points.V_x, curve.points.V_y
    return Points(
        np.append(curve.points.x, x),
        np.append(curve.points.y, curve.value(np.array([x]))),
        np.diag([*np.diag(V_x), u_x**2]),
        np.diag([*np.diag(V_y), U_READING**2]),
    )


def expanded(curve, x):
    with np.errstate(all="ignore"):
        return 2 * curve.standard_uncertainty(x) / np.abs(curve.slope(x))


def ranked(curve, candidates, *, target=None, working=(0.3, 2.4), u_x=U_SHIM):
    at_hand = [(f"S-{x:g}", x, partial(with_point, curve, x, u_x)) for x in candidates]
    return rank_next(curve, at_hand, working, expanded, target, 5)


CANDIDATES = (0.4, 0.8, 1.4, 2.2, 5.0)


@pytest.mark.parametrize("at", [0.1, 0.35, 0.9, 1.7, 2.39, 4.0])
def test_at_fixed_smoothness_a_point_more_never_raises_the_variance(at):
    """Of each pair of amplitude and length; their mixture may widen by as much as they then disagree."""
    curve = curve_on(0.3, 0.6, 1.1, 1.8, 2.4, u_x=0.0)
    after = curve.with_points(with_point(curve, at, 0.0))
    grid = np.linspace(0.1, 4.0, 200)
    assert np.array_equal(after.components.weight, curve.components.weight)
    near = np.argmin(np.abs(grid - at))
    for g in range(len(curve.components.weight)):
        then, now = after._only(g)._spread(grid), curve._only(g)._spread(grid)
        assert np.all(then <= now * (1 + 1e-5))
        assert then[near] < 0.999 * now[near]


def test_the_points_as_they_are_change_nothing():
    curve = curve_on(0.3, 0.6, 1.1, 1.8, 2.4)
    grid = np.linspace(0.3, 2.4, 30)
    again = curve.with_points(curve.points)
    assert again.value(grid) == pytest.approx(curve.value(grid), rel=1e-4)
    assert again.standard_uncertainty(grid) == pytest.approx(curve.standard_uncertainty(grid), rel=0.02)


def test_the_shim_in_the_widest_gap_wins_with_its_reason():
    found = ranked(curve_on(0.3, 0.5, 0.7, 2.2, 2.4), (0.4, 0.6, 1.45, 2.3))
    assert found.stop == "go on"
    assert found.best.x_mm == 1.45
    assert found.best.reason.code == "next.widest_gap"
    assert found.best.reason.params == {"low_mm": 0.7, "high_mm": 2.2}
    assert found.best.readings == 5
    assert [each.after for each in found.ranking] == sorted(each.after for each in found.ranking)
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
        5.0: "next.outside",
    }


def test_an_uncertain_shim_is_worth_less_than_a_certain_one_beside_it():
    curve = curve_on(0.3, 0.6, 2.0, 2.4)
    good = ranked(curve, (1.2,)).best
    poor = ranked(curve, (1.2,), u_x=0.01).ranking[0]
    assert good.after < poor.after <= poor.before


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
