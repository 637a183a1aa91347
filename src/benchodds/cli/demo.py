"""Play a scripted, invented day through the real commands."""

from __future__ import annotations

import shlex
import tempfile
from pathlib import Path

import click

from benchodds.basics.language import _
from benchodds.basics.words import wrap
from benchodds.cli.options import say
from benchodds.keep import files


def play(store: str | Path | None, pause: bool = False, script: str = "first-day.toml") -> None:
    """Run every step of a demo script as a command and print what it prints.

    Without a store, a temporary one is used and removed at the end.
    """
    from benchodds.cli.main import main

    data = files.read_toml(files.data_folder("demo") / script)
    with tempfile.TemporaryDirectory() as folder:
        where = str(store or Path(folder) / "demo.sqlite")
        say(data["title"])
        say(_("Everything in it is invented: shop, machine, limits, readings.") + "\n")
        for step in data["step"]:
            if pause:
                click.prompt(_("Enter goes on"), default="", show_default=False, prompt_suffix="")
            if "say" in step:
                say("\n".join(wrap(step["say"], "# ", "# ")))
            say(f"$ benchodds {shlex.join(step['run'])}")
            main.main([*step["run"], "--store", where], standalone_mode=False)
            say()
        if store:
            say(_("The jobs are kept in {where}.").format(where=where))
