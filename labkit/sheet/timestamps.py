"""
Timestamps: another authority's word for when a signature was made, asked for only where the laboratory names one.

What is sent is the digest of the signature and nothing else of the sheet.
"""

from __future__ import annotations

import http.client
import urllib.error
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from labkit.problems import BadInput, Problem
from labkit.sheet.identity import fingerprint
from labkit.sheet.off_loop import off_loop

if TYPE_CHECKING:
    from asn1crypto import cms, tsp, x509
    from pyhanko.sign.timestamps import TimeStamper
    from pyhanko.sign.validation.pdf_embedded import EmbeddedPdfSignature

WAIT_S: Final = 20.0
"""For an answer; nobody else takes a number meanwhile."""

_MOST_BYTES: Final = 200_000
"""Of an answer: a token has a few thousand."""


@dataclass(frozen=True)
class Stamp:
    """
    The timestamp of a signature.

    Attributes
    ----------
    at : datetime
        When the signature was there, UTC.
    by, fingerprint : str
        The name in the authority's certificate, and its SHA-256.
    trusted : bool
        Whether that certificate is trusted here for timestamps.
    """

    at: datetime
    by: str
    fingerprint: str
    trusted: bool


class BadStamp(ValueError):
    """A timestamp that does not belong to its signature, or is not as its authority made it."""


def checked_address(url: str) -> str:
    """
    The address of a timestamp authority, as it is asked.

    Raises
    ------
    BadInput
        ``timestamp.address``: it is no address of the web.
    """
    try:
        parts = urlsplit(url.strip())
        fine = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        fine = False
    if not fine or any(each.isspace() for each in url.strip()):
        raise BadInput("timestamp.address", url=url)
    return url.strip()


def authority(url: str) -> TimeStamper:
    """
    What asks the authority at `url` for a timestamp (RFC 3161 over HTTP).

    Its ``Problem``, ``timestamp.unreachable`` or ``timestamp.refused``, ends the signing: nothing is signed then.
    """
    from asn1crypto import tsp
    from pyhanko.sign.timestamps import TimeStamper

    address = checked_address(url)

    class _Authority(TimeStamper):
        async def async_request_tsa_response(self, req: tsp.TimeStampReq) -> tsp.TimeStampResp:
            return tsp.TimeStampResp.load(_post(address, req.dump()), strict=True)

    return _Authority()  # type: ignore[no-untyped-call]


def stamp_of(
    signature: EmbeddedPdfSignature, roots: Sequence[x509.Certificate], known: Sequence[x509.Certificate]
) -> Stamp | None:
    """
    The timestamp that a signature carries; None where it has none.

    Parameters
    ----------
    signature : EmbeddedPdfSignature
    roots : sequence of x509.Certificate
        Trusted for timestamps.
    known : sequence of x509.Certificate
        Intermediate certificates from elsewhere.

    Raises
    ------
    BadStamp
        It belongs to another signature, its own signature does not hold, it is not as an authority writes it, or it
        names an authority that is trusted here and does not stand on it.
    """
    token = token_of(signature.signer_info)
    return None if token is None else _judged(token, signature.signer_info["signature"].native, roots, known)


def token_of(info: cms.SignerInfo) -> cms.ContentInfo | None:
    """The one timestamp among the attributes that are not signed; `BadStamp` where there is anything else."""
    from asn1crypto import core

    attributes = info["unsigned_attrs"]
    if isinstance(attributes, core.Void):
        return None
    if len(attributes) != 1 or attributes[0]["type"].native != "signature_time_stamp_token":
        raise BadStamp("unsigned attributes")
    if len(attributes[0]["values"]) != 1:
        raise BadStamp("several timestamps")
    return attributes[0]["values"][0]


