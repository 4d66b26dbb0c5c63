"""The tables say the result's own numbers, in the unit of the page, and nothing that a person wrote becomes markup."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest

import labkit
from labkit import format as text_of
from labkit.bench.conditions import Conditions
from labkit.calibration.checks import Check
from labkit.messages import family_label
from labkit.metrology import decide
from labkit.panels import budget_tables, check_tables, next_tables, result_tables, wording
from labkit.problems import Caution

SAMPLES = Path(__file__).parents[2] / "sample_data"
NAMES = ("hinge_day", "raw_ball", "mislabelled", "ends_only", "indication_disc_inch")
UNITS = ("mm", "µm", "in", "mil")
HOSTILE = "<b>\"\u202eA-2' & <img src=x onerror=alert(1)>"


def calibrated(name: str, **options: object) -> labkit.Calibration:
    folder = SAMPLES / name
    file = next(path for path in sorted(folder.iterdir()) if path.name in ("readings.csv", "readings.tsv"))
    readings = labkit.read_readings(file, shims=folder / "shims.csv")
    return labkit.calibrate(readings, **({"tolerance": 0.005, "target_u": 0.0012} | options))


@pytest.fixture(scope="module")
def results() -> dict[str, labkit.Calibration]:
    return {name: calibrated(name) for name in NAMES}


class Cells(HTMLParser):
    """The text of every cell of a table, row by row, and the tags that were met."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.classes: list[str] = []
        self.tags: set[str] = set()
        self._open = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag == "tr":
            self.rows.append([])
            self.classes.append(dict(attrs).get("class") or "")
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self._open = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._open = False

    def handle_data(self, data: str) -> None:
        if self._open:
            self.rows[-1][-1] += data


def text(html: str) -> str:
    return unescape(re.sub(r"<[^>]+>", "", html))


def everything(result: labkit.Calibration, unit: str) -> str:
    strip = "".join(f"<p>{wording.safe(what)}{says}</p>" for what, says in result_tables.strip_cells(result, unit))
    return "\n".join(
        [
            result_tables.say_recommendation(result, unit),
            result_tables.comparison_table(result, unit),
            result_tables.parameters_fold(result, unit),
            budget_tables.budget_table(result, unit),
            result_tables.cautions_list(result, unit),
            next_tables.next_sentence(result, unit),
            next_tables.next_table(result, unit),
            next_tables.repeats_advice(result),
            check_tables.check_table(result.checks, unit, [("C-9", 2.2)]),
            check_tables.check_table(result.as_found, unit, empty="result.no_as_found"),
            strip,
        ]
    )


def check(deviation_mm: float, u_mm: float = 0.001, **changed: object) -> Check:
    limits = changed.pop("limits_mm", (-0.005, 0.005))
    how = {key: changed.pop(key) for key in ("rule", "outcomes") if key in changed}
    decision = None if limits == (None, None) else decide(deviation_mm, u_mm, limits, **how)
    made = Check("C-1", ("C-1",), 5, 0.5, 0.5 + deviation_mm, deviation_mm, u_mm, 2 * u_mm, 2.0, limits,
                 deviation_mm / (2 * u_mm), decision, False, False)  # fmt: skip
    return replace(made, **changed)


# ---- all of it ----


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("unit", UNITS)
def test_no_number_is_a_word(results: dict[str, labkit.Calibration], name: str, unit: str) -> None:
    shown = text(everything(results[name], unit))
    assert not re.search(r"\b(nan|none|inf|infinity|null|true|false)\b", shown, re.IGNORECASE)
    assert not re.search(r"\d[eE][-+]?\d", shown)
    other = {"mm", "µm", "in", "mil"} - {unit, "mil" if unit in ("in", "mil") else "µm"}
    tables = text(budget_tables.budget_table(results[name], unit) + next_tables.next_sentence(results[name], unit))
    assert not any(re.search(rf"\d {each}\b", tables) for each in other)


