"""The page Check: a rig taken up again before the first part. What it knows, and what a person can do on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import nullcontext, suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, ClassVar

import traitlets as T

from labkit import ledger
from labkit.bench.readings import Readings
from labkit.bench.shims import Shim
from labkit.check import Check, Past, take_up
from labkit.curves import load_own_families
from labkit.ledger import Bench, Entry, RegisteredRig
from labkit.ledger.checks import KeptCheck, checks_of
from labkit.paths import families_folder
from labkit.problems import BadInput, Problem
from labkit.workflow.check_certificate import Leans, apart
from labkit.workflow.collect import NOTHING, collect
from labkit.workflow.log import ReadingLog, line_id
from labkit.workflow.particulars import Particulars, defaults, read_fields
from labkit.workflow.readings_page import ReadingsPage, clean, verb
from labkit.workflow.remarks import instruments_past_due, shims_used_all_the_same
from labkit.workflow.shims_out import SHIMS_REASON
from labkit.workflow.taking_up import relied_upon_to
from labkit.workflow.worker import Worker

TODAY = "today"
"""The one part of the page where readings are taken."""

FIELDS = ("temperature", "thermometer", SHIMS_REASON)
"""What is typed on this page; everything else is the register's."""


class CheckPage(ReadingsPage):
    """
    One draft on the page Check. Views observe the traits and call the verbs; nothing else.

    Parameters
    ----------
    data : Path
        The laboratory's data folder.
    draft : mapping, optional
        A draft to go on with; a new one where None.
    worker : Worker, optional
        What computes.
    now : callable, optional
        The time, UTC, ISO 8601 with Z.

    Attributes
    ----------
    check : Check or None
        Of the readings before the last change while `computing`.
    computing : bool
        Whether a result is on its way.
    earlier : tuple of KeptCheck
        The checks that this rig has had, the earliest first.

    Raises
    ------
    Problem
        The draft cannot be taken up; see `begin`.
    """

    PAGE = "check"
    PARTS: ClassVar[Mapping[str, tuple[str, ...]]] = {TODAY: ("background", "zero", "check")}

    check = T.Instance(Check, allow_none=True)
    computing = T.Bool(False)

    def __init__(
        self,
        data: Path,
        draft: Mapping[str, Any] | None = None,
        *,
        worker: Worker | None = None,
        now: Callable[[], str] = ledger.utc_now,
    ) -> None:
        super().__init__(data, now)
        self._worker = worker or Worker()
        self._generation = 0
        # an empty page is there even where the bench cannot be read: somebody has to show why
        with suppress(Problem) if draft is None else nullcontext():
            self.begin(draft)

    def begin(self, draft: Mapping[str, Any] | None = None, rig: str = "") -> None:
        """
        Take up a draft, or begin a new one; `rig` lays out the rows of a rig at once.

        Raises
        ------
        Problem
            The bench is damaged, or the draft holds what no page has written. An empty page is left.
        """
        self.bench = Bench()
        self.cursor = {}
        self._give_up_computing()
        self.check = None
        self._inputs: object = None
        load_own_families(families_folder(self.data))  # the certificate's curve may be of one
        self.look_at_house()
        try:
            self.bench = ledger.load_bench(self.data)
            self._set_state(draft or {})
            if rig and draft is None:
                self._take_rig(rig)
            self.look_at_gauge()
        except Problem:
            self._set_state({})
            raise
        finally:
            self.refresh()

    # ---- what is kept ----

    def get_state(self) -> dict[str, Any]:
        """The draft, as JSON."""
        return {
            **super().get_state(),
            "rig": self.rig_name,
            "certificate": self.certificate,
            "fields": dict(self.fields),
            "hide_reference": self.hide_reference,
            "log": self.log.get_state(),
        }

    def _set_state(self, draft: Mapping[str, Any]) -> None:
        super()._set_state(draft)
        kept = self._kept
        self.rig_name = kept.text("rig")
        self.certificate = kept.text("certificate")
        known = (*FIELDS, f"{SHIMS_REASON}_by")
        self.fields = {key: value for key, value in kept.pairs("fields").items() if key in known}
        self.hide_reference = kept.flag("hide_reference")
        try:
            self._log = ReadingLog(self._now).set_state(kept.rows("log"))
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise kept.unreadable(str(error)) from error
        self.in_force: Entry | None = None
        self._leans: Leans | None = None
        self.newer = ""
        self.earlier: tuple[KeptCheck, ...] = ()
        self.ledger_problem: Problem | None = None
        if self.rig_name:
            self.bench.rig(self.rig_name)
            self._look_up()

    @property
    def log(self) -> ReadingLog:
        return self._log

    @property
    def rig(self) -> RegisteredRig | None:
        return self.bench.rig(self.rig_name) if self.rig_name else None

    @property
    def shown_fields(self) -> dict[str, str]:
        """The fields of this page: as typed, else as the register fills them for the rig."""
        filled = defaults(self.bench, self.rig) if self.rig is not None else {}
        return {"rig": self.rig_name, **{name: filled.get(name, "") for name in FIELDS}, **self.fields}

    @property
    def begun_work(self) -> bool:
        """Whether a person has left a reading or words here."""
        return any(line.touched for line in self.log.lines)

    # ---- what follows from it ----

    @property
    def due(self) -> date | None:
        """The day to which the calibration is relied upon; None where no interval is registered."""
        if self.rig is None or self.in_force is None:
            return None
        return relied_upon_to(self.rig, self.in_force, self.bench.zone)

    @property
    def again(self) -> str:
        """The number of the check that this one repeats; empty where the last one did not ask for that."""
        mine = [each for each in self.earlier if each.certificate == self.certificate and each.id != self.id]
        return mine[-1].number if mine and mine[-1].outcome == "check again" else ""

    @property
    def offered(self) -> list[Shim]:
        """The check shims inside the working range that may be read, thinnest first."""
        if self.rig is None or self._leans is None or not self.rig.check_set:
            return []
        low, high = self._leans.working_range_mm
        shims = [shim for shim in self.bench.shim_set(self.rig.check_set) if low <= shim.thickness_mm <= high]
        usable = [shim for shim in shims if self.bench.shim_out_of_use(self.rig.check_set, shim.name) is None]
        return sorted(usable, key=lambda shim: shim.thickness_mm)

    @property
    def unread(self) -> list[Shim]:
        """Those of them that have no row yet."""
        return [shim for shim in self.offered if self.log.line(line_id("check", [shim.name])) is None]

    @property
    def pasts(self) -> tuple[Past, ...]:
        """The checks before this one, and this one as soon as it has an outcome; the earliest first."""
        before = [each for each in self.earlier if each.id != self.id]
        found = [Past.of(each.record, each.number) for each in before]
        if self.check is not None and self.check.outcome is not None:
            found.append(Past.of(self.check.to_dict(), self.number))
        return tuple(found)

    def refresh(self) -> None:
        """Read the fields and cells again, and compute what has changed; called after every change."""
        self.particulars: Particulars | None = None
        self.collected = NOTHING
        if self.rig is not None:
            fields = defaults(self.bench, self.rig) | self.fields
            self.particulars = p = read_fields(fields, self.bench, self.person, self.begun)
            if p is not None:
                self.collected = collect(self.log, p.shims, p.signal, p.unit)
        self._compute()
        self.version += 1

    # ---- verbs ----

    @verb
    def choose_person(self, name: str) -> None:
        super().choose_person(name)

    def choose_rig(self, name: str) -> None:
        """
        Lay out the rows of a rig: no target, contact zero, two check shims.

        Readings stay with their rig: where some were taken, the draft is left as it is, and a new one is begun.
        """
        if name == self.rig_name or not name:
            return
        person = self.person
        if self.begun_work or self.read_only:
            ledger.let_go(self.data, self.id, self.who)  # whoever goes on with the readings there takes it again
            self.begin(None, name)
            self.person = person
        else:
            self._take_rig(name)
            self.look_at_gauge()
        self._changed()

    def check_again(self) -> None:
        """Begin the next check of the same rig."""
        person, fields = self.person, dict(self.fields)
        self.begin(None, self.rig_name)
        self.person, self.fields = person, fields
        self._changed()

    @verb
    def set_field(self, name: str, text: str) -> None:
        """A field as typed; wrong ones are kept and named."""
        if name in FIELDS:
            self.fields[name] = clean(text)
        if name == SHIMS_REASON:
            self.fields[f"{SHIMS_REASON}_by"] = self.person if text.strip() else ""

    @verb
    def read_shim(self, name: str) -> None:
        """A row for one more check shim, and the cursor on it."""
        if self.particulars is not None and name in {shim.name for shim in self.unread}:
            self.cursor[TODAY] = self.log.lay_out("check", [name], self.particulars.repeats)

    @verb
    def read_row_again(self, row_id: str) -> None:
        """One more set of readings in a row, and the cursor on it; those before stay and count."""
        line = self.log.line(row_id)
        if line is not None:
            if line.complete:
                self.log.read_again(row_id, self._wanted(row_id))
            self.cursor[TODAY] = row_id

    @verb
    def remove_row(self, row_id: str) -> None:
        """Take out a row that holds no reading."""
        self.log.remove(row_id)

    # ---- signing ----

    def record(self) -> dict[str, Any]:
        """What is to be signed: judged again on the day on which it is signed."""
        from labkit.workflow.check_blockers import blockers

        if blockers(self) or self.check is None:
            raise BadInput("page.blocked")
        job = self._job()
        found = job() if job is not None else None
        if found is None or found.outcome != self.check.outcome:
            self.check = found
            self.version += 1
            raise BadInput("check_page.changed")
        return found.to_dict()

    # ---- inside ----

    def _take_rig(self, name: str) -> None:
        self.bench.rig(name)
        self.rig_name, self.certificate, self.cursor = name, "", {}
        self._log = ReadingLog(self._now)
        self._look_up()
        self._lay_out()

    def _look_up(self) -> None:
        """The certificate in force, or the one with which this draft was begun; and the checks since."""
        self.in_force, self._leans, self.newer, self.earlier, self.ledger_problem = None, None, "", (), None
        try:
            newest = ledger.in_force(self.data, self.rig_name)
            self.in_force = ledger.find(self.data, self.certificate) if self.certificate else newest
            self.earlier = checks_of(self.data, self.rig_name)
        except Problem as problem:
            self.ledger_problem = problem
            return
        if self.in_force is None or newest is None:
            return
        self.certificate = self.in_force.number
        self.newer = newest.number if newest.number != self.certificate else ""
        self._leans = Leans(self.in_force)

    def _lay_out(self) -> None:
        """The rows that must be there, once: afterwards a person decides."""
        if self.rig is None or self.in_force is None or self.log.lines:
            return
        if self.rig.conditions.background != "not shown":
            self.log.lay_out("background", [], 1)
        self.log.lay_out("zero", [], 1)
        for shim in apart(self.offered):
            self.log.lay_out("check", [shim.name], self.rig.repeats)

    def _wanted(self, line_id: str) -> int:
        return super()._wanted(line_id) if line_id.startswith("check:") else 1

    def _changed(self) -> None:
        self._save()
        if self.read_only:
            self._give_up_computing()
            self.version += 1
        else:
            self.refresh()

    # ---- computing ----

    def _job(self) -> Callable[[], Check] | None:
        """The check of what is read now; None where there is nothing to judge, or a field that stops."""
        readings, p, leans = self.collected.readings, self.particulars, self._leans
        if readings is None or p is None or leans is None or p.faults:
            return None
        read = Readings(readings.rows, p.shims, readings.signal, readings.unit, readings.source)
        said = (*instruments_past_due(p), *shims_used_all_the_same(self, self.fields))
        about = replace(p.about, remarks=said, language=self.house.language)
        due, again, draft, moment = self.due, self.again, self.id, self._now()

        def job() -> Check:
            return take_up(
                leans.calibration,
                read,
                about=about,
                certificate=leans.number,
                record=leans.record,
                due=due,
                again=again,
                id=draft,
                created=moment,
            )

        return job

    def _compute(self) -> None:
        """Compute, unless that has been done or is being done with the same inputs."""
        job = self._job()
        if job is None:
            self._give_up_computing()
            self._inputs, self.check, self.problem = None, None, None
            return
        assert self.particulars is not None
        remarks = tuple(shims_used_all_the_same(self, self.fields))
        inputs = (self.collected.readings, self.particulars.about, remarks, self.certificate, self.due, self.again)
        if inputs == self._inputs:
            return
        self._inputs = inputs
        self._generation += 1
        generation = self._generation
        self.computing = True
        self._worker.submit(job, lambda found: self._done(generation, found), lambda e: self._failed(generation, e))

    def _done(self, generation: int, found: Check) -> None:
        if generation == self._generation:
            self.problem, self.computing, self.check = None, False, found
            self.version += 1

    def _failed(self, generation: int, error: BaseException) -> None:
        if generation != self._generation:
            return
        self.computing, self.check = False, None
        if isinstance(error, Problem):
            self.problem = error
        else:
            self.problem, self._inputs, self.fault = None, None, error
        self.version += 1

    def _give_up_computing(self) -> None:
        """An answer that is still on its way comes too late."""
        self._generation += 1
        self.computing = False
