"""Shims and their certificates: registered as a set, recertified one by one, each certificate kept with its PDF."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.bench.shims import Shim
from labkit.ledger.bench_rows import shim_subject
from labkit.ledger.canonical import sha256
from labkit.ledger.chain import Writer, writing
from labkit.ledger.keeping import PDF, keep_file
from labkit.ledger.people import Actor
from labkit.ledger.registering import must, next_order
from labkit.ledger.schema import FILE
from labkit.ledger.store import open_store
from labkit.ledger.versions import current, history, newest, put
from labkit.problems import BadInput, Problem

SHIM_CERTIFICATE: Final = "shim-certificate"
LARGEST_PDF: Final = 10_000_000
"""Of a certificate that is kept [bytes]."""


@dataclass(frozen=True)
class ShimCertificate:
    """
    What one certificate says of a shim.

    Attributes
    ----------
    shim : Shim
        As registered with it.
    state, why, who, at : str
        What became of the shim with this state of the register, by whom and when (UTC, ISO 8601 with Z).
    pdf_sha256 : str
        Names the PDF; empty where none was handed in.
    """

    shim: Shim
    state: str
    why: str
    who: str
    at: str
    pdf_sha256: str = ""


def register_shims(
    data: Path, set_name: str, shims: Iterable[Shim], who: Actor, why: str = "", pdf: bytes = b""
) -> int:
    """
    Register shims of a set, or the next certificate of those that are there; all of them, or none.

    A shim that was set aside or withdrawn is in use again with a certificate of another number.

    Parameters
    ----------
    data : Path
    set_name : str
    shims : iterable of Shim
        Of this set. What the set holds besides stays as it is.
    who : Actor
        May register.
    why : str
        Needed where a shim is registered already and changes.
    pdf : bytes
        The certificate that all of them stand on; empty where it is not at hand.

    Returns
    -------
    int
        How many shims have a new state.

    Raises
    ------
    BadInput
        ``register.no_name``, ``register.no_reason``, ``shim.certificate_twice``, ``shim.not_a_pdf``,
        ``shim.pdf_too_large``.
    Problem
        ``door.…``: not allowed.
    """
    must_be_pdf(pdf)
    if not set_name.strip():
        raise BadInput("register.no_name", kind="shim set")
    with writing(data, who) as writer:
        must(writer, "register")
        digest = keep_file(writer, PDF, pdf) if pdf else ""
        before = newest(writer.connection, writer.laboratory, "shim-set", set_name)
        if before is None or before.body["state"] != "in use":
            order = next_order(writer, "shim-set") if before is None else before.body["order"]
            own = {"order": order, "state": "in use", "why": ""}
            put(writer, "shim-set", set_name, {"cautions": [], **own}, why=why)
        return sum(_register(writer, set_name, shim, why, digest) for shim in shims)


def shim_certificates(data: Path, set_name: str, shim: str) -> tuple[ShimCertificate, ...]:
    """Every state of a shim in the register, the last one first, with the PDF of its certificate."""
    name = shim_subject(set_name, shim)
    store = open_store(data)
    with store.reading() as connection:
        kept = {
            each.body["certificate"]: each.body["sha256"]
            for each in current(connection, store.laboratory, (SHIM_CERTIFICATE,))
            if each.body["shim"] == name
        }
        found = []
        for state in history(connection, store.laboratory, "shim", name):
            body = dict(state.body)
            of, why = body.pop("state"), body.pop("why")
            del body["order"]
            made = Shim.from_dict(body)
            found.append(ShimCertificate(made, of, why, state.who, state.at, kept.get(made.certificate, "")))
    return tuple(reversed(found))


def kept_pdf(data: Path, digest: str) -> bytes:
    """
    A PDF that was handed in, by its SHA-256.

    Raises
    ------
    BadInput
        ``shim.no_pdf``.
    Problem
        ``shim.pdf_changed``: it is not what was handed in.
    """
    store = open_store(data)
    with store.reading() as connection:
        content: Any = connection.execute(
            sa.select(FILE.c.content).where(FILE.c.laboratory == store.laboratory, FILE.c.sha256 == digest)
        ).scalar()
    if content is None:
        raise BadInput("shim.no_pdf")
    if sha256(content) != digest:
        raise Problem("shim.pdf_changed")
    return bytes(content)


def must_be_pdf(content: bytes) -> None:
    """
    Go on only with nothing, or with a PDF that can be opened, has a page and is not too large.

    Raises
    ------
    BadInput
        ``shim.pdf_too_large``, ``shim.not_a_pdf``.
    """
    if len(content) > LARGEST_PDF:
        size = -(-len(content) // 1_000_000)
        raise BadInput("shim.pdf_too_large", size=size, limit=LARGEST_PDF // 1_000_000)
    if not content:
        return
    import pikepdf  # only here: most of those who read the ledger never open a PDF

    try:
        with pikepdf.open(BytesIO(content)) as pdf:
            pages = len(pdf.pages)
    except (pikepdf.PdfError, pikepdf.PasswordError, ValueError) as error:
        raise BadInput("shim.not_a_pdf") from error
    if not pages:
        raise BadInput("shim.not_a_pdf")


def _register(writer: Writer, set_name: str, shim: Shim, why: str, digest: str) -> bool:
    name = shim_subject(set_name, shim.name)
    before = newest(writer.connection, writer.laboratory, "shim", name)
    body = {**shim.to_dict(), "set_name": set_name}
    if before is None:
        own = {"order": next_order(writer, "shim"), "state": "in use", "why": ""}
    else:
        own = {key: before.body[key] for key in ("order", "state", "why")}
        if {**body, **own} != dict(before.body) and not why.strip():
            raise BadInput("register.no_reason", name=name)
        recertified = shim.certificate and shim.certificate != before.body["certificate"]
        if recertified and own["state"] != "in use":
            own |= {"state": "in use", "why": ""}
        if not recertified and shim.thickness_mm != before.body["thickness_mm"]:
            raise BadInput("shim.certificate_twice", shim=shim.name, certificate=shim.certificate or "–")
    revision = put(writer, "shim", name, {**body, **own}, "recertified" if before else "", why)
    if digest:
        named = {"shim": name, "certificate": shim.certificate, "sha256": digest}
        put(writer, SHIM_CERTIFICATE, f"{name}/{shim.certificate}", named, "handed in", why)
    return before is None or revision != before.revision
