"""The page Calibrate: seven sections, from the rig to the signed sheet."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Final

from IPython.display import display

from labkit.ledger import load_bench, load_draft, utc_now
from labkit.panels import shell
from labkit.panels.clock import day_and_time, time_of_day
from labkit.panels.guard import guarded
from labkit.panels.visitor import wanted_draft
from labkit.paths import data_folder
from labkit.problems import Problem

INTRO: Final = (
    "Read the check shims as found, then the shims; choose the curve, prove it on the check shims, sign the sheet. "
    "Everything you type is saved as you go."
)


def show() -> None:
    """Show the page in a notebook cell; the last cell, for it waits until there is a visitor."""
    frame = shell.page("calibrate", "Calibrate", INTRO, _sections())
    fill = guarded(banner=partial(shell.say_banner, frame))(_fill)
    draft_id = wanted_draft()
    fill(frame, data_folder(), draft_id)
    display(frame.root)  # type: ignore[no-untyped-call]


def _sections() -> list[shell.Section]:
    empty = shell.html
    return [
        shell.section(
            1, "Rig and conditions", "idle", "Choose a rig", notes=[empty(shell.MAGNET), empty(shell.SMALL_TARGET)]
        ),
        shell.section(
            2,
            "As found",
            "idle",
            "Not read",
            notes=[
                empty(
                    shell.note(
                        "As found shows what the rig did until today. Once it is cleaned, zeroed or adjusted, nobody "
                        "can read it again."
                    )
                )
            ],
            body=[
                empty(shell.lead("Choose a rig first: as found is read with the curve now in force.", quiet=True)),
                shell.bar(
                    [
                        shell.button("Read as found", disabled=True),
                        shell.button("Cannot be read, with a reason", disabled=True),
                    ]
                ),
            ],
        ),
        shell.section(
            3,
            "Readings",
            "idle",
            "None yet",
            notes=[empty(shell.note("<b>Enter</b> always takes a reading. The gauge’s own key does the same."))],
        ),
        shell.section(
            4,
            "Curve",
            "idle",
            "Needs three points",
            body=[empty(shell.lead("A curve needs three thicknesses; none is read.", quiet=True))],
        ),
        shell.section(
            5,
            "Extra points",
            "idle",
            "Later",
            body=[empty(shell.lead("Advice begins when zero and both end shims are read.", quiet=True))],
        ),
        shell.section(
            6,
            "Check shims",
            "idle",
            "Not read",
            body=[empty(shell.lead("They are read last, with the new curve, and take no part in it.", quiet=True))],
        ),
        shell.section(
            7,
            "Sheet",
            "idle",
            "Nothing to sign",
            notes=[empty(shell.note("Its number is given when you sign."))],
            body=[
                shell.bar([shell.button("Finish and sign", main=True, disabled=True)]),
                empty(
                    '<p class="lk-quiet">No rig is chosen (section 1), and nothing is read (sections 2, 3 and 6).</p>'
                ),
            ],
        ),
    ]


def _fill(frame: shell.Page, data: Path, draft_id: str) -> None:
    bench = load_bench(data)
    shell.say_laboratory(frame, bench.laboratory)
    try:
        draft = load_draft(data, draft_id) if draft_id else {}
    except Problem as problem:
        draft = {}
        shell.say_banner(frame, str(problem))
    shell.say_people(frame, [person.name for person in bench.people], draft.get("person", ""))
    pale = '<span class="lk-pale">{}</span>'
    shell.say_strip(
        frame,
        [("Rig", pale.format("none chosen")), ("Points", pale.format("none")), ("Curve", pale.format("none"))],
        ("Saved", time_of_day(draft["saved"], bench.zone)) if draft else None,
    )
    shell.say_cells(
        frame,
        {
            "Draft": day_and_time(draft.get("begun") or utc_now(), bench.zone),
            "Read by": draft.get("person") or "–",
            "Follows": "–",
        },
    )
    frame.heartbeat.title = f"Calibrate · {bench.laboratory.name or 'labkit'}"
    frame.heartbeat.draft = draft.get("id", "")
