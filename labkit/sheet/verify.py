"""
Verifying: who signed a sheet, and whether it is as it was signed.

The policy is in the code and refuses by default. Any exception is a failure. A sheet carries exactly one signature;
that signature certifies it, allows no change, covers every byte of the file, and stands on a certificate that is
trusted here. Only then is the attached record read, and only up to a limit.
"""

from __future__ import annotations

import io
import json
import logging
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from labkit.problems import BadInput, Reason
from labkit.sheet.attachments import COVARIANCE, READINGS, RESULTS, disagreeing
from labkit.sheet.fields import FIELD
from labkit.sheet.identity import AUTHORITY_CERTIFICATE, fingerprint
from labkit.sheet.off_loop import off_loop
from labkit.sheet.witness import FILE, Witness, read_attached

if TYPE_CHECKING:
    from asn1crypto import x509
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.validation.pdf_embedded import EmbeddedPdfSignature

Outcome = Literal[
    "genuine",
    "intact, signer not known here",
    "changed",
    "does not recompute",
    "made by a newer labkit",
    "not a certificate",
]

RECORDS: Final = {"calibration.json": "labkit.calibration/", "check.json": "labkit.check/"}
"""The name of the attached record, and how its schema begins."""

_SETS: Final = (
    *((record,) for record in RECORDS),
    ("calibration.json", COVARIANCE, READINGS, RESULTS),
    ("check.json", READINGS, RESULTS),
)
"""What may be attached together."""

NEWEST: Final = 1
"""The newest form of each record that this labkit reads."""

LIMIT_MB: Final = 20
"""The largest record that is read, unpacked."""


@dataclass(frozen=True)
class Verdict:
    """
    What verifying found.

    Attributes
    ----------
    verdict : str
        ``"genuine"``, ``"intact, signer not known here"``, ``"changed"``, ``"does not recompute"``,
        ``"made by a newer labkit"`` or ``"not a certificate"``.
    reason : Reason
        Why, as a sentence.
    signer : str
        The name in the signer's certificate; empty where there is no signature that holds.
    fingerprint : str
        SHA-256 of the signer's certificate, in groups of four: to compare by telephone.
    signed_at : str
        When, by the signer's own clock; UTC, ISO 8601 with Z.
    number : str
        The certificate's number.
    record : dict or None
        The attached record; only where the verdict is ``"genuine"``.
    witness : Witness or None
        The end of the ledger's chain that the certificate carries; only where it is genuine and carries one.
    note : Reason or None
        What was left out of it, where the curve is of an engineer's own family: no code of a sheet is run.
    """

    verdict: Outcome
    reason: Reason
    signer: str = ""
    fingerprint: str = ""
    signed_at: str = ""
    number: str = ""
    record: dict[str, Any] | None = None
    witness: Witness | None = None
    note: Reason | None = None

    def __str__(self) -> str:
        return str(self.reason)


def verify(pdf: bytes, trust: Sequence[bytes | Path]) -> Verdict:
    """
    Who signed a sheet, and whether it is as it was signed.

    Parameters
    ----------
    pdf : bytes
        The file.
    trust : sequence of bytes or Path
        Certificates (PEM or DER) that are trusted here: of laboratories' authorities, or of single signers.

    Returns
    -------
    Verdict

    Raises
    ------
    BadInput
        The file is no readable PDF, or is encrypted, or something in `trust` is no certificate.

    Notes
    -----
    The signer's certificate must have held at the time that the signature states. Nothing is fetched from a network:
    a certificate that was withdrawn is found out only where the laboratory says so.
    """
    roots = [_trusted(each) for each in trust]
    reader = _open(pdf)
    try:
        signatures = list(reader.embedded_signatures)
        if not signatures:
            return Verdict("not a certificate", Reason("verify.unsigned"))
        return _judge(pdf, reader, signatures, roots)
    except Exception:  # whatever breaks while judging, breaks trust
        return Verdict("changed", Reason("verify.changed"))


def trusted_here(data: Path) -> list[Path]:
    """
    The certificates that a laboratory trusts: its own authority's, and those in the folder ``trust`` of its data.

    Parameters
    ----------
    data : Path
        The data folder.

    Returns
    -------
    list of Path
        As `verify` takes them.
    """
    own = data / "identities" / AUTHORITY_CERTIFICATE
    others = [path for path in sorted((data / "trust").glob("*")) if path.suffix in (".pem", ".crt", ".cer")]
    return ([own] if own.is_file() else []) + others


