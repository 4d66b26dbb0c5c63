"""
The tamper matrix: each way to forge a sheet, with the verdict that it gets and the words in which it is said.

`tests/faults/test_tampering.py` asks what a reader does with broken files; here is what somebody would do on purpose.
"""

from __future__ import annotations

import copy
import io
import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import import_module
from typing import Any, Final

import pikepdf
import pytest
from asn1crypto import cms
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from labkit.problems import BadInput
from labkit.sheet.fields import APPROVAL_FIELD
from labkit.sheet.identity import make_signer
from labkit.sheet.sign import approve, sign
from labkit.sheet.timestamps import signed_data, wrapped
from labkit.sheet.verdict import Verdict
from labkit.sheet.verify import verify
from labkit.sheet.withdrawn import Withdrawn, make_list
from tests import tampering as do
from tests.sheets import PASSPHRASE, Laboratory, real_record, small_sheet
from tests.tsa import Tsa

WORDS: Final = {
    "added": "Something was added after signing. Do not use it.",
    "fields": "It does not carry exactly the signatures of a sheet of ours. Do not use it.",
    "signature": "The signature does not belong to this file as it is. Do not use it.",
    "timestamp": "Its timestamp does not belong to the signature, or was changed. Do not use it.",
    "broken": "Changed after signing. Do not use it.",
    "unsigned": "Not one of our certificates: nobody signed it.",
    "unknown": "Intact, but its signer is not known here: {signer}.",
    "other result": "computing it again from the attached data gives another result. Do not use it.",
    "other pages": "its pages do not say what its data say (",
    "awaiting": "but it waits for approval: it is not in force.",
    "own": "has signed it twice: nobody else has approved it. Do not use it.",
    "withdrawn": "who was withdrawn as a signer on",
    "expired": "with a certificate that holds from",
    "no pdf": "This is not a PDF, or it is damaged.",
    "encrypted": "This PDF is encrypted and cannot be verified.",
}


@dataclass(frozen=True)
class Case:
    """A laboratory with its sheets: signed once, waiting for approval, approved, with a timestamp."""

    laboratory: Laboratory
    stranger: Laboratory
    colleague: bytes
    tsa: Tsa
    once: bytes
    waiting: bytes
    twice: bytes
    stamped: bytes

    def says(self, pdf: bytes, lists: tuple[bytes, ...] = ()) -> tuple[str, str]:
        """The verdict and its words; of what is refused, the code and the words."""
        try:
            found: Verdict = verify(pdf, self.laboratory.trust, stampers=[self.tsa.root], lists=lists)
        except BadInput as refused:
            return refused.code, str(refused)
        assert (found.record is not None) == found.genuine
        return found.verdict, str(found)


@pytest.fixture(scope="module")
def case(laboratory: Laboratory, stranger: Laboratory, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Case]:
    tsa = Tsa(tmp_path_factory.mktemp("tsa"))
    colleague = make_signer("D. Abara", laboratory.authority, PASSPHRASE)
    waiting = sign(small_sheet(), laboratory.signing_file, PASSPHRASE, to_approve=True)
    stamped = sign(small_sheet(), laboratory.signing_file, PASSPHRASE, timestamps=tsa.url)
    yield Case(
        laboratory,
        stranger,
        colleague,
        tsa,
        laboratory.signed,
        waiting,
        approve(waiting, colleague, PASSPHRASE),
        stamped,
    )
    tsa.close()


def test_nothing_is_wrong_with_what_nobody_touched(case: Case) -> None:
    assert [case.says(pdf)[0] for pdf in (case.once, case.twice, case.stamped)] == ["genuine"] * 3
    assert case.says(case.waiting)[0] == "awaiting approval"


# ---- records that a trusted signer could be made to sign ----


