"""
Signing: a PAdES signature that certifies the sheet, and on a sheet that is to be approved a second one beside it.

With one signer nothing may change after it. With two, the first allows the approver's field alone to be signed, and
the second locks everything.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from tempfile import NamedTemporaryFile
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from labkit.language import LANGUAGES, moment_in_words, noted, say, speaking
from labkit.problems import BadInput, Problem
from labkit.sheet.fields import APPROVAL_FIELD, APPROVAL_PLACE, FIELD, PLACE, STAMPED, Place, with_fields
from labkit.sheet.identity import fingerprint_of, open_signing_file
from labkit.sheet.off_loop import off_loop
from labkit.sheet.timestamps import authority
from labkit.sheet.typesetting import check_characters, typeset

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec, rsa

WHO_APPROVES: Final = noted("Signature of the person who approves")


@dataclass(frozen=True)
class _Signer:
    """A signing file, opened."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey
    others: Iterable[x509.Certificate]
    name: str

    @classmethod
    def of(cls, p12: bytes, passphrase: str, now: datetime, withdrawn: Collection[str]) -> _Signer:
        certificate, key, others = open_signing_file(p12, passphrase)
        _check_certificate(certificate, now)
        name = common_name(certificate)
        if fingerprint_of(certificate) in withdrawn:
            raise BadInput("sign.withdrawn", name=name)
        check_characters([("the signer's name", name)])
        return cls(certificate, key, others, name)


def sign(
    pdf: bytes,
    p12: bytes,
    passphrase: str,
    *,
    reason: str = "",
    zone: str = "UTC",
    to_approve: bool = False,
    timestamps: str = "",
    withdrawn: Collection[str] = (),
) -> bytes:
    """
    Sign a sheet as whoever calibrated.

    Parameters
    ----------
    pdf : bytes
        A sheet as `labkit.sheet.render` makes it.
    p12 : bytes
        The signing file (PKCS#12).
    passphrase : str
        Opens it.
    reason : str
        Why it is signed, such as "Calibration certificate 0119".
    zone : str
        The IANA time zone in which the time of signing is shown.
    to_approve : bool
        Whether another person is to sign after this one, with `approve`: the sheet has both fields then.
    timestamps : str
        The address of a timestamp authority (RFC 3161), which is then asked to confirm the time; by default nobody is
        asked anything.
    withdrawn : collection of str
        Fingerprints of certificates with which nothing is signed any more.

    Returns
    -------
    bytes
        The sheet with one certifying signature, after which any change shows, but for the approver's signature where
        that is wanted.

    Raises
    ------
    BadInput
        The passphrase or the signing file is wrong, its certificate does not hold now or is not for signing, or
        the PDF is no sheet or is signed already; ``sign.withdrawn``.
    Problem
        ``timestamp.unreachable``, ``timestamp.refused``: the authority gave no timestamp, and nothing is signed.

    References
    ----------
    ETSI EN 319 142-1 (PAdES, levels B-B and B-T); ISO 32000-1:2008, 12.8.2.2 (DocMDP).
    """
    now = datetime.now(UTC)
    signer = _Signer.of(p12, passphrase, now, withdrawn)
    with speaking(_language_in(pdf)):
        fields = [(FIELD, say("Signature of {name}", name=signer.name), PLACE)]
        if to_approve:
            fields.append((APPROVAL_FIELD, say(WHO_APPROVES), APPROVAL_PLACE))
        stamp = _stamp(say("Signed electronically {when}", when=_when(now, zone)), signer, PLACE)
    how = _How(FIELD, reason, timestamps, certify=True, to_approve=to_approve)
    return _put(with_fields(pdf, fields), stamp, signer, how)


def approve(
    pdf: bytes,
    p12: bytes,
    passphrase: str,
    *,
    reason: str = "",
    zone: str = "UTC",
    timestamps: str = "",
    withdrawn: Collection[str] = (),
) -> bytes:
    """
    Sign a sheet as whoever approves it: the very file that was signed, in the field that was left for it.

    Parameters
    ----------
    pdf : bytes
        As `sign` made it with `to_approve`.
    p12, passphrase, reason, zone, timestamps, withdrawn
        As `sign` takes them.

    Returns
    -------
    bytes
        The same bytes with a second signature after them, which locks everything.

    Raises
    ------
    BadInput
        As `sign`. ``sign.not_awaiting``: the sheet is not one that waits for approval, as it was signed.
        ``sign.own_approval``: whoever signed it does not approve it.
    Problem
        As `sign`.
    """
    from labkit.sheet.signatures import waits_for

    now = datetime.now(UTC)
    signer = _Signer.of(p12, passphrase, now, withdrawn)
    waits_for(pdf, signer.certificate, signer.name)
    with speaking(_language_in(pdf)):
        stamp = _stamp(say("Approved electronically {when}", when=_when(now, zone)), signer, APPROVAL_PLACE)
    return _put(pdf, stamp, signer, _How(APPROVAL_FIELD, reason, timestamps))


def common_name(certificate: x509.Certificate) -> str:
    """The person's name in a certificate."""
    from cryptography.x509.oid import NameOID

    found = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(found[0].value) if found else certificate.subject.rfc4514_string()


