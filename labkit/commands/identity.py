"""The command ``labkit identity``: a signing file under the laboratory's own authority."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

from labkit.commands import DONE
from labkit.commands.passphrase import add_option, passphrase
from labkit.problems import BadInput
from labkit.sheet.identity import (
    AUTHORITY_CERTIFICATE,
    AUTHORITY_KEY,
    Authority,
    fingerprint,
    make_authority,
    make_signer,
    signer_certificate,
)


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "identity",
        help="make a signing file",
        description=(
            "Make a signing file for a person. The laboratory's authority is made the first time, in the folder of "
            f"the signing file: {AUTHORITY_CERTIFICATE} is to hand out, {AUTHORITY_KEY} makes further signers and must "
            "be kept safe. A laboratory that has a certificate authority of its own needs none of this: any PKCS#12 "
            "file (.p12) of a key (RSA or elliptic curve) whose certificate is for signing (key usage "
            "nonRepudiation), with the certificates between it and the root, signs as it is; put it into the folder "
            "'identities' of the data, and the root's certificate into 'trust'."
        ),
    )
    parser.add_argument("name", metavar="NAME", help="the person who signs")
    parser.add_argument("--out", required=True, type=Path, metavar="FILE.p12", help="the signing file to write")
    parser.add_argument("--laboratory", default="", metavar="NAME", help="the laboratory, for a new authority")
    add_option(parser)


def run(args: Namespace) -> int:
    out: Path = args.out
    if out.exists():
        raise BadInput("identity.exists", file=str(out))
    if not out.parent.is_dir():
        raise BadInput("identity.no_folder", folder=str(out.parent))
    authority, is_new = _authority(out.parent, args.laboratory or "Laboratory authority")
    secret = passphrase(args.passphrase_file, new=True)
    signing_file = make_signer(args.name, authority, secret)

    if is_new:
        _write(out.parent / AUTHORITY_CERTIFICATE, authority.certificate_pem)
        _write(out.parent / AUTHORITY_KEY, authority.key_pem)
    _write(out, signing_file)
    certificate = signer_certificate(signing_file, secret)
    print(f"{args.name} can sign with {out}.")
    print(f"Fingerprint of the signer:    {fingerprint(certificate)}")
    print(f"Fingerprint of the authority: {fingerprint(authority.certificate_pem)}")
    print(f"Hand out {out.parent / AUTHORITY_CERTIFICATE}: who has it can verify the sheets.")
    print(f"Keep {out.parent / AUTHORITY_KEY} safe: who has it can make signers.")
    return DONE


def _authority(folder: Path, laboratory: str) -> tuple[Authority, bool]:
    """The authority kept in a folder, or a new one; whether it is new."""
    files = (folder / AUTHORITY_CERTIFICATE, folder / AUTHORITY_KEY)
    there = [file.exists() for file in files]
    if all(there):
        return Authority(*(file.read_bytes() for file in files)), False
    if any(there):
        raise BadInput(
            "identity.half_authority", folder=str(folder), certificate=AUTHORITY_CERTIFICATE, key=AUTHORITY_KEY
        )
    return make_authority(laboratory), True


def _write(file: Path, content: bytes) -> None:
    """Write a new file that its owner alone can read; never over another."""
    try:
        descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        raise BadInput("identity.exists", file=str(file)) from error
    except OSError as error:
        raise BadInput("identity.cannot_write", file=str(file), why=error.strerror or "") from error
    with os.fdopen(descriptor, "wb") as opened:
        opened.write(content)
