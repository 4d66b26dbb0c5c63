"""A certificate to be read before it is approved: what it says, its pages, and the answer."""

from __future__ import annotations

import base64
from collections.abc import Callable
from typing import Final

import ipywidgets as W

from labkit.ledger import Entry, find
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.answer import Answer
from labkit.panels.ask import Ask
from labkit.panels.bench.words import kind_words, link
from labkit.panels.download import Download
from labkit.panels.guard import Guard
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage, Waiting
from labkit.workflow.clock import when

MOST_PAGES: Final = 6
"""Shown here; the rest is in the PDF."""


class ReadSheet:
    """
    Stays hidden until a sheet is opened.

    Parameters
    ----------
    page : BenchPage
    guard : callable
    send_back : callable
        Asks for the note with which the sheet goes back.
    """

    def __init__(self, page: BenchPage, guard: Guard, send_back: Callable[[Waiting], None]) -> None:
        self._page, self._back = page, send_back
        self._each: Waiting | None = None
        self._entry: Entry | None = None
        self._facts, self._sheet, self._refused = shell.html(), shell.html(), shell.html("", "lk-say-field")
        self._pdf = Download(self._certificate, "certificate.pdf", "Download PDF")
        self._approve = Answer(
            guard(self._approved, beside=self._refuse),
            label="Approve",
            name="A note with the approval",
            placeholder="A note, or “read”",
            empty=sentence("bench.approve_how"),
        )
        self._passphrase = Ask(guard, secret=True)
        self._note = ""
        self.root = shell.rows(
            [
                self._facts,
                shell.bar([self._pdf, shell.button("Close", guard(lambda _: self.close()))]),
                self._sheet,
                self._approve,
                self._passphrase.root,
                self._refused,
                shell.button("Send back with a note", guard(self._send_back)),
            ],
            "lk-frame",
        )
        self.root.layout.display = "none"

    def open(self, each: Waiting) -> None:
        """Show a certificate: every page of the very file that was signed."""
        from labkit.sheet.picture import picture

        entry = find(self._page.data, each.about.id)
        self._each, self._entry = each, entry
        self._pdf.file_name = f"certificate-{entry.number}.pdf"
        first, count = picture(entry.pdf)
        pages = [first, *(picture(entry.pdf, page)[0] for page in range(2, min(count, MOST_PAGES) + 1))]
        more = sentence("bench.more_pages", {"shown": MOST_PAGES, "count": count}) if count > MOST_PAGES else ""
        shown = "".join(_picture(page, png) for page, png in enumerate(pages, 1))
        shell.say(self._sheet, f"{shown}<p>{shell.escape(more)}</p>")
        self.root.layout.display = ""
        self.show()

    def show(self) -> None:
        """Say again who asks what; the sheet is put away once it is answered, or nobody is signed in."""
        each = self._each
        if each is None:
            return
        if each.request.id not in [one.request.id for one in self._page.to_approve]:
            self.close()
            return
        zone, now = self._page.bench.zone, self._page.now
        facts = (
            ("Certificate", f"{each.about.number}, {kind_words(each.about.kind)}"),
            ("Rig", each.about.rig),
            ("Signed by", f"{each.about.signer}, {when(each.about.signed, zone, now)}"),
            ("Asked by", f"{each.request.by}, {when(each.request.asked, zone, now)}"),
        )
        lines = "".join(f"<dt>{shell.escape(what)}</dt><dd>{shell.escape(says)}</dd>" for what, says in facts)
        address = link(each.about.page, each.about.id)
        opened = f'<p><a href="{shell.escape(address)}">Open the page with its readings</a></p>' if address else ""
        shell.say(self._facts, f'<dl class="lk-facts">{lines}</dl>{opened}')

    def close(self) -> None:
        """Put the sheet away."""
        self._each = self._entry = None
        self.root.layout.display = "none"
        shell.say(self._sheet, "")
        shell.say(self._refused, "")

    def _certificate(self) -> bytes:
        if self._entry is None:
            raise BadInput("request.unknown")
        return self._entry.pdf

    def _approved(self, note: str) -> None:
        shell.say(self._refused, "")
        if self._each is None:
            return
        if not self._page.signs_to_approve(self._each):
            self._page.approve(self._each, note)
            self.close()
            return
        self._note = note
        self._ask_passphrase(self._each)

    def _ask_passphrase(self, each: Waiting) -> None:
        says = sentence("bench.approve_signs", {"number": each.about.number})
        self._passphrase.ask(says, "Sign and approve", self._sign)

    def _sign(self, passphrase: str) -> None:
        """With the second signature; what is refused is said beside it, and the passphrase asked for again."""
        shell.say(self._refused, "")
        if self._each is None:
            return
        try:
            self._page.approve(self._each, self._note, passphrase)
        except Problem as problem:
            self._refuse(problem)
            self._ask_passphrase(self._each)
            return
        self.close()

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._refused, shell.error(str(problem)))

    def _send_back(self, _button: W.Button) -> None:
        if self._each is not None:
            self._back(self._each)


def _picture(page: int, png: bytes) -> str:
    data = base64.b64encode(png).decode()
    return f'<img class="lk-a4" alt="Page {page} of the certificate" src="data:image/png;base64,{data}">'