def _check_certificate(certificate: x509.Certificate, now: datetime) -> None:
    from cryptography import x509

    if now > certificate.not_valid_after_utc:
        raise BadInput("sign.expired", until=certificate.not_valid_after_utc.date().isoformat())
    if now < certificate.not_valid_before_utc:
        raise BadInput("sign.not_yet_valid", start=certificate.not_valid_before_utc.date().isoformat())
    try:
        usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound as error:
        raise BadInput("sign.not_for_signing") from error
    if not usage.content_commitment:
        raise BadInput("sign.not_for_signing")


def _when(now: datetime, zone: str) -> str:
    return f"{moment_in_words(now.astimezone(ZoneInfo(zone)))} ({zone})"


def _language_in(pdf: bytes) -> str:
    """The language of a sheet, as its file says it; English where that says nothing we know."""
    import pikepdf

    try:
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            code = str(opened.Root.get("/Lang", "")).partition("-")[0]
    except pikepdf.PdfError:
        return "en"  # that it is no sheet is said where it is signed
    return code if code in LANGUAGES else "en"


def _stamp(said: str, signer: _Signer, place: Place) -> bytes:
    """What is seen in the field, as a PDF of its size."""
    width, height = place.size
    return typeset("signature.typ", {"signer": signer.name, "when": said, "width": width, "height": height})[0]


@dataclass(frozen=True)
class _How:
    """In which field, why, with whose timestamp; and whether it certifies the sheet, and leaves room for another."""

    field: str
    reason: str
    timestamps: str
    certify: bool = False
    to_approve: bool = False


def _put(pdf: bytes, stamp: bytes, signer: _Signer, how: _How) -> bytes:
    """Sign in a field that is there."""
    from pyhanko.pdf_utils.content import ImportedPdfPage
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.pdf_utils.layout import AxisAlignment, InnerScaling, Margins, SimpleBoxLayoutRule
    from pyhanko.sign import signers
    from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
    from pyhanko.sign.signers.pdf_byterange import BuildProps
    from pyhanko.stamp import StaticStampStyle

    meta = signers.PdfSignatureMetadata(
        field_name=how.field,
        md_algorithm="sha256",
        subfilter=SigSeedSubFilter.PADES,
        certify=how.certify,
        docmdp_permissions=MDPPerm.FILL_FORMS if how.to_approve else MDPPerm.NO_CHANGES,
        reason=how.reason or None,
        name=signer.name,
        # under the signature, which the timestamp itself is not: one that is taken out is missed
        app_build_props=BuildProps(name="labkit", revision=STAMPED if how.timestamps else None),
    )
    as_it_is = SimpleBoxLayoutRule(
        x_align=AxisAlignment.ALIGN_MIN,
        y_align=AxisAlignment.ALIGN_MIN,
        margins=Margins.uniform(0),
        inner_content_scaling=InnerScaling.NO_SCALING,
    )
    with NamedTemporaryFile(suffix=".pdf") as page:
        page.write(stamp)
        page.flush()
        style = StaticStampStyle(
            background=ImportedPdfPage(page.name), border_width=0, background_opacity=1.0, background_layout=as_it_is
        )
        asked = authority(how.timestamps) if how.timestamps else None
        signing = signers.PdfSigner(meta, signer=_key_of(signer), stamp_style=style, timestamper=asked)
        writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
        try:
            out = off_loop(lambda: signing.sign_pdf(writer, existing_fields_only=True))
        except Problem:
            raise
        except Exception as error:
            if asked is None:
                raise
            # what is no timestamp breaks in many ways while it is read; without it nothing is signed
            raise Problem("timestamp.refused", url=how.timestamps, why=str(error)[:200] or "no timestamp") from error
    signed = bytes(out.getvalue())
    if asked is not None:
        _check_stamped(signed, how.timestamps)
    return signed


def _check_stamped(signed: bytes, url: str) -> None:
    """Refuse a timestamp with which the sheet would not verify, before anybody has it."""
    from labkit.sheet.signatures import Refused, examine, open_pdf

    try:
        examine(signed, open_pdf(signed), [], [])
    except Refused as refused:
        raise Problem("timestamp.refused", url=url, why=str(refused.reason)) from refused


def _key_of(signer: _Signer) -> Any:
    """The signer as pyHanko takes one."""
    from asn1crypto import keys as asn1_keys
    from asn1crypto import x509 as asn1_x509
    from cryptography.hazmat.primitives import serialization
    from pyhanko.sign import signers
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    def der(each: x509.Certificate) -> asn1_x509.Certificate:
        return asn1_x509.Certificate.load(each.public_bytes(serialization.Encoding.DER))

    # what a signature carries besides the signer's own certificate is not protected by it: intermediates only,
    # never the authority, which whoever verifies must have from elsewhere
    intermediates = SimpleCertificateStore()
    intermediates.register_multiple([der(each) for each in signer.others if each.subject != each.issuer])
    private = signer.key.private_bytes(
        serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return signers.SimpleSigner(
        der(signer.certificate), asn1_keys.PrivateKeyInfo.load(private), intermediates, embed_roots=False
    )
