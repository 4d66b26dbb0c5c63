"""The password of the dashboards: chosen once, kept as a hash that only its owner can read."""

from __future__ import annotations

import os
import re
import stat
import sys
from getpass import getpass
from pathlib import Path
from typing import Final

from labkit.commands.arguments import read_at_most, write_whole
from labkit.problems import BadInput

VARIABLE: Final = "LABKIT_PASSWORD"
LEAST: Final = 10
"""Characters of a password; common practice, no source."""

_HASH: Final = re.compile(r"argon2:\$argon2id\$[!-~]{20,400}")
_LARGEST: Final = 1000


def password_hash(file: Path) -> str:
    """
    The hash that a password file holds; where there is no file yet, a password is asked for and its hash written.

    Parameters
    ----------
    file : Path

    Returns
    -------
    str
        ``argon2:$argon2id$…``, as `jupyter_server` takes it.

    Raises
    ------
    BadInput
        ``serve.password_…``: others can read the file, it holds something else, or no password can be asked for.
    """
    chosen = os.environ.pop(VARIABLE, "")  # no kernel needs it
    if not file.exists():
        write_whole(file, (_hashed(chosen or _asked(file)) + "\n").encode())
        file.chmod(0o600)
    if os.name == "posix" and file.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise BadInput("serve.password_open", file=str(file), command=f"chmod 600 {file}")
    try:
        found = read_at_most(file, _LARGEST).decode("ascii").strip()
    except (OSError, UnicodeDecodeError):
        found = ""
    if not _HASH.fullmatch(found):
        raise BadInput("serve.password_file", file=str(file))
    return found


def _asked(file: Path) -> str:
    if not sys.stdin.isatty():
        raise BadInput("serve.password_none", file=str(file), variable=VARIABLE)
    found = getpass("A password for the dashboards: ")
    if getpass("The same once more: ") != found:
        raise BadInput("passphrase.differ")
    return found


def _hashed(password: str) -> str:
    if len(password) < LEAST:
        raise BadInput("serve.password_short", least=LEAST)
    from jupyter_server.auth.security import passwd

    return str(passwd(password))  # type: ignore[no-untyped-call]