def with_names(result: labkit.Calibration, name: str) -> labkit.Calibration:
    """The result as if a shim, its set and the user's reason had this name."""
    points = tuple(replace(each, name=name) for each in result.table.points)
    checks = tuple(replace(each, point=name, in_fit=True) for each in result.checks)
    ranked, advice = result.next_points, result.advice
    if ranked is not None and advice is not None:
        params = dict(ranked.reason.params) | {"shim": name}
        ranking = tuple(replace(each, name=name) for each in ranked.ranking)
        ranked = replace(ranked, ranking=ranking, reason=replace(ranked.reason, params=params))
        advice = replace(advice)
        vars(advice)["next_points"] = ranked
    return replace(
        result,
        table=replace(result.table, points=points),
        options=replace(result.options, family="line", reason=name, target_u_mm=None),
        checks=checks,
        as_found=checks,
        advice=advice,
        cautions=(*result.cautions, Caution("check.in_fit", {"shim": name})),
    )


@pytest.mark.parametrize("sample", ["hinge_day", "mislabelled", "ends_only"])
def test_what_a_person_wrote_stays_text(results: dict[str, labkit.Calibration], sample: str) -> None:
    shown = everything(with_names(results[sample], HOSTILE), "mm")
    assert "img" not in Cells(shown).tags
    assert "\u202e" not in shown
    assert "&lt;b&gt;&quot;A-2&#x27; &amp; &lt;img" in shown


# ---- which curve ----


