"""The certificates of an auxiliary instrument, and a new one with its PDF: under the form of the instrument."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Final

import ipywidgets as W

from labkit.ledger import InstrumentCertificate, kept_pdf
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.bench.certificate_pdf import CertificatePdf
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_instruments import FIELDS, read_certificate
from labkit.workflow.clock import day, today, when

_LABELS: Final = ("Certificate", "Certified on", "Due", "Issued by")


class InstrumentPart:
    """
    Stays hidden until an instrument that is in use is opened.

    Parameters
    ----------
    page : BenchPage
    guard : callable
    signed_in : callable
        `labkit.panels.bench.sign_in.SignIn.signed_in`.
    kept : callable
        Called with the name of the instrument once a certificate is kept.
    """

    def __init__(
        self,
        page: BenchPage,
        guard: Guard,
        signed_in: Callable[[str, str, Callable[[], object]], None],
        kept: Callable[[str], object],
    ) -> None:
        self._page, self._signed_in, self._kept = page, signed_in, kept
        self.name = ""
        self._fields: dict[str, str] = {}
        self._said = shell.html("", "lk-say-field")
        self._form = Form(guard(self._typed))
        fields = [
            self._form.field(label, self._form.text(name, width="wide", label=label), names=[name])
            for name, label in zip(FIELDS, _LABELS, strict=True)
        ]
        self._pdf = CertificatePdf()
        self._save = Answer(
            guard(self._keep, beside=self._refuse),
            label="Keep the certificate",
            name="Why it is kept",
            placeholder="Why, such as “yearly calibration”",
        )
        columns = ("Certificate", "Certified on", "Due", "Issued by", "By")
        self._list = Listing("Its certificates", columns, guard(self._give))
        self._new = shell.rows(
            [
                shell.html("<h3>A new certificate</h3>"),
                shell.with_classes(W.GridBox(fields), "lk-form"),
                self._pdf,
                self._save,
                self._said,
            ],
            "lk-stack",
        )
        self._none = shell.html()
        self.root = shell.rows([shell.html("<h3>Its certificates</h3>"), self._none, self._list, self._new], "lk-stack")
        self.close()

    def open(self, name: str) -> None:
        self.name, self._pdf.content, self._fields = name, b"", {}
        self._form.show({}, {}, {})
        shell.say(self._said, "")
        self.root.layout.display = ""

    def close(self) -> None:
        self.name = ""
        self.root.layout.display = "none"

    def show(self, *, in_use: bool) -> None:
        """What is kept now; nothing is added to an instrument that is not in use."""
        if not self.name:
            return
        found = self._found()
        words = sentence("bench.no_certificate", {"name": self.name})
        shell.say(self._none, "" if found else shell.lead(words, quiet=True))
        self._list.show([self._row(i, each) for i, each in enumerate(found)])
        self._list.layout.display = "" if found else "none"
        self._new.layout.display = "" if in_use else "none"

    def _found(self) -> list[InstrumentCertificate]:
        return [each for each in self._page.instrument_certificates if each.instrument == self.name]

    def _typed(self, name: str, text: str) -> None:
        self._fields[name] = text.strip()
        self._page.use()

    def _keep(self, why: str) -> None:
        made, faults = read_certificate(self.name, self._fields)
        self._form.show(self._fields, faults, {})
        if faults:
            raise BadInput("bench.put_right")
        pdf, name = self._pdf.content, self.name

        def keep() -> None:
            self._page.certify(made, why, pdf)
            self._kept(name)
            shell.say(
                self._said, shell.message("ok", shell.escape(sentence("bench.saved", {"name": made.certificate})))
            )

        self._signed_in("register", sentence("bench.register_sign_in"), keep)

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._said, shell.error(str(problem)))

    def _row(self, index: int, each: InstrumentCertificate) -> Row:
        page = self._page
        here = today(page.now, page.bench.zone)
        return Row(
            str(index),
            (
                Cell(each.certificate, bold=True),
                Cell(_day(each.certified_on, here)),
                Cell(_day(each.due, here)),
                Cell(each.issued_by or "–"),
                Cell(each.who, when(each.at, page.bench.zone, page.now)),
            ),
            (Button("pdf", "PDF"),) if each.sha256 else (),
            off=index > 0,
        )

    def _give(self, index: str, _button: str) -> None:
        each = self._found()[int(index)]
        self._list.give(f"{each.certificate}.pdf", kept_pdf(self._page.data, each.sha256))


def _day(iso: str, here: date) -> str:
    return day(date.fromisoformat(iso), here) if iso else "–"
