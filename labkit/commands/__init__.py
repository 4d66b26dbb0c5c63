"""The commands, one file each: ``add_parser`` says what it takes, ``run`` does it and returns the exit code."""

from typing import Final

DONE: Final = 0
OUR_FAULT: Final = 1
BAD_INPUT: Final = 2
NEGATIVE: Final = 3
"""The question has a negative answer: a check shim fails, a certificate is not genuine."""
