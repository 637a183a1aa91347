"""Models, priors and demo are found from a wheel, an editable install and a checkout alike."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PROBE = (
    "from benchodds.keep import files; "
    "print(files.find('models', 'mag-cdi'), files.find('priors', 'mag-cdi'), "
    "files.data_folder('demo') / 'first-day.toml', sep='\\n')"
)


def found(python: str, path: Path | None, where: Path) -> list[Path]:
    """Where a fresh process finds the shipped files."""
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    if path is not None:
        env["PYTHONPATH"] = str(path)
    out = subprocess.run(
        [python, "-c", PROBE], env=env, cwd=where, capture_output=True, text=True, check=True
    )
    return [Path(line) for line in out.stdout.splitlines()]


def pip(python: str, *args: str) -> None:
    """Run pip; skip where the package registry cannot be reached, except in CI."""
    done = subprocess.run([python, "-m", "pip", *args], capture_output=True, text=True, check=False)
    if done.returncode and not os.environ.get("CI"):
        pytest.skip("pip could not build the package here: " + done.stderr.strip()[-200:])
    assert done.returncode == 0, done.stderr


def test_files_are_found_from_a_checkout(tmp_path: Path) -> None:
    """With src on the path, the files beside it are used."""
    paths = found(sys.executable, ROOT / "src", tmp_path)
    assert all(p.is_file() and p.is_relative_to(ROOT) for p in paths)


def test_files_are_found_from_a_wheel(tmp_path: Path) -> None:
    """The wheel carries the files and finds them inside itself."""
    pip(sys.executable, "wheel", "--quiet", "--no-deps", "--wheel-dir", str(tmp_path), str(ROOT))
    (wheel,) = tmp_path.glob("*.whl")
    inside = tmp_path / "unpacked"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(inside)
        assert "benchodds/py.typed" in archive.namelist()
    paths = found(sys.executable, inside, tmp_path)
    assert all(p.is_file() and p.is_relative_to(inside) for p in paths)


def test_files_are_found_from_an_editable_install(tmp_path: Path) -> None:
    """An editable install uses the checkout's files."""
    venv.create(tmp_path / "env", with_pip=True)
    python = str(tmp_path / "env" / "bin" / "python")
    pip(python, "install", "--quiet", "--no-deps", "--ignore-installed", "-e", str(ROOT))
    site = next((tmp_path / "env" / "lib").glob("python*/site-packages"))
    # The libraries of this environment, behind what the new one has itself.
    (site / "zz_libraries.pth").write_text(sysconfig.get_paths()["purelib"], encoding="utf-8")
    paths = found(python, None, tmp_path)
    assert any(site.glob("*benchodds*"))
    assert all(p.is_file() and p.is_relative_to(ROOT) for p in paths)


FREE = re.compile(
    r"\b(MIT|BSD|Apache|PSF|Python Software Foundation|MPL|Mozilla|ISC|Zlib|HPND|LGPL|CC0|"
    r"matplotlib|Unlicense)\b",
    re.IGNORECASE,
)


def needed(start: str) -> dict[str, metadata.Distribution]:
    """A distribution and all that it needs, extras aside."""
    found: dict[str, metadata.Distribution] = {}
    todo = [start]
    while todo:
        name = todo.pop()
        if canonicalize_name(name) in found:
            continue
        distribution = metadata.distribution(name)
        found[canonicalize_name(name)] = distribution
        for line in distribution.requires or []:
            requirement = Requirement(line)
            if requirement.marker is None or requirement.marker.evaluate({"extra": ""}):
                todo.append(requirement.name)
    return found


def test_licences_allow_shipping() -> None:
    """What is installed with the project is under licences that allow it."""
    for name, distribution in needed("benchodds").items():
        meta = distribution.metadata
        said = [meta.get("License-Expression"), (meta.get("License") or "")[:300]]
        said += [c for c in meta.get_all("Classifier") or [] if c.startswith("License")]
        text = " ".join(filter(None, said))
        if not FREE.search(text):  # only in the licence file itself
            files = [f for f in distribution.files or [] if "LICEN" in f.name.upper()]
            text = " ".join(f.read_text()[:2000] for f in files)
        assert FREE.search(text) or "Permission is hereby granted" in text, name
        assert not re.search(r"(?<!L)GPL(?!.*exception)", text.split("\n")[0]), name


def test_every_dependency_has_its_reason() -> None:
    """DEVELOPERS.md says why each is there."""
    said = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = data["optional-dependencies"]
    wanted = [*data["dependencies"]]
    wanted += [r for name, rows in extras.items() if name not in ("test", "dev") for r in rows]
    for line in wanted:
        assert f"`{Requirement(line).name}`" in said, line


def test_the_shell_completes_commands() -> None:
    """Click's completion script, and the commands that it offers."""
    env = {**os.environ, "_BENCHODDS_COMPLETE": "bash_source"}
    done = subprocess.run(
        [sys.executable, "-m", "benchodds"], env=env, capture_output=True, text=True, check=False
    )
    assert "complete" in done.stdout
    asked = {**env, "_BENCHODDS_COMPLETE": "bash_complete", "COMP_WORDS": "benchodds re"}
    asked["COMP_CWORD"] = "1"
    done = subprocess.run(
        [sys.executable, "-m", "benchodds"], env=asked, capture_output=True, text=True, check=False
    )
    assert {"record", "report", "restore", "reopen"} <= set(re.findall(r"plain,(\w+)", done.stdout))
