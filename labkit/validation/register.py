"""Which function computes which published case: the modules of ``computed/`` enter theirs here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from pkgutil import iter_modules
from typing import Final, TypeAlias

from labkit.validation.cases import Case

Computation: TypeAlias = Callable[[Case], Mapping[str, float]]
"""From a case to what the package obtains, under the names of `Case.published`: every one of them."""

_COMPUTATIONS: Final[dict[str, Computation]] = {}


def computes(*names: str) -> Callable[[Computation], Computation]:
    """
    Enter a function as the computation of the cases of these names.

    Parameters
    ----------
    *names : str
        `Case.name` of each.

    Returns
    -------
    callable
        A decorator that returns the function as it is.
    """

    def enter(function: Computation) -> Computation:
        for name in names:
            if name in _COMPUTATIONS:
                raise KeyError(f"case {name!r} is computed twice")
            _COMPUTATIONS[name] = function
        return function

    return enter


def computation(case: Case) -> Computation:
    """
    The function that computes a case.

    Raises
    ------
    KeyError
        None does.
    """
    _load()
    if case.name not in _COMPUTATIONS:
        raise KeyError(f"nothing computes case {case.name!r}")
    return _COMPUTATIONS[case.name]


def _load() -> None:
    package = import_module("labkit.validation.computed")
    for module in iter_modules(package.__path__):
        import_module(f"{package.__name__}.{module.name}")
