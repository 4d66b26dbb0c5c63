"""The page Calibrate: what a person can do on it."""

from __future__ import annotations

from labkit import ledger
from labkit.problems import BadInput, Caution
from labkit.workflow import tables
from labkit.workflow.calibrate_model import CalibrateModel
from labkit.workflow.draft_page import MakePdf
from labkit.workflow.log import PARTS, ReadingLog, line_id
from labkit.workflow.particulars import RULE_FIELDS, TICKS, defaults, read_fields
from labkit.workflow.readings_page import clean, verb
from labkit.workflow.rig_work import RigWork
from labkit.workflow.shims_out import SHIMS_REASON


class CalibratePage(CalibrateModel):
    """
    One draft on the page Calibrate. Views observe the traits and call the verbs; nothing else.

    Every verb saves the draft before anything is computed, and does nothing on a page that may only be looked at.
    Parameters and attributes are those of `CalibrateModel`.
    """

    # ---- verbs: who, what, with which ----

    @verb
    def choose_person(self, name: str) -> None:
        super().choose_person(name)

    @verb
    def choose_rig(self, name: str) -> None:
        """
        Fill the fields from the register and lay out the first rows.

        What was typed for another rig is put away, for its readings are not this rig's; it comes back with that rig.
        """
        rig, before = self.bench.rig(name), self.fields.get("rig", "")
        if name == before:
            return
        again = self.put_away.get(name)
        kept = {key: value for key, value in self.fields.items() if key in ("temperature", "switched_on", "order")}
        if before:
            self.put_away[before] = self._work.get_state()
        if again is not None:
            self._work = RigWork.from_state(again, self._kept, self._now)
            del self.put_away[name]
        else:
            self._work = RigWork(defaults(self.bench, rig) | kept, ReadingLog(self._now))
        self._look_up_in_force(self._work.in_force if self._as_found_begun else None)
        self.cursor = {}
        ledger.let_go(self.data, self.id, self.who)
        self.look_at_gauge()
        self._lay_out()

    @verb
    def set_field(self, name: str, text: str) -> None:
        """A field as typed; wrong ones are kept and named. The rule stays as it is once a check shim is read."""
        text = clean(text)
        if name == "rig" or self.fields.get(name, "") == text or (name in RULE_FIELDS and self.rule_fixed):
            return
        repeats = self.particulars.repeats if self.particulars is not None else 0
        if name == "switched_on" and text:
            self.take_gauge()
        self.fields[name] = text
        if name == SHIMS_REASON:
            self.fields[f"{SHIMS_REASON}_by"] = self.person if text else ""
        if name == "release_reason":
            self.fields["released_by"] = self.person if text else ""
        if name == "widen_reason":
            self.fields["widened_by"] = self.person if text else ""
        if name in ("shim_set", "low", "high"):
            self.log.clear_away("fit")
        if name == "check_set":
            self.log.clear_away("as-found", "check")
        if name in ("shim_set", "check_set", "low", "high", "repeats"):
            self._lay_out(before=repeats)

    @verb
    def set_tick(self, tick: str, on: bool) -> None:
        if tick in TICKS:
            self.ticks = [each for each in TICKS if (each in self.ticks if each != tick else on)]

    # ---- verbs: rows ----

    @verb
    def open_part(self, part: str) -> None:
        """Lay out the rows of as found or of the check shims, those that were taken out too."""
        if part == "as-found" and not self._as_found_begun:
            self._look_up_in_force()
        self._work.open(part)
        self._lay_out()

    @verb
    def read_shim(self, name: str) -> None:
        """A row for an extra point, or another set of readings where it has one; and the cursor on it."""
        p = self.particulars
        if p is None or name not in p.shims:
            return
        line = self.log.line(line_id("fit", [name]))
        if line is None:
            line = self.log.line(self.log.lay_out("fit", [name], p.repeats))
        elif line.complete and not line.set_aside:
            self.log.read_again(line.id, p.repeats)
        if line is not None:
            self.cursor["readings"] = line.id
            self._work.stopped = False

    @verb
    def lay_out_plan(self) -> None:
        """Rows for the shims that are advised before anything is read."""
        if self.plan is not None and self.particulars is not None:
            for name in self.plan.left:
                self.log.lay_out("fit", [name], self.particulars.repeats)

    @verb
    def stop_here(self) -> None:
        """No further point; the closing readings are laid out."""
        self._work.stopped = True
        self._lay_out_closing()

    @verb
    def close_readings(self) -> None:
        """Rows for the first shim, contact zero and the background, read again at the end."""
        self._lay_out_closing()

    @verb
    def background_again(self) -> None:
        """Ask for one more background reading."""
        line = self.log.line(line_id("background", []))
        if line is not None:
            if line.complete:
                self.log.read_again(line.id, 1)
            self.cursor["readings"] = line.id

    @verb
    def remove_row(self, line_id: str) -> None:
        """Take out a row that holds no reading."""
        self.log.remove(line_id)
        self._work.take_out(line_id)

    # ---- verbs: readings ----

    def take_table(self, source: str | bytes, name: str = "") -> str:
        """
        Readings from pasted cells or a file, into their rows.

        Returns
        -------
        str
            What was taken, and what was left out.

        Raises
        ------
        BadInput
            No rig is chosen, or the table was refused, with every fault.
        """
        if self.read_only:
            return ""
        p = self.particulars
        if p is None:
            raise BadInput("page.no_rig")
        found = tables.read_table(source if isinstance(source, bytes) else clean(source, strip=False), name, p)
        self.take_gauge()
        table = self._work.next_source(name)
        count = tables.put_into(self.log, found, p, table, self.person)
        self._work.tables[table] = tables.doubts(found)
        if tables.is_whole(found):
            self._work.clear_away_ends()
        for part, roles in PARTS.items():
            if part not in self._work.parts_open and any(row.role in roles for row in found.rows):
                self._work.open(part)
        self._lay_out()
        self._changed()
        left_out = [str(caution) for caution in found.cautions if caution.code == "readings.row_left_out"]
        return " ".join([str(Caution("page.taken", {"readings": len(found.rows), "rows": count})), *left_out])

    # ---- signing ----

    def sign(self, passphrase: str, make_pdf: MakePdf) -> str:
        """As for every page; readings of other rigs that are put away here become drafts of their own."""
        number = super().sign(passphrase, make_pdf)
        for rig, work in self.put_away.items():
            if any(cell["text"] for line in work["log"] for cell in line["cells"]):
                apart = {"id": ledger.new_id(), "revision": 0, "number": "", "rig": rig, "work": work, "put_away": {}}
                ledger.save_draft(self.data, self.get_state() | apart)
        return number

    # ---- inside ----

    def _changed(self) -> None:
        """Every verb ends here: the draft is saved before anything is computed."""
        self._work.look_at_checks(self._now())
        self._save()
        if self.read_only:
            self._give_up_computing()
            self.version += 1
        else:
            self.refresh()

    def _lay_out(self, before: int = 0) -> None:
        """
        The rows that must be there: background, contact zero, the shims at the two ends, and the parts that are open.

        `before` is how many repeats were asked for until now.
        """
        p = read_fields(self.fields, self.bench, self.person, self.begun)
        if p is None or self.rig is None:
            return
        self._work.lay_out(p, self.bench, background=self.rig.conditions.background != "not shown", before=before)

    def _lay_out_closing(self) -> None:
        lines = [line for line in self.log.of("fit") if line.taken and not line.set_aside]
        first = next((line for line in lines if line.id not in self.collected.elsewhere), None)
        if self.particulars is None or first is None:
            return
        repeats = self.particulars.repeats
        self.log.lay_out("closing-fit", first.shims, repeats)
        self.log.lay_out("closing-zero", [], repeats)
        if self.log.of("background"):
            self.log.lay_out("closing-background", [], 1)