def record_with(change: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    found = copy.deepcopy(real_record())
    change(found)
    return found


def larger_tolerance(record: dict[str, Any]) -> None:
    record["printed"]["table"][1]["U"] = "1.1"


def another_reading(record: dict[str, Any]) -> None:
    row = record["inputs"]["readings"]["rows"][2]
    row["value"], row["typed"] = row["value"] + 0.004, f"{row['value'] + 0.004:.3f}"


def another_u(record: dict[str, Any]) -> None:
    record["results"]["table"][1]["U_mm"] = 0.0011
    larger_tolerance(record)


def another_decision(record: dict[str, Any]) -> None:
    record["printed"]["checks"][0]["decision"] = "conditional pass"


def printed_with(change: Callable[[dict[str, Any]], None]) -> Any:
    return record_with(change)["printed"]


def signed_by_hand(case: Case, pdf: bytes, p12: bytes, field: str, **meta: Any) -> bytes:
    """A signature of pyHanko's own, without what labkit checks before."""
    out = io.BytesIO()
    how = signers.PdfSignatureMetadata(field_name=field, subfilter=fields.SigSeedSubFilter.PADES, **meta)
    signers.PdfSigner(how, do.signer_of(p12)).sign_pdf(IncrementalPdfFileWriter(io.BytesIO(pdf)), output=out)
    return out.getvalue()


def approved_over_the_head(
    case: Case, p12: bytes, change: Callable[[IncrementalPdfFileWriter], None] | None = None
) -> bytes:
    """Sign in the approver's field as labkit does, but with a signer that it refuses, or with a change beside it."""
    writer = IncrementalPdfFileWriter(io.BytesIO(case.waiting))
    if change is not None:
        change(writer)
    how = signers.PdfSignatureMetadata(
        field_name=APPROVAL_FIELD,
        subfilter=fields.SigSeedSubFilter.PADES,
        md_algorithm="sha256",
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
    )
    out = io.BytesIO()
    signers.PdfSigner(how, do.signer_of(p12)).sign_pdf(writer, existing_fields_only=True, output=out)
    return out.getvalue()


def second_signature(case: Case) -> bytes:
    writer = IncrementalPdfFileWriter(io.BytesIO(case.once))
    fields.append_signature_field(writer, fields.SigFieldSpec("Second"))
    out = io.BytesIO()
    writer.write(out)
    try:
        return signed_by_hand(case, out.getvalue(), case.colleague, "Second")
    except Exception:  # pyHanko refuses to sign what allows no change: the field alone is an addition too
        return out.getvalue()


def by_an_expired_signer(case: Case) -> bytes:
    long_ago = datetime.now(UTC) - timedelta(days=5000)
    old = make_signer("M. Okonjo", case.laboratory.authority, PASSPHRASE, now=long_ago)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(import_module("labkit.sheet.sign"), "_check_certificate", lambda *_: None)
        return sign(small_sheet(), old, PASSPHRASE)


def other_stamp(case: Case) -> bytes:
    """The timestamp of another signature, which is a good one of the same authority."""
    again = sign(small_sheet(), case.laboratory.signing_file, PASSPHRASE, timestamps=case.tsa.url)
    token = do.signature(again).signer_info["unsigned_attrs"]
    return _with_unsigned(case.stamped, bytes(token.dump()))


def _with_unsigned(pdf: bytes, attributes: bytes) -> bytes:
    """
    The signature with other attributes that are not signed, or with none; put together by hand, as asn1crypto cannot
    write the type of a timestamp again.
    """
    found = do.signature(pdf)
    start, end = int(found.byte_range[1]) + 1, int(found.byte_range[2]) - 1
    data, info = found.signed_data, found.signer_info
    keys = ("version", "sid", "digest_algorithm", "signed_attrs", "signature_algorithm", "signature")
    signer = wrapped(16, *(bytes(info[key].dump()) for key in keys), attributes)
    parts = ("version", "digest_algorithms", "encap_content_info", "certificates")
    again = signed_data(wrapped(16, *(bytes(data[key].dump()) for key in parts), wrapped(17, signer)))
    return pdf[:start] + again.hex().upper().encode().ljust(end - start, b"0") + pdf[end:]


def longer_gap(case: Case) -> bytes:
    """The signed bytes made fewer: the gap for the signature reaches into the file."""
    found = do.signature(case.once)
    after, rest = int(found.byte_range[2]), int(found.byte_range[3])
    old, new = f"{after} {rest}".encode(), f"{after + 10} {rest - 10}".encode()
    assert case.once.count(old) == 1
    return case.once.replace(old, new.ljust(len(old))[: len(old)])


def xref_trick(case: Case) -> bytes:
    """A second table of places, which leads back to the first and says the same."""
    begin = int(case.once.rsplit(b"startxref", 1)[1].split()[0])
    table = case.once[begin:]
    return case.once + b"\n" + table.replace(b"startxref", b"startxref", 1)


def unsigned_attribute(data: cms.SignedData) -> None:
    attribute = cms.CMSAttribute({"type": "content_type", "values": ["data"]})
    data["signer_infos"][0]["unsigned_attrs"] = cms.CMSAttributes([attribute])


def sha512(data: cms.SignedData) -> None:
    data["signer_infos"][0]["digest_algorithm"] = {"algorithm": "sha512"}


def docmdp_off(writer: IncrementalPdfFileWriter) -> None:
    value = writer.root["/AcroForm"]["/Fields"][0]["/V"]
    del value["/Reference"]
    writer.update_container(value)


FORGED: Final = json.dumps({"schema": "labkit.calibration/1", "note": "wall 9 mm"}).encode()

CHANGED: Final = "changed"
UNKNOWN: Final = "intact, signer not known here"
NOT: Final = "does not recompute"

MATRIX: Final[dict[str, tuple[Callable[[Case], bytes], str, str]]] = {
    # bytes
    "a byte of a page": (lambda c: do.flipped(c.once, do.page_at(c.once)), CHANGED, "signature"),
    "a byte of the record": (lambda c: do.flipped(c.once, do.attachment_at(c.once)), CHANGED, "signature"),
    "a byte of the signature": (
        lambda c: do.flipped(c.once, int(do.signature(c.once).byte_range[1]) + 900), CHANGED, "",
    ),
    "a byte of the padding": (
        lambda c: do.flipped(c.once, int(do.signature(c.once).byte_range[2]) - 9), CHANGED, "added",
    ),
    "a byte of the places": (lambda c: do.flipped(c.once, c.once.rindex(b"startxref") - 30), "", ""),
    "junk after the end": (lambda c: c.once + b"\n% hello\n", CHANGED, "added"),
    "the end cut off": (lambda c: c.once[:-20], "", ""),
    "the second half missing": (lambda c: c.once[: len(c.once) // 2], "verify.not_a_pdf", "no pdf"),
    "encrypted": (
        lambda c: do.rewritten(c.once, encryption=pikepdf.Encryption(owner="o", user="")),
        "verify.encrypted", "encrypted",
    ),
    "written anew": (lambda c: do.rewritten(c.once), CHANGED, ""),
    # updates after signing
    "record replaced": (lambda c: do.update(c.once, do.replace_attachment(FORGED)), CHANGED, ""),
    "record of a sibling": (
        lambda c: do.update(c.once, do.replace_attachment(json.dumps(record_with(another_reading)).encode())), CHANGED, "",
    ),
    "text drawn over": (
        lambda c: do.update(c.once, do.draw(b"BT /F1 12 Tf 100 500 Td (PASS) Tj ET")), CHANGED, "",
    ),
    "whited out": (lambda c: do.update(c.once, do.draw(b"q 1 g 0 0 595 842 re f Q")), CHANGED, ""),
    "content hidden": (lambda c: do.update(c.once, do.hide), CHANGED, ""),
    "content replaced": (lambda c: do.update(c.once, do.replace_page), CHANGED, ""),
    "a page added": (lambda c: do.update(c.once, do.add_page), CHANGED, ""),
    "a note added": (lambda c: do.update(c.once, do.annotate), CHANGED, ""),
    "a signature added": (second_signature, CHANGED, "fields"),
    "another form": (lambda c: do.update(c.once, do.swap_form), "", ""),
    "a second catalog": (lambda c: do.update(c.once, do.second_catalog), CHANGED, ""),
    "a second table of places": (xref_trick, "", ""),
    "Perms taken out": (lambda c: do.update(c.once, do.drop("/Perms")), CHANGED, ""),
    "certification taken out": (lambda c: do.update(c.once, docmdp_off), CHANGED, ""),
    "certification spoilt": (lambda c: c.once.replace(b"/DocMDP", b"/DocMDX"), CHANGED, ""),
    "nothing changed, saved again": (lambda c: do.update(c.once, lambda w: w.update_root()), CHANGED, ""),
    # the signature
    "signature stripped": (
        lambda c: do.rewritten(c.once, lambda p: (p.Root.__delattr__("AcroForm"), p.Root.__delattr__("Perms"))),
        "not a certificate", "unsigned",
    ),
    "gap in the signed bytes": (longer_gap, CHANGED, ""),
    "certificate of another": (lambda c: do.with_certificate(c.once, c.stranger.signing_file), CHANGED, ""),
    "another algorithm": (lambda c: do.with_cms(c.once, sha512), CHANGED, ""),
    "an attribute that is not signed": (lambda c: do.with_cms(c.once, unsigned_attribute), CHANGED, "timestamp"),
    "no certification": (
        lambda c: signed_by_hand(c, small_sheet(), c.laboratory.signing_file, "Signature"), CHANGED, "",
    ),
    # signers
    "a look-alike laboratory": (lambda c: c.stranger.sign(small_sheet()), UNKNOWN, "unknown"),
    "readings edited, signed by another": (
        lambda c: c.stranger.sign(small_sheet(json.dumps(record_with(another_reading)))), UNKNOWN, "unknown",
    ),
    "a signer whose certificate had ended": (by_an_expired_signer, UNKNOWN, "expired"),
    # what a trusted signer was made to sign
    "readings edited": (
        lambda c: c.laboratory.sign(small_sheet(json.dumps(record_with(another_reading)))), NOT, "other result",
    ),
    "number edited in text and data": (
        lambda c: c.laboratory.sign(small_sheet(json.dumps(record_with(another_u)))), NOT, "other result",
    ),
    "number edited in the data alone": (
        lambda c: c.laboratory.sign(small_sheet(json.dumps(record_with(another_u)), printed=real_record()["printed"])),
        NOT, "other result",
    ),
    "number edited in the text alone": (
        lambda c: c.laboratory.sign(small_sheet(printed=printed_with(larger_tolerance))), NOT, "other pages",
    ),
    "decision edited in the text alone": (
        lambda c: c.laboratory.sign(small_sheet(printed=printed_with(another_decision))), NOT, "other pages",
    ),
    # a sheet that waits for approval, and one that is approved
    "approved by whoever calibrated": (
        lambda c: approved_over_the_head(c, c.laboratory.signing_file), "awaiting approval", "own",
    ),
    "approved with a second key of the same person": (
        lambda c: approved_over_the_head(c, make_signer("M. Okonjo", c.laboratory.authority, PASSPHRASE)),
        "awaiting approval", "own",
    ),
    "approved by a stranger": (
        lambda c: approve(c.waiting, make_signer("D. Abara", c.stranger.authority, PASSPHRASE), PASSPHRASE),
        UNKNOWN, "unknown",
    ),
    "approved together with another record": (
        lambda c: approved_over_the_head(c, c.colleague, do.replace_attachment(FORGED)), CHANGED, "",
    ),
    "approved together with a text": (
        lambda c: approved_over_the_head(c, c.colleague, do.draw(b"q 1 g 0 0 595 842 re f Q")), CHANGED, "",
    ),
    "something added while it waits": (lambda c: do.update(c.waiting, do.annotate), CHANGED, ""),
    "the approver's field renamed": (lambda c: do.update(c.waiting, do.rename_field(1, "Witness")), CHANGED, "fields"),
    "the approver's field renamed after": (
        lambda c: do.update(c.twice, do.rename_field(1, "Witness")), CHANGED, "fields",
    ),
    "approval cut off": (lambda c: c.twice[: do.end_of_first(c.twice)], "awaiting approval", "awaiting"),
    "approval taken out": (lambda c: do.update(c.twice, do.unsign(1)), CHANGED, "fields"),
    "first signature taken out after approval": (lambda c: do.update(c.twice, do.unsign(0)), CHANGED, "fields"),
    "something added after approval": (lambda c: do.update(c.twice, do.annotate), CHANGED, ""),
    "a byte of the first revision": (lambda c: do.flipped(c.twice, do.attachment_at(c.twice)), CHANGED, "signature"),
    "certificate of another in the first": (
        lambda c: do.with_certificate(c.waiting, c.stranger.signing_file), CHANGED, "",
    ),
    # timestamps
    "timestamp of another signature": (other_stamp, CHANGED, "timestamp"),
    "timestamp taken out": (lambda c: _with_unsigned(c.stamped, b""), CHANGED, "timestamp"),
    "a byte of the timestamp": (
        lambda c: _with_unsigned(
            c.stamped, do.flipped(bytes(do.signature(c.stamped).signer_info["unsigned_attrs"].dump()), 200)
        ),
        CHANGED, "",
    ),
}  # fmt: skip
"""What is done, the verdict, and a key of `WORDS`; empty where a reader may say one thing or another of it."""

SAFE: Final = ("changed", "not a certificate", "verify.not_a_pdf")


@pytest.mark.parametrize("what", MATRIX)
def test_no_way_to_forge_a_sheet_gives_a_genuine_one(case: Case, what: str) -> None:
    tamper, verdict, words = MATRIX[what]
    forged = tamper(case)
    assert forged not in (case.once, case.twice, case.stamped)
    found, said = case.says(forged)
    assert found == verdict if verdict else found in SAFE, said
    if words:
        assert WORDS[words].partition("{")[0] in said


def test_there_are_enough_ways() -> None:
    assert len(MATRIX) >= 40


def test_a_signer_who_was_withdrawn(case: Case) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization

    from labkit.sheet.identity import open_signing_file

    serial = open_signing_file(case.laboratory.signing_file, PASSPHRASE)[0].serial_number
    earlier = Withdrawn(serial, datetime.now(UTC) - timedelta(days=1), "key lost")
    listed = make_list(case.laboratory.authority, [earlier], 1)
    assert x509.load_pem_x509_crl(listed).public_bytes(serialization.Encoding.PEM) == listed
    for pdf in (case.once, case.twice, case.stamped):
        verdict, said = case.says(pdf, (listed,))
        assert verdict == "signer withdrawn" and WORDS["withdrawn"] in said
    others = make_list(case.stranger.authority, [earlier], 1)
    assert case.says(case.once, (others,))[0] == "genuine", "a list of the same name, made by a stranger"


@pytest.mark.parametrize("which", ["once", "twice", "stamped"])
def test_any_bit_at_a_hundred_places(case: Case, which: str) -> None:
    pdf: bytes = getattr(case, which)
    chance = random.Random(2611)
    start, end = int(do.signature(pdf).byte_range[1]), int(do.signature(pdf).byte_range[2])
    written = start + 1 + 2 * len(bytes(do.signature(pdf).pkcs7_content).rstrip(b"\0"))
    places = [chance.randrange(len(pdf)) for _ in range(60)] + [chance.randrange(start, written) for _ in range(40)]
    assert end > written
    for place in places:
        changed = bytearray(pdf)
        changed[place] ^= 1 << chance.randrange(8)
        verdict, said = case.says(bytes(changed))
        assert verdict in SAFE or verdict.startswith("verify."), f"byte {place}: {verdict}: {said}"
