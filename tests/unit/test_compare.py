"""Curves side by side: which is recommended, which is not, and for what reason."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.curves import Family, Points, families, family_named, fit_points
from labkit.curves.compare import compare
from labkit.problems import BadInput

X = np.array([0.3, 0.45, 0.65, 0.9, 1.2, 1.5, 1.9, 2.4])
NOISE = np.array([0.4, -0.9, 0.6, -0.3, 0.8, -0.5, -0.7, 0.6])


def power_law(x):
    return 50.0 + 30_000.0 * (1.0 + x / 1.8) ** -5.0


def stepped(x):
    """Steep as a probe's response, but with a wave in it that no formula of the register has."""
    return power_law(x) * (1 + 0.01 * np.sin(5.0 * np.log(x)))


def points_of(y, u_y, x=X, u_x=0.0004):
    return Points(x, y, np.diag(np.full(len(x), u_x**2)), None if u_y is None else np.diag(np.full(len(x), u_y**2)))


def of_curve(curve, flexible=None):
    """The largest U of the curve alone: enough for what is compared here."""
    u = curve.standard_uncertainty(X)
    return None if u is None else float(np.max(2 * u / np.abs(curve.slope(X))))


def compared(points, signal="raw", scale="known", working=(0.3, 2.4), **options):
    return compare(points, signal, scale, working, of_curve, **options)


@pytest.fixture(scope="module")
def true_power_law():
    return compared(points_of(power_law(X) + 2 * NOISE, 2.0), tolerance_mm=0.01)


@pytest.fixture(scope="module")
def true_wave():
    return compared(points_of(stepped(X) + 2 * NOISE, 2.0))


def test_a_formula_that_describes_the_probe_is_recommended_with_its_reason(true_power_law):
    assert true_power_law.recommended == "power-law"
    row = true_power_law["power-law"]
    assert row.verdict == "recommended"
    assert row.fits
    assert row.monotonic
    assert row.departure <= 1
    assert true_power_law.reason.code == "recommend.formula"
    assert true_power_law.reason.params == {"family": "power-law"}
    assert [r.family for r in true_power_law.rows if r.verdict == "recommended"] == ["power-law"]


def test_every_family_of_the_signal_has_a_row_and_the_flexible_curve_the_first(true_power_law):
    names = [row.family for row in true_power_law.rows]
    assert names[0] == "flexible"
    assert sorted(names) == sorted(form.name for form in families("raw"))


def test_a_wave_that_no_formula_has_leaves_the_flexible_curve(true_wave):
    assert true_wave.recommended == "flexible"
    assert true_wave.reason.code == "recommend.no_formula"
    assert true_wave["power-law"].verdict == "does not fit"
    assert not true_wave["power-law"].fits
    assert true_wave["line"].chi2_per_dof > 100


def test_within_two_of_the_best_criterion_the_fewest_parameters_win(true_power_law):
    row = true_power_law["power-law"]
    passing = [
        each
        for each in true_power_law.rows
        if each.verdict in ("possible", "recommended") and each.criterion is not None
    ]
    assert row.criterion <= min(each.criterion for each in passing) + 2
    assert all(
        each.parameters >= row.parameters
        for each in passing
        if each.criterion <= min(other.criterion for other in passing) + 2
    )


def test_an_indication_that_errs_straight_gets_the_line_not_the_quintic():
    y = X * 1.004 + 0.001 + 0.0003 * NOISE
    found = compared(points_of(y, 0.0004), "thickness")
    assert found.recommended == "line"
    assert found["polynomial-3"].criterion > found["line"].criterion - 2


def test_a_curve_through_the_points_is_never_recommended(true_power_law, true_wave):
    for found in (true_power_law, true_wave):
        for name in ("piecewise-line", "monotone-cubic"):
            row = found[name]
            assert row.verdict == "possible"
            assert (row.chi2, row.criterion, row.chi2_limit, row.largest_U_mm) == (None,) * 4
    through = [family_named(name) for name in ("piecewise-line", "monotone-cubic")]
    only = compared(points_of(power_law(X) + NOISE, 2.0), among=through)
    assert only.recommended == "flexible"


