"""The page Bench: what waits, what is due, what is unfinished and what is registered; and who has signed in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit import ledger
from labkit.bench.shims import Shim
from labkit.ledger import (
    Actor,
    Bench,
    DraftLine,
    InstrumentCertificate,
    LastCalibration,
    Live,
    Note,
    Request,
    Version,
)
from labkit.ledger.people import MAY
from labkit.ledger.requests import Subject, subjects
from labkit.problems import BadInput
from labkit.workflow import door
from labkit.workflow.bench_drafts import Standing, Unfinished, WarmUp, order_of, standing_of, warm_up_of
from labkit.workflow.bench_due import Due, due
from labkit.workflow.clock import today
from labkit.workflow.ledger_page import LedgerPage
from labkit.workflow.own_families import OwnFile, own_files
from labkit.workflow.signing import second_signature
from labkit.workflow.worker import Worker


@dataclass(frozen=True)
class Waiting:
    """A request, with what it is about."""

    request: Request
    about: Subject


class BenchPage(LedgerPage):
    """What the ledger says now, and the verbs of the page; parameters and attributes are those of `LedgerPage`."""

    def __init__(self, data: Path, *, worker: Worker | None = None, now: Callable[[], str] = ledger.utc_now) -> None:
        self._standings: dict[str, tuple[int, Standing, str, Mapping[str, Any]]] = {}
        self.own_files: tuple[OwnFile, ...] = ()
        super().__init__(data, worker=worker, now=now)

    # ---- what the ledger says ----

    def _forget(self) -> None:
        super()._forget()
        self.register: tuple[Version, ...] = ()
        self.unfinished: tuple[Unfinished, ...] = ()
        self.away: tuple[Unfinished, ...] = ()
        self.warm_ups: tuple[WarmUp, ...] = ()
        self.due: tuple[Due, ...] = ()
        self.last: dict[str, LastCalibration] = {}
        self.live: tuple[Live, ...] = ()
        self.notes: tuple[Note, ...] = ()
        self.instrument_certificates: tuple[InstrumentCertificate, ...] = ()
        self._requests: tuple[Waiting, ...] = ()

    def _read(self) -> None:
        super()._read()
        data = self.data
        self.register = ledger.load_register(data)
        lines = ledger.list_drafts(data)
        self._read_drafts(lines)
        lines = tuple(each.line for each in self.unfinished)
        self.last = ledger.last_calibrations(data)
        here = today(self.now, self.bench.zone)
        self.due = due(self.bench, self.last, lines, here, ledger.last_checks(data))
        self.live, self.notes = ledger.live_gauges(data), ledger.notes(data)
        self.instrument_certificates = ledger.instrument_certificates(data)
        asked = [each for each in ledger.requests(data) if each.open or each.told]
        about = subjects(data, {each.about for each in asked})
        self._requests = tuple(Waiting(each, about[each.about]) for each in asked if each.about in about)

    def _read_drafts(self, lines: tuple[DraftLine, ...]) -> None:
        """Only drafts that were saved since are read: a list of very many is there at once."""
        known = self._standings
        changed = [line.id for line in lines if known.get(line.id, (0,))[0] != line.revision]
        for draft_id, body in ledger.draft_bodies(self.data, changed).items():
            known[draft_id] = (body["revision"], standing_of(body), order_of(body), _clock_of(body))
        begun = [line for line in lines if line.id in known]
        self._standings = {line.id: known[line.id] for line in begun}
        away = ledger.away_drafts(self.data)
        listed = [Unfinished(line, *known[line.id][1:3], away.get(line.id)) for line in begun]
        self.unfinished = tuple(each for each in listed if each.away is None)
        self.away = tuple(each for each in listed if each.away is not None)
        clocks: dict[str, WarmUp] = {}
        for line in (each.line for each in self.unfinished):
            found = warm_up_of(known[line.id][3], self.bench, self.now)
            if found is not None and (found.rig not in clocks or clocks[found.rig].since < found.since):
                clocks[found.rig] = found
        self.warm_ups = tuple(sorted(clocks.values(), key=lambda each: each.since, reverse=True))

    # ---- who ----

    def may(self, action: str) -> bool:
        """Whether whoever has signed in may do this."""
        return self.who.may(action)

    def anybody_may(self, action: str) -> bool:
        """Whether nobody has to sign in for it yet: nobody is registered who could let others do it."""
        people = [each.body["role"] for each in self.register if each.kind == "person"]
        return action in ("register", "administer") and not any(role in MAY["register"] for role in people)

    # ---- waiting ----

    @property
    def to_approve(self) -> tuple[Waiting, ...]:
        """What waits for whoever has signed in."""
        who = self.who
        if not who.may("approve"):
            return ()
        return tuple(each for each in self._requests if each.request.open and each.request.to in ("", who.name))

    @property
    def answers(self) -> tuple[Waiting, ...]:
        """What was answered to whoever has signed in."""
        name = self.who.name
        return tuple(each for each in self._requests if each.request.told and each.request.by == name)

    @property
    def waiting_for_others(self) -> int:
        """How many requests wait for somebody, whoever it is."""
        return sum(each.request.open for each in self._requests)

    def approve(self, waiting: Waiting, note: str = "", passphrase: str = "") -> None:
        """
        Approve a certificate; see `labkit.ledger.approve`.

        Parameters
        ----------
        waiting : Waiting
        note : str
        passphrase : str
            Of the signing file of whoever has signed in: where the certificate is approved with a signature.
        """

        def approve(who: Actor) -> None:
            if not self.signs_to_approve(waiting):
                ledger.approve(self.data, waiting.about.id, who, note)
                return
            who.must("approve")
            p12 = door.signing_file(self.data, self.bench.person(who.name))
            zone = self.bench.zone
            with door.one_try(self.data, who.name):
                ledger.approve(
                    self.data,
                    waiting.about.id,
                    who,
                    note,
                    lambda pdf, wants: second_signature(pdf, wants, p12, passphrase, zone),
                )

        self._do(approve)

    def signs_to_approve(self, waiting: Waiting) -> bool:
        """Whether a certificate is approved with a second signature."""
        return ledger.waits_for_signature(self.data, waiting.about.id)

    def send_back(self, waiting: Waiting, note: str) -> None:
        """Send a sheet back with a note; see `labkit.ledger.send_back`."""
        self._do(lambda who: ledger.send_back(self.data, waiting.request.id, who, note))

    def seen(self, waiting: Waiting) -> None:
        """Put an answer away."""
        self._do(lambda who: ledger.seen(self.data, waiting.request.id, who))

    # ---- the register ----

    def put(self, kind: str, name: str, body: Mapping[str, Any], why: str, *, new: bool = False) -> None:
        """
        Register a thing, or its next state; see `labkit.ledger.register`.

        Raises
        ------
        BadInput
            ``register.taken``: a `new` one has the name of another.
        """
        if new and any((each.kind, each.subject) == (kind, name) for each in self.register):
            raise BadInput("register.taken", kind=kind, name=name)
        self._do(lambda who: ledger.register(self.data, kind, name, body, who, why))

    def withdraw(self, kind: str, name: str, why: str) -> None:
        self._do(lambda who: ledger.withdraw(self.data, kind, name, who, why))

    def put_back(self, kind: str, name: str, why: str) -> None:
        self._do(lambda who: ledger.put_back(self.data, kind, name, who, why))

    def set_aside(self, set_name: str, shim: str, why: str, name: str = "") -> None:
        """Put a dropped or damaged shim aside. Nobody needs to sign in for it, but `name` says who it is."""
        who = self.who if self.who.name else door.chosen(self.bench, name)
        self._do(lambda _: ledger.set_aside(self.data, set_name, shim, who, why))

    def register_shims(self, set_name: str, shims: Iterable[Shim], why: str, pdf: bytes = b"") -> int:
        """Register shims, or their next certificates; see `labkit.ledger.register_shims`."""
        kept = tuple(shims)
        counts: list[int] = []
        self._do(lambda who: counts.append(ledger.register_shims(self.data, set_name, kept, who, why, pdf)))
        return counts[0]

    def look_at_families(self) -> None:
        """Load the laboratory's own curve families anew, and say which are there."""
        self.own_files = own_files(self.data)

    def certify(self, found: InstrumentCertificate, why: str, pdf: bytes = b"") -> None:
        """Register a certificate of an auxiliary instrument; see `labkit.ledger.certify`."""
        self._do(lambda who: ledger.certify(self.data, found, who, why, pdf))

    def keep_letterhead(self, keep: Callable[[], object]) -> None:
        """Write the letterhead, for whoever may register things."""

        def kept(who: Actor) -> None:
            if not self.anybody_may("register"):
                who.must("register")
            keep()

        self._do(kept)

    # ---- drafts, gauges, notes ----

    def take_over(self, draft_id: str) -> None:
        """Make a colleague's draft one's own; see `labkit.ledger.take_over`."""
        self._do(lambda who: ledger.take_over(self.data, draft_id, who))

    def put_away(self, draft_id: str, why: str) -> None:
        """Put a draft away that nobody goes on with; see `labkit.ledger.put_away`."""
        self._do(lambda who: ledger.put_away(self.data, draft_id, who, why))

    def take_out(self, draft_id: str) -> None:
        """Have it in the list again."""
        self._do(lambda who: ledger.take_out(self.data, draft_id, who))

    def release(self, gauge: str, why: str, name: str = "") -> None:
        """Say that a gauge is free. Nobody needs to sign in for it, but `name` says who it is."""
        who = self.who if self.who.name else door.chosen(self.bench, name)
        self._do(lambda _: ledger.release(self.data, gauge, who, why))

    def write_note(self, kind: str, name: str, text: str) -> None:
        self._do(lambda who: ledger.write_note(self.data, kind, name, text, who))

    def strike_out(self, note_id: str) -> None:
        self._do(lambda who: ledger.strike_out(self.data, note_id, who))

    def _do(self, verb: Callable[[Actor], object]) -> None:
        """Every verb: who acts is asked now, and what the ledger says is read again."""
        who = self.who
        self.use()
        try:
            verb(who)
        finally:
            self.refresh()


def approvers(bench: Bench, but: str = "") -> list[str]:
    """Everybody who may approve a sheet, except whoever asks."""
    return [each.name for each in bench.people if each.role in MAY["approve"] and each.name != but]


def _clock_of(body: Mapping[str, Any]) -> dict[str, Any]:
    """What `warm_up_of` needs of a draft: the readings of very many drafts are not kept."""
    work = body.get("work")
    fields = work.get("fields") if isinstance(work, Mapping) else None
    return {"begun": body.get("begun"), "work": {"fields": fields}}
