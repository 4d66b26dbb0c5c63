"""The result of a check: what was re-read, what the check shims say, and the outcome in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal, Self

from labkit.bench.about import About
from labkit.bench.conditions import Background
from labkit.bench.readings import Readings
from labkit.calibration import Calibration
from labkit.calibration.checks import Check as ShimCheck
from labkit.calibration.options import Tolerance
from labkit.metrology.conformity import Outcomes, Rule
from labkit.problems import Caution, Reason

Outcome = Literal["fit to measure", "today only", "check again", "calibrate fully"]

OUTCOME_CODES: Final[Mapping[Outcome, str]] = {
    "fit to measure": "take_up.fit",
    "today only": "take_up.today_only",
    "check again": "take_up.again",
    "calibrate fully": "take_up.calibrate",
}


@dataclass(frozen=True)
class CheckOptions:
    """
    What was asked for.

    Attributes
    ----------
    tolerance_mm : float or (float or None, float or None) or None
        Half-width, or limits, of the deviation [mm].
    rule, outcomes : str
    risk : float or None
        All three of `labkit.metrology.decide`.
    due : str
        ISO date to which the calibration is relied upon; empty where no interval is registered.
    again : str
        The number of the check that came out "check again" and that this one repeats; empty where it repeats none.
    """

    tolerance_mm: Tolerance
    rule: Rule
    outcomes: Outcomes
    risk: float | None = None
    due: str = ""
    again: str = ""


@dataclass(frozen=True)
class BackgroundNow:
    """
    The indication with no target, now and at the calibration.

    Attributes
    ----------
    handled : str
        "subtract", "inside" or "not shown".
    then, now : float or None
        Means, in the unit of the readings; None where it was not read.
    u_now : float or None
        Standard uncertainty of `now`.
    limit : float or None
        The largest change that is accepted.
    """

    handled: Background
    then: float | None
    now: float | None
    u_now: float | None
    limit: float | None

    @property
    def moved(self) -> float | None:
        return None if self.then is None or self.now is None else self.now - self.then

    @property
    def exceeded(self) -> bool:
        return self.moved is not None and self.limit is not None and abs(self.moved) > self.limit

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"moved": self.moved, "exceeded": self.exceeded}


@dataclass(frozen=True)
class ZeroNow:
    """
    How contact zero has moved since the calibration, which shows a worn or dirty tip.

    Attributes
    ----------
    shift_mm : float
        In thickness [mm], with its sign.
    u_mm, U_mm, k : float
        Of the shift [mm]: the readings then and now, the seating of the target each time, and the backgrounds where
        they are subtracted.
    n : int
        Readings now.
    """

    shift_mm: float
    u_mm: float
    U_mm: float
    k: float
    n: int

    @property
    def moved(self) -> bool:
        """Whether it is more than its uncertainty explains."""
        return abs(self.shift_mm) > self.U_mm

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"moved": self.moved}


@dataclass(frozen=True, eq=False)
class Check:
    """
    One check of a rig whose calibration is taken up again.

    Attributes
    ----------
    id : str
        UUIDv7, for life.
    created : str
        UTC, ISO 8601 with Z.
    certificate : str
        The number of the certificate that it leans on; empty where it has none.
    calibration : Calibration
        Whose curve is used.
    calibration_record : mapping
        The record of it, as it was signed.
    readings : Readings
        Roles "background", "zero" and "check".
    about : About
    options : CheckOptions
    background : BackgroundNow
    zero : ZeroNow or None
        None where contact zero was not read then or now.
    shims : tuple of labkit.calibration.checks.Check
        Corrected thickness, deviation, U of the deviation, E_n and decision of each check shim.
    missing : tuple of Reason
        What is still to be read before there is an outcome.
    outcome : str or None
        "fit to measure", "today only", "check again" or "calibrate fully"; None while something is missing.
    reasons : tuple of Reason
        Why, in sentences.
    cautions : tuple of Caution
    """

    id: str
    created: str
    certificate: str
    calibration: Calibration = field(repr=False)
    calibration_record: Mapping[str, Any] = field(repr=False)
    readings: Readings
    about: About
    options: CheckOptions
    background: BackgroundNow
    zero: ZeroNow | None
    shims: tuple[ShimCheck, ...]
    missing: tuple[Reason, ...]
    outcome: Outcome | None
    reasons: tuple[Reason, ...]
    cautions: tuple[Caution, ...]

    @property
    def says(self) -> Reason | None:
        """The outcome as a sentence; None while something is missing."""
        if self.outcome is None:
            return None
        params = {"due": self.options.due} if self.outcome == "today only" else {}
        return Reason(OUTCOME_CODES[self.outcome], params)

    @property
    def largest_U_mm(self) -> float | None:
        """Of the deviations [mm]."""
        return max((each.U_mm for each in self.shims), default=None)

    def __str__(self) -> str:
        return " ".join(str(each) for each in (*((self.says,) if self.says else ()), *self.missing, *self.reasons))

    def to_dict(self) -> dict[str, Any]:
        """The record, schema ``labkit.check/1``: inputs with the calibration's own record, results, printed values."""
        from labkit.check.record import to_record

        return to_record(self)

    @classmethod
    def from_dict(cls, record: Mapping[str, Any]) -> Self:
        """
        The check of a record, computed again from its inputs.

        Raises
        ------
        BadInput
            Not a record, or one of a newer schema or method.
        """
        from labkit.check.record import from_record

        return from_record(record)  # type: ignore[return-value]
