"""Section 5: letterhead, logo, language and usual form of the sheets; fonts and templates are files."""

from __future__ import annotations

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.bench.sign_in import SignIn
from labkit.panels.fields import Form
from labkit.panels.guard import Guard
from labkit.panels.upload import Upload
from labkit.problems import BadInput, Problem
from labkit.sheet.house import read_house
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_letterhead import (
    FORM_CHOICES,
    LANGUAGE_CHOICES,
    fault_of,
    keep_letterhead,
    logo_now,
    typed_now,
)

NUMBER = 5

_TEXTS = (
    ("lines", "Lines"),
    ("rule", "Colour of rules"),
    ("logo_alt", "Logo shows"),
    ("logo_mm", "Logo width"),
    ("text_font", "Font of text"),
    ("heading_font", "Font of headings"),
)


class LetterheadSection:
    """
    Parameters
    ----------
    page : BenchPage
    guard : callable
    door : SignIn
    """

    def __init__(self, page: BenchPage, guard: Guard, door: SignIn) -> None:
        self._page, self._door = page, door
        self._typed_now: dict[str, str] = {}
        self._logo: tuple[str, bytes] | None = None
        self._is_read = False
        self._said, self._has = shell.html("", "lk-say-field"), shell.html()
        self._form = Form(guard(self._typed))
        language = self._form.choice("language", LANGUAGE_CHOICES, "Language")
        form = self._form.choice("form", FORM_CHOICES, "Usual form")
        fields = [
            self._form.field("Language", language, names=["language"]),
            self._form.field("Usual form", form, names=["form"]),
            *(
                self._form.field(label, self._form.text(name, width="wide", label=label), names=[name])
                for name, label in _TEXTS
            ),
        ]
        self._upload = Upload(lambda _: None, self._take_logo, endings=[".svg", ".png"], with_cells=False)
        self._keep_button = shell.button("Keep the letterhead", guard(lambda _: self._keep(), beside=self._refuse))
        self.section = shell.section(
            NUMBER,
            "Letterhead",
            notes=[shell.html(f"<p>{sentence('letterhead.margin')}</p>")],
            body=[
                shell.with_classes(W.GridBox(fields), "lk-form"),
                self._has,
                self._upload,
                shell.bar([self._keep_button]),
                self._said,
            ],
        )

    def show(self) -> None:
        """What the files in the data folder say; what is typed and not kept yet stays."""
        if not self._is_read:
            self._is_read = True
            self._read()

    def mark(self) -> tuple[str, str]:
        """The mark beside the section's number."""
        try:
            house = read_house(self._page.data)
        except BadInput:
            return ("stop", "Cannot be used")
        return ("ok", "Your own") if house.lines or house.logo or house.template else ("idle", "None yet")

    def _read(self) -> None:
        try:
            self._typed_now = typed_now(self._page.data)
            self._form.show(self._typed_now, {}, {})
            house = read_house(self._page.data)
        except BadInput as problem:
            self._refuse(problem)
            return
        logo = logo_now(self._page.data)
        fonts, template = ", ".join(house.fonts.families), house.template
        params = {"logo": logo or "–", "fonts": fonts or "–", "template": template.sha256[:16] if template else "–"}
        shell.say(self._has, f'<p class="lk-quiet">{shell.escape(sentence("letterhead.has", params))}</p>')

    def _typed(self, name: str, text: str) -> None:
        self._typed_now[name] = text.strip()
        self._page.use()

    def _take_logo(self, name: str, content: bytes) -> str:
        self._logo = (name, content)
        return sentence("letterhead.logo_taken", {"name": name})

    def _keep(self) -> None:
        typed, logo = dict(self._typed_now), self._logo

        def keep() -> None:
            try:
                self._page.keep_letterhead(lambda: keep_letterhead(self._page.data, typed, logo))
            except BadInput as problem:
                self._form.show(typed, fault_of(problem), {})
                self._refuse(problem)
                return
            self._logo = None
            self._read()
            shell.say(self._said, shell.message("ok", shell.escape(sentence("letterhead.kept"))))

        self._door.signed_in("register", sentence("bench.register_sign_in"), keep)

    def _refuse(self, problem: Problem) -> None:
        shell.say(self._said, shell.error(str(problem)))
