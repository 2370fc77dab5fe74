"""The example notebook: its cells run, and what it shows is what they print."""

from __future__ import annotations

import ast
import copy
import json
from pathlib import Path
from typing import Any

import pytest

import innage

NOTEBOOK = Path(__file__).parents[2] / "docs" / "example.ipynb"


def test_every_name_of_the_interface_that_it_uses_is_there() -> None:
    """Without running it: each cell parses, each ``innage.NAME`` is public, and no cell shows an error."""
    cells = [cell for cell in json.loads(NOTEBOOK.read_text("utf-8"))["cells"] if cell["cell_type"] == "code"]
    trees = [ast.parse("".join(cell["source"])) for cell in cells]
    used = {
        node.attr
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "innage"
    }
    assert {"open_store", "train", "replay", "export"} <= used <= set(innage.__all__)
    assert [
        out["output_type"]
        for cell in cells
        for out in cell["outputs"]
        if out["output_type"] not in ("stream", "display_data")
    ] == []


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # of the notebook's own machinery
def test_it_runs_and_prints_what_it_shows(tmp_path: Path) -> None:
    """Text only: pictures differ from one version of the fonts to the next."""
    import nbformat
    from nbclient import NotebookClient

    shown = nbformat.read(NOTEBOOK, as_version=4)
    run = copy.deepcopy(shown)
    NotebookClient(run, timeout=300, resources={"metadata": {"path": str(tmp_path)}}).execute()
    assert _printed(run) == _printed(shown)


def _printed(notebook: Any) -> list[str]:
    return [
        "".join(out["text"] for out in cell["outputs"] if out["output_type"] == "stream")
        for cell in notebook.cells
        if cell["cell_type"] == "code"
    ]
