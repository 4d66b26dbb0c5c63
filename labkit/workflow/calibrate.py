"""The page Calibrate: what is known, what it computes, what still stands in the way, and what can be done."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import traitlets as T

from labkit import ledger
from labkit.bench.read_readings import read_readings
from labkit.bench.readings import Reading, Readings
from labkit.calibration import Calibration, calibrate
from labkit.ledger import Bench, RegisteredRig
from labkit.problems import BadFile, BadInput, Caution, Problem
from labkit.workflow.collect import Collected, collect
from labkit.workflow.log import ReadingLog
from labkit.workflow.particulars import TICKS, Particulars, defaults, read_fields
from labkit.workflow.worker import Worker

PARTS: Final[dict[str, tuple[str, ...]]] = {
    "as-found": ("as-found",),
    "readings": ("background", "zero", "fit", "closing-fit", "closing-zero", "closing-background"),
    "checks": ("check",),
}
"""The three places of the page where readings are taken, and the roles of their rows."""

MOST_TRIES: Final = 3
REST_S: Final = 60.0
"""After three wrong passphrases the signing file rests for a minute."""


class CalibratePage(T.HasTraits):
    """
    One draft on the page Calibrate.

    Views observe `version`, `result`, `computing` and `saved`, and call the verbs; nothing else.

    Parameters
    ----------
    data : Path
        The laboratory's data folder.
    draft : mapping, optional
        A draft to go on with; a new one where None.
    worker : Worker, optional
    now : callable, optional
        The time, UTC, ISO 8601 with Z.

    Attributes
    ----------
    version : int
        Grows with every change of what was typed or decided.
    result : Calibration or None
        Of the inputs before the last change while `computing`.
    problem : Problem or None
        Why there is no result.
    computing : bool
        Whether a result is on its way.
    saved, not_saved_since : str
        When the draft was saved; since when it could not be (both UTC, empty where not).
    read_only : bool
        Another tab went on with this draft, or it is signed.
    number : str
        The certificate's number, once it is signed.
    fault : str
        A sentence about a fault of ours; empty where there is none.
    """

    version = T.Int(0)
    result = T.Instance(Calibration, allow_none=True)
    problem = T.Instance(Problem, allow_none=True)
    computing = T.Bool(False)
    saved = T.Unicode("")
    not_saved_since = T.Unicode("")
    read_only = T.Bool(False)
    number = T.Unicode("")
    fault = T.Any(None)

    def __init__(
        self,
        data: Path,
        draft: Mapping[str, Any] | None = None,
        *,
        worker: Worker | None = None,
        now: Callable[[], str] = ledger.utc_now,
    ) -> None:
        super().__init__()
        self.data = data
        self._worker = worker or Worker()
        self._now = now
        self.log = ReadingLog(now)
        self.cursor: dict[str, str] = {}
        self.in_force: ledger.Entry | None = None
        self._in_force: Calibration | None = None
        self._tries: list[float] = []
        self._generation = 0
        self.begin(draft)

    def begin(self, draft: Mapping[str, Any] | None = None) -> None:
        """Take up a draft, or begin a new one, with the bench as it is registered now."""
        self.bench: Bench = ledger.load_bench(self.data)
        self._set_state(draft or {})
        rig = self.fields.get("rig")
        self.in_force = ledger.in_force(self.data, rig) if rig else None
        self.refresh()

    # ---- what is kept ----

    def get_state(self) -> dict[str, Any]:
        """The draft, as JSON."""
        return {
            "schema": "labkit.draft/1",
            "id": self.id,
            "revision": self.revision,
            "page": "calibrate",
            "rig": self.fields.get("rig", ""),
            "person": self.person,
            "begun": self.begun,
            "number": self.number,
            "fields": self.fields,
            "ticks": self.ticks,
            "parts_open": self.parts_open,
            "stopped": self.stopped,
            "hide_reference": self.hide_reference,
            "log": self.log.get_state(),
        }

    def _set_state(self, draft: Mapping[str, Any]) -> None:
        self.id: str = draft.get("id") or ledger.new_id()
        self.revision: int = draft.get("revision", 0)
        self.person: str = draft.get("person", "")
        self.begun: str = draft.get("begun") or self._now()
        self.fields: dict[str, str] = dict(draft.get("fields", {}))
        self.ticks: list[str] = [tick for tick in draft.get("ticks", ()) if tick in TICKS]
        self.parts_open: list[str] = list(draft.get("parts_open", ["readings"]))
        self.stopped: bool = bool(draft.get("stopped", False))
        self.hide_reference: bool = bool(draft.get("hide_reference", False))
        self.log.set_state(draft.get("log", ()))
        self.number = draft.get("number") or ""
        self.saved = draft.get("saved", "")
        self.read_only = bool(self.number)

    # ---- what follows from it ----

    def refresh(self) -> None:
        """Read the fields and cells again, and compute; called after every change."""
        self.particulars: Particulars | None = read_fields(self.fields, self.bench, self.person, self.begun)
        self.collected = Collected(None, {}, {})
        if self.particulars is not None:
            p = self.particulars
            self.collected = collect(self.log, p.shims, p.signal, p.unit)  # type: ignore[arg-type]
        self._compute()
        self.version += 1

    @property
    def rig(self) -> RegisteredRig | None:
        return self.bench.rig(self.fields["rig"]) if self.fields.get("rig") else None

    @property
    def being_read(self) -> str:
        """The shim under the target for the curve: where the next reading goes; empty where it is another place."""
        place = self.log.next_place(PARTS["readings"], self.cursor.get("readings", ""))
        line = self.log.line(place[0]) if place else None
        return line.name if line is not None and line.role == "fit" else ""

    @property
    def about(self) -> Any:
        """The particulars with the remarks that the page adds to the sheet."""
        assert self.particulars is not None
        return replace(self.particulars.about, remarks=tuple(self._remarks()))

    @property
    def stragglers(self) -> list[tuple[str, int, Caution]]:
        """Readings that stand apart and that nobody has decided about: line, place and caution."""
        if self.result is None or self.computing:
            return []
        found = []
        for caution in self.result.cautions:
            if caution.code != "points.straggler" or caution.where is None or caution.where.row is None:
                continue
            place = self.collected.place_of(caution.where.row - 1)
            line = self.log.line(place[0]) if place else None
            if place and line and not line.cells[place[1]].kept:
                found.append((*place, caution))
        return found

    def _remarks(self) -> list[str]:
        """What the sheet says besides: as found, adjustment, notes, and a release."""
        fields = self.fields
        said = []
        if fields.get("as_found_reason"):
            said.append(f"As found could not be read: {fields['as_found_reason']}")
        if fields.get("adjusted"):
            said.append(f"The gauge was adjusted: {fields['adjusted']}")
        said += [f"{line.name}: {line.note}" for line in self.log.lines if line.note]
        if fields.get("release_reason"):
            said.append(f"Released by {self.person}: {fields['release_reason']}")
        return said

    # ---- computing ----

    def _compute(self) -> None:
        self._generation += 1
        generation = self._generation
        readings = self._computable()
        if readings is None or self.particulars is None:
            self.result, self.problem, self.computing = None, None, False
            return
        about, fields = self.about, self.fields
        before = self.in_force

        def job() -> Calibration:
            return calibrate(
                readings,
                fields.get("family") or "auto",
                about.working_range_mm,
                about.tolerance_mm,
                about.target_u_mm,
                rule=about.rule,
                outcomes=about.outcomes,
                reason=fields.get("reason", ""),
                about=about,
                in_force=self._curve_in_force(before),
                id=self.id,
            )

        self.computing = True
        self._worker.submit(job, lambda found: self._done(generation, found), lambda e: self._failed(generation, e))

    def _computable(self) -> Readings | None:
        """The readings, where they can give a curve: two thicknesses at least, and no field that stops."""
        readings = self.collected.readings
        if readings is None or (self.particulars is not None and self.particulars.faults):
            return None
        points = {row.point for row in readings.with_role("fit", "zero") if row.counts}
        return readings if len(points) >= 2 and points != {"zero"} else None

    def _curve_in_force(self, entry: ledger.Entry | None) -> Calibration | None:
        if entry is None:
            return None
        if self._in_force is None or self._in_force.id != entry.record["id"]:
            self._in_force = Calibration.from_dict(entry.record)
        return self._in_force

    def _done(self, generation: int, found: Calibration) -> None:
        if generation == self._generation:
            self.problem, self.computing = None, False
            self.result = found
            self.version += 1

    def _failed(self, generation: int, error: BaseException) -> None:
        if generation != self._generation:
            return
        self.computing, self.result = False, None
        if isinstance(error, Problem):
            self.problem = error
        else:
            self.fault = error
        self.version += 1

    # ---- verbs ----

    def choose_person(self, name: str) -> None:
        self.person = name
        self._changed()

    def choose_rig(self, name: str) -> None:
        """Fill the fields from the register and lay out the first rows; what was read stays."""
        rig = self.bench.rig(name)
        kept = {key: value for key, value in self.fields.items() if key in ("temperature", "switched_on", "order")}
        self.fields = defaults(self.bench, rig) | kept
        self.in_force = ledger.in_force(self.data, name)
        self.cursor = {}
        self._lay_out()
        self._changed()

    def set_field(self, name: str, text: str) -> None:
        """A field as typed; wrong ones are kept and named."""
        if self.fields.get(name, "") == text:
            return
        self.fields[name] = text
        if name in ("shim_set", "low", "high", "repeats"):
            self._lay_out()
        self._changed()

    def set_tick(self, tick: str, on: bool) -> None:
        if tick in TICKS and on != (tick in self.ticks):
            self.ticks = [each for each in TICKS if (each in self.ticks) != (each == tick)]
            self._changed()

    def open_part(self, part: str) -> None:
        """Lay out the rows of as found or of the check shims, and go there."""
        role = "as-found" if part == "as-found" else "check"
        if self.particulars is not None and self.fields.get("check_set"):
            for shim in self.bench.shim_set(self.fields["check_set"]):
                self.log.add(role, [shim.name], self.particulars.repeats)
        if part not in self.parts_open:
            self.parts_open = [*self.parts_open, part]
        self._changed()

    def read_shim(self, name: str) -> None:
        """A row for an extra point, and the cursor on it."""
        if self.particulars is not None and name in self.particulars.shims:
            self.cursor["readings"] = self.log.add("fit", [name], self.particulars.repeats)
            self.stopped = False
            self._changed()

    def stop_here(self) -> None:
        """No further point; the closing readings are laid out."""
        self.stopped = True
        self.close_readings()

    def close_readings(self) -> None:
        """Rows for the first shim, contact zero and the background, read again at the end."""
        first = next((line for line in self.log.of("fit") if line.taken), None)
        if self.particulars is not None and first is not None:
            repeats = self.particulars.repeats
            self.log.add("closing-fit", first.shims, repeats)
            self.log.add("closing-zero", [], repeats)
            if self.log.of("background"):
                self.log.add("closing-background", [], 1)
        self._changed()

    def background_again(self) -> None:
        """Ask for one more background reading."""
        line = self.log.line("background:")
        if line is not None:
            self.log.read_again(line.id, 1)
            self.cursor["readings"] = line.id
            self._changed()

    def decide_straggler(self, line_id: str, place: int, *, reason: str = "") -> None:
        """Keep a reading that stands apart, or leave it out for a reason."""
        if reason.strip():
            self.log.leave_out(line_id, place, reason.strip())
        else:
            self.log.keep(line_id, place)
        self._changed()

    def grid_event(self, part: str, event: Any) -> None:
        """What a person did in a grid; `event` has the attributes of the panels' `GridEvent`."""
        if self.read_only:
            return
        log, roles = self.log, PARTS[part]
        match event.type:
            case "take" | "edit":
                log.write(event.row, event.cell, event.text.strip(), self.person)
                self.cursor[part] = event.row
            case "clear":
                log.clear(event.cells, self.person)
            case "paste":
                log.paste(event.row, event.cell, event.block, roles, self.person)
            case "undo":
                log.undo()
            case "redo":
                log.redo()
            case "next-row":
                self.cursor[part] = self._row_after(part, event.row)
            case "select":
                self.cursor[part] = event.row
            case "hide-reference":
                self.hide_reference = event.value
            case "menu" if event.item == "read-again" and self.particulars is not None:
                log.read_again(event.row, self.particulars.repeats)
                self.cursor[part] = event.row
            case "menu" if event.item == "finish-fewer":
                log.finish(event.row)
            case _:
                return
        self._changed()

    def write_note(self, line_id: str, note: str) -> None:
        self.log.write_note(line_id, note.strip())
        self._changed()

    def set_aside(self, line_id: str, reason: str) -> None:
        """Dropped or damaged: the readings stay and do not count."""
        self.log.set_aside(line_id, reason.strip())
        self._changed()

    def remove_row(self, line_id: str) -> None:
        self.log.remove(line_id)
        self._changed()

    def take_table(self, source: str | bytes, name: str = "") -> str:
        """
        Readings from pasted cells or a file, into their rows.

        Returns
        -------
        str
            What was taken, as a code of `labkit.messages` would say it.

        Raises
        ------
        BadInput
            No rig is chosen, or the table was refused, with every fault.
        """
        if self.particulars is None:
            raise BadInput("page.no_rig")
        p = self.particulars
        shims = p.shims
        text = source if isinstance(source, bytes) else source.rstrip("\n") + "\n"
        try:
            found = read_readings(text, shims, p.unit)
        except BadFile as refused:
            raise BadFile([replace(fault, where=_named(fault.where, name)) for fault in refused.faults]) from None
        if found.signal != p.signal:
            raise BadInput("page.other_signal", got=found.unit, unit=p.unit)
        return self._take(found)

    def _take(self, found: Readings) -> str:
        assert self.particulars is not None
        groups: dict[str, list[Reading]] = {}
        for row in found.rows:
            line_id = self.log.add(row.role, list(row.shims), self.particulars.repeats)
            groups.setdefault(line_id, []).append(row)
        for line_id, rows in groups.items():
            texts = [_typed_in(row, found, self.particulars.unit) for row in rows]
            self.log.fill(line_id, texts, [row.time for row in rows], rows[0].operator or self.person)
        if any(row.role == "fit" for row in found.rows):
            self.log.remove_untaken("fit")
        for part, roles in PARTS.items():
            if part not in self.parts_open and any(row.role in roles for row in found.rows):
                self.parts_open = [*self.parts_open, part]
        self._changed()
        return str(Caution("page.taken", {"readings": len(found.rows), "rows": len(groups)}))

    # ---- signing ----

    def sign(self, passphrase: str, make_pdf: Callable[[dict[str, Any], str, bytes, str], bytes]) -> str:
        """
        Give the sheet a number, sign it, and keep it.

        Parameters
        ----------
        passphrase : str
        make_pdf : callable
            From record, number, signing file and passphrase to the signed PDF.

        Returns
        -------
        str
            The number.

        Raises
        ------
        BadInput
            Something stands in the way, or the passphrase is wrong; after three wrong ones the file rests a minute.
        """
        from labkit.workflow.blockers import blockers

        if self.read_only:
            raise BadInput("page.signed", number=self.number)
        if blockers(self) or self.result is None:
            raise BadInput("page.blocked")
        resting = [tried for tried in self._tries if time.monotonic() - tried < REST_S]
        if len(resting) >= MOST_TRIES:
            raise BadInput("page.rests", seconds=int(REST_S - (time.monotonic() - resting[0])) + 1)
        p12 = (self.data / "identities" / self.bench.person(self.person).identity).read_bytes()
        record = self.result.to_dict()
        try:
            entry = ledger.sign_and_keep(self.data, record, lambda number: make_pdf(record, number, p12, passphrase))
        except BadInput as problem:
            if problem.code == "sign.wrong_passphrase":
                self._tries = [*resting, time.monotonic()]
            raise
        self.number = entry.number
        self._changed()
        self.read_only = True
        return entry.number

    def signed_pdf(self) -> bytes:
        """The certificate."""
        return ledger.find(self.data, self.number).pdf.read_bytes()

    # ---- inside ----

    def _changed(self) -> None:
        """Every verb ends here: the draft is saved before anything is computed."""
        if self.read_only:
            return
        self._save()
        self.refresh()

    def _save(self) -> None:
        try:
            self.revision = ledger.save_draft(self.data, self.get_state())
        except OSError:
            self.not_saved_since = self.not_saved_since or self.saved or self.begun
        except Problem as problem:
            if problem.code != "draft.newer_elsewhere":
                raise
            self.read_only = True
            self.problem = problem
        else:
            self.saved, self.not_saved_since = self._now(), ""

    def save_again(self) -> None:
        """Try once more to save what could not be saved."""
        if self.not_saved_since and not self.read_only:
            self._save()

    def _lay_out(self) -> None:
        """The first rows: background, contact zero, and the shims at the two ends of the working range."""
        self.log.remove_untaken("fit")
        if self.rig is None:
            return
        p = read_fields(self.fields, self.bench, self.person, self.begun)
        assert p is not None
        if self.rig.conditions.background != "not shown":
            self.log.add("background", [], 1)
        self.log.add("zero", [], p.repeats)
        if self.fields.get("shim_set"):
            for name in _ends(self.bench, self.fields["shim_set"], p.about.working_range_mm):
                self.log.add("fit", [name], p.repeats)
        for line in self.log.lines:
            if not line.taken and line.role not in ("background", "closing-background"):
                line.wanted = p.repeats

    def _row_after(self, part: str, line_id: str) -> str:
        lines = [line.id for line in self.log.of(*PARTS[part])]
        place = lines.index(line_id) if line_id in lines else -1
        return lines[(place + 1) % len(lines)] if lines else ""


def _ends(bench: Bench, set_name: str, working: tuple[float, float] | None) -> Sequence[str]:
    """The shims that span the working range most closely."""
    shims = sorted(bench.shim_set(set_name), key=lambda shim: shim.thickness_mm)
    if not shims:
        return ()
    low, high = working or (shims[0].thickness_mm, shims[-1].thickness_mm)
    # a shim that falls short of the end by a hundredth still spans it: shims are never exactly what they are called
    below = [shim for shim in shims if shim.thickness_mm <= low * 1.01] or shims[:1]
    above = [shim for shim in shims if shim.thickness_mm >= high * 0.99] or shims[-1:]
    return tuple(dict.fromkeys([below[-1].name, above[0].name]))


def _named(where: Any, name: str) -> Any:
    return replace(where, file=name) if where is not None and name else where


def _typed_in(row: Reading, found: Readings, unit: str) -> str:
    """What was typed, in the unit of the page."""
    if found.signal == "raw" or found.unit == unit:
        return row.typed
    from labkit.units import from_mm

    return f"{from_mm(row.value, unit):.7g}"
