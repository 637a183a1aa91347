"""The command ``bench``: the guided loop in the terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

import click

from benchodds.basics.errors import JobError
from benchodds.basics.language import N_, _
from benchodds.cli.options import leave_out, say, store_option
from benchodds.keep.session import Session
from benchodds.keep.store import default_path

if TYPE_CHECKING:
    from benchodds.screens.bench import Bench


@click.command(epilog="Example: benchodds bench 1")
@click.argument("job_id", metavar="JOB", required=False)
@click.option("--page", is_flag=True, help="Serve it as a page for a phone or tablet instead.")
@click.option("--port", type=click.IntRange(1024, 65535), default=8517, show_default=True)
@click.option(
    "--lan",
    metavar="ADDRESS",
    help="Address of this computer in the shop's network to serve the page on; devices pair "
    "with the code shown here. Without it the page is for this computer alone.",
)
@store_option
def bench(session: Session, job_id: str | None, page: bool, port: int, lan: str | None) -> None:
    """Work a job at the bench: proposals, readings as typed, undo by striking.

    Without JOB, the open job that was worked on last."""
    if page:
        serve(session, port, lan)
        return
    if job_id is None:
        found = session.store.snapshot()
        leave_out(map(str, found.damaged))
        rows = found.lines(open_only=True)
        if not rows:
            raise JobError(_("no job is open; begin one with: benchodds open --system ..."))
        job_id = max(rows, key=lambda r: r.last_at).id
    if session.store.job(job_id).is_closed:
        raise JobError(
            _("job '{job_id}' is closed; take it up again with: benchodds reopen {job_id}").format(
                job_id=job_id
            )
        )
    from benchodds.screens.bench import Bench

    context = click.get_current_context().find_root()
    group = context.command
    outside = group.list_commands(context) if isinstance(group, click.Group) else ()
    loop = Bench(session, job_id, frozenset(outside))
    ask = _asker(loop)
    say(
        _("Job {job_id}. 'help' says what can be typed; Ctrl-C leaves, nothing is lost.").format(
            job_id=job_id
        )
        + "\n"
    )
    say(loop.greet())
    while not loop.over:
        try:
            line = ask()
        except (EOFError, KeyboardInterrupt, click.Abort):
            say(
                "\n"
                + _("Job {job_id} stays as it is: benchodds bench {job_id}").format(job_id=job_id)
            )
            return
        say(loop.handle(line))


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


WHO = {"work": N_("the next device to work with"), "look": N_("the next device to look on")}


def serve(session: Session, port: int, lan: str | None) -> None:
    """Serve the page until Ctrl-C; on the loopback address, or with pairing on the shop's."""
    import ipaddress
    import re
    import socket

    import uvicorn

    from benchodds.screens.connections import Connections, server_config
    from benchodds.screens.guard import Guard
    from benchodds.screens.page import create_app

    address = "127.0.0.1"
    if lan is not None:
        try:
            address = str(ipaddress.ip_address(lan))
        except ValueError:
            raise JobError(
                _("'{lan}' is not an address of this computer, such as 192.168.1.20").format(
                    lan=lan
                )
            ) from None
        if ipaddress.ip_address(address).is_global or address in ("0.0.0.0", "::"):
            raise JobError(
                _("{address} is not an address inside the shop; name one that is").format(
                    address=address
                )
            )
    host = f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
    hosts = {host} | ({f"localhost:{port}"} if lan is None else set())
    guard = Guard(
        paired_only=lan is not None,
        tell=lambda role, code: say(
            _("Code for {who}: {code}").format(
                who=_(WHO[role]), code=" ".join(re.findall("....", code))
            )
        ),
    )
    session.store.jobs()  # a store that cannot be opened is told here, not on the page
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        door = socket.create_server((address, port), family=family)
    except OSError as error:
        raise JobError(
            _("{host} cannot be served ({reason}); choose another --port or --lan").format(
                host=host, reason=error.strerror
            )
        ) from None
    say(_("The bench is at http://{host}/  (Ctrl-C ends it; nothing is lost)").format(host=host))
    connections = Connections()
    app = create_app(session, guard, frozenset(hosts), connections)
    with door, suppress(KeyboardInterrupt):
        uvicorn.Server(server_config(app, connections, address, port)).run([door])
