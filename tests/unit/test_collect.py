"""From cells to readings: what is no reading is kept, named, and not computed from."""

from __future__ import annotations

import pytest

from labkit.bench.shims import Shim, ShimSet
from labkit.problems import BadInput, Caution
from labkit.workflow.collect import Collected, collect, read_cell
from labkit.workflow.log import ReadingLog
from tests.calibrate_pages import Clock

SHIMS = ShimSet((Shim("A-1", 0.1003), Shim("A-3", 0.5011), Shim("A-9", 3.0014)), "Brass set A")


def log_with(row: str, *texts: str) -> ReadingLog:
    log = ReadingLog(Clock())
    log.bring_back(row, len(texts))
    for place, text in enumerate(texts):
        log.write(row, place, text, "M. Okonjo")
    return log


def thickness(log: ReadingLog, unit: str = "mm") -> Collected:
    return collect(log, SHIMS, "thickness", unit)


def test_readings_carry_what_was_typed_by_whom_and_when() -> None:
    log = log_with("fit:A-3", "0.508", "0,509")
    log.leave_out("fit:A-3", 1, "the target slipped")
    found = thickness(log)
    assert found.readings is not None
    first, second = found.readings.rows
    assert (first.value, first.typed, first.operator, first.shims, first.role) == (
        0.508,
        "0.508",
        "M. Okonjo",
        ("A-3",),
        "fit",
    )
    assert first.time.endswith("Z") and first.counts
    assert (second.value, second.typed, second.left_out) == (0.509, "0,509", "the target slipped")
    assert found.place_of(1) == ("fit:A-3", 1)
    assert found.place_of(2) is None


def test_a_cell_without_a_number_is_named_and_the_others_count() -> None:
    found = thickness(log_with("fit:A-3", "0.5O8", "0.509", "<img src=x>", "=1+1"))
    assert {place: fault.code for (_, place), fault in found.bad.items()} == {
        0: "number.letter",
        2: "number.text",
        3: "number.formula",
    }
    assert found.readings is not None
    assert [row.typed for row in found.readings.rows] == ["0.509"]
    assert found.place_of(0) == ("fit:A-3", 1)


def test_a_row_that_was_set_aside_stays_and_does_not_count() -> None:
    log = log_with("fit:A-3", "0.508")
    log.set_aside("fit:A-3", "dropped")
    found = thickness(log)
    assert found.readings is not None
    assert found.readings.rows[0].left_out == "dropped"


@pytest.mark.parametrize("signal", ["thickness", "raw"])
@pytest.mark.parametrize("text", ["0.25", "0"])
def test_rows_on_shims_of_another_set_stay_and_are_not_computed_from(signal: str, text: str) -> None:
    log = log_with("fit:B-1", text)
    log.keep("fit:B-1", 0)
    log.bring_back("fit:A-3 + B-1", 1)
    found = collect(log, SHIMS, signal, "mm" if signal == "thickness" else "counts")  # type: ignore[arg-type]
    assert found.elsewhere == ("fit:B-1", "fit:A-3 + B-1")
    assert found.readings is None
    assert not found.bad


@pytest.mark.parametrize(
    ("unit", "shim", "text", "code", "other"),
    [
        ("mm", "A-9", "0.1181", "cell.other_unit", "in"),
        ("mm", "A-9", "118.1", "cell.other_unit", "mil"),
        ("mm", "A-9", "3001", "cell.other_unit", "µm"),
        ("in", "A-9", "3.00", "cell.other_unit", "mm"),
        ("mil", "A-9", "3000", "cell.other_unit", "µm"),
        ("mm", "A-9", "76.07", "cell.too_large", None),
    ],
)
def test_a_reading_in_another_unit_is_asked_about(
    unit: str, shim: str, text: str, code: str, other: str | None
) -> None:
    log = log_with(f"fit:{shim}", text)
    found = thickness(log, unit)
    fault = found.bad[f"fit:{shim}", 0]
    assert fault.code == code
    assert fault.params.get("other") == other
    assert text in str(fault) and fault.hint
    log.keep(f"fit:{shim}", 0)
    assert not thickness(log, unit).bad


def test_said_in_its_unit_a_reading_is_taken() -> None:
    found = thickness(log_with("fit:A-9", "118.1 mil", "0.1181in", "3.000 mm"))
    assert found.readings is not None
    assert [row.value for row in found.readings.rows] == pytest.approx([2.99974, 2.99974, 3.0])
    assert [row.typed for row in found.readings.rows] == ["118.1 mil", "0.1181in", "3.000 mm"]


@pytest.mark.parametrize("text", ["0.49", "0.6", "-0.5", "1.0"])
def test_a_reading_that_is_only_wrong_is_not_taken_for_another_unit(text: str) -> None:
    assert not thickness(log_with("fit:A-3", text)).bad


def test_a_reading_that_was_left_out_is_not_asked_about() -> None:
    log = log_with("fit:A-9", "0.1181")
    log.leave_out("fit:A-9", 0, "wrong unit")
    assert not thickness(log).bad


@pytest.mark.parametrize("text", ["1,234", "1.234,5,6"])
def test_a_raw_signal_that_can_be_read_in_two_ways_is_not_guessed(text: str) -> None:
    with pytest.raises(BadInput):
        read_cell(text, "raw", "counts")


def test_two_ways_to_read_are_both_named_for_people() -> None:
    with pytest.raises(BadInput) as refused:
        read_cell("1,234", "raw", "counts")
    assert refused.value.code == "cell.ambiguous"
    assert "1.234" in str(refused.value) and "1234" in str(refused.value) and "decimal=" not in str(refused.value)


@pytest.mark.parametrize(
    ("unit", "text", "value_mm"), [("mm", "1,234", 1.234), ("in", "0,118", 2.9972), ("µm", "12,5", 0.0125)]
)
def test_a_lone_comma_in_a_length_is_its_decimal_sign(unit: str, text: str, value_mm: float) -> None:
    assert read_cell(text, "thickness", unit) == pytest.approx(value_mm)


@pytest.mark.parametrize("unit", ["µm", "mil"])
def test_a_comma_in_thousands_of_a_small_unit_is_not_guessed(unit: str) -> None:
    with pytest.raises(BadInput) as refused:
        read_cell("1,234", "thickness", unit)
    assert refused.value.code == "cell.ambiguous"


def test_doubts_are_carried_along() -> None:
    doubt = Caution("table.mixed_decimals")
    found = collect(log_with("fit:A-3", "0.5"), SHIMS, "thickness", "mm", [doubt])
    assert found.readings is not None
    assert found.readings.cautions == (doubt,)


def test_nothing_read_is_no_readings() -> None:
    assert thickness(log_with("fit:A-3")).readings is None
