"""
Simulated benches whose truth is known, each drawn anew: probe, gauge, shims, layout, noise and display.

The physics is that of sample_data/model.py, which no curve family matches; what is drawn here is wider than the one
bench there. A bench writes what a technician would hand in, as CSV text, and knows what he does not: the true
thickness of the shims and the true indication of any wall.
"""

from __future__ import annotations

import hashlib
import sys
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.polynomial import Chebyshev

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_data"))

import model

Seeds = Literal["building", "table"]
"""Benches to build with, and those of the published table, which nobody looked at while building."""

TARGETS = ("ball", "disc", "wire")
NOISES = {"quiet": 0.0008, "noisy": 0.004}
"""Standard deviation of one reading in the middle of the range, as a share of the signal."""
SHIMS = (5, 7, 9)
SIGNALS = ("raw", "thickness")

DEEPEST_MM = 4.0
"""As far as the physics is tabulated; no wall that is drawn is thicker."""

BOX_MM = (0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.9, 1.0, 1.2, 1.25, 1.4, 1.5, 1.6, 1.75, 2.0, 2.25, 2.5, 2.75, 3.0, 3.2)  # fmt: skip
"""Nominal thicknesses that shims are sold in."""

LAYOUTS = ("even in t", "even in x", "jittered", "box")


@dataclass(frozen=True)
class Cell:
    """A kind of bench: one row of the table."""

    target: str
    noise: str
    shims: int
    signal: str

    @property
    def name(self) -> str:
        return f"{self.target}-{self.noise}-{self.shims}-{self.signal}"

    def rng(self, index: int, seeds: Seeds) -> np.random.Generator:
        """The source of chance of one bench: the same on every machine and in whichever order benches are made."""
        word = hashlib.sha256(f"{seeds}/{self.name}".encode()).digest()
        return np.random.default_rng(np.random.SeedSequence(int.from_bytes(word[:16]), spawn_key=(index,)))


CELLS = {cell.name: cell for cell in (Cell(*each) for each in product(TARGETS, NOISES, SHIMS, SIGNALS))}


class TabulatedProbe(model.Probe):
    """
    A probe whose physics is worked out once, as a Chebyshev series of the logarithm of the field.

    For walls from −0.15 to `DEEPEST_MM`; a test holds it against the physics itself. A probe with a wire costs 4 ms a
    bench otherwise, most of it in elliptic integrals.
    """

    @cached_property
    def _log_field(self) -> Chebyshev:
        physics = super().target_field_T
        return Chebyshev.interpolate(lambda x: np.log(physics(x)), 40, domain=(-0.15, DEEPEST_MM))

    def target_field_T(self, x_mm):
        return np.exp(self._log_field(np.asarray(x_mm, dtype=np.float64)))


@dataclass(frozen=True)
class Bench:
    """
    One bench.

    Attributes
    ----------
    probe : Probe
        As it is today.
    gauge : Gauge or None
        None for a raw signal.
    noise : Noise
    layout : str
    working_mm : (float, float)
    certified_mm, true_mm : ndarray, shape (m,)
    u_mm, shared_u_mm : float
        Standard uncertainty of every certified value, and the part of it that all share.
    repeats : int
    step : float
        Of the display, in counts or mm.
    background_read : bool
        Whether the technician reads the background, to be subtracted.
    rng : numpy.random.Generator
        Of every reading that is taken on this bench.
    """

    probe: model.Probe
    gauge: model.Gauge | None
    noise: model.Noise
    layout: str
    working_mm: tuple[float, float]
    certified_mm: np.ndarray
    true_mm: np.ndarray
    u_mm: float
    shared_u_mm: float
    repeats: int
    step: float
    background_read: bool
    rng: np.random.Generator

    def true_indication(self, x_mm: np.ndarray) -> np.ndarray:
        """The mean of endlessly many readings at true thicknesses, without rounding."""
        if self.gauge is not None:
            return self.gauge.true_indication(x_mm)
        return self.probe.true_response(x_mm) + self.probe.background_counts

    def true_slope(self, x_mm: np.ndarray) -> np.ndarray:
        """The derivative of `true_indication` [counts/mm, or 1]."""
        h = 1e-4
        return (self.true_indication(x_mm + h) - self.true_indication(x_mm - h)) / (2 * h)

    def read(self, x_mm: np.ndarray) -> np.ndarray:
        """Readings as the display shows them, one at each true thickness."""
        counts = model.read_counts(self.probe, x_mm, self.noise, self.rng)
        return self._shown(counts if self.gauge is None else self.gauge.linearise(counts))

    def shims_csv(self) -> str:
        rows = (
            f"S-{i},{x:.4f},{2 * self.u_mm:.7f},2,{self.shared_u_mm:.7f}" for i, x in enumerate(self.certified_mm, 1)
        )
        return "\n".join(["shim,thickness [mm],U [mm],k,shared u [mm]", *rows]) + "\n"

    def readings_csv(self) -> str:
        """Every shim read `repeats` times, the background before them where it is read at all."""
        unit, decimals = ("counts", 0) if self.gauge is None else ("mm", 4)
        rows = [f"shim,role,indication [{unit}]"]
        if self.background_read:
            noise = self.noise.electrical_counts * self.rng.standard_normal(self.repeats)
            shown = self._shown(self.probe.background_counts + noise)
            rows += [f"background,background,{value:.{decimals}f}" for value in shown]
        shown = self.read(np.repeat(self.true_mm[:, None], self.repeats, axis=1))
        for i, repeats in enumerate(shown, 1):
            rows += [f"S-{i},fit,{value:.{decimals}f}" for value in repeats]
        return "\n".join(rows) + "\n"

    def _shown(self, indication: np.ndarray) -> np.ndarray:
        return np.round(indication / self.step) * self.step