def test_points_out_of_order_get_no_recommendation(true_power_law):
    found = compared(points_of(power_law(X) + 2 * NOISE, 2.0), order_broken=True)
    assert found.recommended is None
    assert found.reason.code == "recommend.order_broken"
    assert found["power-law"].verdict == "possible"


def test_a_formula_that_leaves_fewer_than_two_points_over_is_not_recommended():
    x = X[[0, 2, 4, 6, 7]]
    found = compared(points_of(power_law(x) + NOISE[:5], 1.0, x))
    assert found["power-law"].verdict == "too few points"
    assert found["log-polynomial-4"].verdict == "too few points"
    assert found["polynomial-5"].curve is None
    assert found["polynomial-5"].why_not.code == "curve.too_few_points"
    assert found.recommended != "power-law"


def test_three_points_have_no_formula_to_judge():
    x = X[[0, 4, 7]]
    found = compared(points_of(power_law(x), 1.0, x), among=[family_named("log-polynomial-2")])
    assert found.recommended == "flexible"
    assert found.reason.code == "recommend.too_few_for_formula"
    assert found.reason.params == {"points": 3}


def test_two_points_have_no_flexible_curve_and_no_recommendation():
    x = X[[0, 7]]
    found = compared(points_of(power_law(x), 1.0, x))
    assert found.recommended is None
    assert found.reason.code == "recommend.no_flexible"
    assert found["flexible"].why_not.code == "curve.too_few_points"
    assert found["line"].departure is None


def test_a_formula_that_leaves_the_flexible_curve_departs_however_well_it_fits():
    """Readings so coarse that chi² accepts anything: here a family that is bent where no point was read."""

    def bent(x, c, a, L, n):
        return power_law_family.f(x, c, a, L, n) + 4000 * np.exp(-0.5 * ((x - 1.7) / 0.03) ** 2)

    power_law_family = family_named("power-law")
    form = Family("bent", bent, power_law_family.start, power_law_family.parameters, "raw", 4, positive=("L", "n"))
    found = compared(points_of(power_law(X) + NOISE, 2.0), among=[form])
    row = found["bent"]
    assert row.fits
    assert row.verdict in ("departs", "turns")
    assert row.departure > 1
    assert found.recommended == "flexible"


def test_a_formula_without_a_number_in_the_working_range_is_not_recommended():
    def broken(x, a):
        return np.where((x > 1.0) & (x < 1.1), np.nan, a * power_law(x))

    form = Family("broken", broken, lambda x, y: (1.0,), ("a",), "raw", 1)
    found = compared(points_of(power_law(X) + NOISE, 2.0), among=[form])
    assert found["broken"].verdict in ("turns", "departs")
    assert found.recommended == "flexible"


def test_a_curve_that_turns_says_so_and_states_no_u():
    y = np.array([1.0, 2.0, 2.9, 3.3, 3.5, 3.2, 2.5, 1.2]) * 1000
    row = compared(points_of(y, 100.0), among=[family_named("polynomial-2")])["polynomial-2"]
    assert row.verdict == "turns"
    assert (row.monotonic, row.largest_U_mm) == (False, None)


def test_points_that_leave_room_only_for_turns_get_no_recommendation():
    y = 1000.0 + 20 * NOISE
    found = compared(points_of(y, 1.0))
    assert found.recommended is None
    assert found.reason.code == "recommend.flexible_turns"


# ---- the numbers of a row ----


def test_error_at_a_shim_not_used_is_that_of_a_fit_without_it(true_power_law):
    points = points_of(power_law(X) + 2 * NOISE, 2.0)
    flexible = fit_points(points, family_named("flexible"), "raw")
    for name in ("power-law", "line", "monotone-cubic"):
        errors = []
        for i in range(1, 7):
            without = fit_points(points.without(i), family_named(name), "raw")
            errors.append((points.y[i] - without.value(X[i])) / flexible.slope(X[i]))
        expected = np.sqrt(np.mean(np.square(errors)))
        assert true_power_law[name].left_out_error_mm == pytest.approx(expected, rel=1e-6)


