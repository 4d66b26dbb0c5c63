"""The readings at the end: what a difference at one shim says of the other end of the range."""

from __future__ import annotations

import numpy as np
import pytest

from labkit import Conditions, calibrate, read_readings
from labkit.bench.influences import Influence

THICKNESS = {"A": 0.5, "B": 0.9, "C": 1.5, "D": 2.4, "E": 3.6, "F": 5.0, "G": 6.5}
SHIMS = "shim,thickness [mm],U [mm],k\n" + "".join(f"{shim},{x},0.001,2\n" for shim, x in THICKNESS.items())
LEVEL = 400.0
X = np.linspace(0.6, 6.4, 30)
SCATTER = (-1.0, 0.0, 1.0)
FINE = (-0.1, 0.0, 0.1)


def signal(x):
    """In counts, on a display of 0.1: hundred thousand at contact, about two hundred at the thick end."""
    return 100_000.0 * (1 + np.asarray(x) / 2.5) ** -5


def day(again, *, gain=0.0, offset=0.0, background="start", sign=1, scatter=SCATTER):
    """
    Readings of a morning, and of its end, when the signal was larger by `gain` and the background by `offset`.

    `again` are the shims read again; `background` says whether no target was read at the start, or at both ends.
    """
    rows = [("background", LEVEL + s, "background") for s in scatter]
    for shim, x in THICKNESS.items():
        rows += [(shim, signal(x) + LEVEL + s, "fit") for s in scatter]
    for shim in again:
        level = signal(THICKNESS[shim]) * (1 + gain) + LEVEL + offset
        rows += [(shim, level + s, "closing-fit") for s in scatter]
    if background == "both":
        rows += [("background", LEVEL + offset + s, "closing-background") for s in scatter]
    text = "".join(f"{shim},{sign * value:.1f},{role}\n" for shim, value, role in rows)
    return read_readings(f"shim,indication [counts],role\n{text}".encode(), shims=SHIMS.encode())


def flexible(readings, conditions=None):
    return calibrate(readings, "flexible", conditions=conditions or Conditions(), reason="habit")


def codes(result):
    return [each.code for each in result.cautions]


def errors(result, *, gain=0.0, offset=0.0, sign=1):
    """What a reading at the end of the day is wrong by, at each thickness."""
    shown = sign * (signal(X) * (1 + gain) + LEVEL + offset)
    return np.abs(result.correct(shown)[0] - X)


def moved(result, *, gain=0.0, offset=0.0, sign=1):
    """By how much a reading is another thickness at the end of the day than at its start."""
    then, now = (sign * (signal(X) * (1 + g) + LEVEL + b) for g, b in ((0.0, 0.0), (gain, offset)))
    return np.abs(result.correct(now)[0] - result.correct(then)[0])


def half(result, code=None):
    """Half the width of the rectangle that the closing difference stands for, at each thickness."""
    found = [t for t in result.uncertainty.terms(result.curve, X, 1) if t.code.startswith(code or "budget.closing")]
    assert len(found) == 1
    return found[0].u_mm * np.sqrt(3)


# ---- a gain that drifts ----


@pytest.mark.parametrize("sign", [1, -1])
def test_a_gain_that_drifts_is_held_at_the_thick_end_by_what_the_thin_shim_shows(sign):
    """
    1 % of the signal: 6 µm on the shim of 0.5 mm, 17 µm at 6.4 mm. As the same thickness everywhere, the line was a third
    of the error there.
    """
    readings = day("A", gain=0.01, background="both", sign=sign, scatter=FINE)
    result = flexible(readings)
    wrong = errors(result, gain=0.01, sign=sign)
    seen = abs(result.closing[0].difference_mm)
    assert wrong[-1] > 2.5 * seen
    assert half(result) == pytest.approx(moved(result, gain=0.01, sign=sign), rel=0.03)
    assert np.all(wrong <= result.expanded(X)[0])
    assert "closing.not_separated" not in codes(result)


def test_a_thickness_indication_moves_by_the_same_thickness_everywhere():
    rows = [(shim, x + s, "fit") for shim, x in THICKNESS.items() for s in (-0.001, 0.0, 0.001)]
    rows += [("A", 0.506, "closing-fit"), ("F", 5.001, "closing-fit")]
    text = "".join(f"{shim},{value:.3f},{role}\n" for shim, value, role in rows)
    result = flexible(read_readings(f"shim,indication [mm],role\n{text}".encode(), shims=SHIMS.encode()))
    largest = max(abs(each.difference_mm) for each in result.closing)
    assert largest == pytest.approx(0.006, rel=0.02)
    assert half(result) == pytest.approx(largest)


def test_no_thickness_counts_less_than_was_seen():
    """At the thin side of the shim that was read again a share of the signal is less thickness than was seen there."""
    result = flexible(day("D", gain=0.01, background="both"))
    assert np.all(half(result) >= abs(result.closing[0].difference_mm) * (1 - 1e-9))


# ---- gain or background ----


