"""What the page Calibrate knows, and what it computes from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import nullcontext, suppress
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import traitlets as T

from labkit import ledger
from labkit.bench.cells import Notes
from labkit.bench.read_shims import caution_due
from labkit.bench.readings import Readings
from labkit.calibration import Calibration, calibrate
from labkit.curves import load_own_families
from labkit.ledger import Bench, RegisteredRig
from labkit.paths import families_folder
from labkit.problems import BadInput, Caution, Problem
from labkit.workflow.collect import NOTHING, Collected, collect
from labkit.workflow.log import PARTS, ReadingLog
from labkit.workflow.particulars import TICKS, Particulars, read_fields
from labkit.workflow.readings_page import ReadingsPage
from labkit.workflow.remarks import remarks
from labkit.workflow.rig_work import RigWork
from labkit.workflow.shim_plan import ShimPlan, shim_plan
from labkit.workflow.worker import Worker

FEWEST_THICKNESSES: Final = 3
"""Contact zero and two shims: with fewer there is no curve to speak of."""


class CalibrateModel(ReadingsPage):
    """
    One draft on the page Calibrate, without its verbs; see `labkit.workflow.calibrate.CalibratePage`.

    Parameters
    ----------
    data : Path
        The laboratory's data folder.
    draft : mapping, optional
        A draft to go on with; a new one where None.
    worker, drawer : Worker, optional
        What computes; and what draws the result at random beside it, which nobody has to wait for.
    now : callable, optional
        The time, UTC, ISO 8601 with Z.

    Attributes
    ----------
    result : Calibration or None
        Of the inputs before the last change while `computing`.
    computing : bool
        Whether a result is on its way.
    in_force : Entry or None
        The certificate with whose curve as found is judged.
    ledger_problem : Problem or None
        Why that is not known: the ledger is damaged.
    family_faults : tuple of Fault
        What is wrong with the laboratory's own curve families.

    Raises
    ------
    Problem
        The draft cannot be taken up; see `begin`.
    """

    PAGE = "calibrate"
    PARTS = PARTS

    result = T.Instance(Calibration, allow_none=True)
    computing = T.Bool(False)

    def __init__(
        self,
        data: Path,
        draft: Mapping[str, Any] | None = None,
        *,
        worker: Worker | None = None,
        drawer: Worker | None = None,
        now: Callable[[], str] = ledger.utc_now,
    ) -> None:
        super().__init__(data, now)
        self._worker, self._drawer = worker or Worker(), drawer or Worker()
        self._generation = 0
        # an empty page is there even where the bench cannot be read: somebody has to show why
        with suppress(Problem) if draft is None else nullcontext():
            self.begin(draft)

    def begin(self, draft: Mapping[str, Any] | None = None) -> None:
        """
        Take up a draft, or begin a new one, with the bench as it is registered now.

        Raises
        ------
        Problem
            The bench is damaged, or the draft holds what no page has written. An empty page is left.
        """
        self.bench = Bench()
        self.cursor: dict[str, str] = {}
        self.family_faults = load_own_families(families_folder(self.data))
        self.look_at_house()
        self._inputs: object = None
        self._give_up_computing()
        self.result = None
        try:
            self.bench = ledger.load_bench(self.data)
            self._set_state(draft or {})
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
            "rig": self.fields.get("rig", ""),
            "ticks": self.ticks,
            "hide_reference": self.hide_reference,
            "work": self._work.get_state(),
            "put_away": self.put_away,
        }

    def _set_state(self, draft: Mapping[str, Any]) -> None:
        super()._set_state(draft)
        kept = self._kept
        self.ticks = [tick for tick in kept.texts("ticks") if tick in TICKS]
        self.hide_reference = kept.flag("hide_reference")
        self.put_away: dict[str, Any] = kept.mapping("put_away")
        for found in self.put_away.values():
            RigWork.from_state(found, kept, self._now)
        self._work = RigWork.from_state(kept.mapping("work"), kept, self._now)
        self._work.look_at_checks(self._now())
        self._look_up_in_force(self._work.in_force if self.number or self._as_found_begun else None)
        if self.fields.get("rig"):
            self.bench.rig(self.fields["rig"])

    @property
    def fields(self) -> dict[str, str]:
        """The fields as typed, by name."""
        return self._work.fields

    @property
    def log(self) -> ReadingLog:
        return self._work.log

    @property
    def stopped(self) -> bool:
        """Whether somebody decided that no further point is read."""
        return self._work.stopped

    @property
    def rule_fixed(self) -> bool:
        """Whether a check shim was ever read: a rule that is chosen after the result proves nothing."""
        return bool(self._work.checked)

    @property
    def checked(self) -> str:
        """When the first check shim was read, UTC; empty until then."""
        return self._work.checked

    @property
    def begun_work(self) -> bool:
        """Whether a person has left a reading or words here."""
        return bool(self.put_away) or any(line.touched for line in self.log.lines)

    @property
    def rig(self) -> RegisteredRig | None:
        return self.bench.rig(self.fields["rig"]) if self.fields.get("rig") else None

    # ---- what follows from it ----

    def refresh(self) -> None:
        """Read the fields and cells again, and compute what has changed; called after every change."""
        self.particulars: Particulars | None = read_fields(self.fields, self.bench, self.person, self.begun)
        self.collected: Collected = NOTHING
        p = self.particulars
        if p is not None:
            self.collected = collect(self.log, p.shims, p.signal, p.unit)
            if self.collected.readings is not None:
                doubtful = replace(self.collected.readings, cautions=tuple(self._cautions(p, self.collected.readings)))
                self.collected = replace(self.collected, readings=doubtful)
        self._compute()
        self.version += 1

    @property
    def plan(self) -> ShimPlan | None:
        """Which shims to read; None once there is a result, which advises on the next one."""
        if self.result is not None or self.particulars is None:
            return None
        return shim_plan(self._work, self.particulars, self.bench)

    @property
    def stragglers(self) -> list[tuple[str, int, Caution]]:
        """Readings that stand apart and that nobody has decided about: line, place and caution."""
        if self.result is None or self.computing:
            return []
        found = []
        for caution in self.result.cautions:
            place = self._place_of(caution) if caution.code == "points.straggler" else None
            line = self.log.line(place[0]) if place else None
            if place and line and not line.cells[place[1]].kept:
                found.append((*place, replace(caution, params={**caution.params, "index": place[1] + 1})))
        return found

    @property
    def being_read(self) -> str:
        """The shim under the target for the curve: where the next reading goes; empty where it is another place."""
        place = self.next_place("readings")
        line = self.log.line(place[0]) if place else None
        return line.name if line is not None and line.role == "fit" else ""

    def _place_of(self, caution: Caution) -> tuple[str, int] | None:
        """Line and place of the reading that a caution of the points names: it counts those that count."""
        readings = self.collected.readings
        rows = readings.rows if readings is not None else ()
        point, index = caution.params["point"], caution.params["index"]
        counted = [i for i, row in enumerate(rows) if row.role in ("fit", "zero") and row.counts and row.point == point]
        return self.collected.place_of(counted[index - 1]) if index <= len(counted) else None

    def _cautions(self, p: Particulars, readings: Readings) -> list[Caution]:
        """Doubts about the readings that only the page knows: shims past their date, temperature, tables."""
        notes = Notes()
        read = {name for row in readings.rows for name in row.shims}
        caution_due([shim for shim in p.shims if shim.name in read], p.today, notes)
        temperature = next((p.doubts[name] for name in ("temperature", "temperature_end") if name in p.doubts), None)
        found = [*self._work.doubts(), *notes.cautions, *([temperature] if temperature else [])]
        return [caution for i, caution in enumerate(found) if caution not in found[:i]]

    @property
    def may_widen(self) -> bool:
        """Whether χ² rejects the curve, with the uncertainties as they were given; or somebody said so once."""
        if self.fields.get("widen_reason"):
            return True
        result = self.result
        return result is not None and not result.comparison[result.curve.family].fits

    # ---- computing ----

    def _compute(self) -> None:
        """Compute, unless that has been done or is being done with the same inputs."""
        readings, p, earlier = self._computable(), self.particulars, self._earlier
        if readings is None or p is None:
            self._give_up_computing()
            self._inputs, self.result, self.problem = None, None, None
            return
        family, reason, about = self.fields.get("family") or "auto", self.fields.get("reason", ""), p.about
        widen = self.fields.get("widen_reason", ""), self.fields.get("widened_by", "")
        inputs = (readings, family, reason, widen, about, earlier)
        if inputs == self._inputs:
            if self.result is not None and not self.computing:
                self.result = self._with_remarks(self.result)
            return
        self._inputs = inputs
        self._generation += 1
        generation, draft_id = self._generation, self.id
        judged = earlier if readings.with_role("as-found") else None

        def job() -> Calibration:
            found = calibrate(
                readings,
                family,
                about.working_range_mm,
                about.tolerance_mm,
                about.target_u_mm,
                rule=about.rule,
                outcomes=about.outcomes,
                risk=about.risk,
                process=about.process_mm,
                reason=reason,
                about=about,
                in_force=judged.curve if judged is not None else None,
                id=draft_id,
                widen_reason=widen[0],
                widen_by=widen[1],
            )
            # what the page shows anyway is worked out here, not when it is drawn
            _ = found.next_points
            return found

        self.computing = True
        self._worker.submit(job, lambda found: self._done(generation, found), lambda e: self._failed(generation, e))

    def _computable(self) -> Readings | None:
        """The readings, where they can give a curve: three thicknesses, and no field that stops."""
        readings = self.collected.readings
        p = self.particulars
        if readings is None or (p is not None and (p.faults or "risk" in p.rule_faults)):
            return None
        points = {row.point for row in readings.with_role("fit", "zero") if row.counts}
        return readings if len(points) >= FEWEST_THICKNESSES else None

    def _done(self, generation: int, found: Calibration) -> None:
        if generation == self._generation:
            self.problem, self.computing = None, False
            self.result = self._with_remarks(found)
            self.version += 1
            self._drawer.submit(found.monte_carlo, lambda _: self._drawn(generation), self._not_drawn)

    def _drawn(self, generation: int) -> None:
        """The result holds its random draws now."""
        if generation == self._generation:
            self.version += 1

    def _not_drawn(self, error: BaseException) -> None:
        """The result stands without its random draws: a fault of ours."""
        self.fault = error

    def _failed(self, generation: int, error: BaseException) -> None:
        if generation != self._generation:
            return
        self.computing, self.result = False, None
        if isinstance(error, Problem):
            self.problem = error
        else:
            self.problem, self._inputs, self.fault = None, None, error
        self.version += 1

    def _give_up_computing(self) -> None:
        """An answer that is still on its way comes too late."""
        self._generation += 1
        self.computing = False

    def _with_remarks(self, result: Calibration) -> Calibration:
        """The result with what the page adds to the sheet; itself where nothing was added since."""
        about = replace(
            result.about,
            remarks=tuple(remarks(self, result.verdict)),
            replaces=self.replaces,
            replaced_why=self.replaced_why,
            statements=replace(result.about.statements, adjusted=self.fields.get("adjusted", "")),
            language=self.house.language,
        )
        return result if about == result.about else replace(result, about=about)

    def _look_up_in_force(self, pinned: str | None = None) -> None:
        """The certificate in force now, or the one that was (empty: none) when as found was read."""
        self.in_force: ledger.Entry | None = None
        self.ledger_problem: Problem | None = None
        self._earlier: _Earlier | None = None
        rig = self.fields.get("rig", "")
        if not rig or pinned == "":
            return
        try:
            self.in_force = ledger.find(self.data, pinned) if pinned else ledger.in_force(self.data, rig)
        except Problem as problem:
            self.ledger_problem = problem
        if self.in_force is not None:
            self._earlier = _Earlier(self.in_force)
        self._work.in_force = self.in_force.number if self.in_force is not None else ""

    @property
    def _as_found_begun(self) -> bool:
        return any(line.taken for line in self.log.of("as-found"))

    # ---- signing ----

    def record(self) -> dict[str, Any]:
        """What is to be signed."""
        from labkit.workflow.blockers import blockers

        if blockers(self) or self.result is None:
            raise BadInput("page.blocked")
        self.result.monte_carlo()
        return self.result.to_dict()


class _Earlier:
    """The calibration in force before, computed from its record when it is first needed."""

    def __init__(self, entry: ledger.Entry) -> None:
        self._entry = entry

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Earlier) and self._entry.id == other._entry.id

    def __hash__(self) -> int:
        return hash(self._entry.id)

    @cached_property
    def curve(self) -> Calibration:
        return Calibration.from_dict(self._entry.record)
