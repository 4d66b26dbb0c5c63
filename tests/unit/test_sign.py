"""Signing a sheet, and what outside witnesses say of the signature."""

from __future__ import annotations

import io
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pikepdf
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID

from labkit.cli import main
from labkit.problems import BadInput
from labkit.sheet.identity import make_signer
from labkit.sheet.sign import sign
from labkit.sheet.verify import trusted_here, verify
from tests.printed import layout
from tests.sheets import PASSPHRASE, Laboratory, real_record, small_sheet


def test_a_signed_sheet_is_genuine(laboratory: Laboratory) -> None:
    start = datetime.now(UTC)
    found = verify(laboratory.sign(small_sheet()), laboratory.trust)
    assert found.verdict == "genuine"
    assert found.signer == "M. Okonjo"
    assert found.number == "0119"
    assert found.record == real_record()
    assert start - timedelta(seconds=1) < datetime.fromisoformat(found.signed_at) <= datetime.now(UTC)  # whole seconds
    assert str(found) == "Genuine: signed by M. Okonjo, unchanged since, and its numbers recompute."


def test_poppler_and_qpdf_agree(laboratory: Laboratory, tmp_path: Path) -> None:
    file = tmp_path / "sheet.pdf"
    file.write_bytes(laboratory.signed)
    said = subprocess.run(["pdfsig", "-nocert", str(file)], capture_output=True, text=True, check=False).stdout
    assert "Signature is Valid" in said
    assert "Total document signed" in said
    assert "ETSI.CAdES.detached" in said
    assert said.count("Signature #") == 1
    checked = subprocess.run(["qpdf", "--check", str(file)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_openssl_accepts_the_signature_of_the_bytes(laboratory: Laboratory, tmp_path: Path) -> None:
    pdf = laboratory.signed
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        value = opened.Root.AcroForm.Fields[0].V
        start, length, end, rest = (int(each) for each in value.ByteRange)
        (tmp_path / "signature.der").write_bytes(bytes(value.Contents).rstrip(b"\0"))
    (tmp_path / "content").write_bytes(pdf[start : start + length] + pdf[end : end + rest])
    (tmp_path / "root.pem").write_bytes(laboratory.authority.certificate_pem)
    command = ["openssl", "cms", "-verify", "-cades", "-binary", "-inform", "DER", "-in", "signature.der"]
    command += ["-content", "content", "-CAfile", "root.pem", "-purpose", "any", "-out", "/dev/null"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_signature_field_is_tagged_for_screen_readers(laboratory: Laboratory) -> None:
    with pikepdf.open(io.BytesIO(laboratory.signed)) as pdf:
        widget = pdf.Root.AcroForm.Fields[0]
        assert str(widget.TU) == "Signature of M. Okonjo"
        element = pikepdf.NumberTree(pdf.Root.StructTreeRoot.ParentTree)[int(widget.StructParent)]
        assert element.S == "/Form"
        assert element.K.Obj.objgen == widget.objgen
        assert pdf.pages[0].Tabs == "/S"
        assert pdf.Root.Perms.DocMDP.objgen == widget.V.objgen


def test_the_signer_and_the_local_time_stand_in_the_field(laboratory: Laboratory) -> None:
    said = layout(laboratory.signed)
    assert "M. Okonjo" in said
    assert "(Europe/London)" in said


def test_a_long_name_stays_in_the_field() -> None:
    name = "Wilhelmina Wetherington-Wolverhampton, Moulding Laboratory, Wing"
    assert len(name) == 64
    said = layout(Laboratory.found(signer=name).signed)
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    assert name in lines
    assert any(line.startswith("Signed electronically") for line in lines)


def test_a_wrong_passphrase_is_said(laboratory: Laboratory) -> None:
    with pytest.raises(BadInput) as caught:
        sign(small_sheet(), laboratory.signing_file, "guess")
    assert str(caught.value) == "That passphrase does not open your signing file."


@pytest.mark.parametrize("file", [b"", b"%PDF-1.7", b"\x30\x03\x02\x01\x05"])
def test_what_is_no_signing_file_is_said(file: bytes) -> None:
    with pytest.raises(BadInput) as caught:
        sign(small_sheet(), file, PASSPHRASE)
    assert caught.value.code == "sign.not_a_signing_file"


@pytest.mark.parametrize(
    ("now", "code"),
    [
        (datetime.now(UTC) - timedelta(days=5000), "sign.expired"),
        (datetime.now(UTC) + timedelta(days=30), "sign.not_yet_valid"),
    ],
)
def test_a_certificate_must_hold_today(laboratory: Laboratory, now: datetime, code: str) -> None:
    signing_file = make_signer("M. Okonjo", laboratory.authority, PASSPHRASE, now=now)
    with pytest.raises(BadInput) as caught:
        sign(small_sheet(), signing_file, PASSPHRASE)
    assert caught.value.code == code


def test_a_certificate_for_something_else_does_not_sign(laboratory: Laboratory) -> None:
    from labkit.sheet.identity import make_authority

    authority = make_authority("Not a person")
    root = x509.load_pem_x509_certificate(authority.certificate_pem)
    key = serialization.load_pem_private_key(authority.key_pem, None)
    file = pkcs12.serialize_key_and_certificates(
        b"root", key, root, None, serialization.BestAvailableEncryption(PASSPHRASE.encode())
    )
    with pytest.raises(BadInput) as caught:
        sign(small_sheet(), file, PASSPHRASE)
    assert caught.value.code == "sign.not_for_signing"


def test_a_sheet_is_signed_once(laboratory: Laboratory) -> None:
    with pytest.raises(BadInput) as caught:
        laboratory.sign(laboratory.signed)
    assert caught.value.code == "sign.already_signed"


@pytest.mark.parametrize("pdf", [b"", b"%PDF-1.7\n", b"hello"])
def test_only_a_sheet_is_signed(laboratory: Laboratory, pdf: bytes) -> None:
    with pytest.raises(BadInput) as caught:
        laboratory.sign(pdf)
    assert caught.value.code == "sign.not_a_sheet"


def test_a_laboratory_may_bring_its_own_authority() -> None:
    """RSA keys and an authority between the root and the signer, as a company's own authority has them."""
    root, root_key = _issue("Company root", None, None)
    middle, middle_key = _issue("Company issuing authority", root, root_key)
    signer, signer_key = _issue("S. Whitby", middle, middle_key, authority=False)
    file = pkcs12.serialize_key_and_certificates(
        b"s", signer_key, signer, [middle, root], serialization.BestAvailableEncryption(PASSPHRASE.encode())
    )
    signed = sign(small_sheet(), file, PASSPHRASE)
    found = verify(signed, [root.public_bytes(serialization.Encoding.PEM)])
    assert (found.verdict, found.signer) == ("genuine", "S. Whitby")


def test_trust_may_be_the_signer_alone_or_a_file(laboratory: Laboratory, tmp_path: Path) -> None:
    from labkit.sheet.identity import signer_certificate

    alone = signer_certificate(laboratory.signing_file, PASSPHRASE)
    assert verify(laboratory.signed, [alone]).verdict == "genuine"
    (tmp_path / "identities").mkdir()
    (tmp_path / "trust").mkdir()
    assert trusted_here(tmp_path) == []
    (tmp_path / "trust" / "larkfield.pem").write_bytes(laboratory.authority.certificate_pem)
    assert verify(laboratory.signed, trusted_here(tmp_path)).verdict == "genuine"


def test_what_is_no_certificate_is_not_trusted(laboratory: Laboratory) -> None:
    for content in (b"", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", b"\x30\x00"):
        with pytest.raises(BadInput) as caught:
            verify(laboratory.signed, [content])
        assert caught.value.code == "verify.trust"


def test_the_exit_codes_of_the_command(
    laboratory: Laboratory, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trust = tmp_path / "authority.pem"
    trust.write_bytes(laboratory.authority.certificate_pem)
    nobody = tmp_path / "empty"
    files = {
        "genuine": laboratory.signed,
        "changed": laboratory.signed + b"\n",
        "unsigned": small_sheet(),
        "newer": laboratory.sign(small_sheet('{"schema": "labkit.calibration/2"}')),
        "text": b"This is not a PDF.",
    }
    codes = {}
    for name, content in files.items():
        file = tmp_path / f"{name}.pdf"
        file.write_bytes(content)
        codes[name] = main(["verify", str(file), "--trust", str(trust), "--data", str(nobody)])
    assert codes == {"genuine": 0, "changed": 3, "unsigned": 3, "newer": 3, "text": 2}
    capsys.readouterr()

    assert main(["verify", str(tmp_path / "genuine.pdf"), "--data", str(nobody)]) == 3
    said = capsys.readouterr().out
    assert "not known here" in said
    assert verify(laboratory.signed, []).fingerprint in said
    assert "by telephone" in said
    assert main(["verify", str(tmp_path / "missing.pdf")]) == 2


def _issue(
    name: str, issuer: x509.Certificate | None, issuer_key: rsa.RSAPrivateKey | None, authority: bool = True
) -> tuple[x509.Certificate, rsa.RSAPrivateKey]:
    key = rsa.generate_private_key(65537, 2048)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(days=30))
        .add_extension(x509.BasicConstraints(authority, None), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=not authority,
                content_commitment=not authority,
                key_encipherment=False,
                data_encipherment=False,
                key_agreement=False,
                key_cert_sign=authority,
                crl_sign=authority,
                encipher_only=False,
                decipher_only=False,
            ),
            critical=True,
        )
        .sign(issuer_key or key, hashes.SHA256())
    )
    return certificate, key
