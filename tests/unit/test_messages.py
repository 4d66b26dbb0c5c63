"""Every code has a sentence, and every sentence can be written."""

from __future__ import annotations

import ast
import string
from pathlib import Path

import pytest

from labkit.messages import remedy, sentence
from labkit.problems import BadFile, BadInput, Caution, Fault, Problem, Where
from labkit.sentences import SENTENCES

PACKAGE = Path(__file__).parents[2] / "labkit"


def codes_raised() -> set[str]:
    """The literal codes that the package gives to problems and findings."""
    kinds = {"Problem", "BadInput", "Fault", "Caution", "Reason"}
    found = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in kinds:
                first = node.args[0] if node.args else None
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    found.add(first.value)
    return found


def test_every_code_that_is_raised_has_a_sentence() -> None:
    assert codes_raised() - SENTENCES.keys() == set()


@pytest.mark.parametrize("code", sorted(SENTENCES))
def test_the_template_is_well_formed(code: str) -> None:
    fields = [name for _, name, _, _ in string.Formatter().parse(SENTENCES[code]) if name is not None]
    assert all(name.isidentifier() for name in fields)
    sentence(code, dict.fromkeys(fields, 1.5))


def test_a_hint_belongs_to_a_sentence() -> None:
    for code in SENTENCES:
        assert not code.endswith(".hint") or code.removesuffix(".hint") in SENTENCES


def test_numbers_are_written_with_their_unit() -> None:
    text = sentence("curve.one_thickness", {"x_mm": 0.5})
    assert text == "All readings are at one thickness, 0.5000 mm: no curve goes through them."


def test_a_problem_says_where_and_what_to_do() -> None:
    problem = BadInput("curve.unknown_family", Where(row=3, column="family"), name="spiral", known=["line", "flexible"])
    assert str(problem) == "row 3, column family: There is no curve family spiral. Known: line, flexible."
    assert isinstance(problem, ValueError)
    assert isinstance(problem, Problem)


def test_a_bad_file_lists_every_fault() -> None:
    problem = BadFile(
        [
            Fault("curve.scale", {"got": "x"}, Where("a.csv", row=2)),
            Fault("curve.scale", {"got": "y"}, Where("a.csv", row=9)),
        ]
    )
    assert [fault.where.row for fault in problem.faults if fault.where] == [2, 9]
    assert str(problem).count("\n") == 1


def test_a_caution_survives_the_record() -> None:
    caution = Caution("curve.one_thickness", {"x_mm": 0.5}, Where("a.csv", row=2, column="shim"))
    assert Caution.from_dict(caution.to_dict()) == caution


def test_no_remedy_is_none() -> None:
    assert remedy("curve.scale", {"got": "x"}) is None