def test_one_shim_cannot_tell_gain_from_background_and_both_stand():
    """The difference is the same; which of the two it was shows at the thick end, a hundred times as much."""
    by_gain, by_offset = flexible(day("A", gain=0.001)), flexible(day("A", offset=0.001 * float(signal(0.5))))
    assert by_gain.closing[0].difference_mm == pytest.approx(by_offset.closing[0].difference_mm, rel=0.02)
    wrong = errors(by_offset, offset=0.001 * float(signal(0.5)))
    assert wrong[5] > 3 * errors(by_gain, gain=0.001)[5]
    for result in (by_gain, by_offset):
        assert "closing.not_separated" in codes(result)
        thin = X < 3
        assert np.all(half(result)[thin] >= 0.9 * wrong[thin])


@pytest.mark.parametrize(
    ("gain", "offset"),
    [(0.01, 0.0), (0.0, 30.0), (0.01, 30.0), (0.01, -30.0)],
    ids=["gain", "offset", "both", "against"],
)
@pytest.mark.parametrize("kept", ["two shims", "background"])
def test_two_levels_of_signal_tell_gain_from_background(gain, offset, kept):
    """A thin and a thick shim read again, or a thin one and no target, hold the error all along and not much more."""
    again, background = ("AG", "start") if kept == "two shims" else ("A", "both")
    result = flexible(day(again, gain=gain, offset=offset, background=background, scatter=FINE))
    wrong = errors(result, gain=gain, offset=offset)
    assert "closing.not_separated" not in codes(result)
    U = result.expanded(X)[0]
    assert np.all(wrong <= U)
    alone = errors(result, gain=gain) + errors(result, offset=offset)
    assert np.all(1.3 * alone + flexible(day((), scatter=FINE)).expanded(X)[0] + 0.001 >= U)


def test_gain_and_background_that_drift_to_one_side_are_added_not_squared():
    """Both go with the time: U is 2/√3 of their sum, where two independent rectangles would hold 0.82 of it."""
    to_one, against = (flexible(day("A", gain=0.01, offset=b, background="both", scatter=FINE)) for b in (30.0, -30.0))
    for result in (to_one, against):
        terms = {t.code: t.u_mm[-1] for t in result.uncertainty.terms(result.curve, X, 1)}
        drifts = terms.pop("budget.closing_gain"), terms.pop("budget.background_drift")
        together = sum(drifts) if result is to_one else np.hypot(*drifts)
        expected = np.sqrt(sum(np.square(list(terms.values()))) + together**2)
        assert result.uncertainty.standard(result.curve, X[-1:]) == pytest.approx(expected)
    assert to_one.monte_carlo().drawn.u == pytest.approx(to_one.budget.u_mm, rel=0.03)


def test_what_the_background_moved_is_not_counted_again_in_the_closing_difference():
    result = flexible(day("A", offset=30.0, background="both"))
    drift = half(result, "budget.background_drift")
    assert drift == pytest.approx(30.0 / np.abs(result.curve.slope(X)), rel=1e-6)
    assert np.max(half(result)) < 0.2 * abs(result.closing[0].difference_mm)
    # left out for a reason it has no line of its own: what was seen at the shim stays there
    off = Conditions(influences=(Influence("background-drift", off="looked at"),))
    kept = flexible(day("A", offset=30.0, background="both"), off)
    assert half(kept)[0] >= abs(kept.closing[0].difference_mm) * (1 - 1e-9)


def test_scatter_of_the_repeats_is_not_taken_for_a_background():
    """Half a count on a repeat scatter of 1: as a change of the background, a fifth of a millimetre at the thick end."""
    result = flexible(day("A", offset=0.5))
    assert "closing.not_separated" not in codes(result)
    assert np.max(half(result)) < 0.001


def test_a_drift_that_the_laboratory_states_is_not_looked_for_in_the_closing_difference():
    stated = Conditions(influences=(Influence("background-drift", {"signal": 40.0}),))
    open_, closed = flexible(day("A", gain=0.001)), flexible(day("A", gain=0.001), stated)
    assert "closing.not_separated" in codes(open_)
    assert "closing.not_separated" not in codes(closed)
    assert half(closed) == pytest.approx(moved(closed, gain=0.001), rel=0.05)


def test_the_line_says_what_it_takes_the_difference_for():
    for again, options, code in (
        ("A", {"gain": 0.01, "background": "both"}, "budget.closing_gain"),
        ("A", {"gain": 0.01}, "budget.closing_either"),
        ("AG", {"offset": 30.0}, "budget.closing_offset"),
        ("AG", {"gain": 0.01, "offset": 30.0}, "budget.closing_both"),
    ):
        result = flexible(day(again, **options))
        (line,) = [each for each in result.budget.lines if each.code.startswith("budget.closing")]
        assert line.code == code
        assert line.shape == "rectangular"
        assert line.name == "Drift during the readings"
        assert "{" not in line.how and "rectangular" in line.how


def test_where_a_curve_is_level_no_difference_is_told_in_thickness():
    """It ended in a division by zero, on a curve that cannot be used backwards anyway."""
    shown = {0.3: 900, 0.6: 500, 1.0: 300, 1.5: 300, 2.2: 100, 3.0: 60}
    rows = "".join(f"{x},{y + s},0.001,2,fit\n" for x, y in shown.items() for s in (-1, 0, 1))
    text = f"reference [mm],indication [counts],U [mm],k,role\n{rows}1.5,301,0.001,2,closing-fit\n"
    result = calibrate(read_readings(text.encode()), "monotone-cubic", reason="habit")
    assert (result.usable, result.closing, result.uncertainty.drift) == (False, (), None)
