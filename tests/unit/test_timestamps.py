"""Signatures with a timestamp: asked only where an authority is named, believed where it is trusted, said where not."""

from __future__ import annotations

import io
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pikepdf
import pytest
from asn1crypto import cms

from labkit.problems import BadInput, Problem
from labkit.sheet.identity import make_signer
from labkit.sheet.sign import approve, sign
from labkit.sheet.timestamps import checked_address
from labkit.sheet.verify import stampers_here, trusted_here, verify
from tests.sheets import PASSPHRASE, Laboratory, small_sheet
from tests.tsa import Tsa


@pytest.fixture(scope="module")
def tsa(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tsa]:
    found = Tsa(tmp_path_factory.mktemp("tsa"))
    yield found
    found.close()


@pytest.fixture(scope="module")
def stamped(laboratory: Laboratory, tsa: Tsa) -> bytes:
    return sign(small_sheet(), laboratory.signing_file, PASSPHRASE, timestamps=tsa.url)


@pytest.fixture(scope="module")
def twice(laboratory: Laboratory, tsa: Tsa) -> bytes:
    first = sign(small_sheet(), laboratory.signing_file, PASSPHRASE, to_approve=True, timestamps=tsa.url)
    return approve(first, make_signer("D. Abara", laboratory.authority, PASSPHRASE), PASSPHRASE, timestamps=tsa.url)


def test_the_time_of_an_authority_that_is_trusted_here_is_used(
    stamped: bytes, laboratory: Laboratory, tsa: Tsa
) -> None:
    found = verify(stamped, laboratory.trust, stampers=[tsa.root])
    (signed,) = found.signatures
    assert found.genuine and signed.stamp_trusted
    assert (signed.stamped_by, signed.stamped[:10]) == ("Larkfield Time", signed.at[:10])
    assert "which is trusted here" in str(found.remarks[0])


def test_an_authority_that_is_not_known_here_is_said(stamped: bytes, laboratory: Laboratory) -> None:
    found = verify(stamped, laboratory.trust)
    assert found.genuine and not found.signatures[0].stamp_trusted and found.signatures[0].stamped
    assert "the time is the signer's own" in str(found.remarks[0])


def test_a_timestamp_authority_signs_nothing_else(
    stamped: bytes, laboratory: Laboratory, tsa: Tsa, tmp_path: Path
) -> None:
    """Its certificate is trusted for timestamps alone: a folder tells both kinds apart."""
    assert verify(stamped, [], stampers=[tsa.root, *laboratory.trust]).verdict == "intact, signer not known here"
    (tmp_path / "trust").mkdir()
    (tmp_path / "trust" / "time.tsa.pem").write_bytes(tsa.root)
    (tmp_path / "trust" / "larkfield.pem").write_bytes(laboratory.trust[0])
    assert [path.name for path in trusted_here(tmp_path)] == ["larkfield.pem"]
    assert [path.name for path in stampers_here(tmp_path)] == ["time.tsa.pem"]


def test_two_signatures_with_two_timestamps(twice: bytes, laboratory: Laboratory, tsa: Tsa) -> None:
    found = verify(twice, laboratory.trust, stampers=[tsa.root])
    assert found.genuine and [each.stamp_trusted for each in found.signatures] == [True, True]
    assert [each.role for each in found.signatures] == ["calibrated", "approved"]


def test_nobody_is_asked_unless_an_address_is_given(laboratory: Laboratory, tsa: Tsa) -> None:
    before = tsa.asked
    found = verify(sign(small_sheet(), laboratory.signing_file, PASSPHRASE), laboratory.trust, stampers=[tsa.root])
    assert tsa.asked == before and found.genuine and found.signatures[0].stamped == "" and found.remarks == ()


def test_an_authority_that_cannot_be_reached_is_said(laboratory: Laboratory) -> None:
    with pytest.raises(Problem) as caught:
        sign(small_sheet(), laboratory.signing_file, PASSPHRASE, timestamps="http://127.0.0.1:9/tsa")
    assert caught.value.code == "timestamp.unreachable" and "Nothing was signed" in str(caught.value)


