"""Published check values, and running them on this machine: the evidence that the software computes rightly."""

from labkit.validation.cases import Case, PublishedValue, case, cases
from labkit.validation.report import CheckedCase, CheckedValue, Report
from labkit.validation.runner import check, judge, run
from labkit.validation.topics import Topic, topics

__all__ = [
    "Case",
    "CheckedCase",
    "CheckedValue",
    "PublishedValue",
    "Report",
    "Topic",
    "case",
    "cases",
    "check",
    "judge",
    "run",
    "topics",
]
