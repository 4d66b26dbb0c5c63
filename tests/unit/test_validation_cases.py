"""The published cases load, their numbers parse, and agreement means what it says."""

from __future__ import annotations

import json
import math
from decimal import Decimal
from pathlib import Path

import pytest

import labkit.validation
from labkit.validation import PublishedValue, case, cases

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


@pytest.mark.parametrize("topic", sorted({each.topic for each in cases()}))
def test_paired_inputs_are_of_one_length(topic):
    for one in cases(topic):
        if "x" in one.inputs:
            m = len(one.inputs["x"])
            for name in ("y", "u_x", "u_y", "w_x", "w_y", "sd_y", "V_y"):
                assert len(one.inputs.get(name, range(m))) == m


def test_the_cases_that_this_package_is_proved_by_are_there():
    named = {each.name for each in cases()}
    assert named >= {"Norris", "NoInt1", "Wampler1", "Wampler2", "Wampler4", "Filip", "Longley", "Bennett5"}
    assert {each.name for each in cases("iso_28037")} == {
        "cl06_wls_equal",
        "cl06_wls_unequal",
        "cl07_gdr",
        "cl09_gmr",
    }
    assert case("table_G2_student").from_memory
    assert not case("H3_thermometer").from_memory


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
