"""`labkit serve --demo` has a laboratory, and everybody in it can sign."""

import pytest

from labkit.commands.demo import DEMO_PASSPHRASE, prepare_demo
from labkit.ledger import load_bench
from labkit.problems import Problem
from labkit.sheet.identity import signer_certificate


def test_everybody_can_sign(tmp_path):
    prepare_demo(tmp_path)
    for person in load_bench(tmp_path).people:
        signing_file = (tmp_path / "identities" / person.identity).read_bytes()
        assert signer_certificate(signing_file, DEMO_PASSPHRASE).startswith(b"-----BEGIN CERTIFICATE-----")
        with pytest.raises(Problem):
            signer_certificate(signing_file, "another")


def test_the_next_start_changes_nothing(tmp_path):
    prepare_demo(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    prepare_demo(tmp_path)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
