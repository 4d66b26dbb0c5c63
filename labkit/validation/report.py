"""What came out of running the published cases, for people and for programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

from labkit.validation.cases import Case, Rule
from labkit.validation.topics import Topic

SCHEMA: Final = "labkit.validation/1"

ALL_DIGITS: Final = 15.9
"""As many correct digits as a number in double precision can have: -log10(2^-53)."""

Verdict: TypeAlias = Literal["agrees", "does not agree"]


def _verdict(agrees: bool) -> Verdict:
    return "agrees" if agrees else "does not agree"


@dataclass(frozen=True)
class CheckedValue:
    """
    One published number beside what was obtained.

    Attributes
    ----------
    name : str
    expected : str
        As printed.
    obtained : float or None
        None where the computation gave none, or no number.
    digits : float or None
        Correct digits of `obtained` (the log relative error), from 0 to `ALL_DIGITS`.
    rule : "printed digits", "tolerance" or "digits"
        How agreement is judged: rounding to what is printed; a stated largest difference; stated digits, where
        double precision cannot reach all that are printed.
    limit : float
        That largest difference (half a unit of the last printed digit), or those digits.
    agrees : bool
    """

    name: str
    expected: str
    obtained: float | None
    digits: float | None
    rule: Rule
    limit: float
    agrees: bool

    @property
    def verdict(self) -> Verdict:
        return _verdict(self.agrees)

    def __str__(self) -> str:
        if self.obtained is None:
            return f"{self.name}: published {self.expected}, nothing obtained"
        judged = f"{self.limit:g} digits wanted" if self.rule == "digits" else f"difference of {self.limit:.3g} allowed"
        return (
            f"{self.name}: published {self.expected}, obtained {self.obtained!r} ({self.digits:.1f} digits, {judged})"
        )

    def to_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "expected": self.expected,
            "obtained": self.obtained,
            "digits": self.digits,
            "rule": self.rule,
            "limit": self.limit,
            "verdict": self.verdict,
        }


@dataclass(frozen=True)
class CheckedCase:
    """
    One published case as it came out.

    Attributes
    ----------
    case : Case
    values : tuple of CheckedValue
        Every published value of it.
    error : str
        Why it is no result, in words; empty where it is one.
    seconds : float
        How long the computation took [s].
    """

    case: Case
    values: tuple[CheckedValue, ...]
    error: str = ""
    seconds: float = 0.0

    @property
    def agrees(self) -> bool:
        return not self.error and all(each.agrees for each in self.values)

    @property
    def verdict(self) -> Verdict:
        return _verdict(self.agrees)

    @property
    def agreeing(self) -> int:
        """How many values agree."""
        return sum(each.agrees for each in self.values)

    @property
    def digits(self) -> float | None:
        """The fewest correct digits of its values; None where a value is missing."""
        found = [each.digits for each in self.values if each.digits is not None]
        return min(found) if len(found) == len(self.values) else None

    def disagreements(self) -> tuple[str, ...]:
        """What is wrong, a line each; empty where all agrees."""
        wrong = tuple(str(each) for each in self.values if not each.agrees)
        if not self.error:
            return wrong
        nothing = all(each.obtained is None for each in self.values)
        return (self.error,) if nothing else (self.error, *wrong)

    def to_dict(self) -> dict[str, Any]:
        return {
            "name": self.case.name,
            "source": self.case.source,
            "reference": self.case.reference,
            "from_memory": self.case.from_memory,
            "printed": self.case.printed,
            "description": self.case.description,
            "note": self.case.note,
            "seconds": round(self.seconds, 4),
            "verdict": self.verdict,
            "error": self.error,
            "values_agreeing": self.agreeing,
            "digits": self.digits,
            "values": [each.to_dict() for each in self.values],
        }


@dataclass(frozen=True)
class Report:
    """
    Every case that was run.

    Attributes
    ----------
    created : str
        When it was begun, UTC in ISO 8601 with Z.
    labkit : str
        Version of the package.
    files_sha256 : str
        SHA-256 over the programs and published data of the package as installed.
    machine : mapping of str to str
        Versions of what it computes with, and the kind of machine; neither its name nor its user.
    checked : tuple of CheckedCase
    topics : tuple of Topic
        Of the cases, in the order of the report.
    complete : bool
        Whether every case of the package was run.
    seconds : float
        How long it took [s].
    """

    created: str
    labkit: str
    files_sha256: str
    machine: Mapping[str, str]
    checked: tuple[CheckedCase, ...]
    topics: tuple[Topic, ...]
    complete: bool
    seconds: float

    @property
    def agrees(self) -> bool:
        return all(each.agrees for each in self.checked)

    @property
    def verdict(self) -> Verdict:
        return _verdict(self.agrees)

    def of(self, topic: Topic) -> tuple[CheckedCase, ...]:
        """What was checked of a topic."""
        return tuple(each for each in self.checked if each.case.topic == topic.name)

    def to_dict(self) -> dict[str, Any]:
        """
        The report as plain data, schema ``labkit.validation/1``.

        Returns
        -------
        dict
            ``schema``, ``created``, ``labkit``, ``files_sha256``, ``machine``, ``complete``, ``verdict``,
            ``seconds``; ``counts`` of cases and values, and of those that agree; ``topics``, each with ``name``,
            ``title``, ``covers``, ``verdict``, ``counts`` and ``cases``; a case has ``name``, ``source``,
            ``reference`` (the source in short), ``from_memory``, ``printed``, ``description``, ``note``, ``seconds``,
            ``verdict``, ``error``, ``values_agreeing``, ``digits`` (the fewest) and ``values``; a value is as
            `CheckedValue`.
        """
        return {
            "schema": SCHEMA,
            "created": self.created,
            "labkit": self.labkit,
            "files_sha256": self.files_sha256,
            "machine": dict(self.machine),
            "complete": self.complete,
            "verdict": self.verdict,
            "seconds": round(self.seconds, 2),
            "counts": _counts(self.checked),
            "topics": [
                {
                    "name": topic.name,
                    "title": topic.title,
                    "covers": topic.covers,
                    "verdict": _verdict(all(each.agrees for each in self.of(topic))),
                    "counts": _counts(self.of(topic)),
                    "cases": [each.to_dict() for each in self.of(topic)],
                }
                for topic in self.topics
            ],
        }

    def __str__(self) -> str:
        return "\n".join(_lines(self))


def _counts(checked: Iterable[CheckedCase]) -> dict[str, int]:
    found = tuple(checked)
    return {
        "cases": len(found),
        "cases_agreeing": sum(each.agrees for each in found),
        "values": sum(len(each.values) for each in found),
        "values_agreeing": sum(each.agreeing for each in found),
        "cases_from_memory": sum(each.case.standing == "from memory" for each in found),
        "cases_not_printed": sum(each.case.standing == "not printed" for each in found),
    }


def _lines(report: Report) -> Iterator[str]:
    width = max((len(each.case.name) for each in report.checked), default=0)
    for topic in report.topics:
        yield f"{topic.title}"
        for each in report.of(topic):
            fewest = "  –" if each.digits is None else f"{each.digits:4.1f}"
            yield (
                f"  {each.case.name:<{width}}  {_shortened(each.case.reference):<56}  {each.case.standing:<11}  "
                f"{each.agreeing:>3}/{len(each.values):<3}  {fewest:>4}  {each.verdict}"
            )
        yield ""
    wrong = [each for each in report.checked if not each.agrees]
    for each in wrong:
        yield f"Does not agree: {each.case.name}, {each.case.source}"
        yield from (f"  {line}" for line in each.disagreements())
        yield ""
    counts, took = _counts(report.checked), f"{report.seconds:.1f} s"
    part = "" if report.complete else f" of {', '.join(each.name for each in report.topics)} only"
    if wrong:
        missed = counts["values"] - counts["values_agreeing"]
        where = f"in {len(wrong)} of {counts['cases']} cases"
        yield f"{missed} of {counts['values']} values do not agree, {where}{part} ({took})."
    else:
        yield f"All {counts['values']} values of {counts['cases']} cases{part} agree ({took})."


def _shortened(text: str, most: int = 56) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
