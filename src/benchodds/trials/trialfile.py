"""Find and read the trial file; the user's own hides the shipped one of the same name."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from benchodds.basics.errors import ModelError, UnknownNameError, nearest
from benchodds.keep.files import folders, read_toml
from benchodds.trials.trial import Trial, build_trial

PLACE = "trial"
"""Folder of trial files beside the prior sets."""


def find_trial(name: str) -> Path:
    """The file of a named trial; a path with a suffix stands for itself."""
    if name.endswith(".toml"):
        return Path(name)
    known: dict[str, Path] = {}
    for folder in folders("priors"):
        for path in sorted((folder / PLACE).glob("*.toml")):
            known.setdefault(path.stem, path)
    if name in known:
        return known[name]
    raise UnknownNameError(f"'{name}' is not a trial known here{nearest(name, known)}")


@lru_cache(maxsize=8)
def load_trial(name: str = "trial") -> Trial:
    """Read and check a trial file; errors name the file."""
    path = find_trial(name)
    try:
        return build_trial(read_toml(path))
    except ModelError as error:
        lines = (
            line if line.startswith(str(path)) else f"{path}: {line}"
            for line in str(error).splitlines()
        )
        raise ModelError("\n".join(lines)) from None
