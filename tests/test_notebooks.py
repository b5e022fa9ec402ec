"""Every notebook is kept without output and runs from top to bottom."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))
SECONDS_AT_MOST = 120


def test_notebooks_are_found() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_without_output(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)

    for cell in notebook.cells:
        assert not cell.get("outputs"), cell.id
        assert cell.get("execution_count") is None, cell.id


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, timeout=SECONDS_AT_MOST, resources={"metadata": {"path": str(path.parent)}}
    )

    client.execute()  # raises where a cell does
