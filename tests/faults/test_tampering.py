"""Nothing that is done to a signed sheet, or signed by the wrong hand, may pass as genuine."""

from __future__ import annotations

import io
import json
import random
import zlib
from collections.abc import Callable

import pikepdf
import pytest
from pyhanko.pdf_utils import generic
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign import fields, signers

from labkit.problems import BadInput
from labkit.sheet.identity import make_signer
from labkit.sheet.verify import LIMIT_MB, unpack, verify
from labkit.sheet.witness import Witness
from tests.sheets import PASSPHRASE, Laboratory, real_record, small_sheet

FORGED = json.dumps({"schema": "labkit.calibration/1", "note": "wall 9 mm"}).encode()


def outcome(pdf: bytes, trust: list[bytes]) -> str:
    """The verdict, or the code of the refusal."""
    try:
        found = verify(pdf, trust)
    except BadInput as refused:
        return refused.code
    assert (found.record is not None) == (found.verdict == "genuine")
    return found.verdict


def update(pdf: bytes, change: Callable[[IncrementalPdfFileWriter], None]) -> bytes:
    """Append a revision, as an editor does that leaves the signed bytes alone."""
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def attached(pdf: bytes) -> generic.Reference:
    names = PdfFileReader(io.BytesIO(pdf)).root["/Names"]["/EmbeddedFiles"]["/Names"]
    return names[1]["/EF"].raw_get("/F").reference


def replace_attachment(writer: IncrementalPdfFileWriter) -> None:
    names = writer.root["/Names"]["/EmbeddedFiles"]["/Names"]
    reference = names[1]["/EF"].raw_get("/F").reference
    writer.objects[(reference.generation, reference.idnum)] = generic.StreamObject(stream_data=FORGED)


def draw_over(writer: IncrementalPdfFileWriter) -> None:
    page = writer.root["/Pages"]["/Kids"][0]
    extra = writer.add_object(generic.StreamObject(stream_data=b"q 1 0 0 rg 100 500 200 50 re f Q"))
    page["/Contents"] = generic.ArrayObject([page.raw_get("/Contents"), extra])
    writer.update_container(page)


def annotate(writer: IncrementalPdfFileWriter) -> None:
    page = writer.root["/Pages"]["/Kids"][0]
    note = generic.DictionaryObject(
        {
            generic.pdf_name("/Type"): generic.pdf_name("/Annot"),
            generic.pdf_name("/Subtype"): generic.pdf_name("/FreeText"),
            generic.pdf_name("/Contents"): generic.pdf_string("Pass"),
            generic.pdf_name("/Rect"): generic.ArrayObject([generic.NumberObject(n) for n in (100, 500, 300, 550)]),
        }
    )
    page["/Annots"].append(writer.add_object(note))
    writer.update_container(page["/Annots"])


def rewritten(pdf: bytes, **save: object) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        out = io.BytesIO()
        opened.save(out, **save)  # type: ignore[arg-type]
    return out.getvalue()


def stripped(pdf: bytes) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        del opened.Root.AcroForm
        del opened.Root.Perms
        del opened.pages[0].Annots
        out = io.BytesIO()
        opened.save(out)
    return out.getvalue()


def forged_whole(pdf: bytes) -> bytes:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        opened.attachments["calibration.json"] = pikepdf.AttachedFileSpec(opened, FORGED, filename="calibration.json")
        out = io.BytesIO()
        opened.save(out)
    return out.getvalue()


def second_signature(pdf: bytes, laboratory: Laboratory) -> bytes:
    file = make_signer("D. Abara", laboratory.authority, PASSPHRASE)
    signer = signers.SimpleSigner.load_pkcs12_data(file, other_certs=[], passphrase=PASSPHRASE.encode())
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    fields.append_signature_field(writer, fields.SigFieldSpec("Second"))
    meta = signers.PdfSignatureMetadata(field_name="Second", subfilter=fields.SigSeedSubFilter.PADES)
    out = io.BytesIO()
    try:
        signers.PdfSigner(meta, signer).sign_pdf(writer, output=out)
    except Exception:  # pyHanko may refuse to add to a sheet that allows no change; then do it over its head
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            opened.Root.AcroForm.Fields.append(opened.Root.AcroForm.Fields[0])
            opened.save(out)
    return out.getvalue()


def test_control(laboratory: Laboratory) -> None:
    assert outcome(laboratory.signed, laboratory.trust) == "genuine"


