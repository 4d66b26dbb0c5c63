"""Thermometers and other auxiliary instruments: the certificates on which they are relied upon, with their PDFs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any, Final

from labkit.ledger.chain import writing
from labkit.ledger.keeping import PDF, keep_file
from labkit.ledger.people import Actor
from labkit.ledger.registering import must
from labkit.ledger.shim_certificates import must_be_pdf
from labkit.ledger.store import open_store
from labkit.ledger.versions import Version, current, newest, put
from labkit.problems import BadInput

INSTRUMENT_CERTIFICATE: Final = "instrument-certificate"


@dataclass(frozen=True)
class InstrumentCertificate:
    """
    One certificate of an auxiliary instrument.

    Attributes
    ----------
    instrument, certificate : str
        The instrument's name in the register, and the certificate's number.
    due : str
        ISO date to which the instrument is relied upon with it.
    certified_on : str
        ISO date; empty where it was not said.
    issued_by : str
    sha256 : str
        Names the PDF; empty where none was handed in.
    who, at : str
        Who registered it, and when (UTC, ISO 8601 with Z).
    """

    instrument: str
    certificate: str
    due: str
    certified_on: str = ""
    issued_by: str = ""
    sha256: str = ""
    who: str = ""
    at: str = ""


def certify(data: Path, found: InstrumentCertificate, who: Actor, why: str, pdf: bytes = b"") -> None:
    """
    Register a certificate of an instrument, which is due as the certificate says from then on.

    A certificate whose number is there already is put right, and keeps its PDF unless another is handed in.

    Parameters
    ----------
    data : Path
    found : InstrumentCertificate
        Its `sha256`, `who` and `at` are not looked at.
    who : Actor
        May register.
    why : str
    pdf : bytes
        Empty where it is not at hand.

    Raises
    ------
    BadInput
        ``register.no_name``, ``register.no_reason``, ``bench.unknown``, ``shim.not_a_pdf``, ``shim.pdf_too_large``.
    Problem
        ``door.…``: not allowed.
    """
    must_be_pdf(pdf)
    number = found.certificate.strip()
    if not number:
        raise BadInput("register.no_name", kind="certificate")
    if not why.strip():
        raise BadInput("register.no_reason", name=found.instrument)
    for day in (found.due, *([found.certified_on] if found.certified_on else [])):
        date.fromisoformat(day)
    with writing(data, who) as writer:
        must(writer, "register")
        instrument = newest(writer.connection, writer.laboratory, "instrument", found.instrument)
        if instrument is None or instrument.body["state"] != "in use":
            raise BadInput("bench.unknown", kind="instrument", name=found.instrument)
        subject = f"{found.instrument}/{number}"
        before = newest(writer.connection, writer.laboratory, INSTRUMENT_CERTIFICATE, subject)
        digest = keep_file(writer, PDF, pdf) if pdf else before.body["sha256"] if before is not None else ""
        body = {key: value for key, value in asdict(found).items() if key not in ("who", "at")}
        put(
            writer,
            INSTRUMENT_CERTIFICATE,
            subject,
            body | {"certificate": number, "sha256": digest},
            "handed in",
            why,
        )
        put(writer, "instrument", found.instrument, {**instrument.body, "due": found.due}, "recertified", why)


def instrument_certificates(data: Path, name: str = "") -> tuple[InstrumentCertificate, ...]:
    """The certificates of an instrument (default of all), that which is relied upon longest first."""
    store = open_store(data)
    with store.reading() as connection:
        found = current(connection, store.laboratory, (INSTRUMENT_CERTIFICATE,))
    return tuple(each for each in _read(found) if name in ("", each.instrument))


def certificate_behind(found: Iterable[Version], name: str, due: str, signed: str) -> InstrumentCertificate | None:
    """
    The certificate on which an instrument stood: that which says the date that the record names.

    Parameters
    ----------
    found : iterable of Version
        Of the kind `INSTRUMENT_CERTIFICATE`.
    name, due : str
        As the record has them.
    signed : str
        When the result was kept (UTC, ISO 8601 with Z): of several, one that was registered by then goes first.
    """
    mine = [each for each in _read(found) if each.instrument == name and each.due == due]
    return max(mine, key=lambda each: (each.at <= signed, each.at), default=None)


def _read(found: Iterable[Version]) -> list[InstrumentCertificate]:
    known = {each.name for each in fields(InstrumentCertificate)}
    made = []
    for each in found:
        body: dict[str, Any] = {key: value for key, value in each.body.items() if key in known}
        made.append(InstrumentCertificate(**body | {"who": each.who, "at": each.at}))
    return sorted(made, key=lambda each: (each.due, each.at), reverse=True)
