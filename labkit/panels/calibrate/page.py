"""The page put together: a model, seven sections that show it, and the frame around them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from IPython.display import display

from labkit.charts.look import curve_name
from labkit.ledger import load_draft
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.calibrate.section_as_found import AsFoundSection
from labkit.panels.calibrate.section_checks import ChecksSection
from labkit.panels.calibrate.section_curve import CurveSection
from labkit.panels.calibrate.section_extra import ExtraSection
from labkit.panels.calibrate.section_readings import ReadingsSection
from labkit.panels.calibrate.section_rig import RigSection
from labkit.panels.calibrate.section_sheet import SheetSection
from labkit.panels.guard import guarded, report
from labkit.panels.result_tables import strip_cells
from labkit.panels.visitor import wanted_draft
from labkit.paths import data_folder
from labkit.problems import BadInput, Problem
from labkit.workflow.blockers import marks
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.clock import day_and_time, time_of_day

INTRO: Final = (
    "Read the check shims as found, then the shims; choose the curve, prove it on the check shims, sign the sheet. "
    "Everything you type is saved as you go."
)


def show() -> None:
    """Show the page in a notebook cell; the last cell, for it waits until there is a visitor."""
    page = CalibratePage(data_folder())
    view = CalibrateView(page)
    view.open(wanted_draft())
    display(view.frame.root)  # type: ignore[no-untyped-call]


class CalibrateView:
    """
    The widgets of the page, built once.

    Parameters
    ----------
    page : CalibratePage
    """

    def __init__(self, page: CalibratePage) -> None:
        self.page = page
        self._said_not_saved = False
        self.rig = RigSection(page, self._guard)
        self.as_found = AsFoundSection(page, self._guard)
        self.readings = ReadingsSection(page, self._guard)
        self.curve = CurveSection(page, self._guard, self.readings.find)
        self.extra = ExtraSection(page, self._guard, self.readings.read_shim, self.readings.part.grid.listen)
        self.checks = ChecksSection(page, self._guard)
        self.sheet = SheetSection(page, self._guard)
        sections = (self.rig, self.as_found, self.readings, self.curve, self.extra, self.checks, self.sheet)
        self.door = Ask(self._guard, secret=True)
        self.frame = shell.page(
            "calibrate", "Calibrate", INTRO, [each.section for each in sections], door=self.door.root
        )
        self.frame.person.observe(self._guard(self._person_chosen), "value")
        self.frame.units.observe(self._guard(lambda _: self.refresh()), "value")
        self.frame.theme.on_change(self._guard(lambda _: self.refresh()))
        page.observe(self._guard(lambda _: self.refresh()), ["version", "number"])
        page.observe(self._guard(lambda _: self._say_head()), ["saved", "not_saved_since"])
        page.observe(self._guard(self._fault), "fault")
        self.frame.heartbeat.on_msg(self._guard(lambda *_: page.save_again()))

    def open(self, draft_id: str) -> None:
        """Load what changes with time: the bench, and the draft that the address asks for."""
        open_it = self._guard(self._open)
        open_it(draft_id)

    def refresh(self) -> None:
        """Have every section show what the model holds."""
        frame, page = self.frame, self.page
        unit, dark = frame.units.value, frame.theme.dark
        self.rig.show()
        self.as_found.show(unit)
        self.readings.show(unit)
        self.curve.show(unit, dark=dark)
        self.extra.show(unit, dark=dark)
        self.checks.show(unit, dark=dark)
        self.sheet.show()
        for no, mark in marks(page).items():
            shell.say_mark(frame, no, mark.state, str(mark.words))
        self._say_head()

    def _open(self, draft_id: str) -> None:
        page, frame = self.page, self.frame
        try:
            page.begin(load_draft(page.data, draft_id) if draft_id else None)
        except Problem as problem:
            # an empty page below it, so that work can go on
            page.begin()
            shell.say_banner(frame, str(problem))
        bench = page.bench
        shell.say_laboratory(frame, bench.laboratory)
        shell.say_people(frame, [person.name for person in bench.people], page.person)
        frame.heartbeat.title = f"Calibrate · {bench.laboratory.name or 'labkit'}"
        self.refresh()

    def _person_chosen(self, change: dict[str, object]) -> None:
        name = str(change["new"])
        if name == self.page.person:
            return
        try:
            self.page.choose_person(name)
        except Problem as problem:
            self.frame.person.value = self.page.person
            if problem.code != "draft.of_another" or not name:
                raise
            self._ask_to_take_over(name, f"{problem} {sentence('door.passphrase', {'name': name})}")

    def _ask_to_take_over(self, name: str, says: str) -> None:
        self.door.ask(says, sentence("door.take_over"), lambda passphrase: self._take_over(name, passphrase))

    def _take_over(self, name: str, passphrase: str) -> None:
        try:
            self.page.take_over(name, passphrase)
        except BadInput as problem:
            self._ask_to_take_over(name, str(problem))
            return
        shell.say_banner(self.frame)
        self.frame.person.value = name

    def _say_head(self) -> None:
        page, frame = self.page, self.frame
        zone = page.bench.zone
        rig = page.rig
        begun = day_and_time(page.begun, zone)
        follows = page.in_force.number if page.in_force is not None else "–"
        draft = f"Certificate {page.number}" if page.number else f"{rig.name}, {begun}" if rig else begun
        shell.say_cells(frame, {"Draft": draft, "Read by": page.person or "–", "Follows": follows})
        saved = ("Saved", time_of_day(page.saved, zone)) if page.saved else None
        self._say_saving(zone)
        if page.not_saved_since:
            saved = ("Not saved since", time_of_day(page.not_saved_since, zone))
        shell.say_strip(frame, self._strip(frame.units.value), saved)
        frame.heartbeat.saved = time_of_day(page.saved, zone)
        frame.heartbeat.draft = page.id if page.revision else ""

    def _say_saving(self, zone: str) -> None:
        """A banner where another tab went on, or while the draft cannot be saved; that one goes when it is saved."""
        since, problem = self.page.not_saved_since, self.page.problem
        if problem is not None and problem.code == "draft.newer_elsewhere":
            shell.say_banner(self.frame, sentence("page.elsewhere"), again=True)
        elif problem is not None and problem.code == "draft.of_another":
            shell.say_banner(self.frame, str(problem))
        elif since:
            shell.say_banner(self.frame, sentence("page.not_saved", {"time": time_of_day(since, zone)}))
        elif self._said_not_saved:
            shell.say_banner(self.frame)
        self._said_not_saved = bool(since)

    def _strip(self, unit: str) -> list[tuple[str, str]]:
        page = self.page
        pale = '<span class="lk-pale">{}</span>'
        rig = page.rig
        lines = [line for line in page.log.of("zero", "fit") if not line.set_aside]
        read = sum(line.complete for line in lines)
        cells = [
            ("Rig", shell.escape(str(rig.rig)) if rig else pale.format("none chosen")),
            ("Points", f"{read} of {len(lines)} read" if lines else pale.format("none")),
        ]
        if page.result is None:
            return [*cells, ("Curve", pale.format("none yet" if lines else "none"))]
        return [*cells, ("Curve", shell.escape(curve_name(page.result.curve.family))), *strip_cells(page.result, unit)]

    def _guard(
        self, callback: Callable[..., object], beside: Callable[[Problem], None] | None = None
    ) -> Callable[..., None]:
        return guarded(lambda sentence: shell.say_banner(self.frame, sentence), beside)(callback)

    def _fault(self, change: dict[str, object]) -> None:
        error = change["new"]
        if isinstance(error, BaseException):
            try:
                raise error
            except BaseException:
                shell.say_banner(self.frame, report("while computing"))
