"""The parameters that a curve is solved in, and F, F′ and ∂F/∂β by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from labkit.curves import polynomial
from labkit.curves.family import Array, Family, Signal


@dataclass(frozen=True, eq=False)
class Working:
    """
    The parameters that are solved for, where they are not those that are reported.

    Polynomials are solved in Chebyshev polynomials on the scaled range, which is what keeps their digits; parameters
    that must stay positive are solved for as logarithms.

    Attributes
    ----------
    form : Family
    signal : "raw" or "thickness"
    centre, half : float
        Middle of the range of the points, and half its width [mm].
    """

    form: Family
    signal: Signal
    centre: float
    half: float

    @property
    def chebyshev(self) -> bool:
        return self.form.degree > 0 and self.form.kind == "linear"

    @cached_property
    def logged(self) -> Array:
        """Which parameters are solved for as logarithms, shape (p,)."""
        return np.array([name in self.form.positive for name in self.form.parameters], dtype=bool)

    def value(self, x: Array, beta: Array) -> Array:
        """F(x), the thickness included for thickness indications."""
        if self.chebyshev:
            f: Array = polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half) @ beta
        else:
            f = np.asarray(self.form.f(x, *self.reported(beta)), dtype=np.float64)
        return f + x if self.signal == "thickness" else f

    def values(self, x: Array, betas: Array) -> Array:
        """F(x) for many β of shape (count, p), shape (count, q): at once where the family's function can do that."""
        reported = np.where(self.logged, np.exp(np.where(self.logged, betas, 0.0)), betas)
        try:
            f = np.asarray(self.form.f(x, *reported.T[:, :, None]), dtype=np.float64)
        except (TypeError, ValueError):  # a function that takes its parameters as single numbers only
            f = np.empty(0)
        if f.shape != (len(betas), len(x)):
            return np.stack([self.value(x, each) for each in betas])
        return f + x if self.signal == "thickness" else f

    def along(self, x: Array, beta: Array) -> tuple[Array, Array, Array]:
        """F(x), F′(x) and ∂F/∂β, as by the other methods; of a polynomial with its basis worked out once."""
        if self.chebyshev:
            gradient = polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half)
            value: Array = gradient @ beta
            bends = polynomial.chebyshev_derivatives(self.form.degree) @ beta
            slope: Array = gradient[:, : self.form.degree] @ bends / self.half
        else:
            b = self.reported(beta)
            value = np.asarray(self.form.f(x, *b), dtype=np.float64)
            slope = self.form.derivative(x, b)
            gradient = self._by_beta(self.form.jacobian(x, b), b)
        return (value + x, slope + 1.0, gradient) if self.signal == "thickness" else (value, slope, gradient)

    def slope(self, x: Array, beta: Array) -> Array:
        """F′(x)."""
        if self.chebyshev:
            slope: Array = polynomial.chebyshev_slopes(x, self.form.degree, self.centre, self.half) @ beta
        else:
            slope = self.form.derivative(x, self.reported(beta))
        return slope + 1.0 if self.signal == "thickness" else slope

    def gradient(self, x: Array, beta: Array) -> Array:
        """∂F/∂β, shape (m, p)."""
        if self.chebyshev:
            return polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half)
        b = self.reported(beta)
        return self._by_beta(self.form.jacobian(x, b), b)

    def _by_beta(self, by_reported: Array, reported: Array) -> Array:
        """∂F/∂β from ∂F/∂(reported), by the chain rule for logarithms."""
        return by_reported * np.where(self.logged, reported, 1.0) if self.form.positive else by_reported

    def reported(self, beta: Array) -> Array:
        """The reported parameters; of a polynomial the coefficients of the powers of x."""
        if self.chebyshev:
            return np.asarray(self.transform(beta) @ beta)
        b = np.array(beta, dtype=np.float64)
        b[self.logged] = np.exp(b[self.logged])
        return b

    def transform(self, beta: Array) -> Array:
        """∂(reported)/∂β, shape (p, p)."""
        if self.chebyshev:
            return polynomial.to_powers(self.form.degree, self.centre, self.half)
        return np.diag(np.where(self.logged, self.reported(beta), 1.0))

    def start(self, x: Array, g: Array, given: Sequence[float] | None) -> Array:
        """First values of β for g = F(x) less the thickness where that is added."""
        if self.chebyshev:
            basis = polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half)
            return np.asarray(np.linalg.lstsq(basis, g, rcond=None)[0])
        beta = np.array(self.form.start(x, g) if given is None else given, dtype=np.float64)
        beta[self.logged] = np.log(np.maximum(beta[self.logged], np.finfo(float).tiny))
        return beta
