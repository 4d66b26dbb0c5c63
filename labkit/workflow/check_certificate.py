"""What a check leans on: the certificate in force, and which of the check shims are read."""

from __future__ import annotations

from functools import cached_property

from labkit.bench.shims import Shim
from labkit.calibration import Calibration
from labkit.ledger import Entry


class Leans:
    """The certificate that a check leans on, computed from its record when it is first needed."""

    def __init__(self, entry: Entry) -> None:
        self.number, self.record = entry.number, entry.record

    @property
    def working_range_mm(self) -> tuple[float, float]:
        low, high = self.record["inputs"]["options"]["working_range_mm"]
        return low, high

    @cached_property
    def calibration(self) -> Calibration:
        return Calibration.from_dict(self.record)


def apart(shims: list[Shim]) -> list[Shim]:
    """The two that lie furthest apart: an error of the same thickness and one of a share both show."""
    return shims if len(shims) < 3 else [shims[0], shims[-1]]
