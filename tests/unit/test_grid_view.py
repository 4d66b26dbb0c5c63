"""What the band and the grid show: names, numbers, remarks, and where the next reading goes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from labkit.ledger import load_bench, save_bench
from labkit.workflow import grid_view
from labkit.workflow.calibrate import CalibratePage
from tests.calibrate_pages import Asleep, Later, begun_page, demo_folder, event, finished_page, new_page, read, take


def row(page: CalibratePage, row_id: str, part: str = "readings", unit: str = "mm") -> dict[str, Any]:
    return next(each for each in grid_view.rows(page, part, unit) if each["id"] == row_id)


def test_an_empty_page_has_no_band(tmp_path: Path) -> None:
    page = new_page(demo_folder(tmp_path))
    assert grid_view.band(page, "readings") == {}
    assert grid_view.rows(page, "readings") == []
    assert grid_view.current(page, "readings") is None


def test_the_band_asks_for_the_background_first(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    band = grid_view.band(page, "readings")
    assert (band["gauge"], band["on_probe"], band["last_value"], band["tally"]) == (
        "G-07",
        "No target near",
        "",
        ["at"],
    )
    assert band["advice"]["text"].startswith("Take the target away")
    assert grid_view.current(page, "readings") == {"row": "background:", "cell": 0}
    assert {row["id"]: row["wanted"] for row in grid_view.rows(page, "readings")}["background:"] == 1


def test_without_a_background_the_band_begins_with_contact_zero(tmp_path: Path) -> None:
    bench = load_bench(demo_folder(tmp_path))
    rigs = tuple(replace(rig, conditions=replace(rig.conditions, background="not shown")) for rig in bench.rigs)
    save_bench(tmp_path, replace(bench, rigs=rigs))
    band = grid_view.band(begun_page(tmp_path, worker=Asleep()), "readings")
    assert band["on_probe"] == "Contact zero"
    assert band["advice"]["text"].startswith("Put the target on the bare tip and press Enter")


def test_the_band_follows_the_readings(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.498", "2.497")
    band = grid_view.band(page, "readings")
    assert band["on_probe"] == "Shim A-8, 2.4995 mm"
    assert (band["last_label"], band["last_value"]) == ("Last taken, 2 of 5:", "2.497")
    assert band["tally"] == ["on", "on", "at", "", ""]
    assert band["next_text"] == "Reading 3 of 5 is next."
    assert grid_view.current(page, "readings") == {"row": "fit:A-8", "cell": 2}
    page.grid_event("readings", event("select", "zero:"))
    assert grid_view.band(page, "readings")["last_label"] == "Last taken, A-8, 2 of 5:"


def test_a_hidden_reference_is_shown_nowhere_while_it_is_read(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.498", "2.497")
    page.grid_event("readings", event("hide-reference", value=True))
    shown = row(page, "fit:A-8")
    assert (shown["reference"], shown["mean"], shown["s"]) == ("", "", "")
    assert grid_view.band(page, "readings")["on_probe"] == "Shim A-8"
    assert row(page, "fit:A-2")["reference"] == "0.2498"


def test_rows_show_reference_mean_and_spread_in_the_unit_of_the_page(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.498", "2.500")
    shown = row(page, "fit:A-8")
    assert (shown["label"], shown["reference"], shown["mean"], shown["s"]) == ("A-8", "2.4995", "2.4990", "1.4")
    inches = row(page, "fit:A-8", unit="in")
    assert inches["reference"].startswith("0.0984") and inches["mean"].startswith("0.0983")
    assert [cell["text"] for cell in inches["cells"]] == ["2.498", "2.500"], "what was typed is shown as typed"


def test_raw_signals_are_shown_in_their_unit(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), "Rig 3", Asleep())
    take(page, "fit:A-8", "51234", "51230")
    shown = row(page, "fit:A-8")
    assert (shown["mean"], shown["s"]) == ("51232.0", "2.8")
    assert grid_view.band(page, "readings")["unit"] == "counts"


def test_a_bad_cell_says_the_whole_sentence_and_is_shown_as_typed(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.49O", "<b>2.5</b>", "2.499")
    shown = row(page, "fit:A-8")
    first, second, third = shown["cells"]
    assert first == {
        "text": "2.49O",
        "state": "bad",
        "note": "“2.49O” is not a number. It ends in the letter O, not a zero. If 2.490 is meant, write that.",
    }
    assert (second["text"], second["state"]) == ("<b>2.5</b>", "bad")
    assert third == {"text": "2.499", "state": "", "note": ""}
    assert (shown["remark"], shown["remark_state"], shown["mean"]) == ("Put reading 1 right", "stop", "")


def test_a_reading_in_another_unit_has_a_button_that_reads_it_so(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.499", "98.4")
    shown = row(page, "fit:A-8")
    assert "looks like another unit" in shown["cells"][1]["note"]
    button = shown["remark_button"]
    assert button["label"] == "Read as mil"
    page.grid_event("readings", event("button", item=button["id"]))
    shown = row(page, "fit:A-8")
    assert shown["cells"][1]["text"] == "98.4 mil" and "changed" in shown["cells"][1]["state"]
    assert shown["mean"] == "2.4992" and "remark_button" not in shown


def test_a_change_is_told_on_the_laboratorys_clock(tmp_path: Path) -> None:
    bench = load_bench(demo_folder(tmp_path))
    save_bench(tmp_path, replace(bench, zone="Asia/Tokyo"))
    page = begun_page(tmp_path, worker=Asleep())
    take(page, "zero:", "0.O09")
    page.grid_event("readings", event("edit", "zero:", 0, text="0.009"))
    cell = row(page, "zero:")["cells"][0]
    assert cell["state"] == "changed"
    assert cell["note"].startswith("Changed 18:") and cell["note"].endswith("by M. Okonjo, was 0.O09.")


def test_what_stands_apart_is_left_out_or_set_aside_is_marked(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.grid_event("readings", event("edit", "fit:A-3", 3, text="0.516"))
    shown = row(page, "fit:A-3")
    assert (shown["remark"], shown["remark_state"]) == ("Reading 4 stands apart", "watch")
    assert "apart" in shown["cells"][3]["state"].split()
    page.decide_straggler("fit:A-3", 3, reason="slipped")
    shown = row(page, "fit:A-3")
    assert shown["cells"][3]["state"].split()[0] == "out" and shown["cells"][3]["note"] == "Left out: slipped"
    counted = [float(cell["text"]) for i, cell in enumerate(shown["cells"]) if i != 3]
    assert shown["mean"] == f"{sum(counted) / 4:.4f}"
    page.set_aside("fit:A-3", "dropped")
    shown = row(page, "fit:A-3")
    assert (shown["state"], shown["remark"]) == ("set-aside", "Set aside: dropped")


def test_a_row_of_another_shim_set_keeps_its_name_and_its_readings(tmp_path: Path) -> None:
    page = finished_page(tmp_path, Asleep())
    page.set_field("shim_set", "Brass set B")
    shown = row(page, "fit:A-3")
    assert shown["label"] == "A-3" and len(shown["cells"]) == 5
    assert (shown["reference"], shown["mean"], shown["remark_state"]) == ("", "", "watch")
    assert shown["remark"] == "Not in the shim sets chosen now: does not count"
    page.grid_event("readings", event("menu", "fit:A-3", item="read-again"))
    assert grid_view.band(page, "readings")["on_probe"] == "Shim B-1, 0.2004 mm"


def test_closing_rows_say_the_difference(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    (closing,) = (each for each in grid_view.rows(page, "readings") if each["id"].startswith("closing-fit"))
    assert closing["label"] == "A-2, closing"
    assert closing["remark"].startswith("Closing difference ") and closing["remark"].endswith("limit 1.0 µm")
    assert closing["remark_state"] == "ok"
    page.grid_event("readings", event("clear", cells=[(closing["id"], i) for i in range(5)]))
    read(page, closing["id"], off_mm=0.003)
    assert row(page, closing["id"])["remark_state"] == "watch"


def test_the_band_says_whose_U_a_shim_lowers_where_a_formula_is_in_use(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    read(page, "background:", "zero:", "fit:A-2", "fit:A-8")
    page.set_field("family", "line")
    assert page.result is not None and page.result.curve.family == "line"
    assert page.result.next_points is not None and page.result.next_points.best is not None
    advice = grid_view.band(page, "readings")["advice"]
    assert advice["text"].startswith("It lowers U of the flexible curve from ")


def test_the_band_advises_and_then_asks_for_the_closing(tmp_path: Path) -> None:
    worker = Later()
    page = begun_page(demo_folder(tmp_path), worker=worker)
    read(page, "background:", "zero:", "fit:A-2", "fit:A-8")
    worker.catch_up()
    advice = grid_view.band(page, "readings")["advice"]
    assert advice["lead"].startswith("Next: ") and advice["text"].startswith("It lowers U from ")
    read_it, stop = advice["buttons"]
    assert stop["id"] == "stop"
    shim = read_it["id"].removeprefix("read:")
    page.read_shim(shim)
    assert grid_view.band(page, "readings")["advice"]["mark"]["text"] == "Being read"
    page.grid_event("readings", event("undo"))
    page.remove_row(f"fit:{shim}")
    page.stop_here()
    assert row(page, "closing-fit:A-2")["label"] == "A-2, closing"
    assert "buttons" not in grid_view.band(page, "readings").get("advice", {})


@pytest.mark.parametrize(("background", "moved"), [("11.64", False), ("11.75", True)])
def test_a_background_that_moved_is_said(tmp_path: Path, background: str, moved: bool) -> None:
    finished_page(tmp_path).sign("x", lambda *_: b"pdf")
    page = begun_page(tmp_path, worker=Asleep())
    take(page, "background:", background)
    remark = row(page, "background:")["remark"]
    assert remark == (
        "11.75 mm, 0.12 mm away from last time. Look for steel near the bench, then read it again." if moved else ""
    )


def test_the_note_below_tells_the_usual_spread(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    assert grid_view.unit_note(page).startswith("Readings in mm. Usual spread s = ")
    assert grid_view.unit_note(begun_page(tmp_path, worker=Asleep())) == ""


def test_a_page_that_may_only_be_looked_at_asks_for_nothing(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.sign("x", lambda *_: b"pdf")
    assert grid_view.current(page, "readings") is None
    assert "buttons" not in grid_view.band(page, "readings").get("advice", {})


def test_numbers_stand_under_the_units_that_they_are_in(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    heads = grid_view.headings(page, "mm")
    assert heads == {"reference": "Reference at 20 °C, mm", "mean": "Mean, mm", "s": "s, µm"}
    assert grid_view.headings(page, "in")["s"] == "s, mil"
    counts = begun_page(demo_folder(tmp_path / "raw"), "Rig 3", Asleep())
    heads = grid_view.headings(counts, "in")
    assert heads == {"reference": "Reference at 20 °C, in", "mean": "Mean, counts", "s": "s, counts"}


def test_a_raw_mean_has_one_decimal_more_than_what_was_typed(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), "Rig 3", Asleep())
    take(page, "zero:", "616", "615")
    take(page, "fit:A-8", "2.25", "2.26")
    assert [row(page, line)["mean"] for line in ("zero:", "fit:A-8")] == ["615.5", "2.255"]


def test_complete_rows_with_a_bad_cell_are_not_called_complete(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.open_part("as-found")
    for line in ("as-found:C-1", "as-found:C-2", "as-found:C-3"):
        take(page, line, *["0.35"] * 4, "O.35" if line.endswith("C-2") else "0.35")
    assert grid_view.band(page, "as-found")["next_text"] == "C-2, reading 5, is to be put right."


def test_a_reading_that_was_left_out_is_told_in_the_remark(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.499", "2.506", "2.499")
    page.decide_straggler("fit:A-8", 1, reason="the target rolled off")
    assert row(page, "fit:A-8")["remark"] == "Reading 2 left out"
    page.decide_straggler("fit:A-8", 2, reason="so it did here")
    assert row(page, "fit:A-8")["remark"] == "Readings 2, 3 left out"
