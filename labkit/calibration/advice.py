"""What more readings would bring: which shim to read next, worked out when it is first asked for."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import ArrayLike

from labkit.calibration.one_thread import on_one_thread
from labkit.calibration.options import Options
from labkit.calibration.points import PointTable
from labkit.calibration.uncertainty import Uncertainty
from labkit.curves import Curve
from labkit.curves.compare import Comparison
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.foretell import prospect
from labkit.curves.next_point import lowered, rank_next
from labkit.curves.offers import NextPoints, Offer


@dataclass(frozen=True, eq=False)
class Advice:
    """
    What more readings would do to the uncertainty.

    Attributes
    ----------
    table : PointTable
    comparison : Comparison
    uncertainty : Uncertainty
    options : Options
    """

    table: PointTable
    comparison: Comparison
    uncertainty: Uncertainty
    options: Options

    @cached_property
    def next_points(self) -> NextPoints | None:
        """
        The unread shims and more repeats of those that were read, ranked; None where there is no flexible curve to
        rank them with.
        """
        flexible = self._flexible
        if flexible is None:
            return None
        names = [*self._unread, *self._read]
        x = np.array([self.table.reference((name,)) for name in names])
        spread = self._spread(flexible, x)
        offers = [
            Offer(
                name,
                float(x[i]),
                self._V_mean(name, float(x[i])),
                name in self._read,
                None if spread is None or np.isnan(spread[i]) else float(spread[i]),
            )
            for i, name in enumerate(names)
        ]
        repeats = self.table.repeats
        return on_one_thread(rank_next)(
            flexible,
            offers,
            self.table.with_shims(names, repeats, flexible.value),
            self.options.working_range_mm,
            partial(self._expanded, flexible),
            self.options.target_u_mm,
            repeats,
            self._smallest,
        )

    def expanded_with(self, shims: Sequence[str], thickness_mm: ArrayLike) -> Array | None:
        """
        Expanded uncertainty [mm] of a corrected reading once these shims are read too, as `next_points` foretells it:
        by the flexible curve, and no smaller than the laboratory is accredited for.

        Parameters
        ----------
        shims : sequence of str
            Names of unread shims, or of those that are read again; none gives the uncertainty now.
        thickness_mm : array_like
            [mm]

        Returns
        -------
        ndarray, shape of thickness_mm, or None
            None where shims cannot be ranked (`next_points` is None).
        """
        flexible = self._flexible
        if flexible is None:
            return None
        x = np.asarray(thickness_mm, dtype=np.float64)
        U, k = self._expanded(flexible, x)
        repeats = self.table.repeats
        told = {name: self._V_mean(name, self.table.reference((name,)))(repeats) for name in shims}
        telling = [name for name in shims if math.isfinite(told[name])]
        if not telling:
            return U
        outlook = prospect(flexible, self.table.with_shims(telling, repeats, flexible.value), np.ravel(x))
        plain = self.table.variance.variance_of_mean([self.table.reference((name,)) for name in telling], repeats)
        lost = outlook.variance_lost(range(len(telling)), np.array([told[name] for name in telling]) - plain)
        return lowered(U, k, lost.reshape(x.shape), self._smallest)

    @property
    def _smallest(self) -> float:
        """The smallest U [mm] that may be stated; 0 where the laboratory names none."""
        return self.table.conditions.smallest_U_mm or 0.0

    @property
    def _flexible(self) -> FlexibleCurve | None:
        """The curve to rank with, where there is one."""
        flexible = self.uncertainty.flexible
        if flexible is None or not flexible.monotonic or self.table.fitted.V_y is None:
            return None
        return flexible

    @cached_property
    def _unread(self) -> tuple[str, ...]:
        """Shims that could be read for the fit, and were not."""
        readings = self.table.readings
        shims = readings.shims
        # readings that were left out count too: a shim that was set aside is not advised again
        taken = {name for row in readings.with_role("fit") for name in row.shims}
        checks = {name for row in readings.with_role("check", "as-found") for name in row.shims}
        # a set that is kept for checks, or is not the one chosen for the fit, is not used up for it
        kept = {shims[name].set_name for name in checks}
        if shims.name:
            kept |= {shim.set_name for shim in shims} - {shims.name}
        kept -= {shims[name].set_name for name in taken} | {""}
        return tuple(shim.name for shim in shims if shim.name not in taken | checks and shim.set_name not in kept)

    @cached_property
    def _read(self) -> dict[str, int]:
        """Shims that were read on their own, with the place of their point."""
        return {point.name: i for i, point in enumerate(self.table.points) if len(point.shims) == 1}

    def _V_mean(self, name: str, x: float) -> Callable[[int], float]:
        """
        Variance of the mean of n readings to come of a shim.

        Of one that was read before: that of an indication of its own which, with the old one, gives the variance of
        the mean of all. It is infinite where the display step is all that is left: no repeat tells more.
        """
        variance = self.table.variance
        if name not in self._read:
            return lambda n: float(variance.variance_of_mean(x, n))
        before = self.table.points[self._read[name]].n
        now = float(variance.variance_of_mean(x, before))

        def more(n: int) -> float:
            then = float(variance.variance_of_mean(x, before + n))
            return now * then / (now - then) if then < now else math.inf

        return more

    def _spread(self, flexible: FlexibleCurve, x: Array) -> Array | None:
        """
        How far the curves that χ² accepts lie apart [mm], NaN outside the working range: there nobody measures. None
        where no formula was tested and accepted.
        """
        accepted: list[Curve] = [
            row.curve
            for row in self.comparison.rows
            if row.curve is not None and row.chi2_limit is not None and row.fits and row.monotonic
        ]
        formulas = [curve for curve in accepted if curve is not flexible]
        if not formulas or not len(x):
            return None
        values = np.array([curve.value(x) for curve in (flexible, *formulas)])
        low, high = self.options.working_range_mm
        return np.where((x >= low) & (x <= high), np.ptp(values, axis=0) / np.abs(flexible.slope(x)), np.nan)

    def _expanded(self, curve: FlexibleCurve, x: Array) -> tuple[Array, Array]:
        return self.uncertainty.expanded(curve, x)
