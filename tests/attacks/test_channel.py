"""A script in place of a browser, which has the cookie and says to a kernel what no page of ours would say."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator

import pytest
from websockets.exceptions import ConnectionClosed

from labkit.panels.channel import fault_of
from tests.attacks.visitor import PROTOCOL, Visitor, Workbook, packed


@pytest.fixture(scope="module")
def workbook(served) -> Iterator[Workbook]:
    opened = Visitor(served.root).come_in(served.token).open()
    yield opened
    opened.close()


def alive(workbook: Workbook) -> None:
    """The kernel answers, and nothing was run in it."""
    workbook.heard.clear()
    workbook.send("kernel_info_request", {})
    workbook.wait(lambda: any(each["header"]["msg_type"] == "kernel_info_reply" for each in workbook.heard))
    kinds = {each["header"]["msg_type"] for each in workbook.heard}
    assert not kinds & {"execute_reply", "execute_result", "stream", "error", "debug_reply", "complete_reply"}


CODE = {"code": "print(open('/etc/passwd').read())", "silent": False, "store_history": False}


@pytest.mark.parametrize("channel", ["shell", "control", "stdin", "iopub", "hb", ""])
@pytest.mark.parametrize("kind", ["execute_request", "debug_request", "shutdown_request", "inspect_request"])
def test_no_code_reaches_a_kernel(workbook: Workbook, logged, kind: str, channel: str) -> None:
    again = Workbook.__new__(Workbook)
    again.__dict__ |= vars(workbook)
    again.line = workbook.visitor.connect(workbook.kernel)  # a connection is closed after twenty refusals
    again.send(kind, CODE, channel=channel)
    alive(again)
    assert f"refused: a message '{kind}' on the channel '{channel}', to kernel {workbook.kernel}" in logged("serve")
    again.close()


@pytest.mark.parametrize(
    "target", ["jupyter.widget", "jupyter.widget.version", "../x", "", None, {"a": 1}], ids=lambda each: str(each)
)
def test_no_widget_is_made_from_outside(workbook: Workbook, logged, target: object) -> None:
    state = {"_model_module": "@jupyter-widgets/controls", "_model_name": "HTMLModel", "value": "<script>1</script>"}
    workbook.send("comm_open", {"comm_id": uuid.uuid4().hex, "target_name": target, "data": {"state": state}})
    alive(workbook)
    assert "refused: a message that opens" in logged("serve")


def test_what_is_no_message_is_refused(workbook: Workbook, logged) -> None:
    line = workbook.visitor.connect(workbook.kernel)
    good = packed("s", "kernel_info_request", {}, "shell")
    for bad in (
        b"",
        b"\x00" * 8,
        (2**62).to_bytes(8, "little") + good[8:],
        good[:-1],
        good + b"x",
        json.dumps({"header": {"msg_type": "execute_request"}, "channel": "shell", "content": CODE}),
        packed("s", "kernel_info_request", {}, "shell").replace(b'"msg_type"', b'"msg_typo"'),
    ):
        line.send(bad)
    line.send(good)
    while b"kernel_info_reply" not in line.recv(timeout=60):
        pass  # a kernel that has just begun says so first
    assert logged("serve").count("of no form") >= 5
    assert "in another form" in logged("serve")
    line.close()


def test_a_script_that_goes_on_is_hung_up_on(workbook: Workbook) -> None:
    line = workbook.visitor.connect(workbook.kernel)
    with pytest.raises(ConnectionClosed):
        for _ in range(30):
            line.send(packed("s", "execute_request", CODE, "shell"))
        while True:
            line.recv(timeout=60)


def test_the_older_form_of_the_connection_is_refused(workbook: Workbook, logged) -> None:
    line = workbook.visitor.connect(workbook.kernel, protocol=None)
    line.send(json.dumps({"header": {"msg_type": "kernel_info_request"}, "channel": "shell", "content": {}}))
    line.close()
    workbook.wait(lambda: "a message in another form" in logged("serve"))


def test_a_message_is_no_larger_than_a_file_may_be(workbook: Workbook) -> None:
    assert fault_of(packed("s", "comm_msg", {"x": "y" * 12_000_001}, "shell")).startswith("a message of 120")
    assert fault_of(packed("s", "comm_msg", {}, "shell", (b"y" * 10_000_000,))) == ""
    line = workbook.visitor.connect(workbook.kernel)
    with pytest.raises(ConnectionClosed):
        line.send(packed("s", "comm_msg", {"x": "y" * 30_000_000}, "shell"))
        while True:
            line.recv(timeout=60)
    alive(workbook)


def test_a_subprotocol_is_ours_or_none(workbook: Workbook) -> None:
    assert workbook.line.subprotocol == PROTOCOL


# ---- widgets ----


def test_another_name_gives_no_rights(workbook: Workbook, served, logged) -> None:
    """The dropdown says who types; what needs a right needs the passphrase of that person."""
    people = workbook.find(tooltip="Who is at this page")
    names = workbook.states[people]["_options_labels"]
    for index in range(1, len(names)):
        workbook.set(people, index=index)
    workbook.set(people, index=len(names) + 5)
    workbook.set(people, _options_labels=["", "Somebody else"], index=1)
    workbook.set(people, value="Somebody else")
    workbook.wait(lambda: logged("pages").count("refused: ") >= 3)
    said = logged("pages")
    assert "a value of the wrong kind, Dropdown 'Who is at this page'" in said
    assert "a change of ['_options_labels', 'index'], Dropdown" in said
    assert "Somebody else" not in said.replace("a change of", "")
    workbook.set(people, index=0)
    alive(workbook)


def test_a_disabled_button_cannot_be_pressed(workbook: Workbook, logged) -> None:
    button = workbook.find(description="Read the check shims", disabled=True)
    workbook.press(button)
    workbook.set(button, disabled=False)
    workbook.press(button)
    workbook.wait(lambda: logged("pages").count("a press of a disabled button, Button 'Read the check shims'") == 2)
    assert "refused: a change of ['disabled'], Button" in logged("pages")


def test_what_only_shows_takes_nothing(workbook: Workbook, logged) -> None:
    shown = next(name for name, state in workbook.states.items() if "lk-cells" in str(state.get("value")))
    workbook.set(shown, value="<img src=x onerror=alert(1)>")
    workbook.wait(lambda: "refused: a change of ['value'], HTML" in logged("pages"))
    workbook.look()
    assert "onerror" not in workbook.shown()


@pytest.mark.parametrize("value", ["y" * 10_000_000, "y" * 2001], ids=["10 MB", "2001 letters"])
def test_a_text_that_is_too_long_is_not_taken(workbook: Workbook, logged, value: str) -> None:
    field = workbook.find(tooltip="Order")
    workbook.set(field, value=value)
    workbook.wait(lambda: "refused: a text that is too long, Text 'Order'" in logged("pages"))
    workbook.wait(lambda: "That text is too long and was not taken" in workbook.shown())
    assert workbook.states[field]["value"] == ""
    assert "yyy" not in logged("pages")


@pytest.mark.parametrize("value", [None, 1, 1.5, True, ["a"], {"a": 1}, float("nan"), float("inf")], ids=str)
def test_a_value_of_another_kind_is_not_taken(workbook: Workbook, logged, value: object) -> None:
    field = workbook.find(tooltip="Order")
    workbook.set(field, value=value)
    workbook.wait(lambda: "refused: a value" in logged("pages"))
    alive(workbook)


@pytest.mark.parametrize("typed", ["nan", "inf", "-inf", "1e999", "NaN", "0x1p3", "9" * 400])
@pytest.mark.parametrize("field", ["Tolerance", "Working range, to", "Repeats", "Target U"])
def test_what_is_no_number_computes_nothing(workbook: Workbook, logged, field: str, typed: str) -> None:
    workbook.set(workbook.find(tooltip=field), value=typed)
    alive(workbook)
    assert "Traceback" not in logged("pages")
    workbook.set(workbook.find(tooltip=field), value="")


@pytest.mark.parametrize(
    "content", [None, [], "x", 1, {}, {"event": "click"}, {"type": "answer"}, {"type": []}], ids=str
)
def test_no_message_upsets_a_widget_of_ours(workbook: Workbook, logged, content: object) -> None:
    ours = [name for name, state in workbook.states.items() if state.get("_model_name") == "AnyModel"]
    assert len(ours) > 5
    for name in ours:
        workbook.tell(name, content)
    alive(workbook)
    assert "fault" not in logged("pages")


def test_a_widget_that_is_not_there_is_asked_in_vain(workbook: Workbook) -> None:
    workbook.heard.clear()
    for name in ("no-such-widget", "", "../../x"):
        workbook.set(name, value="x")
    workbook.send("kernel_info_request", {})
    workbook.wait(lambda: any(each["header"]["msg_type"] == "kernel_info_reply" for each in workbook.heard))
    said = [each["content"]["text"] for each in workbook.heard if each["header"]["msg_type"] == "stream"]
    assert all("No such comm" in each and "Traceback" not in each for each in said), said


def test_a_draft_is_an_id_and_no_path(served, logged) -> None:
    visitor = Visitor(served.root).come_in(served.token)
    opened = visitor.open(query="?draft=..%2F..%2F..%2Fetc%2Fpasswd%0aforged")
    opened.wait(lambda: "is no draft" in opened.shown() or "no id" in opened.shown() or "lk-banner" in opened.shown())
    assert "root:" not in opened.shown()
    assert "Traceback" not in logged("pages")
    opened.close()
