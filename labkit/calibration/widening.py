"""Given uncertainties made larger where χ² rejects the curve: on a person's word, with a reason, never silently."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from labkit.calibration.options import Options
from labkit.curves.compare import Row
from labkit.problems import Caution


@dataclass(frozen=True)
class Widening:
    """
    The Birge ratio of a curve that χ² rejects.

    Attributes
    ----------
    family : str
        The curve by which it was found.
    chi2, dof, limit : float
        With the uncertainties as they were given.
    reason, by : str
        Why they are too small, and on whose word; `by` is empty where that person is not named.

    References
    ----------
    R. T. Birge, Phys. Rev. 40 (1932) 207 (from memory).
    """

    family: str
    chi2: float
    dof: float
    limit: float
    reason: str
    by: str

    @property
    def ratio(self) -> float:
        """χ²/ν, by which every variance is multiplied; above 1."""
        return self.chi2 / self.dof

    @property
    def factor(self) -> float:
        """By which every standard uncertainty is multiplied."""
        return math.sqrt(self.ratio)

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"ratio": self.ratio, "factor": self.factor}


def widening_of(row: Row, options: Options) -> Widening | None:
    """What to widen by, where the user said that the given uncertainties are too small and χ² rejects the curve."""
    if not options.widen_reason or row.fits or row.chi2 is None or row.dof is None or row.chi2_limit is None:
        return None
    found = Widening(row.family, row.chi2, row.dof, row.chi2_limit, options.widen_reason, options.widen_by)
    return found if found.ratio > 1 else None


def say_widening(found: Widening | None, row: Row, options: Options, cautions: list[Caution]) -> None:
    """Add by how much was widened, on whose word and why; or that a reason was given for nothing."""
    if found is not None:
        code = "curve.widened" if found.by else "curve.widened_by_nobody"
        cautions.append(Caution(code, found.to_dict()))
    elif options.widen_reason:
        cautions.append(Caution("curve.not_widened", {"family": row.family}))
