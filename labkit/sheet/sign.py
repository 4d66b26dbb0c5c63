"""Signing: a PAdES signature that certifies the sheet and allows no change after it."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from tempfile import NamedTemporaryFile
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from labkit.problems import BadInput
from labkit.sheet.identity import open_signing_file
from labkit.sheet.off_loop import off_loop
from labkit.sheet.typesetting import check_characters, typeset

if TYPE_CHECKING:
    from cryptography import x509

FIELD: Final = "Signature"
"""The name of the one signature field of a sheet."""

_POINTS_PER_MM: Final = 72 / 25.4


@dataclass(frozen=True)
class Place:
    """
    Where the signature stands on the first page.

    Attributes
    ----------
    left_mm, bottom_mm : float
        From the left and from the bottom edge of the paper [mm].
    width_mm, height_mm : float
    """

    left_mm: float = 22.0
    bottom_mm: float = 25.0
    width_mm: float = 78.0
    height_mm: float = 11.0


PLACE: Final = Place()
"""The template leaves this place free; both take it from here."""


def sign(pdf: bytes, p12: bytes, passphrase: str, *, reason: str = "", zone: str = "UTC") -> bytes:
    """
    Sign a sheet.

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

    Returns
    -------
    bytes
        The sheet with one certifying signature, after which any change shows.

    Raises
    ------
    BadInput
        The passphrase or the signing file is wrong, its certificate does not hold now or is not for signing, or
        the PDF is no sheet or is signed already.

    References
    ----------
    ETSI EN 319 142-1 (PAdES); ISO 32000-1:2008, 12.8.2.2 (DocMDP).
    """
    certificate, key, others = open_signing_file(p12, passphrase)
    now = datetime.now(UTC)
    _check_certificate(certificate, now)
    name = common_name(certificate)
    check_characters([("the signer's name", name)])
    stamp = typeset(
        "signature.typ",
        {
            "signer": name,
            "when": f"Signed electronically {now.astimezone(ZoneInfo(zone)):%d %b %Y, %H:%M} ({zone})",
            "width": PLACE.width_mm * _POINTS_PER_MM,
            "height": PLACE.height_mm * _POINTS_PER_MM,
        },
    )[0]
    prepared = _with_field(pdf, f"Signature of {name}")
    return _certify(prepared, stamp, certificate, key, others, reason)


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


def _certify(
    pdf: bytes, stamp: bytes, certificate: x509.Certificate, key: Any, others: Iterable[x509.Certificate], reason: str
) -> bytes:
    from asn1crypto import keys as asn1_keys
    from asn1crypto import x509 as asn1_x509
    from cryptography.hazmat.primitives import serialization
    from pyhanko.pdf_utils.content import ImportedPdfPage
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.pdf_utils.layout import AxisAlignment, InnerScaling, Margins, SimpleBoxLayoutRule
    from pyhanko.sign import signers
    from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
    from pyhanko.stamp import StaticStampStyle
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    def der(each: x509.Certificate) -> asn1_x509.Certificate:
        return asn1_x509.Certificate.load(each.public_bytes(serialization.Encoding.DER))

    # what a signature carries besides the signer's own certificate is not protected by it: intermediates only,
    # never the authority, which whoever verifies must have from elsewhere
    intermediates = SimpleCertificateStore()
    intermediates.register_multiple([der(each) for each in others if each.subject != each.issuer])
    private = key.private_bytes(
        serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    signer = signers.SimpleSigner(
        der(certificate), asn1_keys.PrivateKeyInfo.load(private), intermediates, embed_roots=False
    )
    meta = signers.PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm="sha256",
        subfilter=SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
        reason=reason or None,
        name=common_name(certificate),
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
        signing = signers.PdfSigner(meta, signer=signer, stamp_style=style)
        writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
        out = off_loop(lambda: signing.sign_pdf(writer, existing_fields_only=True))
    return bytes(out.getvalue())


def _with_field(pdf: bytes, description: str) -> bytes:
    """
    The sheet with an empty signature field that the structure tree knows.

    pyHanko would add the field untagged, and a screen reader would then meet a form field without a name.
    """
    import pikepdf
    from pikepdf import Array, Dictionary, Name, String

    try:
        document = pikepdf.open(io.BytesIO(pdf))
    except pikepdf.PdfError as error:
        raise BadInput("sign.not_a_sheet") from error
    root = document.Root
    if "/AcroForm" in root:
        raise BadInput("sign.already_signed")
    if "/StructTreeRoot" not in root or "/ParentTree" not in root.StructTreeRoot:
        raise BadInput("sign.not_a_sheet")

    page = document.pages[0]
    tree = root.StructTreeRoot
    parents = pikepdf.NumberTree(tree.ParentTree)
    number = max([int(tree.get("/ParentTreeNextKey", 0)), *(key + 1 for key in parents)])
    left, bottom = PLACE.left_mm * _POINTS_PER_MM, PLACE.bottom_mm * _POINTS_PER_MM
    width, height = PLACE.width_mm * _POINTS_PER_MM, PLACE.height_mm * _POINTS_PER_MM
    corners = [round(each, 2) for each in (left, bottom, left + width, bottom + height)]
    empty = document.make_stream(
        b"", Type=Name.XObject, Subtype=Name.Form, BBox=Array([0, 0, width, height]), Resources=Dictionary()
    )
    widget = document.make_indirect(
        Dictionary(
            Type=Name.Annot, Subtype=Name.Widget, FT=Name.Sig, T=String(FIELD), TU=String(description), F=4,
            Rect=Array(corners), P=page.obj, StructParent=number, AP=Dictionary(N=empty),
        )
    )  # fmt: skip
    parent = tree.K[0] if isinstance(tree.K, Array) else tree.K
    element = document.make_indirect(
        Dictionary(
            Type=Name.StructElem, S=Name.Form, P=parent, Pg=page.obj, Alt=String(description),
            K=Dictionary(Type=Name.OBJR, Obj=widget, Pg=page.obj),
        )
    )  # fmt: skip
    if not isinstance(parent.K, Array):
        parent.K = Array([parent.K])
    parent.K.append(element)
    parents[number] = element
    tree.ParentTreeNextKey = number + 1
    if "/Annots" not in page:
        page.Annots = Array()
    page.Annots.append(widget)
    page.Tabs = Name.S
    root.AcroForm = document.make_indirect(Dictionary(Fields=Array([widget]), SigFlags=3))
    out = io.BytesIO()
    document.save(out, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return out.getvalue()
