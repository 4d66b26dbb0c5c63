"""Decisions: does a deviation lie inside its limits, when it is itself uncertain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from labkit.metrology.budget import whole_dof
from labkit.problems import BadInput, Reason

Array: TypeAlias = NDArray[np.float64]

Limits: TypeAlias = tuple[float | None, float | None]
"""Lower and upper limit [mm]; None where there is none."""

Rule = Literal["simple", "guard-band-U", "guard-band-1.65u", "guard-band-risk"]
Outcomes = Literal["two", "four"]
Outcome = Literal["pass", "conditional pass", "conditional fail", "fail"]

OUTCOMES: Final[tuple[Outcomes, ...]] = ("two", "four")
RULES: Final[tuple[Rule, ...]] = ("simple", "guard-band-U", "guard-band-1.65u", "guard-band-risk")

LARGEST_RISK: Final = 0.5
"""At one limit w is 0 then; a larger risk would accept what lies outside."""

PRESET: Final = 1.65
"""w over u of the rule "guard-band-1.65u" (ISO 14253-1:2017; from memory)."""


@dataclass(frozen=True)
class Decision:
    """
    A deviation judged against limits.

    Attributes
    ----------
    outcome : str
        "pass", "conditional pass", "conditional fail" or "fail".
    guard_band_mm : float
        Width w of the guard band [mm].
    probability : float
        That the true deviation lies inside the limits.
    rule, outcomes : str
    risk : float or None
        The stated risk, where the rule is "guard-band-risk".
    """

    outcome: Outcome
    guard_band_mm: float
    probability: float
    rule: Rule
    outcomes: Outcomes
    risk: float | None = None

    @property
    def accepts(self) -> bool:
        """Whether conformity is stated, with or without a condition."""
        return self.outcome in ("pass", "conditional pass")

    @property
    def specific_risk(self) -> float:
        """
        Probability that this decision is wrong: the consumer's specific risk after an acceptance, the producer's after
        a rejection (JCGM 106:2012, 9.3.2; from memory).
        """
        return 1.0 - self.probability if self.accepts else self.probability

    @property
    def code(self) -> str:
        """Of the sentence in `labkit.messages` that says what the outcome means: it speaks of U only where w is U."""
        if self.rule == "simple":
            return f"outcome.{self.outcome}.simple"
        if self.outcomes == "two":
            return f"outcome.{self.outcome}.binary"
        return f"outcome.{self.outcome}" + ("" if self.rule == "guard-band-U" else ".w")

    def __str__(self) -> str:
        return self.outcome

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def decide(
    deviation_mm: float,
    u_mm: float,
    limits_mm: Limits,
    *,
    k: float = 2.0,
    rule: Rule = "guard-band-U",
    outcomes: Outcomes = "four",
    risk: float | None = None,
    dof: float = math.inf,
) -> Decision:
    """
    Decide on a deviation.

    Parameters
    ----------
    deviation_mm : float
        Unrounded [mm].
    u_mm : float
        Its standard uncertainty [mm].
    limits_mm : (float or None, float or None)
        Lower and upper limit [mm]; None where there is none.
    k : float
        Coverage factor of U = k·u.
    rule : str
        "simple": w = 0. "guard-band-U": w = U. "guard-band-1.65u": w = 1.65·u. "guard-band-risk": the w of
        `guard_band_for_risk`.
    outcomes : "two" or "four"
        With "two", what the guard band does not let pass fails. Simple acceptance always has two.
    risk : float, optional
        For "guard-band-risk", and for no other rule: see `check_rule`.
    dof : float
        Effective degrees of freedom of u.

    Returns
    -------
    Decision

    Raises
    ------
    BadInput
        No limit at all, limits in the wrong order, an unknown rule, a risk that is none, or a number that is not
        finite.

    Notes
    -----
    What is known of the true deviation is Student's t about the measured one with the scale u; normal where u is
    exactly known. The 1.65 of "guard-band-1.65u" is the standard's number and stays whatever the degrees of freedom:
    `protection_of_preset` says what it is then worth.

    References
    ----------
    JCGM 106:2012, 7 and 8. JCGM 101:2008, 6.4.9 (scaled and shifted t). ILAC-G8:09/2019, 4.2 (binary and non-binary
    statements, w = U). ISO 14253-1:2017 (w = 1.65·u for 95 % conformance; from memory).
    """
    check_limits(limits_mm)
    check_rule(rule, outcomes, risk)
    if not (math.isfinite(deviation_mm) and math.isfinite(u_mm) and math.isfinite(k)) or u_mm < 0:
        raise BadInput("decision.not_finite")
    w = guard_band(u_mm, limits_mm, k=k, rule=rule, risk=risk, dof=dof)
    outcomes = "two" if rule == "simple" else outcomes
    outcome = outcome_of(room(deviation_mm, limits_mm), w, outcomes)
    return Decision(outcome, w, probability_inside(deviation_mm, u_mm, limits_mm, dof), rule, outcomes, risk)


def check_limits(limits_mm: Limits) -> None:
    """
    Refuse limits that are none.

    Raises
    ------
    BadInput
        No limit at all, limits in the wrong order, or one that is not finite.
    """
    lower, upper = limits_mm
    if lower is None and upper is None:
        raise BadInput("decision.no_limits")
    if not all(math.isfinite(each) for each in limits_mm if each is not None):
        raise BadInput("decision.not_finite")
    if lower is not None and upper is not None and lower >= upper:
        raise BadInput("decision.limits_order", lower_mm=lower, upper_mm=upper)


def check_rule(rule: str, outcomes: str, risk: float | None = None) -> None:
    """
    Refuse a rule that is none.

    Raises
    ------
    BadInput
        An unknown rule or kind of outcomes; a risk that is missing, not above 0 and at most 0.5, or stated for a rule
        that has none.
    """
    if rule not in RULES:
        raise BadInput("decision.rule", rule=rule, known=RULES)
    if outcomes not in OUTCOMES:
        raise BadInput("decision.outcomes", outcomes=outcomes)
    if rule != "guard-band-risk":
        if risk is not None:
            raise BadInput("decision.risk_unused", rule=rule)
    elif risk is None:
        raise BadInput("decision.risk_missing")
    elif not 0 < risk <= LARGEST_RISK:
        raise BadInput("decision.risk", risk=risk)


def rule_in_words(rule: str, outcomes: str, risk: float | None = None) -> Reason:
    """What a rule says, as it is printed (ISO/IEC 17025:2017, 7.8.6)."""
    binary = ".binary" if outcomes == "two" and rule != "simple" else ""
    return Reason(f"rule.{rule}{binary}", {} if risk is None else {"percent": f"{100 * risk:.4g}"})


def room(deviation_mm: float, limits_mm: Limits) -> float:
    """How far a deviation lies inside the nearer limit [mm]; below 0 outside."""
    lower, upper = limits_mm
    return min(
        deviation_mm - lower if lower is not None else math.inf,
        upper - deviation_mm if upper is not None else math.inf,
    )


def outcome_of(room_mm: float, guard_band_mm: float, outcomes: Outcomes) -> Outcome:
    """What a rule says of a deviation that lies `room_mm` [mm] inside the nearer limit."""
    if room_mm >= guard_band_mm:
        return "pass"
    if outcomes == "two" or room_mm < -guard_band_mm:
        return "fail"
    return "conditional pass" if room_mm >= 0 else "conditional fail"


def guard_band(
    u_mm: float,
    limits_mm: Limits,
    *,
    k: float = 2.0,
    rule: Rule = "guard-band-U",
    risk: float | None = None,
    dof: float = math.inf,
) -> float:
    """
    The width w of the guard band of a rule [mm].

    Parameters
    ----------
    u_mm, limits_mm, k, rule, risk, dof
        As `decide` takes them, checked there.
    """
    match rule:
        case "simple":
            return 0.0
        case "guard-band-U":
            return k * u_mm
        case "guard-band-1.65u":
            return PRESET * u_mm
        case "guard-band-risk":
            assert risk is not None
            return guard_band_for_risk(risk, u_mm, limits_mm, dof)


def protection_of_preset(dof: float) -> float:
    """How probably a deviation that lies 1.65·u inside a limit is truly inside it: 95 % where u is exactly known."""
    return _below(PRESET, dof)


def guard_band_for_risk(risk: float, u_mm: float, limits_mm: Limits, dof: float = math.inf) -> float:
    """
    The guard band at whose edge, the acceptance limit, a deviation is as likely to be outside as `risk` says.

    Parameters
    ----------
    risk : float
        The specific consumer's risk at the acceptance limit, above 0 and at most 0.5.
    u_mm : float
        [mm]
    limits_mm : (float or None, float or None)
    dof : float
        Effective degrees of freedom of u.

    Returns
    -------
    float
        w [mm].

    Raises
    ------
    BadInput
        A risk that is none.

    Notes
    -----
    F is the distribution function of Student's t, Φ where u is exactly known, and q its quantile. One limit:
    w = u·q(1 − risk). Two limits T apart: F(−w/u) + F(−(T − w)/u) = risk, as either may be passed. Where even the
    middle has more than that risk, nothing can be accepted; then w = u·q(1 − risk/2), which is more than T/2,
    and into which the solution for two limits runs without a jump. Outside the limits the same w leaves a deviation no
    more likely to conform than `risk`.

    References
    ----------
    JCGM 106:2012, 8.3.2 (guard band for one limit; from memory). Two limits: derived here.
    """
    check_rule("guard-band-risk", "four", risk)
    one_sided = -_quantile(risk, dof) * u_mm
    lower, upper = limits_mm
    if lower is None or upper is None or u_mm == 0:
        return one_sided
    width = upper - lower
    both_tails = -_quantile(risk / 2, dof) * u_mm
    if both_tails >= width / 2:
        return both_tails

    def beyond(w: float) -> float:
        return _below(-w / u_mm, dof) + _below((w - width) / u_mm, dof) - risk

    low = max(one_sided, 0.0)
    # the far limit may add less than the last digit, and then the solution for one limit is that for two
    return float(brentq(beyond, low, width / 2, xtol=1e-15 * width)) if beyond(low) > 0 else low


def probability_inside(deviation_mm: float, u_mm: float, limits_mm: Limits, dof: float = math.inf) -> float:
    """
    Probability that the true deviation lies inside the limits (JCGM 106:2012, 7.3–7.5; JCGM 101:2008, 6.4.9).

    Parameters
    ----------
    deviation_mm, u_mm : float
        [mm]; with u 0 the answer is 0 or 1.
    limits_mm : (float or None, float or None)
    dof : float
        Effective degrees of freedom of u: Student's t with the scale u, normal where they are infinite.

    Returns
    -------
    float
    """
    lower, upper = limits_mm
    if u_mm == 0:
        inside = (lower is None or deviation_mm >= lower) and (upper is None or deviation_mm <= upper)
        return float(inside)
    below = _below((upper - deviation_mm) / u_mm, dof) if upper is not None else 1.0
    under = _below((lower - deviation_mm) / u_mm, dof) if lower is not None else 0.0
    return below - under


def share_below(t: Array, dof: float) -> Array:
    """
    The distribution function of what is known of a deviation, in units of u from the measured one.

    Parameters
    ----------
    t : ndarray
    dof : float
        Truncated as for k, so that a guard band of U has the risk that k was chosen for.

    Returns
    -------
    ndarray, shape of t

    Raises
    ------
    BadInput
        Degrees of freedom below 0 or that are no number.
    """
    return np.asarray(ndtr(t) if _known(dof) else stdtr(whole_dof(dof), t))


def _below(t: float, dof: float) -> float:
    return float(share_below(np.asarray(t), dof))


def _quantile(p: float, dof: float) -> float:
    return float(ndtri(p) if _known(dof) else stdtrit(whole_dof(dof), p))


def _known(dof: float) -> bool:
    """Whether u is exactly known."""
    if not dof >= 0:
        raise BadInput("decision.dof", dof=dof)
    return math.isinf(dof)


def normalised_error(deviation_mm: float, U_mm: float) -> float | None:
    """E_n = d/U(d) (ISO/IEC 17043:2010, B.3.1.3); None where U is 0."""
    return deviation_mm / U_mm if U_mm > 0 else None
