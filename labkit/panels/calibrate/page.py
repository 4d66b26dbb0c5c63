"""The page put together: a model, seven sections that show it, and the frame around them."""

from __future__ import annotations

from typing import Final

from IPython.display import display

from labkit.charts.look import curve_name
from labkit.panels import shell
from labkit.panels.calibrate.section_as_found import AsFoundSection
from labkit.panels.calibrate.section_checks import ChecksSection
from labkit.panels.calibrate.section_curve import CurveSection
from labkit.panels.calibrate.section_extra import ExtraSection
from labkit.panels.calibrate.section_readings import ReadingsSection
from labkit.panels.calibrate.section_rig import RigSection
from labkit.panels.calibrate.section_sheet import SheetSection
from labkit.panels.draft_view import DraftView
from labkit.panels.result_tables import strip_cells
from labkit.panels.visitor import wanted_all
from labkit.paths import data_folder
from labkit.workflow.blockers import marks
from labkit.workflow.calibrate import CalibratePage

INTRO: Final = (
    "Read the check shims as found, then the shims; choose the curve, prove it on the check shims, sign the sheet. "
    "Everything you type is saved as you go."
)


def show() -> None:
    """Show the page in a notebook cell; the last cell, for it waits until there is a visitor."""
    page = CalibratePage(data_folder())
    view = CalibrateView(page)
    asked = wanted_all()
    view.rig_wanted = asked.get("rig", "")
    view.open(asked.get("draft", ""))
    display(view.frame.root)  # type: ignore[no-untyped-call]


class CalibrateView(DraftView[CalibratePage]):
    """
    The widgets of the page, built once.

    Parameters
    ----------
    page : CalibratePage

    Attributes
    ----------
    rig_wanted : str
        With which a new page begins.
    """

    TITLE = "Calibrate"

    def __init__(self, page: CalibratePage) -> None:
        super().__init__(page)
        self.rig_wanted = ""
        self.rig = RigSection(page, self.guard)
        self.as_found = AsFoundSection(page, self.guard)
        self.readings = ReadingsSection(page, self.guard)
        self.curve = CurveSection(page, self.guard, self.readings.find)
        self.extra = ExtraSection(page, self.guard, self.readings.read_shim, self.readings.part.grid.listen)
        self.checks = ChecksSection(page, self.guard)
        self.sheet = SheetSection(page, self.guard)
        sections = (self.rig, self.as_found, self.readings, self.curve, self.extra, self.checks, self.sheet)
        self.build(INTRO, [each.section for each in sections])
        self.frame.heartbeat.on_msg(self.guard(lambda *_: self.sheet.tick()))

    def begin(self, draft_id: str) -> None:
        """As for every page; a new one begins with the rig that the address names, where it names one."""
        super().begin(draft_id)
        if self.rig_wanted and not draft_id:
            self.page.choose_rig(self.rig_wanted)

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
        self.say_head()

    def strip(self, unit: str) -> list[tuple[str, str]]:
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
