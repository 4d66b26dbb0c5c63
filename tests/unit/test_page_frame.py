"""What every page stands on: the frame, the guard round callbacks, clocks and places."""

import re
from pathlib import Path

import ipywidgets as W
import pytest

from labkit import paths
from labkit.bench.about import Party
from labkit.panels import shell
from labkit.panels.guard import guarded
from labkit.panels.pages import address, pages
from labkit.panels.visitor import wanted_draft
from labkit.problems import BadInput
from labkit.workflow.clock import day_and_time, time_of_day

NASTY = """<img src=x onerror="alert('1')">&"""
SAFE = "&lt;img src=x onerror=&quot;alert(&#x27;1&#x27;)&quot;&gt;&amp;"


@pytest.fixture
def data(tmp_path, monkeypatch):
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    return tmp_path


def a_page():
    return shell.page("calibrate", "Calibrate", "One sentence.", [shell.section(1, "One"), shell.section(2, "Two")])


# ---- frame ----


@pytest.mark.parametrize(
    "html",
    [
        shell.mark("ok", NASTY),
        shell.signed_note(NASTY, "M. Okonjo", "09:58"),
        shell.signed_note("", NASTY, ""),
        shell.caution(NASTY, ""),
        shell.caution("", NASTY),
        shell.lead(NASTY),
        shell.error(NASTY),
        shell.section(1, NASTY).root.children[1].value,
        shell.section(1, "One", "idle", NASTY).number.value,
    ],
)
def test_text_from_people_is_inert(html):
    assert SAFE in html
    assert "<img" not in html


def test_the_frame_keeps_text_inert_wherever_it_is_said():
    frame = a_page()
    shell.say_laboratory(frame, Party(NASTY, NASTY))
    shell.say_cells(frame, {"Read by": NASTY})
    shell.say_intro(frame, NASTY, NASTY)
    shell.say_strip(frame, [(NASTY, "7 of 8")], ("Saved", NASTY))
    shell.say_banner(frame, NASTY)
    shell.say_mark(frame, 2, "part", NASTY)
    said = [frame.owner, frame.cells, frame.heading, frame.strip, frame.banner, frame.sections[1].number]
    for widget in said:
        assert SAFE in widget.value
        assert "<img" not in widget.value


def test_what_is_said_changes_widgets_and_makes_none():
    frame = a_page()
    made = []
    W.Widget.on_widget_constructed(made.append)
    shell.say_mark(frame, 2, "ok", "Done 09:49")
    shell.say_strip(frame, [("Rig", "Rig 2")], ("Not saved since", "10:14"))
    shell.say_banner(frame, "Something")
    shell.say_people(frame, ["M. Okonjo"], "M. Okonjo")
    W.Widget.on_widget_constructed(None)
    assert made == []
    assert frame.person.value == "M. Okonjo"
    assert frame.heartbeat.saved == "10:14"


def test_a_mark_stands_beside_its_section_and_in_the_contents():
    frame = a_page()
    assert frame.contents.value.count("lk-idle") == 2
    shell.say_mark(frame, 2, "watch", "Look")
    assert '<span class="lk-mark lk-watch">Look</span>' in frame.sections[1].number.value
    first, second = re.findall(r"<li>.*?</li>", frame.contents.value)
    assert 'href="#s1"' in first and "lk-idle" in first
    assert 'href="#s2"' in second and "lk-watch" in second
    assert 'id="s2"' in frame.sections[1].number.value


def test_a_banner_is_taken_away():
    frame = a_page()
    shell.say_banner(frame, "Something")
    assert 'role="alert"' in frame.banner.value
    shell.say_banner(frame)
    assert frame.banner.value == ""


def test_a_person_who_is_not_registered_is_not_chosen():
    frame = a_page()
    shell.say_people(frame, ["M. Okonjo"], "Somebody Else")
    assert frame.person.value == ""


def test_the_browser_writes_no_trait_of_the_frame():
    frame = a_page()
    shell.say_strip(frame, [], ("Saved", "10:14"))
    frame.heartbeat.set_state({"saved": "11:00", "draft": "another"})
    assert (frame.heartbeat.saved, frame.heartbeat.draft) == ("10:14", "")


