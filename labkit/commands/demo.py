"""The demo laboratory made ready: its bench, and a signing file for everybody in it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from labkit.ledger import load_bench
from labkit.ledger.demo import fill_if_empty

DEMO_PASSPHRASE: Final = "demo"
"""Of every signing file of the demo laboratory, which proves nothing to anybody."""


def prepare_demo(data: Path) -> None:
    """
    Fill the data folder `data` with the demo laboratory, where it is empty.

    The signing files are under an authority of their own, whose key is thrown away once they are made.
    """
    from labkit.sheet.identity import AUTHORITY_CERTIFICATE, make_authority, make_signer

    fill_if_empty(data)
    bench = load_bench(data)
    folder = data / "identities"
    if folder.exists():
        return
    authority = make_authority(bench.laboratory.name)
    files = {each.identity: make_signer(each.name, authority, DEMO_PASSPHRASE) for each in bench.people}
    folder.mkdir(mode=0o700)
    for name, content in (files | {AUTHORITY_CERTIFICATE: authority.certificate_pem}).items():
        (folder / name).touch(mode=0o600)
        (folder / name).write_bytes(content)
