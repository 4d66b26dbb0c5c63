"""A laboratory that signs, and a small sheet for it: quick to make, with all that signing and verifying need."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache, cached_property
from typing import Any

import typst

import labkit
from labkit.sheet.identity import Authority, make_authority, make_signer
from labkit.sheet.sign import sign
from labkit.sheet.typesetting import FONTS, STANDARDS

PASSPHRASE = "a hinge is thin"

_READINGS = """shim,reference [mm],u [mm],k,indication [mm],role
A-1,0.100,0.0006,2,0.109,
A-1,0.100,0.0006,2,0.110,
A-2,0.250,0.0006,2,0.258,
A-2,0.250,0.0006,2,0.259,
A-3,0.500,0.0006,2,0.508,
A-3,0.500,0.0006,2,0.509,
A-4,1.000,0.0006,2,1.006,
A-4,1.000,0.0006,2,1.005,
C-1,0.350,0.0006,2,0.359,check
C-1,0.350,0.0006,2,0.358,check
"""


@cache
def real_record() -> dict[str, Any]:
    """The record of a small calibration with a check shim, which recomputes."""
    readings = labkit.read_readings(_READINGS)
    return labkit.calibrate(readings, "line", (0.1, 1.0), 0.01, reason="A straight line is enough").to_dict()


_SOURCE = """
#set document(title: "Calibration certificate 0119", keywords: ("0119",))
#set page(paper: "a4")
#set text(font: "Source Sans 3", lang: "en")
#pdf.attach(
  sys.inputs.name, bytes(sys.inputs.record), relationship: "data", mime-type: "application/json", description: "Data",
)
#if sys.inputs.ledger != "" { pdf.attach("ledger.json", bytes(sys.inputs.ledger), relationship: "supplement",
  mime-type: "application/json", description: "Ledger") }
= Calibration certificate 0119
#sys.inputs.says
"""


def small_sheet(
    record: str | None = None, name: str = "calibration.json", ledger: str = "", printed: Any = None
) -> bytes:
    """
    An unsigned PDF with an attached record, and what it witnesses of the ledger.

    It prints the results table and the check shims of its record, or of `printed` where that is another one.
    """
    record = json.dumps(real_record()) if record is None else record
    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)])
    made = typst.Compiler(_SOURCE.encode(), font_paths=fonts).compile(
        format="pdf",
        pdf_standards=list(STANDARDS),
        timestamp=datetime(2026, 11, 25, tzinfo=UTC),
        sys_inputs={"record": record, "name": name, "ledger": ledger, "says": _says(record, printed)},
    )
    assert isinstance(made, bytes)
    return made


def _says(record: str, printed: Any) -> str:
    """The rows of the results table and of the check shims, as a sheet prints them."""
    try:
        found = json.loads(record)["printed"] if printed is None else printed
        rows = [[row["thickness"], "0.1", row["correction"], row["U"], row["k"]] for row in found.get("table", ())]
        keys = ("shim", "reference", "corrected", "deviation", "U", "E_n", "decision")
        rows += [[check[key] for key in keys] for check in found["checks"]]
        rows.append([found.get("largest_U", "–")])
    except (ValueError, TypeError, LookupError, RecursionError):
        return "Nothing is printed."
    return "\n\n".join(" ".join(row) for row in rows)


@dataclass(frozen=True)
class Laboratory:
    """An authority with one signer."""

    authority: Authority
    signing_file: bytes

    @classmethod
    def found(cls, name: str = "Larkfield Closures, Moulding Laboratory", signer: str = "M. Okonjo") -> Laboratory:
        authority = make_authority(name)
        return cls(authority, make_signer(signer, authority, PASSPHRASE))

    def sign(self, pdf: bytes) -> bytes:
        return sign(pdf, self.signing_file, PASSPHRASE, reason="Calibration certificate 0119", zone="Europe/London")

    @property
    def trust(self) -> list[bytes]:
        return [self.authority.certificate_pem]

    @cached_property
    def signed(self) -> bytes:
        return self.sign(small_sheet())
