"""The operating curve as it is drawn: the rule's own probabilities, its limits, guard band and check shims."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtr

import labkit
from labkit import charts
from labkit.calibration.operating import least_known
from labkit.charts.look import COLOURS
from labkit.paths import sample_data


def calibrated(**options) -> labkit.Calibration:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=folder / "shims.csv")
    return labkit.calibrate(readings, **{"tolerance": 0.005} | options)


@pytest.fixture(scope="module")
def result() -> labkit.Calibration:
    return calibrated()


def trace(figure, name):
    return next(each for each in figure.data if each.name == name)


def words(figure) -> list[str]:
    return [each.text for each in figure.layout.annotations]


def test_the_lines_are_the_probabilities_of_the_rule(result):
    figure = charts.operating_figure(result)
    check = least_known(result.checks)
    x, y = np.array(trace(figure, "pass").x) / 1000, np.array(trace(figure, "pass").y) / 100
    u, w, dof = check.u_mm, check.decision.guard_band_mm, np.floor(check.dof)
    assert 3 < dof < 1000
    expected = stdtr(dof, (0.005 - w - x) / u) - stdtr(dof, (-0.005 + w - x) / u)
    assert y == pytest.approx(np.maximum(expected, 0), abs=1e-9)
    inside = np.array(trace(figure, "conditional pass").y) / 100
    assert inside == pytest.approx(stdtr(dof, (0.005 - x) / u) - stdtr(dof, (-0.005 - x) / u), abs=1e-9)
    assert np.all(np.array(trace(figure, "conditional fail").y) >= 100 * inside - 1e-9)


def test_limits_and_guard_band_are_drawn(result):
    figure = charts.operating_figure(result)
    w = least_known(result.checks).decision.guard_band_mm * 1000
    bands = sorted((each.x0, each.x1) for each in figure.layout.shapes if each.type == "rect")
    ends = [tuple(sorted(each)) for each in bands]
    assert sorted(ends) == [pytest.approx((-5 - w, -5 + w)), pytest.approx((5 - w, 5 + w))]
    assert sorted(each.x0 for each in figure.layout.shapes if each.type == "line") == pytest.approx([-5.0, 5.0])
    assert {"limit −5.0", "limit +5.0"} <= set(words(figure))


def test_check_shims_are_marked_with_their_names(result):
    figure = charts.operating_figure(result)
    marks = trace(figure, "check shims")
    assert list(marks.x) == pytest.approx([1000 * each.deviation_mm for each in result.checks])
    names = [each for each in figure.layout.annotations if each.text in ("C-1", "C-2", "C-3")]
    assert {each.text for each in names} == {"C-1", "C-2", "C-3"}
    span = np.ptp(trace(figure, "pass").x)
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            assert one.y != other.y or abs(one.x - other.x) > 0.1 * span


@pytest.mark.parametrize(
    ("options", "bands", "lines"),
    [
        ({"rule": "simple"}, 0, 2),
        ({"outcomes": "two"}, 2, 2),
        ({"tolerance": (None, 0.005)}, 1, 1),
        ({"tolerance": (-0.005, None), "rule": "guard-band-risk", "risk": 0.05}, 1, 1),
    ],
)
def test_every_rule_is_drawn(options, bands, lines):
    figure = charts.operating_figure(calibrated(**options), theme="dark", unit="in")
    assert sum(each.type == "rect" for each in figure.layout.shapes) == bands
    assert sum(each.type == "line" for each in figure.layout.shapes) == lines
    four = options.get("outcomes") != "two" and options.get("rule") != "simple"
    assert (len(trace(figure, "conditional pass").x) > 0) is four
    assert any("dashed: or conditionally" in each for each in words(figure)) is four
    assert any(each.startswith("Truly off by, mil") for each in words(figure))
    assert trace(figure, "pass").line.color == COLOURS["dark"]["s1"]


def test_bands_that_meet_do_not_cross():
    figure = charts.operating_figure(calibrated(tolerance=0.0005, outcomes="two"))
    for each in figure.layout.shapes:
        if each.type == "rect":
            assert {each.x0, each.x1} == {0.0, 0.5} or {each.x0, each.x1} == {-0.5, 0.0}


def test_without_a_decision_the_figure_says_so(result):
    undecided = replace(result, checks=tuple(replace(each, decision=None) for each in result.checks))
    figure = charts.operating_figure(undecided)
    assert words(figure) == ["No tolerance is given, so nothing is decided."]


def test_markup_in_a_name_stays_words(result):
    odd = replace(result, checks=tuple(replace(each, point="<b>C</b>") for each in result.checks))
    figure = charts.operating_figure(odd)
    assert "<b>C</b>" not in [each.text for each in figure.layout.annotations]
    assert all("&lt;b&gt;" in each for each in trace(figure, "check shims").hovertext)
