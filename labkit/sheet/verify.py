"""
Verifying: who signed a sheet, whether it is as it was signed, and whether its numbers follow from its readings.

The policy is in the code and refuses by default. Any exception is a failure. `labkit.sheet.signatures` judges the
signatures; each stands on a certificate that is trusted here and was not withdrawn. Only then is the attached record
read, up to a limit, computed again, and held against what is attached beside it and what is printed.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from labkit.problems import BadInput, Reason
from labkit.sheet.attachments import COVARIANCE, FORM, READINGS, RESULTS, disagreeing
from labkit.sheet.bounded import bounded
from labkit.sheet.identity import AUTHORITY_CERTIFICATE
from labkit.sheet.printed import in_pages, pages_text
from labkit.sheet.recompute import Recomputed, recompute
from labkit.sheet.shown import Shown, shortened
from labkit.sheet.signatures import Refused, Signature, Signatures, examine, open_pdf
from labkit.sheet.verdict import SignedBy, Verdict
from labkit.sheet.withdrawn import read_list, since_when
from labkit.sheet.witness import FILE, read_attached

if TYPE_CHECKING:
    from asn1crypto import x509
    from cryptography.x509 import CertificateRevocationList
    from pyhanko.pdf_utils.reader import PdfFileReader

RECORDS: Final = {"calibration.json": "labkit.calibration/", "check.json": "labkit.check/"}
"""The name of the attached record, and how its schema begins."""

_SETS: Final = (
    *((record,) for record in RECORDS),
    ("calibration.json", COVARIANCE, READINGS, RESULTS),
    ("calibration.json", COVARIANCE, FORM, READINGS, RESULTS),
    ("check.json", READINGS, RESULTS),
)
"""What may be attached together."""

NEWEST: Final = 1
"""The newest form of each record that this labkit reads."""

LIMIT_MB: Final = 20
"""The largest record that is read, unpacked."""


def verify(
    pdf: bytes,
    trust: Sequence[bytes | Path],
    *,
    stampers: Sequence[bytes | Path] = (),
    lists: Sequence[bytes | Path] = (),
    known_since: datetime | None = None,
) -> Verdict:
    """
    Who signed a sheet, whether it is as it was signed, and whether its numbers follow from its readings.

    Parameters
    ----------
    pdf : bytes
        The file.
    trust : sequence of bytes or Path
        Certificates (PEM or DER) that are trusted here: of laboratories' authorities, or of single signers.
    stampers : sequence of bytes or Path
        Certificates that are trusted for timestamps besides, and for nothing else.
    lists : sequence of bytes or Path
        Lists of signers who were withdrawn (X.509 CRL), of authorities that are trusted here.
    known_since : datetime, optional
        Since when a ledger that is believed here holds this very file.

    Returns
    -------
    Verdict

    Raises
    ------
    BadInput
        The file is no readable PDF, is encrypted or larger than any sheet; something in `trust` or `stampers` is no
        certificate, something in `lists` is no list.

    Notes
    -----
    The signer's certificate must have held when a timestamp that is trusted here says that it signed, otherwise when
    it says so itself. Nothing is fetched from a network.
    """
    roots, authorities = ([_trusted(each) for each in found] for found in (trust, stampers))
    withdrawn = [read_list(each) for each in lists]
    bounded(pdf)
    reader = open_pdf(pdf)
    try:
        if not list(reader.embedded_signatures):
            return Verdict("not a certificate", Reason("verify.unsigned"))
        found = examine(pdf, reader, roots, authorities)
        return _judge(pdf, found, withdrawn, known_since)
    except Refused as refused:
        return Verdict("changed", refused.reason)
    except BadInput as problem:
        return Verdict("not a certificate", Reason(problem.code, problem.params))
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
    others = [path for path in _certificates(data) if not _stamps(path)]
    return ([own] if own.is_file() else []) + others


def stampers_here(data: Path) -> list[Path]:
    """The certificates in the folder ``trust`` that are trusted for timestamps alone: ``NAME.tsa.pem``."""
    return [path for path in _certificates(data) if _stamps(path)]


def _certificates(data: Path) -> list[Path]:
    return [path for path in sorted((data / "trust").glob("*")) if path.suffix in (".pem", ".crt", ".cer")]


def _stamps(path: Path) -> bool:
    return path.suffixes[-2:-1] == [".tsa"]


def _judge(
    pdf: bytes, found: Signatures, lists: Sequence[CertificateRevocationList], known_since: datetime | None
) -> Verdict:
    """Who signed; then, of a signer who is trusted here, what the sheet holds."""
    roles: tuple[Literal["calibrated", "approved"], ...] = ("calibrated", "approved")
    about: dict[str, Any] = {
        "signatures": tuple(_signed_by(role, each) for role, each in zip(roles, found.all, strict=False))
    }
    unknown = next((each for each in found.all if not each.path), None)
    if unknown is not None:
        return Verdict("intact, signer not known here", _not_known(unknown), **about)
    if found.of_one_person:
        reason = Reason("verify.own_approval", {"signer": found.calibrated.name})
        return Verdict("awaiting approval", reason, **about)
    remarks = [*_of_stamps(found)]
    for signature in found.all:
        refused, remark = _withdrawn(signature, found, lists, known_since)
        if refused is not None:
            return Verdict("signer withdrawn", refused, **about)
        remarks += [] if remark is None else [remark]
    about["remarks"] = tuple(remarks)
    verdict = _read_record(pdf, found.reader, about)
    if verdict.genuine and found.awaiting:
        reason = Reason("verify.awaiting", {"signer": found.calibrated.name})
        return replace(verdict, verdict="awaiting approval", reason=reason, record=None, witness=None)
    return verdict


def _not_known(signature: Signature) -> Reason:
    """Why a signer is not trusted: the certificate had ended, or is not known here."""
    moment, holds = signature.proven or signature.claimed, signature.certificate["tbs_certificate"]["validity"]
    start, end = (holds[name].native for name in ("not_before", "not_after"))
    if not start <= moment <= end:
        said = {"signer": signature.name, "at": _utc(moment), "start": _utc(start), "end": _utc(end)}
        return Reason("verify.expired", said)
    return Reason("verify.unknown_signer", {"signer": signature.name})


def _signed_by(role: Literal["calibrated", "approved"], found: Signature) -> SignedBy:
    stamp = found.stamp
    if stamp is None:
        return SignedBy(role, found.name, found.fingerprint, _utc(found.claimed))
    return SignedBy(role, found.name, found.fingerprint, _utc(found.claimed), _utc(stamp.at), stamp.by, stamp.trusted)


def _of_stamps(found: Signatures) -> Iterator[Reason]:
    """What is to be said of the timestamps."""
    for each in found.all:
        if each.stamp is not None:
            code = "verify.stamped" if each.stamp.trusted else "verify.stamp_unknown"
            yield Reason(code, {"signer": each.name, "by": each.stamp.by, "at": _utc(each.stamp.at)})


def _withdrawn(
    signature: Signature,
    found: Signatures,
    lists: Sequence[CertificateRevocationList],
    known_since: datetime | None,
) -> tuple[Reason | None, Reason | None]:
    """Why a signature is not believed, as its signer was withdrawn; or what to say, as it was put before."""
    since = since_when(signature.path, lists)
    if since is None:
        return None, None
    said = {"signer": signature.name, "since": _utc(since)}
    # a later signature covers this one: its timestamp says that this one was there too
    later = found.all[found.all.index(signature) :]
    proofs = [each.proven for each in later if each.proven is not None]
    proofs += [known_since.astimezone(UTC)] if known_since is not None else []
    if any(each < since for each in proofs):
        return None, Reason("verify.withdrawn_later", said | {"at": _utc(min(proofs))})
    claimed = signature.claimed < since and not proofs
    return Reason("verify.withdrawn_unproven" if claimed else "verify.withdrawn", said), None


def _read_record(pdf: bytes, reader: PdfFileReader, about: dict[str, Any]) -> Verdict:
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
    about["note"], disagrees = _recheck(record)
    if disagrees is None and (file := _disagreeing(record, files)):
        disagrees = Reason("verify.disagrees_attached", {"file": file})
    if disagrees is None and about["note"] is None:
        about["recomputed"] = found = recompute(record)
        if found.why_not is not None and found.why_not.code in _NEWER:
            return Verdict("made by a newer labkit", Reason("verify.not_recomputed", _why(found)), **about)
        if not found.whole:
            disagrees = Reason("verify.disagrees_computed", _why(found))
    if disagrees is None:
        about["printed"] = found = in_pages(_printed_part(record, files), pages_text(pdf))
        if found.agree != found.of:
            disagrees = Reason("verify.disagrees_printed", {"place": found.first})
    if disagrees is not None:
        return Verdict("does not recompute", disagrees, **about)
    signed = about["signatures"]
    code = "verify.genuine_own" if about["note"] is not None else "verify.genuine"
    if len(signed) > 1:
        code = "verify.genuine_approved"
    genuine = Reason(code, {"signer": signed[0].name, "approver": signed[-1].name})
    return Verdict("genuine", genuine, record=record, witness=witness, **about)


def _printed_part(record: dict[str, Any], files: dict[str, bytes]) -> dict[str, Any]:
    """The record as far as its pages print it: of a summary some rows, which follow from the record itself."""
    if FORM not in files:
        return record
    return shortened(record, Shown.of(record))


_NEWER: Final = ("record.method", "record.newer")
"""Why a record is not computed again, where a newer labkit would."""


def _why(found: Recomputed) -> dict[str, str]:
    return {"place": found.first or "–", "why": str(found.why_not) if found.why_not is not None else ""}


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


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
