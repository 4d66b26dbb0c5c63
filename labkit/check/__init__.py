"""A stored calibration used again: what is re-read before the first part, and whether the rig is fit to measure."""

from labkit.check.history import Past, Series, series, watched
from labkit.check.result import BackgroundNow, Check, CheckOptions, ZeroNow
from labkit.check.run import take_up

__all__ = [
    "BackgroundNow",
    "Check",
    "CheckOptions",
    "Past",
    "Series",
    "ZeroNow",
    "series",
    "take_up",
    "watched",
]
