"""A ledger with something of everything in it, and what can be compared of two ledgers."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger import Actor, new_id, save_bench, save_draft, set_aside, sign_and_keep
from labkit.ledger.attempts import wrong_passphrase
from labkit.ledger.demo import demo_bench
from labkit.ledger.schema import METADATA
from labkit.ledger.store import open_store

WHO = Actor("M. Okonjo", "technician", proven=True)
RIG = {"name": "Rig 2", "gauge": {"name": "G-07"}, "target": {"name": "Ball 1.5", "kind": "ball 1.5 mm"}}


def record(n: int, **more: Any) -> dict[str, Any]:
    """A record with two readings, one of which is left out."""
    readings = {
        "signal": "thickness",
        "unit": "in",
        "rows": [
            {"typed": f"0.0{n}1", "value": n / 10, "shims": ["A-1", "A-3"], "role": "fit", "operator": "M. Okonjo"},
            {"typed": "=1+1", "value": 2.0, "shims": [], "role": "zero", "left_out": "slipped"},
        ],
    }
    return {
        "schema": "labkit.calibration/1",
        "id": new_id(),
        "n": n,
        "inputs": {"about": {"rig": RIG}, "readings": readings},
        **more,
    }


def sign(data: Path, n: int) -> str:
    """Sign the n-th record, with its draft; its number."""
    found = record(n)
    save_draft(data, {"id": found["id"], "page": "calibrate", "person": WHO.name, "owner": WHO.name}, WHO)
    return sign_and_keep(data, found, lambda place: f"%PDF {place}".encode(), WHO).number


def filled(data: Path, results: int = 3) -> Path:
    """Registered, drafted, signed, set aside and tried with a wrong passphrase."""
    save_bench(data, demo_bench())
    for n in range(results):
        sign(data, n)
    save_draft(data, {"id": new_id(), "page": "calibrate", "person": WHO.name, "owner": WHO.name}, WHO)
    set_aside(data, "Brass set A", "A-4", WHO, "dropped; µ ☂ 漢")
    wrong_passphrase(data, WHO.name)
    return data


def rows(data: Path, *, without: tuple[str, ...] = ()) -> dict[str, list[Any]]:
    """Every row of the ledger of `data`, table by table; without the tables and the register's kinds named."""
    store = open_store(data)
    found = {}
    with store.reading() as connection:
        for table in METADATA.sorted_tables:
            if table.name in without:
                continue
            mine = table.c.id if table.name == "laboratory" else table.c.laboratory
            asked = sa.select(table).where(mine == store.laboratory)
            if "kind" in table.c and table.name != "result":
                asked = asked.where(table.c.kind.not_in(without))
            found[table.name] = sorted(
                [
                    [hashlib.sha256(each).hexdigest() if isinstance(each, bytes) else each for each in row]
                    for row in connection.execute(asked)
                ],
                key=str,
            )
    return found
