"""Signing as pages and commands do it: what a sheet needs, sheet and signature in one, and keeping it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, Literal

from labkit.bench.about import About
from labkit.ledger import Actor, Bench, Entry, Place, load_bench, sign_and_keep
from labkit.ledger.waiting import Signing
from labkit.problems import BadInput
from labkit.sheet.house import OURS, House, read_house

NEEDED_TO_SIGN: Final[tuple[tuple[str, Callable[[About], str]], ...]] = (
    ("laboratory.name", lambda about: about.laboratory.name),
    ("customer.name", lambda about: about.customer.name),
    ("rig.name", lambda about: about.rig.name),
    ("rig.gauge.serial", lambda about: about.rig.gauge.serial),
    ("rig.probe.serial", lambda about: about.rig.probe.serial),
    ("rig.target.kind", lambda about: about.rig.target.kind),
    ("procedure", lambda about: about.procedure),
    ("operator", lambda about: about.operator),
)
"""What a certificate cannot do without (ISO/IEC 17025:2017, 7.8.2 and 7.8.4)."""


def check_particulars(about: About) -> None:
    """
    Refuse to sign what does not say enough.

    Raises
    ------
    BadInput
        ``command.about_missing``, with the keys of the file.
    """
    missing = [key for key, value in NEEDED_TO_SIGN if not value(about)]
    if missing:
        raise BadInput("command.about_missing", missing=missing)


def signed_and_kept(
    data: Path, record: Mapping[str, Any], p12: bytes, passphrase: str, form: Literal["full", "summary"] | None = None
) -> Entry:
    """
    Number, sign and keep a record, for a command; in the laboratory's usual form where none is given.

    Raises
    ------
    BadInput, Problem
        See `signed_sheet`, `signer` and `labkit.ledger.sign_and_keep`.
    """
    house = read_house(data)
    if form is not None:
        house = replace(house, form=form)

    def make(place: Place) -> bytes:
        return signed_sheet(record, place, p12, passphrase, house)

    return sign_and_keep(data, record, make, signer(p12, passphrase, load_bench(data)))


def signed_sheet(record: Mapping[str, Any], place: Place, p12: bytes, passphrase: str, house: House = OURS) -> bytes:
    """
    The certificate of a calibration, or the record of a check, signed.

    Parameters
    ----------
    record : mapping
        Of schema ``labkit.calibration/1`` or ``labkit.check/1``.
    place : Place
        The certificate's number, and the end of the ledger's chain that it prints.
    p12 : bytes
        The signer's PKCS#12 file.
    passphrase : str
    house : House
        What the laboratory's sheets have of their own.

    Returns
    -------
    bytes
        The PDF.

    Raises
    ------
    BadInput
        A wrong passphrase, a certificate that does not hold today, or a character that cannot be printed.
    """
    from labkit.sheet import render, sign
    from labkit.sheet.check_content import title_of

    reason = title_of(record, place.number)
    head = (place.head.entries, place.head.hash)
    pdf = render(
        record,
        number=place.number,
        ledger_head=head,
        signed=True,
        to_approve=place.to_approve,
        form=house.form,
        house=house,
    )
    return sign(
        pdf,
        p12,
        passphrase,
        reason=reason,
        zone=record["zone"],
        to_approve=place.to_approve,
        timestamps=place.timestamps,
        withdrawn=place.withdrawn,
    )


def second_signature(pdf: bytes, wants: Signing, p12: bytes, passphrase: str, zone: str) -> bytes:
    """
    The certificate, signed by whoever approves it.

    Parameters
    ----------
    pdf : bytes
        As it was signed by whoever calibrated.
    wants : Signing
        What the laboratory wants of a signature.
    p12 : bytes
        The signing file of whoever approves.
    passphrase, zone : str

    Raises
    ------
    BadInput, Problem
        See `labkit.sheet.sign.approve`.
    """
    from labkit.sheet.sign import approve

    return approve(
        pdf, p12, passphrase, reason="Approved", zone=zone, timestamps=wants.timestamps, withdrawn=wants.withdrawn
    )


def signer(p12: bytes, passphrase: str, bench: Bench) -> Actor:
    """
    Whose signing file this is, shown by its passphrase; with the role that the register gives a person of that name.

    Raises
    ------
    BadInput
        A wrong passphrase, or no signing file.
    """
    from labkit.sheet.identity import open_signing_file
    from labkit.sheet.sign import common_name

    name = common_name(open_signing_file(p12, passphrase)[0])
    person = next((each for each in bench.people if each.name == name), None)
    return Actor(name, person.role if person is not None else "", proven=True)
