"""
What else moves a reading: the catalogue of influences that every budget names.

Each is given a value or left out for a reason. What is neither is named in one caution: it was not considered.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.bench.readings import Signal
from labkit.problems import BadInput

Shape = Literal["rectangular", "normal"]

SHAPES: Final = ("rectangular", "normal")
"""A value within whose ± the truth lies, nowhere in it more likely; or a standard uncertainty."""

MAGNETS_PER_K: Final[Mapping[str, float]] = MappingProxyType({"NdFeB": -0.0011, "SmCo": -0.0004, "ferrite": -0.002})
"""Relative change of a magnet's field per kelvin [1/K], by material; from memory."""

LARGEST: Final = 1e9
"""Of any value: what is larger was meant in another unit, and its square may have no number."""


@dataclass(frozen=True)
class Entry:
    """
    One number to enter.

    Attributes
    ----------
    name : str
        Its key in `Influence.values`; ends in its unit.
    key : str
        Its key in a TOML file.
    unit : str
        In which it is typed; empty for the unit of the readings.
    scale : float
        What turns the number typed into the value.
    signed : bool
    """

    name: str
    key: str
    unit: str
    scale: float = 1.0
    signed: bool = False

    @property
    def length(self) -> bool:
        """Whether it is a length [mm], which a TOML file may give with its unit."""
        return self.name.startswith("mm_") or self.name.endswith("_mm")


LIMIT: Final = Entry("limit_mm", "limit", "µm", 1e-3)
SHARE: Final = Entry("share", "signal_percent", "%", 1e-2)
SIGNAL: Final = Entry("signal", "limit_signal", "")
CHANGE: Final = Entry("change_K", "change_K", "K")
SIGNAL_PER_K: Final = Entry("signal_per_K", "signal_percent_per_K", "%/K", 1e-2, signed=True)
MM_PER_K: Final = Entry("mm_per_K", "thickness_per_K", "µm/K", 1e-3, signed=True)
EXPANSION: Final = Entry("expansion_per_K", "expansion_ppm_per_K", "ppm/K", 1e-6)
BALL: Final = Entry("ball_mm", "ball", "mm")
WIDTH: Final = Entry("width_mm", "width", "mm")
DEPTH: Final = Entry("depth_mm", "depth", "mm")

BY_LIMIT: Final = (LIMIT,)
BY_SHARE: Final = (SHARE,)
BY_SIGNAL: Final = (SIGNAL,)
BY_FIELD: Final = (CHANGE, SIGNAL_PER_K)
BY_KELVIN: Final = (CHANGE, MM_PER_K)
BY_EXPANSION: Final = (CHANGE, EXPANSION)
BY_GROOVE: Final = (BALL, WIDTH, DEPTH)

_LINES: Final = {
    BY_LIMIT: "limit",
    BY_SHARE: "share",
    BY_SIGNAL: "signal",
    BY_FIELD: "field",
    BY_KELVIN: "kelvin",
    BY_EXPANSION: "expansion",
    BY_GROOVE: "groove",
}
"""What the line in the budget is called, by what was entered."""

_OF_RAW_ONLY: Final = (BY_SHARE, BY_SIGNAL, BY_FIELD)
"""A thickness indication does not show how its signal changes."""


@dataclass(frozen=True)
class Kind:
    """
    One influence of the catalogue; ``influence.CODE`` in `labkit.sentences` names it.

    Attributes
    ----------
    code : str
    ways : tuple of tuples of Entry
        What to enter: one of these sets of numbers. For a raw signal the last one that fits is asked for.
    on_parts : bool
        Whether it acts on parts, later, and not while shims are read: a check shim then does not feel it.
    signal : "thickness", "raw" or None
        The only kind of indication that has it; None for both.
    """

    code: str
    ways: tuple[tuple[Entry, ...], ...] = (BY_LIMIT,)
    on_parts: bool = True
    signal: Signal | None = None

    def concerns(self, signal: Signal) -> bool:
        return self.signal in (None, signal)

    def asks(self, signal: Signal) -> tuple[Entry, ...]:
        """The numbers that are asked for on a page."""
        return [way for way in self.ways if signal == "raw" or way not in _OF_RAW_ONLY][-1]


