"""Find and read the data files of tuning; every error names the file."""

from __future__ import annotations

from pathlib import Path

from benchodds import files
from benchodds.errors import ModelError
from benchodds.learning import Learning, build_learning

FOLDER = "tuning"


def find(name: str) -> Path:
    """A file of ``priors/tuning``: the user's own goes before the shipped one."""
    for folder in files.folders("priors"):
        path = folder / FOLDER / name
        if path.is_file():
            return path
    raise ModelError(f"priors/{FOLDER}/{name} is missing; reinstall")


def load_learning() -> Learning:
    """Read and check what past jobs may teach."""
    path = find("learning.toml")
    try:
        return build_learning(files.read_toml(path))
    except ModelError as error:
        raise ModelError(f"{path}: {error}") from None
