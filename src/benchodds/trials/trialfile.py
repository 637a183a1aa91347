"""Find and read the trial file; the user's own hides the shipped one of the same name."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from benchodds.keep import files
from benchodds.trials.trial import Trial, build_trial

PLACE = "trial"
"""Folder of trial files beside the prior sets."""


def find_trial(name: str) -> Path:
    """The file of a named trial; a path with a suffix stands for itself."""
    return files.find_beside(PLACE, name)


@lru_cache(maxsize=8)
def load_trial(name: str = "trial") -> Trial:
    """Read and check a trial file; errors name the file."""
    return files.load(find_trial(name), build_trial)
