"""Who is at a page: a name chosen from a list, or a person whom a passphrase or the hub in front has shown."""

from __future__ import annotations

import os
import shlex
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from labkit.ledger import Actor, Bench, Person
from labkit.ledger.attempts import before_passphrase, right_passphrase, wrong_passphrase
from labkit.problems import BadInput, Caution, Problem

HUB_USER: Final = "JUPYTERHUB_USER"
"""Set by a JupyterHub in front of the dashboards, which has asked who it is."""

_PUBLIC: Final = ".pem"
"""How a certificate's file ends; keys end otherwise."""


def sign_in(data: Path, bench: Bench, name: str, passphrase: str) -> Actor:
    """
    The person of that name, shown by the passphrase of their signing file.

    Raises
    ------
    BadInput
        ``door.no_file``: the person has no signing file. ``sign.wrong_passphrase``; ``door.rests`` after too many.
    """
    person = bench.person(name)
    p12 = signing_file(data, person)
    with one_try(data, name):
        from labkit.sheet.identity import open_signing_file

        open_signing_file(p12, passphrase)
    return Actor(name, person.role, proven=True)


def signing_file(data: Path, person: Person) -> bytes:
    """
    The PKCS#12 file of a person; encrypted, as it lies in the data folder.

    Raises
    ------
    BadInput
        ``door.no_file``.
    """
    name = Path(person.identity).name
    file = data / "identities" / name
    if not name or not file.is_file():
        raise BadInput("door.no_file", name=person.name)
    return file.read_bytes()


@contextmanager
def one_try(data: Path, person: str) -> Iterator[None]:
    """Around what tries a passphrase of `person`: wrong ones are counted, and the signing file rests after too many."""
    before_passphrase(data, person)
    try:
        yield
    except BadInput as problem:
        if problem.code == "sign.wrong_passphrase":
            wrong_passphrase(data, person)
        raise
    right_passphrase(data, person)


def hub_person(bench: Bench) -> Actor | None:
    """Whom the hub in front has let in, where there is one and the register knows the account."""
    account = os.environ.get(HUB_USER, "")
    for person in bench.people:
        if account and account == person.account:
            return Actor(person.name, person.role, proven=True)
    return None


def check_closed(data: Path) -> tuple[Caution, ...]:
    """
    Look who else on this machine can read a data folder, before it is served.

    Returns
    -------
    tuple of Caution
        ``serve.open_folder``, where others can look into the folder itself.

    Raises
    ------
    Problem
        ``serve.open_keys``: others can read a signing file or the authority's key.
    """
    if os.name != "posix":
        return ()
    folder = data / "identities"
    keys = sorted(each for each in folder.iterdir() if each.suffix != _PUBLIC) if folder.is_dir() else []
    open_keys = [each for each in keys if _others(each)]
    if open_keys:
        names = [str(each.relative_to(data)) for each in open_keys]
        raise Problem("serve.open_keys", files=names, command=f"chmod -R go-rwx {shlex.quote(str(folder))}")
    if _others(data):
        return (Caution("serve.open_folder", {"folder": str(data), "command": f"chmod 700 {shlex.quote(str(data))}"}),)
    return ()


def _others(place: Path) -> int:
    """What others than the owner may do with a file or a folder."""
    return place.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO)


def chosen(bench: Bench, name: str) -> Actor:
    """A name that was chosen from the list; it proves nothing."""
    person = next((each for each in bench.people if each.name == name), None)
    return Actor(name, person.role if person is not None else "")
