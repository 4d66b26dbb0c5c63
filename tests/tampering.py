"""What can be done to a signed PDF: parts that several tests of tampering share."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import pikepdf
from asn1crypto import cms, keys, x509
from cryptography.hazmat.primitives import serialization
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import signers
from pyhanko_certvalidator.registry import SimpleCertificateStore

from labkit.sheet.identity import open_signing_file
from tests.sheets import PASSPHRASE

name = generic.pdf_name


def update(pdf: bytes, change: Callable[[IncrementalPdfFileWriter], None]) -> bytes:
    """Append a revision, as an editor does that leaves the signed bytes alone."""
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def rewritten(pdf: bytes, change: Callable[[pikepdf.Pdf], object] = lambda _: None, **save: Any) -> bytes:
    """Written anew as a whole, with a change."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        change(opened)
        out = io.BytesIO()
        opened.save(out, **save)
    return out.getvalue()


def flipped(pdf: bytes, place: int) -> bytes:
    changed = bytearray(pdf)
    changed[place] ^= 1
    return bytes(changed)


def signature(pdf: bytes, which: int = -1) -> Any:
    """A signature of a PDF, as pyHanko reads it."""
    return PdfFileReader(io.BytesIO(pdf)).embedded_signatures[which]


def end_of_first(pdf: bytes) -> int:
    """Where the first of two signed revisions ends."""
    found = signature(pdf, 0).byte_range
    return int(found[2]) + int(found[3])


def attachment_at(pdf: bytes) -> int:
    """A byte within the attached record."""
    names = PdfFileReader(io.BytesIO(pdf)).root["/Names"]["/EmbeddedFiles"]["/Names"]
    return pdf.index(names[1]["/EF"]["/F"].encoded_data) + 20


def page_at(pdf: bytes) -> int:
    """A byte within what the first page draws."""
    page = PdfFileReader(io.BytesIO(pdf)).root["/Pages"]["/Kids"][0]
    return pdf.index(page["/Contents"].encoded_data) + 20


def with_cms(pdf: bytes, change: Callable[[cms.SignedData], Any], which: int = -1) -> bytes:
    """The signature itself changed, in its place; what is signed stays as it is."""
    found = signature(pdf, which)
    start, end = int(found.byte_range[1]) + 1, int(found.byte_range[2]) - 1
    info = cms.ContentInfo.load(bytes(found.pkcs7_content))
    change(info["content"])
    again = info.dump(force=True).hex().encode()
    assert len(again) <= end - start
    return pdf[:start] + again.upper().ljust(end - start, b"0") + pdf[end:]


def with_certificate(pdf: bytes, p12: bytes) -> bytes:
    """The certificate of another in the place of the signer's."""
    other = x509.Certificate.load(open_signing_file(p12, PASSPHRASE)[0].public_bytes(serialization.Encoding.DER))

    def change(data: cms.SignedData) -> None:
        data["certificates"] = [other]

    return with_cms(pdf, change)


def signer_of(p12: bytes) -> signers.SimpleSigner:
    """A signing file as pyHanko takes it: without what labkit checks."""
    certificate, key, _ = open_signing_file(p12, PASSPHRASE)
    private = key.private_bytes(
        serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    loaded = x509.Certificate.load(certificate.public_bytes(serialization.Encoding.DER))
    return signers.SimpleSigner(loaded, keys.PrivateKeyInfo.load(private), SimpleCertificateStore())


# ---- updates ----


def stream(content: bytes, **entries: Any) -> generic.StreamObject:
    return generic.StreamObject({name(f"/{key}"): value for key, value in entries.items()}, stream_data=content)


def first_page(writer: IncrementalPdfFileWriter) -> Any:
    return writer.root["/Pages"]["/Kids"][0]


def replace_attachment(content: bytes) -> Callable[[IncrementalPdfFileWriter], None]:
    def change(writer: IncrementalPdfFileWriter) -> None:
        names = writer.root["/Names"]["/EmbeddedFiles"]["/Names"]
        reference = names[1]["/EF"].raw_get("/F").reference
        writer.objects[(reference.generation, reference.idnum)] = stream(content)

    return change


def draw(content: bytes) -> Callable[[IncrementalPdfFileWriter], None]:
    """Draw over the first page."""

    def change(writer: IncrementalPdfFileWriter) -> None:
        page = first_page(writer)
        page["/Contents"] = generic.ArrayObject([page.raw_get("/Contents"), writer.add_object(stream(content))])
        writer.update_container(page)

    return change


def replace_page(writer: IncrementalPdfFileWriter) -> None:
    """The content of the first page replaced under its own number."""
    reference = first_page(writer).raw_get("/Contents").reference
    writer.objects[(reference.generation, reference.idnum)] = stream(b"BT ET")


def add_page(writer: IncrementalPdfFileWriter) -> None:
    pages = writer.root["/Pages"]
    page = generic.DictionaryObject({name("/Type"): name("/Page"), name("/MediaBox"): first_page(writer)["/MediaBox"]})
    pages["/Kids"].append(writer.add_object(page))
    pages["/Count"] = generic.NumberObject(len(pages["/Kids"]))
    writer.update_container(pages["/Kids"])
    writer.update_container(pages)


def annotate(writer: IncrementalPdfFileWriter) -> None:
    box = generic.ArrayObject([generic.NumberObject(n) for n in (100, 500, 300, 550)])
    note = generic.DictionaryObject(
        {
            name("/Type"): name("/Annot"),
            name("/Subtype"): name("/FreeText"),
            name("/Contents"): generic.pdf_string("Pass"),
            name("/Rect"): box,
        }
    )
    page = first_page(writer)
    page["/Annots"].append(writer.add_object(note))
    writer.update_container(page["/Annots"])


def hide(writer: IncrementalPdfFileWriter) -> None:
    """The first page drawn within an optional group that is off."""
    off = writer.add_object(
        generic.DictionaryObject({name("/Type"): name("/OCG"), name("/Name"): generic.pdf_string("off")})
    )
    writer.root["/OCProperties"] = generic.DictionaryObject(
        {
            name("/OCGs"): generic.ArrayObject([off]),
            name("/D"): generic.DictionaryObject({name("/OFF"): generic.ArrayObject([off])}),
        }
    )
    writer.update_root()


def swap_form(writer: IncrementalPdfFileWriter) -> None:
    writer.root["/AcroForm"] = generic.DictionaryObject(
        {name("/Fields"): generic.ArrayObject(), name("/SigFlags"): generic.NumberObject(3)}
    )
    writer.update_root()


def drop(key: str) -> Callable[[IncrementalPdfFileWriter], None]:
    """Take a key out of the catalog."""

    def change(writer: IncrementalPdfFileWriter) -> None:
        del writer.root[key]
        writer.update_root()

    return change


def second_catalog(writer: IncrementalPdfFileWriter) -> None:
    again = generic.DictionaryObject(dict(writer.root))
    writer.set_custom_trailer_entry(name("/Root"), writer.add_object(again))


def rename_field(which: int, new: str) -> Callable[[IncrementalPdfFileWriter], None]:
    def change(writer: IncrementalPdfFileWriter) -> None:
        field = writer.root["/AcroForm"]["/Fields"][which]
        field["/T"] = generic.pdf_string(new)
        writer.update_container(field)

    return change


def unsign(which: int) -> Callable[[IncrementalPdfFileWriter], None]:
    """Take a signature out of its field."""

    def change(writer: IncrementalPdfFileWriter) -> None:
        field = writer.root["/AcroForm"]["/Fields"][which]
        del field["/V"]
        writer.update_container(field)

    return change
