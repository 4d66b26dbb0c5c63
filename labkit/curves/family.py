"""What a curve family is, and the register of those that are known."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from inspect import signature
from typing import Any, Final, Literal, overload

import numpy as np
from numpy.typing import NDArray

from labkit.problems import BadInput

Array = NDArray[np.floating[Any]]
Signal = Literal["raw", "thickness"]


@dataclass(frozen=True)
class Source:
    """
    Where the function of an engineer's own family stands.

    Attributes
    ----------
    file : str
        The file's name.
    text : str
        All of it.
    """

    file: str
    text: str

    @property
    def sha256(self) -> str:
        """Of the file's bytes, in hexadecimal."""
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()

    def to_dict(self) -> dict[str, str]:
        return {"file": self.file, "sha256": self.sha256, "source": self.text}


@dataclass(frozen=True)
class Family:
    """
    A form of the calibration function ``y = f(x, *parameters)``.

    Attributes
    ----------
    name : str
        Unique in the register.
    f : callable
        ``f(x, *parameters)`` for x of shape (m,) → y of shape (m,). For thickness indications f is the error
        curve E, and the calibration function is x + E(x).
    start : callable
        ``start(x, y)`` → first values of the parameters.
    parameters : tuple of str
        Their names, in order.
    signal : "raw", "thickness" or "any"
        The kind of indication that it describes.
    min_points : int
        The fewest different thicknesses that it is fitted to.
    jac : callable, optional
        ``jac(x, *parameters)`` → ∂f/∂parameters, shape (m, p); by central differences where None.
    slope : callable, optional
        ``slope(x, *parameters)`` → ∂f/∂x, shape (m,); by central differences where None.
    positive : tuple of str
        Parameters that are kept above 0.
    positive_signal : bool
        Whether every y must be above 0.
    kind : str
        How it is fitted: ``formula`` (least squares on f), ``linear`` (on a basis), ``through-points``,
        ``smoothing`` or ``flexible``.
    degree : int
        Of the polynomial, for the families that are one; else 0.
    basis : callable, optional
        For ``linear``: ``basis(x)`` → shape (m, p).
    source : Source, optional
        Of a family that `labkit.curves.own` took from a file.

    Examples
    --------
    >>> def decay(x, a, L):
    ...     return a * np.exp(-x / L)
    >>> register(Family("decay", decay, lambda x, y: (y.max(), 1.0), ("a", "L"), "raw", 4))  # doctest: +SKIP
    """

    name: str
    f: Callable[..., Array]
    start: Callable[[Array, Array], Sequence[float]]
    parameters: tuple[str, ...]
    signal: Literal["raw", "thickness", "any"] = "raw"
    min_points: int = 3
    jac: Callable[..., Array] | None = None
    slope: Callable[..., Array] | None = None
    positive: tuple[str, ...] = ()
    positive_signal: bool = False
    kind: Literal["formula", "linear", "through-points", "smoothing", "flexible"] = "formula"
    degree: int = 0
    basis: Callable[[Array], Array] | None = field(default=None, repr=False)
    source: Source | None = field(default=None, repr=False)

    def describes(self, signal: Signal) -> bool:
        return self.signal in ("any", signal)

    def jacobian(self, x: Array, b: Array) -> Array:
        """∂f/∂parameters at x, shape (m, p)."""
        if self.jac is not None:
            return np.asarray(self.jac(x, *b), dtype=np.float64)
        return np.stack([self._column(x, b, j) for j in range(len(b))], axis=-1)

    def _column(self, x: Array, b: Array, j: int) -> Array:
        """
        ∂f/∂bⱼ by five-point differences: three-point ones leave Bennett5 with 7 of its 11 certified digits.

        A step in proportion to the parameter is too long where that is a place on the axis (the peak of Eckerle4, 4
        wide at 451): shorter ones are tried, and the one is taken from which the next one differs least.
        """
        value = float(b[j])

        def difference(step: float) -> Array:
            f = [self.f(x, *b[:j], value + k * step, *b[j + 1 :]) for k in (-2, -1, 1, 2)]
            return np.asarray((8.0 * (f[2] - f[1]) - (f[3] - f[0])) / (12.0 * step), dtype=np.float64)

        step = np.finfo(float).eps ** 0.2 * max(abs(value), 1e-8)
        found, least = difference(step), np.inf
        current = found
        for _ in range(4):
            step /= 8.0
            finer = difference(step)
            change = float(np.max(np.abs(finer - current)))
            if not change < least:
                break
            found, least, current = current, change, finer
        return found

    def derivative(self, x: Array, b: Array) -> Array:
        """∂f/∂x at x, shape (m,)."""
        if self.slope is not None:
            return np.asarray(self.slope(x, *b), dtype=np.float64) + np.zeros_like(x)
        step = np.cbrt(np.finfo(float).eps) * np.maximum(np.abs(x), 1e-3)
        return np.asarray((self.f(x + step, *b) - self.f(x - step, *b)) / (2 * step), dtype=np.float64)


