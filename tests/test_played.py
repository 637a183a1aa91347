"""Jobs played by what is proposed come to an end, and go in no circles (a sample of `played`)."""

from __future__ import annotations

import pytest

from benchodds.keep.session import load_machine
from played import play


@pytest.mark.parametrize(
    ("system", "complaint", "seed"), [("mag-cdi", "no-spark", 1), ("starter", "no-crank", 0)]
)
def test_a_job_played_to_its_end(system: str, complaint: str, seed: int) -> None:
    """It ends by handing the machine out, or by saying that no test is worth its minutes."""
    played = play(load_machine(system, None, system).coarse, complaint, seed)
    assert played.ending in ("close", "stop"), played.steps
    assert not played.circles
    assert played.ending != "close" or played.cured >= 0.9
