"""The notebooks run from top to bottom; they are kept without output."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_runs(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every code cell runs in order, in one namespace, and something is printed."""
    data = json.loads(path.read_text(encoding="utf-8"))
    namespace: dict[str, Any] = {"__name__": "notebook"}
    for cell in data["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [], "kept without output"
            exec(compile("".join(cell["source"]), str(path), "exec"), namespace)
    assert capsys.readouterr().out.strip()


def test_there_is_a_notebook() -> None:
    """The folder is not empty, so that the test above cannot pass by default."""
    assert NOTEBOOKS
