"""Models, priors and demo are found from a wheel, an editable install and a checkout alike."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROBE = (
    "from benchodds import files; "
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
