"""The Python side of a line to answer on: whole answers, and none while it is off."""

from __future__ import annotations

from typing import Any

import pytest

from labkit.panels.answer import Answer
from labkit.panels.ask import Ask


@pytest.fixture(autouse=True)
def sent(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    messages: list[dict[str, Any]] = []
    monkeypatch.setattr(Answer, "send", lambda self, content, buffers=None: messages.append(content))
    return messages


def test_an_answer_comes_whole_and_is_confirmed(sent: list[dict[str, Any]]) -> None:
    given: list[str] = []
    line = Answer(given.append)
    line._handle_custom_msg({"type": "answer", "text": " fell on the floor "}, [])
    assert given == ["fell on the floor"]
    assert sent == [{"type": "heard"}]


def test_a_passphrase_keeps_its_spaces() -> None:
    given: list[str] = []
    Answer(given.append, secret=True)._handle_custom_msg({"type": "answer", "text": " two words "}, [])
    assert given == [" two words "]


@pytest.mark.parametrize("content", [{"type": "answer", "text": "  "}, {"type": "answer", "text": 4}, {"type": "left"}])
def test_what_is_no_answer_is_not_passed_on(content: dict[str, Any]) -> None:
    given: list[str] = []
    Answer(given.append)._handle_custom_msg(content, [])
    assert given == []


def test_a_line_that_is_off_takes_nothing() -> None:
    given: list[str] = []
    Answer(given.append, enabled=False)._handle_custom_msg({"type": "answer", "text": "demo"}, [])
    assert given == []


def test_giving_up_closes_the_question_without_an_answer() -> None:
    given: list[str] = []
    question = Ask(lambda callback: callback)
    question.ask("What happened?", "Set aside", given.append)
    assert question.root.layout.display == ""
    line = question.root.children[1]
    line._handle_custom_msg({"type": "left"}, [])
    assert question.root.layout.display == "none"
    line._handle_custom_msg({"type": "answer", "text": "too late"}, [])
    assert given == []
