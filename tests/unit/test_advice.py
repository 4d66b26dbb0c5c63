"""What more readings would bring, from a calibration; and the benchmark that says whether the advice is worth it."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest

import labkit
from labkit.bench.shims import ShimSet
from labkit.calibration import advice as advice_module
from labkit.problems import Caution
from tests.benchmarks.advice import BOX, CELLS, COUNTS, CURVES, Day, equal_distances, errors, ratio

SAMPLES = Path(__file__).parents[2] / "sample_data"
FILES = {"ends_only": "readings.tsv", "hinge_day": "readings.csv", "raw_ball": "readings.csv"}


def readings(name: str) -> labkit.Readings:
    return labkit.read_readings(SAMPLES / name / FILES[name], shims=SAMPLES / name / "shims.csv")


@pytest.fixture(scope="module")
def results() -> dict[str, labkit.Calibration]:
    return {name: labkit.calibrate(readings(name), tolerance=0.01) for name in FILES}


def names(result: labkit.Calibration, *, again: bool = False) -> list[str]:
    assert result.next_points is not None
    return [each.name for each in result.next_points.ranking if each.again == again]


# ---- when it is worked out ----


def test_nothing_is_ranked_until_somebody_asks_and_then_once(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    rank = advice_module.rank_next
    monkeypatch.setattr(advice_module, "rank_next", lambda *args: asked.append(1) or rank(*args))
    result = labkit.calibrate(readings("ends_only"))
    assert asked == []
    first = result.next_points
    # what the page adds to a result afterwards changes nothing about its shims
    later = replace(result, cautions=(*result.cautions, Caution("closing.not_read")))
    assert later.next_points is first
    assert asked == [1]


def test_the_record_holds_every_criterion(results: dict[str, labkit.Calibration]) -> None:
    record = results["ends_only"].to_dict()
    found = record["results"]["next_points"]
    assert found["repeats"]["code"] == "next.no_repeats_as_good"
    assert {"before", "after", "mean_before", "mean_after", "spread_mm", "readings", "again"} <= found["ranking"][
        0
    ].keys()
    assert labkit.Calibration.from_dict(record).to_dict()["results"]["next_points"] == found


def test_a_record_from_before_there_were_repeats_is_read(results: dict[str, labkit.Calibration]) -> None:
    record = results["ends_only"].to_dict()
    points = record["results"]["next_points"]
    del points["repeats"]
    for each in points["ranking"]:
        for key in ("again", "mean_before", "mean_after", "mean_U_before_mm", "mean_U_after_mm", "spread_mm"):
            del each[key]
    assert names(labkit.Calibration.from_dict(record)) == names(results["ends_only"])


# ---- which shims ----


def test_a_set_that_is_kept_for_checks_is_not_used_up() -> None:
    day = readings("hinge_day")
    without = replace(day, rows=tuple(row for row in day.rows if row.role not in ("check", "as-found")))
    assert {"C-1", "C-2", "C-3"} <= set(names(labkit.calibrate(without)))
    # a page names the set that was chosen for the fit, before a check shim is read
    shims = ShimSet(day.shims.shims, next(shim.set_name for shim in day.shims if shim.name == "A-1"))
    sets = {shim.set_name for shim in shims}
    assert len(sets) == 2
    assert set(names(labkit.calibrate(replace(without, shims=shims)))) == {"A-5", "A-6", "A-8", "A-10"}


# ---- more repeats ----


def test_a_repeat_to_come_makes_the_variance_of_the_mean_what_it_will_be(
    results: dict[str, labkit.Calibration],
) -> None:
    result = results["raw_ball"]
    assert result.advice is not None
    point = result.table.points[4]
    now = float(result.table.variance.variance_of_mean(point.x_mm, point.n))
    for n in (1, 4, 20):
        more = result.advice._V_mean(point.name, point.x_mm)(n)
        then = float(result.table.variance.variance_of_mean(point.x_mm, point.n + n))
        assert 1 / (1 / now + 1 / more) == pytest.approx(then)


def test_where_the_display_step_is_all_repeats_tell_nothing() -> None:
    x = (0.3, 0.8, 1.4, 2.2)
    rows = "".join(f"{at},{at + 0.003:.2f},0.0005,2\n" for at in x for _ in range(12))
    text = f"reference [mm],indication [mm],U [mm],k\n{rows}"
    result = labkit.calibrate(
        labkit.read_readings(text.encode()), conditions=labkit.Conditions(resolution=0.01), working_range=(0.3, 2.2)
    )
    assert result.advice is not None
    point = result.table.points[1]
    assert result.advice._V_mean(point.name, point.x_mm)(5) == np.inf
    grid = np.linspace(0.3, 2.2, 20)
    assert np.array_equal(result.expanded_with([point.name], grid), result.expanded_with([], grid))


def test_more_repeats_are_foretold_like_more_shims(results: dict[str, labkit.Calibration]) -> None:
    result = results["ends_only"]
    grid = np.linspace(*result.options.working_range_mm, 61)
    now = result.expanded_with([], grid)
    for name in ("B-7", "B-1"):
        then = result.expanded_with([name], grid)
        assert np.all(then <= now)
        assert then.min() < now.min() or then.max() < now.max()
    ranking = result.next_points.ranking
    for each in ranking[:3]:
        assert result.expanded_with([each.name], grid).max() == pytest.approx(each.U_after_mm, rel=1e-6)


# ---- no smaller U than the laboratory is accredited for ----


def accredited(name: str, smallest_mm: float, **options: object) -> labkit.Calibration:
    conditions = labkit.Conditions(smallest_U_mm=smallest_mm)
    return labkit.calibrate(readings(name), conditions=conditions, **options)


def test_no_smaller_U_is_foretold_than_the_laboratory_may_state() -> None:
    plain = labkit.calibrate(readings("ends_only"), conditions=labkit.Conditions())
    grid = np.linspace(*plain.options.working_range_mm, 61)
    best = plain.next_points.best
    assert best is not None
    smallest = (best.U_before_mm + best.U_after_mm) / 2
    result = accredited("ends_only", smallest)
    for names_of in ([], [best.name], [best.name, "B-7"]):
        assert result.expanded_with(names_of, grid).min() == pytest.approx(smallest, rel=1e-6)
        assert result.expanded_with(names_of, grid).min() >= smallest * (1 - 1e-12)
    assert all(each.U_after_mm >= smallest * (1 - 1e-12) for each in result.next_points.ranking)
    assert result.next_points.best.U_after_mm == pytest.approx(smallest)


def test_where_the_smallest_U_is_reached_it_is_time_to_stop() -> None:
    U = float(labkit.calibrate(readings("ends_only"), conditions=labkit.Conditions()).budget.U_mm)
    found = accredited("ends_only", 2 * U).next_points
    assert (found.stop, found.best, found.repeats) == ("no longer helps", None, None)
    assert found.reason.code == "next.smallest_reached"
    assert found.reason.params == {"smallest_mm": 2 * U}


def test_a_target_below_the_smallest_U_is_out_of_reach_for_that_reason() -> None:
    U = float(labkit.calibrate(readings("ends_only"), conditions=labkit.Conditions()).budget.U_mm)
    found = accredited("ends_only", 2 * U, target_u=U).next_points
    assert (found.stop, found.best) == ("no longer helps", None)
    assert found.reason.code == "next.target_too_small"
    assert "cannot be reached: the laboratory is accredited for no U below" in str(found.reason)
    reached = accredited("ends_only", 2 * U, target_u=2.1 * U).next_points
    assert reached.stop == "target reached"


# ---- the formulas ----


def test_the_formulas_that_were_accepted_lie_apart(results: dict[str, labkit.Calibration]) -> None:
    assert all(each.spread_mm is None for each in results["ends_only"].next_points.ranking)
    result = results["hinge_day"]
    accepted = [
        row.curve
        for row in result.comparison.rows
        if row.curve is not None and row.monotonic and row.chi2_limit is not None and row.fits
    ]
    assert len(accepted) > 1
    high = result.options.working_range_mm[1]
    assert {each.name for each in result.next_points.ranking if each.x_mm > high} == {"A-10"}
    for each in result.next_points.ranking:
        if each.name == "A-10":
            assert each.spread_mm is None
            continue
        x = np.array([each.x_mm])
        values = [float(curve.value(x)[0]) for curve in accepted]
        apart = (max(values) - min(values)) / abs(float(result.comparison.flexible.slope(x)[0]))
        assert each.spread_mm == pytest.approx(apart)


# ---- the benchmark ----


@pytest.mark.parametrize("box", ["alike", "mixed"])
def test_the_benchmark_reads_as_many_shims_with_each_technician(box: str) -> None:
    found = errors((CELLS[0], 0, "building", box))
    assert found.keys() == set(product(("advice", "equal", "random"), COUNTS, CURVES))
    assert all(0 < error < 1 for error in found.values())
    assert errors((CELLS[0], 0, "building", box)) == found


def test_equal_distances_are_the_nearest_shims() -> None:
    x = np.array([0.2, 0.3, 0.5, 1.1, 1.2, 1.9, 2.2])
    assert sorted(equal_distances(x, 3)) == [0, 4, 6]
    assert sorted(equal_distances(x, 7)) == list(range(7))


def test_a_ratio_below_one_is_the_better_advice() -> None:
    found = [
        {("advice", 5, "flexible"): a, ("equal", 5, "flexible"): b}
        for a, b in ((1.0, 2.0), (2.0, 2.0), (1.0, 4.0), (2.0, 4.0))
    ]
    mean, error = ratio(found, "equal", 5, "flexible")
    assert mean == pytest.approx(0.5)
    assert error == pytest.approx(0.5 * np.std(np.log([0.5, 1, 0.25, 0.5]), ddof=1) / 2)


def test_who_reads_fewer_shims_reads_the_same_indications() -> None:
    day = Day(CELLS[1], 3, "building", "alike")
    few, all_of_them = day.calibrated([0, 5, BOX - 1]), day.calibrated(range(BOX))
    shown = {point.name: point.y for point in all_of_them.table.points}
    assert all(shown[point.name] == point.y for point in few.table.points)
