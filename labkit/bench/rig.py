"""The rig: one gauge, probe, tip and target, which has a curve of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Self


@dataclass(frozen=True)
class Part:
    """
    One part of a rig, or an auxiliary instrument, as the register describes it.

    Attributes
    ----------
    name : str
        The laboratory's own name for it, such as ``G-07``.
    maker, model, serial, firmware : str
    kind : str
        For a tip its form, for a target "ball", "disc" or "wire" and its size.
    due : str
        ISO date to which its own calibration is relied upon; empty where it has none.
    """

    name: str = ""
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    kind: str = ""
    due: str = ""

    def __str__(self) -> str:
        said = [self.name, self.kind, self.maker, self.model, f"serial {self.serial}" if self.serial else ""]
        return ", ".join(each for each in said if each)


@dataclass(frozen=True)
class Rig:
    """
    A measuring system (VIM 3.2) whose calibration stands for this combination of parts and no other.

    Attributes
    ----------
    name : str
        Such as "Rig 2".
    gauge, probe, tip, target : Part
    warm_up_min : float or None
        Minutes from switching on until the readings are steady.
    """

    name: str = ""
    gauge: Part = field(default_factory=Part)
    probe: Part = field(default_factory=Part)
    tip: Part = field(default_factory=Part)
    target: Part = field(default_factory=Part)
    warm_up_min: float | None = None

    def __str__(self) -> str:
        parts = [self.name, self.gauge.name, self.probe.name, self.tip.name, self.target.name]
        return ", ".join(part for part in parts if part)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        for key in ("gauge", "probe", "tip", "target"):
            values[key] = Part(**values.get(key, {}))
        return cls(**values)
