"""One thing of the register: its form, its states, and what can be done with it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import ipywidgets as W

from labkit.ledger import Version, history_of, reasons_of
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.ask import Ask
from labkit.panels.bench.instrument_part import InstrumentPart
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.problems import Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_register import FORMS, Field, empty_fields, fields_of, read_form, subject_of
from labkit.workflow.clock import when

SignedIn = Callable[[str, str, Callable[[], object]], None]


class RecordForm:
    """
    Stays hidden until something is opened or registered.

    Parameters
    ----------
    page : BenchPage
    guard : callable
    signed_in : callable
        `labkit.panels.bench.sign_in.SignIn.signed_in`.
    """

    def __init__(self, page: BenchPage, guard: Guard, signed_in: SignedIn) -> None:
        self._page, self._guard, self._signed_in = page, guard, signed_in
        self.kind, self.name = "", ""
        self._fields: dict[str, str] = {}
        self._forms: dict[str, tuple[Form, W.Widget]] = {}
        self._title, self._states, self._said = shell.html(), shell.html(), shell.html("", "lk-say-field")
        self._place = shell.rows([])
        self._ask = Ask(guard)
        self._new = shell.button("Register it", guard(lambda _: self._save(""), beside=self._refuse), main=True)
        self._change = Answer(
            guard(self._save, beside=self._refuse),
            label="Save the change",
            name="Why it is changed",
            placeholder="Why it is changed",
        )
        self._withdraw = shell.button("Withdraw it", guard(lambda _: self._ask_withdraw()))
        self._back = shell.button("Put it back", guard(lambda _: self._ask_back()))
        self._note = shell.button("Write a note", guard(lambda _: self._ask_note()))
        self.certificates = InstrumentPart(page, guard, signed_in, lambda name: self.open("instrument", name))
        self.root = shell.rows(
            [
                self._title,
                self._place,
                self._said,
                self._change,
                shell.bar(
                    [
                        self._new,
                        self._withdraw,
                        self._back,
                        self._note,
                        shell.button("Close", guard(lambda _: self.close())),
                    ]
                ),
                self._ask.root,
                self.certificates.root,
                self._states,
            ],
            "lk-frame",
            "lk-record",
        )
        self.root.layout.display = "none"

    def open(self, kind: str, name: str = "") -> None:
        """Show a thing that is registered; or the form for a new one, where `name` is empty."""
        self.kind, self.name = kind, name
        before = self._before()
        self._fields = fields_of(kind, before.body, name) if before is not None else empty_fields(kind)
        self.root.layout.display = ""
        shell.say(self._said, "")
        form, box = self._form(kind)
        self._place.children = [box]
        self._offer(form)
        form.show(self._fields, {}, {})
        if kind == "instrument" and name:
            self.certificates.open(name)
        else:
            self.certificates.close()
        self.show()

    def close(self) -> None:
        self.kind = self.name = ""
        self.certificates.close()
        self.root.layout.display = "none"

    def show(self) -> None:
        """What can be done, after something has changed."""
        if not self.kind:
            return
        before, form = self._before(), self._form(self.kind)[0]
        title = self.name or f"Register a {self.kind.replace('-', ' ')}"
        if self.kind == "laboratory":
            title = "The laboratory"
        shell.say(self._title, f"<h3>{shell.escape(title)}</h3>")
        in_use = before is None or before.body["state"] == "in use"
        form.disable(not in_use)
        form.disable(before is not None or not in_use, [each.name for each in FORMS[self.kind] if each.fixed])
        _shown(self._new, before is None)
        _shown(self._change, before is not None and in_use)
        _shown(self._withdraw, before is not None and in_use and self.kind != "laboratory")
        _shown(self._back, not in_use)
        _shown(self._note, before is not None)
        self.certificates.show(in_use=in_use)
        shell.say(self._states, self._history() if before is not None else "")

    # ---- the form ----

    def _form(self, kind: str) -> tuple[Form, W.Widget]:
        if kind not in self._forms:
            form = Form(self._guard(self._typed))
            box = W.GridBox([self._field(form, each) for each in FORMS[kind]])
            self._forms[kind] = (form, shell.with_classes(box, "lk-form"))
        return self._forms[kind]

    def _field(self, form: Form, field: Field) -> W.Widget:
        if field.options is not None:
            made: W.Widget = form.choice(field.name, label=field.label)
        else:
            made = form.text(field.name, width="" if field.kind == "number" else "wide", label=field.label)
        return form.field(field.label, made, *([field.unit] if field.unit else []), names=[field.name])

    def _offer(self, form: Form) -> None:
        """What was withdrawn since stays on offer where this thing still names it, so that it is seen."""
        for field in FORMS[self.kind]:
            if field.options is not None:
                options = field.options(self._page.register)
                own = self._fields.get(field.name, "")
                if own not in [kept for _, kept in options]:
                    options = [*options, (f"{own}, not in use" if own else "–", own)]
                form.offer(field.name, options)

    def _typed(self, name: str, text: str) -> None:
        self._fields[name] = text.strip()
        self._page.use()

    # ---- what is done ----

    def _save(self, why: str) -> None:
        page, kind, before = self._page, self.kind, self._before()
        body, faults = read_form(kind, self._fields, page.register, before)
        self._form(kind)[0].show(self._fields, faults, {})
        if faults:
            shell.say(self._said, shell.error(sentence("bench.put_right")))
            return
        name = self.name or subject_of(kind, self._fields)
        action = "administer" if kind in ("person", "laboratory") else "register"

        def put() -> None:
            page.put(kind, name, body, why, new=before is None)
            self.open(kind, name)
            shell.say(self._said, shell.message("ok", shell.escape(sentence("bench.saved", {"name": self._called()}))))

        self._signed_in(action, sentence("bench.register_sign_in"), put)

    def _ask_withdraw(self) -> None:
        says = sentence("bench.withdraw", {"name": self._called()})
        self._ask.ask(says, "Withdraw", partial(self._do, self._page.withdraw))

    def _ask_back(self) -> None:
        says = sentence("bench.put_back", {"name": self._called()})
        self._ask.ask(says, "Put back", partial(self._do, self._page.put_back))

    def _do(self, verb: Callable[[str, str, str], None], why: str) -> None:
        kind, name = self.kind, self.name
        action = "administer" if kind == "person" else "register"
        self._signed_in(action, sentence("bench.register_sign_in"), lambda: verb(kind, name, why))

    def _ask_note(self) -> None:
        self._ask.ask(sentence("bench.note", {"name": self._called()}), "Write it", self._write_note)

    def _write_note(self, text: str) -> None:
        kind, name = self.kind, self.name
        self._signed_in("note", sentence("bench.sign_in"), lambda: self._page.write_note(kind, name, text))

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._said, shell.error(str(problem)))

    # ---- what is known ----

    def _before(self) -> Version | None:
        return next(
            (each for each in self._page.register if self.name and (each.kind, each.subject) == (self.kind, self.name)),
            None,
        )

    def _called(self) -> str:
        return "The laboratory" if self.kind == "laboratory" else self.name

    def _history(self) -> str:
        page = self._page
        reasons = reasons_of(page.data, self.kind, self.name)
        lines = []
        for each in reversed(history_of(page.data, self.kind, self.name)):
            state = str(each.body["state"])
            said = "Registered" if each.revision == 1 else "Changed" if state == "in use" else state.capitalize()
            why = reasons.get(each.revision, "")
            about = f"{said} by {each.who}, {when(each.at, page.bench.zone, page.now)}{f': {why}' if why else ''}"
            lines.append(f"<li>{shell.escape(about)}</li>")
        notes = "".join(
            shell.signed_note(each.text, each.by, when(each.at, page.bench.zone, page.now))
            for each in page.notes
            if (each.kind, each.name) == (self.kind, self.name)
        )
        return f'{notes}<h3>Its states</h3><ul class="lk-states">{"".join(lines)}</ul>'


def _shown(widget: W.DOMWidget, shown: bool) -> None:
    widget.layout.display = "" if shown else "none"
