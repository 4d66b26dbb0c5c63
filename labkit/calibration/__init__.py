"""One calibration, whole: from readings to a curve with its uncertainty, its checks and its advice."""

from labkit.calibration.closing import Closing
from labkit.calibration.options import Options
from labkit.calibration.result import Calibration, ResultRow
from labkit.calibration.run import calibrate

__all__ = ["Calibration", "Closing", "Options", "ResultRow", "calibrate"]
