"""Workbooks hold prose and one or two cells that show a panel: no outputs, no logic, and they execute."""

import ast

import nbformat
import pytest
from nbclient import NotebookClient

from labkit.paths import workbooks

WORKBOOKS = sorted(workbooks().glob("*.ipynb"))
LOGIC = (
    ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.BinOp, ast.BoolOp, ast.Compare,
    ast.For, ast.While, ast.If, ast.IfExp, ast.ListComp, ast.DictComp, ast.SetComp, ast.GeneratorExp,
    ast.With, ast.Try, ast.AugAssign,
)  # fmt: skip


def test_there_is_a_workbook():
    assert [path.name for path in WORKBOOKS] == ["bench.ipynb", "calibrate.ipynb", "check.ipynb", "records.ipynb"]


@pytest.mark.parametrize("path", WORKBOOKS, ids=lambda path: path.stem)
def test_it_is_committed_bare(path):
    notebook = nbformat.read(path, 4)
    nbformat.validate(notebook)
    first, *cells = notebook.cells
    assert first.cell_type == "markdown"
    assert first.source.startswith(f"# {notebook.metadata.title}\n")
    assert [cell.cell_type for cell in cells] in (["code"], ["code", "code"])
    for cell in cells:
        assert cell.outputs == []
        assert cell.execution_count is None
        assert not [node for node in ast.walk(ast.parse(cell.source)) if isinstance(node, LOGIC)]


@pytest.mark.parametrize("path", WORKBOOKS, ids=lambda path: path.stem)
def test_it_executes(path, tmp_path, monkeypatch):
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    notebook = nbformat.read(path, 4)
    client = NotebookClient(
        notebook,
        timeout=120,
        iopub_timeout=120,  # a machine that tests is a busy machine
        kernel_name="python3",
        store_widget_state=False,
        resources={"metadata": {"path": str(tmp_path)}},
    )
    client.execute()
    shown = notebook.cells[-1].outputs
    assert any("application/vnd.jupyter.widget-view+json" in output.get("data", {}) for output in shown)
    assert [output for output in shown if output.output_type in ("error", "stream")] == []
