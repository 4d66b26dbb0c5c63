"""
The signatures of a sheet, judged by a policy that refuses by default.

A sheet has one field for a signature, or two where it is to be approved, and no other. Every byte is signed and is as
`labkit.sheet.sign` writes it. The first signature certifies the sheet: it allows no change, or nothing but the second,
which locks everything. What comes before the second signature must be a sheet that waits for it.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from labkit.problems import BadInput, Reason
from labkit.sheet.fields import APPROVAL_FIELD, FIELD, STAMPED
from labkit.sheet.identity import fingerprint
from labkit.sheet.off_loop import off_loop
from labkit.sheet.timestamps import BadStamp, Stamp, signed_data, stamp_of, token_of, wrapped

if TYPE_CHECKING:
    from asn1crypto import x509
    from cryptography.x509 import Certificate
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.validation.pdf_embedded import EmbeddedPdfSignature

_NOTHING_ELSE: Final = frozenset({"/Kids", "/Parent"})
"""Keys that a field of a sheet has not: fields within fields could hide one."""


class Refused(Exception):
    """A sheet that is not as it was signed."""

    def __init__(self, code: str, **params: Any) -> None:
        super().__init__(code)
        self.reason = Reason(code, params)


@dataclass(frozen=True)
class Signature:
    """
    A signature that holds for the bytes that it covers.

    Attributes
    ----------
    name, fingerprint : str
        In the signer's certificate; its SHA-256 in groups of four.
    claimed : datetime
        When, by the signer's own clock, UTC.
    stamp : Stamp or None
        The timestamp that it carries.
    certificate : asn1crypto.x509.Certificate
    path : tuple of asn1crypto.x509.Certificate
        From a certificate that is trusted here to the signer's; empty where there is none.
    """

    name: str
    fingerprint: str
    claimed: datetime
    stamp: Stamp | None
    certificate: x509.Certificate
    path: tuple[x509.Certificate, ...]

    @property
    def proven(self) -> datetime | None:
        """When it was there at the latest, by an authority that is trusted here; None where none says so."""
        return self.stamp.at if self.stamp is not None and self.stamp.trusted else None


@dataclass(frozen=True)
class Signatures:
    """
    The signatures of a sheet.

    Attributes
    ----------
    calibrated : Signature
    approved : Signature or None
    awaiting : bool
        Whether it is to be approved, and nobody has.
    reader : PdfFileReader
        Of the sheet as it was signed first: data are read from there.
    """

    calibrated: Signature
    approved: Signature | None
    awaiting: bool
    reader: PdfFileReader

    @property
    def all(self) -> tuple[Signature, ...]:
        return (self.calibrated,) if self.approved is None else (self.calibrated, self.approved)

    @property
    def of_one_person(self) -> bool:
        """Whether whoever calibrated put the second signature too."""
        first, second = self.calibrated, self.approved
        return second is not None and same_person(first.certificate, first.name, second.certificate, second.name)


def same_person(one: x509.Certificate, name: str, other: x509.Certificate, other_name: str) -> bool:
    """Whether two certificates are of one person: the same name, or the same key."""
    return bool(name.casefold() == other_name.casefold() or one.public_key.dump() == other.public_key.dump())


def waits_for(pdf: bytes, certificate: Certificate, name: str) -> None:
    """
    Go on only if a sheet waits for the approval of this person.

    Raises
    ------
    BadInput
        ``sign.not_awaiting``, ``sign.own_approval``.
    """
    from asn1crypto import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    try:
        found = examine(pdf, open_pdf(pdf), [], [])
    except Exception as error:  # whatever breaks while judging, breaks trust
        raise BadInput("sign.not_awaiting") from error
    if not found.awaiting:
        raise BadInput("sign.not_awaiting")
    mine = x509.Certificate.load(certificate.public_bytes(Encoding.DER))
    if same_person(found.calibrated.certificate, found.calibrated.name, mine, name):
        raise BadInput("sign.own_approval", name=name)


def open_pdf(pdf: bytes) -> PdfFileReader:
    """
    A reader of a file.

    Raises
    ------
    BadInput
        ``verify.not_a_pdf``, ``verify.encrypted``.
    """
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


def examine(
    pdf: bytes, reader: PdfFileReader, roots: Sequence[x509.Certificate], stampers: Sequence[x509.Certificate]
) -> Signatures:
    """
    The signatures of a sheet that is as it was signed.

    Parameters
    ----------
    pdf : bytes
    reader : PdfFileReader
    roots, stampers : sequence of asn1crypto.x509.Certificate
        Trusted for signatures, and for timestamps besides.

    Raises
    ------
    Refused
        It is not. Any other exception means the same.
    """
    fields, found = _field_names(reader), list(reader.embedded_signatures)
    signed = [each.field_name for each in found]
    if (fields, signed) not in _SIGNED or reader.xrefs.total_revisions != 1 + len(signed):
        raise Refused("verify.fields")
    first, last = found[0], found[-1]
    end = _end_of(first)
    if not _covers(pdf, last, len(pdf)):
        raise Refused("verify.added")
    if first is not last:
        # the file before the second signature, by itself: what it held then is what was signed
        held = pdf[:end]
        if not _covers(held, first, end) or not pdf[:end].rstrip().endswith(b"%%EOF"):
            raise Refused("verify.added")
        before = examine(held, open_pdf(held), roots, stampers)
        if not before.awaiting:
            raise Refused("verify.fields")
        calibrated = _judged(first, roots, stampers, locks=False, whole=False)
        approved = _judged(last, roots, stampers, locks=True, whole=True)
        return Signatures(calibrated, approved, False, before.reader)
    waits = fields == [FIELD, APPROVAL_FIELD]
    return Signatures(_judged(first, roots, stampers, locks=not waits, whole=True), None, waits, reader)


_SIGNED: Final = (
    ([FIELD], [FIELD]),
    ([FIELD, APPROVAL_FIELD], [FIELD]),
    ([FIELD, APPROVAL_FIELD], [FIELD, APPROVAL_FIELD]),
)
"""The fields of a sheet, and which of them are signed."""


def _field_names(reader: PdfFileReader) -> list[str]:
    fields = [each.get_object() for each in reader.root["/AcroForm"]["/Fields"]]
    if any(_NOTHING_ELSE & set(each) or each["/FT"] != "/Sig" for each in fields):
        raise Refused("verify.fields")
    return [str(each["/T"]) for each in fields]


def _judged(
    signature: EmbeddedPdfSignature,
    roots: Sequence[x509.Certificate],
    stampers: Sequence[x509.Certificate],
    *,
    locks: bool,
    whole: bool,
) -> Signature:
    """One signature; `locks` says whether nothing may change after it, `whole` whether it covers the whole file."""
    from pyhanko.sign.fields import FieldMDPAction, MDPPerm
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko.sign.validation.settings import KeyUsageConstraints
    from pyhanko.sign.validation.status import SignatureCoverageLevel
    from pyhanko_certvalidator import ValidationContext

    # it writes a traceback of every signer that it does not know; the verdict says that in a sentence
    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)
    try:
        stamp = stamp_of(signature, [*stampers, *roots], ())
    except Exception as error:
        raise Refused("verify.timestamp") from error
    if stamp is None and _was_stamped(signature):
        raise Refused("verify.timestamp")
    claimed = signature.self_reported_timestamp
    moment = stamp.at if stamp is not None and stamp.trusted else claimed
    context = ValidationContext(
        trust_roots=list(roots), allow_fetching=False, moment=moment, best_signature_time=moment
    )
    usage = KeyUsageConstraints(key_usage={"non_repudiation"})
    status = off_loop(lambda: validate_pdf_signature(signature, context, key_usage_settings=usage))
    covered = SignatureCoverageLevel.ENTIRE_FILE if whole else SignatureCoverageLevel.ENTIRE_REVISION
    approves = signature.field_name == APPROVAL_FIELD
    intact = (
        status.intact
        and status.valid
        and status.docmdp_ok
        and status.coverage == covered
        and signature.docmdp_level == (MDPPerm.NO_CHANGES if locks else MDPPerm.FILL_FORMS)
        and (not approves or (signature.fieldmdp is not None and signature.fieldmdp.action == FieldMDPAction.ALL))
    )
    if not intact or claimed is None:
        raise Refused("verify.signature")
    certificate, path = signature.signer_cert, list(status.validation_path or ())
    trusted = status.trusted and _needs_all(signature, path)
    return Signature(
        name_in(certificate),
        fingerprint(certificate.dump()),
        claimed.astimezone(UTC),
        stamp,
        certificate,
        tuple(path) if trusted else (),
    )


def _was_stamped(signature: EmbeddedPdfSignature) -> bool:
    """Whether it says of itself, under the signature, that it has a timestamp."""
    made_by = signature.sig_object.get("/Prop_Build", {}).get("/App", {})
    return str(made_by.get("/REx", "")) == STAMPED


def name_in(certificate: x509.Certificate) -> str:
    """The name in a certificate."""
    names = certificate.subject.native.get("common_name", "")
    return names if isinstance(names, str) else ", ".join(names)


def _end_of(signature: EmbeddedPdfSignature) -> int:
    return int(signature.byte_range[2]) + int(signature.byte_range[3])


def _covers(pdf: bytes, signature: EmbeddedPdfSignature, length: int) -> bool:
    """
    Whether every byte up to `length` is signed, but for the signature itself, and that is exactly as
    `labkit.sheet.sign` writes it.

    Stricter than the standard asks: parts of a signature are not protected by it (names of algorithms, the padding,
    attributes and certificates that came along), and what could be changed there without a trace is refused.
    """
    start, before, after, _ = (int(each) for each in signature.byte_range)
    content = bytes(signature.pkcs7_content)
    written = _as_written(signature)
    return (
        len(signature.byte_range) == 4
        and start == 0
        and _end_of(signature) == length
        and pdf[before:after] == b"<" + content.hex().upper().encode() + b">"
        and content == written + bytes(len(content) - len(written))
    )


def _as_written(signature: EmbeddedPdfSignature) -> bytes:
    """The signature put together again from its signed parts, and its timestamp where it has one."""
    from asn1crypto import algos, cms, parser

    info = signature.signer_info
    certificate = signature.signer_cert
    digest = algos.DigestAlgorithm({"algorithm": "sha256"})
    try:
        token = token_of(info)
    except BadStamp as error:
        raise Refused("verify.timestamp") from error
    again = {
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
    signer = cms.SignerInfo(again)
    signed = cms.SignedData(
        {
            "version": "v1",
            "digest_algorithms": [digest],
            "encap_content_info": {"content_type": "data"},
            "certificates": signature.signed_data["certificates"],
            "signer_infos": [signer],
        }
    )
    written = bytes(signed.dump(force=True))
    if token is None:
        return signed_data(written)
    # the signer stands last, and in it the timestamp
    bare = bytes(signer.dump(force=True))
    before = signed.contents[: -len(wrapped(17, bare))]
    kind = cms.CMSAttributeType("signature_time_stamp_token").dump()
    stamp = bytes(parser.emit(2, 1, 1, wrapped(16, kind, wrapped(17, token.dump()))))
    return signed_data(wrapped(16, before, wrapped(17, wrapped(16, signer.contents, stamp))))


def _needs_all(signature: EmbeddedPdfSignature, path: Sequence[x509.Certificate]) -> bool:
    """Whether every certificate in the signature is the signer's or on the way from it to a trusted one."""
    needed = {signature.signer_cert.dump(), *(each.dump() for each in path)}
    return all(each.chosen.dump() in needed for each in signature.signed_data["certificates"])
