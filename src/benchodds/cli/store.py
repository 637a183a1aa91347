"""Commands that carry jobs out of the store and into it: backup, restore, export."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import click

from benchodds.basics.errors import JobError, StoreError
from benchodds.basics.language import _, ngettext
from benchodds.cli.options import (
    json_option,
    leave_out,
    overwrite_option,
    print_json,
    say,
    store_option,
)
from benchodds.keep import archive
from benchodds.keep.archive import OPEN_FORM
from benchodds.keep.database import PRIVATE
from benchodds.keep.inputs import lines_of
from benchodds.keep.outputs import free, making, write
from benchodds.keep.session import Session
from benchodds.keep.store import Store, default_path
from benchodds.keep.whole import Snapshot
from benchodds.model.jobs import Job

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command(epilog="Example: benchodds backup shop-2031-05-01.sqlite")
@click.argument("target", metavar="FILE", type=_FILE)
@overwrite_option
@json_option
@store_option
def backup(session: Session, target: Path, overwrite: bool, as_json: bool) -> None:
    """Copy all jobs, as they are at one moment, to a new file; others may go on working.

    FILE ending in .jsonl is an open file of JSON lines, any other a store that can be used at
    once with --store. A store is never written over."""
    free(target, overwrite)
    snapshot = session.store.snapshot()
    write_jobs(target, snapshot.jobs, overwrite)
    tell_written(target, snapshot.jobs, [(e.job, e.damage) for e in snapshot.damaged], as_json)
    if not as_json:
        leave_out(map(str, snapshot.damaged))


def write_jobs(target: Path, jobs: Sequence[Job], overwrite: bool = False) -> None:
    """Write jobs to a new store, or to an open file if the target's name ends so."""
    if target.suffix == OPEN_FORM:
        write(target, (f"{line}\n" for line in archive.write(jobs)), overwrite, mode=PRIVATE)
    else:
        with making(target, overwrite) as new, Store.open(new) as copy:
            copy.take_in([archive.Record(j.id, j.events) for j in jobs])


def tell_written(
    target: Path, jobs: Sequence[Job], damaged: Sequence[tuple[str, str]], as_json: bool
) -> None:
    """Say what was written; ``damaged``, jobs with what is wrong, is for other programs."""
    n = sum(len(j.events) for j in jobs)
    if as_json:
        left = [{"job": job, "reason": reason} for job, reason in damaged]
        row = {"schema": 1, "file": str(target), "jobs": len(jobs), "events": n, "damaged": left}
        print_json(row)
        return
    say(
        _("Wrote {target}: {jobs} jobs, {events} events.").format(
            target=target, jobs=len(jobs), events=n
        )
    )


@click.command(epilog="Example: benchodds restore shop-2031-05-01.sqlite")
@click.argument("source", metavar="FILE", type=click.Path(exists=True, dir_okay=False))
@json_option
@store_option
def restore(session: Session, source: str, as_json: bool) -> None:
    """Bring the jobs of a backup, or of a file of JSON lines, into the store.

    What the store holds stays; only what it lacks is added, all of it or nothing. The same
    file twice changes nothing."""
    bring_back(session, Path(source), as_json)


def bring_back(session: Session, source: Path, as_json: bool) -> None:
    """Take the jobs of a file into the store, and say what became of each."""
    taken = session.store.take_in(read_jobs(source))
    if as_json:
        rows = [{"job": t.id, "here": t.here, "state": t.state, "added": t.added} for t in taken]
        print_json({"schema": 1, "jobs": rows})
        return
    count = Counter(t.state for t in taken)
    say(
        ngettext(
            "{n} jobs read: {new} new, {grown} with events added, {same} the same as here.",
            "{n} jobs read: {new} new, {grown} with events added, {same} the same as here.",
            len(taken),
        ).format(n=len(taken), new=count["new"], grown=count["grown"], same=count["same"])
    )
    for t in taken:
        if t.here != t.id:
            say(
                "  "
                + _("job {id} of the file is job {here} here; that number was taken").format(
                    id=t.id, here=t.here
                )
            )
        if t.state == "damaged":
            leave_out([_("job '{job}', which is damaged here").format(job=t.here)])


@click.command(epilog="Example: benchodds rescue whole.sqlite --store damaged.sqlite")
@click.argument("target", metavar="NEW", type=_FILE)
@json_option
@store_option
def rescue(session: Session, target: Path, as_json: bool) -> None:
    """Bring every whole job, and of a damaged one every event before the damage, to a new file.

    For a store that is damaged, even if it can no longer be opened, or (--store FILE.jsonl) a
    damaged file of JSON lines; it stays as it is. NEW is as for backup. What a backup still has
    of the damaged jobs is added by: benchodds restore BACKUP --store NEW"""
    from benchodds.keep.rescue import rescue as search

    free(target)
    parts = search(session.where or default_path())
    jobs = [part.job for part in parts if part.job is not None]
    write_jobs(target, jobs)
    damaged = [p for p in parts if p.damage]
    tell_written(target, jobs, [(p.name, p.damage) for p in damaged], as_json)
    for part in damaged if not as_json else ():
        n = len(part.job.events) if part.job is not None else 0
        say(
            ngettext(
                "  job '{job}': {n} event brought out ({damage})",
                "  job '{job}': {n} events brought out ({damage})",
                n,
            ).format(job=part.name, n=n, damage=part.damage)
        )


@click.command(epilog="Example: benchodds export 1 --to job1.bifxml")
@click.argument("job_ids", metavar="JOB...", nargs=-1)
@click.option("--to", "target", type=_FILE, required=True, help="File to write.")
@overwrite_option
@store_option
def export(session: Session, job_ids: tuple[str, ...], target: Path, overwrite: bool) -> None:
    """Write jobs to a file that other tools read.

    FILE ending in .jsonl: the jobs' whole records as JSON lines, all jobs when none is named.
    Any other: the network of one job, readings included, as XMLBIF."""
    if target.suffix == OPEN_FORM:
        snapshot = Snapshot(tuple(map(session.store.job, job_ids)))
        if not job_ids:
            snapshot = session.store.snapshot()
        chosen = snapshot.jobs
        write_jobs(target, chosen, overwrite)
        say(
            ngettext("Wrote {target}: {n} jobs.", "Wrote {target}: {n} jobs.", len(chosen)).format(
                target=target, n=len(chosen)
            )
        )
        leave_out(map(str, snapshot.damaged))
        return
    if len(job_ids) != 1:
        raise JobError(
            _("a network is of one job, not {n}; or write to FILE{ending}").format(
                n=len(job_ids), ending=OPEN_FORM
            )
        )
    from benchodds.infer.bif import bif_text

    free(target, overwrite)
    assessment = session.assess(session.store.job(job_ids[0]))
    write(target, [bif_text(assessment.network)], overwrite)
    say(
        _("Wrote {target}: the network of job {job} with its readings as evidence.").format(
            target=target, job=job_ids[0]
        )
    )


def read_jobs(source: Path) -> list[archive.Record]:
    """Jobs of a store, or of a file of JSON lines. Raises ArchiveError, FileError, StoreError."""
    if source.suffix != OPEN_FORM:
        with Store.open(source, create=False, read_only=True) as store:
            snapshot = store.snapshot()
        for error in snapshot.damaged:
            raise StoreError(f"{error}; " + _("nothing was restored"))
        return [archive.Record(j.id, j.events) for j in snapshot.jobs]
    try:
        return list(archive.read(lines_of(source, archive.MAX_LINE, archive.MAX_FILE)))
    except archive.ArchiveError as error:
        raise archive.ArchiveError(f"{source}, {error}") from None
