"""The straight line, polynomials, and polynomials of the logarithm of the signal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from math import comb

import numpy as np
from numpy.polynomial import chebyshev
from scipy.special import eval_chebyt

from labkit.curves.family import Array, Family, register


def powers(x: Array, *b: float) -> Array:
    """Σ bᵢ·xⁱ, by Horner's rule."""
    total = b[-1] + 0.0 * x
    for coefficient in b[-2::-1]:
        total = total * x + coefficient
    return total


def _powers_slope(x: Array, *b: float) -> Array:
    return powers(x, *(i * coefficient for i, coefficient in enumerate(b[1:], 1))) if len(b) > 1 else 0.0 * x


def _powers_jacobian(x: Array, *b: float) -> Array:
    return np.vander(x, len(b), increasing=True)


def _least_squares(degree: int) -> Callable[[Array, Array], Sequence[float]]:
    def start(x: Array, y: Array) -> Sequence[float]:
        return tuple(np.linalg.lstsq(np.vander(x, degree + 1, increasing=True), y, rcond=None)[0])

    return start


def polynomial(degree: int, name: str | None = None) -> Family:
    """
    The polynomial Σ bᵢxⁱ of a degree, fitted in Chebyshev polynomials on the scaled range.

    Parameters
    ----------
    degree : int
    name : str, optional
        Default ``line`` or ``polynomial-N``.

    Returns
    -------
    Family
        Not registered.
    """
    return Family(
        name or ("line" if degree == 1 else f"polynomial-{degree}"),
        powers,
        _least_squares(degree),
        tuple(f"b{i}" for i in range(degree + 1)),
        "any",
        degree + 1,
        jac=_powers_jacobian,
        slope=_powers_slope,
        kind="linear",
        degree=degree,
    )


def chebyshev_basis(x: Array, degree: int, centre: float, half: float) -> Array:
    """T₀ … T_degree of (x − centre)/half, shape (m, degree + 1)."""
    degrees = np.arange(degree + 1, dtype="l")  # the type that is solved by recurrence, on every platform
    return np.asarray(eval_chebyt(degrees, ((np.asarray(x) - centre) / half)[:, None]))


def chebyshev_slopes(x: Array, degree: int, centre: float, half: float) -> Array:
    """Their derivatives with respect to x, shape (m, degree + 1)."""
    return chebyshev_basis(x, max(degree - 1, 0), centre, half) @ chebyshev_derivatives(degree) / half


@cache
def chebyshev_derivatives(degree: int) -> Array:
    """Column n holds the Chebyshev coefficients of Tₙ′, shape (max(degree, 1), degree + 1)."""
    found = np.zeros((max(degree, 1), degree + 1))
    for n in range(1, degree + 1):
        found[:n, n] = chebyshev.chebder(np.eye(n + 1)[n])
    return found


def to_powers(degree: int, centre: float, half: float) -> Array:
    """
    The matrix that turns Chebyshev coefficients on the scaled range into coefficients of powers of x.

    Parameters
    ----------
    degree : int
    centre, half : float
        x = centre + half·t.

    Returns
    -------
    ndarray, shape (degree + 1, degree + 1)
    """
    in_t = np.zeros((degree + 1, degree + 1))
    for j, row in enumerate(np.eye(degree + 1)):
        coefficients = chebyshev.cheb2poly(row[: j + 1])
        in_t[: len(coefficients), j] = coefficients
    in_x = np.zeros((degree + 1, degree + 1))
    for i in range(degree + 1):
        for j in range(i + 1):
            in_x[j, i] = comb(i, j) * (-centre) ** (i - j) / half**i
    return in_x @ in_t


def _log_polynomial(degree: int) -> Family:
    def f(x: Array, *b: float) -> Array:
        return np.exp(powers(x, *b))

    def jac(x: Array, *b: float) -> Array:
        return f(x, *b)[:, None] * _powers_jacobian(x, *b)

    def slope(x: Array, *b: float) -> Array:
        return f(x, *b) * _powers_slope(x, *b)

    return Family(
        f"log-polynomial-{degree}",
        f,
        lambda x, y: _least_squares(degree)(x, np.log(y)),
        tuple(f"b{i}" for i in range(degree + 1)),
        "raw",
        degree + 1,
        jac=jac,
        slope=slope,
        positive_signal=True,
        degree=degree,
    )


for _degree in (1, 2, 3, 4, 5):
    register(polynomial(_degree))
for _degree in (2, 3, 4):
    register(_log_polynomial(_degree))
