"""The certificate on one page: the same data attached, the results printed as far as there is room, the rest named."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from labkit.language import in_its_language, say, say_count
from labkit.problems import Caution
from labkit.sheet import evidence, sections, statements
from labkit.sheet.blocks import Block, Fact, Items, Plot, Record, Run, Section, Sheet, Text, small
from labkit.sheet.content import PARTS, content, part_words, shims_words
from labkit.sheet.decisions import rule_words
from labkit.sheet.qr import digest, grouped
from labkit.sheet.shown import Shown, shortened
from labkit.sheet.validity import agreed_words

LONGEST: Final = 170
"""Characters of one line of particulars."""

LONGEST_NAME: Final = 70


@in_its_language
def summary(
    record: Record, *, number: str | None = None, ledger_head: tuple[int, str] | None = None, signed: bool = False
) -> Sheet:
    """
    What the one-page form of a certificate says.

    Parameters
    ----------
    record, number, ledger_head, signed
        As for `labkit.sheet.content.content`.

    Returns
    -------
    Sheet
    """
    full = content(record, number=number, ledger_head=ledger_head, signed=signed)
    shown = Shown.of(record)
    return replace(
        full,
        header=say("{title}, summary", title=clipped(full.header, LONGEST_NAME)),
        author=clipped(full.author, LONGEST_NAME),
        laboratory=_lines(full.laboratory),
        customer=_lines(full.customer),
        facts=tuple(_facts(record, full)),
        sections=tuple(_sections(record, full, shown)),
    )


def clipped(text: str, most: int) -> str:
    """A text of at most so many characters, with an ellipsis where it was longer."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip(' ,;(')}…"


def _lines(lines: Sequence[str]) -> tuple[str, ...]:
    return tuple(clipped(line, LONGEST_NAME) for line in lines)


def _facts(record: Record, full: Sheet) -> Iterator[Fact]:
    """Of the particulars those that a reader of one page asks for."""
    about = record["inputs"]["about"]
    said = {fact.label: fact.text for fact in full.facts}
    name = about["rig"]["name"] or say("Rig not named")
    parts = [part_words({**about["rig"][part], "firmware": "", "due": ""}) for part in PARTS]
    said[say("Shims")] = shims_words(record)
    yield Fact(say("Rig"), "; ".join(clipped(each, LONGEST_NAME) for each in dict.fromkeys((name, *parts))))
    kept = ("Replaces", "On receipt", "Read", "Conditions", "Procedure", "Shims", "As found", "Curve", "Working range")
    for label in kept:
        if text := said.get(say(label)):
            yield Fact(say(label), clipped(text, LONGEST))


def _sections(record: Record, full: Sheet, shown: Shown) -> Iterator[Section]:
    short = shortened(record, shown)
    result = sections.result(short)
    said = Text((Run(sections.largest_u(record)), Run(sections.checks_in_words(record), strong=True)))
    yield Section(result.title, (said, *result.blocks[1:]))
    yield Section(say("Check shims"), tuple(_checks(record, short)))
    plots = next((block for section in full.sections for block in section.blocks if isinstance(block, Plot)), None)
    if plots is not None and record["results"]["fine_table"]:
        yield Section(say("Points and curve"), (plots,))
    yield Section(say("Statements"), (Items(tuple(_said(record, shown))),))


def _checks(record: Record, short: Record) -> Iterator[Block]:
    found = record["results"]["checks"]
    if not found:
        yield small(say("No check shim was read."))
        return
    yield sections.check_table(short["results"]["checks"], short["printed"]["checks"])
    decided = next((check["decision"] for check in found if check["decision"]), None)
    if decided:
        yield small(rule_words(decided, sections.limits(record)))


def _said(record: Record, shown: Shown) -> Iterator[str]:
    stated = statements.of(record)
    for label, key in ((say("By the customer"), "supplied"), (say("Procedure"), "deviations")):
        if stated.get(key):
            yield clipped(f"{label}: {stated[key]}", LONGEST)
    if stated.get("opinions"):
        yield clipped(f"{say('Opinions')}: {stated['opinions']}", LONGEST)
    if agreed := agreed_words(record):
        yield agreed
    cautions = record["results"]["cautions"]
    if cautions:
        first = clipped(str(Caution.from_dict(cautions[0])), LONGEST)
        yield say_count("{count} caution: {first}", "{count} cautions; the first: {first}", len(cautions), first=first)
    yield evidence.traced(record)
    yield statements.only_for()
    yield " ".join(_left_out(record, shown))
    yield say("SHA-256 of the attached {file}: {digest}.", file="calibration.json", digest=grouped(digest(record)))


def _left_out(record: Record, shown: Shown) -> Iterator[str]:
    found = record["results"]
    yield say(
        "This is a summary: the uncertainty budget, the comparison of curves, the shims one by one and the readings "
        "are left out. They are in the attached files, and labkit prints them from these."
    )
    if len(shown.table) < len(found["table"]):
        counts = {"shown": len(shown.table), "all": len(found["table"])}
        yield say("Of {all} lines of the results {shown} are printed; all are in results.csv.", **counts)
    if len(shown.checks) < len(found["checks"]):
        counts = {"shown": len(shown.checks), "all": len(found["checks"])}
        yield say("Of {all} check shims the {shown} gravest are printed; all are in calibration.json.", **counts)