def _judge(
    pdf: bytes, reader: PdfFileReader, signatures: Sequence[EmbeddedPdfSignature], roots: Sequence[x509.Certificate]
) -> Verdict:
    if [each.field_name for each in signatures] != [FIELD] or len(reader.root["/AcroForm"]["/Fields"]) != 1:
        return Verdict("changed", Reason("verify.fields"))
    signature = signatures[0]
    if not _covers_all(pdf, signature):
        return Verdict("changed", Reason("verify.added"))

    certificate = signature.signer_cert
    intact, trusted = _validate(signature, roots)
    if not intact:
        return Verdict("changed", Reason("verify.signature"))
    names = certificate.subject.native.get("common_name", "")
    signer = names if isinstance(names, str) else ", ".join(names)
    about: dict[str, Any] = {
        "signer": signer,
        "fingerprint": fingerprint(certificate.dump()),
        "signed_at": _utc(signature.self_reported_timestamp),
    }
    if not trusted:
        return Verdict("intact, signer not known here", Reason("verify.unknown_signer", {"signer": signer}), **about)
    return _read_record(reader, about)


def _validate(signature: EmbeddedPdfSignature, roots: Sequence[x509.Certificate]) -> tuple[bool, bool]:
    """Whether the signature holds for these bytes as a certification without changes, and whether it is trusted."""
    from pyhanko.sign.fields import MDPPerm
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko.sign.validation.settings import KeyUsageConstraints
    from pyhanko.sign.validation.status import SignatureCoverageLevel
    from pyhanko_certvalidator import ValidationContext

    # it writes a traceback of every signer that it does not know; the verdict says that in a sentence
    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)
    moment = signature.self_reported_timestamp
    context = ValidationContext(
        trust_roots=list(roots), allow_fetching=False, moment=moment, best_signature_time=moment
    )
    usage = KeyUsageConstraints(key_usage={"non_repudiation"})
    status = off_loop(lambda: validate_pdf_signature(signature, context, key_usage_settings=usage))
    intact = (
        status.intact
        and status.valid
        and status.docmdp_ok
        and status.coverage == SignatureCoverageLevel.ENTIRE_FILE
        and signature.docmdp_level == MDPPerm.NO_CHANGES
    )
    path = status.validation_path
    trusted = status.trusted and status.bottom_line and path is not None and _needs_all(signature, list(path))
    return bool(intact), bool(trusted)


def _covers_all(pdf: bytes, signature: EmbeddedPdfSignature) -> bool:
    """
    Whether every byte is signed, but for the signature itself, and that is exactly as `labkit.sheet.sign` writes it.

    Stricter than the standard asks: parts of a signature are not protected by it (names of algorithms, the padding,
    attributes and certificates that came along), and what could be changed there without a trace is refused.
    """
    start, length, end, rest = (int(each) for each in signature.byte_range)
    content = bytes(signature.pkcs7_content)
    written = _as_written(signature)
    return (
        start == 0
        and end + rest == len(pdf)
        and pdf[length:end] == b"<" + content.hex().upper().encode() + b">"
        and content == written + bytes(len(content) - len(written))
    )


def _as_written(signature: EmbeddedPdfSignature) -> bytes:
    """The signature put together again from its signed parts."""
    from asn1crypto import algos, cms

    info = signature.signer_info
    certificate = signature.signer_cert
    digest = algos.DigestAlgorithm({"algorithm": "sha256"})
    again = cms.SignerInfo(
        {
            "version": "v1",
            "sid": cms.SignerIdentifier(
                {
                    "issuer_and_serial_number": cms.IssuerAndSerialNumber(
                        {"issuer": certificate.issuer, "serial_number": certificate.serial_number}
                    )
                }
            ),
            "digest_algorithm": digest,
            "signed_attrs": info["signed_attrs"],
            "signature_algorithm": {"algorithm": info["signature_algorithm"]["algorithm"].native},
            "signature": info["signature"],
        }
    )
    signed = cms.SignedData(
        {
            "version": "v1",
            "digest_algorithms": [digest],
            "encap_content_info": {"content_type": "data"},
            "certificates": signature.signed_data["certificates"],
            "signer_infos": [again],
        }
    )
    return bytes(cms.ContentInfo({"content_type": "signed_data", "content": signed}).dump(force=True))


def _needs_all(signature: EmbeddedPdfSignature, path: Sequence[x509.Certificate]) -> bool:
    """Whether every certificate in the signature is the signer's or on the way from it to a trusted one."""
    needed = {signature.signer_cert.dump(), *(each.dump() for each in path)}
    return all(each.chosen.dump() in needed for each in signature.signed_data["certificates"])


