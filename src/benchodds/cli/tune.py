"""The commands ``tune`` and ``score``: learn from closed jobs, and see whether it helped."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from datetime import date
from pathlib import Path
from typing import Any

import click

from benchodds.basics.language import _
from benchodds.cli.options import (
    at_terminal,
    json_option,
    overwrite_option,
    print_json,
    say,
    store_option,
)
from benchodds.cli.store import bring_back
from benchodds.keep.session import Session

_FILES = click.argument(
    "files", nargs=-1, metavar="[FILE]...", type=click.Path(exists=True, path_type=Path)
)


def _source_options(command: Callable[..., Any]) -> Callable[..., Any]:
    options = [
        click.option("--with-store", is_flag=True, help="Beside the files, the store's jobs too."),
        click.option("--skip-bad", is_flag=True, help="Leave rows out that cannot be used."),
        click.option(
            "--half-life",
            type=click.FloatRange(min=1),
            metavar="DAYS",
            help="Days after which a job counts half; without it all count alike.",
        ),
        click.option(
            "--cluster",
            metavar="N|ADDRESS",
            help="Count on N processes, or on the Dask cluster at an address.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def teller() -> Callable[[str], None]:
    """Says what is going on, on a terminal; silent when piped."""
    if not at_terminal():
        return lambda text: None
    return lambda text: say(f"  {text} ...", err=True)


@click.command(epilog="Example: benchodds tune --dry-run")
@_FILES
@_source_options
@click.option("--shop", default="", help="Learn for one shop of several, named in the files.")
@click.option(
    "--spreads",
    is_flag=True,
    help="Learn the measurement side too, from readings of proved parts; takes minutes.",
)
@click.option("--dry-run", is_flag=True, help="Show what would change; write nothing.")
@click.option("--even-if-worse", is_flag=True, help="Take up a set that forecasts worse, too.")
@click.option("--undo", metavar="SYSTEM", help="Put the newest tuned set of a system away.")
@json_option
@store_option
def tune(
    session: Session,
    files: tuple[Path, ...],
    dry_run: bool,
    even_if_worse: bool,
    undo: str | None,
    as_json: bool,
    cluster: str | None,
    **wishes: Any,
) -> None:
    """Learn new priors from closed jobs: those of the store, or of FILES (CSV, JSON lines,
    Parquet).

    Columns of a file: job, closed (2025-01-31), system, variant, complaint, contexts, faults,
    grade, minutes, shop, revises, readings; only variant, contexts, minutes, shop, revises and
    readings may be left out. Words of your own: benchodds import.

    Writes a new prior set with its provenance into your own folder, where jobs opened from now
    on find it; nothing is edited in place. A set that forecasts later jobs worse than what it
    replaces is not taken up."""
    from benchodds.learn import tunejson, tunetext
    from benchodds.learn.tuning_files import take_up
    from benchodds.learn.tuning_files import undo as put_away

    if undo is not None:
        where, now_used = put_away(undo)
        if as_json:
            print_json({"schema": 1, "moved_to": str(where), "in_use": now_used})
        else:
            say(
                _("Put away as {where}. New jobs of {undo} begin with '{now_used}'.").format(
                    where=where, undo=undo, now_used=now_used
                )
            )
        return
    from benchodds.learn.tunework import tune as work

    with _run_on(cluster) as run:
        found = work(_wish(files, wishes), session, teller(), run)
    became = {}
    for system, priors in found.sets.items():
        if dry_run:
            became[system] = _("Nothing was written (--dry-run).")
        elif found.verdicts[system].worse and not even_if_worse:
            became[system] = _(
                "Not taken up, because it forecasts worse; say --even-if-worse to take it up "
                "all the same."
            )
        else:
            became[system] = _("Taken up as '{priors}': {take_up}").format(
                priors=priors.id, take_up=take_up(priors)
            )
    if as_json:
        print_json(tunejson.tuned_json(found, became))
    else:
        say(tunetext.report(found, became))


def _wish(files: tuple[Path, ...], wishes: dict[str, Any]) -> Any:
    from benchodds.learn.tunework import Wish

    half_life = wishes.pop("half_life")
    return Wish(files=files, half_life_days=half_life, today=date.today(), **wishes)


def _run_on(cluster: str | None) -> Any:
    """The map that chunks of jobs are counted with."""
    if cluster is None:
        return nullcontext(map)
    from benchodds.learn.fleet import cluster as of

    return of(cluster)


@click.command(epilog="Example: benchodds score past-jobs.csv")
@_FILES
@_source_options
@json_option
@store_option
def score(
    session: Session, files: tuple[Path, ...], as_json: bool, cluster: str | None, **wishes: Any
) -> None:
    """See how well shipped, tuned and flat priors forecast closed jobs they have not seen, what
    the advice would have saved, and whether recent jobs still look like the prior."""
    from benchodds.learn import tunejson, tunetext
    from benchodds.learn.tunework import score as work

    with _run_on(cluster) as run:
        found = work(_wish(files, wishes), session, teller(), run)
    if as_json:
        print_json(tunejson.review_json(found))
    else:
        say(tunetext.review(found))


SHOWN = 10
"""Most refused rows that are printed one by one."""


@click.command("import", epilog="Example: benchodds import list.csv --map ours.toml --to out.jsonl")
@click.argument("source", metavar="LIST", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--map",
    "mapping",
    type=click.Path(exists=True, path_type=Path),
    help="Mapping file: their columns and words, and ours (see demo/import).",
)
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    help="File of JSON lines to write.",
)
@overwrite_option
@click.option("--skip-bad", is_flag=True, help="Write the rest although rows are refused.")
@json_option
@store_option
def import_jobs(
    session: Session,
    source: Path,
    mapping: Path | None,
    target: Path | None,
    overwrite: bool,
    skip_bad: bool,
    as_json: bool,
) -> None:
    """Put a shop's own list of jobs (CSV) into the words that tune and score read.

    Every row is used, set aside with the reason that the mapping gives, or refused; unknown
    words are listed with their counts. Without --map and --to, LIST is a file that export or
    backup wrote, and its jobs come into the store, as with restore."""
    if mapping is None and target is None and source.suffix != ".csv":
        bring_back(session, source, as_json)
        return
    if mapping is None or target is None:
        raise click.UsageError(_("a list of another form needs both --map and --to"))
    from benchodds.learn.importfile import bring_in

    account = bring_in(source, mapping, target, overwrite, skip_bad, date.today())
    if as_json:
        print_json(
            {
                "schema": 1,
                "rows": account.rows,
                "used": account.used,
                "written": account.written,
                "aside": dict(account.aside),
                "refused": [{"row": n, "reason": r} for n, r in account.refused],
                "unknown": {f: dict(c.most_common()) for f, c in account.unknown.items()},
            }
        )
    else:
        say(account.text(source, target, SHOWN))
    if not account.written:
        raise click.exceptions.Exit(2)
