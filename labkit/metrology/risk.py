"""What a decision rule lets through: risks for a process, indices of capability, and the operating curve."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, owens_t

from labkit.metrology.budget import whole_dof
from labkit.metrology.conformity import (
    Limits,
    Outcome,
    Outcomes,
    Rule,
    check_limits,
    check_rule,
    guard_band,
    probability_inside,
    share_below,
)
from labkit.problems import BadInput

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Process:
    """
    Where the true deviations of the rigs that are brought lie: a normal distribution, known beforehand.

    Attributes
    ----------
    mean_mm, sd_mm : float
        [mm]
    """

    mean_mm: float
    sd_mm: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mean_mm) and math.isfinite(self.sd_mm) and self.sd_mm > 0):
            raise BadInput("decision.process", mean=self.mean_mm, sd=self.sd_mm)


@dataclass(frozen=True)
class GlobalRisk:
    """
    Of a rig that is not yet measured.

    Attributes
    ----------
    consumer : float
        Probability that it is outside the limits and passes.
    producer : float
        Probability that it is inside the limits and does not pass.
    """

    consumer: float
    producer: float

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True, eq=False)
class OperatingCurve:
    """
    How probable each outcome is, for a rig whose true deviation is known.

    Attributes
    ----------
    deviation_mm : ndarray, shape (n,)
        The true deviation [mm].
    probability : mapping of str to ndarray, shape (n,)
        By outcome; they add up to 1.
    guard_band_mm : float
        w [mm].
    """

    deviation_mm: Array
    probability: Mapping[Outcome, Array]
    guard_band_mm: float


def operating_curve(
    true_mm: ArrayLike,
    u_mm: float,
    limits_mm: Limits,
    *,
    k: float = 2.0,
    rule: Rule = "guard-band-U",
    outcomes: Outcomes = "four",
    risk: float | None = None,
    dof: float = math.inf,
) -> OperatingCurve:
    """
    The probability of each outcome against the true deviation.

    Parameters
    ----------
    true_mm : array_like, shape (n,)
        [mm]
    u_mm, limits_mm, k, rule, outcomes, risk, dof
        As `labkit.metrology.decide` takes them.

    Returns
    -------
    OperatingCurve

    Raises
    ------
    BadInput
        As `labkit.metrology.decide`.

    Notes
    -----
    The guard band stands as it was found. The measured deviation is Student's t about the true one with the scale u,
    normal where u is exactly known: so a rig that is truly at one limit passes as often as a stated risk says.

    References
    ----------
    JCGM 106:2012, 9 (operating characteristic; from memory). JCGM 101:2008, 6.4.9.
    """
    check_limits(limits_mm)
    check_rule(rule, outcomes, risk)
    true = np.asarray(true_mm, dtype=np.float64)
    if not np.all(np.isfinite(true)) or not math.isfinite(u_mm) or u_mm < 0:
        raise BadInput("decision.not_finite")
    w = guard_band(u_mm, limits_mm, k=k, rule=rule, risk=risk, dof=dof)
    passes = _measured_inside(true, u_mm, narrowed(limits_mm, w), dof)
    if rule == "simple" or outcomes == "two":
        return OperatingCurve(true, {"pass": passes, "fail": 1.0 - passes}, w)
    inside = _measured_inside(true, u_mm, limits_mm, dof)
    not_failed = _measured_inside(true, u_mm, narrowed(limits_mm, -w), dof)
    found: dict[Outcome, Array] = {
        "pass": passes,
        "conditional pass": inside - passes,
        "conditional fail": not_failed - inside,
        "fail": 1.0 - not_failed,
    }
    return OperatingCurve(true, found, w)


def narrowed(limits_mm: Limits, w_mm: float) -> Limits:
    """The acceptance limits [mm]: the limits moved inwards by the guard band; crossed where it takes up all of it."""
    lower, upper = limits_mm
    return (None if lower is None else lower + w_mm), (None if upper is None else upper - w_mm)


def global_risk(limits_mm: Limits, w_mm: float, u_mm: float, process: Process, dof: float = math.inf) -> GlobalRisk:
    """
    The consumer's and the producer's global risk of a rule with the guard band w.

    Parameters
    ----------
    limits_mm : (float or None, float or None)
    w_mm : float
        Width of the guard band [mm].
    u_mm : float
        Standard uncertainty of a deviation [mm].
    process : Process
    dof : float
        Effective degrees of freedom of u.

    Returns
    -------
    GlobalRisk
        Conditional outcomes count as not passed: they are outside the acceptance limits.

    Raises
    ------
    BadInput
        No limit at all, limits in the wrong order, or a number that is not finite.

    Notes
    -----
    True and measured deviation are bivariate normal where u is exactly known; its probabilities come from Owen's T in
    closed form. With few degrees of freedom the measured deviation is Student's t about the true one: normal with a
    standard deviation of u·√(ν/χ²), over which the closed form is averaged.

    References
    ----------
    JCGM 106:2012, 9.5 (definitions; from memory). Owen, Ann. Math. Stat. 27 (1956) 1075.
    """
    check_limits(limits_mm)
    if not (math.isfinite(w_mm) and math.isfinite(u_mm)) or u_mm < 0:
        raise BadInput("decision.not_finite")
    if not dof >= 0:
        raise BadInput("decision.dof", dof=dof)
    if math.isinf(dof):
        return _risk_of_known(limits_mm, w_mm, u_mm, process)
    factors, weights = _true_over_stated(float(whole_dof(dof)))
    risks = [_risk_of_known(limits_mm, w_mm, u_mm * factor, process) for factor in factors.tolist()]
    return GlobalRisk(
        float(weights @ [each.consumer for each in risks]), float(weights @ [each.producer for each in risks])
    )


def _true_over_stated(dof: float) -> tuple[Array, Array]:
    """
    The true standard deviation over the stated u, √(ν/χ²), with weights that add up to 1.

    Equal steps of ln χ²: its density and what is averaged are smooth and die away on both sides, where the rule of
    trapezoids is exact to the last digits.
    """
    reach = 80.0 / dof + 13.0 / math.sqrt(dof)
    above = 13.0 / math.sqrt(dof)
    step = min(0.25, 0.5 * math.sqrt(2.0 / dof))
    x = np.arange(-reach, above, step)  # ln(χ²/ν)
    log_density = 0.5 * dof * (x - np.expm1(x))
    kept = log_density > -40.0
    weights = np.exp(log_density[kept])
    return np.exp(-0.5 * x[kept]), weights / weights.sum()


def _risk_of_known(limits_mm: Limits, w_mm: float, u_mm: float, process: Process) -> GlobalRisk:
    """`global_risk` where u is exactly known."""
    accepted = _standard(narrowed(limits_mm, w_mm), process.mean_mm, math.hypot(process.sd_mm, u_mm))
    inside = _standard(limits_mm, process.mean_mm, process.sd_mm)
    conforming = _normal(inside[1]) - _normal(inside[0])
    if accepted[0] >= accepted[1]:
        return GlobalRisk(0.0, conforming)
    passed = _normal(accepted[1]) - _normal(accepted[0])
    rho = process.sd_mm / math.hypot(process.sd_mm, u_mm)
    both = sum(
        sign_y * sign_x * _bivariate(y, x, rho)
        for sign_y, y in zip((-1, 1), inside, strict=True)
        for sign_x, x in zip((-1, 1), accepted, strict=True)
    )
    # what is left of a difference of equal numbers may fall below 0 by a last digit
    return GlobalRisk(max(passed - both, 0.0), max(conforming - both, 0.0))


def guard_band_for_global_risk(
    risk: float, limits_mm: Limits, u_mm: float, process: Process, dof: float = math.inf
) -> float:
    """
    The narrowest guard band with which the global consumer's risk is no more than `risk`.

    Parameters
    ----------
    risk : float
        Above 0 and at most 0.5.
    limits_mm : (float or None, float or None)
    u_mm : float
        [mm]
    process : Process
    dof : float
        Effective degrees of freedom of u.

    Returns
    -------
    float
        w [mm]; 0 where simple acceptance has no more risk than that.

    Raises
    ------
    BadInput
        A risk that is none, or what `global_risk` refuses.
    """
    check_rule("guard-band-risk", "four", risk)

    def beyond(w: float) -> float:
        return global_risk(limits_mm, w, u_mm, process, dof).consumer - risk

    if beyond(0.0) <= 0:
        return 0.0
    lower, upper = limits_mm
    most = (upper - lower) / 2 if lower is not None and upper is not None else u_mm
    while beyond(most) > 0:
        most *= 2
    return float(brentq(beyond, 0.0, most, xtol=1e-12 * most))


def capability_index(u_mm: float, limits_mm: Limits) -> float | None:
    """
    The measurement capability index C_m = T/(4u), T the width between the limits.

    Returns
    -------
    float or None
        None for one limit, which has no width, and without uncertainty.

    References
    ----------
    JCGM 106:2012, 7.6.3 (from memory).
    """
    return _width_over(limits_mm, 4 * u_mm)


def uncertainty_ratio(U_mm: float, limits_mm: Limits) -> float | None:
    """
    The test uncertainty ratio, TUR = T/(2U), T the width between the limits.

    Returns
    -------
    float or None
        None for one limit, which has no width, and without uncertainty.

    References
    ----------
    Common practice, no source.
    """
    return _width_over(limits_mm, 2 * U_mm)


def _width_over(limits_mm: Limits, length_mm: float) -> float | None:
    lower, upper = limits_mm
    return (upper - lower) / length_mm if lower is not None and upper is not None and length_mm > 0 else None


def _measured_inside(true: Array, u: float, limits: Limits, dof: float) -> Array:
    """Probability that a deviation is measured inside the limits; 0 where they have crossed."""
    lower, upper = limits
    if lower is not None and upper is not None and lower > upper:
        return np.zeros_like(true)
    if u == 0:
        return np.array([probability_inside(float(each), 0.0, limits) for each in true.ravel()]).reshape(true.shape)
    with np.errstate(over="ignore"):  # the infinity is what is meant
        below = share_below((upper - true) / u, dof) if upper is not None else np.ones_like(true)
        under = share_below((lower - true) / u, dof) if lower is not None else np.zeros_like(true)
    return np.asarray(below - under)


def _standard(limits: Limits, mean: float, sd: float) -> tuple[float, float]:
    """Limits in standard deviations from the mean, infinite where there is none."""
    lower, upper = limits
    return (
        -math.inf if lower is None else (lower - mean) / sd,
        math.inf if upper is None else (upper - mean) / sd,
    )


def _normal(z: float) -> float:
    return float(ndtr(z))


def _bivariate(h: float, k: float, rho: float) -> float:
    """P(Y ≤ h, X ≤ k) of the standard bivariate normal distribution with a correlation from 0 to 1."""
    if math.isinf(h) or math.isinf(k):
        return _normal(min(h, k)) if math.inf in (h, k) else 0.0
    across = math.sqrt((1 - rho) * (1 + rho))
    if across == 0:
        return _normal(min(h, k))
    if h == 0 and k == 0:
        return 0.25 + math.asin(rho) / (2 * math.pi)
    wedge = 0.5 if h * k < 0 or (h * k == 0 and h + k < 0) else 0.0
    return 0.5 * (_normal(h) + _normal(k)) - _owen(h, k - rho * h, across) - _owen(k, h - rho * k, across) - wedge


def _owen(h: float, rise: float, across: float) -> float:
    """Owen's T(h, rise/(h·across)), its limit at h = 0 included."""
    slope = math.copysign(math.inf, rise) if h == 0 else rise / (h * across)
    return float(owens_t(h, slope))
