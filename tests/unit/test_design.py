"""Which points to read before anything is read: exchange, optimal shares, and the plan for the flexible curve."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from labkit.curves import Family
from labkit.curves.design import best_set, exchange, linearised
from labkit.curves.plan import end_shims, plan_shims
from labkit.curves.shares import optimal
from labkit.problems import BadInput

BOX = (0.1, 0.25, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0)


def powers(degree):
    return lambda x: np.vander(x, degree + 1, increasing=True)


# ---- exchange ----


def variance(F, V):
    """Of the curve at all candidates, by generalised least squares written out."""
    return lambda s: np.diag(F @ np.linalg.inv(F[s].T @ np.linalg.inv(V[np.ix_(s, s)]) @ F[s]) @ F.T)


@pytest.mark.parametrize("criterion", ["D", "G", "I"])
@pytest.mark.parametrize("correlated", [False, True])
def test_exchange_finds_what_trying_every_set_finds(criterion, correlated):
    x = np.array(BOX[1:11])
    F = powers(2)(x)
    rng = np.random.default_rng(3)
    V = np.diag(rng.uniform(0.5, 4.0, len(x))) + (1.0 if correlated else 0.0)
    sets = [list(each) for each in combinations(range(len(x)), 5)]
    of = variance(F, V)

    def loss(s):
        if criterion == "D":
            return -np.linalg.slogdet(F[s].T @ np.linalg.inv(V[np.ix_(s, s)]) @ F[s])[1]
        return of(s).max() if criterion == "G" else of(s).mean()

    best = min(sets, key=loss)
    found = exchange(powers(2), x, 5, criterion, covariance=V)
    assert loss(list(found.chosen)) == pytest.approx(loss(best), rel=1e-9)
    assert found.x == pytest.approx(x[list(found.chosen)])
    assert found.largest_variance == pytest.approx(of(list(found.chosen)).max())
    assert found.mean_variance == pytest.approx(of(list(found.chosen)).mean())
    sign, log_det = np.linalg.slogdet(
        F[list(found.chosen)].T @ np.linalg.inv(V[np.ix_(found.chosen, found.chosen)]) @ F[list(found.chosen)]
    )
    assert (sign, log_det) == (1.0, pytest.approx(found.log_det))


def test_a_line_is_read_at_its_ends_as_often_as_may_be():
    found = exchange(powers(1), np.linspace(0, 1, 11), 6, "D", again=True)
    assert found.chosen == (0, 0, 0, 10, 10, 10)
    assert exchange(powers(1), np.linspace(0, 1, 11), 4, "D").chosen == (0, 1, 9, 10)


def test_what_is_kept_stays_and_a_beginning_can_be_given():
    x = np.linspace(0, 1, 11)
    found = exchange(powers(2), x, 4, kept=[3])
    assert 3 in found.chosen
    assert {0, 10} <= set(found.chosen)
    assert exchange(powers(2), x, 3, start=[1, 2, 3]).chosen == (0, 5, 10)


def test_an_uncertain_shim_is_not_chosen():
    x = np.linspace(0, 1, 11)
    V = np.eye(11)
    V[5, 5] = 100.0
    assert exchange(powers(2), x, 3, covariance=V).chosen in ((0, 4, 10), (0, 6, 10))


def test_the_same_seed_gives_the_same_design():
    x = np.array(BOX)
    assert exchange(powers(3), x, 6, "G", seed=4).chosen == exchange(powers(3), x, 6, "G", seed=4).chosen


@pytest.mark.parametrize(("k", "code"), [(2, "design.too_few"), (12, "design.too_many")])
def test_a_number_that_cannot_be_chosen_is_refused(k, code):
    with pytest.raises(BadInput) as caught:
        exchange(powers(2), np.linspace(0, 1, 11), k)
    assert caught.value.code == code


def test_candidates_that_cannot_tell_the_parameters_apart_are_refused():
    with pytest.raises(BadInput) as caught:
        exchange(powers(2), [0.5, 0.5, 1.0, 1.0], 3)
    assert caught.value.code == "design.singular"
    with pytest.raises(BadInput) as caught:
        optimal(lambda x: np.stack([x, 2 * x], axis=-1), (0.0, 1.0))
    assert caught.value.code == "design.singular"


def test_best_set_with_nothing_to_exchange_is_what_was_kept():
    assert best_set(lambda sets: np.zeros(len(sets)), 2, 2, kept=[0, 1]) == (0, 1)


# ---- optimal shares ----


def test_at_the_optimum_the_largest_variance_is_the_number_of_parameters():
    """Kiefer & Wolfowitz (1960); and at no other design. A basis whose optimum has no closed form."""

    def basis(x):
        return np.stack([np.ones_like(x), np.exp(-x), x], axis=-1)

    found = optimal(basis, (0.25, 3.0))
    assert found.largest_variance == pytest.approx(3.0, abs=1e-6)
    assert found.weights.sum() == pytest.approx(1.0)
    assert (found.x[0], found.x[-1]) == (0.25, 3.0)


def test_shares_depend_on_the_guess_that_a_family_is_linearised_at():
    decay = Family("decay", lambda x, a, L: a * np.exp(-x / L), lambda x, y: (1.0, 1.0), ("a", "L"))
    for L in (0.3, 0.8):
        found = optimal(linearised(decay, (5.0, L)), (0.2, 6.0))
        # its own optimum, by hand: the second point one decay length after the first
        assert found.x == pytest.approx([0.2, 0.2 + L], abs=1e-6)
        assert found.weights == pytest.approx([0.5, 0.5])


# ---- the plan ----


@pytest.mark.parametrize(
    ("working", "ends"),
    [((0.25, 2.0), (1, 12)), ((0.28, 2.2), (1, 13)), ((0.05, 9.0), (0, 15)), ((0.2501, 2.0), (1, 12)), (None, (0, 15))],
)
def test_the_end_shims_span_the_working_range_most_closely(working, ends):
    assert end_shims(BOX, working) == ends


@pytest.mark.parametrize("signal", ["raw", "thickness"])
@pytest.mark.parametrize("besides", [(), (0.0,)])
@pytest.mark.parametrize("k", [3, 5, 7])
def test_a_plan_begins_with_the_ends_and_leaves_no_wide_gap(signal, besides, k):
    plan = plan_shims(BOX, k, (0.25, 2.4), signal, besides)
    assert plan.chosen[:2] == (1, 13)
    assert len(set(plan.chosen)) == k
    assert all(0.25 <= x <= 2.5 for x in plan.x_mm)
    assert plan.x_mm == tuple(BOX[i] for i in plan.chosen)
    at = np.sort([*plan.x_mm, *besides])
    assert np.diff(at).max() < 2.0 * (2.5 - 0.25) / (k - 1)
    low, high = plan.widest_gap_mm
    assert not any(low < x < high for x in at)


def test_no_set_of_the_same_size_leaves_less_room():
    """The exchange ends where trying every set ends."""
    from labkit.curves.plan import _Room

    x = np.array(BOX[1:13])
    room = _Room(x, np.empty(0), (0.25, 2.0), "raw")
    sets = np.array([[0, 11, *each] for each in combinations(range(1, 11), 3)])
    lowest = room.largest(sets).min()
    plan = plan_shims(BOX, 5, (0.25, 2.0), "raw")
    assert room.largest(np.array([np.array(plan.chosen) - 1]))[0] == pytest.approx(lowest)


def test_the_unit_of_length_does_not_matter():
    inch = plan_shims(np.array(BOX) / 25.4, 6, (0.25 / 25.4, 2.4 / 25.4), "raw")
    assert inch.chosen == plan_shims(BOX, 6, (0.25, 2.4), "raw").chosen


@pytest.mark.parametrize(
    ("box", "k", "chosen"),
    [([1.0], 5, (0,)), ([1.0, 2.0], 5, (0, 1)), ([2.0, 0.5, 1.0], 1, (1, 0)), ([2.0, 1.0, 0.5], 9, (2, 0, 1))],
)
def test_a_small_box_is_read_as_far_as_it_goes(box, k, chosen):
    assert plan_shims(box, k, (0.5, 2.0), "raw").chosen == chosen


def test_an_empty_box_is_refused():
    with pytest.raises(BadInput) as caught:
        plan_shims([], 5, (0.5, 2.0), "raw")
    assert caught.value.code == "design.no_shims"


def test_designs_can_be_written_as_data():
    assert exchange(powers(1), [0.0, 0.5, 1.0], 2).to_dict()["chosen"] == [0, 2]
    data = plan_shims(BOX, 3, (0.25, 2.4), "raw").to_dict()
    assert data["chosen"][:2] == [1, 13]
    assert len(data["widest_gap_mm"]) == 2
