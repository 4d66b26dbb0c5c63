"""The page put together: a model, three sections that show it, and the frame around them."""

from __future__ import annotations

from typing import Final

from IPython.display import display

from labkit.calibration.in_print import printed_check
from labkit.check.run import shim_outcome
from labkit.ledger import load_draft
from labkit.panels import shell
from labkit.panels.check.section_decision import DecisionSection, decision_mark
from labkit.panels.check.section_moved import MovedSection
from labkit.panels.check.section_today import TodaySection, shown_background, today_mark
from labkit.panels.draft_view import DraftView
from labkit.panels.visitor import wanted_all
from labkit.paths import data_folder
from labkit.units import small_unit
from labkit.workflow.check import CheckPage

INTRO: Final = (
    "Before the first part: once with no target, once at contact zero, then two check shims. Half a minute, and it "
    "says whether the rig is fit to measure."
)

_PALE: Final = '<span class="lk-pale">{}</span>'


def show() -> None:
    """Show the page in a notebook cell; the last cell, for it waits until there is a visitor."""
    view = CheckView(CheckPage(data_folder()))
    asked = wanted_all()
    view.rig = asked.get("rig", "")
    view.open(asked.get("draft", ""))
    display(view.frame.root)  # type: ignore[no-untyped-call]
    view.listen()


class CheckView(DraftView[CheckPage]):
    """
    The widgets of the page, built once.

    Parameters
    ----------
    page : CheckPage

    Attributes
    ----------
    rig : str
        Whose rows are laid out at once when the page opens.
    """

    TITLE = "Check"
    KEPT_AS = "Check"

    def __init__(self, page: CheckPage) -> None:
        super().__init__(page)
        self.rig = ""
        self.decision = DecisionSection(page, self.guard)
        self.today = TodaySection(page, self.guard, self.decision.ask)
        self.moved = MovedSection(page, self.guard)
        self.build(INTRO, [self.today.section, self.decision.section, self.moved.section])
        self.frame.heartbeat.on_msg(self.guard(lambda *_: self.decision.tick()))

    def begin(self, draft_id: str) -> None:
        self.page.begin(load_draft(self.page.data, draft_id) if draft_id else None, self.rig)

    def listen(self) -> None:
        """The cursor in the band, where there is something to read."""
        if self.page.log.lines and not self.page.read_only:
            self.today.part.grid.listen()

    def refresh(self) -> None:
        """Have every section show what the model holds."""
        frame, page = self.frame, self.page
        unit, dark = frame.units.value, frame.theme.dark
        self.today.show(unit)
        self.decision.show(unit)
        self.moved.show(unit, dark=dark)
        for no, (state, words) in enumerate((today_mark(page), decision_mark(page), self.moved.mark()), 1):
            shell.say_mark(frame, no, state, words)
        if frame.person.value != page.person:
            shell.say_people(frame, [person.name for person in page.bench.people], page.person)
        self.say_head()

    def strip(self, unit: str) -> list[tuple[str, str]]:
        page = self.page
        cells = [("Rig", shell.escape(str(page.rig.rig)) if page.rig else _PALE.format("none chosen"))]
        check = page.check
        if check is None:
            return [*cells, ("Decision", _PALE.format("none yet"))]
        if check.background.now is not None:
            cells.append(("Background", shell.escape(shown_background(check))))
        small = small_unit(unit)
        for each in check.shims:
            printed = printed_check(each.deviation_mm, each.U_mm, each.limits_mm, each.decision, unit)
            state = "" if shim_outcome(each) == "pass" else f" {shim_outcome(each)}"
            cells.append((each.point, shell.escape(f"{printed.deviation} {small}{state}")))
        said = shell.escape(str(check.says).rstrip(".")) if check.says else _PALE.format("none yet")
        return [*cells, ("Decision", said)]
