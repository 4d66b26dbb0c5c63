"""One shim: its certificates, a new one with its PDF, and setting it aside."""

from __future__ import annotations

from functools import partial
from typing import Final

import ipywidgets as W

from labkit.format import number
from labkit.ledger import Version, kept_pdf, shim_certificates
from labkit.ledger.shim_certificates import ShimCertificate
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.ask import Ask
from labkit.panels.bench.certificate_pdf import CertificatePdf
from labkit.panels.bench.sign_in import SignIn
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_shims import FIELDS, recertified, registered, shim_fields, shims_of
from labkit.workflow.clock import day, today, when

_LABELS: Final = ("Certificate", "Thickness", "U", "k", "Certified on", "Due", "Issued by")
_UNITS: Final = {"thickness": "mm", "U": "µm"}


class ShimForm:
    """
    Stays hidden until a shim is opened.

    Parameters
    ----------
    page : BenchPage
    guard : callable
    door : SignIn
    """

    def __init__(self, page: BenchPage, guard: Guard, door: SignIn) -> None:
        self._page, self._door = page, door
        self.set_name, self.name = "", ""
        self._fields: dict[str, str] = {}
        self._title, self._said = shell.html(), shell.html("", "lk-say-field")
        self._form = Form(guard(self._typed))
        fields = [self._field(name, label) for name, label in zip(FIELDS, _LABELS, strict=True)]
        self._pdf = CertificatePdf()
        self._save = Answer(
            guard(self._keep, beside=self._refuse),
            label="Keep the new certificate",
            name="Why it was recertified",
            placeholder="Why, such as “yearly recertification”",
        )
        self._ask = Ask(guard)
        self._aside = shell.button("Dropped or damaged: set it aside", guard(lambda _: self.ask_aside(self.name)))
        self._back = shell.button("Put it back", guard(lambda _: self._ask_back()))
        columns = ("Certificate", "Thickness, mm>", "U, µm>", "Certified on", "Due", "State", "By")
        self._list = Listing("Its certificates", columns, guard(self._give))
        self.root = shell.rows(
            [
                self._title,
                self._list,
                shell.html("<h3>A new certificate</h3>"),
                shell.with_classes(W.GridBox(fields), "lk-form"),
                self._pdf,
                self._save,
                self._said,
                shell.bar([self._aside, self._back, shell.button("Close", guard(lambda _: self.close()))]),
                self._ask.root,
            ],
            "lk-frame",
            "lk-record",
        )
        self.root.layout.display = "none"

    def open(self, set_name: str, name: str) -> None:
        self.set_name, self.name, self._pdf.content = set_name, name, b""
        before = self._before()
        if before is None:
            return
        self._fields = shim_fields(registered(before)) | {"certificate": "", "certified_on": "", "due": ""}
        self._form.show(self._fields, {}, {})
        shell.say(self._said, "")
        self.root.layout.display = ""
        self.show()

    def close(self) -> None:
        self.name = ""
        self.root.layout.display = "none"

    def show(self) -> None:
        before = self._before()
        if before is None:
            return
        shell.say(self._title, f"<h3>{shell.escape(f'Shim {self.name}, {self.set_name}')}</h3>")
        found = shim_certificates(self._page.data, self.set_name, self.name)
        self._list.show([self._row(i, each) for i, each in enumerate(found)])
        in_use = before.body["state"] == "in use"
        self._aside.layout.display = "" if in_use else "none"
        self._back.layout.display = "none" if in_use else ""

    def ask_aside(self, name: str) -> None:
        """Ask what happened to a shim; anybody may set one aside, and says who it is."""
        page, set_name = self._page, self.set_name
        says = sentence("bench.set_aside", {"name": name})
        if page.who.name:
            self._ask.ask(says, "Set aside", lambda why: page.set_aside(set_name, name, why))
        else:
            self._door.name_only(
                sentence("bench.who_set_aside"),
                lambda who: self._ask.ask(says, "Set aside", lambda why: page.set_aside(set_name, name, why, who)),
            )

    # ---- a new certificate ----

    def _field(self, name: str, label: str) -> W.Widget:
        made = self._form.text(name, width="" if name in ("thickness", "U", "k") else "wide", label=label)
        return self._form.field(label, made, *([_UNITS[name]] if name in _UNITS else []), names=[name])

    def _typed(self, name: str, text: str) -> None:
        self._fields[name] = text.strip()
        self._page.use()

    def _keep(self, why: str) -> None:
        before = self._before()
        if before is None:
            return
        shim, faults = recertified(registered(before), self._fields)
        self._form.show(self._fields, faults, {})
        if faults:
            raise BadInput("bench.put_right")
        set_name, name, pdf = self.set_name, self.name, self._pdf.content

        def keep() -> None:
            self._page.register_shims(set_name, [shim], why, pdf)
            self.open(set_name, name)
            shell.say(self._said, shell.message("ok", shell.escape(sentence("bench.saved", {"name": name}))))

        self._door.signed_in("register", sentence("bench.shims_sign_in"), keep)

    def _ask_back(self) -> None:
        subject, back = f"{self.set_name}/{self.name}", partial(self._page.put_back, "shim")

        def put_back(why: str) -> None:
            self._door.signed_in("register", sentence("bench.shims_sign_in"), lambda: back(subject, why))

        self._ask.ask(sentence("bench.put_back", {"name": self.name}), "Put back", put_back)

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._said, shell.error(str(problem)))

    # ---- its certificates ----

    def _row(self, index: int, each: ShimCertificate) -> Row:
        page, shim = self._page, each.shim
        here = today(page.now, page.bench.zone)
        expanded = shim.u_mm * (shim.k or 1.0) * 1000 if shim.u_mm is not None else None
        state = Cell("In use", mark="ok") if each.state == "in use" else Cell(each.state.capitalize(), each.why, "idle")
        return Row(
            str(index),
            (
                Cell(shim.certificate or "–", bold=True),
                Cell(number(shim.thickness_mm, 4), right=True),
                Cell(number(expanded, 1), f"k = {shim.k:g}" if shim.k else "", right=True),
                Cell(day(shim.certified_on, here) if shim.certified_on else "–"),
                Cell(day(shim.due, here) if shim.due else "–"),
                state,
                Cell(each.who, when(each.at, page.bench.zone, page.now)),
            ),
            (Button("pdf", "PDF"),) if each.pdf_sha256 else (),
            off=index > 0,
        )

    def _give(self, index: str, _button: str) -> None:
        each = shim_certificates(self._page.data, self.set_name, self.name)[int(index)]
        self._list.give(f"{each.shim.certificate or self.name}.pdf", kept_pdf(self._page.data, each.pdf_sha256))

    def _before(self) -> Version | None:
        found = shims_of(self._page.register, self.set_name) if self.name else []
        return next((each for each in found if each.body["name"] == self.name), None)
