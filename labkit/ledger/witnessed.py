"""The ledger held against a certificate that was handed out: what nobody can rewrite together with the database."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from labkit.ledger.chain import Head
from labkit.ledger.checking import ChainReport, check
from labkit.ledger.signed import find
from labkit.problems import BadInput, Fault, Problem


def check_against(data: Path, number: str, head: Head, pdf: bytes) -> ChainReport:
    """
    `labkit.ledger.check`, and whether the ledger still is the one that a certificate witnessed.

    Parameters
    ----------
    data : Path
    number : str
        Of the certificate.
    head : Head
        The end of the chain that it carries.
    pdf : bytes
        The certificate; whoever calls has verified it.

    Returns
    -------
    ChainReport
        With further faults where the chain up to the certificate is another one, or the certificate is not in it.
    """
    report = check(data, witness=head if head.entries else None)
    try:
        entry = find(data, number)
        same = pdf in (entry.pdf, entry.first_pdf)
        fault = None if same else Fault("chain.certificate_other", {"number": number})
    except BadInput:
        fault = Fault("chain.certificate_gone", {"number": number})
    except Problem:
        return report  # its file was altered: the check has said so
    return report if fault is None else replace(report, faults=(*report.faults, fault))
