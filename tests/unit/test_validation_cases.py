"""The published cases load, their numbers parse, and agreement means what it says."""

from __future__ import annotations

import json
import math
from decimal import Decimal
from pathlib import Path

import pytest

import labkit.validation
from labkit.validation import PublishedValue, case, cases
from labkit.validation.register import computation

DATA = Path(labkit.validation.__file__).parent / "data"
FILES = sorted(DATA.rglob("*.json"))


def test_every_packaged_file_is_a_case_of_its_folder():
    loaded = {(each.topic, each.name) for each in cases()}
    assert loaded == {(path.parent.name, path.stem) for path in FILES}
    assert len(FILES) > 30
    assert len({name for _, name in loaded}) == len(FILES)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_file_names_its_source_and_its_numbers_parse(path):
    found = json.loads(path.read_text(encoding="utf-8"))
    one = case(path.stem)
    assert len(one.source) > 20
    assert one.from_memory == ("FROM MEMORY" in one.source)
    assert one.description
    assert one.published
    assert one.published.keys() == found["published"].keys()
    for published in one.published.values():
        assert Decimal(published.text).is_finite()
        assert published.last_digit > 0
        assert published.agrees(published.value)
        assert published.abs_tol is None or one.note  # a tolerance of its own is explained


@pytest.mark.parametrize("topic", sorted({each.topic for each in cases()}))
def test_paired_inputs_are_of_one_length(topic):
    for one in cases(topic):
        if "x" in one.inputs:
            m = len(one.inputs["x"])
            for name in ("y", "u_x", "u_y", "w_x", "w_y", "sd_y", "V_y"):
                assert len(one.inputs.get(name, range(m))) == m


SHIPPED = {
    "constants": ["trade_constants"],
    "line": ["bevington_t6_1", "linewidth_calibration_line", "strongx_wls", "walpole_myers"],
    "nist_linear": ["Filip", "Longley", "NoInt1", "Norris", "Wampler1", "Wampler2", "Wampler4"],
    "nist_nonlinear": [
        *("Bennett5", "Chwirut1", "Chwirut2", "DanWood", "Eckerle4", "Gauss1", "Hahn1", "Kirby2", "Lanczos3"),
        *("MGH09", "MGH17", "Misra1a", "Misra1b", "Misra1c", "Rat43"),
    ],
    "iso_28037": ["cl06_wls_equal", "cl06_wls_unequal", "cl07_gdr", "cl09_gmr"],
    "two_variables": ["pearson_york", "pearson_york_lpu"],
    "inverse_prediction": ["eurachem_a5", "graybill_iyer_crystal", "graybill_iyer_thermostat", "massart_ex1"],
    "design": ["inverse_power_locally_d_optimal", "polynomial_d_g_optimal"],
    "gum": ["H1_end_gauge", "H2_resistance_reactance", "H3_thermometer", "H5_anova", "table_G2_student"],
    "ea_4_02": ["S10_vernier_caliper", "S2_weight_10kg", "S4_gauge_block"],
    "jcgm101": ["9_2_additive", "9_3_mass", "9_5_gauge_block"],
    "conformity": ["conformance_probability", "ilac_g8_guard_bands"],
    "nist_univariate": ["Lew", "Lottery", "Michelso", "NumAcc1", "NumAcc2", "NumAcc4"],
    "nist_anova": ["SiRstv", "SmLs01", "SmLs07"],
    "msa": ["aiag_10x3x3", "linearity_bias_5x12", "qualitytools_3x10x2"],
    "control_charts": ["chart_constants", "montgomery_flow_width", "montgomery_one_sided"],
    "nist_handbook": [
        *("capability_6_1_6", "check_standard_137", "ewma_6_3_2_4", "gauge_bias_probes", "gauge_study_resistivity"),
        *("individuals_flowrate", "linewidth_check_control_chart"),
    ],
}
"""What the package is proved by: a case that gets lost is missed here, not in the evidence of a laboratory."""


def test_no_case_got_lost_and_every_one_is_computed():
    assert {topic: [each.name for each in cases(topic)] for topic in SHIPPED} == SHIPPED
    assert {each.topic for each in cases()} == SHIPPED.keys()
    for each in cases():
        assert callable(computation(each))


def test_recalled_and_recomputed_values_are_told_from_copied_ones():
    assert case("table_G2_student").standing == "from memory"
    assert case("H3_thermometer").standing == ""
    assert {each.name for each in cases() if each.standing == "not printed"} == {
        "gauge_study_resistivity",
        "inverse_power_locally_d_optimal",
        "linewidth_check_control_chart",
    }


def test_unknown_names_are_refused_by_name():
    with pytest.raises(KeyError, match="iso_28037"):
        cases("iso")
    with pytest.raises(KeyError, match="Norriss"):
        case("Norriss")


def test_inputs_cannot_be_changed_by_one_test_for_the_next():
    with pytest.raises(TypeError):
        case("Norris").inputs["x"] = []
    with pytest.raises(TypeError):
        case("Norris").published["b0"] = PublishedValue("1")


@pytest.mark.parametrize(
    ("text", "value", "agrees"),
    [
        ("0.465", 0.4645, True),  # half a unit below
        ("0.465", 0.4655, True),  # half a unit above: either way of rounding a tie is accepted
        ("0.465", 0.46549999, True),
        ("0.465", 0.46550001, False),
        ("0.465", 0.46449999, False),
        ("-0.930", -0.9304296, True),
        ("-0.930", 0.930, False),
        ("4.30", 4.304, True),
        ("4.30", 4.306, False),
        ("4.3", 4.306, True),  # fewer digits, a wider rule
        ("107", 107.5, True),
        ("107", 107.6, False),
        ("7.27E-6", 7.2746e-6, True),
        ("7.27E-6", 7.2756e-6, False),
        ("0.465", math.nan, False),
        ("0.465", math.inf, False),
    ],
)
def test_agreement_is_rounding_to_the_printed_digits(text, value, agrees):
    assert PublishedValue(text).agrees(value) is agrees


@pytest.mark.parametrize(
    ("value", "agrees"), [(0.2358, True), (0.2356, True), (0.23581, False), (0.23559, False), (math.nan, False)]
)
def test_a_stated_tolerance_takes_the_place_of_rounding(value, agrees):
    assert PublishedValue("0.2357", abs_tol=0.0001).agrees(value) is agrees


@pytest.mark.parametrize(
    ("text", "digits", "value", "agrees"),
    [
        ("1.00000000000000", 7, 1.0000001, True),
        ("1.00000000000000", 7, 1.00000011, False),
        ("-2316.37108160893", 7, -2316.3713, True),
        ("-2316.37108160893", 7, -2316.3714, False),
        ("0.00000000000000", 8, 1e-8, True),
        ("0.00000000000000", 8, -1.1e-8, False),
    ],
)
def test_digits_are_counted_where_double_precision_cannot_reach_all(text, digits, value, agrees):
    assert PublishedValue(text, digits=digits).agrees(value) is agrees


def test_log_relative_error_counts_correct_digits():
    published = PublishedValue("200.0")
    assert published.lre(200.2) == pytest.approx(3.0)
    assert published.lre(-200.0) == pytest.approx(-math.log10(2.0))
    assert published.lre(200.0) == math.inf
    assert published.lre(math.nan) == -math.inf
    assert PublishedValue("0").lre(1e-12) == pytest.approx(12.0)