def no_formula(x: Array, *b: float) -> Array:
    """In the place of f for families that have none: only the fitted curve can be asked."""
    raise NotImplementedError("this family has no formula; ask the fitted curve")


_REGISTER: Final[dict[str, Family]] = {}


@overload
def register(family: Family, *, replace: bool = False) -> Family: ...


@overload
def register(
    family: str,
    *,
    start: Callable[[Array, Array], Sequence[float]],
    signal: Literal["raw", "thickness", "any"] = "raw",
    replace: bool = False,
    **rest: Any,
) -> Callable[[Callable[..., Array]], Family]: ...


def register(
    family: Family | str, *, replace: bool = False, **rest: Any
) -> Family | Callable[[Callable[..., Array]], Family]:
    """
    Add a family to those that every comparison considers, or make one of the function below it.

    Parameters
    ----------
    family : Family or str
        As a decorator, ``@register("name", start=…)``: the name.
    replace : bool
        Take the place of a family of the same name: for working on one in a notebook.
    **rest
        As a decorator: the other fields of `Family`. The parameters are those of the function after x; `min_points` is
        their count where it is not given.

    Returns
    -------
    Family or callable
        The same, or the decorator, in whose place the family stands then.

    Raises
    ------
    BadInput
        The name is taken.

    Examples
    --------
    >>> @register("decay", start=lambda x, y: (y.max(), 1.0))  # doctest: +SKIP
    ... def decay(x, a, L):
    ...     return a * np.exp(-x / L)
    """
    if isinstance(family, Family):
        if family.name in _REGISTER and not replace:
            raise BadInput("curve.name_taken", name=family.name)
        _REGISTER[family.name] = family
        return family
    name = family

    def of(f: Callable[..., Array]) -> Family:
        names = tuple(signature(f).parameters)[1:]
        fields: dict[str, Any] = {"parameters": names, "min_points": len(names)} | rest
        return register(Family(name, f, **fields), replace=replace)

    return of


def families(signal: Signal | None = None) -> tuple[Family, ...]:
    """The registered families, those for one kind of indication where `signal` is given."""
    return tuple(each for each in _REGISTER.values() if signal is None or each.describes(signal))


def family_named(name: str | Family) -> Family:
    """
    The registered family of that name; a `Family` is passed through.

    Raises
    ------
    BadInput
        No such family.
    """
    if isinstance(name, Family):
        return name
    if name not in _REGISTER:
        raise BadInput("curve.unknown_family", name=name, known=list(_REGISTER))
    return _REGISTER[name]


def linear_family(name: str, basis: Callable[[Array], Array], parameters: Sequence[str] | None = None) -> Family:
    """
    A family that is linear in its parameters: ``y = basis(x) @ b``.

    Parameters
    ----------
    name : str
    basis : callable
        ``basis(x)`` for x of shape (m,) → shape (m, p). Without a column of ones the curve has no intercept.
    parameters : sequence of str, optional
        Default ``b0``, ``b1``, ….

    Returns
    -------
    Family
        Not registered: hand it to `labkit.curves.fit`, or to `register`.
    """
    size = np.asarray(basis(np.array([0.5, 1.0]))).shape[1]
    names = tuple(parameters) if parameters is not None else tuple(f"b{i}" for i in range(size))

    def f(x: Array, *b: float) -> Array:
        return np.asarray(basis(x) @ np.asarray(b), dtype=np.float64)

    def jac(x: Array, *b: float) -> Array:
        return np.asarray(basis(x), dtype=np.float64)

    def start(x: Array, y: Array) -> Sequence[float]:
        solution: Any = np.linalg.lstsq(basis(x), y, rcond=None)[0]
        return tuple(float(value) for value in solution)

    return Family(name, f, start, names, "any", size, jac=jac, kind="linear", basis=basis)
