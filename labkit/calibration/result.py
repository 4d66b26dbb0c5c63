"""The result of a calibration: one value that holds everything the screen and the sheet say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike

from labkit.bench.about import About
from labkit.bench.readings import Readings
from labkit.calibration.advice import Advice
from labkit.calibration.checks import Check, worst
from labkit.calibration.closing import Closing
from labkit.calibration.lack_of_fit import LackOfFit, lack_of_fit
from labkit.calibration.options import Options
from labkit.calibration.points import PointTable
from labkit.calibration.simulation import Simulation, simulate_thickness
from labkit.calibration.uncertainty import Uncertainty
from labkit.calibration.widening import Widening
from labkit.curves import Curve
from labkit.curves.compare import Comparison
from labkit.curves.family import Array
from labkit.curves.inverse import thickness
from labkit.curves.offers import NextPoints
from labkit.metrology import Budget
from labkit.problems import BadInput, Caution, Reason


@dataclass(frozen=True)
class ResultRow:
    """
    A line of the results table.

    Attributes
    ----------
    thickness_mm : float
    indication : float
        In mm for thickness indications, else in the unit of the readings.
    correction_mm : float or None
        To be added to a thickness indication [mm]; None for raw signals.
    U_mm, k : float
        Of one corrected reading.
    """

    thickness_mm: float
    indication: float
    correction_mm: float | None
    U_mm: float
    k: float

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True, eq=False)
class Calibration:
    """
    One calibration, whole.

    Attributes
    ----------
    id : str
        UUIDv7, for life.
    created : str
        UTC, ISO 8601 with Z.
    readings : Readings
    about : About
    options : Options
    table : PointTable
    comparison : Comparison
    curve : Curve
        The chosen one.
    uncertainty : Uncertainty
    advice : Advice or None
        What more readings would bring; None where the curve cannot be used yet.
    closing : tuple of Closing
    checks, as_found : tuple of Check
    budget : Budget or None
        Where U is largest in the working range, as far as the points reach; None where the curve cannot be used
        backwards.
    cautions : tuple of Caution
        Every doubt, of the input and of the result.
    widening : Widening or None
        By how much the given uncertainties were made larger, on whose word and why; None where they were not.
    """

    id: str
    created: str
    readings: Readings
    about: About
    options: Options
    table: PointTable
    comparison: Comparison
    curve: Curve
    uncertainty: Uncertainty = field(repr=False)
    advice: Advice | None = field(repr=False)
    closing: tuple[Closing, ...]
    checks: tuple[Check, ...]
    as_found: tuple[Check, ...]
    budget: Budget | None
    cautions: tuple[Caution, ...]
    widening: Widening | None = None
    # a field, so that the same calibration under another remark keeps what was drawn for it
    _drawn: dict[tuple[float, int], Simulation] = field(default_factory=dict, repr=False)

    # ---- use ----

    @property
    def usable(self) -> bool:
        """Whether the curve can be used backwards."""
        return self.curve.monotonic

    @property
    def curve_with_weights(self) -> Curve:
        """The curve, or where that has no weights of its own the flexible one that its u comes from."""
        flexible, curve = self.uncertainty.flexible, self.curve
        return curve if flexible is None or curve.weights(curve.points.x[:1]) is not None else flexible

    @property
    def reason(self) -> Reason:
        """Why this curve, in one sentence."""
        if self.options.family in ("auto", self.comparison.recommended):
            if self.widening is not None and self.comparison.recommended != self.curve.family:
                return Reason("recommend.before_widening", {"family": self.curve.family})
            return self.comparison.reason
        return Reason("recommend.chosen", {"family": self.curve.family, "why": self.options.reason or "–"})

    @cached_property
    def stability(self) -> Reason | None:
        """
        Whether the recommendation survives without each inner point, in one sentence; None where nothing is
        recommended, or no point lies between the ends.
        """
        found = self.comparison.stability
        if found.recommended is None or not found.without:
            return None
        if found.survives:
            return Reason("stability.survives", {"points": len(found.without)})
        names = [self.table.points[i].name for i, _ in found.changed]
        if len(found.changed) > 1:
            return Reason("stability.leans", {"shims": names, "points": len(found.without)})
        _, instead = found.changed[0]
        if instead is None:
            return Reason("stability.none_without", {"shim": names[0]})
        return Reason("stability.changes", {"shim": names[0], "family": instead})

    @property
    def next_points(self) -> NextPoints | None:
        """The unread shims, ranked when first asked for; None where they cannot be."""
        return self.advice.next_points if self.advice is not None else None

    @cached_property
    def lack_of_fit(self) -> LackOfFit | None:
        """The points' spread about the curve against that of the repeats: shown where it may be, never decides."""
        return lack_of_fit(self.table, self.curve)

    @property
    def verdict(self) -> str | None:
        """The gravest outcome among the check shims; None where nothing was decided."""
        return worst(self.checks)

    @property
    def covered_mm(self) -> tuple[float, float]:
        """The working range as far as the points reach [mm]: no result is given elsewhere."""
        (low, high), (first, last) = self.options.working_range_mm, self.curve.range
        return max(low, first), min(high, last)

    @cached_property
    def reach_mm(self) -> tuple[float, float]:
        """
        Where the curve may be used [mm]: the calibrated range, and beyond its ends what the noise of a reading at the
        end shim can move the answer by: at most a twentieth of the range, and nothing where the curve turns there.
        """
        low, high = self.curve.range
        margin, _ = self.uncertainty.expanded(self.curve, np.array([low, high]))
        before, after = np.minimum(margin, (high - low) / 20)
        wider = low - float(before), high + float(after)
        return (low, high) if self.curve.turns(wider) else wider

    def correct(
        self, indications: ArrayLike, repeats: int = 1, outside: Literal["raise", "mask"] = "raise"
    ) -> tuple[Array, Array]:
        """
        Thicknesses from indications.

        Parameters
        ----------
        indications : array_like
            In mm for thickness indications, else in the unit of the readings; each the mean of `repeats` readings.
        repeats : int
        outside : "raise" or "mask"
            Refuse indications outside the calibrated range, or return masked arrays.

        Returns
        -------
        thickness, u : ndarray, shape of indications
            Thickness and its combined standard uncertainty [mm].

        Raises
        ------
        BadInput
            Indications outside the calibrated range (the first 20 are named), or a curve that turns.

        Notes
        -----
        Of more than 4096 different indications, thickness and the lines of u are interpolated in tables that are
        compared with the curve itself, and worked out one by one where that comparison fails: good to 1e-9 mm, and to
        1e-6 of u.
        """
        if repeats < 1:
            raise BadInput("correct.repeats", repeats=repeats)
        signal = self.table.signal_of(indications)
        x = thickness(self.curve, signal, self.reach_mm, outside)
        u = self.uncertainty.standard(self.curve, np.ma.getdata(x), repeats).reshape(x.shape)
        return (x, np.ma.masked_array(u, np.ma.getmaskarray(x))) if outside == "mask" else (x, u)

    def expanded(self, thickness_mm: ArrayLike, repeats: int = 1) -> tuple[Array, Array]:
        """Expanded uncertainty [mm] of a corrected reading at a thickness, and its coverage factor."""
        return self.uncertainty.expanded(self.curve, thickness_mm, repeats)

    def monte_carlo(self, x_mm: float | None = None, repeats: int = 1) -> Simulation | None:
        """
        The whole measurement drawn at random, beside the interval of the budget.

        Parameters
        ----------
        x_mm : float, optional
            A corrected reading [mm] within the calibrated range; default where U is largest.
        repeats : int
            Readings that were averaged.

        Returns
        -------
        Simulation or None
            None where the curve cannot be used. It takes some tenths of a second, once for each place: the record holds
            that at the largest U where it was asked for.

        Raises
        ------
        BadInput
            A thickness outside the calibrated range.

        References
        ----------
        JCGM 101:2008, clauses 7 and 8.
        """
        if self.budget is None:
            return None
        place = (self.budget.at_mm if x_mm is None else x_mm, repeats)
        low, high = self.reach_mm
        if not low <= place[0] <= high:
            raise BadInput("correct.thickness_outside", x_mm=place[0], low_mm=low, high_mm=high)
        if place not in self._drawn:
            seed = self.options.seed
            self._drawn[place] = simulate_thickness(self.uncertainty, self.curve, *place, seed=seed)
        return self._drawn[place]

    @property
    def drawn(self) -> Simulation | None:
        """What `monte_carlo` gave for the largest U; None where nobody asked for it yet."""
        return None if self.budget is None else self._drawn.get((self.budget.at_mm, 1))

    def expanded_with(self, shims: Sequence[str], thickness_mm: ArrayLike) -> Array | None:
        """
        Expanded uncertainty [mm] of a corrected reading once these shims are read too, as `next_points` foretells it.

        Parameters
        ----------
        shims : sequence of str
            Names of unread shims; none gives the uncertainty now.
        thickness_mm : array_like
            [mm]

        Returns
        -------
        ndarray, shape of thickness_mm, or None
            None where shims cannot be ranked (`next_points` is None).
        """
        return self.advice.expanded_with(shims, thickness_mm) if self.advice is not None else None

    @cached_property
    def results(self) -> tuple[ResultRow, ...]:
        """The results table: at every point, and at the ends of the working range."""
        if not self.usable:
            return ()
        inside = [x for x in self.options.working_range_mm if self.curve.range[0] <= x <= self.curve.range[1]]
        return self.tabulate(np.unique([*self.curve.points.x, *inside]))

    def tabulate(self, thickness_mm: ArrayLike) -> tuple[ResultRow, ...]:
        """Results at thicknesses of choice [mm], shape (q,)."""
        x = np.asarray(thickness_mm, dtype=np.float64)
        indication = self.table.indication_of(self.curve.value(x))
        U, k = self.expanded(x)
        length = self.readings.signal == "thickness"
        return tuple(
            ResultRow(
                float(x[i]),
                float(indication[i]),
                float(x[i] - indication[i]) if length else None,
                float(U[i]),
                float(k[i]),
            )
            for i in range(len(x))
        )

    def __str__(self) -> str:
        said = [f"{self.curve.family} through {len(self.table.points)} points"]
        if self.budget is not None:
            said.append(f"largest {self.budget}")
        if self.verdict is not None:
            said.append(f"check shims: {self.verdict}")
        return "; ".join(said)

    # ---- the record ----

    def to_dict(self) -> dict[str, Any]:
        """The record, schema ``labkit.calibration/1``: inputs as typed and as used, results, printed values."""
        from labkit.calibration.record import to_record

        return to_record(self)

    @classmethod
    def from_dict(cls, record: Mapping[str, Any]) -> Self:
        """
        The calibration of a record, computed again from its inputs.

        Raises
        ------
        BadInput
            Not a record, or one of a newer schema or method.
        """
        from labkit.calibration.record import from_record

        return from_record(record)  # type: ignore[return-value]
