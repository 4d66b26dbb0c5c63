"""What more points would do to the flexible curve, before they are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.curves.curve import Points
from labkit.curves.family import Array
from labkit.curves.flexible import FlexibleCurve


@dataclass(frozen=True, eq=False)
class Prospect:
    """
    How indications to come hang together with the thicknesses that the flexible curve finds, given those read.

    Attributes
    ----------
    shared : ndarray, shape (q, p)
        Covariance of the thickness found at each of q places with each of p indications to come [mm times unit of z].
    among : ndarray, shape (p, p)
        Covariance of the indications to come, their noise included [square of the unit of z].
    unit : ndarray, shape (p,)
        By which a noise of y is divided to be one of z.
    """

    shared: Array
    among: Array
    unit: Array

    def variance_lost(self, which: Sequence[int], V_more: float | Array = 0.0) -> Array:
        """
        By how much reading some of them lowers the variance of the thickness found.

        Parameters
        ----------
        which : sequence of int
            Of the p indications.
        V_more : float or ndarray, shape of which
            Variance to add to that of each indication, in the square of the unit of y; negative for more repeats.

        Returns
        -------
        ndarray, shape (q,)
            [mm²]; never below 0.
        """
        index = list(which)
        S = self.among[np.ix_(index, index)] + np.diag(V_more / self.unit[index] ** 2)
        c = self.shared[:, index]
        return np.asarray(np.einsum("qp,pq->q", c, np.linalg.solve(S, c.T)))


def prospect(curve: FlexibleCurve, points: Points, x: Array) -> Prospect:
    """
    What points to come would tell.

    Parameters
    ----------
    curve : FlexibleCurve
        Through m points.
    points : Points
        The same m points, and after them those to come, at the indications that the curve expects of them. One that
        stands on a shim again is a repeat: its `V_x` is that of the same shim, and only its `V_y` is new.
    x : ndarray, shape (q,)
        Thicknesses [mm].

    Returns
    -------
    Prospect

    Notes
    -----
    Nothing is fitted: amplitude, length and weight of every component are kept, and so is F. A component says how z(x)
    and the indications to come vary together (a bordered update of universal kriging); over the components their
    means vary together as well. From both, the best linear estimate: the variance falls by cᵀS⁻¹c, and never rises.

    References
    ----------
    Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), 2.2 and 2.7. Goldstein & Wooff, Bayes Linear
    Statistics (2007), 3.1 (from memory).
    """
    part = curve.components
    m, q = len(curve.points.x), len(x)
    new = points.x[m:]
    raw = curve.signal == "raw"
    unit = points.y if raw else np.ones(len(points.x))
    steep = curve.link_slope(points.x) + (0.0 if raw else 1.0)
    assert points.V_y is not None
    noise = points.V_y / np.outer(unit, unit) + np.outer(steep, steep) * points.V_x

    reach, left = curve.whiten(curve.kernel(new) + noise[m:, :m], curve.basis(new))
    reach_x, left_x = curve.whitened(x)
    prior = curve.kernel(np.concatenate([x, new]), new)
    prior[:, q:] += noise[m:, m:]
    given = prior + np.swapaxes(np.concatenate([left_x, left], axis=2), 1, 2) @ left
    given -= np.swapaxes(np.concatenate([reach_x, reach], axis=2), 1, 2) @ reach
    means = np.concatenate([curve.component_means(x), curve.component_means(new)], axis=1)
    apart = means - part.weight @ means
    together = np.einsum("g,gqp->qp", part.weight, given) + (part.weight[:, None] * apart).T @ apart[:, q:]
    per_mm = curve.slope(x) / (curve.value(x) if raw else 1.0)
    return Prospect(together[:q] / per_mm[:, None], together[q:], unit[m:])
