"""
A bench that does not exist: a cylinder magnet and a field sensor behind a tip, and a small iron target beyond a wall.

Everything lies on one axis. The tip is at 0; the wall of thickness `x_mm` ends where the target begins. Below the
tip are the sensor (at depth `sensor_mm`) and the magnet's near pole face (at depth `face_mm`). The magnet magnetises
the target and the sensor sees the target's own field; the magnet's direct field at the sensor is constant and is
part of the background.

- Ball: a dipole induced by the field at its centre, so that the signal falls like r⁻⁶ far away.
- Wire: a line of transverse dipoles, each induced by the field where it lies; about r⁻⁵ far away.
- Disc: wide compared with the magnet and far from saturation, so that it acts like the mirror image of the magnet;
  the signal falls like r⁻³ far away, with r the distance from the image.

The models are first-order: what they are for is a response that is smooth, steep, known exactly, and none of the
curve families.

References
----------
Jackson, Classical Electrodynamics, chapter 5 (magnetised cylinder; sphere in a uniform field; image in a permeable
half-space), and Camacho & Sosa, Rev. Mex. Fis. E 59 (2013) 8 (field on the axis of a cylinder magnet), both from
memory. Derby & Olbert, Am. J. Phys. 78 (2010) 229 (field off the axis), from memory. The unit tests compare all of
them with integrated current loops.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import elliprf, elliprj

Array = NDArray[np.float64]
TargetKind = Literal["ball", "disc", "wire"]

_HALF_ANGLES, _HALF_WEIGHTS = np.polynomial.legendre.leggauss(48)
_ANGLES = (_HALF_ANGLES + 1.0) * np.pi / 4.0
_ANGLE_WEIGHTS = _HALF_WEIGHTS * np.pi / 4.0
"""Gauss-Legendre nodes on 0 to π/2, for the dipoles along one half of a wire."""


@dataclass(frozen=True)
class Magnet:
    """
    A cylinder magnetised uniformly along its axis.

    Attributes
    ----------
    radius_mm, length_mm : float
    remanence_T : float
        At 20 °C.
    per_K : float
        Relative change of the remanence with temperature [1/K].
    """

    radius_mm: float = 1.5
    length_mm: float = 6.0
    remanence_T: float = 1.2
    per_K: float = -0.0011

    def on_axis_T(self, z_mm: ArrayLike) -> Array:
        """The axial field [T] on the axis, at distances `z_mm` from the pole face."""
        z = np.asarray(z_mm, dtype=np.float64)
        far = z + self.length_mm
        return 0.5 * self.remanence_T * (far / np.hypot(far, self.radius_mm) - z / np.hypot(z, self.radius_mm))

    def off_axis_T(self, rho_mm: ArrayLike, z_mm: ArrayLike) -> Array:
        """The axial field [T] at distances `rho_mm` from the axis and `z_mm` from the plane of the pole face."""
        rho, z = np.broadcast_arrays(np.asarray(rho_mm, dtype=np.float64), np.asarray(z_mm, dtype=np.float64))
        a = self.radius_mm
        rho = np.where(np.abs(rho - a) < 1e-9 * a, a * (1.0 + 1e-9), rho)  # the integral's form is 0/0 at the rim
        gamma = (a - rho) / (a + rho)
        ends = []
        for height in (z + self.length_mm, z):
            reach = np.hypot(height, a + rho)
            k = np.hypot(height, a - rho) / reach
            ends.append(height / reach * _elliptic(k, gamma**2, gamma))
        return self.remanence_T / np.pi * a / (a + rho) * (ends[0] - ends[1])


def _elliptic(k: Array, p: Array, s: Array) -> Array:
    """The generalised complete elliptic integral C(k, p, 1, s) of Derby & Olbert, in Carlson's forms."""
    return np.asarray(elliprf(0.0, k**2, 1.0) + (s - p) / 3.0 * elliprj(0.0, k**2, 1.0, p))


