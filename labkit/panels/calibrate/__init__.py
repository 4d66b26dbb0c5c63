"""The page Calibrate: seven sections, from the rig to the signed sheet."""

from labkit.panels.calibrate.page import show

__all__ = ["show"]
