"""Figures show the result's own numbers, in the colours of the page, and hold no markup of a person."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import labkit
from labkit import charts
from labkit import format as text_of
from labkit.calibration.shares import bars
from labkit.charts.look import COLOURS, Name, apart, end_names, log_ticks, ticks
from labkit.panels.figure import figure_widget, update

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_data"
TOKENS = ROOT / "labkit" / "panels" / "assets" / "css" / "tokens.css"
NAMES = ("hinge_day", "raw_ball", "mislabelled", "ends_only", "indication_disc_inch")


def calibrated(name: str, **options: object) -> labkit.Calibration:
    folder = SAMPLES / name
    file = next(path for path in sorted(folder.iterdir()) if path.name in ("readings.csv", "readings.tsv"))
    readings = labkit.read_readings(file, shims=folder / "shims.csv")
    return labkit.calibrate(readings, **({"tolerance": 0.005, "target_u": 0.0012} | options))


@pytest.fixture(scope="module")
def results() -> dict[str, labkit.Calibration]:
    return {name: calibrated(name) for name in NAMES}


@pytest.fixture(scope="module")
def chosen_flexible() -> labkit.Calibration:
    return calibrated("hinge_day", family="flexible")


def trace(figure: object, name: str) -> object:
    return next(each for each in figure.data if each.name == name)


def words(figure: object) -> list[str]:
    return [each.text for each in figure.layout.annotations]


# ---- colours ----


def tokens(theme: str) -> dict[str, str]:
    blocks = re.findall(r"\{([^{}]*color-scheme: (light|dark);[^{}]*)\}", TOKENS.read_text(encoding="utf-8"))
    block = next(text for text, kind in blocks if kind == theme)
    return dict(re.findall(r"--lk-([\w-]+):\s*([^;]+);", block))


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_colours_are_those_of_the_page(theme: str) -> None:
    on_page = tokens(theme)
    assert COLOURS[theme] == {name: on_page[name] for name in COLOURS[theme]}


def test_both_themes_name_the_same_colours() -> None:
    assert COLOURS["light"].keys() == COLOURS["dark"].keys()


# ---- the curve ----


def poorly_known(name: str, *, u_mm: float, only: str = "") -> labkit.Calibration:
    """The sample calibrated with shims, or one of them, that are hardly known at all."""
    result = calibrated(name)
    held = result.readings.shims
    shims = [replace(each, u_mm=u_mm, k=2.0) if only in ("", each.name) else each for each in held]
    return labkit.calibrate(replace(result.readings, shims=replace(held, shims=tuple(shims))), tolerance=0.005)


@pytest.mark.parametrize("only", ["", "A-4"])
def test_a_huge_U_does_not_hide_residuals_and_tolerance(only: str) -> None:
    figure = charts.curve_figure(poorly_known("hinge_day", u_mm=0.5, only=only))
    low, high = figure.layout.yaxis2.range
    assert (low, high) == (-high, pytest.approx(6 * 5.0))
    shown, band = trace(figure, "residuals"), trace(figure, "U")
    assert np.all(shown.y + shown.error_y.array <= high / 1.25 * (1 + 1e-12))
    assert np.all(shown.y - shown.error_y.arrayminus >= low / 1.25 * (1 + 1e-12))
    assert np.max(np.abs(band.y)) <= high
    assert any("go on beyond the scale" in each for each in words(figure))
    points, upper = trace(figure, "points"), figure.layout.yaxis.range
    assert upper[1] - upper[0] < 20 * np.ptp(points.y)
    edges = trace(figure, "band").y
    assert upper[0] <= np.min(edges) and np.max(edges) <= upper[1]


def test_whole_bars_are_not_said_to_go_on(results: dict[str, labkit.Calibration]) -> None:
    for result in (results["hinge_day"], calibrated("hinge_day", tolerance=None)):
        figure = charts.curve_figure(result)
        assert not any("beyond the scale" in each for each in words(figure))
        bars, slopes = trace(figure, "residuals").error_y, result.curve.slope(result.curve.points.x)
        pairs = zip(result.table.points, slopes, strict=True)
        U = [2000 * np.hypot(point.u_x_mm, point.u_y / slope) for point, slope in pairs]
        np.testing.assert_allclose(bars.array, U)
        np.testing.assert_allclose(bars.arrayminus, U)


def test_no_bar_runs_through_the_name_of_another_point() -> None:
    figure = charts.curve_figure(poorly_known("hinge_day", u_mm=0.5))
    names, shown = trace(figure, "names"), trace(figure, "residuals")
    assert "A-1" in names.text
    assert "Zero" not in names.text  # the bar of A-1, 20 px away, stands where its name would
    assert "Zero" in trace(charts.curve_figure(calibrated("hinge_day")), "names").text
    assert len(shown.x) == len(names.text) + 1


@pytest.mark.parametrize("name", NAMES)
def test_residuals_are_the_results(results: dict[str, labkit.Calibration], name: str) -> None:
    result = results[name]
    shown = trace(charts.curve_figure(result), "residuals")
    printed = [point["residual_mm"] for point in result.to_dict()["results"]["points"]]
    np.testing.assert_allclose(shown.y, np.array(printed) * 1000)
    np.testing.assert_allclose(shown.x, result.curve.points.x)
    assert list(shown.customdata) == [point.name for point in result.table.points]


def test_the_band_is_U_of_a_corrected_reading(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    band = trace(charts.curve_figure(result), "U")
    U, _ = result.expanded(np.array(band.x[:201]))
    np.testing.assert_allclose(band.y[:201], -U * 1000)
    np.testing.assert_allclose(np.array(band.y[201:])[::-1], U * 1000)


def test_the_upper_plot_shows_errors_for_thickness_and_the_signal_for_raw(
    results: dict[str, labkit.Calibration],
) -> None:
    length, raw = results["hinge_day"], results["raw_ball"]
    shown = trace(charts.curve_figure(length), "points")
    np.testing.assert_allclose(shown.y, (length.curve.points.y - length.curve.points.x) * 1000)
    figure = charts.curve_figure(raw)
    np.testing.assert_allclose(trace(figure, "points").y, raw.curve.points.y)
    assert figure.layout.yaxis.type == "log"
    assert "<b>Indication, counts, background subtracted</b>" in words(figure)


def test_inches_change_the_scales_and_not_the_curve(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    mm, inch = (charts.curve_figure(result, unit=unit) for unit in ("mm", "in"))
    np.testing.assert_allclose(trace(inch, "residuals").x * 25.4, trace(mm, "residuals").x)
    np.testing.assert_allclose(trace(inch, "residuals").y * 25.4, trace(mm, "residuals").y)
    assert "<b>Residual, mil</b>" in words(inch)
    assert "Thickness, in" in words(inch)


def test_tolerance_and_working_range_are_drawn_and_named() -> None:
    result = calibrated("hinge_day", working_range=(0.25, 2.5), tolerance=(None, 0.004))
    figure = charts.curve_figure(result)
    lines = [each for each in figure.layout.shapes if each.type == "line" and each.line.dash != "solid"]
    assert [each.y0 for each in lines if each.line.dash] == [pytest.approx(4.0)]
    shaded = [each for each in figure.layout.shapes if each.type == "rect"]
    assert [(each.x0, each.x1) for each in shaded] == [(0.25, 2.5), (0.25, 2.5)]
    assert "working range 0.25 to 2.50 mm" in words(figure)
    assert "<b>tolerance +4</b>" in words(figure)


def test_the_other_line_is_the_flexible_curve_where_another_is_chosen(
    results: dict[str, labkit.Calibration], chosen_flexible: labkit.Calibration
) -> None:
    result = results["hinge_day"]
    assert result.curve.family != "flexible"
    figure = charts.curve_figure(result)
    flexible = result.comparison["flexible"].curve
    other = trace(figure, "other")
    np.testing.assert_allclose(other.y, (flexible.value(other.x) - other.x) * 1000)
    assert "Flexible<br>dashed" in words(figure)
    figure = charts.curve_figure(chosen_flexible)
    assert "<b>Flexible</b><br>band: ±U" in words(figure)
    assert "Polynomial 2<br>dashed, recommended" in words(figure)


def test_the_shim_being_read_is_marked(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    figure = charts.curve_figure(result, reading="A-6")
    assert "A-6 is being read" in words(figure)
    assert any(each.x0 == each.x1 == pytest.approx(1.5008) for each in figure.layout.shapes)
    for without in ("", "zero", "background"):
        assert not any("being read" in each for each in words(charts.curve_figure(result, reading=without)))


# ---- U ----


def test_U_lines_are_what_the_ranking_says(results: dict[str, labkit.Calibration]) -> None:
    result = results["ends_only"]
    figure = charts.u_figure(result)
    best = result.next_points.ranking[0]
    assert max(figure.data[0].y[::2]) == pytest.approx(best.U_before_mm * 1000)
    assert max(figure.data[1].y[::2]) == pytest.approx(best.U_after_mm * 1000)
    assert max(figure.data[2].y) < max(figure.data[1].y)
    assert any(f"dashed: after {best.name}" in each for each in words(figure))
    assert "<b>target 1.2</b>" in words(figure)


def test_read_shims_are_marked_within_the_working_range(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    figure = charts.u_figure(result, reading="A-6")
    low, high = result.options.working_range_mm
    assert list(trace(figure, "read").x) == [p.x_mm for p in result.table.points if low <= p.x_mm <= high]
    assert list(trace(figure, "being read").x) == [pytest.approx(1.5008)]


def test_without_shims_at_hand_U_is_that_of_the_chosen_curve(results: dict[str, labkit.Calibration]) -> None:
    result = results["raw_ball"]
    shown = charts.u_figure(result).data[0]
    np.testing.assert_allclose(shown.y, result.expanded(np.array(shown.x))[0] * 1000)


def test_what_more_shims_would_bring(results: dict[str, labkit.Calibration]) -> None:
    result = results["ends_only"]
    x = np.linspace(*result.options.working_range_mm, 61)
    one, both = (result.expanded_with(names, x).max() for names in (["B-4"], ["B-4", "B-6"]))
    assert result.expanded_with([], x).max() > one > both
    assert replace(result, advice=None).expanded_with([], x) is None


def test_the_figure_says_by_which_curve_U_is_foretold(results: dict[str, labkit.Calibration]) -> None:
    formula = results["hinge_day"]
    assert formula.curve.family != "flexible"

    def headings(result: labkit.Calibration) -> str:
        return " ".join(each.text for each in charts.u_figure(result).layout.annotations)

    assert "U over the working range, by the flexible curve, µm" in headings(formula)
    # nothing is foretold: U is that of the curve in use
    assert "flexible" not in headings(replace(formula, advice=None))
    flexible = labkit.calibrate(formula.readings, "flexible", reason="trial")
    assert "flexible" not in headings(flexible)


# ---- residuals ----


def test_leverage_adds_up_to_the_parameters(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    # nearly: the derivatives are those at the fitted curve
    assert charts.leverage(result).sum() == pytest.approx(result.curve.effective_parameters, rel=1e-3)
    figure = charts.quantile_figure(result)
    np.testing.assert_allclose(figure.data[2].y, charts.leverage(result))


def test_quantiles_follow_the_order_of_the_residuals(results: dict[str, labkit.Calibration]) -> None:
    result = results["raw_ball"]
    figure = charts.quantile_figure(result)
    quantiles, off = np.array(figure.data[1].x), np.array(figure.data[1].y)
    assert np.array_equal(np.argsort(quantiles), np.argsort(off))
    assert quantiles.sum() == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(off, charts.standardised(result))


def test_a_curve_through_the_points_leaves_nothing_to_plot() -> None:
    result = calibrated("hinge_day", family="monotone-cubic", reason="trial")
    assert charts.leverage(result) is None
    figure = charts.quantile_figure(result)
    assert len(figure.data) == 0
    assert words(figure) == ["A curve through the points leaves no residuals to plot."]
    assert len(charts.curve_figure(result).data) == 7


def test_a_curve_that_turns_has_no_band() -> None:
    result = calibrated("raw_ball", family="polynomial-2", reason="trial")
    assert not result.usable
    figure = charts.curve_figure(result)
    assert len(trace(figure, "U").y) == 0
    assert len(trace(figure, "band").y) == 0
    assert "turns" in words(charts.u_figure(result))[0]


# ---- names and scales ----


def test_names_are_escaped_and_short() -> None:
    result = calibrated("hinge_day")
    points = list(result.table.points)
    points[1] = replace(points[1], name='<b>"\u202eA-1 and much more than fits</b>')
    odd = replace(result, table=replace(result.table, points=tuple(points)))
    for figure in (charts.curve_figure(odd), charts.u_figure(odd), charts.quantile_figure(odd)):
        shown = [text for each in figure.data for text in (*(each.text or ()), *(each.hovertext or ()))]
        odd_ones = [text for text in [*shown, *words(figure)] if "A-1 and" in text]
        assert odd_ones
        for text in odd_ones:
            assert "&lt;b&gt;&quot;A-1 and" in text
            assert "\u202e" not in text
    assert "&lt;b&gt;&quot;A-1 and m…" in trace(charts.curve_figure(odd), "names").text


def test_names_do_not_lie_on_one_another() -> None:
    half = np.array([18.0, 18.0, 10.0])
    placed = apart(np.array([50.0, 52.0, 300.0]), half, 256)
    assert placed[1] - placed[0] == pytest.approx(36.0)
    assert (placed[0] + placed[1]) / 2 == pytest.approx(51.0)
    assert placed[2] <= 256
    crowded = apart(np.zeros(3), half, 256)
    assert crowded[0] == 0.0
    assert np.all(np.diff(crowded) >= half[:-1] + half[1:] - 1e-9)
    shown = end_names("light", [Name(0.9, "upper"), Name(0.1, "lower")], "y", 200)
    assert [each["text"] for each in shown] == ["lower", "upper"]


def test_ticks_are_round_and_signed() -> None:
    found = ticks(-5.6, 5.6, 5, signed=True)
    assert found["ticktext"] == ["−5", "−2.5", "0", "+2.5", "+5"]
    assert ticks(0.0, 1.84, 5)["ticktext"] == ["0", "0.5", "1", "1.5"]
    assert log_ticks(150, 40000)["ticktext"] == ["200", "500", "1000", "2000", "5000", "10000", "20000"]


# ---- widgets ----


def test_a_shown_figure_becomes_another_in_place(results: dict[str, labkit.Calibration]) -> None:
    first, second = charts.curve_figure(results["raw_ball"]), charts.curve_figure(results["hinge_day"], theme="dark")
    widget = figure_widget(first)
    assert widget.config["displayModeBar"] is False
    assert json.loads(widget.figure) == json.loads(first.to_json())
    update(widget, second)
    assert json.loads(widget.figure) == json.loads(second.to_json())
    json.loads(widget.figure, parse_constant=pytest.fail)  # a browser reads no NaN


def test_the_browser_can_name_a_point_and_change_nothing(results: dict[str, labkit.Calibration]) -> None:
    widget = figure_widget(charts.curve_figure(results["hinge_day"]))
    shown = widget.figure
    named: list[str] = []
    widget.on_point(named.append)
    widget.set_state({"figure": "{}"})
    assert widget.figure == shown
    widget._receive(widget, {"type": "point", "name": "A-3"}, [])
    widget._receive(widget, {"type": "else"}, [])
    assert named == ["A-3"]


def test_the_drawing_program_is_handed_over_on_request(results: dict[str, labkit.Calibration]) -> None:
    widget = figure_widget(charts.curve_figure(results["hinge_day"]))
    sent: list[tuple[object, list[bytes]]] = []
    widget.send = lambda content, buffers=None: sent.append((content, buffers))  # type: ignore[method-assign]
    widget._receive(widget, {"type": "library"}, [])
    [(content, buffers)] = sent
    assert content == {"type": "library"}
    assert b"window.Plotly" in buffers[0]


# ---- shares ----


def test_the_longest_bar_leads_and_the_names_stand_at_the_ends(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    figure = charts.shares_figure(result)
    shown = trace(figure, "shares")
    named = sorted(zip(result.budget.shares(), result.budget.lines, strict=True), key=lambda each: -each[0])
    np.testing.assert_allclose(shown.x, [share for share, _ in named])
    for (share, line), label in zip(named, figure.layout.annotations[1:], strict=True):
        assert label.text.endswith(f"  {line.name}") and text_of.percent(share) in label.text.replace("&lt;", "<")
        assert label.x == share
    low, high = figure.layout.xaxis.range
    assert high - low == pytest.approx(2 * named[0][0])


def test_lines_beyond_the_eighth_are_one_bar() -> None:
    assert bars([(str(i), 0.1) for i in range(9)])[-1] == ("8", 0.1)
    shown = bars([(str(i), 0.1) for i in range(10)])
    assert shown[-1] == ("2 other lines", pytest.approx(0.2)) and len(shown) == 9


def test_where_the_curve_turns_the_bars_say_why(results: dict[str, labkit.Calibration]) -> None:
    turned = charts.shares_figure(replace(results["hinge_day"], budget=None), theme="dark")
    assert any("one indication has two thicknesses" in each for each in words(turned))
