"""Signers who were withdrawn: what they signed afterwards is not genuine, and what proves that it was before."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from labkit.cli import main
from labkit.ledger import check, export, find, load_bench, save_bench, sign_and_keep
from labkit.ledger.demo import demo_bench
from labkit.ledger.people import Actor
from labkit.ledger.withdrawals import Withdrawal, kept_lists, withdraw_signer, withdrawals
from labkit.problems import BadInput
from labkit.sheet.identity import fingerprint_of, make_signer, open_signing_file
from labkit.sheet.sign import approve, sign
from labkit.sheet.verify import verify
from labkit.sheet.withdrawn import LIST, Withdrawn, make_list, read_list
from labkit.workflow.door import signing_file
from labkit.workflow.record_look import judge
from tests.sheets import PASSPHRASE, Laboratory, real_record, small_sheet
from tests.tsa import Tsa

HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def tsa(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tsa]:
    found = Tsa(tmp_path_factory.mktemp("tsa"))
    yield found
    found.close()


def serial_of(p12: bytes) -> int:
    return open_signing_file(p12, PASSPHRASE)[0].serial_number


def a_list(laboratory: Laboratory, since: datetime, p12: bytes | None = None) -> bytes:
    return make_list(laboratory.authority, [Withdrawn(serial_of(p12 or laboratory.signing_file), since, "key lost")], 1)


def test_what_was_signed_after_the_moment_is_not_genuine(laboratory: Laboratory) -> None:
    found = verify(laboratory.signed, laboratory.trust, lists=[a_list(laboratory, datetime.now(UTC) - HOUR)])
    assert (found.verdict, found.record) == ("signer withdrawn", None)
    assert "who was withdrawn as a signer on" in str(found) and "Do not use it." in str(found)


def test_the_signers_own_clock_proves_nothing_and_that_is_said(laboratory: Laboratory) -> None:
    since = datetime.now(UTC) + HOUR
    found = verify(laboratory.signed, laboratory.trust, lists=[a_list(laboratory, since)])
    assert (found.verdict, found.reason.code) == ("signer withdrawn", "verify.withdrawn_unproven")
    assert "by the signer's own clock alone" in str(found)
    known = verify(
        laboratory.signed, laboratory.trust, lists=[a_list(laboratory, since)], known_since=datetime.now(UTC)
    )
    assert known.genuine and "it was signed before" in str(known.remarks[0])
    late = verify(laboratory.signed, laboratory.trust, lists=[a_list(laboratory, since)], known_since=since + HOUR)
    assert (late.verdict, late.reason.code) == ("signer withdrawn", "verify.withdrawn")


def test_a_timestamp_proves_it_where_it_is_trusted(laboratory: Laboratory, tsa: Tsa) -> None:
    stamped = sign(small_sheet(), laboratory.signing_file, PASSPHRASE, timestamps=tsa.url)
    lists = [a_list(laboratory, datetime.now(UTC) + HOUR)]
    assert verify(stamped, laboratory.trust, stampers=[tsa.root], lists=lists).genuine
    assert verify(stamped, laboratory.trust, lists=lists).reason.code == "verify.withdrawn_unproven"


def test_the_approvers_timestamp_proves_the_first_signature_too(laboratory: Laboratory, tsa: Tsa) -> None:
    colleague = make_signer("D. Abara", laboratory.authority, PASSPHRASE)
    first = sign(small_sheet(), laboratory.signing_file, PASSPHRASE, to_approve=True)
    twice = approve(first, colleague, PASSPHRASE, timestamps=tsa.url)
    soon = datetime.now(UTC) + HOUR
    for p12 in (laboratory.signing_file, colleague):
        assert verify(twice, laboratory.trust, stampers=[tsa.root], lists=[a_list(laboratory, soon, p12)]).genuine
    past = a_list(laboratory, datetime.now(UTC) - HOUR, colleague)
    found = verify(twice, laboratory.trust, stampers=[tsa.root], lists=[past])
    assert found.verdict == "signer withdrawn" and "D. Abara" in str(found)


def test_a_list_counts_only_where_its_own_authority_signed_it(laboratory: Laboratory, stranger: Laboratory) -> None:
    past = datetime.now(UTC) - HOUR
    forged = make_list(stranger.authority, [Withdrawn(serial_of(laboratory.signing_file), past, "left")], 1)
    assert verify(laboratory.signed, laboratory.trust, lists=[forged]).genuine
    another = make_list(laboratory.authority, [Withdrawn(7, past, "left")], 1)
    assert verify(laboratory.signed, laboratory.trust, lists=[another]).genuine
    for content in (b"", b"hello", b"-----BEGIN X509 CRL-----\nAAAA\n-----END X509 CRL-----\n"):
        with pytest.raises(BadInput) as caught:
            verify(laboratory.signed, laboratory.trust, lists=[content])
        assert caught.value.code == "verify.list"


def test_openssl_reads_the_list(laboratory: Laboratory, tmp_path: Path) -> None:
    (tmp_path / "list.crl").write_bytes(a_list(laboratory, datetime.now(UTC) - HOUR))
    (tmp_path / "root.pem").write_bytes(laboratory.trust[0])
    certificate = open_signing_file(laboratory.signing_file, PASSPHRASE)[0]
    (tmp_path / "signer.pem").write_bytes(certificate.public_bytes(Encoding.PEM))
    command = ["openssl", "verify", "-CAfile", "root.pem", "-crl_check", "-CRLfile", "list.crl", "signer.pem"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode != 0 and "certificate revoked" in done.stdout + done.stderr


# ---- in a laboratory ----


@pytest.fixture
def demo(tmp_path: Path, laboratory: Laboratory) -> Path:
    """A data folder with the laboratory's own authority and one signing file."""
    data, bench = tmp_path / "laboratory", demo_bench()
    folder = data / "identities"
    folder.mkdir(parents=True)
    (folder / "authority.pem").write_bytes(laboratory.authority.certificate_pem)
    (folder / "authority.key").write_bytes(laboratory.authority.key_pem)
    (folder / bench.person("M. Okonjo").identity).write_bytes(laboratory.signing_file)
    save_bench(data, bench)
    return data


