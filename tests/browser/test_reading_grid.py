"""The reading grid in a browser, with a bench of eight shims behind it that answers as a page would."""

from __future__ import annotations

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from tests.browser.widget_host import Opened, host_watch, hosted, open_page
from tests.browser.widget_pages import REPEATS, SHIMS

__all__ = ["host_watch", "hosted", "open_page"]  # pytest finds fixtures by name

Open = Callable[..., Opened]
BAND = ".lk-now-band"


def cell(page: Page, shim: str, reading: int):
    return page.locator(f'td[data-row="{shim}"][data-cell="{reading - 1}"]')


def texts(page: Page, shim: str) -> list[str]:
    return page.locator(f'td[data-row="{shim}"]').all_inner_texts()


def take(page: Page, *readings: str) -> None:
    for reading in readings:
        page.keyboard.type(reading)
        page.keyboard.press("Enter")


def focused(page: Page) -> list[str | None]:
    return page.evaluate(
        "() => [document.activeElement.dataset.row ?? null, document.activeElement.dataset.cell ?? null]"
    )


def hold_messages(page: Page) -> Callable[[], None]:
    """Nothing reaches Python until what this returns is called: a machine that is busy with something else."""
    page.evaluate(
        """() => {
            const send = WebSocket.prototype.send;
            const held = [];
            WebSocket.prototype.send = function (data) { held.push([this, data]); };
            window.letGo = () => {
                WebSocket.prototype.send = send;
                held.forEach(([socket, data]) => send.call(socket, data));
            };
        }"""
    )
    return lambda: page.evaluate("() => window.letGo()")


def copied(page: Page) -> str:
    page.keyboard.press("Control+C")
    return page.evaluate("() => navigator.clipboard.readText()")


def paste(page: Page, text: str) -> None:
    page.evaluate("text => navigator.clipboard.writeText(text)", text)
    page.keyboard.press("Control+V")


def test_forty_readings_as_fast_as_a_gauges_key_types_them(open_page: Open) -> None:
    opened = open_page("readings")
    readings = [f"1.{number:03}" for number in range(len(SHIMS) * REPEATS)]
    opened.page.keyboard.type("".join(f"{reading}\n" for reading in readings), delay=0)
    taken = opened.wait_seen(len(readings), "take")
    assert [event["text"] for event in taken] == readings
    assert [(event["row"], event["cell"]) for event in taken] == [(shim, n) for shim in SHIMS for n in range(REPEATS)]
    assert opened.seen("edit", "select") == []
    expect(cell(opened.page, "A-7", 5)).to_have_text(readings[-1])
    assert [text for shim in SHIMS for text in texts(opened.page, shim)] == readings
    expect(opened.page.locator(".lk-read")).to_have_text("1.039 mm")


def test_a_browser_that_needs_seconds_for_a_widgets_script_takes_readings_all_the_same(open_page: Open) -> None:
    slow = """
        const make = URL.createObjectURL;
        URL.createObjectURL = (...given) => {
            const until = performance.now() + 3000;
            while (performance.now() < until);
            return make.call(URL, ...given);
        };
    """
    opened = open_page("readings", before=slow)
    take(opened.page, "1.001")
    expect(cell(opened.page, "Zero", 2)).to_be_focused()
    expect(opened.page.locator(".lk-lastly")).to_contain_text("Last taken, 1 of 5")


