"""The fields of a page: every wrong one is kept and named, and the others are read all the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from labkit.bench.about import About
from labkit.bench.rig import Rig
from labkit.ledger import Bench
from labkit.ledger.demo import demo_bench
from labkit.workflow.particulars import Particulars, cold_readings, defaults, read_fields

BEGUN = "2026-11-25T09:17:00Z"


def read(rig: str = "Rig 2", bench: Bench | None = None, today: date | None = None, **fields: str) -> Particulars:
    bench = bench or demo_bench()
    found = read_fields(defaults(bench, bench.rig(rig)) | fields, bench, "M. Okonjo", BEGUN, today)
    assert found is not None
    return found


def test_the_register_fills_the_fields() -> None:
    found = read()
    about = found.about
    assert not found.faults and not found.doubts
    assert (about.working_range_mm, about.tolerance_mm, about.target_u_mm) == (
        (0.25, 2.5),
        0.005,
        pytest.approx(0.0012),
    )
    assert (about.rig.name, about.operator, about.procedure, about.place) == (
        "Rig 2",
        "M. Okonjo",
        "LP-12",
        "Laboratory, table 2",
    )
    assert [part.name for part in about.instruments] == ["T-3", "H-1"]
    assert (found.repeats, found.signal, found.unit) == (5, "thickness", "mm")
    assert {"A-1", "C-3"} <= {shim.name for shim in found.shims}


def test_without_a_rig_there_is_nothing_to_read() -> None:
    assert read_fields({}, demo_bench(), "", BEGUN) is None


@pytest.mark.parametrize(
    ("field", "typed", "code"),
    [
        ("low", "thin", "number.text"),
        ("low", "-0.1", "field.below_zero"),
        ("high", "0.2", "field.high"),
        ("high", "0", "field.above_zero"),
        ("tolerance", "0", "field.above_zero"),
        ("target", "-1", "field.above_zero"),
        ("temperature", "warm", "number.text"),
        ("temperature_end", "2O.1", "number.letter"),
        ("repeats", "2.5", "field.repeats"),
        ("repeats", "0", "field.repeats"),
        ("repeats", "51", "field.repeats"),
        ("needs_min", "-5", "field.below_zero"),
        ("humidity", "101", "field.between"),
        ("humidity", "-1", "field.below_zero"),
        ("switched_on", "25:00", "field.time"),
        ("shim_set", "Brass set Q", "bench.unknown"),
        ("check_set", "Check set Q", "bench.unknown"),
    ],
)
def test_a_wrong_field_is_named_alone(field: str, typed: str, code: str) -> None:
    found = read(**{field: typed})
    assert {name: fault.code for name, fault in found.faults.items()} == {field: code}
    assert str(found.faults[field])
    assert found.about.place == "Laboratory, table 2"


def test_the_working_range_does_not_hang_on_other_fields() -> None:
    assert read(temperature="warm").about.working_range_mm == (0.25, 2.5)


def test_commas_are_decimal_signs() -> None:
    found = read(low="0,25", temperature="20,4")
    assert found.about.working_range_mm == (0.25, 2.5)
    assert found.about.conditions.temperature_start_degC == 20.4


@pytest.mark.parametrize("field", ["temperature", "temperature_end"])
def test_a_temperature_outside_the_procedure_is_said_and_used(field: str) -> None:
    found = read(**{field: "23.1"})
    assert str(found.doubts[field]) == "23.1 °C is outside 20 ± 2 °C of this procedure."
    assert not found.faults


def test_a_set_past_its_date_is_said() -> None:
    found = read(shim_set="Brass set B", today=date(2026, 11, 25))
    assert str(found.doubts["shim_set"]).startswith("Brass set B was due on 2026-03-14.")
    assert not read(shim_set="Brass set B", today=date(2026, 3, 14)).doubts


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        ("08:50", "2026-11-25T08:50:00Z"),
        ("8.50", "2026-11-25T08:50:00Z"),
        ("23:50", "2026-11-24T23:50:00Z"),
        ("", ""),
    ],
)
def test_a_time_of_day_is_that_of_the_day_or_of_the_evening_before(typed: str, utc: str) -> None:
    assert read(switched_on=typed).about.switched_on == utc


def test_a_time_of_day_is_on_the_laboratorys_clock() -> None:
    bench = replace(demo_bench(), zone="Asia/Tokyo")
    assert read(bench=bench, switched_on="18:00").about.switched_on == "2026-11-25T09:00:00Z"


@pytest.mark.parametrize(
    ("on", "first", "needed", "said"),
    [
        ("2026-11-25T09:00:00Z", "2026-11-25T09:10:00Z", 30.0, True),
        ("2026-11-25T09:00:00Z", "2026-11-25T09:30:00Z", 30.0, False),
        ("", "2026-11-25T09:10:00Z", 30.0, False),
        ("2026-11-25T09:00:00Z", "", 30.0, False),
        ("2026-11-25T09:00:00Z", "2026-11-25T09:10:00Z", None, False),
    ],
)
def test_a_gauge_read_cold_is_said(on: str, first: str, needed: float | None, said: bool) -> None:
    reason = cold_readings(About(rig=Rig(warm_up_min=needed), switched_on=on), first)
    assert (reason is not None) is said
    if reason is not None:
        assert "10 min after switching on" in str(reason) and "30 min" in str(reason)