@pytest.mark.parametrize(
    ("tamper", "expected"),
    [
        (lambda pdf: pdf + b"\n", "changed"),
        (lambda pdf: pdf + b"\n% hello\n", "changed"),
        (lambda pdf: pdf + pdf, "changed"),
        (lambda pdf: update(pdf, replace_attachment), "changed"),
        (lambda pdf: update(pdf, draw_over), "changed"),
        (lambda pdf: update(pdf, annotate), "changed"),
        (lambda pdf: pdf.replace(b"/Reason", b"/Raeson"), "changed"),
        (rewritten, "changed"),
        (forged_whole, "changed"),
        (stripped, "not a certificate"),
        (lambda pdf: rewritten(pdf, encryption=pikepdf.Encryption(owner="o", user="")), "verify.encrypted"),
        (lambda pdf: rewritten(pdf, encryption=pikepdf.Encryption(owner="o", user="u")), "verify.encrypted"),
        (lambda pdf: pdf[: len(pdf) // 2], "verify.not_a_pdf"),
        (lambda pdf: pdf[:-1], "changed"),
        (lambda pdf: b"\n" + pdf, "verify.not_a_pdf"),
        (lambda _: b"", "verify.not_a_pdf"),
        (lambda _: b"%PDF-1.7\n%%EOF\n", "verify.not_a_pdf"),
    ],
    ids=[
        "a line break at the end", "junk after the end", "the file twice", "attachment replaced by an update",
        "drawn over by an update", "note added by an update", "a signed word changed", "rewritten unchanged",
        "attachment replaced, rewritten", "signature stripped", "encrypted with no user password",
        "encrypted with a user password", "half of it", "last byte missing", "moved by one byte", "empty", "hollow",
    ],
)  # fmt: skip
def test_tampering(laboratory: Laboratory, tamper: Callable[[bytes], bytes], expected: str) -> None:
    assert outcome(tamper(laboratory.signed), laboratory.trust) == expected


@pytest.mark.parametrize("cut", [1, 2, 7, 40, 300, 2000])
def test_a_truncated_file(laboratory: Laboratory, cut: int) -> None:
    assert outcome(laboratory.signed[:-cut], laboratory.trust) in ("changed", "verify.not_a_pdf", "not a certificate")


def test_any_bit_in_any_region(laboratory: Laboratory) -> None:
    """Page, attachment, metadata, cross-references, the signature itself and the zeros behind it."""
    pdf = laboratory.signed
    reader = PdfFileReader(io.BytesIO(pdf))
    signature = reader.embedded_signatures[0]
    start, end = int(signature.byte_range[1]), int(signature.byte_range[2])
    written = len(bytes(signature.pkcs7_content).rstrip(b"\0")) * 2
    attachment = reader.get_object(attached(pdf)).encoded_data
    at = pdf.index(attachment)
    chance = random.Random(11)
    places = [chance.randrange(len(pdf)) for _ in range(30)]
    places += [chance.randrange(start, start + 1 + written) for _ in range(60)]  # the signature
    places += [chance.randrange(start + 1 + written, end) for _ in range(10)]  # its padding
    places += [chance.randrange(end, len(pdf)) for _ in range(10)]  # the cross-references
    places += [chance.randrange(at, at + len(attachment)) for _ in range(5)]
    for place in places:
        changed = bytearray(pdf)
        changed[place] ^= 1 << chance.randrange(8)
        assert outcome(bytes(changed), laboratory.trust) != "genuine", f"byte {place}"


def test_the_case_of_a_hexadecimal_digit(laboratory: Laboratory) -> None:
    """Means the same to a reader, and is no longer what was signed."""
    pdf = bytearray(laboratory.signed)
    start = int(PdfFileReader(io.BytesIO(bytes(pdf))).embedded_signatures[0].byte_range[1])
    place = next(i for i in range(start, len(pdf)) if chr(pdf[i]) in "ABCDEF")
    pdf[place] |= 0x20
    assert outcome(bytes(pdf), laboratory.trust) == "changed"


def test_another_authority(laboratory: Laboratory) -> None:
    other = Laboratory.found("Another Laboratory", "A. Nother")
    found = verify(other.signed, laboratory.trust)
    assert (found.verdict, found.signer) == ("intact, signer not known here", "A. Nother")
    assert found.record is None and found.number == ""


def test_a_stranger_with_the_same_names(laboratory: Laboratory, stranger: Laboratory) -> None:
    forged = stranger.sign(small_sheet(FORGED.decode()))
    found = verify(forged, laboratory.trust)
    assert found.verdict == "intact, signer not known here"
    assert found.fingerprint != verify(laboratory.signed, laboratory.trust).fingerprint
    assert verify(stranger.sign(stripped(laboratory.signed)), laboratory.trust).verdict != "genuine"


def test_nobody_is_trusted_by_default(laboratory: Laboratory) -> None:
    assert outcome(laboratory.signed, []) == "intact, signer not known here"


def test_two_signatures(laboratory: Laboratory) -> None:
    assert outcome(second_signature(laboratory.signed, laboratory), laboratory.trust) == "changed"


def test_a_signature_that_allows_changes(laboratory: Laboratory) -> None:
    """A colleague's certificate, but not the certification that a sheet carries."""
    signer = signers.SimpleSigner.load_pkcs12_data(
        laboratory.signing_file, other_certs=[], passphrase=PASSPHRASE.encode()
    )
    out = io.BytesIO()
    signers.PdfSigner(
        signers.PdfSignatureMetadata(field_name="Signature", subfilter=fields.SigSeedSubFilter.PADES), signer
    ).sign_pdf(IncrementalPdfFileWriter(io.BytesIO(small_sheet())), output=out)
    assert outcome(out.getvalue(), laboratory.trust) == "changed"


@pytest.mark.parametrize(
    ("record", "name", "expected"),
    [
        (json.dumps({"schema": "labkit.calibration/2"}), "calibration.json", "made by a newer labkit"),
        (json.dumps({"schema": "labkit.calibration/x"}), "calibration.json", "not a certificate"),
        (json.dumps({"schema": "another/1"}), "calibration.json", "not a certificate"),
        (json.dumps({"schema": None}), "calibration.json", "not a certificate"),
        ("{}", "calibration.json", "not a certificate"),
        ("[1, 2]", "calibration.json", "not a certificate"),
        ("not JSON", "calibration.json", "not a certificate"),
        ("[" * 100_000, "calibration.json", "not a certificate"),
        (json.dumps({"schema": "labkit.calibration/1"}), "other.json", "not a certificate"),
        (json.dumps({"schema": "labkit.calibration/1"}), "calibration.json", "does not recompute"),
        (json.dumps({"filler": "0" * (LIMIT_MB * 1_000_000)}), "calibration.json", "not a certificate"),
    ],
    ids=[
        "newer",
        "odd version",
        "other schema",
        "no schema",
        "empty",
        "list",
        "text",
        "deep",
        "other name",
        "hollow",
        "huge",
    ],
)
def test_what_a_trusted_signer_attached_must_be_a_record(
    laboratory: Laboratory, record: str, name: str, expected: str
) -> None:
    assert outcome(laboratory.sign(small_sheet(record, name)), laboratory.trust) == expected


HEAD = {"schema": "labkit.witness/1", "number": "0119", "entries": 7, "hash": "ab" * 32}


def test_the_end_of_the_ledger_is_under_the_signature(laboratory: Laboratory) -> None:
    signed = laboratory.sign(small_sheet(ledger=json.dumps(HEAD)))
    found = verify(signed, laboratory.trust)
    assert found.verdict == "genuine" and found.witness == Witness("0119", 7, "ab" * 32)
    assert verify(laboratory.signed, laboratory.trust).witness is None
    names = PdfFileReader(io.BytesIO(signed)).root["/Names"]["/EmbeddedFiles"]["/Names"]
    at = signed.index(names[3]["/EF"]["/F"].encoded_data)
    altered = bytearray(signed)
    altered[at + 5] ^= 1
    assert outcome(bytes(altered), laboratory.trust) == "changed"


@pytest.mark.parametrize(
    "ledger",
    [
        HEAD | {"number": "0120"},
        HEAD | {"entries": -1},
        HEAD | {"entries": "7"},
        HEAD | {"hash": "AB" * 32},
        HEAD | {"hash": 7},
        HEAD | {"schema": "another/1"},
        {"schema": "labkit.witness/1"},
        [],
    ],
    ids=["other number", "negative", "text", "capitals", "number", "other schema", "empty", "list"],
)
def test_an_end_of_the_ledger_that_is_none_makes_no_certificate(laboratory: Laboratory, ledger: object) -> None:
    assert outcome(laboratory.sign(small_sheet(ledger=json.dumps(ledger))), laboratory.trust) == "not a certificate"


def test_what_else_is_attached_makes_no_certificate(laboratory: Laboratory) -> None:
    with pikepdf.open(io.BytesIO(small_sheet())) as opened:
        opened.attachments["z.json"] = pikepdf.AttachedFileSpec(opened, b"{}", filename="z.json")
        out = io.BytesIO()
        opened.save(out)
    assert outcome(laboratory.sign(out.getvalue()), laboratory.trust) == "not a certificate"


def test_a_small_file_that_unpacks_to_much(laboratory: Laboratory) -> None:
    assert len(unpack(zlib.compress(bytes(50_000_000)), 1000)) == 1001
    filled = json.dumps(real_record() | {"filler": "0" * (LIMIT_MB * 1_000_000)})
    assert verify(laboratory.sign(small_sheet(filled)), laboratory.trust).reason.code == "verify.too_large"