_RELATIVE: Final = (BY_LIMIT, BY_SHARE)

KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {
        kind.code: kind
        for kind in (
            Kind("background-drift", (BY_SIGNAL,), on_parts=False, signal="raw"),
            Kind("linearisation", on_parts=False, signal="thickness"),
            Kind("magnet-temperature", (BY_KELVIN, BY_FIELD)),
            Kind("tip-wear"),
            Kind("target-diameter", _RELATIVE),
            Kind("target-roundness"),
            Kind("target-permeability", _RELATIVE),
            Kind("target-exchange", _RELATIVE),
            Kind("magnetisation", _RELATIVE),
            Kind("axis-offset", _RELATIVE),
            Kind("tilt"),
            Kind("curvature"),
            Kind("groove", (BY_GROOVE,)),
            Kind("edge", _RELATIVE),
            Kind("filler", _RELATIVE),
            Kind("force"),
            Kind("part-temperature", (BY_EXPANSION,)),
            Kind("time"),
        )
    }
)
"""The catalogue, by code."""


@dataclass(frozen=True)
class Influence:
    """
    One influence as the laboratory states it: with a value, or left out for a reason.

    Attributes
    ----------
    code : str
        Of `KINDS`.
    values : mapping of str to float
        One of the kind's `ways`, by name of entry.
    shape : "rectangular" or "normal"
        Whether the values give limits or a standard uncertainty.
    how : str
        How it is known.
    off : str
        Why it is left out; empty where it is not.
    """

    code: str
    values: Mapping[str, float] = field(default_factory=dict)
    shape: Shape = "rectangular"
    how: str = ""
    off: str = ""

    @property
    def kind(self) -> Kind:
        return KINDS[self.code]

    @property
    def way(self) -> tuple[Entry, ...]:
        """Which of the kind's ways its values are."""
        return next(way for way in self.kind.ways if {entry.name for entry in way} == set(self.values))

    def moved_mm(self, x: ArrayLike, per_share_mm: ArrayLike, per_signal_mm: ArrayLike) -> NDArray[np.float64]:
        """
        By how much it may move a thickness: its limit, or its standard uncertainty, by `shape`.

        Parameters
        ----------
        x : array_like
            Thickness [mm].
        per_share_mm, per_signal_mm : array_like
            By how much thickness moves [mm] where the signal doubles, were it straight: ``|F/F'|``; and for one unit
            of the readings: ``1/|F'|``.

        Returns
        -------
        ndarray, shape of x
            [mm]

        Notes
        -----
        A ball that bridges a groove only ever reads thick. As it is not corrected, its whole error counts on both
        sides (JCGM 100:2008, F.2.4.5).
        """
        x, given, way = np.asarray(x, dtype=np.float64), self.values, self.way
        if way == BY_SHARE:
            moved: ArrayLike = given["share"] * np.asarray(per_share_mm)
        elif way == BY_SIGNAL:
            moved = given["signal"] * np.asarray(per_signal_mm)
        elif way == BY_FIELD:
            moved = given["change_K"] * abs(given["signal_per_K"]) * np.asarray(per_share_mm)
        elif way == BY_KELVIN:
            moved = given["change_K"] * abs(given["mm_per_K"])
        elif way == BY_EXPANSION:
            moved = given["expansion_per_K"] * np.abs(x) * given["change_K"]
        elif way == BY_GROOVE:
            moved = bridged_mm(given["ball_mm"], given["width_mm"], given["depth_mm"])
        else:
            moved = given["limit_mm"]
        return np.asarray(moved, dtype=np.float64) + np.zeros(x.shape)

    def u_mm(self, x: ArrayLike, per_share_mm: ArrayLike, per_signal_mm: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty [mm] of the thickness; parameters as for `moved_mm`."""
        moved = self.moved_mm(x, per_share_mm, per_signal_mm)
        # the error over a groove is known and has one sign: as a limit over √3 it would be held in 85 of 100 cases only
        limit = self.shape == "rectangular" and self.way != BY_GROOVE
        return moved / math.sqrt(3.0) if limit else moved

    @property
    def line(self) -> str:
        """The code of its line in the budget: ``budget.limit``, ``budget.share``, …."""
        return f"budget.{_LINES[self.way]}"

    def params(self, unit: str) -> dict[str, Any]:
        """
        What the sentences of its line name.

        Parameters
        ----------
        unit : str
            Of the readings.

        Returns
        -------
        dict
            The influence, each value under its name and as it is typed under its key, how it is known; and, where
            something else than the thickness is known, its standard uncertainty ``own_u`` in ``own_unit``.
        """
        known = f"; {self.how}" if self.how else ""
        found: dict[str, Any] = {"influence": self.code, "shape": self.shape, "known": known, "unit": unit}
        for entry in self.way:
            found |= {entry.name: self.values[entry.name], entry.key: self.values[entry.name] / entry.scale}
        if self.way == BY_GROOVE:
            found["bridged_mm"] = bridged_mm(*(self.values[entry.name] for entry in BY_GROOVE))
        elif self.way != BY_LIMIT:
            first = self.way[0]
            share = math.sqrt(3.0) if self.shape == "rectangular" else 1.0
            found |= {"own_u": found[first.key] / share, "own_unit": first.unit or unit}
        return found

    def to_dict(self) -> dict[str, Any]:
        return {
            "code": self.code,
            "values": dict(self.values),
            "shape": self.shape,
            "how": self.how,
            "off": self.off,
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        return cls(**dict(found) | {"values": dict(found.get("values", {}))})


def sagitta_mm(ball_mm: float, width_mm: float) -> float:
    """
    How deep a ball sinks between two edges.

    Parameters
    ----------
    ball_mm : float
        Its diameter [mm].
    width_mm : float
        The distance of the edges [mm]; from the diameter on the ball falls in, as deep as its radius and more.

    Returns
    -------
    float
        [mm]: r − √(r² − (w/2)²).
    """
    radius, half = ball_mm / 2, min(width_mm / 2, ball_mm / 2)
    # the same as r − √(r² − h²), without the difference of two numbers that are nearly alike
    return half**2 / (radius + math.sqrt(radius**2 - half**2))


def bridged_mm(ball_mm: float, width_mm: float, depth_mm: float) -> float:
    """
    How much too thick a ball reads that rests on the edges of a groove and does not reach its bottom [mm].

    0 where it does: the groove is at least as wide as the ball, or no deeper than the ball sinks in.
    """
    return 0.0 if width_mm >= ball_mm else max(depth_mm - sagitta_mm(ball_mm, width_mm), 0.0)


def not_considered(influences: Iterable[Influence], signal: Signal) -> tuple[str, ...]:
    """The codes of the catalogue that concern such an indication and were neither given a value nor left out."""
    said = {each.code for each in influences}
    return tuple(kind.code for kind in KINDS.values() if kind.concerns(signal) and kind.code not in said)


def check_influences(influences: Iterable[Influence], signal: Signal) -> None:
    """
    Refuse influences that cannot be counted.

    Raises
    ------
    BadInput
        An unknown one, one that is stated twice, has neither values nor a reason to be left out, has too few or too
        many values, an unreasonable one, or one that this kind of indication cannot have.
    """
    seen: set[str] = set()
    for each in influences:
        if each.code not in KINDS:
            raise BadInput("influence.unknown", got=each.code, known=list(KINDS))
        if each.code in seen:
            raise BadInput("influence.twice", influence=each.code)
        seen.add(each.code)
        if each.off:
            continue
        if each.shape not in SHAPES:
            raise BadInput("influence.shape", influence=each.code, known=list(SHAPES))
        names = set(each.values)
        if not any({entry.name for entry in way} == names for way in each.kind.ways):
            needed = " or ".join(" and ".join(entry.name for entry in way) for way in each.kind.ways)
            raise BadInput("influence.values", influence=each.code, needed=needed)
        for entry in each.way:
            value = each.values[entry.name]
            if not abs(value) <= LARGEST or (value < 0 and not entry.signed):
                raise BadInput("influence.number", influence=each.code, name=entry.name, got=value)
        if not each.kind.concerns(signal) or (signal == "thickness" and each.way in _OF_RAW_ONLY):
            raise BadInput("influence.signal", influence=each.code, signal=signal)
