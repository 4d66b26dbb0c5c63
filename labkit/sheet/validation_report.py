"""
The report of `labkit validate` as a PDF: the evidence of software validation of ISO/IEC 17025:2017, 7.11.2.

It takes the report as plain data, schema ``labkit.validation/1``, as `labkit.validation.Report.to_dict` gives it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from labkit import format as text_of
from labkit.sheet.attachments import record_bytes
from labkit.sheet.blocks import Block, Cell, Column, Fact, Heading, Items, Run, Section, Small, Text, cell, table
from labkit.sheet.typesetting import substituted, throughout, typeset

Found = Mapping[str, Any]

MORE_DIGITS: Final = 3
"""So many digits of what was obtained are printed beyond those that are published."""

ALL_DIGITS: Final = 16
"""A number in double precision has no more."""

_AGREES: Final = "agrees"

_COLUMNS: Final = (
    Column("Quantity", False, 2.1),
    Column("Published", True, 1.7),
    Column("Obtained", True, 1.8),
    Column("Digits", True, 0.55),
    Column("Limit", True, 1.3),
    Column("Verdict", False, 1.15),
)


@dataclass(frozen=True)
class ValidationSheet:
    """
    What the report says.

    Attributes
    ----------
    title, header, footer : str
    verdict : str
        In one sentence.
    facts : tuple of Fact
        What was run, on what and when.
    sections : tuple of Section
    """

    title: str
    header: str
    footer: str
    verdict: str
    facts: tuple[Fact, ...]
    sections: tuple[Section, ...]

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"sections": [section.to_dict() for section in self.sections]}


def render_validation(report: Found) -> bytes:
    """
    The report as a PDF (PDF/A-3a, PDF/UA-1) with its data attached.

    Parameters
    ----------
    report : mapping
        As `labkit.validation.Report.to_dict` gives it.

    Returns
    -------
    bytes
        The same for the same report.
    """
    return typeset(
        "validation.typ",
        throughout(validation_content(report).to_dict(), substituted),
        files={"record": record_bytes(report).decode()},
        timestamp=datetime.fromisoformat(report["created"]),
    )[0]


def validation_content(report: Found) -> ValidationSheet:
    """What the report says, every number already text."""
    moment = f"{datetime.fromisoformat(report['created']):%d %b %Y, %H:%M} UTC".lstrip("0")
    wrong = [case for topic in report["topics"] for case in topic["cases"] if case["verdict"] != _AGREES]
    sections = [_method(report), _summary(report)]
    if wrong:
        sections.append(_disagreements(wrong))
    sections += [_topic(topic) for topic in report["topics"]]
    return ValidationSheet(
        title="Software validation report",
        header=f"Validation of labkit {report['labkit']}, {moment}",
        footer=f"Files of the package {report['files_sha256'][:16]}…",
        verdict=_verdict(report, len(wrong)),
        facts=tuple(_facts(report, moment)),
        sections=tuple(sections),
    )


def _verdict(report: Found, wrong: int) -> str:
    counts = report["counts"]
    of = f"of {counts['cases']} cases" if report["complete"] else f"of the {counts['cases']} cases that were run"
    if not wrong:
        return f"All {counts['values']} values {of} agree with what was computed on this machine."
    missed = counts["values"] - counts["values_agreeing"]
    return f"{missed} of {counts['values']} values do not agree, in {wrong} {of}."


def _facts(report: Found, moment: str) -> Iterator[Fact]:
    machine = report["machine"]
    yield Fact("Program", f"labkit {report['labkit']}")
    yield Fact("Files", f"SHA-256 {report['files_sha256']} of programs and data")
    yield Fact("Computed with", ", ".join(f"{name} {machine[name]}" for name in ("Python", "numpy", "scipy", "BLAS")))
    yield Fact("Machine", f"{machine['System']}, {machine['Processor']}")
    yield Fact("Run", f"{moment}, in {text_of.number(report['seconds'], 1)} s")
    names = ", ".join(topic["title"] for topic in report["topics"])
    yield Fact("Extent", "Every case of the package" if report["complete"] else f"A part of the cases: {names}")


def _method(report: Found) -> Section:
    counts = report["counts"]
    said = [
        "Each case is a set of data whose results are published in a standard, a certified data set or a textbook. "
        "The functions with which labkit calibrates computed it again on this machine.",
        "The limit of a difference is half a unit of the last printed digit, or a tolerance, where one is stated with "
        "the case. Where double precision cannot reach all printed digits, the limit is a number of correct digits.",
        "Digits are the correct digits of what was computed: −log10 of the relative difference from what is "
        "published. Few printed digits cannot show more; “all” means no difference at all.",
    ]
    if counts["cases_from_memory"]:
        said.append(
            f"{counts['cases_from_memory']} of {counts['cases']} cases are marked “from memory”: their values were "
            "recalled, and confirmed by an independent computation. Hold them against the document before you rely on "
            "them as published."
        )
    if counts["cases_not_printed"]:
        said.append(
            f"{counts['cases_not_printed']} of {counts['cases']} cases are marked “not printed”: their values stand in "
            "no document, but were computed independently from its data or its theory."
        )
    return Section("How it was judged", (Items(tuple(said)),))


def _summary(report: Found) -> Section:
    columns = [
        Column("Topic", False, 2.55),
        Column("What it covers", False, 4.5),
        Column("Cases", True, 0.55),
        Column("Marked", True, 0.8),
        Column("Values agreeing", True, 1.2),
        Column("Fewest digits", True, 0.7),
        Column("Verdict", False, 1.5),
    ]
    rows = [
        [
            topic["title"],
            topic["covers"],
            str(topic["counts"]["cases"]),
            _marked(topic["counts"]),
            _of(topic["counts"]["values_agreeing"], topic["counts"]["values"]),
            _digits(_fewest(topic)),
            _judged(topic),
        ]
        for topic in report["topics"]
    ]
    counts = report["counts"]
    together = ["Together", "", str(counts["cases"]), _marked(counts)]
    together += [_of(counts["values_agreeing"], counts["values"]), "", report["verdict"]]
    return Section("Summary", (table(columns, [*rows, [cell(each, strong=True) for each in together]]),))


def _disagreements(wrong: list[Found]) -> Section:
    blocks: list[Block] = []
    errors = tuple(f"{case['name']}: {case['error']}." for case in wrong if case["error"])
    if errors:
        blocks.append(Items(errors))
    columns = [Column("Case", False, 1.7), *_COLUMNS[:-1]]
    rows = [
        [case["name"], *_row(value)[:-1]]
        for case in wrong
        for value in case["values"]
        if value["verdict"] != _AGREES and (value["obtained"] is not None or not case["error"])
    ]
    if rows:
        blocks.append(table(columns, rows))
    return Section("What does not agree", tuple(blocks))


def _topic(topic: Found) -> Section:
    return Section(topic["title"], tuple(block for case in topic["cases"] for block in _case(case)))


def _case(case: Found) -> Iterator[Block]:
    yield Heading(case["name"])
    yield Text((Run(case["description"]),), leads=True)
    standing = _standing(case)
    yield Small((*standing, Run(f"Source: {case['source'].rstrip('.')}."), Run(case["note"])), leads=True)
    if case["error"]:
        yield Text((Run(f"It {case['error']}.", strong=True),), leads=True)
    yield table(_COLUMNS, [_row(each) for each in case["values"]])


def _standing(case: Found) -> tuple[Run, ...]:
    if not case["printed"]:
        return (Run("Not printed.", strong=True),)
    return (Run("From memory.", strong=True),) if case["from_memory"] else ()


def _row(value: Found) -> list[str | Cell]:
    return [
        value["name"],
        _signed(value["expected"]),
        obtained_text(value["expected"], value["obtained"], _digits_shown(value)),
        _digits(value["digits"]),
        _limit(value),
        _judged(value),
    ]


def _digits_shown(value: Found) -> float:
    """Digits that are needed to see that the limit is kept, where it asks for more than are printed."""
    if value["rule"] == "digits":
        return float(value["limit"])
    printed = Decimal(value["expected"])
    return float(printed.adjusted() - Decimal(repr(value["limit"])).adjusted() + 1)


def obtained_text(expected: str, obtained: float | None, digits: float = 0.0) -> str:
    """
    What was obtained, in the form of what is published and with some digits more.

    Parameters
    ----------
    expected : str
        As printed, such as ``0.0029`` or ``7.27E-6``.
    obtained : float or None
    digits : float
        At least so many are shown, where they are asked for.

    Returns
    -------
    str
    """
    if obtained is None:
        return text_of.NOTHING
    printed = Decimal(expected).as_tuple()
    assert isinstance(printed.exponent, int)  # a published number is finite
    there = len(printed.digits)
    if any(printed.digits):
        more = max(min(max(MORE_DIGITS, math.ceil(digits) - there), ALL_DIGITS - there), 0)
    else:  # of a published 0 the decimals count
        more = max(MORE_DIGITS, math.ceil(digits) + printed.exponent)
    if "E" in expected.upper():
        mantissa, power = f"{obtained:.{there - 1 + more}E}".split("E")
        return _signed(f"{mantissa}E{int(power)}")
    return text_of.number(obtained, max(-printed.exponent, 0) + more)


def _signed(printed: str) -> str:
    return printed.replace("-", text_of.MINUS)


def _digits(digits: float | None) -> str:
    return "all" if digits is not None and digits > ALL_DIGITS - 0.2 else text_of.number(digits, 1)


def _fewest(topic: Found) -> float | None:
    found = [case["digits"] for case in topic["cases"]]
    return None if None in found else min(found)


def _marked(counts: Found) -> str:
    return str(counts["cases_from_memory"] + counts["cases_not_printed"] or text_of.NOTHING)


def _of(some: int, all_of_them: int) -> str:
    return f"{some} of {all_of_them}"


def _limit(value: Found) -> str:
    if value["rule"] == "digits":
        return f"≥ {value['limit']:g} digits"
    difference = _signed(f"±{value['limit']:.6g}".replace("e-0", "E-").replace("e-", "E-"))
    return f"{difference}, stated" if value["rule"] == "tolerance" else difference


def _judged(found: Found) -> Cell:
    return cell(found["verdict"], strong=found["verdict"] != _AGREES)
