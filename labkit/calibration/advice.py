"""What the shims at hand would bring: which to read next, worked out when it is first asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import ArrayLike
from threadpoolctl import threadpool_limits

from labkit.calibration.options import Options
from labkit.calibration.points import PointTable
from labkit.calibration.uncertainty import Uncertainty
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.next_point import NextPoints, rank_next


@dataclass(frozen=True, eq=False)
class Advice:
    """
    What more readings would do to the uncertainty.

    Attributes
    ----------
    table : PointTable
    uncertainty : Uncertainty
    options : Options
    """

    table: PointTable
    uncertainty: Uncertainty
    options: Options

    @cached_property
    def next_points(self) -> NextPoints | None:
        """The unread shims, ranked; None where there is no flexible curve to rank them with."""
        flexible = self._flexible
        if flexible is None:
            return None
        table = self.table
        shims = table.readings.shims
        # readings that were left out count too: a shim that was set aside is not advised again
        taken = {name for row in table.readings.with_role("fit") for name in row.shims}
        checks = {name for row in table.readings.with_role("check", "as-found") for name in row.shims}
        # a set that is kept for checks is not used up for the fit
        kept = {shims[name].set_name for name in checks} - {shims[name].set_name for name in taken}
        repeats = table.repeats
        at_hand = [
            (shim.name, table.reference((shim.name,)), partial(table.with_shims, (shim.name,), repeats, flexible.value))
            for shim in shims
            if shim.name not in taken | checks and (not shim.set_name or shim.set_name not in kept)
        ]
        # the matrices are small: threads that wait for one another cost more than they save
        with threadpool_limits(limits=1, user_api="blas"):
            return rank_next(
                flexible, at_hand, self.options.working_range_mm, self._expanded, self.options.target_u_mm, repeats
            )

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
        flexible = self._flexible
        if flexible is None:
            return None
        if shims:
            flexible = flexible.with_points(self.table.with_shims(shims, self.table.repeats, flexible.value))
        return self._expanded(flexible, np.asarray(thickness_mm, dtype=np.float64))

    @property
    def _flexible(self) -> FlexibleCurve | None:
        """The curve to rank with, where there is one."""
        flexible = self.uncertainty.flexible
        if flexible is None or not flexible.monotonic or self.table.fitted.V_y is None:
            return None
        return flexible

    def _expanded(self, curve: FlexibleCurve, x: Array) -> Array:
        return replace(self.uncertainty, flexible=curve).expanded(curve, x)[0]
