"""A laboratory that signs, and a small sheet for it: quick to make, with all that signing and verifying need."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

import typst

from labkit.sheet.identity import Authority, make_authority, make_signer
from labkit.sheet.sign import sign
from labkit.sheet.typesetting import FONTS, STANDARDS

PASSPHRASE = "a hinge is thin"
RECORD = {"schema": "labkit.calibration/1", "id": "0197a000-0000-7000-8000-000000000001", "note": "wall ≥ 0.8 mm"}

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
The wall is 0.81 mm thick.
"""


def small_sheet(record: str | None = None, name: str = "calibration.json", ledger: str = "") -> bytes:
    """An unsigned PDF with an attached record, and what it witnesses of the ledger."""
    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)])
    made = typst.Compiler(_SOURCE.encode(), font_paths=fonts).compile(
        format="pdf",
        pdf_standards=list(STANDARDS),
        timestamp=datetime(2026, 11, 25, tzinfo=UTC),
        sys_inputs={"record": json.dumps(RECORD) if record is None else record, "name": name, "ledger": ledger},
    )
    assert isinstance(made, bytes)
    return made


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
