"""Auxiliary instruments on the page Bench: a certificate as it was typed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final

from labkit.bench.dates import parse_date
from labkit.ledger import InstrumentCertificate
from labkit.problems import Fault
from labkit.workflow.bench_register import LONGEST_TEXT

FIELDS: Final = ("certificate", "certified_on", "due", "issued_by")
"""What is asked for a certificate, in this order."""


def read_certificate(name: str, fields: Mapping[str, str]) -> tuple[InstrumentCertificate, dict[str, Fault]]:
    """
    What is typed, as a certificate of the instrument `name`; of no use where there are faults, given by field.
    """
    typed = {key: fields.get(key, "").strip() for key in FIELDS}
    faults: dict[str, Fault] = {}
    for key in ("certificate", "due"):
        if not typed[key]:
            faults[key] = Fault("field.needed")
    for key, text in typed.items():
        if len(text) > LONGEST_TEXT:
            faults[key] = Fault("field.long", {"limit": LONGEST_TEXT})
    certified_on, due = _date("certified_on", typed, faults), _date("due", typed, faults)
    if certified_on is not None and due is not None and due < certified_on:
        faults["due"] = Fault("shims.due_before_certified", {"due": due.isoformat(), "on": certified_on.isoformat()})
    made = InstrumentCertificate(
        name,
        typed["certificate"],
        due.isoformat() if due is not None else "",
        certified_on.isoformat() if certified_on is not None else "",
        typed["issued_by"],
    )
    return made, faults


def _date(name: str, typed: Mapping[str, str], faults: dict[str, Fault]) -> date | None:
    if not typed[name] or name in faults:
        return None
    try:
        return parse_date(typed[name])
    except ValueError:
        faults[name] = Fault("table.not_a_date", {"typed": typed[name]})
        return None
