"""Conditions of a calibration: what is not in the readings and yet moves them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal, Self

from labkit.bench.influences import Influence

Background = Literal["subtract", "inside", "not shown"]

BACKGROUNDS: Final = ("subtract", "inside", "not shown")
"""Subtracted here; subtracted by the gauge itself; or the gauge shows no number without a target."""


@dataclass(frozen=True)
class OwnLine:
    """
    A line of the uncertainty budget that the laboratory adds itself.

    Attributes
    ----------
    name : str
        What moves the reading.
    u_mm : float
        Standard uncertainty [mm] in thickness.
    how : str
        How it is known.
    dof : float or None
        Degrees of freedom; None where it is taken as exactly known.
    correlated_with : str
        The name of another own line that errs with it; empty where none does.
    r : float
        Their coefficient of correlation, from −1 to 1.
    """

    name: str
    u_mm: float
    how: str = ""
    dof: float | None = None
    correlated_with: str = ""
    r: float = 0.0


@dataclass(frozen=True)
class Conditions:
    """
    Conditions of one calibration; what is None is not known, and the result says so.

    Attributes
    ----------
    resolution : float or None
        The display step, in mm for a thickness indication, else in the unit of the readings.
    temperature_start_degC, temperature_end_degC : float or None
        Of the probe and the shims.
    u_temperature_degC : float or None
        Standard uncertainty of the shims' temperature.
    repeatability : float or None
        Standard deviation of one reading, in the unit of `resolution`: used until the repeats know better.
    background : "subtract", "inside", "not shown" or None
        None: subtracted from a raw signal that has background readings, else as "inside".
    background_limit, closing_limit_mm : float or None
        The largest change that is still accepted: of the background in the unit of the readings, and of the
        first shim between start and end, in mm of thickness.
    joint_gap_mm, joint_u_mm : float
        Mean air gap that each joint of a stack adds, and its standard uncertainty [mm].
    zero_u_mm : float
        Standard uncertainty [mm] of the thickness at contact zero: how closely the target seats on the tip.
    own_lines : tuple of OwnLine
    influences : tuple of Influence
        Of the catalogue: those that have a value, and those that are left out for a reason.
    smallest_U_mm : float or None
        The smallest expanded uncertainty [mm] that the laboratory is accredited for: no smaller U is stated
        (ILAC-P14, from memory).
    """

    resolution: float | None = None
    temperature_start_degC: float | None = None
    temperature_end_degC: float | None = None
    u_temperature_degC: float | None = None
    repeatability: float | None = None
    background: Background | None = None
    background_limit: float | None = None
    closing_limit_mm: float | None = None
    joint_gap_mm: float = 0.0
    joint_u_mm: float = 0.0
    zero_u_mm: float = 0.0
    own_lines: tuple[OwnLine, ...] = ()
    influences: tuple[Influence, ...] = ()
    smallest_U_mm: float | None = None

    @property
    def temperature_degC(self) -> float | None:
        """The mean of start and end, or the one that is known."""
        known = [t for t in (self.temperature_start_degC, self.temperature_end_degC) if t is not None]
        return sum(known) / len(known) if known else None

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "own_lines": [asdict(line) for line in self.own_lines],
            "influences": [each.to_dict() for each in self.influences],
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        values["own_lines"] = tuple(OwnLine(**each) for each in values.get("own_lines", ()))
        values["influences"] = tuple(Influence.from_dict(each) for each in values.get("influences", ()))
        return cls(**values)
