"""One shim set: its shims, a table of certified values to import, and what is done with the set as a whole."""

from __future__ import annotations

import ipywidgets as W

from labkit.format import number
from labkit.ledger import Version
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.ask import Ask
from labkit.panels.bench.certificate_pdf import CertificatePdf
from labkit.panels.bench.shim_form import ShimForm
from labkit.panels.bench.sign_in import SignIn
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.panels.upload import Upload
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_shims import Offer, Offered, offer, registered, shims_of
from labkit.workflow.clock import day, today


class ShimSetPart:
    """
    Stays hidden until a set is opened or a new one is registered.

    Parameters
    ----------
    page : BenchPage
    guard : callable
    door : SignIn
    """

    def __init__(self, page: BenchPage, guard: Guard, door: SignIn) -> None:
        self._page, self._door = page, door
        self.name = ""
        self._is_open = False
        self._offer: Offer | None = None
        self._title, self._says, self._said = shell.html(), shell.html(), shell.html("", "lk-say-field")
        self._offered_says = shell.html()
        self.shim = ShimForm(page, guard, door)
        columns = ("Shim", "Thickness, mm>", "U, µm>", "Certificate", "Certified on", "Due", "State")
        self._list = Listing("Shims", columns, guard(self._pressed), first=40)
        self._set_name = W.Text(placeholder="Name of the set", continuous_update=False)
        self._set_name.tooltip = "Name of the set"
        self._set_name.observe(guard(lambda _: page.use()), "value")
        self._table = Upload(lambda text: self._take(text), lambda _name, data: self._take(data))
        self._pdf = CertificatePdf()
        self._offered = Listing(
            "What would be registered",
            ("Shim", "Thickness, mm>", "U, µm>", "Certificate", "Due", "It is"),
            lambda *_: None,
            first=40,
        )
        self._register = Answer(
            guard(self._put, beside=self._refuse),
            label="Register them",
            name="Why",
            placeholder="Why, such as “yearly recertification”",
        )
        self._ask = Ask(guard)
        self._withdraw = shell.button("Withdraw the set", guard(lambda _: self._ask_state("withdraw")))
        self._back = shell.button("Put the set back", guard(lambda _: self._ask_state("put_back")))
        self._offer_box = shell.rows(
            [
                self._offered_says,
                self._offered,
                shell.html("<p>The certificate of all of them, where there is one:</p>"),
                self._pdf,
                self._register,
            ]
        )
        self.root = shell.rows(
            [
                self._title,
                self._list,
                self.shim.root,
                self._says,
                self._set_name,
                self._table,
                self._offer_box,
                self._said,
                shell.bar([self._withdraw, self._back, shell.button("Close", guard(lambda _: self.close()))]),
                self._ask.root,
            ],
            "lk-frame",
            "lk-record",
        )
        self.root.layout.display = self._offer_box.layout.display = "none"

    def open(self, name: str = "") -> None:
        """Show a set; or how a new one is registered, where `name` is empty."""
        self.name, self._is_open = name, True
        self._forget()
        self._set_name.value = ""
        self.shim.close()
        self.root.layout.display = ""
        self.show()

    def close(self) -> None:
        self._is_open = False
        self.shim.close()
        self.root.layout.display = "none"

    def show(self) -> None:
        if not self._is_open:
            return
        page = self._page
        title = self.name or "Register a shim set"
        shell.say(self._title, f"<h3>{shell.escape(title)}</h3>")
        self._list.show([self._row(each) for each in shims_of(page.register, self.name)] if self.name else [])
        code = "bench.set_named" if self.name else "bench.set_new"
        shell.say(self._says, f"<p>{shell.escape(sentence(code, {'set': self.name}))}</p>")
        self._set_name.layout.display = "none" if self.name else ""
        state = next(
            (each.body["state"] for each in page.register if (each.kind, each.subject) == ("shim-set", self.name)), ""
        )
        self._withdraw.layout.display = "" if state == "in use" else "none"
        self._back.layout.display = "" if state not in ("", "in use") else "none"
        self.shim.show()

    # ---- its shims ----

    def _row(self, each: Version) -> Row:
        page, shim = self._page, registered(each)
        here = today(page.now, page.bench.zone)
        expanded = shim.u_mm * (shim.k or 1.0) * 1000 if shim.u_mm is not None else None
        in_use = each.body["state"] == "in use"
        overdue = shim.due is not None and shim.due < here
        if not in_use:
            state = Cell(str(each.body["state"]).capitalize(), each.body["why"], "idle")
        else:
            state = Cell("Overdue", mark="stop") if overdue else Cell("In use here", mark="ok")
        aside = (Button("aside", "Set aside"),) if in_use else ()
        return Row(
            shim.name,
            (
                Cell(shim.name, bold=True),
                Cell(number(shim.thickness_mm, 4), right=True),
                Cell(number(expanded, 1), f"k = {shim.k:g}" if shim.k else "", right=True),
                Cell(shim.certificate or "–"),
                Cell(day(shim.certified_on, here) if shim.certified_on else "–"),
                Cell(day(shim.due, here) if shim.due else "–"),
                state,
            ),
            (Button("open", "Recertify" if overdue or not in_use else "Open"), *aside),
            off=not in_use,
        )

    def _pressed(self, name: str, button: str) -> None:
        self._page.use()
        self.shim.set_name = self.name
        if button == "aside":
            self.shim.open(self.name, name)
            self.shim.ask_aside(name)
        else:
            self.shim.open(self.name, name)

    # ---- a table ----

    def _take(self, source: str | bytes) -> str:
        page = self._page
        page.use()
        found = offer(source, self.name or self._set_name.value, page.register, today(page.now, page.bench.zone))
        self._offer, self._pdf.content = found, b""
        self._offered.show([_offered_row(each) for each in found.shims])
        counts = {
            "new": len(found.named("new")),
            "again": len(found.named("new certificate")),
            "same": len(found.named("as it is")),
        }
        says = shell.lead(f"{found.set_name}. {sentence('bench.offered', counts)}")
        if wrong := found.named("same certificate"):
            says += shell.error(sentence("bench.offered_wrong", {"shims": wrong}))
        says += "".join(f"<p>{shell.mark('watch', str(caution))}</p>" for caution in found.cautions)
        shell.say(self._offered_says, says)
        self._offer_box.layout.display = ""
        shell.say(self._said, "")
        return ""

    def _put(self, why: str) -> None:
        found = self._offer
        if found is None:
            raise BadInput("shim.none_offered")
        if wrong := found.named("same certificate"):
            raise BadInput("bench.offered_wrong", shims=wrong)
        pdf = self._pdf.content

        def put() -> None:
            count = self._page.register_shims(found.set_name, found.to_register, why, pdf)
            self.open(found.set_name)
            words = sentence("bench.shims_registered", {"count": count})
            shell.say(self._said, shell.message("ok", shell.escape(words)))

        self._door.signed_in("register", sentence("bench.shims_sign_in"), put)

    def _forget(self) -> None:
        self._offer, self._pdf.content = None, b""
        self._offer_box.layout.display = "none"
        shell.say(self._said, "")

    # ---- the set as a whole ----

    def _ask_state(self, what: str) -> None:
        name, verb = self.name, getattr(self._page, what)

        def change(why: str) -> None:
            self._door.signed_in("register", sentence("bench.shims_sign_in"), lambda: verb("shim-set", name, why))

        words = {"withdraw": "Withdraw", "put_back": "Put back"}[what]
        self._ask.ask(sentence(f"bench.{what}", {"name": name}), words, change)

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._said, shell.error(str(problem)))


def _offered_row(each: Offered) -> Row:
    shim, before = each.shim, each.before
    expanded = shim.u_mm * (shim.k or 1.0) * 1000 if shim.u_mm is not None else None
    marks = {"new": "part", "new certificate": "part", "as it is": "ok", "same certificate": "stop"}
    was = f"was {number(before.thickness_mm, 4)}" if before is not None and each.what != "as it is" else ""
    return Row(
        shim.name,
        (
            Cell(shim.name, bold=True),
            Cell(number(shim.thickness_mm, 4), was, right=True),
            Cell(number(expanded, 1), f"k = {shim.k:g}" if shim.k else "", right=True),
            Cell(shim.certificate or "–"),
            Cell(shim.due.isoformat() if shim.due else "–"),
            Cell(each.what.capitalize(), mark=marks[each.what]),
        ),
    )
