"""A few seconds of :mod:`abuse`: the page stays up, tells nothing, and keeps its memory."""

from __future__ import annotations

from pathlib import Path

import abuse
from benchodds.screens.guard import TRIES


def test_load_and_abuse(tmp_path: Path) -> None:
    """No crash, no answer out of order, no other job's text, memory flat."""
    seen = abuse.run(tmp_path, 4.0)
    assert not seen.broken
    assert seen.answers["load 200"] > 0
    assert max(seen.memory_mb) < seen.memory_mb[0] + 60


def test_guessed_codes_open_nothing(tmp_path: Path) -> None:
    """As fast as it goes: five are looked at, and nothing is shown to who is not paired."""
    seen = abuse.guess(tmp_path, 2.0)
    assert seen.pop("unpaired 303") == 3
    assert set(seen) == {"403", "429"}
    assert seen["403"] == TRIES
