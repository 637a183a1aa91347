"""Commands that carry jobs out of the store and into it: backup, restore, export."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import click

from benchodds.basics.errors import JobError
from benchodds.basics.language import _, ngettext
from benchodds.cli.options import json_option, overwrite_option, print_json, say, store_option
from benchodds.keep import archive
from benchodds.keep.inputs import lines_of
from benchodds.keep.outputs import free, making, write
from benchodds.keep.session import Session
from benchodds.keep.store import Store
from benchodds.model.jobs import Job

OPEN_FORM = ".jsonl"
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
    jobs = session.store.snapshot()
    if target.suffix == OPEN_FORM:
        write(target, _lines(jobs), overwrite)
    else:
        with making(target, overwrite) as new, Store.open(new) as copy:
            copy.take_in([archive.Record(j.id, j.events) for j in jobs])
    n = sum(len(j.events) for j in jobs)
    if as_json:
        print_json({"schema": 1, "file": str(target), "jobs": len(jobs), "events": n})
    else:
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
        chosen = [session.store.job(i) for i in job_ids] or session.store.snapshot()
        write(target, _lines(chosen), overwrite)
        say(
            ngettext("Wrote {target}: {n} jobs.", "Wrote {target}: {n} jobs.", len(chosen)).format(
                target=target, n=len(chosen)
            )
        )
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


def _lines(jobs: Iterable[Job]) -> Iterator[str]:
    return (f"{line}\n" for line in archive.write(jobs))


def read_jobs(source: Path) -> list[archive.Record]:
    """Jobs of a store, or of a file of JSON lines. Raises ArchiveError, FileError, StoreError."""
    if source.suffix != OPEN_FORM:
        with Store.open(source, create=False, read_only=True) as store:
            return [archive.Record(j.id, j.events) for j in store.snapshot()]
    try:
        return list(archive.read(lines_of(source, archive.MAX_LINE, archive.MAX_FILE)))
    except archive.ArchiveError as error:
        raise archive.ArchiveError(f"{source}, {error}") from None
