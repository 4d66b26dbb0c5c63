"""Section 7: what is left, the sheet as it stands, the signature, and what can be taken away."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import ipywidgets as W

from labkit import ledger
from labkit.inert import inert
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.asking import AskingPart
from labkit.panels.download import Download
from labkit.panels.guard import Guard
from labkit.problems import BadInput, Problem
from labkit.sheet.house import House
from labkit.workflow.blockers import Blocker, blockers
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.clock import time_of_day
from labkit.workflow.record_files import correction_card, gauge_label
from labkit.workflow.signing import signed_sheet

FORMS = (("Full", "full"), ("One page", "summary"))

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
        self._usual_form = page.house.form
        self._form = W.ToggleButtons(options=FORMS, value=self._usual_form)
        self._form.observe(guard(self._another_form), "value")
        self._label = Download(self._gauge_label, "label.pdf", "Print gauge label")
        self._card = Download(self._correction_card, "card.pdf", "Print correction card")
        self._certificate = Download(page.signed_pdf, "certificate.pdf", "Download PDF", primary=True)
        self._readings = Download(self._readings_csv, "readings.csv", "Download the readings")
        self._draft = Download(self._unsigned, "draft.pdf", "Download an unsigned draft")
        self._data = Download(self._record, "record.json", "Download its data")
        self._forms = shell.bar([shell.html("<span>Form</span>", "lk-l"), self._form], "lk-f")
        self.section = shell.section(
            7,
            "Sheet",
            notes=[self._asking.note, shell.html("".join(shell.note(said) for said in MARGIN))],
            body=[
                shell.with_classes(
                    W.GridBox(
                        [
                            shell.rows([self._forms, self._look, self._preview], "lk-stack"),
                            shell.rows(
                                [
                                    self._left,
                                    self._field,
                                    self._says,
                                    self._asking.root,
                                    shell.bar([self._certificate, self._data]),
                                    shell.bar([self._label, self._card]),
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
        for button, what in ((self._label, "label"), (self._card, "card")):
            button.file_name = f"{what}-{page.number or '0000'}.pdf"
            button.layout.display = "" if page.number else "none"
        if self._usual_form != page.house.form:
            self._usual_form = self._form.value = page.house.form
        self._form.disabled = bool(page.number)
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
        house = self._house()
        pictures = svg_preview(
            page.result.to_dict(),
            number=page.number or None,
            signed=bool(page.number),
            form=house.form,
            house=house,
        )
        shell.say(self._preview, "".join(_picture(i, svg) for i, svg in enumerate(pictures)))
        self._drawn_for = page.result

    def _finish(self, passphrase: str) -> None:
        shell.say(self._refused, "")
        self._page.sign(passphrase, partial(signed_sheet, house=self._house()))
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
        house = self._house()
        return render(self._page.result.to_dict(), form=house.form, house=house)

    def _house(self) -> House:
        """The laboratory's own hand, in the form that was chosen here."""
        return replace(self._page.house, form=self._form.value)

    def _another_form(self, _change: object) -> None:
        if self._drawn_for is not None:
            self._draw(None)

    def _gauge_label(self) -> bytes:
        return gauge_label(self._page.data, ledger.find(self._page.data, self._page.number))

    def _correction_card(self) -> bytes:
        return correction_card(self._page.data, ledger.find(self._page.data, self._page.number))

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
