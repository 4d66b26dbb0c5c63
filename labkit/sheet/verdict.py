"""What verifying a sheet found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from labkit.problems import Reason
from labkit.sheet.recompute import Recomputed
from labkit.sheet.witness import Witness

Outcome = Literal[
    "genuine",
    "awaiting approval",
    "signer withdrawn",
    "intact, signer not known here",
    "changed",
    "does not recompute",
    "made by a newer labkit",
    "not a certificate",
]


@dataclass(frozen=True)
class SignedBy:
    """
    One signature of a sheet.

    Attributes
    ----------
    role : str
        "calibrated" or "approved".
    name, fingerprint : str
        In the signer's certificate; its SHA-256 in groups of four: to compare by telephone.
    at : str
        When, by the signer's own clock; UTC, ISO 8601 with Z.
    stamped, stamped_by : str
        When by its timestamp, and whose that is; empty where it has none.
    stamp_trusted : bool
        Whether the authority of the timestamp is trusted here.
    """

    role: Literal["calibrated", "approved"]
    name: str
    fingerprint: str
    at: str
    stamped: str = ""
    stamped_by: str = ""
    stamp_trusted: bool = False

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True)
class Verdict:
    """
    What verifying found.

    Attributes
    ----------
    verdict : str
        One of `Outcome`.
    reason : Reason
        Why, as a sentence.
    signatures : tuple of SignedBy
        Those that hold: whoever calibrated, then whoever approved. Empty where none does.
    number : str
        The certificate's number.
    record : dict or None
        The attached record; only where the verdict is ``"genuine"``.
    witness : Witness or None
        The end of the ledger's chain that the certificate carries; only where it is genuine and carries one.
    note : Reason or None
        What was left out of it, where the curve is of an engineer's own family: no code of a sheet is run.
    remarks : tuple of Reason
        What else is to be known: of timestamps, and of signers who were withdrawn since.
    recomputed, printed : Recomputed or None
        How many numbers and decisions follow from the attached readings, and how many stand so in the pages.
    """

    verdict: Outcome
    reason: Reason
    signatures: tuple[SignedBy, ...] = ()
    number: str = ""
    record: dict[str, Any] | None = None
    witness: Witness | None = None
    note: Reason | None = None
    remarks: tuple[Reason, ...] = ()
    recomputed: Recomputed | None = None
    printed: Recomputed | None = None

    @property
    def genuine(self) -> bool:
        return self.verdict == "genuine"

    @property
    def signer(self) -> str:
        """The name in the certificate of whoever calibrated; empty where there is no signature that holds."""
        return self.signatures[0].name if self.signatures else ""

    @property
    def fingerprint(self) -> str:
        """SHA-256 of that certificate, in groups of four."""
        return self.signatures[0].fingerprint if self.signatures else ""

    @property
    def signed_at(self) -> str:
        """When, by the signer's own clock; UTC, ISO 8601 with Z."""
        return self.signatures[0].at if self.signatures else ""

    @property
    def approver(self) -> str:
        """Who approved it; empty where nobody did."""
        return self.signatures[1].name if len(self.signatures) > 1 else ""

    def __str__(self) -> str:
        return str(self.reason)

    def to_dict(self) -> dict[str, Any]:
        """For a program that asks; without the record, which is in the sheet."""

        def counts(found: Recomputed | None) -> dict[str, Any] | None:
            return None if found is None else {"agree": found.agree, "of": found.of, "first": found.first}

        return {
            "verdict": self.verdict,
            "genuine": self.genuine,
            "says": str(self.reason),
            "code": self.reason.code,
            "number": self.number,
            "signatures": [each.to_dict() for each in self.signatures],
            "remarks": [str(each) for each in (*((self.note,) if self.note else ()), *self.remarks)],
            "recomputed": counts(self.recomputed),
            "printed": counts(self.printed),
            "ledger": None if self.witness is None else {"entries": self.witness.entries, "hash": self.witness.hash},
        }
