"""Many shops' jobs in partitioned Parquet, counted by several processes."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchodds.learn.casebook import Makers, chunks_of
from benchodds.learn.rows import RowsError
from benchodds.learn.settling import read
from benchodds.learn.tally import Tally
from benchodds.learn.tuning_files import load_learning
from past_jobs import Shop, knowledge, shares_of

arrow = pytest.importorskip("pyarrow")
parquet = pytest.importorskip("pyarrow.parquet")
distributed = pytest.importorskip("distributed")

from benchodds.learn.fleet import cluster, runner  # noqa: E402  (needs the extra)

N = 1500


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three partitions of drawn jobs in small row groups, with a doubled job, a come-back across
    partitions and an unknown fault."""
    import numpy as np

    known = knowledge("mag-cdi")
    shares = {"no-spark": shares_of(known.priors["mag-cdi"], "no-spark")}
    rng = np.random.default_rng(2)
    rows: list[dict[str, Any]] = []
    for i in range(N):
        shop = Shop(shares, known.learning, name="abc"[i % 3])
        case = shop.case(i, "no-spark", rng, N)
        rows.append(
            {
                "job": f"{case.shop}-{i}",
                "closed": case.closed,
                "system": "mag-cdi",
                "complaint": "no-spark",
                "faults": " ".join(case.told[0].faults),
                "grade": case.told[0].grade,
                "shop": case.shop,
                "revises": "",
            }
        )
    rows[-1]["job"] = rows[0]["job"]
    rows[-2]["revises"] = rows[1]["job"]
    rows[-3]["faults"] = "battery.flat"
    where = tmp_path_factory.mktemp("fleet")
    for k, shop in enumerate("abc"):
        mine = rows[k * N // 3 : (k + 1) * N // 3]
        part = where / f"part={shop}"
        part.mkdir()
        table = arrow.Table.from_pylist(mine)
        parquet.write_table(table, part / "jobs.parquet", row_group_size=120)
    return where


def same(a: Tally, b: Tally) -> bool:
    """Whether two tallies say the same of every row."""
    return (
        a.counts == b.counts
        and (a.rows, a.n_bad, a.revised) == (b.rows, b.n_bad, b.revised)
        and [str(x) for x in a.bad] == [str(x) for x in b.bad]
    )


@pytest.fixture(scope="module")
def alone(folder: Path) -> Tally:
    """Counted here, in one process."""
    return read(chunks_of(folder), Makers(load_learning()))


def test_every_row_is_accounted_for(alone: Tally) -> None:
    """Used, joined to a come-back, or left out with its reason."""
    assert alone.rows == N
    assert alone.jobs + alone.revised + alone.n_bad == N
    assert (alone.revised, alone.n_bad) == (1, 2)


@dataclass(frozen=True)
class Slow:
    """A chunk that takes its time."""

    chunk: Any
    seconds: float

    @property
    def source(self) -> str:
        """As of the chunk."""
        return self.chunk.source

    def rows(self) -> Iterator[Any]:
        """As of the chunk, after a while."""
        time.sleep(self.seconds)
        yield from self.chunk.rows()


@pytest.mark.slow
def test_several_processes_and_a_killed_worker(folder: Path, alone: Tally) -> None:
    """The tally of two processes equals that of one, even when one is killed on the way."""
    chunks = [Slow(c, 0.1) for c in chunks_of(folder)]
    assert len(chunks) > 10
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as local,
        distributed.Client(local) as client,
    ):
        assert same(read(chunks_of(folder), Makers(load_learning()), runner(client)), alone)
        pids = client.run(os.getpid)
        killed: list[int] = []

        def kill_one(results: Iterator[Any]) -> Iterator[Any]:
            for result in results:
                if not killed:
                    killed.append(next(iter(pids.values())))
                    os.kill(killed[0], signal.SIGKILL)
                yield result

        def run(function: Any, chunks: Any) -> Iterator[Any]:
            return kill_one(runner(client)(function, chunks))

        assert same(read(chunks, Makers(load_learning()), run), alone)
        assert killed


def test_no_cluster_answers() -> None:
    """One sentence about the address."""
    with pytest.raises(RowsError, match="no cluster answers"), cluster("tcp://127.0.0.1:1", "1s"):
        pass


def test_damaged_parquet_is_told(folder: Path, tmp_path: Path) -> None:
    """A file cut in half is refused by name."""
    whole = next(folder.rglob("*.parquet")).read_bytes()
    path = tmp_path / "cut.parquet"
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(RowsError, match=r"cut\.parquet: cannot be read as Parquet"):
        chunks_of(path)
