"""Many shops' jobs: partitioned Parquet, counted by several processes (extra ``cluster``).

The only importer of pyarrow and Dask. What is computed is :mod:`benchodds.learn.tally`, as on one
machine; here are only the chunks (one row group of one file each) and the map over a cluster's
workers. A worker that dies loses nothing: its chunks are counted again by another.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchodds.basics.language import _
from benchodds.learn.cases import FIELDS, Case
from benchodds.learn.rows import RowsError, check_header
from benchodds.learn.tally import Chunk, Run
from benchodds.learn.written import RowError

BATCH = 20_000
"""Rows of a Parquet file held in memory at a time."""


def _arrow() -> Any:
    try:
        import pyarrow.parquet
    except ImportError:
        raise RowsError(
            _("Parquet files need the extra 'cluster': pip install 'benchodds[cluster]'")
        ) from None
    return pyarrow


def _opened(path: Path) -> Any:
    arrow = _arrow()
    try:
        return arrow.parquet.ParquetFile(path)
    except (OSError, arrow.ArrowException) as error:
        said = str(error).split(". ")[0].split("\n")[0]
        raise RowsError(
            f"{path}: " + _("cannot be read as Parquet ({said}); is it cut off?").format(said=said)
        ) from None


@dataclass(frozen=True)
class ParquetChunk:
    """One row group of a Parquet file; ``first`` is the number of its first row, from 1."""

    path: Path
    group: int
    first: int

    @property
    def source(self) -> str:
        """The file's name."""
        return self.path.name

    def rows(self) -> Iterator[tuple[int | str, Sequence[Any] | Case | RowError]]:
        """Its rows with their numbers in the file."""
        arrow = _arrow()
        number = self.first
        file = _opened(self.path)
        try:
            names = [n for n in FIELDS if n in file.schema_arrow.names]
            for batch in file.iter_batches(BATCH, row_groups=[self.group], columns=names):
                columns = {n: batch.column(n).to_pylist() for n in names}
                blank = [""] * batch.num_rows
                for row in zip(*(columns.get(f, blank) for f in FIELDS), strict=True):
                    yield number, ["" if v is None else v for v in row]
                    number += 1
        except (OSError, arrow.ArrowException) as error:
            said = str(error).split("\n")[0]
            raise RowsError(
                f"{self.path}: "
                + _("damaged at row {number} ({said})").format(number=number, said=said)
            ) from None
        finally:
            file.close()


def parquet_chunks(path: Path) -> list[ParquetChunk]:
    """The row groups of a Parquet file, or of all in a folder, in the order of their names."""
    found = sorted(path.rglob("*.parquet")) if path.is_dir() else [path]
    if not found:
        raise RowsError(f"{path}: " + _("holds no Parquet file"))
    out = []
    for file in found:
        opened = _opened(file)
        try:
            check_header(file, opened.schema_arrow.names)
            first = 1
            for group in range(opened.num_row_groups):
                out.append(ParquetChunk(file, group, first))
                first += opened.metadata.row_group(group).num_rows
        finally:
            opened.close()
    return out


@contextmanager
def cluster(where: str, wait: str = "10s") -> Iterator[Run]:
    """A map over the workers of a Dask cluster.

    Parameters
    ----------
    where : str
        Address of a scheduler ("tcp://host:8786"), or a number of processes to start here.
    wait : str
        How long to wait for a scheduler's answer.
    """
    try:
        dask: Any = importlib.import_module("dask.distributed")
    except ImportError:
        raise RowsError(
            _("a cluster needs the extra 'cluster': pip install 'benchodds[cluster]'")
        ) from None
    if where.isdigit():
        local = dask.LocalCluster(
            n_workers=max(1, int(where)),
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
        )
        with local, dask.Client(local) as client:
            yield runner(client)
        return
    try:
        client = dask.Client(where, timeout=wait)
    except OSError:
        raise RowsError(_("no cluster answers at '{where}'").format(where=where)) from None
    with client:
        yield runner(client)


def runner(client: Any) -> Run:
    """The map of a cluster's client: results come in the order of the chunks."""

    def run(function: Callable[[Chunk], Any], chunks: Sequence[Chunk]) -> Iterator[Any]:
        futures = client.map(function, chunks, pure=False, retries=2)
        while futures:
            future = futures.pop(0)
            yield future.result()
            future.release()

    return run
