"""
The solutions that make up a flexible curve: one for each amplitude and length of the departure, weighed by how well the
points go with it.

References
----------
Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), 2.7 (trend with unknown coefficients) and 5.4.1
(restricted likelihood). Stein, Interpolation of Spatial Data (1999), 6.4 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from labkit.curves.family import Array

AMPLITUDES: Final = np.geomspace(1e-4, 3.0, 9)
"""Of the departure, relative to the span of z over the points."""

LENGTHS: Final = np.geomspace(0.2, 2.5, 9)
"""Over which the departure is alike, relative to the span of t."""

AMPLITUDE_PRIOR: Final = (np.log(0.02), 2.0)
LENGTH_PRIOR: Final = (np.log(0.6), 0.5)
"""Mean and standard deviation of the logarithms of both."""


@dataclass(frozen=True, eq=False)
class Components:
    """
    The solutions for the pairs of amplitude and length that carry weight; first axis g.

    Attributes
    ----------
    weight, amplitude, length : ndarray, shape (g,)
    factor, whitener : ndarray, shape (g, m, m)
        Cholesky factors C of the covariance of z, and C⁻¹.
    trend : ndarray, shape (g, p)
        β.
    basis, triangle : ndarray, shape (g, m, p) and (g, p, p)
        C⁻¹H, and the inverse of R of its QR factorisation.
    pull : ndarray, shape (g, m)
        K⁻¹(z − Hβ).
    """

    weight: Array
    amplitude: Array
    length: Array
    factor: Array
    whitener: Array
    trend: Array
    basis: Array
    triangle: Array
    pull: Array


def weighed(t: Array, z: Array, H: Array, N: Array, levels: Array | None) -> tuple[Components, float]:
    """
    Solve for every pair of amplitude and length (and level of noise), and weigh them.

    Parameters
    ----------
    t, z : ndarray, shape (m,)
        The points, as the flexible curve scales and links them.
    H, N : ndarray, shape (m, p) and (m, m)
        The basis of the trend there, and the covariance of the noise of z.
    levels : ndarray or None
        Levels of the noise, over the span of z; None where N is known.

    Returns
    -------
    components : Components
        Those that carry weight.
    factor : float
        On N: 1, or its mean over the levels.
    """
    size = float(np.sqrt(np.mean(np.diag(N))))
    # indications without any span have the size of their noise, or of what arithmetic leaves of it
    span = max(float(np.ptp(z)), size if levels is None else 1e-8 * max(1.0, float(np.abs(z).max())))
    T = float(np.ptp(t))
    factors = np.ones(1) if levels is None else (levels * span / size) ** 2
    amplitude, length, factor = (
        axis.ravel() for axis in np.meshgrid(span * AMPLITUDES, T * LENGTHS, factors, indexing="ij")
    )
    every, off = solved(t, z, H, factor[:, None, None] * N, np.ones(len(amplitude)), amplitude, length)

    score = -0.5 * np.sum(off**2, axis=1)
    score += np.log(np.diagonal(every.whitener, axis1=1, axis2=2)).sum(axis=1)
    score += np.log(np.abs(np.diagonal(every.triangle, axis1=1, axis2=2))).sum(axis=1)
    score -= 0.5 * ((np.log(amplitude / span) - AMPLITUDE_PRIOR[0]) / AMPLITUDE_PRIOR[1]) ** 2
    score -= 0.5 * ((np.log(length / T) - LENGTH_PRIOR[0]) / LENGTH_PRIOR[1]) ** 2
    weight = np.exp(score - score.max())
    keep = np.flatnonzero(weight > 1e-5)
    weight = weight[keep] / weight[keep].sum()
    _, *others = (each.name for each in fields(Components))
    chosen = Components(weight, *(getattr(every, name)[keep] for name in others))
    return chosen, float(weight @ factor[keep])


def solved(
    t: Array, z: Array, H: Array, N: Array, weight: Array, amplitude: Array, length: Array
) -> tuple[Components, Array]:
    """
    One solution for each weight, amplitude and length, shape (g,), and the whitened deviations from the trend, (g, m).

    The points as for `weighed`; N of shape (m, m), or (g, m, m) where it is not the same for all.
    """
    apart = (t[:, None] - t) ** 2
    K = amplitude[:, None, None] ** 2 * np.exp(-0.5 * apart / length[:, None, None] ** 2) + N
    # a hair on the diagonal keeps the factor real where the noise is far below the span
    K[:, np.arange(len(t)), np.arange(len(t))] += 1e-14 * max(float(np.ptp(z)), np.finfo(float).tiny) ** 2
    C = np.linalg.cholesky(K)
    whitener = np.linalg.inv(C)
    whitened = whiten_all(C, whitener, np.column_stack([H, z]))
    basis, target = whitened[..., :-1], whitened[..., -1:]
    Q, R = np.linalg.qr(basis)
    triangle = np.linalg.inv(R)
    trend = triangle @ (np.swapaxes(Q, 1, 2) @ target)
    off = target - basis @ trend
    pull = np.swapaxes(whitener, 1, 2) @ off
    found = Components(weight, amplitude, length, C, whitener, trend[..., 0], basis, triangle, pull[..., 0])
    return found, off[..., 0]


def whiten_all(C: Array, whitener: Array, values: Array) -> Array:
    """C⁻¹v, shape (g, m, q): by the inverse, whose digits are too few by themselves, and refined once."""
    first = whitener @ values
    return np.asarray(first + whitener @ (values - C @ first))
