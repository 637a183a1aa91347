"""Every package used directly is declared, with a lower bound that was tried.

``BENCHODDS_LOWEST=1`` (set by ``.ci/lowest``) says that this environment was made from the lower
bounds: then the versions in use must be exactly those, or the trial would prove nothing.
"""

from __future__ import annotations

import ast
import os
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS: dict[str, list[str]] = PROJECT["optional-dependencies"]


def declared(*extras: str) -> list[Requirement]:
    """What the project asks for, and what these extras add; itself left out."""
    lines = [*PROJECT["dependencies"], *(line for name in extras for line in EXTRAS[name])]
    wanted = [Requirement(line) for line in lines]
    return [r for r in wanted if r.name != PROJECT["name"]]


def lowest(wanted: Requirement) -> Version:
    """The lower bound of a requirement."""
    (bound,) = [s.version for s in wanted.specifier if s.operator == ">="]
    return Version(bound)


@pytest.mark.parametrize("wanted", declared(*EXTRAS), ids=str)
def test_each_has_one_lower_bound(wanted: Requirement) -> None:
    """One ``>=`` and nothing else: an upper bound would keep mended versions away."""
    assert [s.operator for s in wanted.specifier] == [">="]
    assert not lowest(wanted).is_prerelease


def test_no_package_has_two_bounds() -> None:
    """What several extras ask for is bounded alike."""
    bounds: dict[str, set[Version]] = {}
    for wanted in declared(*EXTRAS):
        bounds.setdefault(canonicalize_name(wanted.name), set()).add(lowest(wanted))
    assert {name: found for name, found in bounds.items() if len(found) > 1} == {}


@pytest.mark.parametrize("wanted", declared("test"), ids=str)
def test_versions_in_use_are_in_bounds(wanted: Requirement) -> None:
    """Not below the bound; at it where the lowest versions are on trial."""
    used = Version(metadata.version(wanted.name))
    if os.environ.get("BENCHODDS_LOWEST"):
        assert used == lowest(wanted)
    else:
        assert wanted.specifier.contains(used, prereleases=True)


def test_what_is_imported_is_declared() -> None:
    """A package that is there only because another one needs it would have no bound."""
    owners = metadata.packages_distributions()
    wanted = {canonicalize_name(r.name) for r in declared("cluster", "pdf", "server")}
    for path in (ROOT / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            for name in {n.partition(".")[0] for n in names}:
                if name == PROJECT["name"] or name in sys.stdlib_module_names:
                    continue
                owned = {canonicalize_name(owner) for owner in owners.get(name, [])}
                assert owned & wanted, f"{path.name} imports {name}"
