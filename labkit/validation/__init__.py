"""Published check values, and the loader that hands them out: the evidence that the software computes rightly."""

from labkit.validation.cases import Case, PublishedValue, case, cases

__all__ = ["Case", "PublishedValue", "case", "cases"]
