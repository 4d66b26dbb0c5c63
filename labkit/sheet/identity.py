"""
Who signs: a laboratory's own authority, and the signers that it vouches for.

A laboratory that has a certificate authority already uses that one; `labkit.sheet.sign` takes any PKCS#12 file.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from labkit.problems import BadInput
from labkit.sheet.typesetting import check_characters

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

AUTHORITY_CERTIFICATE: Final = "authority.pem"
AUTHORITY_KEY: Final = "authority.key"
"""The authority's files, beside the signing files that it vouches for."""

AUTHORITY_YEARS: Final = 20
SIGNER_YEARS: Final = 3
_DOCUMENT_SIGNING: Final = "1.3.6.1.5.5.7.3.36"
_CLOCKS_DIFFER: Final = timedelta(minutes=5)
_NAME_LIMIT: Final = 64


@dataclass(frozen=True)
class Authority:
    """
    A laboratory's certificate authority.

    Attributes
    ----------
    certificate_pem : bytes
        To hand out: whoever holds it can verify the laboratory's sheets.
    key_pem : bytes
        To keep: whoever holds it can make signers. Not encrypted.
    """

    certificate_pem: bytes
    key_pem: bytes


def make_authority(laboratory: str, *, now: datetime | None = None) -> Authority:
    """
    A new authority, good for 20 years.

    Parameters
    ----------
    laboratory : str
        The laboratory's name, up to 64 characters.
    now : datetime, optional
        The time from which it holds; default now.

    Returns
    -------
    Authority

    Raises
    ------
    BadInput
        The name is empty or too long.
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    subject = _subject(laboratory)
    start = now or datetime.now(UTC)
    certificate = _certificate(subject, key.public_key(), subject, key, start, AUTHORITY_YEARS, purposes=())
    return Authority(
        certificate.public_bytes(serialization.Encoding.PEM),
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()),
    )


def make_signer(name: str, authority: Authority, passphrase: str, *, now: datetime | None = None) -> bytes:
    """
    A signing file (PKCS#12) for a person, good for three years.

    Parameters
    ----------
    name : str
        The person, up to 64 characters.
    authority : Authority
        Who vouches for that person.
    passphrase : str
        Opens the file; at least one character.
    now : datetime, optional
        The time from which it holds; default now.

    Returns
    -------
    bytes
        Key (EC P-256), certificate (document signing, e-mail protection) and the authority's certificate.

    Raises
    ------
    BadInput
        The name is empty, too long or not to be printed on a sheet, the passphrase is empty, or the authority's
        two files do not belong together.

    References
    ----------
    RFC 7292 (PKCS#12); RFC 9336 (key purpose of document signing).
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import pkcs12
    from cryptography.x509.oid import ExtendedKeyUsageOID

    if not passphrase:
        raise BadInput("identity.no_passphrase")
    check_characters([("the signer's name", name)])
    root, root_key = certificate_and_key(authority)
    key = ec.generate_private_key(ec.SECP256R1())
    purposes = (x509.ObjectIdentifier(_DOCUMENT_SIGNING), ExtendedKeyUsageOID.EMAIL_PROTECTION)
    certificate = _certificate(
        _subject(name), key.public_key(), root.subject, root_key, now or datetime.now(UTC), SIGNER_YEARS, purposes
    )
    return pkcs12.serialize_key_and_certificates(
        name.encode(), key, certificate, [root], serialization.BestAvailableEncryption(passphrase.encode())
    )


def certificate_and_key(authority: Authority) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """
    An authority's certificate and key, loaded.

    Raises
    ------
    BadInput
        ``identity.authority``: they do not belong together, or one is damaged.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    try:
        root = x509.load_pem_x509_certificate(authority.certificate_pem)
        root_key = serialization.load_pem_private_key(authority.key_pem, password=None)
    except (ValueError, TypeError) as error:
        raise BadInput("identity.authority") from error
    if not isinstance(root_key, ec.EllipticCurvePrivateKey) or root_key.public_key() != root.public_key():
        raise BadInput("identity.authority")
    return root, root_key


def fingerprint(certificate: bytes) -> str:
    """
    The SHA-256 fingerprint of a certificate (PEM or DER), in groups of four for reading aloud.
    """
    from cryptography import x509

    load = x509.load_pem_x509_certificate if b"-----BEGIN" in certificate else x509.load_der_x509_certificate
    return fingerprint_of(load(certificate))


def fingerprint_of(certificate: x509.Certificate) -> str:
    """The same of a certificate that is loaded."""
    from cryptography.hazmat.primitives import hashes

    digits = certificate.fingerprint(hashes.SHA256()).hex()
    return " ".join(digits[i : i + 4] for i in range(0, len(digits), 4))


def signer_certificate(p12: bytes, passphrase: str) -> bytes:
    """
    The signer's certificate (PEM) in a signing file.

    Raises
    ------
    BadInput
        The file is no signing file, or the passphrase does not open it.
    """
    from cryptography.hazmat.primitives import serialization

    certificate, _, _ = open_signing_file(p12, passphrase)
    return certificate.public_bytes(serialization.Encoding.PEM)


def open_signing_file(
    p12: bytes, passphrase: str
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey, list[x509.Certificate]]:
    """
    The certificate, the key and the other certificates of a signing file.

    Raises
    ------
    BadInput
        The file is no signing file, the passphrase does not open it, or there is no key or certificate in it.
    """
    from asn1crypto import pkcs12 as asn1
    from cryptography.hazmat.primitives.serialization import pkcs12

    try:
        # told apart here, because cryptography says the same of a wrong passphrase and of a holiday picture
        asn1.Pfx.load(p12, strict=True)["auth_safe"]["content_type"].native  # noqa: B018
    except (ValueError, TypeError, KeyError) as error:
        raise BadInput("sign.not_a_signing_file") from error
    try:
        key, certificate, others = pkcs12.load_key_and_certificates(p12, passphrase.encode())
    except ValueError as error:
        raise BadInput("sign.wrong_passphrase") from error
    if key is None or certificate is None:
        raise BadInput("sign.not_a_signing_file")
    return certificate, key, others  # type: ignore[return-value]


def _subject(name: str) -> x509.Name:
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    if not name.strip():
        raise BadInput("identity.no_name")
    if len(name) > _NAME_LIMIT:
        raise BadInput("identity.long_name", limit=_NAME_LIMIT, length=len(name))
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _certificate(
    subject: x509.Name,
    public_key: ec.EllipticCurvePublicKey,
    issuer: x509.Name,
    issuer_key: ec.EllipticCurvePrivateKey,
    start: datetime,
    years: int,
    purposes: tuple[x509.ObjectIdentifier, ...],
) -> x509.Certificate:
    """A certificate; an authority's where there are no purposes."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes

    authority = not purposes
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public_key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(start - _CLOCKS_DIFFER)
        .not_valid_after(start + timedelta(days=366 * years))
        .add_extension(x509.BasicConstraints(authority, 0 if authority else None), critical=True)
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
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public_key), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_key.public_key()), critical=False)
    )
    if purposes:
        builder = builder.add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
    return builder.sign(issuer_key, hashes.SHA256())
