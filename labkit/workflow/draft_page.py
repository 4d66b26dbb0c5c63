"""What every page with a draft does: keep it after each change, give way to a newer one, and sign."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar, Final

import traitlets as T

from labkit import ledger
from labkit.ledger import Actor, Bench, Place
from labkit.problems import BadInput, Problem
from labkit.sheet.house import OURS, read_house
from labkit.workflow.door import chosen, hub_person, one_try, sign_in, signing_file

SCHEMA: Final = "labkit.draft/1"

MakePdf = Callable[[dict[str, Any], Place, bytes, str], bytes]
"""From record, place in the ledger, signing file and passphrase to the signed PDF."""


UNREACHED: Final = ("ledger.cannot_write", "ledger.out_of_reach", "ledger.damaged")
"""What may pass: a page tries again by itself."""


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
    replaces: str
    """The number of the certificate that this one is to replace; empty where it replaces none."""
    replaced_why: str
    bench: Bench

    def __init__(self, data: Path, now: Callable[[], str]) -> None:
        super().__init__()
        self.data = data
        self._now = now
        self.house = OURS
        self.house_problem: BadInput | None = None

    def look_at_house(self) -> None:
        """Read what the sheets have of the laboratory's own; what is wrong with it stands in the way of signing."""
        self.house, self.house_problem = OURS, None
        try:
            self.house = read_house(self.data)
        except BadInput as problem:
            self.house_problem = problem

    # ---- what a page fills in ----

    def get_state(self) -> dict[str, Any]:
        """The draft, as JSON."""
        return {
            "schema": SCHEMA,
            "id": self.id,
            "revision": self.revision,
            "page": self.PAGE,
            "person": self.person,
            "owner": self.owner,
            "begun": self.begun,
            "number": self.number,
            "replaces": self.replaces,
            "reason": self.replaced_why,
        }

    @property
    def begun_work(self) -> bool:
        """Whether a person has left anything here that is theirs."""
        raise NotImplementedError

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
        self._owner = kept.text("owner")
        self.begun = kept.time("begun") or self._now()
        self.number = kept.text("number")
        self.replaces, self.replaced_why = kept.text("replaces"), kept.text("reason")
        self.saved = kept.time("saved")
        self.not_saved_since, self.problem, self.fault = "", None, None
        self.read_only = bool(self.number)
        let_in = hub_person(self.bench)
        if let_in is not None and not (self._owner or self.number):
            self.person = let_in.name

    # ---- whose it is ----

    @property
    def owner(self) -> str:
        """Whose work this is: nobody else changes it until it is taken over. Empty while there is none."""
        return self._owner or (self.person if self.begun_work else "")

    @property
    def who(self) -> Actor:
        """Who acts here: whom a hub has let in, whoever is chosen; without a hub, whose name was chosen."""
        return hub_person(self.bench) or chosen(self.bench, self.person)

    def choose_person(self, name: str) -> None:
        """
        Say who is at the page.

        Raises
        ------
        Problem
            ``draft.of_another``: the work here is a colleague's, and is to be taken over first. ``door.by_hub``: the
            hub has let in somebody else.
        BadInput
            Nobody of that name is registered.
        """
        let_in = hub_person(self.bench)
        if let_in is not None and name != let_in.name:
            raise Problem("door.by_hub", name=let_in.name)
        if self.owner and name != self.owner:
            raise Problem("draft.of_another", owner=self.owner)
        if name:
            self.bench.person(name)
        self.person = name

    def take_over(self, name: str, passphrase: str) -> None:
        """
        Go on with a colleague's work as `name`, whom the passphrase of their signing file shows.

        Raises
        ------
        BadInput
            Nobody of that name is registered, or the passphrase is wrong; or the page is signed.
        Problem
            It cannot be kept.
        """
        if self.number:
            raise BadInput("page.signed", number=self.number)
        actor = sign_in(self.data, self.bench, name, passphrase)
        self.revision = ledger.take_over(self.data, self.id, actor)
        self.person = self._owner = name
        self.problem, self.read_only = None, False
        self.version += 1

    # ---- keeping ----

    def save_again(self) -> None:
        """Try once more to save what could not be saved."""
        if self.not_saved_since and (self.number or not self.read_only):
            self._save()

    def _save(self) -> None:
        try:
            self.revision = ledger.save_draft(self.data, self.get_state(), self.who)
        except OSError:
            self.not_saved_since = self.not_saved_since or self.saved or self.begun
        except Problem as problem:
            if problem.code in UNREACHED:
                self.not_saved_since = self.not_saved_since or self.saved or self.begun
                return
            if problem.code not in ("draft.newer_elsewhere", "draft.of_another"):
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
            From record, place, signing file and passphrase to the signed PDF; `labkit.workflow.signing.signed_sheet`.

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
        try:
            p12 = signing_file(self.data, self.bench.person(self.person))
            # the passphrase shows who it is: without the right one there is no PDF, and nothing is kept
            who = replace(self.who, proven=True)
            with one_try(self.data, self.person):
                entry = ledger.sign_and_keep(
                    self.data,
                    record,
                    lambda place: make_pdf(record, place, p12, passphrase),
                    who,
                    replaces=self.replaces,
                    reason=self.replaced_why,
                )
        except OSError as error:
            raise Problem("page.cannot_keep", why=error.strerror or str(error)) from error
        self.number = entry.number
        self.revision = ledger.load_draft(self.data, self.id)["revision"]
        self.read_only = True
        self.version += 1
        return entry.number

    def signed_pdf(self) -> bytes:
        """The certificate."""
        return ledger.find(self.data, self.number).pdf


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