@dataclass(frozen=True)
class Probe:
    """
    Magnet, sensor and target: what turns a wall into a signal.

    Attributes
    ----------
    target : "ball", "disc" or "wire"
    diameter_mm : float
        Of the ball or the wire; of no effect for a disc.
    magnet : Magnet
    face_mm, sensor_mm : float
        Depths of the magnet's pole face and of the sensor below the tip.
    counts_per_T : float
    background_counts : float
        The signal with no target near.
    permeability : float
        Relative, of the target.
    """

    target: TargetKind = "ball"
    diameter_mm: float = 1.5
    magnet: Magnet = Magnet()
    face_mm: float = 2.0
    sensor_mm: float = 1.2
    counts_per_T: float = 1.0e6
    background_counts: float = 0.0
    permeability: float = 1000.0

    def target_field_T(self, x_mm: ArrayLike) -> Array:
        """The field [T] of the target at the sensor, beyond walls of thickness `x_mm`, at 20 °C."""
        x = np.asarray(x_mm, dtype=np.float64)
        a = 0.5 * self.diameter_mm
        mu = self.permeability
        if self.target == "ball":
            induced = self.magnet.on_axis_T(x + self.face_mm + a)
            return 2.0 * (mu - 1.0) / (mu + 2.0) * induced * (a / (x + self.sensor_mm + a)) ** 3
        if self.target == "disc":
            return (mu - 1.0) / (mu + 1.0) * self.magnet.on_axis_T(2.0 * x + self.face_mm + self.sensor_mm)
        # dipoles at a distance d·tan θ along the wire; in a uniform field the sum over θ is 1
        d = x + self.sensor_mm + a
        along = d[..., None] * np.tan(_ANGLES)
        induced = self.magnet.off_axis_T(along, (x + self.face_mm + a)[..., None])
        seen = _ANGLE_WEIGHTS * (3.0 * np.cos(_ANGLES) ** 3 - np.cos(_ANGLES))
        return (mu - 1.0) / (mu + 1.0) * (a / d) ** 2 * (induced @ seen)

    def true_response(self, x_mm: ArrayLike, temperature_degC: float = 20.0) -> Array:
        """
        What the target adds to the signal.

        Parameters
        ----------
        x_mm : array_like, shape (m,)
            True thickness of the wall [mm].
        temperature_degC : float
            Of the magnet.

        Returns
        -------
        ndarray, shape (m,)
            Counts, without the background.
        """
        warmth = 1.0 + self.magnet.per_K * (temperature_degC - 20.0)
        return self.counts_per_T * warmth * self.target_field_T(x_mm)

    def slope(self, x_mm: ArrayLike) -> Array:
        """The derivative of `true_response` [counts/mm]."""
        x = np.asarray(x_mm, dtype=np.float64)
        h = 1e-4
        return (self.true_response(x + h) - self.true_response(x - h)) / (2.0 * h)

    def scaled_to(self, contact_counts: float) -> Probe:
        """The same probe, with the gain at which contact zero gives `contact_counts`."""
        return replace(self, counts_per_T=contact_counts / float(self.target_field_T(0.0)))


BALL = Probe("ball", 1.5).scaled_to(30_000.0)
DISC = Probe("disc", face_mm=1.2, sensor_mm=0.6).scaled_to(30_000.0)
WIRE = Probe("wire", 0.8).scaled_to(20_000.0)
PROBES: dict[str, Probe] = {"ball": BALL, "disc": DISC, "wire": WIRE}


@dataclass(frozen=True)
class Gauge:
    """
    A gauge that linearises inside, by a table of the signal that its probe gave when it was set up.

    Between the places of its table it interpolates the thickness in the logarithm of the signal, which leaves small
    kinks; and the probe of today is no longer quite the probe of the table.

    Attributes
    ----------
    probe : Probe
        As it is today.
    table_mm, table_counts : tuple of float
        Thickness rising, signal falling.
    """

    probe: Probe
    table_mm: tuple[float, ...]
    table_counts: tuple[float, ...]

    @classmethod
    def set_up(cls, then: Probe, today: Probe, high_mm: float = 13.0) -> Gauge:
        """A gauge whose table was taken with the probe as it was `then`."""
        places = [-0.1]
        while places[-1] < high_mm:
            places.append(places[-1] + 0.06 + 0.02 * max(places[-1], 0.0))
        counts = then.true_response(np.array(places))
        return cls(today, tuple(places), tuple(float(each) for each in counts))

    def linearise(self, counts: ArrayLike) -> Array:
        """The thickness [mm] that the gauge makes of a signal."""
        log_counts = np.log(np.asarray(counts, dtype=np.float64))
        return np.interp(-log_counts, -np.log(self.table_counts), self.table_mm)

    def true_indication(self, x_mm: ArrayLike, temperature_degC: float = 20.0) -> Array:
        """
        The indication without noise and without rounding.

        Parameters
        ----------
        x_mm : array_like, shape (m,)
            True thickness of the wall [mm].
        temperature_degC : float
            Of the magnet.

        Returns
        -------
        ndarray, shape (m,)
            Indication [mm].
        """
        counts = self.probe.true_response(x_mm, temperature_degC) + self.probe.background_counts
        return self.linearise(counts)


def aged(probe: Probe) -> Probe:
    """The probe some months after its gauge was set up: the sensor sits 20 µm deeper, the gain rose by 1.3 %."""
    return replace(
        probe,
        sensor_mm=probe.sensor_mm + 0.020,
        counts_per_T=probe.counts_per_T * 1.013,
    )