def draw(cell: Cell, index: int, seeds: Seeds) -> Bench:
    """
    The bench of a cell with this index.

    Parameters
    ----------
    cell : Cell
    index : int
    seeds : "building" or "table"

    Returns
    -------
    Bench
    """
    rng = cell.rng(index, seeds)
    raw = cell.signal == "raw"
    background_read = raw and rng.random() < 0.5
    probe = _probe(cell.target, rng)
    if background_read:
        probe = replace(probe, background_counts=float(rng.uniform(0.002, 0.02) * probe.true_response(0.0)))
    gauge = None
    if not raw:
        gauge = _gauge(probe, rng)
        probe = gauge.probe
    working = _working_range(rng)
    layout = str(rng.choice(LAYOUTS))
    nominal = _layout(layout, cell.shims, working, rng)
    certified = np.round(nominal + rng.uniform(-0.003, 0.003, cell.shims), 4)
    u = _log_uniform(rng, 0.0003, 0.0012)
    shared = u * float(np.sqrt(rng.uniform(0.0, 0.5)))
    own = np.sqrt(u**2 - shared**2) * rng.standard_normal(cell.shims)
    return Bench(
        probe=probe,
        gauge=gauge,
        noise=_noise(probe, NOISES[cell.noise] * _log_uniform(rng, 0.75, 1.33), sum(working) / 2, rng),
        layout=layout,
        working_mm=working,
        certified_mm=certified,
        true_mm=certified + own + shared * rng.standard_normal(),
        u_mm=u,
        shared_u_mm=shared,
        repeats=int(rng.integers(3, 6)),
        step=1.0 if raw else float(rng.choice((0.0005, 0.001))),
        background_read=background_read,
        rng=rng,
    )


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _probe(target: str, rng: np.random.Generator) -> model.Probe:
    magnet = model.Magnet(
        radius_mm=_log_uniform(rng, 0.8, 3.0),
        length_mm=_log_uniform(rng, 2.5, 10.0),
        remanence_T=float(rng.uniform(0.4, 1.4)),
    )
    diameter = {"ball": (1.0, 4.0), "wire": (0.4, 1.2), "disc": (1.0, 1.0)}[target]
    face = _log_uniform(rng, 0.8, 3.0)
    probe = TabulatedProbe(
        target=target,
        diameter_mm=_log_uniform(rng, *diameter),
        magnet=magnet,
        face_mm=face,
        sensor_mm=face * float(rng.uniform(0.4, 0.95)),
        permeability=_log_uniform(rng, 50.0, 5000.0),
    )
    return probe.scaled_to(_log_uniform(rng, 20_000.0, 200_000.0))


def _gauge(then: model.Probe, rng: np.random.Generator) -> model.Gauge:
    """A gauge set up with the probe `then`: its sensor has moved since, its gain has changed, its table has kinks."""
    today = replace(
        then,
        sensor_mm=then.sensor_mm + float(rng.normal(0.0, 0.015)),
        counts_per_T=then.counts_per_T * float(1.0 + rng.normal(0.0, 0.01)),
    )
    places = [-0.12]
    wider = rng.uniform(0.7, 1.5)
    while places[-1] < DEEPEST_MM:
        places.append(places[-1] + wider * (0.06 + 0.02 * max(places[-1], 0.0)))
    places[-1] = DEEPEST_MM
    return model.Gauge(today, tuple(places), tuple(then.true_response(np.array(places)).tolist()))


def _working_range(rng: np.random.Generator) -> tuple[float, float]:
    """Walls, or the thin break lines in them."""
    low, high = (
        (0.25, rng.uniform(0.9, 1.6)) if rng.random() < 1 / 3 else (rng.uniform(0.3, 0.6), rng.uniform(2.0, 3.2))
    )
    return round(float(low), 2), round(float(high), 2)


def _layout(layout: str, m: int, working: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """Nominal thicknesses [mm] from end to end of the working range."""
    if layout == "even in x":
        return np.linspace(*working, m)
    even = np.expm1(np.linspace(*np.log1p(working), m))
    if layout == "jittered":
        even[1:-1] += rng.uniform(-0.3, 0.3, m - 2) * np.diff(even)[1:]
    if layout != "box":
        return even
    box = list(BOX_MM)
    chosen = []
    for x in (even[0], even[-1], *even[1:-1]):
        chosen.append(min(box, key=lambda each: abs(each - x)))
        box.remove(chosen[-1])
    return np.sort(chosen)


def _noise(probe: model.Probe, share: float, middle_mm: float, rng: np.random.Generator) -> model.Noise:
    """Seating and electrical noise that together are this share of the signal in the middle of the range."""
    middle = np.array([middle_mm])
    sd_counts = share * float(probe.true_response(middle)[0])
    seating = float(rng.uniform(0.2, 0.8))
    return model.Noise(
        electrical_counts=float(np.sqrt(1.0 - seating)) * sd_counts,
        seating_mm=float(np.sqrt(seating)) * sd_counts / abs(float(probe.slope(middle)[0])),
    )
