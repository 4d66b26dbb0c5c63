"""Curves: families, fitting, use in both directions, comparison, and the choice of the next point."""

from labkit.curves import physical, polynomial
from labkit.curves.curve import Curve, Points
from labkit.curves.family import Family, families, family_named, linear_family, register
from labkit.curves.fit import fit, fit_points
from labkit.curves.linear import LinearSolution, solve_linear
from labkit.curves.own import is_own, load_own_families

__all__ = [
    "Curve",
    "Family",
    "LinearSolution",
    "Points",
    "families",
    "family_named",
    "fit",
    "fit_points",
    "is_own",
    "linear_family",
    "load_own_families",
    "physical",
    "polynomial",
    "register",
    "solve_linear",
]
