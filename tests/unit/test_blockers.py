"""What stands between a page and its signature: each blocker appears, and disappears."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from labkit.ledger import load_bench, save_bench
from labkit.workflow.blockers import blockers, marks
from labkit.workflow.calibrate import CalibratePage
from tests.calibrate_pages import (
    Asleep,
    Later,
    begun_page,
    demo_folder,
    event,
    finished_page,
    new_page,
    read,
    read_curve,
    read_rows_of,
    take,
    take_over,
)


def left(page: CalibratePage) -> list[tuple[int, str]]:
    return [(blocker.section, blocker.reason.code) for blocker in blockers(page)]


def states(page: CalibratePage) -> str:
    return " ".join(mark.state for mark in marks(page).values())


def test_an_empty_page(tmp_path: Path) -> None:
    page = new_page(demo_folder(tmp_path))
    assert left(page) == [(1, "left.nothing")]
    assert states(page) == "idle idle idle idle idle idle idle"


def test_a_page_that_was_just_begun(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path, identities=False))
    assert left(page) == [
        (1, "left.identity"),
        (2, "left.as_found"),
        *[(3, "left.unfinished")] * 4,
        (4, "left.no_curve"),
        *[(6, "left.check_unread")] * 3,
    ]
    assert "Zero has 0 of 5 readings (section 3)." in str(blockers(page)[3])


def test_nothing_is_left_of_a_finished_page(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    assert page.result is not None and page.result.verdict == "pass"
    assert left(page) == []
    for tick in ("clean", "no_steel", "shims_ready", "steady"):
        page.set_tick(tick, True)
    assert states(page) == "ok ok ok ok ok ok part"
    assert str(marks(page)[7].words) == "Ready to sign"


Change = Callable[[CalibratePage], None]


def _cases() -> Iterator[tuple[str, int, str, Change, Change]]:
    """Name, section, code; what brings the blocker, and what takes it away."""
    yield "field", 1, "left.field", lambda p: p.set_field("humidity", "1O"), lambda p: p.set_field("humidity", "10")
    yield (
        "temperature",
        1,
        "left.temperature",
        lambda p: p.set_field("temperature", ""),
        lambda p: p.set_field("temperature", "20"),
    )
    yield (
        "as found",
        2,
        "left.as_found",
        lambda p: (
            p.grid_event(
                "as-found", event("clear", cells=[(f"as-found:C-{i}", j) for i in (1, 2, 3) for j in range(5)])
            )
            and None
        ),
        lambda p: p.set_field("as_found_reason", "the probe was replaced"),
    )
    yield (
        "as found unfinished",
        2,
        "left.as_found_unfinished",
        lambda p: p.grid_event("as-found", event("clear", cells=[("as-found:C-2", 4)])) and None,
        lambda p: p.grid_event("as-found", event("menu", "as-found:C-2", item="finish-fewer")) and None,
    )
    yield (
        "bad cell",
        3,
        "left.bad_cell",
        lambda p: p.grid_event("readings", event("edit", "fit:A-3", 1, text="0.5O9")) and None,
        lambda p: p.grid_event("readings", event("edit", "fit:A-3", 1, text="0.509")) and None,
    )
    yield (
        "bad cell of a check",
        6,
        "left.bad_cell",
        lambda p: p.grid_event("checks", event("edit", "check:C-3", 1, text="two")) and None,
        lambda p: p.grid_event("checks", event("undo")) and None,
    )
    yield (
        "unfinished row",
        3,
        "left.unfinished",
        lambda p: p.read_shim("A-9"),
        lambda p: p.remove_row("fit:A-9"),
    )
    yield (
        "straggler",
        3,
        "left.straggler",
        lambda p: p.grid_event("readings", event("edit", "fit:A-3", 3, text="0.516")) and None,
        lambda p: p.decide_straggler("fit:A-3", 3, reason="the target slipped"),
    )
    yield (
        "shims of another set",
        3,
        "left.elsewhere",
        lambda p: p.set_field("shim_set", "Brass set B"),
        lambda p: p.set_field("shim_set", "Brass set A"),
    )
    yield (
        "shim set",
        1,
        "left.shim_set",
        lambda p: p.set_field("shim_set", ""),
        lambda p: p.set_field("shim_set", "Brass set A"),
    )
    yield (
        "reason for the curve",
        4,
        "left.no_reason",
        lambda p: p.set_field("family", "polynomial-3"),
        lambda p: p.set_field("reason", "as in the procedure"),
    )
    yield (
        "a family that there is none of",
        4,
        "curve.unknown_family",
        lambda p: p.set_field("family", "spaghetti"),
        lambda p: p.set_field("family", ""),
    )
    yield (
        "check set",
        6,
        "left.check_set",
        lambda p: p.set_field("check_set", ""),
        lambda p: p.set_field("check_set", "Check set C"),
    )
    yield (
        "check unread",
        6,
        "left.check_unread",
        lambda p: p.grid_event("checks", event("clear", cells=[("check:C-3", j) for j in range(5)])) and None,
        lambda p: read(p, "check:C-3"),
    )
    yield (
        "check unfinished",
        6,
        "left.check_unfinished",
        lambda p: p.grid_event("checks", event("menu", "check:C-3", item="read-again")) and None,
        lambda p: read(p, "check:C-3"),
    )
    yield (
        "a character without a form",
        7,
        "sheet.character",
        lambda p: p.write_note("fit:A-2", "it rained ☂"),
        lambda p: p.write_note("fit:A-2", "it rained"),
    )


@pytest.mark.parametrize(
    ("section", "code", "bring", "take_away"), [case[1:] for case in _cases()], ids=[case[0] for case in _cases()]
)
def test_each_blocker_appears_and_disappears(
    tmp_path: Path, section: int, code: str, bring: Change, take_away: Change
) -> None:
    page = finished_page(tmp_path)
    bring(page)
    assert (section, code) in left(page)
    assert all(str(blocker) for blocker in blockers(page))
    take_away(page)
    assert (section, code) not in left(page)


def test_a_signing_file_that_is_gone(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    (tmp_path / "identities" / "m-okonjo.p12").unlink()
    assert left(page) == [(1, "left.identity")]


def test_somebody_who_is_no_longer_registered_is_nobody(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    bench = load_bench(tmp_path)
    save_bench(tmp_path, replace(bench, people=tuple(each for each in bench.people if each.name != "M. Okonjo")))
    again = new_page(tmp_path, page.get_state())
    assert left(again) == [(1, "left.person")]


def test_while_it_computes(tmp_path: Path) -> None:
    worker = Later()
    page = finished_page(tmp_path, worker)
    assert left(page) == [(4, "left.computing")]
    assert str(marks(page)[4].words) == "Computing"
    worker.answer(-1)
    assert left(page) == []


def failing_page(data: Path, off_mm: float) -> CalibratePage:
    page = finished_page(data, Asleep())
    page.grid_event("checks", event("clear", cells=[("check:C-2", j) for j in range(5)]))
    read(page, "check:C-2", off_mm=off_mm)
    return new_page(data, page.get_state())


@pytest.mark.parametrize(
    ("off_mm", "verdict", "blocked"),
    [(0.0043, "conditional pass", False), (0.0062, "conditional fail", True), (0.012, "fail", True)],
)
def test_who_may_sign_what(tmp_path: Path, off_mm: float, verdict: str, blocked: bool) -> None:
    page = failing_page(tmp_path, off_mm)
    assert page.result is not None and page.result.verdict == verdict
    assert left(page) == ([(6, "left.engineer_only")] if blocked else [])
    assert marks(page)[6].state == ("stop" if blocked else "watch")
    if not blocked:
        return
    page.set_field("release_reason", "I would like to go home")
    assert left(page) == [(6, "left.engineer_only")]
    take_over(page, "R. Halloran")
    assert left(page) == [(6, "left.release_reason")], "the reason is not the engineer's own"
    page.set_field("release_reason", "")
    page.set_field("release_reason", "only walls above 1 mm are measured")
    assert left(page) == []
    assert page.result is not None
    assert "Released by R. Halloran: only walls above 1 mm are measured" in page.result.about.remarks


def test_a_release_is_not_said_of_a_page_that_passes(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    take_over(page, "R. Halloran")
    page.set_field("release_reason", "left over from before")
    assert page.result is not None
    assert not any("Released" in remark for remark in page.result.about.remarks)


def test_what_is_left_stands_in_the_order_of_the_sections(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.grid_event("checks", event("edit", "check:C-3", 1, text="two"))
    page.set_field("family", "polynomial-3")
    page.set_field("humidity", "1O")
    assert [section for section, _ in left(page)] == [1, 4, 6]


def test_a_bad_cell_is_told_beside_the_number_of_its_section(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    page.open_part("as-found")
    take(page, "as-found:C-1", "0.36O", *["0.359"] * 4)
    mark = marks(page)[2]
    assert (mark.state, str(mark.words)) == ("stop", "One cell to put right")
    take(page, "as-found:C-2", "1.25O", *["1.253"] * 4)
    assert str(marks(page)[2].words) == "2 cells to put right"


def test_a_target_that_is_not_reached_is_no_tick(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    read_curve(page)
    page.set_field("target", "0.2")
    for shim in ("A-5", "A-8", "A-9", "A-10"):
        page.read_shim(shim)
        read_rows_of(page, "fit")
    assert page.result is not None and page.result.next_points is not None
    assert page.result.next_points.stop in ("no longer helps", "nothing at hand")
    found = marks(page)[5]
    assert (found.state, str(found.words)) == ("watch", "Target not reached")


def test_points_and_curve_that_disagree_are_looked_at(tmp_path: Path) -> None:
    """However many points are named as the cause."""
    page = begun_page(demo_folder(tmp_path))
    read_curve(page)
    page.set_field("family", "line")
    for j in range(5):
        page.grid_event("readings", event("edit", "fit:A-4", j, text="1.030"))
    codes = {caution.code for caution in page.result.cautions} if page.result else set()
    assert len(codes & {"curve.disagrees", "curve.none_fits"}) == 1
    assert marks(page)[4].state == "watch"
