"""
The frame that every page stands in: cover, strip, head, numbered sections, and the small things written in them.

Widgets are built once; the ``say_…`` functions change them. Whatever comes from a person goes through `escape`
before it becomes HTML; functions whose parameter is called ``html`` take what is escaped already.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape as _escape
from typing import Final, Literal, TypeVar

import ipywidgets as W

from labkit.bench.about import Party
from labkit.messages import sentence
from labkit.panels.browser import source
from labkit.panels.heartbeat import Heartbeat
from labkit.panels.inward import INWARD
from labkit.panels.pages import address, pages
from labkit.panels.theme import ThemeSwitch
from labkit.panels.visitor import base_url, in_dashboard
from labkit.units import LENGTH_UNITS

State = Literal["idle", "part", "ok", "watch", "stop"]
"""A blank rule, a rule partly filled, a tick, a ring round a question mark, a double strike."""

LOCAL_RULES: Final = "Local rules and the laboratory’s accredited procedures come first."

_NOBODY: Final = ("Choose who you are", "")

Widget = TypeVar("Widget", bound=W.DOMWidget)

if in_dashboard():
    INWARD.stand()  # before the first widget is made

_STYLE_SHEETS: Final = ("css/tokens.css", "css/worksheet.css", "css/widgets.css")


# ---- small things, as HTML ----


def escape(text: object) -> str:
    """Text made fit to stand in HTML, in an attribute too."""
    return _escape(str(text), quote=True)


def mark(state: State, words: str) -> str:
    """A drawn mark and its word."""
    return f'<span class="lk-mark lk-{state}">{escape(words)}</span>'


def note(html: str) -> str:
    """A note in the margin: the rule in force, or what the section is for."""
    return f'<p class="lk-note">{html}</p>'


def signed_note(text: str, person: str, time: str) -> str:
    """A note that a person wrote, in their hand."""
    return f'<p class="lk-note lk-hand">{escape(text)}<small>{escape(person)}, {escape(time)}</small></p>'


def caution(title: str, text: str) -> str:
    """A boxed caution, for the margin beside the place where the hand is about to move."""
    return f'<div class="lk-caution"><strong>{escape(title)}</strong>{escape(text)}</div>'


def message(state: State, html: str) -> str:
    """A message across the work column."""
    return f'<div class="lk-msg lk-{state}"><span class="lk-dot lk-{state}"></span><div>{html}</div></div>'


def lead(text: str, *, quiet: bool = False) -> str:
    """A large sentence at the top of a section; quiet where the section has nothing to show yet."""
    return f'<p class="lk-lead{" lk-quiet" if quiet else ""}">{escape(text)}</p>'


def error(text: str) -> str:
    """A mark and a sentence under the field that is wrong."""
    return f'<p class="lk-err">{mark("stop", text)}</p>'


MAGNET: Final = caution(
    "Strong magnet",
    "Keep it away from pacemakers and other implants, cards and magnetic media. It pinches: bring loose steel to it "
    "slowly.",
)
SMALL_TARGET: Final = caution("Small target", "Count the balls out and back. Danger if swallowed; wear eye protection.")


# ---- widgets ----


def html(content: str = "", *classes: str) -> W.HTML:
    """An HTML widget; ``content`` is escaped already."""
    widget = W.HTML(content)
    return with_classes(widget, *classes)


def rows(children: Iterable[W.Widget], *classes: str) -> W.VBox:
    """Children one under the other."""
    return with_classes(W.VBox(list(children)), *classes)


def bar(children: Iterable[W.Widget], *classes: str) -> W.HBox:
    """Children side by side."""
    return with_classes(W.HBox(list(children)), *(classes or ("lk-bar",)))


def with_classes(widget: Widget, *classes: str) -> Widget:
    """The widget, with style classes added."""
    for name in classes:
        widget.add_class(name)
    return widget


def say(widget: W.HTML, content: str) -> None:
    """Change an HTML widget; nothing is sent where nothing changed."""
    if widget.value != content:
        widget.value = content


@dataclass(frozen=True)
class Section:
    """
    One numbered section.

    Attributes
    ----------
    no : int
    title : str
    root : VBox
    number : HTML
        The number and the mark; changed by `say_mark`.
    heading : HTML
        The title; changed by `say_title`.
    notes, body : VBox
        The margin and the work column; their ``children`` belong to the page.
    """

    no: int
    title: str
    root: W.VBox
    number: W.HTML
    heading: W.HTML
    notes: W.VBox
    body: W.VBox


def section(
    no: int,
    title: str,
    state: State = "idle",
    words: str = "",
    *,
    notes: Iterable[W.Widget] = (),
    body: Iterable[W.Widget] = (),
) -> Section:
    """
    A numbered section with its margin.

    Parameters
    ----------
    no : int
        It is also the anchor: ``#s3``.
    title : str
    state, words
        The mark beside the number.
    notes, body : iterable of Widget
    """
    number = html(_number(no, state, words), "lk-no")
    heading = html(_title(title), "lk-h")
    margin = rows(notes, "lk-notes")
    work = rows(body, "lk-body")
    root = rows([number, heading, margin, work], "lk-sect")
    return Section(no, title, root, number, heading, margin, work)


def _title(title: str) -> str:
    return f"<h2>{escape(title)}</h2>"


def _number(no: int, state: State, words: str) -> str:
    return f'<span id="s{no}" class="lk-anchor">{no}</span>{mark(state, words)}'


# ---- the page ----


@dataclass(frozen=True)
class Page:
    """
    A page's frame.

    Attributes
    ----------
    root : VBox
        What is shown.
    sections : tuple of Section
    heartbeat : Heartbeat
        Set its ``draft`` when there is one, and its ``title``.
    theme : ThemeSwitch
    person : Dropdown
        Who is at the page; an empty string until somebody is chosen.
    units : ToggleButtons
        The unit that lengths are shown in.
    owner, banner, strip, contents, cells, heading : HTML
        Changed by the ``say_…`` functions.
    states : dict of int to State
        The mark of each section, for the contents.
    titles : dict of int to str
        Of sections whose title is another one now.
    """

    root: W.VBox
    sections: tuple[Section, ...]
    heartbeat: Heartbeat
    theme: ThemeSwitch
    person: W.Dropdown
    units: W.ToggleButtons
    owner: W.HTML
    banner: W.HTML
    strip: W.HTML
    contents: W.HTML
    cells: W.HTML
    heading: W.HTML
    states: dict[int, State]
    titles: dict[int, str]


def page(
    key: str,
    title: str,
    intro: str,
    sections: Sequence[Section],
    *,
    with_strip: bool = True,
    door: W.Widget | None = None,
    under_title: Sequence[W.Widget] = (),
) -> Page:
    """
    A page: cover, banners, strip, head, sections, foot.

    Parameters
    ----------
    key : str
        The page's workbook, for the tab that stands out.
    title, intro : str
        The heading, and the one sentence under it.
    sections : sequence of Section
    with_strip : bool
        Bench and Signed records have none.
    door : widget, optional
        Where a person signs in; it stands under the banner.
    under_title : sequence of widget
        What stands in the head, under heading and cells.
    """
    heartbeat, theme = Heartbeat(), ThemeSwitch()
    person = W.Dropdown(options=[_NOBODY], value="")
    with_classes(person, "lk-person").layout.width = "auto"
    person.tooltip = "Who is at this page"
    units = with_classes(W.ToggleButtons(options=LENGTH_UNITS, value="mm"), "lk-units")
    owner, banner, strip = html(), html("", "lk-banner-place"), html("", "lk-strip-cells")
    contents, cells = html(), html()
    states: dict[int, State] = {each.no: "idle" for each in sections}

    cover = bar([bar([owner, html(_tabs(key)), person, theme], "lk-cover-in")], "lk-cover")
    strip_bar = bar([bar([strip, units], "lk-strip-in")], "lk-strip")
    heading = html(_heading(title, intro), "lk-title-text")
    body = rows([bar([heading, cells], "lk-title"), *under_title], "lk-body")
    head = rows([rows([contents], "lk-notes"), body], "lk-head")
    leaf = rows([head, *(each.root for each in sections)], "lk-leaf")
    inside = [
        *_styles(),
        cover,
        heartbeat,
        banner,
        *([door] if door is not None else []),
        *([strip_bar] if with_strip else []),
        rows([leaf], "lk-book"),
        html(f'<p class="lk-foot">{LOCAL_RULES}</p>'),
    ]
    made = Page(
        rows(inside, "lk-page"),
        tuple(sections),
        heartbeat,
        theme,
        person,
        units,
        owner,
        banner,
        strip,
        contents,
        cells,
        heading,
        states,
        {},
    )
    say_laboratory(made, Party())
    _say_contents(made)
    INWARD.who = lambda: str(person.value)
    INWARD.say = lambda text: say_banner(made, text)
    return made


def say_laboratory(frame: Page, laboratory: Party) -> None:
    """Whose notebook it is."""
    name = f"<b>{escape(laboratory.name or 'labkit')}</b><span>{escape(laboratory.department)}</span>"
    inside = f'<a href="{escape(base_url())}">{name}</a>' if in_dashboard() else name
    say(frame.owner, f'<div class="lk-owner">{inside}</div>')


def say_people(frame: Page, names: Sequence[str], chosen: str = "") -> None:
    """Who can be chosen on the cover, and who is."""
    frame.person.options = [_NOBODY, *((name, name) for name in names)]
    frame.person.value = chosen if chosen in names else ""


def say_mark(frame: Page, no: int, state: State, words: str) -> None:
    """The mark of section `no`, beside its number and in the contents."""
    found = next(each for each in frame.sections if each.no == no)
    say(found.number, _number(no, state, words))
    frame.states[no] = state
    _say_contents(frame)


def say_title(frame: Page, no: int, title: str) -> None:
    """The title of section `no`, over it and in the contents."""
    found = next(each for each in frame.sections if each.no == no)
    say(found.heading, _title(title))
    frame.titles[no] = title
    _say_contents(frame)


def say_strip(frame: Page, cells: Iterable[tuple[str, str]], saved: tuple[str, str] | None = None) -> None:
    """
    The strip that stays in view.

    Parameters
    ----------
    cells : iterable of (str, str)
        What it is (text), and what it says (HTML); the first takes the room that is left.
    saved : (str, str), optional
        "Saved" or "Not saved since", and the time; it drops out where there is little room. The banner of a lost
        connection names this time.
    """
    shown = "".join(f"<div><dt>{escape(what)}</dt><dd>{says}</dd></div>" for what, says in cells)
    if saved:
        shown += f'<div class="lk-drop"><dt>{escape(saved[0])}</dt><dd>{escape(saved[1])}</dd></div>'
    frame.heartbeat.saved = saved[1] if saved else ""
    say(frame.strip, f"<dl>{shown}</dl>")


def say_intro(frame: Page, title: str, intro: str) -> None:
    """The heading, and the one sentence under it."""
    say(frame.heading, _heading(title, intro))


def _heading(title: str, intro: str) -> str:
    return f'<h1>{escape(title)}</h1><p class="lk-lead">{escape(intro)}</p>'


def say_cells(frame: Page, cells: Mapping[str, str]) -> None:
    """The printed cells beside the title: what it is, and what it says (both text)."""
    shown = "".join(f"<div><dt>{escape(what)}</dt><dd>{escape(says)}</dd></div>" for what, says in cells.items())
    say(frame.cells, f'<dl class="lk-cells">{shown}</dl>')


def say_banner(frame: Page, text: str = "", *, again: bool = False) -> None:
    """
    A sentence across the page, over the strip; none takes it away. For `labkit.panels.guard.guarded`.

    With `again` a button opens the page again, where it has an address of its own.
    """
    button = f'<a class="lk-btn" href="">{escape(sentence("lost.again"))}</a>' if again and in_dashboard() else ""
    shown = f'<div class="lk-banner" role="alert"><span class="lk-banner-text">{escape(text)}</span>{button}</div>'
    say(frame.banner, shown if text else "")


def _say_contents(frame: Page) -> None:
    lines = "".join(
        f'<li><a href="#s{each.no}"><i>{each.no}</i><b>{escape(frame.titles.get(each.no, each.title))}</b>'
        f'<span class="lk-dot lk-{frame.states[each.no]}"></span></a></li>'
        for each in frame.sections
    )
    say(frame.contents, f'<ul class="lk-contents">{lines}</ul>')


def _tabs(current: str) -> str:
    tabs = []
    for each in pages():
        here = ' aria-current="page"' if each.key == current else ""
        link = f' href="{escape(address(each, base_url()))}"' if in_dashboard() else ""
        tabs.append(f"<a{link}{here}>{escape(each.name)}</a>")
    return f'<nav class="lk-tabs" aria-label="Pages">{"".join(tabs)}</nav>'


def _styles() -> list[W.HTML]:
    """The style sheets, where no template of ours has loaded them: in JupyterLab."""
    if in_dashboard():
        return []
    return [html(f"<style>{source(*_STYLE_SHEETS)}</style>")]


def button(
    words: str, click: Callable[[W.Button], None] | None = None, *, main: bool = False, disabled: bool = False
) -> W.Button:
    """A button; blue where it is the one to press."""
    made = W.Button(description=words, disabled=disabled, button_style="primary" if main else "")
    if click is not None:
        made.on_click(click)
    return made