@pytest.mark.parametrize("answer", [b"", b"<html>", b"0" * 300_000, "another"], ids=["empty", "page", "long", "replay"])
def test_what_is_no_timestamp_for_this_signature_is_refused(
    laboratory: Laboratory, stamped: bytes, tmp_path: Path, answer: bytes | str
) -> None:
    other = Tsa(tmp_path)
    try:
        if answer == "another":  # what it once answered, given again
            sign(small_sheet(), laboratory.signing_file, PASSPHRASE, timestamps=other.url)
            answer = (tmp_path / "reply").read_bytes()
        assert isinstance(answer, bytes)
        other.answer = answer
        with pytest.raises(Problem) as caught:
            sign(small_sheet(), laboratory.signing_file, PASSPHRASE, timestamps=other.url)
    finally:
        other.close()
    assert caught.value.code == "timestamp.refused" and str(caught.value)


@pytest.mark.parametrize(
    "url", ["", "tsa.example", "ftp://tsa.example/", "http://", "http://a b/", "file:///etc/passwd"]
)
def test_what_is_no_address(url: str) -> None:
    with pytest.raises(BadInput) as caught:
        checked_address(url)
    assert caught.value.code == "timestamp.address"


# ---- witnesses from outside ----


def contents(pdf: bytes, which: int) -> tuple[bytes, bytes]:
    """A signature, and the bytes that it signs."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        value = opened.Root.AcroForm.Fields[which].V
        start, length, end, rest = (int(each) for each in value.ByteRange)
        return bytes(value.Contents).rstrip(b"\0"), pdf[start : start + length] + pdf[end : end + rest]


def run(folder: Path, *command: str) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.parametrize("which", ["stamped", "twice"])
def test_poppler_and_qpdf_agree(request: pytest.FixtureRequest, tmp_path: Path, which: str) -> None:
    pdf: bytes = request.getfixturevalue(which)
    (tmp_path / "sheet.pdf").write_bytes(pdf)
    count = 2 if which == "twice" else 1
    said = subprocess.run(
        ["pdfsig", "-nocert", "sheet.pdf"], cwd=tmp_path, capture_output=True, text=True, check=False
    ).stdout
    assert said.count("Signature is Valid") == said.count("ETSI.CAdES.detached") == count
    assert said.count("Total document signed") == 1, "the last one covers the file"
    run(tmp_path, "qpdf", "--check", "sheet.pdf")


@pytest.mark.parametrize(("which", "field"), [("stamped", 0), ("twice", 0), ("twice", 1)])
def test_openssl_accepts_signature_and_timestamp(
    request: pytest.FixtureRequest, laboratory: Laboratory, tsa: Tsa, tmp_path: Path, which: str, field: int
) -> None:
    pdf: bytes = request.getfixturevalue(which)
    raw, content = contents(pdf, field)
    (tmp_path / "signature.der").write_bytes(raw)
    (tmp_path / "content").write_bytes(content)
    (tmp_path / "root.pem").write_bytes(laboratory.trust[0])
    (tmp_path / "tsa.pem").write_bytes(tsa.root)
    command = ["openssl", "cms", "-verify", "-cades", "-binary", "-inform", "DER", "-in", "signature.der"]
    run(tmp_path, *command, "-content", "content", "-CAfile", "root.pem", "-purpose", "any", "-out", "/dev/null")
    info = cms.ContentInfo.load(raw)["content"]["signer_infos"][0]
    (tmp_path / "token").write_bytes(info["unsigned_attrs"][0]["values"][0].dump())
    (tmp_path / "value").write_bytes(info["signature"].native)
    command = ["openssl", "ts", "-verify", "-token_in", "-in", "token", "-data", "value", "-CAfile", "tsa.pem"]
    assert "Verification: OK" in run(tmp_path, *command)
