"""How a rig has moved: limits against numpy, what is said of a drift, and what the figure shows."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from labkit.charts import moved_figure
from labkit.check import Past, series, watched
from labkit.check.history import BASELINE
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger.checks import checks_of
from labkit.panels.check.page import CheckView
from labkit.problems import Problem
from labkit.workflow.signing import signed_sheet
from tests.check_pages import RIG, begun_check, calibrated_folder, read
from tests.faults.test_chain import outside

D2 = 2 / np.sqrt(np.pi)
"""Mean range of two normal values, in standard deviations."""


def past(
    i: int, deviation: float, *, zero: float | None = 0.0, background: float | None = 11.6, **more: object
) -> Past:
    at = (datetime(2026, 1, 5, 7, 12, tzinfo=UTC) + timedelta(days=10 * i)).strftime("%Y-%m-%dT%H:%M:%SZ")
    found = {
        "number": f"0094-{i + 1:02d}",
        "certificate": "0094",
        "deviations_mm": {"C-1": deviation},
        "spreads": {"C-1": (0.0005, 4)},
        "limits_mm": (-0.005, 0.005),
    } | more
    return Past(at=at, zero_mm=zero, background=background, **found)  # type: ignore[arg-type]


def pasts(values: np.ndarray, **more: object) -> list[Past]:
    return [past(i, float(value), **more) for i, value in enumerate(values)]


@pytest.fixture(scope="module")
def steady() -> np.ndarray:
    return np.random.default_rng(8).normal(0.0003, 0.0006, 20)


def test_limits_come_from_the_first_checks_and_stay(steady: np.ndarray) -> None:
    found = series(pasts(steady), "C-1")
    first = steady[:BASELINE]
    sigma = np.mean(np.abs(np.diff(first))) / D2
    assert found.chart is not None and found.average is not None
    assert found.chart.centre == pytest.approx(first.mean())
    assert found.chart.upper is not None and found.chart.upper[-1] == pytest.approx(first.mean() + 3 * sigma, rel=1e-6)
    half = 3 * sigma * np.sqrt(0.3 / 1.7)
    assert found.average.upper is not None
    assert found.average.upper[-1] == pytest.approx(first.mean() + half, rel=1e-6)
    mean = first.mean()
    for value in steady:
        mean = 0.3 * value + 0.7 * mean
    assert found.average.points[-1] == pytest.approx(mean)
    assert not (found.beyond or found.drifts or found.noisy)


@pytest.mark.parametrize("count", [0, 1, BASELINE - 1])
def test_there_are_no_limits_before_the_baseline_is_full(steady: np.ndarray, count: int) -> None:
    found = series(pasts(steady[:count]), "C-1")
    assert (found.chart, found.average, found.standard) == (None, None, None) and len(found.values) == count


def test_a_creeping_shim_is_seen_by_the_weighted_mean_first(steady: np.ndarray) -> None:
    values = np.append(steady, steady[:5] * 0.2 + 0.0003 + 0.0009)
    found = series(pasts(values), "C-1")
    assert found.drifts and not found.beyond
    assert series(pasts(np.append(steady, 0.004)), "C-1").beyond


def test_repeats_that_scatter_more_than_ever_are_seen(steady: np.ndarray) -> None:
    kept = [*pasts(steady), past(20, 0.0003, spreads={"C-1": (0.0020, 4)})]
    assert series(kept, "C-1").noisy
    kept[-1] = past(20, 0.0003, spreads={})
    assert series(kept, "C-1").standard is None, "a shim that was read once says nothing of its spread"


def test_numbers_that_never_change_give_no_limits() -> None:
    found = series(pasts(np.zeros(20)), "zero")
    assert found.chart is None and len(found.values) == 20


def test_what_was_not_read_is_left_out(steady: np.ndarray) -> None:
    kept = pasts(steady[:4])
    kept[1] = past(1, 0.001, zero=None, background=None, deviations_mm={"C-2": 0.001})
    assert watched(kept) == ("C-1", "C-2", "zero", "background")
    assert [each.number for each in series(kept, "zero").pasts] == ["0094-01", "0094-03", "0094-04"]
    assert series(kept, "C-2").values == (0.001,)


# ---- the figure ----


def words(figure: object) -> list[str]:
    return [each.text for each in figure.layout.annotations]  # type: ignore[attr-defined]


def test_the_figure_draws_the_values_in_the_unit_of_the_page_with_both_sides_of_both_limits(steady: np.ndarray) -> None:
    found = series(pasts(steady), "C-1")
    figure = moved_figure(found)
    drawn = next(trace for trace in figure.data if trace.name == "each check")
    assert list(drawn.y) == pytest.approx(list(1000 * steady))
    said = words(figure)
    assert sum(each.startswith("control") for each in said) == 2
    assert sum(each.startswith("drift limit") for each in said) == 2
    assert sum("limit</b>" in each for each in said) == 2 and "<b>Deviation of shim C-1, µm</b>" in said
    mils = moved_figure(found, unit="in")
    assert list(mils.data[-1].y) == pytest.approx(list(steady / 0.0254))
    assert moved_figure(series([], "C-1")).layout.annotations[0].text == "Nothing is read yet."


def test_a_calibration_between_two_checks_is_marked(steady: np.ndarray) -> None:
    kept = [*pasts(steady[:3]), *(past(i, 0.0, certificate="0119") for i in (3, 4))]
    figure = moved_figure(series(kept, "C-1"))
    assert [each for each in words(figure) if "sheet" in each] == ["calibrated, sheet 0119"]


def test_only_the_span_that_was_asked_for_is_drawn_with_the_limits_of_all(steady: np.ndarray) -> None:
    found = series(pasts(steady), "C-1")
    whole, part = moved_figure(found), moved_figure(found, since="2026-06-01")
    assert len(part.data[-1].x) < len(whole.data[-1].x) == 20
    assert [each for each in words(part) if "control" in each] == [each for each in words(whole) if "control" in each]


def test_the_background_is_shown_in_the_unit_of_the_gauge(steady: np.ndarray) -> None:
    kept = [past(i, 0.0, background=400.0 + i) for i in range(4)]
    figure = moved_figure(series(kept, "background"), unit="in", reading_unit="<b>counts")
    assert list(figure.data[-1].y) == [400.0, 401.0, 402.0, 403.0]
    assert "<b>Background, &lt;b&gt;counts</b>" in words(figure), "a person's word is no markup"


# ---- the page ----


def test_the_page_says_how_many_are_kept_and_shows_today_beside_them(tmp_path: Path) -> None:
    data = calibrated_folder(tmp_path)
    for _ in range(2):
        page = begun_check(data)
        read(page)
        page.sign(DEMO_PASSPHRASE, signed_sheet)
    page = begun_check(data)
    view = CheckView(page)
    assert [each.number for each in page.pasts] == ["0001-01", "0001-02"]
    read(page)
    assert [each.number for each in page.pasts] == ["0001-01", "0001-02", ""]
    section = view.moved
    assert "2 are kept so far" in section._says.value
    assert section.mark() == ("idle", "2 kept")
    assert [label for label, _ in section._what.options] == ["C-1", "C-3", "Contact zero", "Background"]
    figure = json.loads(section._figure.root.children[0].figure)
    assert len(figure["data"][-1]["x"]) == 3
    section._what.value = "zero"
    assert "Contact zero" in section._figure.root.children[0].figure


def test_a_creeping_rig_is_said_beside_its_section(tmp_path: Path, steady: np.ndarray) -> None:
    from labkit.panels.check import section_moved

    kept = pasts(np.append(steady, steady[:5] * 0.2 + 0.0012))
    drawn = [series(kept, "C-1"), series(kept, "background")]
    assert section_moved._mark(drawn, 25) == ("watch", "Slow drift")
    page = begun_check(calibrated_folder(tmp_path))
    assert "C-1 creeps" in section_moved._says(page, drawn)


def test_a_record_that_was_changed_is_not_drawn(tmp_path: Path) -> None:
    data = calibrated_folder(tmp_path)
    page = begun_check(data)
    read(page)
    page.sign(DEMO_PASSPHRASE, signed_sheet)
    outside(data, "UPDATE file SET content = CAST('{}' AS BLOB) WHERE media_type = 'application/json'")
    with pytest.raises(Problem) as caught:
        checks_of(data, RIG)
    assert caught.value.code == "ledger.changed"
