"""
Signers whom a laboratory has withdrawn: somebody left, or a key was lost.

The list is an X.509 certificate revocation list, signed by the authority that vouched for the signer, so that other
programs can use it too. What was signed from the moment on that it names is not genuine.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from labkit.problems import BadInput
from labkit.sheet.identity import Authority, certificate_and_key

if TYPE_CHECKING:
    from asn1crypto import x509 as asn1
    from cryptography import x509

LIST: Final = "withdrawn.crl"
"""The laboratory's own list, in the folder ``trust`` of its data: to hand out with the authority's certificate."""

Why = Literal["left", "key lost"]

LIMIT_MB: Final = 20


@dataclass(frozen=True)
class Withdrawn:
    """
    A certificate that is withdrawn.

    Attributes
    ----------
    serial : int
        Its serial number.
    since : datetime
        From when on nothing is to be believed that it signed, UTC.
    why : str
    """

    serial: int
    since: datetime
    why: Why


def make_list(authority: Authority, withdrawn: Iterable[Withdrawn], number: int, now: datetime | None = None) -> bytes:
    """
    The list of everybody whom an authority has withdrawn, as PEM.

    Parameters
    ----------
    authority : Authority
    withdrawn : iterable of Withdrawn
        All of them, those of earlier lists too.
    number : int
        Counted from 1.
    now : datetime, optional

    References
    ----------
    RFC 5280, section 5.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization

    certificate, key = certificate_and_key(authority)
    made = (now or datetime.now(UTC)).replace(microsecond=0)
    flags = {"left": x509.ReasonFlags.affiliation_changed, "key lost": x509.ReasonFlags.key_compromise}
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(certificate.subject)
        .last_update(made)
        # it holds until there is a longer one: nobody in the laboratory makes one each week
        .next_update(max(certificate.not_valid_after_utc, made + timedelta(days=1)))
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(certificate.public_key()), critical=False)  # type: ignore[arg-type]
        .add_extension(x509.CRLNumber(number), critical=False)
    )
    for each in withdrawn:
        builder = builder.add_revoked_certificate(
            x509.RevokedCertificateBuilder()
            .serial_number(each.serial)
            .revocation_date(each.since.astimezone(UTC))
            .add_extension(x509.CRLReason(flags[each.why]), critical=False)
            .build()
        )
    return builder.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def read_list(source: bytes | Path) -> x509.CertificateRevocationList:
    """
    A list, PEM or DER.

    Raises
    ------
    BadInput
        ``verify.list``.
    """
    from cryptography import x509

    name = "what was handed in" if isinstance(source, bytes) else str(source)
    try:
        content = source
        if isinstance(content, Path):
            with content.open("rb") as file:
                content = file.read(LIMIT_MB * 1_000_000)
        load = x509.load_pem_x509_crl if b"-----BEGIN" in content else x509.load_der_x509_crl
        return load(content)
    except (OSError, ValueError, TypeError) as error:
        raise BadInput("verify.list", file=name) from error


def lists_here(data: Path) -> list[Path]:
    """The lists in the folder ``trust`` of a data folder."""
    return [path for path in sorted((data / "trust").glob("*")) if path.suffix == ".crl"]


def since_when(path: Sequence[asn1.Certificate], lists: Iterable[x509.CertificateRevocationList]) -> datetime | None:
    """
    From when on a certificate is withdrawn, or one on the way to it; None where none is.

    Parameters
    ----------
    path : sequence of asn1crypto.x509.Certificate
        From the trusted one to the signer's.
    lists : iterable of CertificateRevocationList
        Each counts only for what its own signer issued.
    """
    from cryptography import x509

    kept = list(lists)
    way = [x509.load_der_x509_certificate(each.dump()) for each in path]
    found = [
        moment
        for issuer, certificate in pairwise(way)
        for each in kept
        if each.issuer == issuer.subject and _is_of(each, issuer)
        for moment in [_moment(each, certificate.serial_number)]
        if moment is not None
    ]
    return min(found, default=None)


def _is_of(found: x509.CertificateRevocationList, issuer: x509.Certificate) -> bool:
    from cryptography import x509

    try:
        usage = issuer.extensions.get_extension_for_class(x509.KeyUsage).value
        return usage.crl_sign and found.is_signature_valid(issuer.public_key())  # type: ignore[arg-type]
    except (x509.ExtensionNotFound, ValueError, TypeError):
        return False


def _moment(found: x509.CertificateRevocationList, serial: int) -> datetime | None:
    """When a serial number was withdrawn; where the list says since when the key is in doubt, then."""
    from cryptography import x509

    revoked = found.get_revoked_certificate_by_serial_number(serial)
    if revoked is None:
        return None
    try:
        doubt = revoked.extensions.get_extension_for_class(x509.InvalidityDate).value.invalidity_date_utc
    except x509.ExtensionNotFound:
        return revoked.revocation_date_utc
    return min(revoked.revocation_date_utc, doubt)