def test_what_is_sent_twice_counts_once_and_what_is_lost_is_sent_again(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    # a connection that drops some readings and doubles others
    page.evaluate(
        """() => {
            const send = WebSocket.prototype.send;
            let count = 0;
            WebSocket.prototype.send = function (data) {
                const text = typeof data === "string" ? data : new TextDecoder().decode(data);
                if (text.includes('"type":"take"')) {
                    count += 1;
                    if ([3, 7, 8, 13].includes(count)) return;
                    if ([1, 5, 10, 14].includes(count)) send.call(this, data);
                }
                send.call(this, data);
            };
        }"""
    )
    readings = [f"0.{number:03}" for number in range(100, 112)]
    take(page, *readings)
    assert [event["text"] for event in opened.wait_seen(len(readings), "take")] == readings
    expect(cell(page, "A-2", 2)).to_have_text("0.111")
    assert len(opened.seen("take")) == len(readings)


def test_a_fault_in_python_does_not_stop_the_readings(open_page: Open) -> None:
    opened = open_page("readings")
    opened.page.get_by_role("button", name="Break").click()
    opened.page.keyboard.press("F8")
    take(opened.page, "1.001")
    assert [event["type"] for event in opened.wait_seen(2)] == ["button", "take"]
    expect(cell(opened.page, "Zero", 1)).to_have_text("1.001")


def test_enter_goes_to_the_next_repeat_and_control_enter_to_the_next_shim(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "0.011")
    expect(cell(page, "Zero", 2)).to_be_focused()
    page.keyboard.type("0.012")
    page.keyboard.press("Control+Enter")
    expect(cell(page, "A-1", 1)).to_be_focused()
    assert texts(page, "Zero")[:3] == ["0.011", "0.012", ""]
    assert [event["type"] for event in opened.wait_seen(3)] == ["take", "take", "next-row"]
    take(page, "0.108")
    expect(cell(page, "A-1", 1)).to_have_text("0.108")


def test_enter_with_nothing_typed_takes_nothing_and_says_so(open_page: Open) -> None:
    opened = open_page("readings")
    opened.page.keyboard.press("Enter")
    expect(opened.page.locator(".lk-hint")).to_have_text("Nothing is typed yet: first the reading, then Enter.")
    opened.page.keyboard.type("1")
    expect(opened.page.locator(".lk-hint")).to_be_empty()
    assert opened.seen() == []


def test_the_number_is_shown_before_python_answers(open_page: Open) -> None:
    opened = open_page("readings")
    opened.page.evaluate("() => { WebSocket.prototype.send = () => {}; }")
    take(opened.page, "1.497")
    assert opened.page.locator(".lk-read").inner_text().split() == ["1.497", "mm"]
    assert opened.page.locator(".lk-tally .on").count() == 1
    expect(opened.page.locator(".lk-advice")).to_contain_text("Not confirmed yet: 1.")


def test_a_reading_with_no_place_is_refused_not_lost_in_a_full_row(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    for shim in SHIMS:
        take(page, *["1.000"] * REPEATS)
        expect(cell(page, shim, REPEATS)).to_have_text("1.000")
    expect(page.locator(BAND)).to_contain_text("All is read.")
    take(page, "9.999", "9.998")
    expect(page.locator(".lk-hint")).to_have_text("Not taken: 9.999, 9.998. Choose the next shim first.")
    assert all(text == "1.000" for shim in SHIMS for text in texts(page, shim))


def test_a_cell_chosen_before_python_answers_is_the_one_that_is_replaced(open_page: Open) -> None:
    page = open_page("readings").page
    take(page, *["1.000"] * REPEATS)
    expect(cell(page, "A-1", 1)).to_be_focused()
    take(page, *["2.000"] * (REPEATS - 1))
    let_go = hold_messages(page)
    take(page, "2.004")  # the row's last: only Python knows where the next one goes
    cell(page, "Zero", 2).click()
    take(page, "1.111")
    let_go()
    expect(page.locator(".lk-read")).to_have_text("1.111 mm")
    assert texts(page, "Zero") == ["1.000", "1.111", "1.000", "1.000", "1.000"]
    assert texts(page, "A-1") == ["2.000", "2.000", "2.000", "2.000", "2.004"]
    expect(page.locator(".lk-hint")).to_be_empty()


def test_a_reading_of_another_row_that_is_not_full_yet_is_put_right(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "1.000", "1.001")
    page.keyboard.press("Control+Enter")
    take(page, "2.000")
    cell(page, "Zero", 1).click()
    assert opened.wait_seen(1, "select") == [{**opened.seen("select")[0], "row": "Zero", "cell": 0}]
    expect(page.locator(BAND)).to_contain_text("Shim Zero")  # Python has said what goes on there
    take(page, "1.111")
    expect(cell(page, "Zero", 3)).to_be_focused()
    take(page, "1.002")
    expect(page.locator(".lk-read")).to_have_text("1.002 mm")
    assert texts(page, "Zero") == ["1.111", "1.001", "1.002", "", ""]
    assert texts(page, "A-1") == ["2.000", "", "", "", ""]


def test_readings_before_a_cell_is_chosen_go_where_python_says_and_those_after_it_into_the_cell(
    open_page: Open,
) -> None:
    page = open_page("readings").page
    take(page, *["1.000"] * REPEATS)
    expect(cell(page, "A-1", 1)).to_be_focused()
    let_go = hold_messages(page)
    take(page, *["2.000"] * REPEATS, "3.000", "3.001")
    cell(page, "Zero", 2).click()
    take(page, "1.111")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("End")
    take(page, "1.333")
    let_go()
    expect(cell(page, "Zero", 5)).to_have_text("1.333")
    expect(page.locator(".lk-read")).to_have_text("1.333 mm")
    assert texts(page, "Zero") == ["1.000", "1.111", "1.000", "1.000", "1.333"]
    assert texts(page, "A-1") == ["2.000"] * REPEATS
    assert texts(page, "A-2") == ["3.000", "3.001", "", "", ""]


def test_a_second_enter_before_python_answers_moves_nothing(open_page: Open) -> None:
    page = open_page("readings").page
    take(page, *["1.000"] * (REPEATS - 1))
    let_go = hold_messages(page)
    take(page, "1.004", "", "2.000", "", "2.001")  # a gauge that sends two line ends
    let_go()
    expect(page.locator(".lk-read")).to_have_text("2.001 mm")
    assert texts(page, "Zero")[-1] == "1.004"
    assert texts(page, "A-1") == ["2.000", "2.001", "", "", ""]


def test_f8_before_python_answers_loses_no_reading(open_page: Open) -> None:
    page = open_page("readings").page
    take(page, "1.000")
    let_go = hold_messages(page)
    take(page, "1.001")
    page.keyboard.press("F8")
    take(page, "1.002")
    let_go()
    expect(cell(page, "Zero", 4)).to_be_focused()
    assert texts(page, "Zero") == ["1.000", "1.001", "1.002", "", ""]


def test_what_python_names_of_its_own_counts_for_more_than_where_a_person_was_before(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "1.000", "1.001")
    cell(page, "Zero", 1).click()
    page.get_by_role("button", name="Read again at the end").click()
    expect(cell(page, "A-7", 1)).to_have_class(re.compile("lk-cur"))
    take(page, "7.000")
    expect(cell(page, "A-7", 2)).to_be_focused()
    cell(page, "Zero", 1).click()
    opened.wait_seen(2, "select")
    expect(page.locator(BAND)).to_contain_text("Shim Zero")
    page.get_by_role("button", name="Begin the next").click()
    expect(cell(page, "A-6", 1)).to_have_class(re.compile("lk-cur"))
    assert texts(page, "Zero") == ["1.000", "1.001", "", "", ""]


def test_a_row_that_is_pointed_out_is_in_view_and_no_reading_replaces_one_of_it(open_page: Open) -> None:
    page = open_page("readings", viewport={"width": 1000, "height": 420}).page
    page.get_by_role("button", name="Point out A-5").click()
    expect(page.locator('button[data-row="A-5"][data-cell="menu"]')).to_be_focused()
    expect(cell(page, "A-5", 1)).to_be_in_viewport()
    take(page, "5.000")
    expect(page.locator(".lk-hint")).to_have_text("Not taken: 5.000. Choose the next shim first.")
    page.keyboard.press("F8")
    take(page, "1.000")
    expect(cell(page, "Zero", 1)).to_have_text("1.000")


def test_an_editor_opened_before_python_answers_leaves_the_grid_listening(open_page: Open) -> None:
    page = open_page("readings").page
    take(page, *["1.000"] * REPEATS)
    expect(cell(page, "A-1", 1)).to_be_focused()
    cell(page, "Zero", 2).click()
    let_go = hold_messages(page)
    take(page, "1.111")
    page.keyboard.press("F2")
    let_go()
    expect(page.locator(".lk-read")).to_have_text("1.111 mm")
    page.keyboard.press("Escape")
    take(page, "2.000")
    expect(cell(page, "A-1", 1)).to_have_text("2.000")
    expect(cell(page, "A-1", 2)).to_be_focused()


def test_arrows_move_typing_replaces_escape_gives_up(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "0.011", "0.012", "0.013")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    expect(cell(page, "Zero", 2)).to_be_focused()
    page.keyboard.type("9.9")
    expect(cell(page, "Zero", 2)).to_have_text("9.9")
    page.keyboard.press("Escape")
    expect(cell(page, "Zero", 2)).to_have_text("0.012")
    take(page, "0.022")
    expect(cell(page, "Zero", 2)).to_have_text("0.022")
    expect(cell(page, "Zero", 4)).to_be_focused()  # back to where reading goes on
    assert [(event["cell"], event["text"]) for event in opened.wait_seen(1, "edit")] == [(1, "0.022")]


def test_f2_edits_the_text_that_is_there(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "1.99O")
    expect(cell(page, "Zero", 1)).to_have_class("n lk-bad")
    expect(cell(page, "Zero", 1)).to_have_attribute("aria-label", "Zero, reading 1, 1.99O, cannot be read")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("F2")
    page.keyboard.press("Backspace")
    page.keyboard.press("Escape")
    expect(cell(page, "Zero", 1)).to_have_text("1.99O")
    page.keyboard.press("F2")
    page.keyboard.press("Backspace")
    page.keyboard.type("0")
    page.keyboard.press("Enter")
    expect(cell(page, "Zero", 1)).to_have_text("1.990")
    expect(cell(page, "Zero", 1)).to_have_class("n")
    assert [event["text"] for event in opened.wait_seen(1, "edit")] == ["1.990"]


def test_selection_copies_readings_alone_and_delete_clears_it(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "1.1", "1.2", "1.3", "1.4", "1.5", "2.1", "2.2", "2.3", "2.4", "2.5")
    expect(cell(page, "A-1", 5)).to_have_text("2.5")
    expect(cell(page, "A-2", 1)).to_be_focused()
    cell(page, "Zero", 4).click()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    assert copied(page) == "1.4\t1.5\n2.4\t2.5"
    assert page.locator('td[aria-selected="true"]').count() == 4
    page.keyboard.press("Delete")
    expect(cell(page, "A-1", 5)).to_have_text("")
    assert texts(page, "Zero") == ["1.1", "1.2", "1.3", "", ""]
    assert opened.wait_seen(1, "clear")[0]["cells"] == [["Zero", 3], ["Zero", 4], ["A-1", 3], ["A-1", 4]]
    expect(cell(page, "Zero", 4)).to_be_focused()  # the first that is to be read again
    page.keyboard.press("Control+Z")
    expect(cell(page, "A-1", 5)).to_have_text("2.5")
    page.keyboard.press("Control+Y")
    expect(cell(page, "A-1", 5)).to_have_text("")


def test_dragging_selects(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    take(page, "1.1", "1.2", "1.3", "1.4", "1.5", "2.1")
    expect(cell(page, "A-1", 2)).to_be_focused()
    cell(page, "Zero", 1).hover()
    page.mouse.down()
    cell(page, "A-1", 2).hover()
    page.mouse.up()
    assert copied(page) == "1.1\t1.2\n2.1\t"


def test_a_block_from_a_spreadsheet_grows_the_table_and_what_is_left_out_is_said(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    cell(page, "A-6", 2).click()
    paste(page, "1.1\t1.2\t1.3\t1.4\t1.5\t1.6\r\n2.1\t2.2\r\n3.1\t3.2\r\n")
    expect(cell(page, "A-7", 3)).to_have_text("2.2")
    assert texts(page, "A-6") == ["", "1.1", "1.2", "1.3", "1.4", "1.5", "1.6"]
    assert page.locator("thead th.r").all_inner_texts()[1:-2] == ["1", "2", "3", "4", "5", "6", "7"]
    expect(page.locator(".lk-advice")).to_contain_text("Row 3 was left out: there is no shim for it.")
    page.keyboard.press("Control+Z")
    expect(cell(page, "A-7", 3)).to_have_text("")
    assert texts(page, "A-6") == [""] * REPEATS


def test_the_band_says_when_it_does_not_listen_and_f8_brings_it_back(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    expect(page.locator(BAND)).not_to_have_class("lk-deaf")
    field = page.get_by_placeholder("Note")
    field.click()
    expect(page.locator(BAND)).to_have_class("lk-now-band lk-noprint lk-deaf")
    expect(page.locator(".lk-advised")).to_have_text(
        "Not listening. The cursor is in another field. Press F8 to take readings."
    )
    take(page, "1.497")
    assert field.input_value() == "1.497"
    assert opened.seen() == []
    page.keyboard.press("F8")
    expect(cell(page, "Zero", 1)).to_be_focused()
    expect(page.locator(BAND)).to_have_class("lk-now-band lk-noprint")
    take(page, "1.498")
    expect(cell(page, "Zero", 1)).to_have_text("1.498")


def test_a_click_on_bare_paper_does_not_lose_the_next_reading(open_page: Open) -> None:
    opened = open_page("readings")
    opened.page.mouse.click(700, 880)
    assert opened.page.evaluate("() => document.activeElement === document.body")
    take(opened.page, "1.497")
    expect(cell(opened.page, "Zero", 1)).to_have_text("1.497")


def test_tab_passes_through_in_reading_order(open_page: Open) -> None:
    page = open_page("readings").page
    page.get_by_placeholder("Note").click()
    expect(page.locator(".lk-advised")).to_contain_text("Not listening.")
    tools = ["Paste cells", "Break", "Read again at the end", "Undo"]
    passed = []
    for _ in range(7):
        page.keyboard.press("Tab")
        passed.append(page.evaluate("() => document.activeElement.ariaLabel ?? document.activeElement.textContent"))
    assert passed[1:] == ["Stop here", *tools, "Zero, reading 1, empty"]
    page.keyboard.press("Tab")
    assert not page.evaluate("() => document.querySelector('.lk-reading').contains(document.activeElement)")


def test_the_row_menu_by_keyboard(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    page.keyboard.press("ArrowDown")
    page.keyboard.press("End")
    page.keyboard.press("ArrowRight")
    assert focused(page) == ["A-1", "menu"]
    page.keyboard.press("Enter")
    items = page.get_by_role("menuitem")
    assert items.all_inner_texts() == ["Read again", "Finish with fewer readings", "Write a note", "Dropped or damaged"]
    page.keyboard.press("ArrowDown")
    expect(items.nth(1)).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("menu")).to_be_hidden()
    assert focused(page) == ["A-1", "menu"]
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Shift+F10")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")
    assert [(event["row"], event["item"]) for event in opened.wait_seen(1, "menu")] == [("A-1", "dropped")]


def test_buttons_of_the_band_report_and_the_next_reading_still_counts(open_page: Open) -> None:
    opened = open_page("readings")
    page = opened.page
    page.get_by_label("Hide reference while reading").check()
    expect(page.locator("tbody td:nth-child(2)").first).to_have_text("")
    take(page, "1.001")  # the box has the focus: digits are readings all the same
    expect(cell(page, "Zero", 1)).to_have_text("1.001")
    page.get_by_role("button", name="Stop here").click()
    take(page, "1.002")
    expect(cell(page, "Zero", 2)).to_have_text("1.002")
    assert [event["type"] for event in opened.wait_seen(4)] == ["hide-reference", "take", "button", "take"]


def test_a_ticked_choice_stays_ticked_until_python_has_answered(open_page: Open) -> None:
    page = open_page("readings").page
    page.evaluate("() => { WebSocket.prototype.send = () => {}; }")
    choice = page.get_by_label("Hide reference while reading")
    choice.check()
    page.get_by_placeholder("Note").click()
    expect(page.locator(".lk-advised")).to_contain_text("Not listening.")
    expect(choice).to_be_checked()


def test_one_sound_for_taken_and_another_for_a_reading_to_look_at(open_page: Open) -> None:
    page = open_page("readings").page
    page.evaluate(
        """() => {
            window.heard = [];
            const createOscillator = AudioContext.prototype.createOscillator;
            AudioContext.prototype.createOscillator = function () {
                const made = createOscillator.call(this);
                const start = made.start;
                made.start = function (when) { window.heard.push(made.frequency.value); start.call(made, when); };
                return made;
            };
        }"""
    )
    take(page, "1.001")
    expect(cell(page, "Zero", 1)).to_have_class("n")
    page.wait_for_function("() => window.heard.length === 1")
    take(page, "1.0O2")
    page.wait_for_function("() => window.heard.length === 3")
    high, *low = page.evaluate("() => window.heard")
    assert set(low) == {min(low)}
    assert high > min(low)


def test_before_the_first_reading_there_is_only_the_band(open_page: Open) -> None:
    opened = open_page("nothing_taken")
    page = opened.page
    expect(page.locator(".lk-lastly")).to_have_text("Nothing taken yet")
    expect(page.get_by_role("grid")).to_be_hidden()
    assert page.locator(".lk-tally i").count() == REPEATS
    page.keyboard.type("0.011")
    expect(page.locator(".lk-lastly")).to_have_text("Typed, not taken yet:")
    page.keyboard.press("Enter")
    assert [(event["row"], event["cell"], event["text"]) for event in opened.wait_seen(1)] == [("Zero", 0, "0.011")]


def test_the_band_stays_in_view_under_the_strip(open_page: Open) -> None:
    page = open_page("readings", viewport={"width": 1000, "height": 700}).page
    page.evaluate("() => { document.querySelector('.lk-reading').parentElement.style.paddingBottom = '600px'; }")
    page.mouse.move(500, 500)
    page.mouse.wheel(0, 300)
    page.wait_for_function("() => window.scrollY === 300")
    assert page.locator(BAND).bounding_box()["y"] == 64
    page.keyboard.press("ArrowDown")  # the cell with the focus is not hidden under the band
    band, at = page.locator(BAND).bounding_box(), cell(page, "A-1", 1).bounding_box()
    assert at["y"] >= band["y"] + band["height"]


def test_what_a_glove_must_hit_is_large_enough(open_page: Open) -> None:
    page = open_page("readings_of_the_day", viewport={"width": 1000, "height": 900}, color_scheme="dark").page
    heights = page.evaluate(
        "() => [...document.querySelectorAll('.lk-reading button:not(.lk-link), .lk-reading td')]"
        ".filter(e => e.offsetParent).map(e => e.offsetHeight)"
    )
    assert min(heights) >= 40
    assert page.locator(".lk-read").evaluate("e => getComputedStyle(e).fontSize") == "64px"


def test_data_is_never_markup(open_page: Open) -> None:
    opened = open_page("readings")
    take(opened.page, "<img src=x onerror=alert(1)>")
    opened.wait_seen(1, "take")
    expect(cell(opened.page, "Zero", 1)).to_have_class("n lk-bad")
    expect(cell(opened.page, "Zero", 1)).to_have_text("<img src=x onerror=alert(1)>")
    assert opened.page.locator(".lk-reading img").count() == 0
