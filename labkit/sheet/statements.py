"""
What a certificate has to state besides its numbers, and how it identifies itself (ISO/IEC 17025:2017, 7.8).

What was not stated is said to be none where the reader would look for it, and left out where nobody would.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from labkit.language import say, say_count
from labkit.sheet.attachments import record_name
from labkit.sheet.blocks import Fact, Facts, Record, Section
from labkit.sheet.numbers import day
from labkit.sheet.qr import digest, grouped
from labkit.sheet.validity import agreed_words


def of(record: Record) -> Mapping[str, Any]:
    """The statements of a record; empty for one of the time before there were any."""
    found: Mapping[str, Any] = record["inputs"]["about"].get("statements", {})
    return found


def received(record: Record) -> str:
    """Day and condition of receipt; empty where neither is stated."""
    on = of(record).get("received_on", "")
    said = [say("on {day}", day=day(on)) if on else "", record["inputs"]["about"]["received"]]
    return ", ".join(each for each in said if each)


def statements(record: Record) -> Section:
    """What the laboratory states, in the order in which the standard asks for it."""
    return Section(say("Statements"), (Facts(tuple(_statements(record))),))


def _statements(record: Record) -> Iterator[Fact]:
    stated = of(record)
    yield Fact(say("Procedure"), _deviations(record))
    yield Fact(say("By the customer"), _supplied(record))
    yield Fact(say("External"), _external(record))
    yield Fact(say("Adjustment"), _adjustment(record))
    if record["inputs"]["options"]["tolerance_mm"] is not None:
        yield Fact(say("Specification"), _specification(record))
    if stated.get("opinions"):
        yield Fact(say("Opinions"), stated["opinions"])
    if agreed := agreed_words(record):
        yield Fact(say("Interval"), agreed)
    yield Fact(say("Holds for"), only_for())


def _deviations(record: Record) -> str:
    stated = of(record).get("deviations", "")
    if stated:
        return say("Additions, deviations and exclusions: {what}", what=stated)
    return say("No additions, deviations or exclusions are stated.")


def _supplied(record: Record) -> str:
    about = record["inputs"]["about"]
    supplied = of(record).get("supplied", "")
    said = [
        say("{what}. The laboratory did not check it; it can affect the validity of the results.", what=supplied)
        if supplied
        else ""
    ]
    if about["customer"]["order"]:
        said.append(say("What was asked for: {order}.", order=about["customer"]["order"]))
    return " ".join(each for each in said if each) or say("Nothing is stated.")


def _external(record: Record) -> str:
    held = record["inputs"]["readings"]
    read = {name for row in held["rows"] for name in row["shims"]}
    issuers = dict.fromkeys(
        shim["issued_by"] for shim in held["shims"]["shims"] if shim["name"] in read and shim["issued_by"]
    )
    said = [say("Reference values of the shims: {issuers}.", issuers="; ".join(issuers)) if issuers else ""]
    said.append(of(record).get("external", ""))
    return " ".join(each for each in said if each) or say("No result of an external provider is stated.")


def _adjustment(record: Record) -> str:
    adjusted = of(record).get("adjusted", "")
    found = record["results"]["as_found"]
    if adjusted:
        read = (
            say("The results before it stand under As found, those after it under Result.")
            if found
            else say("The results are those after it; before it nothing was read.")
        )
        return f"{adjusted.rstrip('.')}. {read}"
    if found:
        return say("None is stated. As found: before cleaning and zeroing. As left: under Result and Check shims.")
    return say("None is stated; as found was not read.")


def _specification(record: Record) -> str:
    from labkit.sheet.sections import limits

    stated = of(record).get("specification", "")
    within = say(
        "Limits {limits} of the deviation at the check shims. The statement of conformity applies to these alone, "
        "by the decision rule printed there.",
        limits=limits(record),
    )
    return f"{stated.rstrip('.')}. {within}" if stated else within


def only_for() -> str:
    """To what the results relate, and how they may be copied."""
    return say(
        "The results relate only to the rig described here, as it was when it was read; nothing was sampled. Without "
        "the written approval of the laboratory this certificate is not to be reproduced except in full."
    )


def identification(record: Record, number: str, head: tuple[int, str] | None) -> Section:
    """By what this very certificate is known, and where it ends."""
    return Section(say("This certificate"), (Facts(tuple(_identity(record, number, head))),))


def _identity(record: Record, number: str, head: tuple[int, str] | None) -> Iterator[Fact]:
    about = record["inputs"]["about"]
    issue = (
        say("takes the place of certificate {number}: {why}", number=about["replaces"], why=about["replaced_why"])
        if about.get("replaces")
        else say("first issue")
    )
    yield Fact(say("Number"), f"{number}, {issue}")
    yield Fact(say("Issued"), say("On the day of the last signature on page 1, which authorises it."))
    said = say(
        "SHA-256 of the attached {file}: {digest}. The code on page 1 holds it and the number.",
        file=record_name(record),
        digest=grouped(digest(record)),
    )
    yield Fact(say("Data"), said)
    if head is not None:
        yield Fact(say("Ledger"), seal(head))


def seal(head: tuple[int, str]) -> str:
    """What this certificate witnesses of the ledger."""
    entries, last = head
    return say_count(
        "Ledger before this certificate: {count} entry, sealed {seal}.",
        "Ledger before this certificate: {count} entries, the last one sealed {seal}.",
        entries,
        seal=grouped(last),
    )
