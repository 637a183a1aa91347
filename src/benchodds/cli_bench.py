"""The command ``bench``: the guided loop in the terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable

import click

from benchodds.bench import Bench
from benchodds.cli import store_option
from benchodds.errors import JobError
from benchodds.session import Session
from benchodds.store import default_path


@click.command(epilog="Example: benchodds bench 1")
@click.argument("job_id", metavar="JOB", required=False)
@store_option
def bench(session: Session, job_id: str | None) -> None:
    """Work a job at the bench: proposals, readings as typed, undo by striking.

    Without JOB, the open job that was worked on last."""
    if job_id is None:
        rows = session.store.jobs(open_only=True)
        if not rows:
            raise JobError("no job is open; begin one with: benchodds open --system ...")
        job_id = max(rows, key=lambda r: r.last_at).id
    if session.store.job(job_id).is_closed:
        raise JobError(
            f"job '{job_id}' is closed; take it up again with: benchodds reopen {job_id}"
        )
    loop = Bench(session, job_id)
    ask = _asker(loop)
    click.echo(f"Job {job_id}. 'help' says what can be typed; Ctrl-C leaves, nothing is lost.\n")
    click.echo(loop.greet())
    while not loop.over:
        try:
            line = ask()
        except (EOFError, KeyboardInterrupt, click.Abort):
            click.echo(f"\nJob {job_id} stays as it is: benchodds bench {job_id}")
            return
        click.echo(loop.handle(line))


def _asker(loop: Bench) -> Callable[[], str]:
    """How a line is asked for: with history and completion on a terminal, else plainly."""
    if not sys.stdin.isatty():
        return lambda: str(click.prompt("", prompt_suffix="> ", default="", show_default=False))
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import WordCompleter
    from prompt_toolkit.history import FileHistory

    folder = default_path().parent
    folder.mkdir(parents=True, exist_ok=True)
    prompt: PromptSession[str] = PromptSession(
        history=FileHistory(str(folder / "bench-history")),
        completer=WordCompleter(loop.words(), sentence=False, WORD=True),
        complete_while_typing=False,
    )
    return lambda: prompt.prompt("> ")
