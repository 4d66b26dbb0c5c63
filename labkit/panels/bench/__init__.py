"""The page Bench: what waits, what is due, what is unfinished, and what is registered."""

from labkit.panels.bench.page import show

__all__ = ["show"]