def sign_one(data: Path) -> bytes:
    record = real_record() | {"id": ""}
    p12 = signing_file(data, load_bench(data).person("M. Okonjo"))
    entry = sign_and_keep(
        data,
        record,
        lambda place: sign(small_sheet(json.dumps(record)), p12, PASSPHRASE, withdrawn=place.withdrawn),
        Actor("M. Okonjo", "technician", proven=True),
    )
    return entry.pdf


def test_the_command_withdraws_and_the_ledger_knows_who_and_why(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pdf = sign_one(demo)
    time.sleep(1.1)  # a list counts whole seconds: within one, the withdrawal came first
    file = tmp_path / "0001.pdf"
    file.write_bytes(pdf)
    command = ["withdraw", str(file), "--why", "key-lost", "--reason", "laptop stolen", "--data", str(demo)]
    assert main([*command, "--since", "tomorrow"]) == 2
    assert main(command) == 0
    assert "M. Okonjo is withdrawn as a signer" in capsys.readouterr().out
    (found,) = withdrawals(demo)
    assert (found.name, found.why, found.reason) == ("M. Okonjo", "key lost", "laptop stolen")
    kept = (demo / "trust" / LIST).read_bytes()
    assert kept_lists(demo) == (kept,) and len(list(read_list(kept))) == 1
    assert check(demo).whole
    assert main(command) == 2
    assert "was withdrawn already" in capsys.readouterr().err

    with pytest.raises(BadInput) as caught:
        sign_one(demo)
    assert caught.value.code == "sign.withdrawn"
    with pytest.raises(BadInput):
        find(demo, "0002")

    judged = judge(demo, pdf)
    assert judged.state == "ok", "the ledger held it before"
    assert judged.verdict is not None and judged.verdict.remarks[0].code == "verify.withdrawn_later"
    elsewhere = ["--trust", str(demo / "identities" / "authority.pem"), "--data", str(tmp_path / "nowhere")]
    assert main(["verify", str(file), *elsewhere, "--crl", str(demo / "trust" / LIST)]) == 3
    assert "by the signer's own clock alone" in capsys.readouterr().out
    export(demo, tmp_path / "all")
    assert (tmp_path / "all" / "trust" / LIST).read_bytes() == kept
    (demo / "trust" / LIST).unlink()
    assert judge(demo, pdf).verdict == judged.verdict, "the ledger keeps the list too"


def test_only_the_authoritys_list_is_written_down(demo: Path, laboratory: Laboratory, stranger: Laboratory) -> None:
    certificate = open_signing_file(laboratory.signing_file, PASSPHRASE)[0]
    found = Withdrawal(
        fingerprint_of(certificate), "M. Okonjo", str(certificate.serial_number), "2026-11-25T09:00:00Z", "left", "left"
    )
    forged = make_list(stranger.authority, [Withdrawn(certificate.serial_number, datetime.now(UTC), "left")], 1)
    with pytest.raises(BadInput) as caught:
        withdraw_signer(demo, found, forged, Actor("somebody"))
    assert caught.value.code == "withdraw.list" and withdrawals(demo) == ()
    assert x509.load_pem_x509_crl(forged).issuer == x509.load_pem_x509_certificate(laboratory.trust[0]).subject
