"""Signing files under a laboratory's own authority, and the command that makes them."""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec

from labkit.cli import main
from labkit.problems import BadInput
from labkit.sheet.identity import (
    Authority,
    fingerprint,
    make_authority,
    make_signer,
    open_signing_file,
    signer_certificate,
)
from tests.sheets import PASSPHRASE, Laboratory


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    file = tmp_path / "secret"
    file.write_text(f"{PASSPHRASE}\n", encoding="utf-8")
    return file


def test_a_signer_may_sign_documents_and_nothing_else(laboratory: Laboratory) -> None:
    certificate, key, others = open_signing_file(laboratory.signing_file, PASSPHRASE)
    assert isinstance(key.curve, ec.SECP256R1)
    usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    assert usage.digital_signature and usage.content_commitment
    assert not usage.key_cert_sign and not usage.key_agreement
    purposes = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert {purpose.dotted_string for purpose in purposes} == {"1.3.6.1.5.5.7.3.36", "1.3.6.1.5.5.7.3.4"}
    assert not certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    root = x509.load_pem_x509_certificate(laboratory.authority.certificate_pem)
    assert others == [root]
    certificate.verify_directly_issued_by(root)


def test_openssl_accepts_the_chain(laboratory: Laboratory, tmp_path: Path) -> None:
    (tmp_path / "root.pem").write_bytes(laboratory.authority.certificate_pem)
    (tmp_path / "signer.pem").write_bytes(signer_certificate(laboratory.signing_file, PASSPHRASE))
    command = ["openssl", "verify", "-x509_strict", "-CAfile", "root.pem", "-purpose", "smimesign", "signer.pem"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stdout == "signer.pem: OK\n", done.stderr


def test_the_fingerprint_is_that_of_openssl(laboratory: Laboratory) -> None:
    done = subprocess.run(
        ["openssl", "x509", "-noout", "-fingerprint", "-sha256"],
        input=laboratory.authority.certificate_pem,
        capture_output=True,
        check=True,
    )
    openssl = done.stdout.decode().strip().partition("=")[2].replace(":", "").lower()
    assert fingerprint(laboratory.authority.certificate_pem).replace(" ", "") == openssl


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("  ", "identity.no_name"),
        ("x" * 65, "identity.long_name"),
        ("漢", "sheet.character"),
        ("a\nb", "sheet.character"),
    ],
)
def test_a_name_must_fit_a_certificate(laboratory: Laboratory, name: str, code: str) -> None:
    with pytest.raises(BadInput) as caught:
        make_signer(name, laboratory.authority, PASSPHRASE)
    assert caught.value.code == code


def test_an_empty_passphrase_is_refused(laboratory: Laboratory) -> None:
    with pytest.raises(BadInput) as caught:
        make_signer("M. Okonjo", laboratory.authority, "")
    assert caught.value.code == "identity.no_passphrase"


def test_an_authority_of_two_halves_is_refused(laboratory: Laboratory) -> None:
    other = make_authority("Another laboratory")
    for broken in (
        Authority(laboratory.authority.certificate_pem, other.key_pem),
        Authority(laboratory.authority.certificate_pem, b"not a key"),
        Authority(b"not a certificate", other.key_pem),
    ):
        with pytest.raises(BadInput) as caught:
            make_signer("M. Okonjo", broken, PASSPHRASE)
        assert caught.value.code == "identity.authority"


def test_a_signer_holds_from_the_given_time(laboratory: Laboratory) -> None:
    then = datetime(2026, 11, 25, 9, 17, tzinfo=UTC)
    certificate, _, _ = open_signing_file(
        make_signer("D. Abara", laboratory.authority, PASSPHRASE, now=then), PASSPHRASE
    )
    assert certificate.not_valid_before_utc < then < certificate.not_valid_after_utc
    assert certificate.not_valid_after_utc.year == 2029


def test_the_command_makes_an_authority_once(tmp_path: Path, secret: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = tmp_path / "okonjo.p12", tmp_path / "abara.p12"
    assert main(["identity", "M. Okonjo", "--out", str(first), "--passphrase-file", str(secret)]) == 0
    root = (tmp_path / "authority.pem").read_bytes()
    assert main(["identity", "D. Abara", "--out", str(second), "--passphrase-file", str(secret)]) == 0
    assert (tmp_path / "authority.pem").read_bytes() == root
    said = capsys.readouterr().out
    for file in (first, second):
        certificate = signer_certificate(file.read_bytes(), PASSPHRASE)
        x509.load_pem_x509_certificate(certificate).verify_directly_issued_by(x509.load_pem_x509_certificate(root))
        assert fingerprint(certificate) in said
    assert fingerprint(root) in said


def test_only_the_owner_may_read_what_it_writes(tmp_path: Path, secret: Path) -> None:
    main(["identity", "M. Okonjo", "--out", str(tmp_path / "okonjo.p12"), "--passphrase-file", str(secret)])
    modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir() if path != secret}
    assert modes == {"okonjo.p12": 0o600, "authority.pem": 0o600, "authority.key": 0o600}


def test_the_command_never_overwrites(tmp_path: Path, secret: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "okonjo.p12"
    out.write_bytes(b"precious")
    assert main(["identity", "M. Okonjo", "--out", str(out), "--passphrase-file", str(secret)]) == 2
    assert out.read_bytes() == b"precious"
    assert "exists already" in capsys.readouterr().err
    assert not (tmp_path / "authority.pem").exists()


def test_half_an_authority_is_not_replaced(tmp_path: Path, secret: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "authority.pem").write_bytes(b"the other half is elsewhere")
    out = tmp_path / "okonjo.p12"
    assert main(["identity", "M. Okonjo", "--out", str(out), "--passphrase-file", str(secret)]) == 2
    assert "only one of authority.pem and authority.key" in capsys.readouterr().err
    assert not out.exists()


def test_the_passphrase_comes_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABKIT_PASSPHRASE", "from outside")
    out = tmp_path / "okonjo.p12"
    assert main(["identity", "M. Okonjo", "--out", str(out)]) == 0
    open_signing_file(out.read_bytes(), "from outside")


def test_without_a_passphrase_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("LABKIT_PASSPHRASE", raising=False)
    monkeypatch.setattr("sys.stdin.isatty", lambda: False)
    assert main(["identity", "M. Okonjo", "--out", str(tmp_path / "okonjo.p12")]) == 2
    assert "--passphrase-file" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_passphrase_that_is_chosen_is_asked_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed = iter(["one", "another"])
    monkeypatch.delenv("LABKIT_PASSPHRASE", raising=False)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("labkit.commands.passphrase.getpass", lambda _: next(typed))
    assert main(["identity", "M. Okonjo", "--out", str(tmp_path / "okonjo.p12")]) == 2
    assert "not the same" in capsys.readouterr().err