def _read_record(reader: PdfFileReader, about: dict[str, Any]) -> Verdict:
    try:
        files = _attachments(reader)
        if files is None:
            return Verdict("not a certificate", Reason("verify.too_large", {"limit_mb": LIMIT_MB}), **about)
        witness = read_attached(files[FILE]) if FILE in files else None
        if witness is not None and witness.number != _number(reader):
            raise ValueError(witness.number)
        name = next(name for name in files if name in RECORDS)
        record = json.loads(files[name])
        schema = str(record["schema"])
        if not schema.startswith(RECORDS[name]):
            raise ValueError(schema)
        version = int(schema.removeprefix(RECORDS[name]))
    except (LookupError, ValueError, TypeError, RecursionError):
        return Verdict("not a certificate", Reason("verify.no_record"), **about)
    if version > NEWEST:
        return Verdict("made by a newer labkit", Reason("verify.newer", {"schema": schema}), **about)
    about["number"] = _number(reader)
    note, disagrees = _recheck(record)
    if disagrees is None and (file := _disagreeing(record, files)):
        disagrees = Reason("verify.disagrees_attached", {"file": file})
    if disagrees is not None:
        return Verdict("does not recompute", disagrees, note=note, **about)
    genuine = Reason("verify.genuine", {"signer": about["signer"]})
    return Verdict("genuine", genuine, record=record, witness=witness, note=note, **about)


def _disagreeing(record: dict[str, Any], files: dict[str, bytes]) -> str | None:
    """The name of an attached table that does not follow from the record; None where all do."""
    try:
        return disagreeing(record, files) if len(files.keys() - {FILE}) > 1 else None
    except (LookupError, ValueError, TypeError, AttributeError):
        return READINGS


def _recheck(record: dict[str, Any]) -> tuple[Reason | None, Reason | None]:
    """
    Of a check, where it disagrees with itself computed again. Of a curve of an engineer's own family, which is not
    computed again: what is to be said of it, and where the rest disagrees with the attached table of it.
    """
    if "results" not in record:
        return None, None
    if str(record["schema"]).startswith(RECORDS["check.json"]):
        from labkit.sheet.recheck import recheck_check

        return recheck_check(record)
    from labkit.sheet.recheck import first_disagreement, own_family

    family = own_family(record)
    if family is None:
        return None, None
    note = Reason("verify.own_family", {"family": family})
    try:
        return note, first_disagreement(record)
    except (LookupError, ValueError, TypeError, ArithmeticError):
        return note, Reason("verify.disagrees_table")


def _attachments(reader: PdfFileReader) -> dict[str, bytes] | None:
    """
    The attached record, what follows from it, and the end of the ledger where there is one; None where one is larger
    than the limit. Just these: the record alone, as sheets once were, or with all that `labkit.sheet.render` attaches.
    """
    names = list(reader.root["/Names"]["/EmbeddedFiles"]["/Names"])
    if not any(names[0::2] == sorted({*inside, *ledger}) for inside in _SETS for ledger in ((), (FILE,))):
        raise LookupError(str(names[0::2]))
    found = {
        str(name): _unpacked(entry.get_object()["/EF"]["/F"])
        for name, entry in zip(names[0::2], names[1::2], strict=True)
    }
    limit = LIMIT_MB * 1_000_000
    return found if all(len(content) <= limit for content in found.values()) else None


def _unpacked(stream: Any) -> bytes:
    packing = stream.get("/Filter")
    if packing is None:
        return bytes(stream.encoded_data)
    if packing == "/FlateDecode" and "/DecodeParms" not in stream:
        return unpack(stream.encoded_data, LIMIT_MB * 1_000_000)
    raise LookupError(str(packing))


def unpack(packed: bytes, limit: int) -> bytes:
    """At most one byte more than `limit` of what is packed: a small file can unpack to all the memory there is."""
    return zlib.decompressobj().decompress(packed, limit + 1)


def _number(reader: PdfFileReader) -> str:
    """The certificate's number, which the template writes as the PDF's only keyword; empty where there is none."""
    return str(reader.trailer_view["/Info"].get("/Keywords", ""))


def _open(pdf: bytes) -> PdfFileReader:
    from pyhanko.pdf_utils.reader import PdfFileReader

    try:
        reader = PdfFileReader(io.BytesIO(pdf), strict=True)
        encrypted = reader.encrypted
        if not encrypted:
            reader.root["/Pages"]["/Kids"][0].get_object()
    except Exception as error:  # a PDF can break a reader in any way
        raise BadInput("verify.not_a_pdf") from error
    if encrypted:
        raise BadInput("verify.encrypted")
    return reader


def _trusted(source: bytes | Path) -> x509.Certificate:
    from asn1crypto import pem, x509

    name = "what was handed in" if isinstance(source, bytes) else str(source)
    try:
        content = source if isinstance(source, bytes) else _certificate_file(source)
        if pem.detect(content):
            _, _, content = pem.unarmor(content)
        certificate = x509.Certificate.load(content, strict=True)
        certificate.subject.native  # noqa: B018, parsed lazily: an error comes out here
        certificate.public_key.native  # noqa: B018
    except (OSError, ValueError, TypeError) as error:
        raise BadInput("verify.trust", file=name) from error
    return certificate


def _certificate_file(path: Path) -> bytes:
    # a device may have no end
    with path.open("rb") as file:
        return file.read(LIMIT_MB * 1_000_000)


def _utc(moment: datetime | None) -> str:
    return "" if moment is None else moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