def test_end_points_are_not_left_out():
    x = X[[0, 7]]
    assert compared(points_of(power_law(x), 1.0, x))["line"].left_out_error_mm is None


def test_the_order_of_the_points_does_not_matter(true_power_law):
    mixed = np.array([3, 0, 7, 5, 1, 6, 2, 4])
    y = power_law(X) + 2 * NOISE
    found = compared(points_of(y[mixed], 2.0, X[mixed]), tolerance_mm=0.01)
    assert found.recommended == true_power_law.recommended
    for row in true_power_law.rows:
        other = found[row.family]
        assert other.verdict == row.verdict
        assert other.left_out_error_mm == pytest.approx(row.left_out_error_mm, rel=1e-5)


def test_largest_residual_is_in_thickness_and_as_a_share_of_the_tolerance(true_power_law):
    row = true_power_law["line"]
    flexible = true_power_law["flexible"].curve
    worst = np.max(np.abs(row.curve.residuals / flexible.slope(X)))
    assert row.largest_residual_mm == pytest.approx(worst)
    assert row.share_of_tolerance == pytest.approx(worst / 0.01)
    assert compared(points_of(power_law(X), 2.0))["line"].share_of_tolerance is None


def test_criterion_is_aic_where_variances_are_known(true_power_law):
    row = true_power_law["power-law"]
    assert true_power_law.criterion == "AIC"
    assert row.criterion == pytest.approx(row.chi2 + 8)
    assert true_power_law["flexible"].criterion is None


def test_criterion_is_aicc_where_they_are_not():
    points = points_of(3 + 2 * X + 0.01 * NOISE, None, u_x=0.0)
    found = compared(points, scale="estimated")
    row = found["line"]
    m, k = 8, 3
    assert found.criterion == "AICc"
    expected = m * np.log(row.curve.chi2 / m) + 2 * k + 2 * k * (k + 1) / (m - k - 1)
    assert row.criterion == pytest.approx(expected)
    assert (row.chi2, row.chi2_limit, row.fits) == (None, None, True)
    assert found["polynomial-5"].criterion is None  # m − k − 1 = 0
    assert found["piecewise-line"].verdict == "possible"


def test_few_repeats_widen_the_limit_of_chi_square():
    points = points_of(power_law(X) + 2 * NOISE, 2.0)
    exact = compared(points)["power-law"].chi2_limit
    few = compared(points, repeat_dof=8.0)["power-law"].chi2_limit
    half = compared(points, repeat_dof=8.0, repeat_share=0.5)["power-law"].chi2_limit
    assert exact == pytest.approx(9.488, abs=0.001)  # 95 % of χ² with 4 degrees of freedom
    assert few == pytest.approx(4 * 3.838, abs=0.01)  # 4·F(4, 8)
    assert exact < half < few


def test_a_table_can_be_written_as_data(true_power_law):
    data = true_power_law.to_dict()
    assert data["recommended"] == "power-law"
    assert data["rows"][0]["family"] == "flexible"
    assert data["rows"][0]["chi2_per_dof"] == pytest.approx(true_power_law["flexible"].chi2_per_dof)
    with pytest.raises(BadInput) as caught:
        true_power_law["spline"]
    assert caught.value.code == "curve.unknown_family"


def test_a_recommendation_that_many_points_support_survives_without_any_of_them(true_power_law):
    found = true_power_law.stability
    assert [index for index, _ in found.without] == list(range(1, len(X) - 1))
    assert found.survives
    assert found.changed == ()


def test_leaving_a_point_out_is_the_comparison_without_it(true_wave):
    points = points_of(stepped(X) + 2 * NOISE, 2.0)
    for index, family in true_wave.stability.without:
        assert compared(points.without(index)).recommended == family


def test_a_recommendation_that_leans_on_one_point_says_so():
    """A bump at one shim alone: with it no formula describes the points, without it the power law does."""
    y = power_law(X) + 2 * NOISE
    y[4] *= 1.02
    found = compared(points_of(y, 2.0))
    assert found.recommended == "flexible"
    assert (4, "power-law") in found.stability.changed
    assert not found.stability.survives
