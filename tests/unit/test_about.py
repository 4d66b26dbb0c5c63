"""Particulars from a TOML file."""

from __future__ import annotations

from pathlib import Path

import pytest

from labkit.bench.about import About, Party, Statements
from labkit.bench.conditions import OwnLine
from labkit.bench.influences import Influence
from labkit.bench.read_about import read_about
from labkit.problems import BadFile

EXAMPLE = Path(__file__).parents[2] / "sample_data" / "about.toml"


def own_line(text: str, other: str = "") -> str:
    more = f"[[conditions.own_lines]]\nname = '{other}'\nu = 1\n" if other else ""
    return f"[[conditions.own_lines]]\nname = 'x'\nu = 1\n{text}\n{more}"


def influence(text: str) -> str:
    return f"[[influences]]\n{text}\n"


def magnet(text: str) -> str:
    return influence(f"what = 'magnet-temperature'\nchange_K = 2\n{text}")


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
    magnet, target, filler, edge = found.conditions.influences
    assert (magnet.code, magnet.values) == ("magnet-temperature", {"change_K": 2.0, "mm_per_K": pytest.approx(0.0002)})
    assert (target.code, target.values) == ("target-exchange", {"limit_mm": pytest.approx(0.0004)})
    assert (filler.off, edge.values) == ("The closures are of unfilled polypropylene", {})
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


@pytest.mark.parametrize(
    ("text", "stated"),
    [
        ("what = 'tip-wear'\nlimit = '0.5 µm'\nhow = 'new'", Influence("tip-wear", {"limit_mm": 0.0005}, how="new")),
        ("what = 'edge'\nsignal_percent = 0.2", Influence("edge", {"share": 0.002})),
        ("what = 'time'\nlimit = 0.001\nshape = 'normal'", Influence("time", {"limit_mm": 0.001}, "normal")),
        ("what = 'background-drift'\nlimit_signal = 3", Influence("background-drift", {"signal": 3.0})),
        (
            "what = 'groove'\nball = 1.5\nwidth = '600 µm'\ndepth = 0.1",
            Influence("groove", {"ball_mm": 1.5, "width_mm": 0.6, "depth_mm": 0.1}),
        ),
        (
            "what = 'part-temperature'\nchange_K = 5\nexpansion_ppm_per_K = 150",
            Influence("part-temperature", {"change_K": 5.0, "expansion_per_K": 0.00015}),
        ),
        (
            "what = 'magnet-temperature'\nchange_K = 2\nsignal_percent_per_K = -0.1",
            Influence("magnet-temperature", {"change_K": 2.0, "signal_per_K": -0.001}),
        ),
        (
            "what = 'magnet-temperature'\nchange_K = 2\nmaterial = 'SmCo'\nhow = 'drawing'",
            Influence(
                "magnet-temperature",
                {"change_K": 2.0, "signal_per_K": -0.0004},
                how="SmCo, coefficient from memory; drawing",
            ),
        ),
        ("what = 'filler'\noff = 'unfilled'", Influence("filler", off="unfilled")),
    ],
)
def test_influences(text: str, stated: Influence) -> None:
    (found,) = read_about(influence(text)).conditions.influences
    assert found.values == pytest.approx(stated.values)
    assert (found.code, found.shape, found.how, found.off) == (stated.code, stated.shape, stated.how, stated.off)


def test_own_lines_that_err_together_and_what_the_laboratory_is_accredited_for() -> None:
    found = read_about(own_line("correlated_with = 'y'\nr = -0.5", "y") + "[conditions]\nsmallest_U = '1.5 µm'\n")
    assert [(line.name, line.correlated_with, line.r) for line in found.conditions.own_lines] == [
        ("x", "y", -0.5),
        ("y", "", 0.0),
    ]
    assert found.conditions.smallest_U_mm == pytest.approx(0.0015)


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
        ("zzz = 1\n", "about.unknown_key", "Known there: conditions, customer, influences, instruments"),
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
        (own_line("correlated_with = 'Tip'"), "about.correlated", "conditions.own_lines.correlated_with of x names no"),
        (own_line("correlated_with = 'x'"), "about.correlated", "names no other own line."),
        (own_line("correlated_with = 'y'\nr = 2", "y"), "about.correlation", "own_lines.r must lie between −1 and 1."),
        (influence(""), "about.missing", "influences.what is missing."),
        (
            influence("what = 'tip-ware'"),
            "about.like_influence",
            "influences.what: there is no such influence. Is it tip",
        ),
        (influence("what = 'q'"), "about.influence", "Known: background-drift, linearisation, magnet-temperature"),
        (
            influence("what = 'tilt'\noff = 'x'") * 2,
            "about.influence_twice",
            "influences.what: tilt stands there twice.",
        ),
        (influence("what = 'tilt'"), "about.influence_values", "influences, tilt: the values are missing"),
        (influence("what = 'tilt'"), "about.influence_values", "Give limit; or off with the reason"),
        (influence("what = 'groove'\nball = 1.5"), "about.influence_values", "Give ball and width and depth; or off"),
        (
            influence("what = 'edge'\nlimit = 1\nsignal_percent = 1"),
            "about.influence_values",
            "limit or signal_percent",
        ),
        (influence("what = 'tilt'\nlimit = 1\noff = 'x'"), "about.influence_both", "Keep the value, or keep off."),
        (influence("what = 'tilt'\nlimit = '3 cm'"), "about.not_a_length", "influences.limit must be a length"),
        (influence("what = 'tilt'\nlimit = -1"), "about.negative", "influences.limit must not be negative."),
        (influence("what = 'tilt'\nlimit = 1\nshape = 'flat'"), "about.shape", "one of rectangular, normal."),
        (influence("what = 'tilt'\nlimti = 1"), "about.influence_values", "Is it influences.limit?"),
        (
            magnet("material = 'iron'"),
            "about.material",
            "NdFeB, SmCo, ferrite. For another magnet, give signal_percent",
        ),
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


def test_what_else_a_laboratory_states() -> None:
    about = read_about(
        '[statements]\nsupplied = "the ball"\nreceived_on = 2026-11-24\nagreed_months = 6\nopinions = "It wears."\n'
    )
    found = about.statements
    assert (found.supplied, found.received_on, found.agreed_months) == ("the ball", "2026-11-24", 6)
    assert About.from_dict(about.to_dict()) == about
    older = {key: value for key, value in about.to_dict().items() if key != "statements"}
    assert About.from_dict(older).statements == Statements()


@pytest.mark.parametrize("months", ["0", "601", "1.5", '"six"', "-3", "true"])
def test_an_interval_is_whole_months(months: str) -> None:
    with pytest.raises(BadFile) as caught:
        read_about(f"[statements]\nagreed_months = {months}\n")
    assert "statements.agreed_months" in str(caught.value)