def test_the_comparison_shows_the_rows_numbers(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    found = Cells(result_tables.comparison_table(result))
    heading, *rows = found.rows
    assert heading[3] == "AIC"
    assert heading[7] == "Risesthroughout"
    assert len(rows) == len(result.comparison.rows)
    row = result.comparison["polynomial-2"]
    shown = next(each for each in rows if each[0] == "Polynomial 2")
    assert shown[1:9] == [
        "3",
        text_of.number(row.chi2_per_dof, 1),
        text_of.number(row.criterion, 1),
        text_of.number(row.left_out_error_mm * 1000, 1),
        text_of.number(row.largest_residual_mm * 1000, 1),
        f"{text_of.number(row.share_of_tolerance * 100, 0)} %",
        "yes",
        text_of.expanded_length(row.largest_U_mm, with_unit=False),
    ]
    assert shown[9] == "Recommended"
    assert [name for name in found.classes if name == "lk-sel-row"] == ["lk-sel-row"]
    through = next(each for each in rows if each[0].startswith("Monotone cubic"))
    assert through[2] == "–"
    assert through[9] == "Possible, no U"
    assert "(effective)" in next(each for each in rows if each[0].startswith("Flexible"))[1]


def test_falling_signals_are_said_to_fall_and_no_tolerance_is_no_column() -> None:
    result = calibrated("raw_ball", tolerance=None)
    heading = Cells(result_tables.comparison_table(result)).rows[0]
    assert "Fallsthroughout" in heading
    assert not any("tolerance" in each for each in heading)


def test_a_wrong_curve_has_its_U_greyed(results: dict[str, labkit.Calibration]) -> None:
    html = result_tables.comparison_table(results["hinge_day"])
    line = html[html.index("Straight line") :]
    line = line[: line.index("</tr>")]
    assert '<span class="lk-pale">' in line
    assert "Does not fit" in line


def test_families_that_need_more_points_are_named_once(results: dict[str, labkit.Calibration]) -> None:
    shown = text(result_tables.comparison_table(results["ends_only"]))
    assert "Not enough thicknesses for Power law (4), Polynomial 3 (4), Polynomial 4 (5)" in shown
    assert "Not for this kind of indication" not in shown
    shown = text(result_tables.comparison_table(results["hinge_day"]))
    assert "Not for this kind of indication: Power law, " in shown


def test_the_recommendation_leads(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    html = result_tables.say_recommendation(result)
    assert html.startswith('<p class="lk-say lk-lead"><b>Polynomial 2 is recommended</b>: ')
    assert text(html) == f"{result.reason} {result.stability}"
    assert result.stability.code == "stability.survives"


def test_another_choice_asks_for_a_reason_and_repeats_it() -> None:
    shown = text(result_tables.say_recommendation(calibrated("hinge_day", family="flexible")))
    assert shown.startswith("Flexible (trend and departure) was chosen: give the reason; it goes on the sheet.")
    assert "Polynomial 2 is recommended" in shown
    reasoned = calibrated("hinge_day", family="flexible", reason="used on all rigs")
    assert "was chosen by the user: used on all rigs" in text(result_tables.say_recommendation(reasoned))


def test_where_no_curve_fits_the_worst_point_is_named(results: dict[str, labkit.Calibration]) -> None:
    shown = text(result_tables.say_recommendation(results["mislabelled"]))
    assert "No curve describes these points within their uncertainties. F-4 lies 20." in shown
    assert "Read F-4 again first." in shown
    for name in ("hinge_day", "raw_ball", "ends_only"):
        assert "No curve describes" not in result_tables.say_recommendation(results[name])


# ---- the chosen curve ----


def test_parameters_are_shown_with_their_uncertainty(results: dict[str, labkit.Calibration]) -> None:
    curve = results["raw_ball"].curve
    rows = Cells(result_tables.parameters_fold(results["raw_ball"])).rows[1:]
    assert [row[0] for row in rows] == list(curve.parameters)
    for row in rows:
        assert row[1] == text_of.significant(curve.parameters[row[0]], 7)
        assert row[2] == text_of.significant(curve.standard_errors[row[0]], 3)
    assert "b<sub>2</sub>" in result_tables.parameters_fold(results["hinge_day"])


def test_curves_without_a_formula_are_told_in_words() -> None:
    flexible = calibrated("hinge_day", family="flexible", reason="trial")
    shown = text(result_tables.parameters_fold(flexible))
    assert f"it spends {text_of.number(flexible.curve.effective_parameters, 1)} effective parameters" in shown
    assert "amplitude of about" in shown
    raw = text(result_tables.parameters_fold(calibrated("raw_ball", family="flexible", reason="trial")))
    assert "% of the signal" in raw
    through = calibrated("hinge_day", family="monotone-cubic", reason="trial")
    assert "its knots are the points" in text(result_tables.parameters_fold(through))


# ---- U ----


def test_the_budget_is_sorted_and_adds_up(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    html = budget_tables.budget_table(result)
    _, *rows = Cells(html).rows
    largest = max(zip(result.budget.shares(), result.budget.lines, strict=True), key=lambda each: each[0])
    assert rows[0][0] == largest[1].name
    assert rows[0][4] == f"{text_of.number(100 * largest[0], 0)} %"
    moved = [float(row[3].removesuffix(" µm")) for row in rows[:-1]]
    assert moved == sorted(moved, reverse=True)
    assert rows[-1][0] == "Together"
    assert rows[-1][3] == f"{text_of.number(result.budget.u_mm * 1000, 2)} µm"
    assert rows[-1][4] == f"U = {text_of.expanded_length(result.budget.U_mm)}"
    said = budget_tables.budget_sentence(result)
    assert f"at {result.budget.at_mm:.2f} mm, where it is largest" in said
    assert f"Most of U comes from {largest[1].name[:1].lower()}{largest[1].name[1:]} (" in said


def test_below_what_no_U_is_stated_is_said(results: dict[str, labkit.Calibration]) -> None:
    assert "accredited" not in budget_tables.budget_sentence(results["hinge_day"])
    raised = calibrated("hinge_day", conditions=labkit.Conditions(smallest_U_mm=0.001))
    assert "No U below 1.0 µm is stated" in budget_tables.budget_sentence(raised)


def test_a_curve_that_turns_states_no_U() -> None:
    result = calibrated("raw_ball", family="polynomial-2", reason="trial")
    assert result.budget is None
    assert "one indication has two thicknesses" in budget_tables.budget_sentence(result)
    assert budget_tables.budget_table(result) == budget_tables.drawn_sentence(result) == ""
    assert [says for _, says in result_tables.strip_cells(result)] == ["–", "–", "–"]
    assert next_tables.next_table(result) == ""
    assert "cannot be ranked" in next_tables.next_sentence(result)


def test_the_strip_states_U_at_three_thicknesses() -> None:
    result = calibrated("hinge_day", working_range=(0.25, 2.5))
    cells = result_tables.strip_cells(result)
    assert [what for what, _ in cells] == ["U at 0.25 mm", "U at 1.00 mm", "U at 2.50 mm"]
    U, _ = result.expanded([0.25, 1.0, 2.5])
    assert [text(says) for _, says in cells] == [text_of.expanded_length(each) for each in U]
    low, middle, high = result_tables.strip_thicknesses((0.0, 2.5), "mm")
    assert low < middle < high


def test_errors_are_written_as_finely_as_they_are_known() -> None:
    assert [wording.error(each, "mm") for each in (0.00049, 0.0041, 0.01337, 0.9991)] == ["0.5", "4.1", "13", "999"]
    assert [wording.error(each, "in") for each in (0.000254, 0.0254, 0.0)] == ["0.010", "1.0", "0.000"]
    assert wording.error(None, "mm") == "–"
    assert wording.share(4.18) == "418 %"
    assert text(wording.share(0.0004)) == "< 1 %"


# ---- doubts ----


def test_every_caution_stands_with_its_remedy(results: dict[str, labkit.Calibration]) -> None:
    result = results["mislabelled"]
    html = result_tables.cautions_list(result)
    assert html.count('class="lk-msg lk-watch"') == len(result.cautions)
    for each in result.cautions:
        assert str(each) in text(html)
        assert each.hint is None or each.hint in text(html)
    fewer = result_tables.cautions_list(result, without=["points.straggler"])
    assert fewer.count("lk-msg") == len(result.cautions) - 1
    assert "Nothing is doubtful." in result_tables.cautions_list(replace(result, cautions=()))


def test_cautions_follow_the_unit_of_the_page(results: dict[str, labkit.Calibration]) -> None:
    doubt = Caution("closing.exceeded", {"point": "A-1", "difference_mm": 0.0254, "limit_mm": 0.001})
    shown = text(result_tables.cautions_list(replace(results["hinge_day"], cautions=(doubt,)), "in"))
    assert "1.000 mil" in shown
    assert "µm" not in shown


# ---- extra points ----


def test_the_ranking_shows_what_each_shim_brings(results: dict[str, labkit.Calibration]) -> None:
    result = results["ends_only"]
    _, *rows = Cells(next_tables.next_table(result, reading="B-3")).rows
    assert [row[1] for row in rows] == [each.name for each in result.next_points.ranking]
    for row, each in zip(rows, result.next_points.ranking, strict=True):
        before, after = (text_of.expanded_length(U, with_unit=False) for U in (each.U_before_mm, each.U_after_mm))
        assert row[3] == f"{before} → {after}"
        assert row[5:7] == ["–", str(each.readings)]
        assert str(each.reason) in row[7]
    assert sum("Being read" in row[7] for row in rows) == 1
    sentence = next_tables.next_sentence(result)
    assert f"<b>Next: {result.next_points.best.name}, " in sentence


def test_a_foretold_U_says_whose_it_is_where_a_formula_is_in_use(results: dict[str, labkit.Calibration]) -> None:
    formula = results["hinge_day"]
    assert formula.curve.family != "flexible"
    U = text_of.expanded_length(formula.budget.U_mm)
    words = (
        f"This U is that of the flexible curve; with {family_label(formula.curve.family)}, the curve in use, U is at "
    )
    assert f"{words}most {U} now." in text(next_tables.next_sentence(formula))
    assert text(next_tables.next_table(formula)).count("flexible") == 2
    flexible = calibrated("hinge_day", family="flexible", reason="trial")
    for shown in (next_tables.next_sentence(flexible), next_tables.next_table(flexible)):
        assert "flexible" not in shown


def test_the_line_is_drawn_where_another_point_no_longer_helps(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    assert result.next_points.stop == "no longer helps"
    found = Cells(next_tables.next_table(result))
    assert found.classes[1] == "lk-stopline"
    assert found.rows[1] == ["Another point no longer helps"]
    reached = calibrated("hinge_day", target_u=0.01)
    assert Cells(next_tables.next_table(reached)).rows[1] == ["The target of 10 µm is reached"]


def test_a_target_that_the_next_shim_reaches_ends_the_list_there(results: dict[str, labkit.Calibration]) -> None:
    after = results["ends_only"].next_points.ranking[0].U_after_mm
    found = Cells(next_tables.next_table(calibrated("ends_only", target_u=after * 1.01)))
    assert found.classes[1] == "lk-sel-row"
    assert found.classes[2] == "lk-stopline"
    assert "is reached" in found.rows[2][0]
    assert set(found.classes[3:]) == {"lk-off"}


def test_the_second_shim_is_named_where_it_reaches_the_target(results: dict[str, labkit.Calibration]) -> None:
    result = results["ends_only"]
    low, high = result.options.working_range_mm
    first, second = (each.name for each in result.next_points.ranking[:2])
    both = result.expanded_with([first, second], [low + (high - low) * i / 60 for i in range(61)]).max()
    reaching = calibrated("ends_only", target_u=float(both) * 1.01)
    assert f"{second} after it reaches the target." in next_tables.next_sentence(reaching)
    assert "reaches the target" not in next_tables.next_sentence(result)


def test_too_few_thicknesses_are_counted() -> None:
    text_of_file = "shim,indication [mm]\nA-1,0.1096\nA-1,0.1097\nA-9,2.9968\nA-9,2.9966\n"
    readings = labkit.read_readings(text_of_file, shims=SAMPLES / "hinge_day" / "shims.csv")
    result = labkit.calibrate(readings)
    assert result.next_points is None
    assert text(next_tables.next_sentence(result)) == "A curve needs three thicknesses; two are read."
    assert next_tables.next_table(result) == ""
    assert next_tables.repeats_advice(result) == ""


# ---- check shims ----


def test_checks_show_the_printed_numbers(results: dict[str, labkit.Calibration]) -> None:
    result = results["hinge_day"]
    _, *rows = Cells(check_tables.check_table(result.checks, "mm", [("C-9", 2.2)])).rows
    for row, printed in zip(rows, result.to_dict()["printed"]["checks"], strict=False):
        assert row[:5] == [printed[key] for key in ("shim", "reference", "corrected", "deviation", "U")]
        assert row[6] == printed["E_n"]
        assert row[8] == "PassInside the limit by more than U."
    assert rows[-1][0] == "C-9"
    assert rows[-1][8] == "Not read yet"


@pytest.mark.parametrize(
    ("deviation_mm", "outcome", "words"),
    [
        (0.001, "Pass", "Inside the limit by more than U."),
        (0.004, "Conditional pass", "Inside the limit, but by less than U. All readings count. Tell your supervisor."),
        (0.006, "Conditional fail", "Outside the limit, but by less than U. All readings count."),
        (0.009, "Fail", "Outside the limit by more than U. Do not measure parts."),
    ],
)
def test_each_decision_has_its_sentence(deviation_mm: float, outcome: str, words: str) -> None:
    shown = Cells(check_tables.check_table([check(deviation_mm)])).rows[1]
    assert shown[8] == outcome + words


def test_other_rules_have_their_own_words() -> None:
    simple = check(0.0049, rule="simple")
    assert check_tables.decision_sentence(simple) == "Inside the limit."
    binary = check(0.0049, outcomes="two")
    assert check_tables.decision_sentence(binary).startswith("Not inside the limit by the guard band.")
    narrow = check(0.0032, rule="guard-band-1.65u")
    assert check_tables.decision_sentence(narrow) == "Inside the limit by more than the guard band."


def test_the_drawing_has_the_deviation_to_scale() -> None:
    html = check_tables.check_table([check(0.0025), check(-0.0025), check(0.05)])
    at = [float(each) for each in re.findall(r'<circle class="kf" cx="([\d.]+)"', html)]
    assert at == [pytest.approx(120 + 85.7 / 2, abs=0.1), pytest.approx(120 - 85.7 / 2, abs=0.1)]
    assert html.count("lk-limit") == 6
    assert html.count('<path class="kf"') == 1
    assert 'aria-label="deviation +2.5 µm with U 2.0 µm, limits −5.0 µm and +5.0 µm"' in html


def test_one_limit_or_none() -> None:
    one = check_tables.check_table([check(0.001, limits_mm=(None, 0.005))])
    assert one.count("lk-limit") == 1
    none = check_tables.check_table([check(0.001, limits_mm=(None, None))])
    assert "No tolerance is given, so nothing is decided." in none
    assert "lk-limit" not in none
    assert Cells(none).rows[1][7:] == ["–", "–"]


def test_what_proves_less_says_so() -> None:
    shown = text(check_tables.check_table([check(0.001, in_fit=True)]))
    assert "C-1 took part in the fit, so it proves less." in shown
    shown = text(check_tables.check_table([check(0.001, shares_master=True)]))
    assert "shares a master" in shown


def test_nothing_read_is_a_sentence() -> None:
    assert text(check_tables.check_table([])) == "No check shim was read."
    assert text(check_tables.check_table([], empty="result.no_as_found")) == "As found was not read."


@pytest.mark.parametrize(("t", "moved"), [(24.0, "0.3 µm"), (20.0, "")])
def test_a_thickness_that_is_not_that_of_the_certificate_is_explained(t: float, moved: str) -> None:
    result = calibrated("hinge_day", conditions=Conditions(temperature_start_degC=t))
    said = unescape(next_tables.at_temperature(result))
    assert (f"those at {t:.1f} °C" in said) == bool(moved)
    assert said in unescape(next_tables.repeats_advice(result))