@dataclass(frozen=True)
class Noise:
    """
    What makes repeats differ.

    Attributes
    ----------
    electrical_counts : float
        Standard deviation of the signal.
    seating_mm : float
        Standard deviation of the gap at which target and shim come to rest.
    """

    electrical_counts: float
    seating_mm: float

    def sd_counts(self, probe: Probe, x_mm: ArrayLike) -> Array:
        """Standard deviation [counts] of one reading."""
        return np.hypot(self.electrical_counts, probe.slope(x_mm) * self.seating_mm)


def read_counts(
    probe: Probe, x_mm: ArrayLike, noise: Noise, rng: np.random.Generator, temperature_degC: float = 20.0
) -> Array:
    """
    Signals as the sensor gives them: true response of where the target came to rest, background, electrical noise.
    """
    x = np.asarray(x_mm, dtype=np.float64)
    seated = x + noise.seating_mm * rng.standard_normal(x.shape)
    electrical = noise.electrical_counts * rng.standard_normal(x.shape)
    return probe.true_response(seated, temperature_degC) + probe.background_counts + electrical


@dataclass(frozen=True)
class Bench:
    """
    One simulated calibration, the truth included.

    Attributes
    ----------
    probe : Probe
    gauge : Gauge or None
        None for a raw signal.
    x_true_mm, x_mm, u_x_mm : ndarray, shape (m,)
        True and certified thickness of the shims and its standard uncertainty [mm].
    y : ndarray, shape (m, repeats)
        Readings: counts without the background for a raw signal, mm for an indication; rounded to `step`.
    sd : ndarray, shape (m,)
        True standard deviation of one reading before rounding, in the unit of `y`.
    step : float
        The display step, in the unit of `y`.
    """

    probe: Probe
    gauge: Gauge | None
    x_true_mm: Array
    x_mm: Array
    u_x_mm: Array
    y: Array
    sd: Array
    step: float

    def true(self, x_mm: ArrayLike) -> Array:
        """The true calibration function: counts for a raw signal, mm for an indication."""
        if self.gauge is None:
            return self.probe.true_response(x_mm)
        return self.gauge.true_indication(x_mm)


def bench(
    target: TargetKind,
    m: int,
    rng: np.random.Generator,
    *,
    signal: Literal["raw", "thickness"] = "raw",
    repeats: int = 5,
    low_mm: float = 0.3,
    high_mm: float = 2.4,
    u_shim_mm: float = 0.0008,
    noise: Noise | None = None,
    step: float | None = None,
    vary: float = 0.15,
) -> Bench:
    """
    A calibration on `m` shims, drawn at random.

    Parameters
    ----------
    target : "ball", "disc" or "wire"
    m : int
        Shims, spread from `low_mm` to `high_mm`, closer at the thin end.
    rng : numpy.random.Generator
    signal : "raw" or "thickness"
    repeats : int
    low_mm, high_mm : float
        The end shims [mm].
    u_shim_mm : float
        Standard uncertainty of every certified value [mm].
    noise : Noise, optional
        Default: 3 counts, 0.4 µm.
    step : float, optional
        Display step; default 1 count, or 0.001 mm.
    vary : float
        How much geometry differs from bench to bench, as a share of each length (uniform, either way).

    Returns
    -------
    Bench
    """
    noise = noise or Noise(electrical_counts=3.0, seating_mm=0.0004)
    nominal = PROBES[target]
    stretch = 1.0 + vary * rng.uniform(-1.0, 1.0, size=4)
    magnet = replace(
        nominal.magnet,
        radius_mm=nominal.magnet.radius_mm * stretch[0],
        length_mm=nominal.magnet.length_mm * stretch[1],
    )
    probe = replace(
        nominal,
        magnet=magnet,
        face_mm=nominal.face_mm * stretch[2],
        sensor_mm=nominal.sensor_mm * min(stretch[3], 0.95 * nominal.face_mm * stretch[2] / nominal.sensor_mm),
    ).scaled_to(float(nominal.true_response(0.0)))

    x_mm = np.expm1(np.linspace(np.log1p(low_mm), np.log1p(high_mm), m))
    x_true_mm = x_mm + u_shim_mm * rng.standard_normal(m)
    gauge = None
    if signal == "thickness":
        gauge = Gauge.set_up(probe, aged(probe))
        probe = gauge.probe
    counts = read_counts(probe, np.repeat(x_true_mm[:, None], repeats, axis=1), noise, rng)
    sd = noise.sd_counts(probe, x_true_mm)
    if gauge is None:
        y = counts - probe.background_counts
    else:
        y = gauge.linearise(counts)
        sd = sd / np.abs(probe.slope(x_true_mm))
    step = step if step is not None else (1.0 if gauge is None else 0.001)
    y = np.round(y / step) * step
    return Bench(probe, gauge, x_true_mm, x_mm, np.full(m, u_shim_mm), y, sd, step)