def test_the_theme_that_is_seen_reaches_python():
    frame = a_page()
    drawn = []
    frame.theme.on_change(drawn.append)
    for content in ({"type": "theme", "dark": True}, {"type": "theme", "dark": "no"}, {"type": "other"}, "text", None):
        frame.theme._handle_custom_msg(content, [])
    assert drawn == [True, False]


# ---- guard ----


def test_a_problem_goes_beside_its_field(data):
    banner, beside = [], []

    @guarded(banner.append, beside.append)
    def callback(_change):
        raise BadInput("bench.unknown", kind="rig", name="Rig 9")

    callback({"new": 1})
    assert [str(problem) for problem in beside] == ["No rig Rig 9 is registered."]
    assert banner == []


def test_a_problem_without_a_field_goes_to_the_banner(data):
    banner = []

    @guarded(banner.append)
    def callback():
        raise BadInput("bench.unknown", kind="rig", name="Rig 9")

    callback()
    assert banner == ["No rig Rig 9 is registered."]


def test_a_fault_of_ours_is_logged_under_the_id_that_the_page_says(data):
    banner, beside = [], []

    @guarded(banner.append, beside.append)
    def callback():
        raise ZeroDivisionError("a fault")

    callback()
    assert beside == []
    (said,) = banner
    fault = re.fullmatch(
        "Something went wrong here that is not your doing. Your readings are kept. "
        r"Tell the engineer: fault ([0-9A-F]{4})\.",
        said,
    )[1]
    log = (data / "logs" / "pages.log").read_text()
    assert f"fault {fault} in " in log
    assert "ZeroDivisionError: a fault" in log


def test_what_ends_a_kernel_is_not_caught(data):
    @guarded(pytest.fail)
    def callback():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        callback()


# ---- clocks, places, pages ----


def test_times_are_read_on_the_laboratorys_clock():
    assert time_of_day("2026-07-25T09:17:00Z", "Europe/London") == "10:17"
    assert day_and_time("2026-11-05T09:17:00Z", "Europe/London") == "5 Nov 09:17"
    assert time_of_day("", "Europe/London") == day_and_time("", "UTC") == ""


def test_the_demo_never_uses_the_laboratorys_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.delenv("LABKIT_DATA", raising=False)
    assert paths.data_folder() == tmp_path / "labkit"
    assert paths.data_folder(demo=True) == tmp_path / "labkit-demo"
    assert paths.data_folder(tmp_path / "own") == tmp_path / "own"
    assert paths.data_folder(tmp_path / "own", demo=True) == tmp_path / "own" / "labkit-demo"
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path / "real"))
    assert paths.data_folder() == tmp_path / "real"
    assert paths.data_folder(demo=True) == tmp_path / "labkit-demo"


def test_what_comes_with_the_package_is_found_in_a_wheel_too(monkeypatch, tmp_path):
    assert paths.workbooks() == Path(__file__).parents[2] / "workbooks"
    assert paths.sample_data() == Path(__file__).parents[2] / "sample_data"
    (tmp_path / "labkit" / "workbooks").mkdir(parents=True)
    monkeypatch.setattr(paths, "_PACKAGE", tmp_path / "labkit")
    assert paths.workbooks() == tmp_path / "labkit" / "workbooks"


def test_only_pages_that_exist_are_named():
    assert [page.name for page in pages()] == ["Bench", "Calibrate", "Check", "Signed records"]
    assert address(pages()[1], "/lab/", "a&b") == "/lab/voila/render/calibrate.ipynb?draft=a%26b"
    assert address(pages()[2], "/lab/", rig="Rig 2 & 3") == "/lab/voila/render/check.ipynb?rig=Rig%202%20%26%203"


def test_the_visitors_draft(monkeypatch):
    monkeypatch.delenv("VOILA_PREHEAT", raising=False)
    assert wanted_draft() == ""
    monkeypatch.setenv("VOILA_PREHEAT", "False")
    monkeypatch.setenv("QUERY_STRING", "token=x&draft=0198%2F..")
    assert wanted_draft() == "0198/.."
    monkeypatch.delenv("QUERY_STRING")
    assert wanted_draft() == ""
