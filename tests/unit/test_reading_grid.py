"""What the grid takes from a browser: each event once, in order, and nothing that is not one."""

from __future__ import annotations

from typing import Any

import pytest

from labkit.panels.reading_grid import GridEvent, ReadingGrid, read_event


@pytest.fixture
def grid() -> ReadingGrid:
    return ReadingGrid(rows=[{"id": "A-1", "label": "A-1", "cells": []}])


@pytest.fixture
def seen(grid: ReadingGrid) -> list[GridEvent]:
    events: list[GridEvent] = []
    grid.on_event(events.append)
    return events


def send(grid: ReadingGrid, seq: int, client: str = "one", **message: Any) -> None:
    message = {"type": "take", "row": "A-1", "cell": 0, "text": str(seq), **message}
    grid._handle_custom_msg({**message, "client": client, "seq": seq}, [])


def test_what_comes_twice_counts_once(grid: ReadingGrid, seen: list[GridEvent]) -> None:
    for seq in (1, 2, 2, 1, 3):
        send(grid, seq)
    assert [event.text for event in seen] == ["1", "2", "3"]
    assert grid.acknowledged == {"one": 3}


def test_what_overtakes_a_lost_one_waits_to_be_sent_again(grid: ReadingGrid, seen: list[GridEvent]) -> None:
    for seq in (1, 3, 4, 2, 3, 4):
        send(grid, seq)
    assert [event.text for event in seen] == ["1", "2", "3", "4"]


def test_two_views_count_each_for_themselves(grid: ReadingGrid, seen: list[GridEvent]) -> None:
    send(grid, 1, "one")
    send(grid, 1, "two")
    assert len(seen) == 2


def test_an_event_whose_callback_raised_is_not_asked_for_again(grid: ReadingGrid, seen: list[GridEvent]) -> None:
    grid.on_event(lambda event: 1 / 0)
    send(grid, 1)
    send(grid, 1)
    assert len(seen) == 1
    assert grid.acknowledged == {"one": 1}


def test_a_page_to_look_at_takes_nothing(grid: ReadingGrid, seen: list[GridEvent]) -> None:
    grid.read_only = True
    send(grid, 1)
    send(grid, 2, type="select")
    assert [event.type for event in seen] == ["select"]


def test_the_browser_cannot_write_what_the_grid_shows(grid: ReadingGrid) -> None:
    grid.set_state({"rows": [], "read_only": True})
    assert grid.rows[0]["id"] == "A-1"
    assert not grid.read_only


@pytest.mark.parametrize(
    ("message", "event"),
    [
        ({"type": "edit", "row": "a", "cell": 2, "text": "1,5"}, GridEvent("edit", row="a", cell=2, text="1,5")),
        (
            {"type": "paste", "row": "a", "cell": 0, "block": [["1", "2"], ["3"]]},
            GridEvent("paste", row="a", block=(("1", "2"), ("3",))),
        ),
        ({"type": "clear", "cells": [{"row": "a", "cell": 1}]}, GridEvent("clear", cells=(("a", 1),))),
        ({"type": "next-row", "row": "a", "cell": 4}, GridEvent("next-row", row="a", cell=4)),
        ({"type": "undo"}, GridEvent("undo")),
        ({"type": "menu", "row": "a", "item": "note"}, GridEvent("menu", row="a", item="note")),
        ({"type": "button", "id": "stop"}, GridEvent("button", item="stop")),
        ({"type": "hide-reference", "value": True}, GridEvent("hide-reference", value=True)),
    ],
)
def test_messages_become_events(message: dict[str, Any], event: GridEvent) -> None:
    assert read_event(message) == event


@pytest.mark.parametrize(
    "message",
    [
        {"type": "sign"},
        {"type": "take", "row": "a", "cell": -1, "text": "1"},
        {"type": "take", "row": "a", "cell": True, "text": "1"},
        {"type": "take", "row": "a", "cell": 0, "text": 1.0},
        {"type": "take", "row": "a", "cell": 0, "text": "1" * 81},
        {"type": "paste", "row": "a", "cell": 0, "block": ["12"]},
        {"type": "paste", "row": "a", "cell": 0, "block": [[1]]},
        {"type": "paste", "row": "a", "cell": 0, "block": [["1"] * 200] * 200},
        {"type": "clear", "cells": [{"row": "a"}]},
        {"type": "hide-reference", "value": "no"},
    ],
)
def test_anything_else_is_dropped(message: dict[str, Any]) -> None:
    assert read_event(message) is None
