"""What a sheet says, from the record of a calibration: every number as text, nothing missing, nothing from nowhere."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import pytest

import labkit
from labkit import format as text_of
from labkit.calibration.drawn import drawn_in_words
from labkit.calibration.shares import MOST_BARS
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sheet.blocks import Items, Plot, Section, Sheet, Table
from labkit.sheet.budget_section import shares
from labkit.sheet.content import MARK, content, words_of_people
from labkit.sheet.plot import draw_bars
from labkit.sheet.plotted import plot_data
from labkit.sheet.typesetting import check_characters, printable

HINGE = sample_data() / "hinge_day"


def calibration(**options: Any) -> labkit.Calibration:
    about = labkit.read_about(sample_data() / "about.toml")
    readings = labkit.read_readings(HINGE / "readings.csv", shims=labkit.read_shims(HINGE / "shims.csv"))
    given: dict[str, Any] = {"working_range": (0.25, 2.5), "tolerance": 0.01, "target_u": 0.003, "about": about}
    return labkit.calibrate(readings, **(given | options))


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    return calibration().to_dict()


def section(sheet: Sheet, title: str) -> Section:
    return next(each for each in sheet.sections if each.title.startswith(title))


def tables(found: Section) -> list[Table]:
    return [block for block in found.blocks if isinstance(block, Table)]


def column(table: Table, title: str) -> list[str]:
    place = [each.title for each in table.columns].index(title)
    return [" ".join(run.text for run in row[place]) for row in table.rows]


def said(found: Any) -> str:
    """Every word of a part of the sheet."""
    if isinstance(found, str):
        return found
    if isinstance(found, dict):
        return " ".join(said(each) for each in found.values())
    if isinstance(found, list | tuple):
        return " ".join(said(each) for each in found)
    return ""


def test_the_results_are_the_printed_values_of_the_record(record: dict[str, Any]) -> None:
    table = tables(section(content(record), "Result"))[0]
    printed = record["printed"]["table"]
    assert column(table, "Thickness, mm") == [row["thickness"] for row in printed]
    assert column(table, "Correction, µm") == [row["correction"] for row in printed]
    assert column(table, "U, µm") == [row["U"] for row in printed]
    assert column(table, "k") == [row["k"] for row in printed]


def test_the_checks_are_the_printed_values_of_the_record(record: dict[str, Any]) -> None:
    found = section(content(record), "Check shims")
    table = tables(found)[0]
    printed = record["printed"]["checks"]
    assert column(table, "Deviation, µm") == [row["deviation"] for row in printed]
    assert column(table, "En") == [row["E_n"] for row in printed]
    assert column(table, "Decision") == [row["decision"].capitalize() for row in printed]
    words = said(content(record).to_dict())
    assert "Guard band w = U, four outcomes (ILAC-G8:09/2019)" in words
    assert "Limits: ±10.0 µm" in words


def test_the_first_page_says_who_what_and_how(record: dict[str, Any]) -> None:
    sheet = content(record)
    facts = {fact.label: fact.text for fact in sheet.facts}
    assert sheet.laboratory == ("Larkfield Closures", "Moulding Laboratory", "Unit 4, Mill Lane, Larkfield")
    assert sheet.customer[-1] == "Order 3318"
    assert facts["Gauge"] == "G-07, Invented Gauges, Demo 1, serial D1-0007, firmware 1.2"  # no “due”: no interval
    assert facts["Target"] == "K-15, ball 1.5 mm"
    assert facts["Conditions"].startswith(
        "20.6 °C at the start, 21.1 °C at the end, u = 0.30 K, 46 % relative humidity"
    )
    assert facts["Conditions"].endswith("switched on at 09:17, first reading 31 min later (the rig needs 30)")
    assert "T-3, thermometer" in facts["Instruments"]
    assert facts["Procedure"] == "Calibration of wall thickness gauges, revision 3"
    assert facts["Read"] == "25 Nov 2026, 09:48 to 10:10 (Europe/London), Measuring room, by M. Okonjo"
    assert facts["Working range"] == "0.250 mm to 2.500 mm, tolerance ±10.0 µm, target U 3.0 µm"


def test_every_shim_that_was_read_is_traced(record: dict[str, Any]) -> None:
    table = tables(section(content(record), "Shims"))[0]
    read = {name for row in record["inputs"]["readings"]["rows"] for name in row["shims"]}
    assert set(column(table, "Shim")) == read
    assert set(column(table, "Certificate")) == {"PD-20317", "PD-20391"}


def test_a_shim_without_certificate_is_not_called_traceable(record: dict[str, Any]) -> None:
    assert "The reference values are traceable" in said(content(record).to_dict())
    bare = copy.deepcopy(record)
    bare["inputs"]["readings"]["shims"]["shims"][0]["certificate"] = ""
    words = said(content(bare).to_dict())
    assert "traceable through" not in words
    assert "not shown to be traceable" in words


def test_every_reading_is_there_as_typed(record: dict[str, Any]) -> None:
    table = tables(section(content(record), "Readings"))[0]
    printed = [run.text for row in table.rows for run in row[2]]
    assert sorted(printed) == sorted(row["typed"] for row in record["inputs"]["readings"]["rows"])


def test_a_reading_left_out_is_struck_with_its_reason() -> None:
    made = calibration()
    readings = made.readings
    place = next(i for i, row in enumerate(readings.rows) if row.point == "A-3" and row.role == "fit")
    record = labkit.calibrate(readings.leave_out(place, "the target slipped"), about=made.about).to_dict()
    found = section(content(record), "Readings")
    struck = [(row[0][0].text, run.text) for row in tables(found)[0].rows for run in row[2] if run.struck]
    assert struck == [("A-3", readings.rows[place].typed)]
    items = next(block for block in found.blocks if isinstance(block, Items)).items
    assert items[0] == f"A-3, reading 1 ({readings.rows[place].typed}), does not count: the target slipped."


def test_the_budget_is_sorted_by_share_and_adds_up(record: dict[str, Any]) -> None:
    table = tables(section(content(record), "Uncertainty"))[0]
    assert [each.title for each in table.columns] == [
        "What moves the reading",
        "How it is known",
        "u",
        "moves thickness by",
        "share of u²",
    ]
    lines = record["results"]["budget"]["lines"]
    largest = max(lines, key=lambda line: line["share"])
    assert table.rows[0][0][0].text == largest["name"]
    assert column(table, "share of u²")[-1] == f"U = {record['printed']['largest_U']}"


def test_the_bars_show_the_shares_of_the_budget(record: dict[str, Any]) -> None:
    lines = record["results"]["budget"]["lines"]
    drawn = shares(record)
    assert len(drawn) == MOST_BARS + 1 < len(lines)
    assert sum(share for _, share in drawn) == pytest.approx(1.0)
    assert drawn[-1][0] == f"{len(lines) - MOST_BARS} other lines"
    (plot,) = [block for block in section(content(record), "Uncertainty").blocks if isinstance(block, Plot)]
    assert plot.name == "shares" and all(name in plot.alt for name, _ in drawn)
    svg = draw_bars(drawn)
    assert svg == draw_bars(drawn) and svg.startswith("<?xml")


def test_influences_stand_on_the_sheet_with_how_they_are_known_or_why_they_are_left_out(record: dict[str, Any]) -> None:
    found = section(content(record), "Uncertainty")
    table = tables(found)[0]
    names, how = column(table, "What moves the reading"), column(table, "How it is known")
    place = names.index("Temperature of magnet and sensor")
    assert how[place] == "2.0 K at 0.2 µm per K, rectangular; Read cold and warm on shim A-5"
    assert column(table, "u")[place] == "1.2 K"  # 2 K/√3
    assert column(table, "moves thickness by")[place] == "0.23 µm"
    (left_out,) = [block.items for block in found.blocks if isinstance(block, Items)]
    assert left_out[0] == "Magnetic or conductive filler: The closures are of unfilled polypropylene"
    cautions = section(content(record), "Cautions").blocks[0]
    assert isinstance(cautions, Items)
    (forgotten,) = [item for item in cautions.items if item.startswith("Not considered in U: ")]
    assert "tip wear" in forgotten and "filler" not in forgotten and "edge" not in forgotten


def test_random_draws_stand_on_the_sheet_where_they_were_drawn() -> None:
    made = calibration()
    plain = said(content(made.to_dict()).to_dict())
    assert "random draws" not in plain
    drawn = made.monte_carlo()
    assert drawn is not None
    words = drawn_in_words(drawn.to_dict())
    assert words in said(content(made.to_dict()).to_dict())
    low, high = (1000 * (end - drawn.at_mm) for end in drawn.drawn.shortest)
    assert f"−{abs(low):.2f} µm to +{high:.2f} µm as the shortest interval" in words
    assert str(drawn.comparison.reason) in words
    share = 100 * drawn.comparison.delta / made.budget.U_mm
    assert f"is allowed, {text_of.significant(share, 2)} % of U." in words


def test_a_raised_U_is_said() -> None:
    about = labkit.read_about(sample_data() / "about.toml")
    raised = replace(about, conditions=replace(about.conditions, smallest_U_mm=0.005))
    found = content(calibration(about=raised).to_dict())
    sentence = "No U below 5.0 µm is stated: the laboratory is accredited for no smaller one."
    assert sentence in said(section(found, "Uncertainty").blocks[2].runs[0].text)
    assert set(column(tables(section(found, "Result"))[0], "U, µm")) == {"5.0"}


def test_U_is_claimed_as_far_as_the_points_reach() -> None:
    found = content(calibration(working_range=(0.25, 4.0)).to_dict())
    assert "From 0.250 mm to 3.001 mm a corrected reading" in said(section(found, "Result").blocks[0].runs[0].text)


def test_every_caution_is_a_sentence_on_the_sheet() -> None:
    folder = sample_data() / "mislabelled"
    readings = labkit.read_readings(folder / "readings.csv", shims=labkit.read_shims(folder / "shims.csv"))
    made = labkit.calibrate(readings)
    assert made.cautions
    items = section(content(made.to_dict()), "Cautions").blocks[0]
    assert isinstance(items, Items)
    assert items.items == tuple(str(caution) for caution in made.cautions)


def test_the_safety_cautions_are_on_every_sheet(record: dict[str, Any]) -> None:
    items = section(content(record), "Notes").blocks[0]
    assert isinstance(items, Items)
    assert any("pacemakers" in item for item in items.items)
    assert items.items[-1] == "Local rules and the laboratory's accredited procedures come first."


def test_a_curve_chosen_by_the_user_says_why() -> None:
    record = calibration(family="polynomial-3", reason="Asked for by the customer.").to_dict()
    words = said(content(record).to_dict())
    assert "Polynomial 3 was chosen by the user: Asked for by the customer." in words
    assert "b0 + b1·x + b2·x² + b3·x³" in words


@pytest.mark.parametrize(
    ("tolerance", "verdict", "words"),
    [
        (0.01, "pass", "Inside the limit by more than U."),
        ((-0.0002, 0.0001), "conditional fail", "Outside the limit, but by less than U. All readings count."),
        ((0.003, 0.004), "fail", "Outside the limit by more than U. Do not measure parts."),
    ],
)
def test_the_outcome_stands_on_the_first_page_in_words(tolerance: Any, verdict: str, words: str) -> None:
    made = calibration(tolerance=tolerance, family="polynomial-3", reason="for comparison")
    assert made.verdict == verdict
    first = section(content(made.to_dict()), "Result").blocks[0]
    assert words in said(first.runs[1].text)  # type: ignore[union-attr]
    assert f"Check shims: {verdict}" in first.runs[1].text  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("rule", "outcomes", "words"),
    [
        ("simple", "two", "Simple acceptance (JCGM 106:2012, clause 8)"),
        ("guard-band-U", "two", "Guard band w = U, two outcomes"),
        ("guard-band-1.65u", "two", "Guard band w = 1.65·u, two outcomes"),
        ("guard-band-1.65u", "four", "Guard band w = 1.65·u, four outcomes"),
    ],
)
def test_the_decision_rule_is_printed(rule: Any, outcomes: Any, words: str) -> None:
    assert words in said(content(calibration(rule=rule, outcomes=outcomes).to_dict()).to_dict())


def test_nothing_optional_is_no_obstacle() -> None:
    made = calibration()
    only_fit = replace(made.readings, rows=made.readings.with_role("fit"))
    sheet = content(labkit.calibrate(only_fit).to_dict())
    facts = {fact.label: fact.text for fact in sheet.facts}
    assert sheet.laboratory == ("Not stated",)
    assert facts["Gauge"] == "Not stated"
    assert facts["As found"] == "Not read"
    assert not any(each.title == "As found" for each in sheet.sections)
    assert "No check shim was read." in said(sheet.to_dict())


def test_a_raw_signal_has_no_correction() -> None:
    folder = sample_data() / "raw_ball"
    readings = labkit.read_readings(folder / "readings.csv", shims=labkit.read_shims(folder / "shims.csv"))
    record = labkit.calibrate(readings).to_dict()
    table = tables(section(content(record), "Result"))[0]
    assert [each.title for each in table.columns] == ["Thickness, mm", "Indication, counts", "U, µm", "k"]
    assert plot_data(record).raw


def test_readings_in_inches_keep_their_unit() -> None:
    folder = sample_data() / "indication_disc_inch"
    readings = labkit.read_readings(folder / "readings.tsv", shims=labkit.read_shims(folder / "shims.csv"))
    table = tables(section(content(labkit.calibrate(readings).to_dict()), "Readings"))[0]
    assert table.columns[2].title == "Readings as typed, in"
    for row in table.rows:
        typed = [float(run.text) for run in row[2]]
        assert float(row[3][0].text) == pytest.approx(sum(typed) / len(typed), abs=1e-5)


def test_a_draft_says_so_and_a_certificate_has_its_number(record: dict[str, Any]) -> None:
    draft, certificate = content(record), content(record, number="0119", signed=True)
    assert (draft.title, draft.mark, draft.number) == ("Calibration sheet", MARK, "")
    assert draft.header.startswith("Draft, Rig 2, ")
    assert (certificate.title, certificate.mark, certificate.number) == ("Calibration certificate 0119", "", "0119")
    assert content(record, number="0119").mark == MARK


def test_the_plot_shows_the_points_in_micrometres(record: dict[str, Any]) -> None:
    data = plot_data(record)
    points = record["results"]["points"]
    assert data.residual_um == tuple(pytest.approx(1000 * point["residual_mm"]) for point in points)
    assert data.limits_um == (-10.0, 10.0)
    assert len(data.band_um) == len(data.grid_mm) == 200
    assert max(data.band_um) == pytest.approx(1000 * max(row["U_mm"] for row in record["results"]["table"]), rel=0.05)


def test_a_character_that_the_fonts_lack_is_named_with_its_place(record: dict[str, Any]) -> None:
    spoilt = copy.deepcopy(record)
    row = next(row for row in spoilt["inputs"]["readings"]["rows"] if row["shims"] == ["A-2"])
    row["left_out"] = "rain ☂ on the bench"
    with pytest.raises(BadInput) as caught:
        check_characters(words_of_people(spoilt))
    assert str(caught.value).startswith("The sheet cannot print the character ☂ in the note to A-2.")


def test_the_fonts_have_what_laboratories_write() -> None:
    check_characters([("a test", "µ ± − × · ≤ ≥ √ ² ³ ° Δ χ ν α Łódź Ελένη Ковалёв Øresund ‰ € “quoted” – — …")])


def test_marks_without_a_form_are_not_printed() -> None:
    assert printable("A\u202e-1\u200b \t two\nlines\u00ad") == "A-1 two lines"
    assert printable("e\u0301") == "é"
