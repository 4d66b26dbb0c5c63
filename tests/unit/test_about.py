"""Particulars from a TOML file."""

from __future__ import annotations

from pathlib import Path

import pytest

from labkit.bench.about import About, Party
from labkit.bench.conditions import OwnLine
from labkit.bench.read_about import read_about
from labkit.problems import BadFile

EXAMPLE = Path(__file__).parents[2] / "sample_data" / "about.toml"


def test_the_example() -> None:
    found = read_about(EXAMPLE)
    assert found.laboratory.name == "Larkfield Closures"
    assert (found.rig.name, found.rig.gauge.name, found.rig.probe.name) == ("Rig 2", "G-07", "P2")
    assert (found.rig.tip.kind, found.rig.target.kind, found.rig.warm_up_min) == ("narrow tip", "ball 1.5 mm", 30.0)
    assert found.rig.gauge.due == "2027-05-24"
    assert found.conditions.resolution == 0.001
    assert found.conditions.temperature_degC == pytest.approx(20.85)
    assert found.conditions.own_lines == (
        OwnLine("Wall of the closure is curved", 0.0003, "Estimated from five closures, cut and measured", 4.0),
    )
    assert (found.working_range_mm, found.tolerance_mm, found.target_u_mm) == ((0.25, 2.5), 0.01, 0.003)
    assert (found.procedure, found.revision) == ("Calibration of wall thickness gauges", "3")
    assert found.switched_on == "2026-11-25T09:17:00Z"
    assert [part.name for part in found.instruments] == ["T-3", "H-1"]
    assert found.humidity_percent == 46
    assert About.from_dict(found.to_dict()) == found


def test_nothing_is_needed() -> None:
    assert read_about("") == About()


@pytest.mark.parametrize("typed", ["0.0254", '"25.4 µm"', '"1 mil"', '"0.001 in"', '"0,0254"'])
def test_lengths(typed: str) -> None:
    assert read_about(f"[procedure]\ntarget_u = {typed}\n").target_u_mm == pytest.approx(0.0254)


@pytest.mark.parametrize(
    ("typed", "tolerance"),
    [("0.01", 0.01), ('"10 µm"', 0.01), ("[-0.01, 0.02]", (-0.01, 0.02)), ('["none", 0.02]', (None, 0.02))],
)
def test_tolerances(typed: str, tolerance: object) -> None:
    assert read_about(f"[procedure]\ntolerance = {typed}\n").tolerance_mm == tolerance


def test_a_time_without_a_zone_is_the_laboratorys() -> None:
    found = read_about('[laboratory]\nzone = "Europe/Paris"\n[work]\nswitched_on = 2026-11-25T10:17:00\n')
    assert (found.switched_on, found.zone) == ("2026-11-25T09:17:00Z", "Europe/Paris")


def test_sources() -> None:
    assert read_about(EXAMPLE) == read_about(str(EXAMPLE)) == read_about(EXAMPLE.read_bytes())
    assert read_about(b"\xef\xbb\xbf[customer]\r\norder = '7'\r\n").customer == Party(order="7")


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("[rig.gauge]\nserail = '1'\n", "about.like_key", "There is no key rig.gauge.serail. Is it rig.gauge.serial?"),
        ("[conditions]\nclosing_limit_mm = 1\n", "about.like_key", "Is it conditions.closing_limit?"),
        ("[labratory]\n", "about.like_key", "There is no key labratory. Is it laboratory?"),
        ("zzz = 1\n", "about.unknown_key", "Known there: conditions, customer, instruments"),
        ("rig = 'Rig 2'\n", "about.not_a_table", "rig must be a table: [rig]."),
        ("[instruments]\nname = 'T'\n", "about.not_a_list", "[[instruments]]"),
        ("[work]\noperator = 7\n", "about.not_text", "work.operator must be text"),
        ("[work]\nremarks = [7]\n", "about.not_text", "work.remarks must be text"),
        (f"[work]\noperator = '{'x' * 3000}'\n", "about.long_text", "work.operator is longer than 2000 characters."),
        (f"[work]\nremarks = ['{'x' * 3000}']\n", "about.long_text", "work.remarks is longer than 2000 characters."),
        (f"[rig]\nwarm_up_min = {'9' * 5000}\n", "about.not_toml", "not TOML"),
        ("[rig]\nwarm_up_min = 'long'\n", "about.not_a_number", "rig.warm_up_min must be a number."),
        ("[rig]\nwarm_up_min = true\n", "about.not_a_number", "rig.warm_up_min must be a number."),
        ("[rig]\nwarm_up_min = nan\n", "about.not_a_number", "rig.warm_up_min must be a number."),
        ("[rig]\nwarm_up_min = -1\n", "about.negative", "rig.warm_up_min must not be negative."),
        ("[procedure]\ntarget_u = '3 cm'\n", "about.not_a_length", "procedure.target_u must be a length"),
        ("[procedure]\nworking_range = [1]\n", "about.pair", "two lengths"),
        ("[procedure]\nworking_range = [-1, 1]\n", "about.negative", "negative"),
        ("[procedure]\nworking_range = [2.5, 0.25]\n", "about.order", "first must be below the second"),
        ("[procedure]\ntolerance = 0\n", "about.tolerance", "half-width"),
        ("[procedure]\ntolerance = ['none', 'none']\n", "about.tolerance", "half-width"),
        ("[procedure]\ntolerance = [0.02, -0.01]\n", "about.order", "first must be below the second"),
        ("[conditions]\nbackground = 'taken off'\n", "about.background", "subtract, inside, not shown"),
        ("[conditions]\nhumidity_percent = 101\n", "about.humidity", "between 0 and 100"),
        ("[[conditions.own_lines]]\nname = 'x'\n", "about.missing", "conditions.own_lines.u is missing."),
        ("[[conditions.own_lines]]\nu = 1\n", "about.missing", "conditions.own_lines.name is missing."),
        ("[rig.gauge]\ndue = '03/04/2027'\n", "about.date", "rig.gauge.due must be a date"),
        ("[work]\nswitched_on = 09:17:00\n", "about.time", "work.switched_on must be a date with a time"),
        ("[laboratory]\nzone = 'Nowhere/Town'\n", "about.zone", "there is no time zone Nowhere/Town"),
        ("[laboratory]\nzone = '../etc'\n", "about.zone", "there is no time zone ../etc"),
        ("a = \n", "about.not_toml", "row 1: This is not TOML"),
        (b"\xff[rig]", "table.encoding", "utf-8"),
        ("nowhere.toml", "table.no_such_file", "nowhere.toml"),
        (str(EXAMPLE.parent), "table.folder", "sample_data is a folder"),
        ("#" * 1_000_001 + "\n", "about.too_large", "1000 kB"),
    ],
)
def test_what_is_refused(text: str | bytes, code: str, said: str) -> None:
    with pytest.raises(BadFile) as refused:
        read_about(text)
    assert refused.value.code == code
    assert said in str(refused.value)


def test_every_fault_is_listed() -> None:
    with pytest.raises(BadFile) as refused:
        read_about("[rig]\nwarm_up = 3\n[rig.tip]\nkinds = 'x'\n[work]\noperator = 1\n")
    assert [fault.code for fault in refused.value.faults] == ["about.like_key", "about.like_key", "about.not_text"]
