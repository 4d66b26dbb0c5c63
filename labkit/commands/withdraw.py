"""The command ``labkit withdraw``: from a moment on, nothing is believed that a signer has signed."""

from __future__ import annotations

import getpass
from argparse import ArgumentParser, Namespace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from labkit.commands import DONE
from labkit.commands.arguments import read_at_most, writable_folder, write_whole
from labkit.ledger import Actor
from labkit.ledger.withdrawals import Withdrawal, withdraw_signer, withdrawals
from labkit.messages import sentence
from labkit.paths import data_folder
from labkit.problems import BadInput
from labkit.sheet.identity import AUTHORITY_CERTIFICATE, AUTHORITY_KEY, Authority, fingerprint_of
from labkit.sheet.sign import common_name
from labkit.sheet.withdrawn import LIST, Why, Withdrawn, make_list

if TYPE_CHECKING:
    from cryptography import x509

_LIMIT: Final = 20_000_000
_WHY: Final[dict[str, Why]] = {"left": "left", "key-lost": "key lost"}


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "withdraw",
        help="withdraw a signer who left, or whose key was lost",
        description=(
            "Withdraw a signer: what was signed after the moment is not genuine. The laboratory's authority makes a "
            f"list of all who were withdrawn (an X.509 CRL), {LIST} in the folder trust of the data, to hand out with "
            f"{AUTHORITY_CERTIFICATE}; the ledger keeps who did it, when and why."
        ),
    )
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="the signer's certificate (PEM or DER), or a sheet signed with it",
    )
    parser.add_argument("--signer", default="", metavar="NAME", help="which one, of a sheet that two people signed")
    parser.add_argument("--why", required=True, choices=sorted(_WHY), help="what happened")
    parser.add_argument("--reason", required=True, metavar="TEXT", help="in your words; the ledger keeps it")
    parser.add_argument(
        "--since", default="", metavar="TIME", help="from when on, such as 2026-11-25T09:00Z; default now"
    )
    parser.add_argument(
        "--authority", type=Path, metavar="DIR", help="the folder of the authority; default identities in the data"
    )
    parser.add_argument("--data", type=Path, metavar="DIR", help="the data folder; default the user's own")


def run(args: Namespace) -> int:
    data = writable_folder(data_folder(args.data))
    authority = _authority(args.authority or data / "identities")
    certificate = _certificate(args.file, args.signer)
    found = Withdrawal(
        fingerprint_of(certificate),
        common_name(certificate),
        str(certificate.serial_number),
        f"{_moment(args.since):%Y-%m-%dT%H:%M:%SZ}",
        _WHY[args.why],
        args.reason,
    )
    every = [*withdrawals(data), found]
    crl = make_list(authority, [_listed(each) for each in every], number=len(every))
    withdraw_signer(data, found, crl, Actor(getpass.getuser()))
    writable_folder(data / "trust")
    write_whole(data / "trust" / LIST, crl)
    print(sentence("withdraw.done", {"name": found.name, "since": found.since, "fingerprint": found.fingerprint}))
    print(sentence("withdraw.hand_out", {"file": str(data / "trust" / LIST)}))
    return DONE


def _listed(found: Withdrawal) -> Withdrawn:
    why: Why = "left" if found.why == "left" else "key lost"
    return Withdrawn(int(found.serial), datetime.fromisoformat(found.since), why)


def _authority(folder: Path) -> Authority:
    try:
        return Authority(*((folder / name).read_bytes() for name in (AUTHORITY_CERTIFICATE, AUTHORITY_KEY)))
    except OSError as error:
        raise BadInput("withdraw.no_authority", folder=str(folder)) from error


def _moment(text: str) -> datetime:
    now = datetime.now(UTC)
    if not text:
        return now
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise BadInput("withdraw.since", typed=text) from error
    if moment.tzinfo is None or moment > now:
        raise BadInput("withdraw.since", typed=text)
    return moment.astimezone(UTC)


def _certificate(file: Path, name: str) -> x509.Certificate:
    """The signer's certificate: the file itself, or within a sheet."""
    from cryptography import x509

    try:
        content = read_at_most(file, _LIMIT)
    except OSError as error:
        raise BadInput("verify.no_file", file=str(file)) from error
    if not content.startswith(b"%PDF"):
        try:
            load = x509.load_pem_x509_certificate if b"-----BEGIN" in content else x509.load_der_x509_certificate
            return load(content)
        except ValueError as error:
            raise BadInput("withdraw.file", file=str(file)) from error
    from labkit.sheet.signatures import examine, open_pdf

    try:
        signatures = examine(content, open_pdf(content), [], []).all
    except Exception as error:  # whatever breaks while judging, breaks trust
        raise BadInput("withdraw.file", file=str(file)) from error
    mine = [each for each in signatures if name in ("", each.name)]
    if len(mine) != 1:
        raise BadInput("withdraw.which", names=[each.name for each in signatures])
    return x509.load_der_x509_certificate(mine[0].certificate.dump())
