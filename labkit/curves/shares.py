"""The best shares of readings for a curve, where any share may be taken at any thickness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import minimize_scalar

from labkit.curves.design import Basis
from labkit.curves.family import Array
from labkit.problems import BadInput

ROUNDS: Final = 100
"""Of moving thicknesses and weights in turn, at most."""

GRID: Final = 201
"""Thicknesses at which the shares begin, and at which the variance of the curve is looked at."""


@dataclass(frozen=True)
class Shares:
    """
    The design that is optimal where any share of the readings may be taken at any thickness.

    Attributes
    ----------
    x, weights : ndarray, shape (s,)
        Thicknesses [mm], and the share of the readings at each.
    det : float
        Determinant of the information matrix of one reading.
    largest_variance : float
        The largest variance of the curve over the range, for one reading of unit variance: the number of parameters,
        where the design is optimal.
    """

    x: Array
    weights: Array
    det: float
    largest_variance: float


def optimal(basis: Basis, between: tuple[float, float]) -> Shares:
    """
    The D-optimal (and so G-optimal) shares for a curve.

    Parameters
    ----------
    basis : callable
    between : (float, float)
        The range of thicknesses [mm].

    Returns
    -------
    Shares

    Raises
    ------
    BadInput
        A basis whose columns are not independent over the range.

    Notes
    -----
    Weights on a grid, multiplied by their own variance over p until they gather (Titterington's algorithm); then
    thicknesses and weights in turn, each thickness to where the variance is largest near it.

    References
    ----------
    Kiefer & Wolfowitz (1960); Titterington, Biometrika 62 (1975) 313 (from memory).
    """
    grid = np.linspace(*between, GRID)
    p = np.asarray(basis(grid)).shape[1]
    weights = _weights(basis, grid, np.full(GRID, 1 / GRID), 400)
    x, weights = _gathered(grid, weights, 0.5 / p)
    for _ in range(ROUNDS):
        weights = _weights(basis, x, weights, 200)
        moved = _improved(basis, x, weights, between)
        step = float(np.max(np.abs(moved - x)))
        x = moved
        if step <= 3e-8 * (between[1] - between[0]):
            break
    weights = _weights(basis, x, weights, 2000)
    F = np.asarray(basis(x))
    largest = float(_variance(basis, x, weights, np.concatenate([grid, x])).max())
    return Shares(x, weights, float(np.linalg.det(F.T @ (weights[:, None] * F))), largest)


def _variance(basis: Basis, x: Array, weights: Array, at: Array) -> Array:
    """Variance of the curve at thicknesses, for one reading shared out by weights."""
    F = np.sqrt(weights)[:, None] * np.asarray(basis(x), dtype=np.float64)
    _, R = np.linalg.qr(F)
    if abs(np.diag(R)).min() <= 1e-12 * abs(np.diag(R)).max():
        raise BadInput("design.singular", count=F.shape[1])
    return np.asarray(np.square(np.linalg.solve(R.T, np.asarray(basis(at), dtype=np.float64).T)).sum(axis=0))


def _weights(basis: Basis, x: Array, weights: Array, most: int) -> Array:
    """The best weights at given thicknesses."""
    p = np.asarray(basis(x[:1])).shape[1]
    for _ in range(most):
        then = weights * _variance(basis, x, weights, x) / p
        if np.max(np.abs(then - weights)) <= 1e-13:
            break
        weights = then
    return weights


def _gathered(grid: Array, weights: Array, least: float) -> tuple[Array, Array]:
    """Neighbouring thicknesses that carry weight, drawn together where together they carry enough."""
    carrying = weights > 1e-3 * weights.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], carrying.astype(int), [0]])))
    found = [(slice(a, b), weights[a:b].sum()) for a, b in edges.reshape(-1, 2)]
    kept = [(part, total) for part, total in found if total > 0.2 * least]
    x = np.array([weights[part] @ grid[part] / total for part, total in kept])
    share = np.array([total for _, total in kept])
    return x, share / share.sum()


def _improved(basis: Basis, x: Array, weights: Array, between: tuple[float, float]) -> Array:
    """Each thickness in turn moved to where the information is largest, half-way to its neighbours at most."""
    x = x.copy()

    def lost(at: float, i: int) -> float:
        F = np.asarray(basis(np.array([*x[:i], at, *x[i + 1 :]])), dtype=np.float64)
        _, R = np.linalg.qr(np.sqrt(weights)[:, None] * F)
        return -2.0 * float(np.log(np.abs(np.diag(R))).sum())

    for i in range(len(x)):
        low = between[0] if i == 0 else (x[i - 1] + x[i]) / 2
        high = between[1] if i == len(x) - 1 else (x[i] + x[i + 1]) / 2
        xatol = 1e-9 * (high - low)
        found = minimize_scalar(lost, args=(i,), bounds=(low, high), method="bounded", options={"xatol": xatol})
        x[i] = min((low, float(found.x), high), key=lambda at: lost(at, i))
    return x
