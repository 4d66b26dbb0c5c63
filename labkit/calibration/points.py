"""From readings to points: means, their covariance, and every doubt about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from typing import Any, Final

import numpy as np

from labkit.bench.conditions import Conditions
from labkit.bench.readings import Readings, by_point
from labkit.bench.shims import ShimSet
from labkit.calibration.background import BackgroundReading, read_background, stated_drift
from labkit.calibration.order import say_order
from labkit.calibration.repeats import say_stragglers, spread_of
from labkit.curves import Points
from labkit.curves.family import Array
from labkit.metrology import SpreadTest, VarianceFunction, bartlett, stragglers
from labkit.problems import BadInput, Caution
from labkit.units import to_mm

REFERENCE_TEMPERATURE: Final = 20.0
"""Of certified lengths [°C] (ISO 1)."""

LARGEST_READING: Final = 1e15
"""In its unit: no display counts further, and beyond it sums of squares lose their digits and then their number."""

SMALLEST_SIGNAL: Final = 1e-15
"""In its unit: what is smaller is an arithmetic rest, and has no logarithm worth the name."""

MOST_PLACES: Final = 15
"""Decimals that a display step may have."""


@dataclass(frozen=True)
class Point:
    """
    One thickness that was read.

    Attributes
    ----------
    name : str
        The shim, the stack, or ``zero``.
    shims : tuple of str
    x_mm, u_x_mm : float
        Reference value and its standard uncertainty [mm].
    y, u_y : float
        Mean indication and its standard uncertainty: mm for thickness indications, else in the unit of the
        signal, the background subtracted and the sign made positive where `Background` and `sign` say so.
    n : int
        Readings that count.
    s : float or None
        Their standard deviation; None for one reading.
    """

    name: str
    shims: tuple[str, ...]
    x_mm: float
    u_x_mm: float
    y: float
    u_y: float
    n: int
    s: float | None

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"shims": list(self.shims)}


@dataclass(frozen=True)
class PointTable:
    """
    What the curve is fitted to, and how it came about.

    Attributes
    ----------
    points : tuple of Point
    fitted : Points
        The same as arrays, with their covariances.
    readings : Readings
    conditions : Conditions
    variance : VarianceFunction
        Of one reading.
    known_scale : bool
        Whether any uncertainty is known; where none is, the residuals are the only measure.
    sign : int
        −1 where a negative raw signal was turned positive.
    background : BackgroundReading
    order_broken : bool
    cautions : tuple of Caution
    widening : float
        By which every given variance of shims and readings was multiplied; 1 where nobody asked for it.
    """

    points: tuple[Point, ...]
    fitted: Points
    readings: Readings
    conditions: Conditions
    variance: VarianceFunction
    known_scale: bool
    sign: int
    background: BackgroundReading
    order_broken: bool
    cautions: tuple[Caution, ...]
    widening: float = 1.0

    def widened(self, ratio: float) -> PointTable:
        """The same points with every variance of shims and readings `ratio` times as large."""
        V_x, V_y, factor = self.fitted.V_x * ratio, self.fitted.V_y, float(np.sqrt(ratio))
        return replace(
            self,
            points=tuple(replace(each, u_x_mm=each.u_x_mm * factor, u_y=each.u_y * factor) for each in self.points),
            fitted=replace(self.fitted, V_x=V_x, V_y=None if V_y is None else V_y * ratio),
            variance=self.variance.widened(ratio),
            widening=self.widening * ratio,
        )

    @property
    def stacks(self) -> tuple[tuple[str, ...], ...]:
        return tuple(point.shims for point in self.points)

    @property
    def repeat_share(self) -> float:
        """The mean share of repeatability in the variance of the points, in thickness."""
        if self.fitted.V_y is None:
            return 1.0
        if self.fitted.different < 2:
            return 1.0
        x, y = self.fitted.at_different(self.fitted.x), self.fitted.at_different(self.fitted.y)
        from_x = np.diag(self.fitted.V_x) * np.square(np.gradient(y, x)[self.fitted.place])
        from_y = np.diag(self.fitted.V_y)
        return float(np.mean(from_y / (from_y + from_x)))

    def signal_of(self, indication: Any) -> Array:
        """Indications in the unit of the readings (mm for thickness indications) as the curve knows them."""
        values = np.asarray(indication, dtype=np.float64)
        return self.sign * (values - self.background.subtracted)

    def indication_of(self, signal: Any) -> Array:
        """The way back from `signal_of`."""
        return self.sign * np.asarray(signal, dtype=np.float64) + self.background.subtracted

    def reference(self, shims: Sequence[str]) -> float:
        """Thickness [mm] of a stack at the temperature of the readings; 0 for contact zero."""
        return reference_mm(self.readings.shims, shims, self.conditions)

    def with_shims(self, names: Sequence[str], n: int, expected: Callable[[Array], Array]) -> Points:
        """The points with shims added, each showing what is `expected` of its thickness in the mean of n readings."""
        stacks = [*self.stacks, *((name,) for name in names)]
        x_new = np.array([self.reference((name,)) for name in names])
        V_y = self.fitted.V_y
        assert V_y is not None
        m = len(V_y)
        wider = np.full((len(stacks), len(stacks)), self.common_variance)
        wider[:m, :m] = V_y
        wider[range(m, len(stacks)), range(m, len(stacks))] += self.variance.variance_of_mean(x_new, n)
        V_x = self.covariance(stacks)
        return Points(np.append(self.fitted.x, x_new), np.append(self.fitted.y, expected(x_new)), V_x, wider)

    def covariance(self, stacks: Sequence[Sequence[str]]) -> Array:
        """Covariance [mm²] of the reference values of stacks, their joints included, shape (n, n)."""
        return self.widening * covariance_mm2(self.readings.shims, stacks, self.conditions)

    @property
    def spread_test(self) -> SpreadTest | None:
        """
        Bartlett's test of equal spread along the shims: shown, never decides. None where fewer than two were read
        twice.
        """
        repeated = [(point.s, point.n) for point in self.points if point.s is not None]
        return bartlett(*zip(*repeated, strict=True)) if len(repeated) > 1 else None

    @property
    def repeats(self) -> int:
        """How often a shim is read: as often as the one that was read most."""
        return max(point.n for point in self.points)

    @property
    def background_drift(self) -> float | None:
        """
        By how much the background that was subtracted has moved, in the unit of the signal; None where that is not
        known, or where the laboratory states its drift itself.
        """
        return None if stated_drift(self.conditions) is not None else self.background.offset

    @property
    def common_variance(self) -> float:
        """Variance that all points share because one background was subtracted from all, in the unit of the signal."""
        return self.widening * self.background.common_variance


def build_points(readings: Readings, conditions: Conditions) -> PointTable:
    """
    Gather readings into points.

    Parameters
    ----------
    readings : Readings
    conditions : Conditions

    Returns
    -------
    PointTable

    Raises
    ------
    BadInput
        A number that no shim or display has, no reading that counts towards the fit, or a raw signal that changes its
        sign.
    """
    _check_numbers(readings)
    cautions = list(readings.shims.cautions) + list(readings.cautions)
    resolution = _resolution(readings, conditions, cautions)
    _say_left_empty(readings, conditions, cautions)
    groups = by_point(row for row in readings.with_role("fit", "zero") if row.counts)
    if not groups:
        raise BadInput("points.none")
    names = list(groups)
    stacks = [groups[name][0].shims for name in names]
    x = np.array([reference_mm(readings.shims, stack, conditions) for stack in stacks])
    values = [np.array([row.value for row in groups[name]]) for name in names]

    variance = spread_of(x, values, resolution, conditions, cautions, readings.value_unit)
    background = read_background(readings, conditions, variance, cautions)
    means = np.array([group.mean() for group in values]) - background.subtracted
    sign = _sign(means, readings)
    say_stragglers(stragglers(x, values, resolution), names, groups, cautions)

    counts = np.array([len(group) for group in values])
    known = [shim.u_mm is not None for shim in readings.shims if any(shim.name in stack for stack in stacks)]
    measured = bool(np.isfinite(variance.dof)) or conditions.repeatability is not None
    known_scale = measured or any(known)
    if known and not any(known):
        cautions.append(Caution("shims.without_u" if known_scale else "points.nothing_known"))
    elif not all(known):
        cautions.append(Caution("shims.some_without_u"))
    V_x = covariance_mm2(readings.shims, stacks, conditions)
    V_y = None
    if known_scale:
        V_y = np.diag(variance.variance_of_mean(x, counts)) + background.common_variance
    fitted = Points(x, sign * means, V_x if known_scale else np.zeros_like(V_x), V_y)
    u_y = np.sqrt(np.diag(V_y)) if V_y is not None else np.zeros(len(x))
    points = tuple(
        Point(
            names[i],
            stacks[i],
            float(x[i]),
            float(np.sqrt(V_x[i, i])),
            float(fitted.y[i]),
            float(u_y[i]),
            int(counts[i]),
            float(values[i].std(ddof=1)) if counts[i] > 1 else None,
        )
        for i in range(len(names))
    )
    broken = say_order(names, fitted, cautions) if known_scale else False
    return PointTable(
        points, fitted, readings, conditions, variance, known_scale, sign, background, broken, tuple(cautions)
    )


def _check_numbers(readings: Readings) -> None:
    """Refuse what no shim is and no display shows, whose squares may have no number."""
    for shim in readings.shims:
        if not shim.plausible:
            raise BadInput("points.shim", shim=shim.name)
    for row in readings.rows:
        if not abs(row.value) <= LARGEST_READING:
            raise BadInput("number.too_large", row.where, typed=row.typed[:40])


def _say_left_empty(readings: Readings, conditions: Conditions, cautions: list[Caution]) -> None:
    """What was left empty counts as 0: said where it has something to act on, by the line that the budget lacks."""
    used = [row for row in readings.with_role("fit", "zero", "check", "as-found") if row.counts]
    if conditions.temperature_degC is None:
        cautions.append(Caution("conditions.no_temperature"))
    elif conditions.u_temperature_degC is None and any(
        readings.shims[name].expansion_per_K for row in used for name in row.shims
    ):
        cautions.append(Caution("conditions.no_u_temperature"))
    if conditions.joint_u_mm == 0 and (stack := next((row.point for row in used if len(row.shims) > 1), None)):
        cautions.append(Caution("conditions.no_joint_u", {"stack": stack}))
    if conditions.zero_u_mm == 0 and any(row.role == "zero" for row in used):
        cautions.append(Caution("conditions.no_zero_u"))


def reference_mm(shims: ShimSet, stack: Sequence[str], conditions: Conditions) -> float:
    """Thickness [mm] of a stack at the temperature of the readings, its air gaps included."""
    t = conditions.temperature_degC
    at = REFERENCE_TEMPERATURE if t is None else t
    joints = max(len(stack) - 1, 0)
    return float(sum(shims[name].at(at) for name in stack)) + joints * conditions.joint_gap_mm


def covariance_mm2(shims: ShimSet, stacks: Sequence[Sequence[str]], conditions: Conditions) -> Array:
    """
    Covariance [mm²] of reference values: that of the shims, and the variance that each joint of a stack adds; contact
    zero has the seating of the target.
    """
    extra = [
        max(len(stack) - 1, 0) * conditions.joint_u_mm**2 if stack else conditions.zero_u_mm**2 for stack in stacks
    ]
    return shims.covariance(stacks) + np.diag(extra)


def _resolution(readings: Readings, conditions: Conditions, cautions: list[Caution]) -> float:
    """The display step; from the digits that were typed, with a caution, where it was not stated."""
    if conditions.resolution is not None:
        return conditions.resolution
    places = 0
    for row in readings.rows:
        try:
            exponent = Decimal(row.typed.strip().replace(",", ".").replace("−", "-")).as_tuple().exponent
        except InvalidOperation:
            continue
        places = max(places, -exponent if isinstance(exponent, int) else 0)
    step = 10.0 ** -min(places, MOST_PLACES)
    if readings.signal == "thickness":
        step = to_mm(step, readings.unit)
        cautions.append(Caution("conditions.resolution_from_digits", {"step_mm": step}))
    else:
        cautions.append(Caution("conditions.resolution_of_signal", {"step": step, "unit": readings.unit}))
    return step


def _sign(means: Array, readings: Readings) -> int:
    """Raw signals below zero are turned positive; signals on both sides of zero have no logarithm and no order."""
    if readings.signal == "thickness":
        return 1
    if 0 < np.abs(means).min() < SMALLEST_SIGNAL:
        raise BadInput("points.small_signal", value=float(np.abs(means).min()), unit=readings.unit)
    if np.all(means > 0):
        return 1
    if np.all(means < 0):
        return -1
    raise BadInput("points.mixed_signs", count=int(np.sum(means < 0)), total=len(means))
