"""Readings: what the gauge showed, row by row, with the shims that lay under the target."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, Self

from labkit.bench.shims import ShimSet
from labkit.problems import Caution, Where

Signal = Literal["thickness", "raw"]

ROLES: Final = (
    "fit",
    "check",
    "as-found",
    "zero",
    "background",
    "closing-fit",
    "closing-zero",
    "closing-background",
)


@dataclass(frozen=True)
class Reading:
    """
    One indication.

    Attributes
    ----------
    value : float
        In millimetres for a thickness indication, else in the unit of the readings.
    typed : str
        As it was typed.
    shims : tuple of str
        The shim under the target, several for a stack, none for contact zero and background.
    role : str
        One of `ROLES`.
    where : Where or None
    time : str
        UTC, ISO 8601 with Z; empty where none was given.
    operator : str
    left_out : str
        The reason why it does not count; empty where it counts.
    """

    value: float
    typed: str
    shims: tuple[str, ...] = ()
    role: str = "fit"
    where: Where | None = None
    time: str = ""
    operator: str = ""
    left_out: str = ""

    @property
    def point(self) -> str:
        """The name of the point that it belongs to: ``A-1``, ``A-1 + A-3``, ``zero``, ``background``."""
        if self.shims:
            return " + ".join(self.shims)
        return self.role.removeprefix("closing-")

    @property
    def counts(self) -> bool:
        return not self.left_out

    def to_dict(self) -> dict[str, Any]:
        found = dict(vars(self)) | {"shims": list(self.shims)}
        found["where"] = self.where.to_dict() if self.where else None
        return found

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        values["shims"] = tuple(values.get("shims", ()))
        values["where"] = Where(**values["where"]) if values.get("where") else None
        return cls(**values)


@dataclass(frozen=True)
class Readings:
    """
    All readings of one calibration, and all shims at hand.

    Attributes
    ----------
    rows : tuple of Reading
        In the order in which they were taken.
    shims : ShimSet
        Unread shims too: they are what the next point is chosen from.
    signal : "thickness" or "raw"
        An indication already in a unit of length, or one still to be linearised.
    unit : str
        As typed: ``mm``, ``in``, ``counts``, …. Values of thickness indications are kept in mm all the same.
    source : str
        Where they came from, for people: a file's name, or "pasted cells".
    cautions : tuple of Caution
        Doubts that reading them raised.
    """

    rows: tuple[Reading, ...]
    shims: ShimSet
    signal: Signal
    unit: str
    source: str = ""
    cautions: tuple[Caution, ...] = ()

    @property
    def value_unit(self) -> str:
        """The unit in which the values are kept: mm for thickness indications."""
        return "mm" if self.signal == "thickness" else self.unit

    def with_role(self, *roles: str) -> tuple[Reading, ...]:
        """The rows in these roles, in order; those left out too."""
        return tuple(row for row in self.rows if row.role in roles)

    def leave_out(self, index: int, reason: str) -> Self:
        """A copy in which row `index` (from 0) does not count, for a stated reason."""
        rows = tuple(replace(row, left_out=reason) if i == index else row for i, row in enumerate(self.rows))
        return replace(self, rows=rows)

    def __str__(self) -> str:
        points = dict.fromkeys(row.point for row in self.rows)
        return f"{len(self.rows)} readings at {len(points)} points, in {self.unit}"

    def to_dict(self) -> dict[str, Any]:
        return {
            "signal": self.signal,
            "unit": self.unit,
            "source": self.source,
            "rows": [row.to_dict() for row in self.rows],
            "shims": self.shims.to_dict(),
            "cautions": [caution.to_dict() for caution in self.cautions],
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        return cls(
            tuple(Reading.from_dict(each) for each in found["rows"]),
            ShimSet.from_dict(found["shims"]),
            found["signal"],
            found["unit"],
            found.get("source", ""),
            tuple(Caution.from_dict(each) for each in found.get("cautions", ())),
        )


def by_point(rows: Iterable[Reading]) -> dict[str, list[Reading]]:
    """
    Rows gathered by the point that they belong to, in the order in which the points were first read.
    """
    gathered: dict[str, list[Reading]] = {}
    for row in rows:
        gathered.setdefault(row.point, []).append(row)
    return gathered
