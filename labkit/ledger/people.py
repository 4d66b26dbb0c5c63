"""Who acts, and what their role lets them do: asked by every verb of the ledger, whatever a page shows."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Final, Literal, get_args

from labkit.problems import Problem

Role = Literal["technician", "engineer", "manager", ""]
"""Empty: nobody who is registered."""

ROLES: Final[tuple[str, ...]] = tuple(role for role in get_args(Role) if role)

_EVERYBODY: Final = frozenset(ROLES)
_LEADS: Final = frozenset({"engineer", "manager"})

MAY: Final[dict[str, frozenset[str]]] = {
    "take over": _EVERYBODY,
    "note": _EVERYBODY,
    "approve": _LEADS,
    "amend": _LEADS,
    "override": frozenset({"engineer"}),
    "register": _LEADS,
    "administer": frozenset({"manager"}),
}
"""
What only a person who has signed in may do, and in which role. Recording readings, asking for an approval and setting a
dropped shim aside need no signing in; signing asks for the passphrase of the signing file each time.
"""

_LOG: Final = logging.getLogger(__name__)


@dataclass(frozen=True)
class Actor:
    """
    Who acts.

    Attributes
    ----------
    name : str
        Of a person of the register; for what a command does, of the account on this machine.
    role : str
        One of `ROLES`; empty for somebody who is not registered.
    proven : bool
        Whether a passphrase, or the hub in front, has shown that it is this person; a name that was chosen from a list
        shows nothing.
    """

    name: str
    role: Role = ""
    proven: bool = False

    def may(self, action: str) -> bool:
        """Whether this person may do `action`, a key of `MAY`."""
        return self.proven and self.role in MAY[action]

    def must(self, action: str) -> None:
        """
        Go on only if this person may do `action`.

        Raises
        ------
        Problem
            ``door.sign_in`` or ``door.not_allowed``. It is logged.
        """
        if self.may(action):
            return
        _LOG.warning("refused: %r, %s, wanted to %s", self.name[:80], self.role or "no role", action)
        if not self.proven:
            raise Problem("door.sign_in", action=action)
        raise Problem("door.not_allowed", action=action, role=self.role, roles=sorted(MAY[action]))


SYSTEM: Final = Actor("labkit", "", proven=True)
"""What the program does by itself: bringing in an older data folder."""
