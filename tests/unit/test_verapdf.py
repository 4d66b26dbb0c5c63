"""Every kind of PDF that labkit makes, judged by veraPDF's engine as an archive (PDF/A-3a) and as accessible (PDF/UA-1)."""

from __future__ import annotations

import copy
import io
from dataclasses import replace
from typing import Any

import pikepdf
import pytest
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

import labkit
from labkit.paths import sample_data
from labkit.sheet import render
from labkit.sheet.card import card
from labkit.sheet.identity import make_signer
from labkit.sheet.label import label
from labkit.sheet.sign import approve, sign
from labkit.sheet.validation_report import render_validation
from labkit.validation import run
from tests.sheets import PASSPHRASE, Laboratory, small_sheet
from tests.verapdf import FLAVOURS, Judgement, judge

HEAD = (7, "ab" * 32)


def hinge_day() -> labkit.Calibration:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=folder / "shims.csv")
    about = labkit.read_about(sample_data() / "about.toml")
    return labkit.calibrate(readings, "polynomial-2", (0.25, 2.5), 0.005, about=about, reason="ours")


def check_of(calibration: labkit.Calibration) -> dict[str, Any]:
    folder = sample_data() / "hinge_day"
    morning = labkit.read_readings(folder / "check.csv", shims=folder / "shims.csv", whole=False)
    conditions = replace(calibration.about.conditions, temperature_start_degC=20.6, temperature_end_degC=None)
    about = replace(calibration.about, conditions=conditions, operator="M. Okonjo")
    check = labkit.take_up(calibration, morning, about=about, certificate="0094", created="2026-11-26T07:16:00Z")
    return check.to_dict()


def spoken(record: dict[str, Any], language: str) -> dict[str, Any]:
    found = copy.deepcopy(record)
    found["inputs"]["about"]["language"] = language
    return found


def without_relationship(pdf: bytes) -> bytes:
    """As an attachment is in an ordinary PDF: nothing says what it is to the document."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        del opened.Root.Names.EmbeddedFiles.Names[1].AFRelationship
        out = io.BytesIO()
        opened.save(out, deterministic_id=True)
    return out.getvalue()


def signed_untagged(pdf: bytes, laboratory: Laboratory) -> bytes:
    """As pyHanko signs by itself: with a visible field that the structure tree does not know."""
    signer = signers.SimpleSigner.load_pkcs12_data(
        laboratory.signing_file, other_certs=[], passphrase=PASSPHRASE.encode()
    )
    assert signer is not None
    meta = signers.PdfSignatureMetadata(field_name="Signature", subfilter=fields.SigSeedSubFilter.PADES)
    place = fields.SigFieldSpec("Signature", box=(60, 60, 200, 90))
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    return signers.PdfSigner(meta, signer, new_field_spec=place).sign_pdf(writer).getvalue()


def signed_twice(pdf: bytes, laboratory: Laboratory) -> bytes:
    once = sign(pdf, laboratory.signing_file, PASSPHRASE, to_approve=True)
    return approve(once, make_signer("T. Virtanen", laboratory.authority, PASSPHRASE), PASSPHRASE)


KINDS = (
    "an unsigned draft",
    "a certificate, signed once",
    "a certificate, signed twice",
    "a check record, signed",
    "a report of the published checks",
    "a gauge label",
    "a correction card",
    "a summary in Ukrainian, signed twice",
    "a draft of a summary in German",
)
CONTROLS = {"an attachment without a relationship": "3a", "a signature that is not tagged": "ua1"}
"""What must not pass, and as what."""


@pytest.fixture(scope="module")
def found(laboratory: Laboratory, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Judgement]:
    made = hinge_day()
    made.monte_carlo()
    record = made.to_dict()
    certificate: dict[str, Any] = {"number": "0119", "ledger_head": HEAD, "signed": True}
    draft = render(record)
    files = (
        draft,
        laboratory.sign(render(record, **certificate)),
        signed_twice(render(record, **certificate, to_approve=True), laboratory),
        laboratory.sign(render(check_of(made), number="0094-09", ledger_head=HEAD, signed=True)),
        render_validation(run(["line"]).to_dict()),
        label(record, "0119"),
        card(record, "0119"),
        signed_twice(render(spoken(record, "uk"), **certificate, to_approve=True, form="summary"), laboratory),
        render(spoken(record, "de"), form="summary"),
    )
    controls = (without_relationship(small_sheet()), signed_untagged(small_sheet(), laboratory))
    everything = dict(zip((*KINDS, *CONTROLS), (*files, *controls), strict=True))
    return judge(everything, tmp_path_factory.mktemp("verapdf"))


@pytest.mark.parametrize("flavour", FLAVOURS)
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_sheet_passes(kind: str, flavour: str, found: dict[tuple[str, str], Judgement]) -> None:
    judged = found[kind, flavour]
    assert judged.passes, judged.broken
    assert judged.assertions > 100


@pytest.mark.parametrize(("kind", "flavour"), CONTROLS.items())
def test_what_is_no_archive_or_not_accessible_does_not_pass(
    kind: str, flavour: str, found: dict[tuple[str, str], Judgement]
) -> None:
    judged = found[kind, flavour]
    assert not judged.passes and judged.assertions > 100 and judged.broken.startswith("{")
