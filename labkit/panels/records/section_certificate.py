"""Section 2: one certificate, proved and shown; replacing it; and a file from elsewhere."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace

import ipywidgets as W

from labkit.ledger import Entry
from labkit.ledger.standing import Standing
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.bench.words import link
from labkit.panels.download import Download
from labkit.panels.guard import Guard
from labkit.panels.pick_file import PickFile
from labkit.problems import BadInput
from labkit.workflow import record_files, replacing
from labkit.workflow.clock import date_and_time
from labkit.workflow.record_look import LARGEST_MB, Judged
from labkit.workflow.records import RecordsPage

MARGIN = (
    "Verified here, on this machine, each time it is opened. Nothing is sent anywhere.",
    "The picture is of the signed file itself. A copied table is not the signed certificate.",
)

SignedIn = Callable[[str, str, Callable[[], object]], None]


class CertificateSection:
    """
    Parameters
    ----------
    page : RecordsPage
    guard : callable
    signed_in : callable
        Sees to it that somebody has signed in who may do an action, and goes on then.
    """

    def __init__(self, page: RecordsPage, guard: Guard, signed_in: SignedIn) -> None:
        self._page, self._signed_in = page, signed_in
        self._picture, self._caption = shell.html(), shell.html("", "lk-cap")
        self._before = shell.button("Page before", guard(lambda _: self._turn(-1)))
        self._after = shell.button("Next page", guard(lambda _: self._turn(1)))
        for each in (self._before, self._after):
            each.add_class("lk-slim")
        self._verdict, self._facts = shell.html(), shell.html()
        self._pdf = Download(self._certificate, "certificate.pdf", "Download PDF", primary=True)
        self._data = Download(self._record, "record.json", "Download its data")
        self._label = Download(self._gauge_label, "label.pdf", "Print gauge label")
        self._card = Download(self._correction_card, "card.pdf", "Print correction card")
        self._replace = shell.button("Replace it", guard(lambda _: self._ask_to_replace()))
        self._ask = Ask(guard)
        self._begun = shell.html()
        self._file_says = shell.html()
        self._nothing = shell.html(shell.lead(sentence("records.open_one"), quiet=True))
        self._pages = shell.bar([self._caption, self._before, self._after], "lk-bar", "lk-turn")
        self._buttons = shell.bar([self._pdf, self._data, self._label, self._card, self._replace])
        pick = PickFile(guard(page.judge_file), label="Choose a PDF", ending=".pdf", limit_mb=LARGEST_MB)
        elsewhere = shell.rows([shell.html("<h3>Verify a file from elsewhere</h3>"), pick, self._file_says])
        left = shell.rows([self._nothing, self._picture, self._pages], "lk-stack")
        proved = [self._verdict, self._facts, self._buttons, self._ask.root, self._begun]
        right = shell.rows([*proved, elsewhere], "lk-stack")
        self.section = shell.section(
            2,
            "Certificate",
            notes=[shell.html("".join(shell.note(said) for said in MARGIN))],
            body=[shell.with_classes(W.GridBox([left, right]), "lk-split", "lk-35")],
        )
        self._begun_for = ""

    def show(self) -> None:
        page, entry = self._page, self._page.opened
        shell.say(self._file_says, _of_file(page))
        for each in (self._picture, self._pages, self._verdict, self._facts, self._buttons, self._begun):
            each.layout.display = "" if entry is not None else "none"
        self._nothing.layout.display = "none" if entry is not None else ""
        if entry is None:
            return
        shown = page.shown
        shell.say(self._picture, _picture(shown.png, shown.page, entry.number) if shown is not None else "")
        shell.say(self._caption, f"Page {shown.page} of {shown.pages}" if shown is not None else "")
        several = shown is not None and shown.pages > 1
        self._before.layout.display = self._after.layout.display = "" if several else "none"
        if shown is not None:
            self._before.disabled, self._after.disabled = shown.page == 1, shown.page == shown.pages
        shell.say(self._verdict, _verdict(page))
        shell.say(self._facts, _facts(page))
        self._pdf.file_name = record_files.file_name(entry, ".pdf")
        self._data.file_name = record_files.file_name(entry, ".json")
        for button, what in ((self._label, "label"), (self._card, "card")):
            button.file_name = f"{record_files.file_name(entry, '')} {what}.pdf"
            button.layout.display = "" if entry.kind == "calibration" else "none"
        self._replace.layout.display = "none" if page.replaced_by or entry.kind != "calibration" else ""
        if self._begun_for != entry.number:
            shell.say(self._begun, "")

    def _turn(self, by: int) -> None:
        if self._page.shown is not None:
            self._page.show_page(self._page.shown.page + by)

    # ---- replacing ----

    def _ask_to_replace(self) -> None:
        self._signed_in("amend", sentence("records.replace_sign_in"), self._ask_why)

    def _ask_why(self) -> None:
        entry = self._page.opened
        if entry is None:
            raise BadInput("records.none_open")
        self._page.who.must("amend")
        says = [sentence("records.replace_why", {"number": entry.number})]
        says += [str(each) for each in replacing.changed_since(self._page.bench, entry.record)]
        self._ask.ask(" ".join(says), "Begin the draft", self._begin)

    def _begin(self, reason: str) -> None:
        entry = self._page.opened
        if entry is None:
            raise BadInput("records.none_open")
        draft = self._page.replace(reason)
        self._begun_for = entry.number
        words = shell.escape(sentence("records.replace_begun", {"number": entry.number}))
        address = link("calibrate", draft)
        button = f'<a class="lk-btn lk-slim lk-go" href="{shell.escape(address)}">Go on with it</a>' if address else ""
        shell.say(self._begun, shell.message("ok", f"<b>{words}</b><p>{button}</p>"))

    # ---- files ----

    def _certificate(self) -> bytes:
        return self._opened().pdf

    def _gauge_label(self) -> bytes:
        return record_files.gauge_label(self._page.data, self._opened())

    def _correction_card(self) -> bytes:
        return record_files.correction_card(self._page.data, self._opened())

    def _opened(self) -> Entry:
        if self._page.opened is None:
            raise BadInput("records.none_open")
        return self._page.opened

    def _record(self) -> bytes:
        return record_files.record_json(self._opened().record)


def _picture(png: bytes, page: int, number: str) -> str:
    """As an image, so that nothing in it can act on the page."""
    data = base64.b64encode(png).decode()
    alt = shell.escape(f"Page {page} of certificate {number}")
    return f'<img class="lk-a4" alt="{alt}" src="data:image/png;base64,{data}">'


def _verdict(page: RecordsPage) -> str:
    if page.proof is None:
        return shell.lead(sentence("records.being_verified") if page.proving else "", quiet=True)
    judged = page.proof.judged
    whole = {
        role: str(each).replace(" ", "\N{NO-BREAK SPACE}") if role in ("signer", "approver") else each
        for role, each in judged.says.params.items()
    }
    says = replace(judged.says, params=whole)
    said = f'<p class="lk-verdict">{shell.mark(judged.state, str(says).rstrip("."))}</p>'
    if judged.says.hint:
        said += f"<p>{shell.escape(judged.says.hint)}</p>"
    if not page.proof.same_data:
        said += shell.message("stop", shell.escape(sentence("records.other_data")))
    return said


def _facts(page: RecordsPage) -> str:
    entry, proof, zone = page.opened, page.proof, page.bench.zone
    if entry is None:
        return ""
    standing = page.standing.get(entry.id, Standing())
    approved = f"{standing.approved_by}, {date_and_time(standing.approved, zone)}" if standing.approved_by else "–"
    if not standing.approved_by and standing.asked:
        approved = f"asked {date_and_time(standing.asked, zone)}"
    facts = [
        ("Signed by", f"{entry.signer or '–'}, {date_and_time(entry.kept, zone)}"),
        ("Approved by", approved),
        ("Kind", record_files.kind_words(entry.kind)),
        ("Rig", entry.rig or "–"),
    ]
    if page.replaces:
        facts.append(("Replaces", f"{page.replaces}: {entry.reason}"))
    if page.replaced_by:
        facts.append(("Replaced by", page.replaced_by))
    if proof is not None:
        facts += _proof(proof.judged, zone)
        if proof.entry is not None:
            facts.append(("Ledger entry", f"{_grouped(proof.entry)}, seals entry {_grouped(proof.entry - 1)}"))
    lines = "".join(f"<dt>{shell.escape(what)}</dt><dd>{shell.escape(says)}</dd>" for what, says in facts)
    return f'<dl class="lk-facts">{lines}</dl>'


def _proof(judged: Judged, zone: str) -> list[tuple[str, str]]:
    """Whether it changed, what recomputes, and whose keys signed."""
    found, verdict = [], judged.verdict
    if verdict is not None and verdict.signer:
        found.append(("Changed since", "No. The signatures cover the whole file."))
    elif verdict is not None:
        found.append(("Changed since", str(verdict.reason)))
    if verdict is None:
        return found
    done, printed = verdict.recomputed, verdict.printed
    if done is not None and done.of:
        first = f"; the first that does not: {done.first}" if done.first else ""
        found.append(("Recomputed", f"{done.agree} of {done.of} numbers agree to the digits shown{first}"))
    if printed is not None and printed.of:
        first = f"; not there: {printed.first}" if printed.first else ""
        found.append(("In its pages", f"{printed.agree} of {printed.of} numbers and decisions{first}"))
    for each in verdict.signatures:
        role = "Fingerprint" if each.role == "calibrated" else "Approver’s fingerprint"
        found.append((role, each.fingerprint))
        if each.stamped:
            known = "" if each.stamp_trusted else ", which is not known here"
            found.append(("Timestamp", f"{date_and_time(each.stamped, zone)}, by {each.stamped_by}{known}"))
    found += [("To be known", str(each)) for each in verdict.remarks if not each.code.startswith("verify.stamp")]
    return found


def _of_file(page: RecordsPage) -> str:
    """What was found of a file from elsewhere."""
    if page.judging:
        return f'<p class="lk-quiet">{shell.escape(sentence("records.being_verified"))}</p>'
    if page.file is None:
        return ""
    name, judged = page.file
    lines = [f"<b>{shell.escape(name)}: {shell.escape(judged.says)}</b>"]
    if judged.says.hint:
        lines.append(shell.escape(judged.says.hint))
    verdict = judged.verdict
    if verdict is not None and verdict.signer:
        lines.append(shell.escape(f"Certificate {verdict.number or '–'}"))
        for each in verdict.signatures:
            verb = "Signed" if each.role == "calibrated" else "Approved"
            when = date_and_time(each.at, page.bench.zone)
            lines.append(shell.escape(f"{verb} by {each.name}, {when}; fingerprint {each.fingerprint}"))
        counts = [each for each in _proof(judged, page.bench.zone) if each[0] in ("Recomputed", "In its pages")]
        lines += [shell.escape(f"{what}: {says}") for what, says in counts]
        lines += [shell.escape(str(each)) for each in verdict.remarks]
    lines.append(shell.escape(_known(page, judged)))
    state = judged.state
    if judged.known is not None and judged.known.replaced_by and state == "ok":
        state = "watch"
    return shell.message(state, "<br>".join(lines))


def _known(page: RecordsPage, judged: Judged) -> str:
    """Whether the ledger knows this very file, or another under its number."""
    known = judged.known
    if known is not None and known.replaced_by:
        return sentence("records.known_replaced", {"number": known.number, "by": known.replaced_by})
    if known is not None:
        return sentence("records.known", {"number": known.number})
    number = judged.verdict.number if judged.verdict is not None else ""
    if number and page.has_number(number):
        return sentence("records.same_number", {"number": number})
    return sentence("records.not_known")


def _grouped(count: int) -> str:
    return f"{count:,}".replace(",", "\u2009")
