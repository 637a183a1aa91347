"""Dependencies point one way: a package imports only those before it, and DEVELOPERS.md says so."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "benchodds"
LAYERS = (
    "basics",
    "model",
    "measure",
    "infer",
    "choose",
    "reasons",
    "keep",
    "learn",
    "trials",
    "author",
    "screens",
    "cli",
)
PURE = LAYERS[: LAYERS.index("reasons") + 1]


def imported(path: Path) -> set[str]:
    """Everything that a module imports, anywhere in it."""
    out: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            out |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return out


def test_every_package_has_its_place() -> None:
    """No package is left out of the order, and DEVELOPERS.md names every module."""
    assert {p.parent.name for p in SOURCE.glob("*/__init__.py")} == set(LAYERS)
    said = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| `(\w+)` \| (.+) \|$", said, re.MULTILINE))
    assert [name for name in rows if name in LAYERS] == list(LAYERS)
    for package in LAYERS[:-1]:
        for path in (SOURCE / package).glob("*.py"):
            assert path.stem == "__init__" or f"`{path.stem}`" in rows[package], path.stem


@pytest.mark.parametrize("package", LAYERS)
def test_imports_point_up(package: str) -> None:
    """Only to packages earlier in the order."""
    later = LAYERS[LAYERS.index(package) + 1 :]
    for path in (SOURCE / package).glob("*.py"):
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "benchodds" and len(parts) > 1:
                assert parts[1] not in later, f"{path.name} imports {name}"


@pytest.mark.parametrize("package", PURE)
def test_the_core_is_pure(package: str) -> None:
    """No files, databases, clocks, processes or networks."""
    edges = {
        "os",
        "time",
        "random",
        "socket",
        "subprocess",
        "sqlite3",
        "psycopg",
        "platformdirs",
    }
    for path in (SOURCE / package).glob("*.py"):
        assert not imported(path) & edges, path.name


def test_heavy_libraries_have_one_importer() -> None:
    """pgmpy in one module, matplotlib in figures and what embeds them, Dask and Arrow in one."""
    allowed = {
        "pgmpy": {"exchange.py"},
        "matplotlib": {"figures.py", "figures_trial.py", "pages.py"},
        "pyarrow": {"fleet.py"},
        "distributed": {"fleet.py"},
    }
    for path in SOURCE.rglob("*.py"):
        for name in imported(path):
            top = name.split(".")[0]
            assert path.name in allowed.get(top, {path.name}), f"{path.name} imports {top}"
