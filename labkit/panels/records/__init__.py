"""The page Signed records."""

from labkit.panels.records.page import show

__all__ = ["show"]