def _judged(
    token: cms.ContentInfo, signature: bytes, roots: Sequence[x509.Certificate], known: Sequence[x509.Certificate]
) -> Stamp:
    import hashlib

    from pyhanko.sign.validation.generic_cms import validate_tst_signed_data
    from pyhanko_certvalidator import ValidationContext

    data = token["content"]
    if token["content_type"].native != "signed_data" or token.dump() != _as_written(data):
        raise BadStamp("form")
    at = data["encap_content_info"]["content"].parsed["gen_time"].native.astimezone(UTC)
    context = ValidationContext(
        trust_roots=list(roots), other_certs=list(known), allow_fetching=False, moment=at, best_signature_time=at
    )

    async def look() -> dict[str, Any]:
        return await validate_tst_signed_data(
            data, context, lambda name: hashlib.new(name.replace("_", "-"), signature).digest()
        )

    import asyncio

    found = off_loop(lambda: asyncio.run(look()))
    if not (found["intact"] and found["valid"]):
        raise BadStamp("signature")
    certificate: x509.Certificate = found["signing_cert"]
    path = found.get("validation_path")
    trusted = bool(path is not None and found.get("trust_problem_indic") is None)
    embedded = [each.chosen for each in data["certificates"]]
    if trusted and path is not None:
        needed = {certificate.dump(), *(each.dump() for each in path)}
        if any(each.dump() not in needed for each in embedded):
            raise BadStamp("certificates")
    elif any(each.issuer == root.subject for each in embedded for root in roots):
        raise BadStamp("authority")
    return Stamp(at, _name(certificate), fingerprint(certificate.dump()), trusted)


def _as_written(data: cms.SignedData) -> bytes:
    """A token put together again from its signed parts: what could be changed there unseen is refused."""
    from asn1crypto import core

    info, certificates = data["signer_infos"][0], [each.chosen for each in data["certificates"]]
    sid = info["sid"]
    mine = [each for each in certificates if _is_of(each, sid)]
    if len(data["signer_infos"]) != 1 or len(mine) != 1 or sid.name != "issuer_and_serial_number":
        raise BadStamp("signers")
    for algorithm in (info["digest_algorithm"], info["signature_algorithm"]):
        plain = isinstance(algorithm["parameters"], core.Void | core.Null)
        if not plain and algorithm["algorithm"].native != "rsassa_pss":
            raise BadStamp("algorithms")
    # put together from its parts by hand: asn1crypto cannot write the type of a timestamp again
    info_again = wrapped(
        16,
        core.Integer(1).dump(),
        _named(mine[0]),
        *(info[key].dump() for key in ("digest_algorithm", "signed_attrs", "signature_algorithm", "signature")),
    )
    signed = wrapped(
        16,
        core.Integer(3).dump(),
        wrapped(17, info["digest_algorithm"].dump()),
        data["encap_content_info"].dump(),
        data["certificates"].dump(),
        wrapped(17, info_again),
    )
    return signed_data(signed)


def wrapped(tag: int, *parts: bytes) -> bytes:
    """A sequence (16) or a set (17) of parts, as DER."""
    from asn1crypto import parser

    return bytes(parser.emit(0, 1, tag, b"".join(parts)))


def signed_data(content: bytes) -> bytes:
    """The DER of signed data, as it stands in a file."""
    from asn1crypto import cms, parser

    kind = cms.ContentType("signed_data").dump()
    return wrapped(16, kind, bytes(parser.emit(2, 1, 0, content)))


def _named(certificate: x509.Certificate) -> bytes:
    """How the certificate of a signer is named."""
    from asn1crypto import cms

    named = cms.IssuerAndSerialNumber({"issuer": certificate.issuer, "serial_number": certificate.serial_number})
    return bytes(named.dump(force=True))


def _is_of(certificate: x509.Certificate, sid: cms.SignerIdentifier) -> bool:
    named = sid.chosen
    return bool(
        sid.name == "issuer_and_serial_number"
        and certificate.issuer == named["issuer"]
        and certificate.serial_number == named["serial_number"].native
    )


def _name(certificate: x509.Certificate) -> str:
    names = certificate.subject.native.get("common_name", "") or certificate.subject.human_friendly
    return names if isinstance(names, str) else ", ".join(names)


def _post(url: str, body: bytes) -> bytes:
    """The answer of an authority; what is not one is a `Problem` that says why nothing was signed."""
    asked = urllib.request.Request(url, body, {"Content-Type": "application/timestamp-query"}, method="POST")
    try:
        with urllib.request.build_opener(_Stay).open(asked, timeout=WAIT_S) as answer:
            content = bytes(answer.read(_MOST_BYTES + 1))
    except (OSError, http.client.HTTPException, ValueError) as error:
        why = getattr(error, "reason", None) or error
        raise Problem("timestamp.unreachable", url=url, why=str(why) or type(error).__name__) from error
    if len(content) > _MOST_BYTES:
        raise Problem("timestamp.refused", url=url, why="it is no timestamp")
    return content


class _Stay(urllib.request.HTTPRedirectHandler):
    """The authority that the laboratory named is asked, and no other to which it points."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None
