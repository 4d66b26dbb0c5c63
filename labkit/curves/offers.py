"""What can be read next, and what comes of ranking it: shims at hand, with what each would bring."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

from labkit.curves.family import Array
from labkit.problems import Reason

Stop = Literal["go on", "target reached", "no longer helps", "not reachable", "nothing at hand"]

Target: TypeAlias = float | Callable[[Array], Array] | None
"""The expanded uncertainty to reach [mm]: a number, or one by thickness [mm]; None where there is none."""

WORTHWHILE: Final = 0.05
"""A point that lowers the criterion by less than this share is not worth its readings."""


@dataclass(frozen=True)
class Offer:
    """
    A shim that could be read, for the first time or again.

    Attributes
    ----------
    name : str
    x_mm : float
    V_mean : callable
        Variance of the mean of n readings, as an indication of its own [square of the unit of y]; infinite where more
        readings tell nothing.
    again : bool
        Whether it has been read before.
    spread_mm : float or None
        How far the formulas that are not rejected lie apart there [mm]; None where none was tested.
    """

    name: str
    x_mm: float
    V_mean: Callable[[int], float]
    again: bool = False
    spread_mm: float | None = None


@dataclass(frozen=True)
class Candidate:
    """
    An offer, with what it would bring.

    Attributes
    ----------
    name : str
    x_mm : float
    before, after : float
        Largest U over its target within the working range, now and after; over 1 mm where there is no target.
    U_before_mm, U_after_mm : float
        Expanded uncertainty where it is largest for its target, now and after [mm].
    readings : int
        What it costs.
    reason : Reason
    again : bool
        Whether the shim has been read before: more repeats.
    mean_before, mean_after : float
        Quadratic mean of U over its target within the working range; over 1 mm where there is no target.
    mean_U_before_mm, mean_U_after_mm : float
        Quadratic mean of U within the working range [mm].
    spread_mm : float or None
        How far the formulas that are not rejected lie apart there [mm].
    """

    name: str
    x_mm: float
    before: float
    after: float
    U_before_mm: float
    U_after_mm: float
    readings: int
    reason: Reason
    again: bool = False
    mean_before: float = 0.0
    mean_after: float = 0.0
    mean_U_before_mm: float = 0.0
    mean_U_after_mm: float = 0.0
    spread_mm: float | None = None

    @property
    def U_gain_per_reading_mm(self) -> float:
        """By how much each reading lowers the largest U [mm]."""
        return (self.U_before_mm - self.U_after_mm) / self.readings

    def to_dict(self) -> dict[str, Any]:
        found = dict(vars(self)) | {"U_gain_per_reading_mm": self.U_gain_per_reading_mm}
        return found | {"reason": self.reason.to_dict()}


@dataclass(frozen=True)
class NextPoints:
    """
    The shims at hand, best first, and whether to go on.

    Attributes
    ----------
    ranking : tuple of Candidate
        New shims, and more repeats of those that were read where these are worth their readings.
    stop : str
        "go on", "target reached", "no longer helps", "not reachable" or "nothing at hand".
    reason : Reason
    repeats : Reason or None
        How many more repeats of one shim buy as much as the best new shim; None where that brings nothing.
    """

    ranking: tuple[Candidate, ...]
    stop: Stop
    reason: Reason
    repeats: Reason | None = None

    @property
    def best(self) -> Candidate | None:
        """The shim to read next; None where it is time to stop."""
        return self.ranking[0] if self.ranking and self.stop in ("go on", "not reachable") else None

    @property
    def new(self) -> tuple[Candidate, ...]:
        """The shims that have not been read, best first."""
        return tuple(each for each in self.ranking if not each.again)

    def to_dict(self) -> dict[str, Any]:
        return {
            "ranking": [each.to_dict() for each in self.ranking],
            "stop": self.stop,
            "reason": self.reason.to_dict(),
            "repeats": self.repeats.to_dict() if self.repeats else None,
        }
