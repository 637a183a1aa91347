"""A few rounds of :mod:`durability`: killed, protected, torn; nothing lost, nothing doubled."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

import durability


def test_faults_lose_nothing(tmp_path: Path) -> None:
    """Every acknowledged event is there exactly once after each fault."""
    count = durability.run(tmp_path / "jobs.sqlite", 2, 7, disk=False)
    assert count.operations > 0
    assert set(count.faults) == {"killed", "protected", "torn", "killed while made"}
    assert (count.lost, count.doubled, count.unasked) == (0, 0, 0)


@pytest.mark.skipif(os.geteuid() != 0, reason="a file system in memory needs root")
def test_full_disk_loses_nothing() -> None:
    """What was acknowledged before the disk was full is there; the rest was refused."""
    count = durability.Count()
    durability.full_disk(random.Random(3), count)
    assert count.faults["disk full"] > 0
    assert (count.lost, count.doubled, count.unasked) == (0, 0, 0)
