"""What every page with a draft shows of it: who is at it, when it was saved, and what went wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

from labkit.ledger import load_draft
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.guard import guarded, report
from labkit.problems import BadInput, Problem
from labkit.workflow.clock import day_and_time, time_of_day
from labkit.workflow.readings_page import ReadingsPage

Model = TypeVar("Model", bound=ReadingsPage)


class DraftView(Generic[Model]):
    """
    The frame of a page with a draft. Whoever derives from it makes its sections and calls `build`.

    Parameters
    ----------
    page : ReadingsPage
    """

    TITLE = ""
    KEPT_AS = "Certificate"
    """What a signed draft is called, before its number."""

    frame: shell.Page

    def __init__(self, page: Model) -> None:
        self.page = page
        self._said_not_saved = False
        self.door = Ask(self.guard, secret=True)

    def build(self, intro: str, sections: Sequence[shell.Section]) -> None:
        """Put the frame around the sections, and listen to the model."""
        page = self.page
        self.frame = shell.page(page.PAGE, self.TITLE, intro, sections, door=self.door.root)
        self.frame.person.observe(self.guard(self._person_chosen), "value")
        self.frame.units.observe(self.guard(lambda _: self.refresh()), "value")
        self.frame.theme.on_change(self.guard(lambda _: self.refresh()))
        page.observe(self.guard(lambda _: self.refresh()), ["version", "number"])
        page.observe(self.guard(lambda _: self.say_head()), ["saved", "not_saved_since"])
        page.observe(self.guard(self._fault), "fault")
        self.frame.heartbeat.on_msg(self.guard(lambda *_: page.save_again()))

    # ---- what a page fills in ----

    def refresh(self) -> None:
        """Have every section show what the model holds."""
        raise NotImplementedError

    def strip(self, unit: str) -> list[tuple[str, str]]:
        """The cells of the strip: what it is, and what it says (HTML)."""
        raise NotImplementedError

    def begin(self, draft_id: str) -> None:
        """Have the model take up a draft, or begin a new one."""
        page = self.page
        page.begin(load_draft(page.data, draft_id) if draft_id else None)

    # ---- opening ----

    def open(self, draft_id: str) -> None:
        """Load what changes with time: the bench, and the draft that the address asks for."""
        open_it = self.guard(self._open)
        open_it(draft_id)

    def _open(self, draft_id: str) -> None:
        page, frame = self.page, self.frame
        try:
            self.begin(draft_id)
        except Problem as problem:
            # an empty page below it, so that work can go on
            page.begin()
            shell.say_banner(frame, str(problem))
        bench = page.bench
        shell.say_laboratory(frame, bench.laboratory)
        shell.say_people(frame, [person.name for person in bench.people], page.person)
        frame.heartbeat.title = f"{self.TITLE} · {bench.laboratory.name or 'labkit'}"
        self.refresh()

    # ---- who is at it ----

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

    # ---- head, strip and banner ----

    def say_head(self) -> None:
        """The printed cells, the strip, and the banner of a draft that is not saved."""
        page, frame = self.page, self.frame
        zone = page.bench.zone
        rig = page.rig
        begun = day_and_time(page.begun, zone)
        follows = page.in_force.number if page.in_force is not None else "–"
        draft = f"{self.KEPT_AS} {page.number}" if page.number else f"{rig.name}, {begun}" if rig else begun
        replaces = {"Replaces": page.replaces} if page.replaces else {}
        shell.say_cells(frame, {"Draft": draft, "Read by": page.person or "–", "Follows": follows, **replaces})
        saved = ("Saved", time_of_day(page.saved, zone)) if page.saved else None
        self._say_saving(zone)
        if page.not_saved_since:
            saved = ("Not saved since", time_of_day(page.not_saved_since, zone))
        shell.say_strip(frame, self.strip(frame.units.value), saved)
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

    # ---- faults ----

    def guard(
        self, callback: Callable[..., object], beside: Callable[[Problem], None] | None = None
    ) -> Callable[..., None]:
        """What stands around every callback of the page; see `labkit.panels.guard`."""
        return guarded(lambda sentence: shell.say_banner(self.frame, sentence), beside)(callback)

    def _fault(self, change: dict[str, object]) -> None:
        error = change["new"]
        if isinstance(error, BaseException):
            try:
                raise error
            except BaseException:
                shell.say_banner(self.frame, report("while computing"))
