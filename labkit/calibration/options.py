"""What was asked for: the options of a calibration and the conditions, refused where they make no sense."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np

from labkit.bench.conditions import Conditions
from labkit.bench.shims import THICKEST_MM
from labkit.curves.family import Array
from labkit.metrology.conformity import Outcomes, Rule, check_limits, check_rule
from labkit.metrology.risk import Process
from labkit.problems import BadInput

Tolerance: TypeAlias = float | tuple[float | None, float | None] | None
"""Half-width, or lower and upper limit, of the deviation [mm]."""

LARGEST: Final = 1e9
"""Of the numbers among the conditions: what is larger was meant in another unit, and its square may have no number."""

HOTTEST_degC: Final = 200.0
"""No gauge of this kind works in such heat, or such cold."""

SMALLEST_MM: Final = 1e-9
"""Of tolerances and targets: below the size of an atom, where shares of them run out of numbers."""


@dataclass(frozen=True)
class Options:
    """
    What was asked for.

    Attributes
    ----------
    family : str
        A family, or "auto" for the recommended one.
    reason : str
        Why another than the recommended one was chosen, in the user's words.
    working_range_mm : (float, float)
        Where parts will be measured [mm].
    tolerance_mm : float or (float or None, float or None) or None
        Half-width, or limits, of the deviation [mm].
    target_u_mm : float or None
        The expanded uncertainty to reach [mm].
    rule, outcomes : str
    risk : float or None
        All three of `labkit.metrology.decide`.
    process_mm : (float, float) or None
        Mean and standard deviation [mm] of the true deviations of the rigs that are brought, where they are known.
    seed : int
        Of everything that draws at random.
    widen_reason, widen_by : str
        Why the given uncertainties are too small, and who says so; empty where nobody does.
    """

    family: str
    working_range_mm: tuple[float, float]
    tolerance_mm: Tolerance = None
    target_u_mm: float | None = None
    rule: Rule = "guard-band-U"
    outcomes: Outcomes = "four"
    reason: str = ""
    seed: int = 1
    risk: float | None = None
    process_mm: tuple[float, float] | None = None
    widen_reason: str = ""
    widen_by: str = ""

    @property
    def process(self) -> Process | None:
        return None if self.process_mm is None else Process(*self.process_mm)


def limits(tolerance_mm: Tolerance) -> tuple[float | None, float | None]:
    """
    A tolerance as lower and upper limit [mm] of the deviation, None where there is none.

    Raises
    ------
    BadInput
        A sequence that is no pair.
    """
    if tolerance_mm is None:
        return None, None
    if isinstance(tolerance_mm, tuple | list):
        if len(tolerance_mm) != 2:
            raise BadInput("options.tolerance_pair", got=len(tolerance_mm))
        return tolerance_mm[0], tolerance_mm[1]
    return -abs(tolerance_mm), abs(tolerance_mm)


def working_range_mm(given: tuple[float, float] | None, x: Array) -> tuple[float, float]:
    """
    The working range [mm]: the one that was given, else the span of the shims that were read.

    Parameters
    ----------
    given : (float, float) or None
    x : ndarray, shape (m,)
        Thicknesses of the points [mm].

    Raises
    ------
    BadInput
        Its ends are no range, lie outside the points, or there is one thickness only.
    """
    thicknesses = x[x > 0]
    if given is None:
        if thicknesses.size == 0:
            raise BadInput("curve.one_thickness", x_mm=0.0)
        low, high = float(thicknesses.min()), float(thicknesses.max())
        if low == high:
            low = float(x.min())
        if low == high:
            raise BadInput("curve.one_thickness", x_mm=low)
        return low, high
    low, high = (float(each) for each in given)
    if not (np.isfinite(low) and np.isfinite(high) and 0 <= low < high <= THICKEST_MM):
        raise BadInput("options.working_range", low_mm=low, high_mm=high, limit_mm=THICKEST_MM)
    thinnest, thickest = float(x.min()), float(x.max())
    if low >= thickest or high <= thinnest:
        raise BadInput("options.range_outside", low_mm=thinnest, high_mm=thickest)
    return low, high


def check_conditions(conditions: Conditions) -> None:
    """
    Refuse conditions that are none.

    Raises
    ------
    BadInput
        A number without bounds, one below 0 that is no temperature or gap, or a display step of 0.
    """
    sizes = {
        "resolution": conditions.resolution,
        "u_temperature_degC": conditions.u_temperature_degC,
        "repeatability": conditions.repeatability,
        "background_limit": conditions.background_limit,
        "closing_limit_mm": conditions.closing_limit_mm,
        "joint_u_mm": conditions.joint_u_mm,
        "zero_u_mm": conditions.zero_u_mm,
        "smallest_U_mm": conditions.smallest_U_mm,
    }
    for line in conditions.own_lines:
        sizes |= {f"u_mm of {line.name}": line.u_mm, f"dof of {line.name}": line.dof}
    signed = {
        "temperature_start_degC": conditions.temperature_start_degC,
        "temperature_end_degC": conditions.temperature_end_degC,
        "joint_gap_mm": conditions.joint_gap_mm,
    }
    for name, value in (sizes | signed).items():
        if value is not None and (not abs(value) <= LARGEST or (name in sizes and value < 0)):
            raise BadInput("conditions.number", name=name, got=value)
    for name in ("temperature_start_degC", "temperature_end_degC"):
        if abs(signed[name] or 0.0) > HOTTEST_degC:
            raise BadInput("conditions.number", name=name, got=signed[name])
    if conditions.resolution == 0:
        raise BadInput("conditions.number", name="resolution", got=0.0)
    _check_correlations(conditions)


def check_options(
    tolerance: Tolerance,
    target_u: float | None,
    rule: str,
    outcomes: str,
    risk: float | None = None,
    process: tuple[float, float] | None = None,
) -> None:
    """
    Refuse what cannot be decided against.

    Raises
    ------
    BadInput
        Limits that are none or in the wrong order, a tolerance or target that is not above 0, an unknown rule or
        outcomes, a risk that is none or that the rule does not take, a process that is no distribution.
    """
    lower, upper = limits(tolerance)
    if isinstance(tolerance, int | float) and not _is_size(tolerance):
        raise BadInput("options.tolerance")
    if any(each is not None and each != 0 and not _is_size(abs(each)) for each in (lower, upper)):
        raise BadInput("options.tolerance")
    if tolerance is not None:
        check_limits((lower, upper))
    if target_u is not None and not _is_size(target_u):
        raise BadInput("options.target_u")
    check_rule(rule, outcomes, risk)
    if process is not None:
        Process(*process)


def _is_size(length_mm: float) -> bool:
    return bool(np.isfinite(length_mm)) and length_mm >= SMALLEST_MM


def _check_correlations(conditions: Conditions) -> None:
    """An own line may err with one other own line; which one must be clear, and two that name each other must agree."""
    names = [line.name for line in conditions.own_lines]
    stated = {(line.name, line.correlated_with): line.r for line in conditions.own_lines}
    for line in conditions.own_lines:
        if line.correlated_with and (
            line.correlated_with == line.name
            or names.count(line.correlated_with) != 1
            or names.count(line.name) != 1
            or not abs(line.r) <= 1
            or stated.get((line.correlated_with, line.name), line.r) != line.r
        ):
            raise BadInput("conditions.correlated", line=line.name, other=line.correlated_with, r=line.r)
