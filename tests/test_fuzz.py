"""Changed inputs at every reader: a right answer or a sentence, within bounds; see :mod:`fuzz`."""

from __future__ import annotations

import pytest

import fuzz
import fuzz_seeds
from benchodds.infer.bif import read_bif
from benchodds.keep.archive import read
from benchodds.learn.casebook import chunks_of, read_jobs
from benchodds.learn.tuning_files import load_learning
from benchodds.model.system import build_system


@pytest.mark.parametrize("name", [n for n in fuzz.TARGETS if n != "network"])
def test_changed_files(name: str) -> None:
    """A hundred of each kind; 100,000 are for :mod:`fuzz` itself."""
    n, slowest, _ = fuzz.shake(name, 100, 5)
    assert n == 100
    assert slowest < fuzz.SLOWEST_S


def test_the_good_inputs_are_good() -> None:
    """Else the changed ones would be refused for nothing."""
    import tomllib

    good = fuzz.seeds()
    assert build_system(tomllib.loads(good["model"][0].decode()), None).id == "mine"
    assert len(list(read(good["jobs"][0].decode().split("\n")))) == 1
    for suffix in ("csv", "jsonl"):
        tally = read_jobs(chunks_of(fuzz_seeds.DATA / f"jobs.{suffix}"), load_learning())
        assert tally.rows == 2
    assert read_bif(good["network"][0].decode()).variables
