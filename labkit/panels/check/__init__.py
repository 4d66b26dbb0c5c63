"""The page Check: a rig taken up again before the first part."""

from labkit.panels.check.page import show

__all__ = ["show"]
