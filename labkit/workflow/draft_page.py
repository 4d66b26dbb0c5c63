"""What every page with a draft does: keep it after each change, give way to a newer one, and sign."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar, Final

import traitlets as T

from labkit import ledger
from labkit.ledger import Bench
from labkit.problems import BadInput, Problem
from labkit.workflow.signing import Tries

SCHEMA: Final = "labkit.draft/1"

MakePdf = Callable[[dict[str, Any], str, bytes, str], bytes]
"""From record, number, signing file and passphrase to the signed PDF."""


class DraftPage(T.HasTraits):
    """
    One draft, kept in the data folder.

    Parameters
    ----------
    data : Path
        The laboratory's data folder.
    now : callable
        The time, UTC, ISO 8601 with Z.

    Attributes
    ----------
    version : int
        Grows with every change of what was typed, decided or computed.
    problem : Problem or None
        Why there is no result, or why the page may only be looked at.
    saved, not_saved_since : str
        When the draft was saved; since when it could not be (both UTC, empty where not).
    read_only : bool
        Another tab went on with this draft, or it is signed: every verb then leaves it as it is.
    number : str
        The certificate's number, once it is signed.
    fault : Exception or None
        A fault of ours, to be reported.
    """

    PAGE: ClassVar[str]

    version = T.Int(0)
    problem = T.Instance(Problem, allow_none=True)
    saved = T.Unicode("")
    not_saved_since = T.Unicode("")
    read_only = T.Bool(False)
    number = T.Unicode("")
    fault = T.Any(None)

    id: str
    revision: int
    person: str
    begun: str
    bench: Bench

    def __init__(self, data: Path, now: Callable[[], str]) -> None:
        super().__init__()
        self.data = data
        self._now = now
        self._tries = Tries()

    # ---- what a page fills in ----

    def get_state(self) -> dict[str, Any]:
        """The draft, as JSON."""
        return {
            "schema": SCHEMA,
            "id": self.id,
            "revision": self.revision,
            "page": self.PAGE,
            "person": self.person,
            "begun": self.begun,
            "number": self.number,
        }

    def record(self) -> dict[str, Any]:
        """
        What is to be signed.

        Raises
        ------
        BadInput
            Something still stands in the way.
        """
        raise NotImplementedError

    def _set_state(self, draft: Mapping[str, Any]) -> None:
        kept = self._kept = Kept(draft)
        kept.must_be("schema", SCHEMA)
        kept.must_be("page", self.PAGE)
        self.id = kept.text("id") or ledger.new_id()
        self.revision = kept.count("revision")
        self.person = kept.text("person")
        self.begun = kept.time("begun") or self._now()
        self.number = kept.text("number")
        self.saved = kept.time("saved")
        self.not_saved_since, self.problem, self.fault = "", None, None
        self.read_only = bool(self.number)

    # ---- keeping ----

    def save_again(self) -> None:
        """Try once more to save what could not be saved."""
        if self.not_saved_since and (self.number or not self.read_only):
            self._save()

    def _save(self) -> None:
        try:
            self.revision = ledger.save_draft(self.data, self.get_state())
        except OSError:
            self.not_saved_since = self.not_saved_since or self.saved or self.begun
        except Problem as problem:
            if problem.code != "draft.newer_elsewhere":
                raise
            self.problem = problem
            self.read_only = True
        else:
            self.saved, self.not_saved_since = self._now(), ""

    # ---- signing ----

    def sign(self, passphrase: str, make_pdf: MakePdf) -> str:
        """
        Give the sheet a number, sign it, and keep it.

        Parameters
        ----------
        passphrase : str
        make_pdf : callable
            From record, number, signing file and passphrase to the signed PDF; `labkit.workflow.signing.signed_sheet`.

        Returns
        -------
        str
            The number.

        Raises
        ------
        Problem
            It is signed already, or changed in another tab; something stands in the way; the passphrase is wrong
            (after three wrong ones the signing file rests); or the certificate could not be kept. Nothing is signed.
        """
        if self.number:
            raise BadInput("page.signed", number=self.number)
        if not self.read_only:
            self._save()
        if self.read_only and self.problem is not None:
            raise self.problem
        record = self.record()
        self._tries.begin()
        try:
            p12 = (self.data / "identities" / self.bench.person(self.person).identity).read_bytes()
            entry = ledger.sign_and_keep(self.data, record, lambda number: make_pdf(record, number, p12, passphrase))
        except BadInput as problem:
            if problem.code == "sign.wrong_passphrase":
                self._tries.wrong()
            raise
        except OSError as error:
            raise Problem("page.cannot_keep", why=error.strerror or str(error)) from error
        self.number = entry.number
        self._save()
        self.read_only = True
        self.version += 1
        return entry.number

    def signed_pdf(self) -> bytes:
        """The certificate."""
        return ledger.find(self.data, self.number).pdf.read_bytes()


class Kept:
    """
    Reads the keys of a draft, each in the type that it must have; a key that is missing is empty.

    Every reader raises a `Problem`, ``ledger.unreadable``, where the file holds something else.
    """

    def __init__(self, draft: Mapping[str, Any], name: str = "") -> None:
        self._draft = draft
        self._name = name or str(draft.get("id", ""))[:60]

    def within(self, part: Mapping[str, Any]) -> Kept:
        """The same for a part of the draft."""
        return Kept(part, self._name)

    def must_be(self, key: str, expected: str) -> None:
        if self._draft and self._draft.get(key, expected) != expected:
            raise self.unreadable(f"{key} is {str(self._draft[key])[:40]!r}, this page reads {expected!r}")

    def text(self, key: str) -> str:
        return str(self._of(key, str, ""))

    def count(self, key: str) -> int:
        return int(self._of(key, int, 0))

    def flag(self, key: str) -> bool:
        return bool(self._of(key, bool, False))

    def time(self, key: str) -> str:
        """UTC, ISO 8601 with Z; or empty."""
        text = self.text(key)
        try:
            if text and (not text.endswith("Z") or datetime.fromisoformat(text).tzinfo is None):
                raise ValueError(text)
        except ValueError as error:
            raise self.unreadable(f"{key} is no time") from error
        return text

    def texts(self, key: str, default: tuple[str, ...] = ()) -> list[str]:
        found = list(self._of(key, list, list(default)))
        if not all(isinstance(each, str) for each in found):
            raise self.unreadable(f"{key} holds something else than texts")
        return found

    def pairs(self, key: str) -> dict[str, str]:
        found = self.mapping(key)
        if not all(isinstance(each, str) for each in found.values()):
            raise self.unreadable(f"{key} holds something else than texts")
        return found

    def mapping(self, key: str) -> dict[str, Any]:
        return dict(self._of(key, dict, {}))

    def rows(self, key: str) -> list[Any]:
        return list(self._of(key, list, []))

    def unreadable(self, why: str) -> Problem:
        return Problem("ledger.unreadable", file=f"drafts/{self._name}.json", why=why)

    def _of(self, key: str, kind: type, default: Any) -> Any:
        value = self._draft.get(key, default)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise self.unreadable(f"{key} is not what it should be")
        return value
