"""
Coverage on benches whose truth is known: one small cell of the simulation in tests/benchmarks, through the same code.

Bounds of a cell of n calibrations: the goal of the large simulation, 93–99 %, widened by three standard errors
√(p·(1 − p)/n) at its ends. This counts a calibration as a single trial, held or not, though it is asked at 41
thicknesses: the mean over them scatters less, however much they depend on one another. For n = 50 the lower bound is
82 %, and the upper one lies above 100 %: too large a U is found by the large simulation, or by its width here.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks import coverage
from tests.benchmarks.benches import CELLS, DEEPEST_MM, TARGETS, draw, model
from tests.benchmarks.coverage_table import table
from tests.benchmarks.trials import CellTally, Claim, Tally, Trial, run

COUNT = 50
CELL = CELLS["ball-quiet-7-raw"]


def bounds(count):
    low, high = 0.93, 0.99
    return low - 3 * np.sqrt(low * (1 - low) / count), min(high + 3 * np.sqrt(high * (1 - high) / count), 1.0)


def covers(tally):
    low, high = bounds(tally.count)
    return low <= tally.mean_coverage <= high


@pytest.fixture(scope="module")
def trials():
    return [run(draw(CELL, index, "building")) for index in range(COUNT)]


@pytest.fixture(scope="module")
def cell(trials):
    tally = CellTally()
    for trial in trials:
        tally.add(trial)
    return tally


def tallied(claims):
    tally = Tally()
    for claim in claims:
        tally.add(claim)
    return tally


def test_U_of_the_recommended_curve_holds_the_error_as_often_as_it_says(cell):
    assert cell.count == COUNT
    assert not cell.unanswered
    assert covers(cell.reading)
    assert covers(cell.curve)
    assert cell.curve.mean_U_mm < 2 * cell.curve.ideal_mm


@pytest.mark.parametrize("of", ["reading", "curve"])
def test_a_curve_that_claims_half_is_found_out(trials, of):
    claims = [getattr(trial, of) for trial in trials]
    assert covers(tallied(claims))
    assert not covers(tallied([replace(claim, U_mm=claim.U_mm / 2) for claim in claims]))


def test_a_log_polynomial_covers_far_less_than_it_claims(cell):
    low, _ = bounds(COUNT)
    own = cell.families["log-polynomial-2"].usable
    assert own.count == COUNT
    assert own.mean_coverage < low - 0.2
    assert own.rms_mm > 2 * cell.curve.rms_mm


# ---- the simulation itself ----


@pytest.mark.parametrize("target", TARGETS)
def test_the_tabulated_physics_is_the_physics(target):
    x = np.linspace(-0.1, DEEPEST_MM - 0.01, 200)
    for index in range(5):
        probe = draw(CELLS[f"{target}-quiet-5-raw"], index, "building").probe
        itself = model.Probe(**{name: getattr(probe, name) for name in model.Probe.__dataclass_fields__})
        error_mm = (probe.true_response(x) - itself.true_response(x)) / itself.slope(x)
        assert np.abs(error_mm).max() < 1e-8
        assert np.all(np.diff(itself.true_response(x)) < 0)


def test_a_bench_is_the_same_whenever_it_is_drawn_and_differs_between_seeds():
    first, again, other = (draw(CELL, 7, seeds) for seeds in ("building", "building", "table"))
    assert first.readings_csv() == again.readings_csv()
    assert first.shims_csv() == again.shims_csv() != other.shims_csv()


def test_a_tally_counts_what_is_held_and_finds_the_ideal_width():
    rng = np.random.default_rng(5)
    sd = np.geomspace(0.5e-3, 5.0e-3, 41)
    answered = np.ones(41, dtype=bool)
    tally = tallied([Claim(sd * rng.standard_normal(41), 2 * sd, answered) for _ in range(4000)])
    assert tally.mean_coverage == pytest.approx(0.9545, abs=4 * tally.standard_error)
    assert tally.standard_error == pytest.approx(np.sqrt(0.9545 * 0.0455 / (41 * 4000)), rel=0.1)
    assert tally.ideal_mm == pytest.approx(1.96 * sd.mean(), rel=0.02)
    assert tally.mean_U_mm == pytest.approx(2 * sd.mean())


def test_refused_readings_count_neither_for_nor_against():
    answered = np.arange(41) > 0
    tally = tallied([Claim(np.where(answered, 0.5, 9.0), np.ones(41), answered)])
    assert (tally.mean_coverage, tally.rms_mm, tally.answered, tally.bins[0].sum()) == (1.0, 0.5, 40, 0)


def test_a_result_file_is_gone_on_with_and_says_the_same(cell, trials):
    begun = CellTally()
    for trial in trials[:20]:
        begun.add(trial)
    begun = CellTally.from_dict(json.loads(json.dumps(begun.to_dict())))
    for trial in trials[20:]:
        begun.add(trial)
    head = {"cell": CELL.name, "commit": "0123", "code": coverage.code_hash()}
    whole, parts = (table([head | {"tally": each.to_dict()}]) for each in (cell, begun))
    assert whole == parts
    assert f"| {CELL.name} | {COUNT} | 0 |" in whole


def test_what_has_no_recommended_curve_is_counted_and_named():
    tally = CellTally()
    for trial in (Trial("points.mixed_signs"), Trial("recommend.order_broken"), Trial("recommend.order_broken")):
        tally.add(trial)
    assert (tally.count, tally.missed_reading) == (3, "---")
    said = table([{"cell": CELL.name, "commit": "0123", "code": "4567", "tally": tally.to_dict()}])
    assert "recommend.order_broken × 2, points.mixed_signs × 1" in said
    assert f"| {CELL.name} | 3 | 3 | – |" in said


def test_another_code_or_other_seeds_are_not_mixed(tmp_path, capsys):
    out = tmp_path / "results"
    out.mkdir()
    begun = {"code": "of yesterday", "seeds": "building", "tally": CellTally().to_dict()}
    (out / f"{CELL.name}.json").write_text(json.dumps(begun))
    arguments = ["--cells", CELL.name, "--seeds", "building", "--out", str(out)]
    assert coverage.main(arguments) == 2
    assert coverage.main([*arguments, "--resume"]) == 2
    said = capsys.readouterr().err
    assert "--resume goes on" in said
    assert "another code" in said
