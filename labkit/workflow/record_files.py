"""Files of signed results, to be taken away: the certificates, the list, the data of one."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from labkit import ledger
from labkit.inert import inert
from labkit.ledger import Entry, ResultLine, Wanted
from labkit.ledger.search import numbers_of
from labkit.ledger.standing import Standing, standings
from labkit.ledger.tables_out import Names
from labkit.messages import sentence
from labkit.problems import BadInput
from labkit.sheet.house import read_house

MOST_MB: Final = 50
"""Of one download: a page hands it to the browser in one piece."""

MOST_LINES: Final = 1_000_000
"""Of a table: no spreadsheet shows more."""

READING_COLUMNS: Final = ("shim", "indication", "role", "time", "operator", "left out")


def kind_words(kind: str) -> str:
    """What a kind of result is called."""
    return sentence(f"record_kind.{kind}") if kind in KINDS else kind


KINDS: Final = ("calibration", "check", "parts", "study")


def file_name(entry: Entry | ResultLine, ending: str) -> str:
    """``0117 calibration certificate Rig 5.pdf``, of characters that every disk takes."""
    return f"{Names().give(f'{entry.number} {kind_words(entry.kind).lower()} {entry.rig}')}{ending}"


def gauge_label(data: Path, entry: Entry) -> bytes:
    """
    The label for the gauge of a signed calibration.

    Raises
    ------
    BadInput
        ``records.no_label``: it is no calibration; ``records.label_waits``: it waits for its second signature.
    """
    from labkit.sheet.label import label

    _for_the_bench(data, entry)
    return label(entry.record, entry.number, read_house(data))


def correction_card(data: Path, entry: Entry) -> bytes:
    """The card beside the gauge; `BadInput` as for the label, or ``sheet.no_card``."""
    from labkit.sheet.card import card

    _for_the_bench(data, entry)
    return card(entry.record, entry.number, read_house(data))


def _for_the_bench(data: Path, entry: Entry) -> None:
    if entry.kind != "calibration":
        raise BadInput("records.no_label")
    if standings(data, [entry.id]).get(entry.id, Standing()).waits:
        raise BadInput("records.label_waits")


def certificates(data: Path, numbers: Sequence[str]) -> tuple[str, bytes]:
    """
    The certificates of these results: one PDF, or a ZIP of several.

    Returns
    -------
    (str, bytes)
        A name for the file, and the file.

    Raises
    ------
    BadInput
        ``records.none_chosen``; ``records.too_much``: together they are larger than `MOST_MB`.
    Problem
        ``ledger.changed``: one of them is not what was signed.
    """
    if not numbers:
        raise BadInput("records.none_chosen")
    if len(numbers) == 1:
        entry = ledger.find(data, numbers[0])
        return file_name(entry, ".pdf"), entry.pdf
    found = Pack()
    for number in numbers:
        entry = ledger.find(data, number)
        found.add(file_name(entry, ".pdf"), entry.pdf)
    return f"{len(numbers)} records.zip", found.close()


class Pack:
    """A ZIP in the making, no larger than `MOST_MB`."""

    def __init__(self) -> None:
        self._out = io.BytesIO()
        self._zip = zipfile.ZipFile(self._out, "w", zipfile.ZIP_DEFLATED)
        self._size = 0

    def add(self, name: str, content: bytes) -> None:
        """A file more; `BadInput`, ``records.too_much``, where that would be too much."""
        self._size += len(content)
        if self._size > MOST_MB * 1_000_000:
            self._zip.close()
            raise BadInput("records.too_much", limit=MOST_MB)
        # certificates are packed already, and hardly get smaller
        how = zipfile.ZIP_STORED if name.endswith(".pdf") else zipfile.ZIP_DEFLATED
        self._zip.writestr(name, content, how)

    def close(self) -> bytes:
        self._zip.close()
        return self._out.getvalue()


def table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """A CSV (UTF-8 with its mark, everything in quotes) in which no text is a formula."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows([each if _is_number(each) else inert(each) for each in row] for row in rows)
    return out.getvalue().encode("utf-8-sig")


def _is_number(cell: object) -> bool:
    """A reading below zero begins with a minus as a formula does, and is none."""
    try:
        float(str(cell))
    except ValueError:
        return False
    return True


def list_of(data: Path, wanted: Wanted) -> bytes:
    """Every result that is wanted, as a table."""
    lines = ledger.search(data, wanted, limit=MOST_LINES).lines
    standing = standings(data, [line.id for line in lines])
    return list_table(lines, standing, numbers_of(data, [line.replaces for line in lines if line.replaces]))


def list_table(lines: Iterable[ResultLine], standing: Mapping[str, Standing], numbers: Mapping[str, str]) -> bytes:
    """The list of results as a table; `numbers` are those of what they replace, by id."""
    heads = (
        "number", "signed [UTC]", "kind", "rig", "gauge", "target", "customer", "decision", "largest U", "signed by",
        "approved by", "replaces", "replaced by", "record id",
    )  # fmt: skip
    return table(
        heads,
        (
            (
                line.number, line.signed, kind_words(line.kind), line.rig, line.gauge, line.target, line.customer,
                line.decision, line.says, line.signer, standing.get(line.id, Standing()).approved_by,
                numbers.get(line.replaces, ""), line.replaced_by, line.id,
            )
            for line in lines
        ),
    )  # fmt: skip


def readings_table(record: Mapping[str, Any]) -> bytes:
    """The readings of a record as typed, in the long form that they can be read from again."""
    readings = (record.get("inputs") or {}).get("readings") or {}
    shim, _, *more = READING_COLUMNS
    return table(
        (shim, f"indication [{readings.get('unit', '')}]", *more),
        (
            (
                " + ".join(row.get("shims") or ()) or str(row.get("role", "")).removeprefix("closing-"),
                row.get("typed", ""),
                *(row.get(key, "") for key in ("role", "time", "operator", "left_out")),
            )
            for row in readings.get("rows") or ()
        ),
    )


def record_json(record: Mapping[str, Any]) -> bytes:
    """The data of a record, for people and programs."""
    return json.dumps(record, ensure_ascii=False, indent=2).encode()
