"""Decisions: does a deviation lie inside its limits, when it is itself uncertain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

from scipy.special import ndtr

from labkit.problems import BadInput

Rule = Literal["simple", "guard-band-U", "guard-band-1.65u"]
Outcomes = Literal["two", "four"]
Outcome = Literal["pass", "conditional pass", "conditional fail", "fail"]

OUTCOMES: Final[tuple[Outcomes, ...]] = ("two", "four")
RULES: Final[tuple[Rule, ...]] = ("simple", "guard-band-U", "guard-band-1.65u")


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
        That the true deviation lies inside the limits, for a normal distribution.
    rule, outcomes : str
    """

    outcome: Outcome
    guard_band_mm: float
    probability: float
    rule: Rule
    outcomes: Outcomes

    @property
    def code(self) -> str:
        """Of the sentence in `labkit.messages` that says what the outcome means: it speaks of U only where w is U."""
        if self.rule == "simple":
            return f"outcome.{self.outcome}.simple"
        if self.outcomes == "two":
            return f"outcome.{self.outcome}.binary"
        return f"outcome.{self.outcome}" + (".1.65u" if self.rule == "guard-band-1.65u" else "")

    def __str__(self) -> str:
        return self.outcome

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def decide(
    deviation_mm: float,
    u_mm: float,
    limits_mm: tuple[float | None, float | None],
    *,
    k: float = 2.0,
    rule: Rule = "guard-band-U",
    outcomes: Outcomes = "four",
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
        "simple": w = 0. "guard-band-U": w = U. "guard-band-1.65u": w = 1.65·u.
    outcomes : "two" or "four"
        With "two", what the guard band does not let pass fails. Simple acceptance always has two.

    Returns
    -------
    Decision

    Raises
    ------
    BadInput
        No limit at all, limits in the wrong order, an unknown rule, or a number that is not finite.

    References
    ----------
    JCGM 106:2012, 7 and 8. ILAC-G8:09/2019, 4.2 (binary and non-binary statements, w = U). ISO 14253-1:2017
    (w = 1.65·u for 95 % conformance; from memory).
    """
    lower, upper = limits_mm
    if lower is None and upper is None:
        raise BadInput("decision.no_limits")
    if lower is not None and upper is not None and lower >= upper:
        raise BadInput("decision.limits_order", lower_mm=lower, upper_mm=upper)
    if rule not in RULES:
        raise BadInput("decision.rule", rule=rule, known=RULES)
    if outcomes not in OUTCOMES:
        raise BadInput("decision.outcomes", outcomes=outcomes)
    if not all(math.isfinite(each) for each in (deviation_mm, u_mm, k, lower or 0.0, upper or 0.0)) or u_mm < 0:
        raise BadInput("decision.not_finite")
    w = {"simple": 0.0, "guard-band-U": k * u_mm, "guard-band-1.65u": 1.65 * u_mm}[rule]
    room = min(
        deviation_mm - lower if lower is not None else float("inf"),
        upper - deviation_mm if upper is not None else float("inf"),
    )
    outcome: Outcome
    if room >= w:
        outcome = "pass"
    elif rule == "simple" or outcomes == "two" or room < -w:
        outcome = "fail"
    else:
        outcome = "conditional pass" if room >= 0 else "conditional fail"
    return Decision(
        outcome, w, probability_inside(deviation_mm, u_mm, limits_mm), rule, "two" if rule == "simple" else outcomes
    )


def probability_inside(deviation_mm: float, u_mm: float, limits_mm: tuple[float | None, float | None]) -> float:
    """
    Probability that the true deviation lies inside the limits, for a normal distribution (JCGM 106:2012, 7.3–7.5).

    Parameters
    ----------
    deviation_mm, u_mm : float
        [mm]; with u 0 the answer is 0 or 1.
    limits_mm : (float or None, float or None)

    Returns
    -------
    float
    """
    lower, upper = limits_mm
    if u_mm == 0:
        inside = (lower is None or deviation_mm >= lower) and (upper is None or deviation_mm <= upper)
        return float(inside)
    below = float(ndtr((upper - deviation_mm) / u_mm)) if upper is not None else 1.0
    under = float(ndtr((lower - deviation_mm) / u_mm)) if lower is not None else 0.0
    return below - under


def normalised_error(deviation_mm: float, U_mm: float) -> float | None:
    """E_n = d/U(d) (ISO/IEC 17043:2010, B.3.1.3); None where U is 0."""
    return deviation_mm / U_mm if U_mm > 0 else None
