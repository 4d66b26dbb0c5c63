"""Section 7: what is left, the sheet as it stands, the signature, and what can be taken away."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Sequence

import ipywidgets as W

from labkit.inert import inert
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.asking import AskingPart
from labkit.panels.download import Download
from labkit.panels.guard import Guard
from labkit.problems import BadInput, Problem
from labkit.workflow.blockers import Blocker, blockers
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.clock import time_of_day
from labkit.workflow.signing import signed_sheet

MARGIN = (
    "Its number is given when you sign. A signed certificate cannot be changed: it can be replaced, and says so.",
    "The numbers are inside the PDF too, so that anybody can recompute them. A copied table is not the signed "
    "certificate.",
    "No next date is printed unless the customer agreed to it.",
)

_LOOK_EVERY = 3
"""Heartbeats between two looks at what was answered."""


class SheetSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
    """

    def __init__(self, page: CalibratePage, guard: Guard) -> None:
        self._page = page
        self._left, self._says, self._preview = shell.html(), shell.html(), shell.html()
        self._look = shell.button("Show the sheet as it stands", guard(self._draw))
        self._refused = shell.html("", "lk-say-field")
        self._sign = Answer(
            guard(self._finish, beside=lambda problem: self._refuse(problem)),
            label="Finish and sign",
            name="Passphrase",
            placeholder="of your signing file",
            empty=sentence("page.no_passphrase"),
            secret=True,
        )
        self._field = shell.bar(
            [shell.html("<span>Passphrase</span>", "lk-l"), shell.bar([self._sign], "lk-bar"), self._refused], "lk-f"
        )
        self._asking = AskingPart(page, guard, self._verdict)
        self._certificate = Download(page.signed_pdf, "certificate.pdf", "Download PDF", primary=True)
        self._readings = Download(self._readings_csv, "readings.csv", "Download the readings")
        self._draft = Download(self._unsigned, "draft.pdf", "Download an unsigned draft")
        self._data = Download(self._record, "record.json", "Download its data")
        self.section = shell.section(
            7,
            "Sheet",
            notes=[self._asking.note, shell.html("".join(shell.note(said) for said in MARGIN))],
            body=[
                shell.with_classes(
                    W.GridBox(
                        [
                            shell.rows([self._look, self._preview], "lk-stack"),
                            shell.rows(
                                [
                                    self._left,
                                    self._field,
                                    self._says,
                                    self._asking.root,
                                    shell.bar([self._certificate, self._data]),
                                    shell.html("<h3>Meanwhile</h3>"),
                                    shell.bar([self._readings, self._draft]),
                                ],
                                "lk-stack",
                            ),
                        ]
                    ),
                    "lk-split",
                    "lk-35",
                )
            ],
        )
        self._drawn_for: object = None
        self._looked_for: object = None
        self._ticks = 0

    def show(self) -> None:
        page = self._page
        left = [] if page.number else blockers(page)
        shell.say(self._left, _left_words(left))
        self._sign.enabled = not left and not page.read_only
        self._field.layout.display = "none" if page.number else ""
        shell.say(self._says, _says(page, left))
        asked_for = (page.id, page.number)
        if self._looked_for != asked_for:  # not after each reading: nobody answers what was not asked
            self._looked_for = asked_for
            self._asking.asking.look()
        self._asking.show()
        self._certificate.enabled = bool(page.number)
        self._certificate.file_name = f"certificate-{page.number or '0000'}.pdf"
        self._certificate.layout.display = "" if page.number else "none"
        self._data.enabled = page.result is not None
        self._draft.enabled = page.result is not None
        self._readings.enabled = page.collected.readings is not None
        self._look.disabled = page.result is None
        if self._drawn_for is not None and self._drawn_for is not page.result:
            self._drawn_for = None
            shell.say(self._preview, "")

    def tick(self) -> None:
        """The browser asks every two seconds: now and then, see whether somebody has answered."""
        self._ticks += 1
        if self._asking.asking.open and self._ticks % _LOOK_EVERY == 0:
            self._asking.look()

    def _verdict(self) -> str:
        """What the check shims say, for whoever is asked to approve."""
        result = self._page.result
        return (result.verdict if result is not None else None) or sentence("request.no_verdict")

    def _draw(self, _button: object) -> None:
        from labkit.sheet import svg_preview

        page = self._page
        if page.result is None:
            return
        pictures = svg_preview(page.result.to_dict(), number=page.number or None, signed=bool(page.number))
        shell.say(self._preview, "".join(_picture(i, svg) for i, svg in enumerate(pictures)))
        self._drawn_for = page.result

    def _finish(self, passphrase: str) -> None:
        shell.say(self._refused, "")
        self._page.sign(passphrase, signed_sheet)
        self._draw(None)

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._refused, shell.error(str(problem)))

    # ---- files ----

    def _readings_csv(self) -> bytes:
        """The readings as typed, in the long form that they can be read from again."""
        readings = self._page.collected.readings
        if readings is None:
            raise BadInput("points.none")
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["shim", f"indication [{readings.unit}]", "role", "time", "operator", "left out"])
        for row in readings.rows:
            # what was typed has been read as a number, whatever its sign
            point, operator, left_out = inert(row.point), inert(row.operator), inert(row.left_out)
            writer.writerow([point, row.typed, row.role, row.time, operator, left_out])
        return out.getvalue().encode("utf-8-sig")

    def _unsigned(self) -> bytes:
        from labkit.sheet import render

        if self._page.result is None:
            raise BadInput("points.none")
        return render(self._page.result.to_dict())

    def _record(self) -> bytes:
        if self._page.result is None:
            raise BadInput("points.none")
        return json.dumps(self._page.result.to_dict(), ensure_ascii=False, indent=2).encode()


def _left_words(left: Sequence[Blocker]) -> str:
    if not left:
        return ""
    lines = "".join(
        f'<li><span class="lk-dot lk-stop"></span><span>{shell.escape(each)} '
        f'<a href="{each.place}">Go there</a></span></li>'
        for each in left
    )
    return f'<h3>Before it can be finished</h3><ul class="lk-block">{lines}</ul>'


def _says(page: CalibratePage, left: Sequence[Blocker]) -> str:
    if page.number:
        when = time_of_day(page.saved, page.bench.zone)
        words = f"Signed by {page.person}, {when}. Certificate {page.number} is in the ledger."
        return shell.message("ok", f"<b>{shell.escape(words)}</b>")
    if left:
        return '<p class="lk-quiet">Not until the things above are done.</p>'
    return '<p class="lk-quiet">Nothing stands in the way. The number is given when you sign.</p>'


def _picture(index: int, svg: bytes) -> str:
    """A page of the sheet; as an image, so that nothing in it can act on the page."""
    data = base64.b64encode(svg).decode()
    return (
        f'<img class="lk-a4" alt="Page {index + 1} of the sheet" src="data:image/svg+xml;base64,{data}">'
        f'<p class="lk-cap">Page {index + 1}, as it stands now</p>'
    )
