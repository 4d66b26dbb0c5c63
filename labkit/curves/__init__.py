"""Curves: families, fitting, use in both directions, comparison, and the choice of the next point."""
