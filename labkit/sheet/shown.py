"""Which rows of a record its summary prints: they follow from the record, so that verifying knows them too."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from labkit.sheet.attachments import FORM, Attached
from labkit.sheet.blocks import Record

MOST_ROWS: Final = 10
MOST_CHECKS: Final = 6

SCHEMA: Final = "labkit.form/1"


@dataclass(frozen=True)
class Shown:
    """
    Which rows of the record a summary prints.

    Attributes
    ----------
    table, checks : tuple of int
        Counted from 0.
    """

    table: tuple[int, ...]
    checks: tuple[int, ...]

    @classmethod
    def of(cls, record: Record) -> Shown:
        """Results at equal distances, both ends among them; of the check shims the gravest."""
        found = record["results"]
        return cls(_spread(len(found["table"]), MOST_ROWS), _gravest(found["checks"], MOST_CHECKS))

    def attached(self) -> Attached:
        """As it is attached to the PDF, so that verifying looks for these rows and no others."""
        said = {"schema": SCHEMA, "form": "summary", "table": list(self.table), "checks": list(self.checks)}
        content = json.dumps(said, sort_keys=True, indent=1).encode()
        return Attached(FORM, content, "application/json", "Which rows of the record this summary prints", "supplement")


def shortened(record: Record, shown: Shown) -> dict[str, Any]:
    """The record as if it had only the rows that are shown."""
    parts = {}
    for part in ("results", "printed"):
        held = record[part]
        table = [held["table"][at] for at in shown.table] if held["table"] else []
        parts[part] = {**held, "table": table, "checks": [held["checks"][at] for at in shown.checks]}
    return {**record, **parts}


def _spread(count: int, most: int) -> tuple[int, ...]:
    if count <= most:
        return tuple(range(count))
    return tuple(dict.fromkeys(round(place * (count - 1) / (most - 1)) for place in range(most)))


def _gravest(checks: Sequence[Record], most: int) -> tuple[int, ...]:
    graver = ("fail", "conditional fail", "conditional pass", "pass")

    def weight(at: int) -> tuple[int, float]:
        decision = checks[at]["decision"]
        outcome = decision["outcome"] if decision else ""
        return graver.index(outcome) if outcome in graver else len(graver), -abs(checks[at]["e_n"] or 0.0)

    return tuple(sorted(sorted(range(len(checks)), key=weight)[:most]))
