"""The numbers that a signed record prints, computed again from its inputs and compared."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from labkit import format as text
from labkit.problems import BadInput, Fault

CALIBRATION: Final = "labkit.calibration/"

RESULTS: Final = ("verdict", "recommended", "table", "fine_table", "checks", "as_found")
"""What of a calibration is compared in full digits, besides what is printed; of a check all results are."""

_REL: Final = 5e-3
_ABS: Final = 5e-6
"""In mm: of numbers whose printed digits are compared too."""


@dataclass(frozen=True)
class Recomputed:
    """
    What computing a record again gave.

    Attributes
    ----------
    agree, of : int
        How many printed numbers and words agree to one unit in the last digit shown, and how many there are.
    first : str
        Where the first one stands that does not, such as ``table 3 U``; empty where all agree.
    why_not : Fault or None
        Why nothing was computed: another method, or an engineer's own family.
    """

    agree: int = 0
    of: int = 0
    first: str = ""
    why_not: Fault | None = None

    @property
    def whole(self) -> bool:
        return self.why_not is None and self.of > 0 and self.agree == self.of


def recompute(record: Mapping[str, Any]) -> Recomputed:
    """
    Compute a record again by the methods that it names, and compare what it prints.

    Parameters
    ----------
    record : mapping
        Of a calibration or a check.
    """
    from labkit.calibration.record import from_record

    schema = str(record.get("schema", ""))
    try:
        if schema.startswith(CALIBRATION):
            again = from_record(record).to_dict()
        else:
            from labkit.check import Check

            again = Check.from_dict(record).to_dict()
        keys = RESULTS if schema.startswith(CALIBRATION) else tuple({**record["results"], **again["results"]})
        numbers = _results(record["results"], again["results"], keys)
        return _both(compared(record["printed"], again["printed"]), numbers)
    except BadInput as problem:
        return Recomputed(why_not=problem.fault)
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        return Recomputed(why_not=Fault("record.broken", {"place": "$", "fault": str(error)[:200]}))


def _both(one: Recomputed, other: Recomputed) -> Recomputed:
    return Recomputed(one.agree + other.agree, one.of + other.of, one.first or other.first)


def _results(said: Mapping[str, Any], again: Mapping[str, Any], keys: Iterable[str]) -> Recomputed:
    """The table, the check shims and the decisions in full digits."""
    there, here = (dict(_leaves({key: found.get(key) for key in keys}, raw=True)) for found in (said, again))
    places = [*there, *(place for place in here if place not in there)]
    wrong = [place for place in places if not _close(there.get(place), here.get(place))]
    return Recomputed(len(places) - len(wrong), len(places), f"results {wrong[0]}" if wrong else "")


def _close(said: Any, again: Any) -> bool:
    """Whether they are the same, but for what another machine computes in digits that nobody is shown."""
    numbers = all(isinstance(each, int | float) and not isinstance(each, bool) for each in (said, again))
    return math.isclose(said, again, rel_tol=_REL, abs_tol=_ABS) if numbers else bool(said == again)


def compared(printed: Mapping[str, Any], again: Mapping[str, Any]) -> Recomputed:
    """Every printed text of one record held against that of another, place by place."""
    there, here = dict(_leaves(printed)), dict(_leaves(again))
    places = [*there, *(place for place in here if place not in there)]
    wrong = [place for place in places if not alike(there.get(place), here.get(place))]
    return Recomputed(len(places) - len(wrong), len(places), wrong[0] if wrong else "")


def alike(printed: str | None, again: str | None) -> bool:
    """Whether two printed texts are the same, or numbers that differ by at most one unit in the last digit."""
    if printed == again:
        return True
    if printed is None or again is None:
        return False
    (first, unit), (second, other) = _parts(printed), _parts(again)
    if first is None or second is None or unit != other:
        return False
    last = max(int(first.as_tuple().exponent), int(second.as_tuple().exponent))
    return abs(first - second) <= Decimal(1).scaleb(last)


def _parts(shown: str) -> tuple[Decimal | None, str]:
    """A number and its unit."""
    number, _, unit = shown.partition(" ")
    try:
        found = Decimal(number.replace(text.MINUS, "-"))
    except InvalidOperation:
        return None, shown
    return (found, unit) if found.is_finite() else (None, shown)


def _leaves(found: Any, place: str = "", *, raw: bool = False) -> Iterator[tuple[str, Any]]:
    """Every value with its place: as text, or as it is."""
    if isinstance(found, Mapping):
        for key, value in found.items():
            yield from _leaves(value, f"{place} {key}".strip(), raw=raw)
    elif isinstance(found, list):
        for number, value in enumerate(found, start=1):
            yield from _leaves(value, f"{place} {number}", raw=raw)
    else:
        yield place, found if raw else str(found)
