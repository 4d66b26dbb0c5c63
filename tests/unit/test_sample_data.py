"""The sample files come from their program, and the program's physics agrees with theory."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from labkit.bench.read_readings import read_readings
from labkit.bench.readings import by_point

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"
sys.path.insert(0, str(SAMPLES))

import make  # noqa: E402
import model  # noqa: E402


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return make.files()


@pytest.fixture(scope="module")
def truth(made):
    return json.loads(made["truth.json"])


def rows_of(content: bytes, separator: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode()), delimiter=separator))


def indications(content: bytes, shim: str, role: str, separator: str = ",") -> np.ndarray:
    rows = rows_of(content, separator)
    key = next(name for name in rows[0] if name.startswith("indication"))
    return np.array([float(r[key].replace(",", ".")) for r in rows if r["shim"] == shim and r["role"] == role])


# ---- the files ----


def test_files_on_disk_are_those_that_the_program_writes(made):
    on_disk = {
        str(path.relative_to(SAMPLES)): path.read_bytes()
        for folder in make.SETS
        for path in (SAMPLES / folder).iterdir()
    }
    on_disk["truth.json"] = (SAMPLES / "truth.json").read_bytes()
    assert on_disk.keys() == made.keys()
    for name, content in made.items():
        assert on_disk[name] == content, f"{name} differs: run python sample_data/make.py"


def test_workbook_and_text_hold_the_same_numbers(made):
    from openpyxl import load_workbook

    sheet = load_workbook(io.BytesIO(made["indication_disc_inch/readings.xlsx"])).active
    header, *lines = [list(row) for row in sheet.iter_rows(values_only=True)]
    text = [line.split("\t") for line in made["indication_disc_inch/readings.tsv"].decode().splitlines()]
    assert header == text[0]
    assert [[line[0], *(f"{v:.4f}" for v in line[1:])] for line in lines] == text[1:]


def test_certified_values_lie_where_their_uncertainty_says(made, truth):
    """Over all shims of all sets, (certified − true)/u has unit spread; a χ² of 38 shims lies in its 99.9 % range."""
    z = []
    for name in make.SETS:
        separator = ";" if name == "mislabelled" else ","
        for shim in rows_of(made[f"{name}/shims.csv"], separator):
            number = {key: value.replace(",", ".") for key, value in shim.items()}
            u = float(number["U [mm]"]) / float(number["k"])
            error = float(number["thickness [mm]"]) - truth[name]["true_thickness_mm"][shim["shim"]]
            z.append(error / u)
    assert np.abs(z).min() > 0
    assert np.abs(z).max() < 4.0
    assert 15 < np.sum(np.square(z)) < 80


@pytest.mark.parametrize("name", ["raw_ball", "ends_only"])
def test_raw_signals_follow_the_true_response(made, truth, name):
    suffix, separator, per_unit = ("csv", ",", 1.0) if name == "raw_ball" else ("tsv", "\t", 100.0)
    content = made[f"{name}/readings.{suffix}"]
    probe = {"raw_ball": model.BALL, "ends_only": model.WIRE}[name]
    noise = model.Noise(**truth[name]["noise"])
    background = truth[name]["probe"]["background_counts"]
    for shim in dict.fromkeys(row["shim"] for row in rows_of(content, separator) if row["role"] == "fit"):
        counts = indications(content, shim, "fit", separator) * per_unit - background
        x = truth[name]["true_thickness_mm"][shim]
        off = counts.mean() - probe.true_response(x, 21.5)
        assert abs(off) < 4.0 * noise.sd_counts(probe, x) / np.sqrt(len(counts))
        assert abs(off / probe.slope(x)) < 0.006


def test_swapped_shims_break_the_order_and_one_reading_stands_apart(made):
    content = made["mislabelled/readings.csv"]
    third, fourth = (indications(content, shim, "fit", ";") for shim in ("F-3", "F-4"))
    assert third.min() - fourth.max() > 0.015
    sixth = indications(content, "F-6", "fit", ";")
    others = np.delete(sixth, 3)
    assert sixth[3] - others.max() > 0.005
    assert np.ptp(others) < 0.003


def test_only_the_ends_were_read(made):
    read = {row["shim"] for row in rows_of(made["ends_only/readings.tsv"], "\t")}
    assert read == {"background", "zero", "B-1", "B-7"}
    assert len(rows_of(made["ends_only/shims.csv"])) == 9


def test_hinge_day_leaves_shims_for_the_next_point_and_closes_near_its_start(made):
    content = made["hinge_day/readings.csv"]
    rows = rows_of(content)
    fitted = {row["shim"] for row in rows if row["role"] == "fit"}
    at_hand = {row["shim"] for row in rows_of(made["hinge_day/shims.csv"]) if row["set"] == "Brass set A"}
    assert at_hand - fitted == {"A-5", "A-6", "A-8", "A-10"}
    assert {row["role"] for row in rows} == {
        "as-found",
        "background",
        "zero",
        "fit",
        "check",
        "closing-fit",
        "closing-zero",
        "closing-background",
    }
    drift = indications(content, "A-1", "closing-fit").mean() - indications(content, "A-1", "fit").mean()
    assert abs(drift) < 0.002
    shift = indications(content, "C-1", "as-found").mean() - indications(content, "C-1", "check").mean()
    assert 0.0005 < shift < 0.003


@pytest.mark.parametrize(
    ("name", "points", "unit", "signal"),
    [
        ("raw_ball/readings.csv", 13, "counts", "raw"),
        ("indication_disc_inch/readings.tsv", 9, "in", "thickness"),
        ("indication_disc_inch/readings.xlsx", 9, "in", "thickness"),
        ("mislabelled/readings.csv", 9, "mm", "thickness"),
        ("ends_only/readings.tsv", 4, "mV", "raw"),
        ("hinge_day/readings.csv", 11, "mm", "thickness"),
    ],
)
def test_every_set_is_read_without_a_question(name, points, unit, signal):
    path = SAMPLES / name
    readings = read_readings(path, shims=path.parent / "shims.csv")
    assert len(by_point(readings.rows)) == points
    assert (readings.unit, readings.signal) == (unit, signal)
    assert all(shim.u_mm and shim.certificate and shim.due for shim in readings.shims)


# ---- the physics ----


def loop_field_T(magnet: model.Magnet, rho_mm: float, z_mm: float) -> float:
    """
    The axial field of the current sheet that a magnetised cylinder is, integrated loop by loop (Biot and Savart).
    """
    a = magnet.radius_mm

    def of_loop(h: float) -> float:
        def element(phi: float) -> float:
            distance = np.sqrt(h**2 + a**2 + rho_mm**2 - 2 * a * rho_mm * np.cos(phi))
            return a * (a - rho_mm * np.cos(phi)) / distance**3

        return quad(element, 0.0, np.pi, epsabs=0.0, epsrel=1e-10)[0] * 2.0

    total = quad(of_loop, z_mm, z_mm + magnet.length_mm, epsabs=0.0, epsrel=1e-9)[0]
    return magnet.remanence_T / (4.0 * np.pi) * total


@pytest.mark.parametrize("z_mm", [0.3, 1.5, 6.0])
def test_field_on_the_axis_is_that_of_current_loops(z_mm):
    magnet = model.Magnet()
    assert float(magnet.on_axis_T(z_mm)) == pytest.approx(loop_field_T(magnet, 0.0, z_mm), rel=1e-8)


@pytest.mark.parametrize(("rho_mm", "z_mm"), [(0.4, 0.8), (1.5, 1.0), (3.0, 2.0), (8.0, 2.0)])
def test_field_off_the_axis_is_that_of_current_loops(rho_mm, z_mm):
    magnet = model.Magnet()
    assert float(magnet.off_axis_T(rho_mm, z_mm)) == pytest.approx(loop_field_T(magnet, rho_mm, z_mm), rel=1e-7)


def test_disc_is_the_field_of_the_poles_induced_on_a_wide_plate():
    """The image equals the field of the surface poles 2·B/μ0 of a soft plate, integrated over it (μr → ∞)."""
    probe = model.replace(model.DISC, permeability=1e12)
    x_mm = 0.7

    def ring(rho: float) -> float:
        h = x_mm + probe.sensor_mm
        poles = 2.0 * float(probe.magnet.off_axis_T(rho, x_mm + probe.face_mm))
        return 0.5 * poles * h * rho / (h**2 + rho**2) ** 1.5

    integrated = quad(ring, 0.0, 400.0, points=[1.0, 2.0, 5.0, 20.0], limit=400, epsrel=1e-8)[0]
    assert float(probe.target_field_T(x_mm)) == pytest.approx(integrated, rel=1e-5)


@pytest.mark.parametrize(("target", "power"), [("ball", -6.0), ("wire", -5.0), ("disc", -3.0)])
def test_signal_falls_far_away_with_its_power(target, power):
    probe = model.PROBES[target]
    near, far = probe.target_field_T(np.array([2000.0, 4000.0]))
    assert np.log2(far / near) == pytest.approx(power, abs=0.02)


@pytest.mark.parametrize("target", ["ball", "disc", "wire"])
def test_response_falls_and_indication_rises_throughout(target):
    probe = model.PROBES[target]
    x = np.linspace(0.0, 10.0, 2001)
    assert (np.diff(probe.true_response(x)) < 0).all()
    gauge = model.Gauge.set_up(probe, model.aged(probe))
    error = gauge.true_indication(x) - x
    assert (np.diff(error + x) > 0).all()
    assert np.abs(error[x <= 2.5]).max() < 0.012


def test_a_gauge_whose_probe_has_not_changed_errs_only_by_the_kinks_of_its_table():
    gauge = model.Gauge.set_up(model.BALL, model.BALL)
    x = np.linspace(0.0, 4.0, 4001)
    error = np.abs(gauge.true_indication(x) - x)
    assert error.max() < 0.0005
    inside = [place for place in gauge.table_mm if 0 < place < 4]
    assert gauge.true_indication(inside) == pytest.approx(inside, abs=1e-12)


@pytest.mark.parametrize("signal", ["raw", "thickness"])
@pytest.mark.parametrize("target", ["ball", "disc", "wire"])
def test_bench_scatters_about_its_true_curve_as_it_says(target, signal):
    one = model.bench(target, 6, np.random.default_rng(5), signal=signal, repeats=4000, step=1e-9)
    assert one.y.shape == (6, 4000)
    mean_error = (one.y.mean(axis=1) - one.true(one.x_true_mm)) / one.sd
    assert np.abs(mean_error).max() < 5 / np.sqrt(4000)
    assert one.y.std(axis=1, ddof=1) == pytest.approx(one.sd, rel=0.08)


def test_benches_differ_with_the_draw_and_repeat_with_the_seed():
    first, second = (model.bench("ball", 5, np.random.default_rng(8)) for _ in range(2))
    other = model.bench("ball", 5, np.random.default_rng(9))
    assert (first.y == second.y).all()
    assert first.probe == second.probe
    assert other.probe != first.probe
    assert np.ptp(first.y / 1.0 % 1.0) == 0.0  # counts are whole
