"""Where closed jobs come from: the store, CSV files, files of JSON lines, Parquet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

from benchodds.basics.errors import BenchoddsError
from benchodds.basics.language import N_, _, ngettext
from benchodds.infer.assess import merge
from benchodds.keep import files
from benchodds.keep.store import Store
from benchodds.learn.cases import (
    TWO_COMPLAINTS,
    Case,
    CaseMaker,
    Told,
    check_faults,
    known,
    replaced_of,
)
from benchodds.learn.learning import Learning
from benchodds.learn.rows import RowsError, csv_rows, json_rows
from benchodds.learn.settling import read
from benchodds.learn.tally import STORE, Bad, Chunk, Run, Tally
from benchodds.learn.written import Done, RowError, SetAside, Written, split
from benchodds.model.jobs import Job
from benchodds.model.joinnames import PLUS
from benchodds.model.system import SystemModel

TABLES = (".csv", ".tsv", ".txt")
LINES = (".jsonl", ".ndjson", ".json")


@lru_cache(maxsize=64)
def catalog(system: str, variant: str | None) -> SystemModel:
    """The model of a system and variant, read once. Raises SetAside for systems that are joined."""
    model = files.load_system(system, variant)
    if "+" in model.id:
        raise SetAside(N_("is about systems that are joined; jobs of single systems teach"))
    return model


@dataclass(frozen=True)
class Makers:
    """Makes makers of cases; may be sent to another process."""

    learning: Learning
    today: date | None = None

    def __call__(self) -> CaseMaker:
        return CaseMaker(catalog, self.learning, self.today)


@dataclass(frozen=True)
class FileChunk:
    """A whole CSV file or file of JSON lines."""

    path: Path

    @property
    def source(self) -> str:
        """The file's name."""
        return self.path.name

    def rows(self) -> Iterator[tuple[int | str, Sequence[Any] | Case | RowError]]:
        """Its rows with their numbers."""
        yield from json_rows(self.path) if self.path.suffix in LINES else csv_rows(self.path)


@dataclass(frozen=True)
class StoreChunk:
    """The closed jobs of a store."""

    store: Store
    learning: Learning

    @property
    def source(self) -> str:
        """What messages call it."""
        return STORE

    def rows(self) -> Iterator[tuple[int | str, Sequence[Any] | Case | RowError]]:
        """Closed jobs by name, and damaged ones set aside; open ones are not asked about."""
        snapshot = self.store.snapshot()
        for error in snapshot.damaged:
            yield error.job, SetAside(str(error))
        for job in snapshot.jobs:
            if job.is_closed:
                case = case_of(job, self.learning)
                yield job.id, SetAside(str(case)) if isinstance(case, RowError) else case


def chunks_of(path: Path) -> list[Chunk]:
    """The chunks of a file, or of a folder of Parquet files. Raises RowsError."""
    if path.suffix in (*TABLES, *LINES):
        return [FileChunk(path)]
    if path.suffix == ".parquet" or path.is_dir():
        from benchodds.learn.fleet import parquet_chunks

        return list(parquet_chunks(path))
    kinds = ", ".join((*TABLES, *LINES, ".parquet"))
    raise RowsError(
        f"{path}: " + _("is none of {kinds}, nor a folder of Parquet files").format(kinds=kinds)
    )


def read_jobs(
    sources: Sequence[Chunk],
    learning: Learning,
    *,
    skip_bad: bool = False,
    today: date | None = None,
    run: Run = map,
) -> Tally:
    """Count the jobs of all sources. Raises RowsError for bad rows unless they may be skipped."""
    tally = read(sources, Makers(learning, today), run)
    if tally.n_bad and not skip_bad:
        raise RowsError(complaint(tally.bad, tally.n_bad, tally.rows))
    return tally


def complaint(bad: Sequence[Bad], n_bad: int, rows: int, shown: int = 5) -> str:
    """One sentence about rows that cannot be used, with their numbers and reasons."""
    listed = "; ".join(str(b) for b in bad[:shown])
    more = _("; and {n:,} more").format(n=n_bad - shown) if n_bad > shown else ""
    what = ngettext("{n:,} row", "{n:,} rows", n_bad).format(n=n_bad)
    return _(
        "{what} of {rows:,} cannot be used: {listed}{more}. Mend them, or say "
        "--skip-bad to leave them out"
    ).format(what=what, rows=rows, listed=listed, more=more)


def case_of(job: Job, learning: Learning) -> Case | RowError:
    """A closed job of the store as a case.

    An earlier closing counts, as one that did not cure it, when the job was opened again
    because the fault came back; opened again for another reason, it is forgotten.
    """
    try:
        if "+" in job.system:
            raise RowError(
                _("it joins systems ({system}); only single ones are learnt from").format(
                    system=job.system
                )
            )
        model = catalog(job.system, job.variant)
        told = _closings(job, learning)
        for item in told:
            check_faults(model, item.faults)
            learning.grade(item.grade)
        verdict = job.closed or {}
        minutes = verdict.get("minutes")
        readings, work = split(known(item, model) for item in _course(job))
        if PLUS in job.complaint:
            raise RowError(TWO_COMPLAINTS)
        if job.complaint not in model.complaints:
            raise RowError(
                _("'{complaint}' is no longer a complaint of {model}").format(
                    complaint=job.complaint, model=model.id
                )
            )
        if lost := job.told.keys() - set(model.contexts):
            raise RowError(
                _("'{context}' is no longer a context of {model}").format(
                    context=min(lost), model=model.id
                )
            )
        return Case(
            job.id,
            (job.closed_at or "")[:10],
            model.id,
            model.variant,
            job.complaint,
            tuple(sorted(set(job.contexts))),
            told,
            minutes=float(minutes) if isinstance(minutes, int | float) else None,
            revises=str(verdict.get("revises") or ""),
            readings=readings,
            work=work,
            perhaps=tuple(sorted(job.perhaps.items())),
            replaced=replaced_of(job.replaced, model),
        )
    except RowError as error:
        return error
    except BenchoddsError as error:
        return RowError(str(error))


def _course(job: Job) -> list[Written | Done]:
    """The readings and repairs of a job that were not struck, in order."""
    rows: list[tuple[int, Written | Done]] = []
    for reading in job.live_readings:
        technique = replace(merge(reading.technique, job), card=None)
        taken = tuple(sorted(technique.as_data().items()))
        rows.append((reading.seq, Written(reading.test, reading.values, taken)))
    rows += [(a.seq, Done(a.repair, back=a.back)) for a in job.live_actions]
    return [item for _seq, item in sorted(rows, key=lambda row: row[0])]


def _closings(job: Job, learning: Learning) -> tuple[Told, ...]:
    told: list[Told] = []
    for event in job.events:
        if event.kind == "closed":
            verdict = event.data["verdict"]
            faults = verdict.get("faults") or ()
            grade = verdict.get("grade")
            if not grade:
                told.append(Told((), ""))
            else:
                told.append(Told(tuple(dict.fromkeys(map(str, faults))), str(grade)))
        elif event.kind == "reopened" and told:
            last = told.pop()
            if learning.is_come_back(event.data.get("reason")) and last.faults:
                told.append(Told(last.faults, "came-back"))
    if not told[-1].grade:
        raise RowError(_("was closed without a verdict"))
    return tuple(t for t in told if t.grade)
