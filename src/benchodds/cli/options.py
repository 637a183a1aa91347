"""Options that several commands share, and how everything is printed."""

from __future__ import annotations

import functools
import json
import os
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any

import click

from benchodds.basics.language import _
from benchodds.basics.text import shown


def json_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print the versioned JSON shape.")(
        command
    )


def numbers_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command --numbers."""
    return click.option(
        "--numbers", is_flag=True, help="All that stands behind it, with names and a glossary."
    )(command)


def store_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command its Session, by --store or BENCHODDS_STORE."""

    @click.option(
        "--store",
        envvar="BENCHODDS_STORE",
        metavar="PATH",
        help="Job store to use instead of the one in your user folder.",
    )
    @functools.wraps(command)
    def wrapped(*args: Any, store: str | None, **kwargs: Any) -> Any:
        from benchodds.keep.session import Session

        return command(Session(store), *args, **kwargs)

    return wrapped


def overwrite_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command that writes files --overwrite."""
    return click.option(
        "--overwrite", is_flag=True, help="Write over files that are there; never over a store."
    )(command)


def at_terminal() -> bool:
    """Whether progress can be shown: standard error is a terminal."""
    return sys.stderr.isatty()


def let_go() -> None:
    """Drop what standard output could not take, so that it is not tried again at the end."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(text: str = "", err: bool = False) -> None:
    """Print a text, with what could lead a terminal astray made visible."""
    click.echo(shown(text), err=err)


def print_json(data: dict[str, Any]) -> None:
    """Print one JSON object on one line."""
    say(json.dumps(data, ensure_ascii=False, indent=None))


def leave_out(reasons: Iterable[str]) -> None:
    """Say, apart from the answer, which damaged jobs are not in it."""
    for reason in reasons:
        say(_("Left out: {reason}").format(reason=reason), err=True)


def technique_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command all that can be said of how a reading was taken."""
    options = [
        click.option("--how", help="How it was cranked: soft-kick, firm-kick, drill, starter."),
        click.option("--meter", help="Input impedance, 10M, 1M or 20k/V."),
        click.option("--range", "range_text", help="Range the meter stood on, such as 200 or 20k."),
        click.option("--accuracy", help="Meter accuracy, such as '0.8%+3'."),
        click.option("--kicks", type=int, help="Number of kicks, when only the best is written."),
        click.option("--leads", type=click.Choice(["nulled", "raw"]), help="Lead resistance."),
        click.option("--temp", "temp_c", help="Winding temperature in degrees C."),
        click.option("--unplugged", type=click.Choice(["yes", "no", "unknown"]), default="unknown"),
        click.option("--light", type=click.Choice(["dark", "shade", "daylight"])),
        click.option("--adapter", help="Peak adapter: an instrument's name, none, or max-hold."),
        click.option("--operator", help="Who cranked."),
        click.option("--card", help="Instrument, when not the job's own; declared before."),
        click.option(
            "--same-hookup", is_flag=True, help="Probes not moved since the last reading."
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command
