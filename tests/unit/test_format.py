"""Numbers as text: rounding by the GUM, signs, units."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit import format as f
from labkit.units import LENGTH_UNITS, from_mm, length_unit, parse_length, to_mm


@pytest.mark.parametrize(
    ("u", "shown"),
    [(1.21, "1.3"), (1.2, "1.2"), (1.2000000000001, "1.2"), (0.0996, "0.10"), (9.96, "10"), (123.4, "130"), (0.0, "0")],
)
def test_expanded_uncertainty_is_rounded_up_to_two_digits(u: float, shown: str) -> None:
    assert f.expanded(u) == shown


@given(st.floats(1e-9, 1e9))
def test_expanded_never_understates(u: float) -> None:
    shown = float(f.expanded(u))
    assert shown >= u * (1 - 1e-11)
    assert shown <= u * 1.1 * (1 + 1e-9)


def test_result_and_uncertainty_end_at_the_same_place() -> None:
    assert f.with_uncertainty(1.49684, 0.00131) == ("1.4968", "0.0014")
    assert f.with_uncertainty(-0.00004, 0.0012) == ("0.0000", "0.0012")


def test_a_true_minus_and_no_minus_zero() -> None:
    assert f.number(-1.25, 1) == "−1.2"
    assert f.number(-0.001, 1) == "0.0"
    assert f.number(0.04, 1, signed=True) == "0.0"
    assert f.number(2.0, 1, signed=True) == "+2.0"
    assert f.number(2.5, 1, decimal_sign=",") == "2,5"


@pytest.mark.parametrize("nothing", [None, math.nan, math.inf])
def test_what_is_not_known_is_a_dash(nothing: float | None) -> None:
    assert f.number(nothing, 2) == "–"
    assert f.length(nothing) == "–"
    assert f.expanded(nothing) == "–"
    assert f.percent(nothing) == "–"


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_float_can_be_written(value: float) -> None:
    assert f.number(value, 3)
    assert f.significant(value, 4)


@given(st.floats(-1e3, 1e3), st.sampled_from(LENGTH_UNITS))
def test_units_there_and_back(value: float, unit: str) -> None:
    assert from_mm(to_mm(value, unit), unit) == pytest.approx(value, rel=1e-15, abs=1e-300)


def test_units_as_people_type_them() -> None:
    assert {length_unit(text) for text in ("um", "µm", "μm", " UM ")} == {"µm"}
    assert length_unit("counts") is None
    assert parse_length("0.4 mil") == pytest.approx(0.01016)
    assert parse_length("0,25mm") == 0.25
    assert parse_length("12", "µm") == 0.012
    with pytest.raises(ValueError, match="counts"):
        parse_length("3 counts")
    with pytest.raises(ValueError, match="not a length"):
        parse_length("three")


def test_lengths_in_the_unit_of_choice() -> None:
    assert f.length(0.0254, "mil") == "1.00 mil"
    assert f.length(-0.0011, "µm", signed=True) == "−1.1 µm"
    assert f.expanded_length(0.00121) == "1.3 µm"


def test_shares() -> None:
    assert f.percent(0.004) == "< 1 %"
    assert f.percent(0.9995) == "> 99.9 %"
    assert f.percent(0.63) == "63 %"


def test_probabilities_are_never_none_and_never_all() -> None:
    assert f.probability(1.0) == "> 99.9 %"
    assert f.probability(0.0) == "< 0.1 %"
    assert f.probability(0.8349) == "83.5 %"
    assert f.probability(None) == "–"
