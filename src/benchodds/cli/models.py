"""Commands for those who write systems: check, new, schema, tutorial."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from benchodds.basics.language import _
from benchodds.cli.options import json_option, overwrite_option, print_json, say


@click.command(epilog="Example: benchodds check models/mine.toml")
@click.argument("file", metavar="FILE")
@click.option("--variant", help="Variant whose matrix is shown; the first if left out.")
@json_option
def check(file: str, variant: str | None, as_json: bool) -> None:
    """Find every mistake in a model or prior file, say what is doubtful, and show how well
    its tests tell its faults apart.

    FILE may also be the name of a system. Exit code 1 when there is a mistake."""
    from benchodds.author import checkreport
    from benchodds.author.modelcheck import check as checked_of

    checked = checked_of(file)
    if as_json:
        print_json(checkreport.to_dict(checked))
    else:
        say(checkreport.text(checked, variant))
    if checked.mistakes:
        raise click.exceptions.Exit(1)


@click.command(epilog="Example: benchodds new my-lamp --to shop")
@click.argument("name")
@click.option(
    "--to",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder to write models/ and priors/ into; your own folder if left out.",
)
@overwrite_option
def new(name: str, folder: Path | None, overwrite: bool) -> None:
    """Write a small, commented system that works, to make your own from."""
    from benchodds.author.newsystem import own_folder, write_new

    model, priors = write_new(name, folder or own_folder(), overwrite)
    say(_("Wrote {model}\n  and {priors}.").format(model=model, priors=priors))
    say(_("What is in it, and every mistake: benchodds check {model}").format(model=model))


@click.command(epilog="Example: benchodds schema model --to model.schema.json")
@click.argument("kind", type=click.Choice(["model", "priors", "bench", "shop"]))
@click.option(
    "--to",
    "path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File to write it to instead of printing it.",
)
@overwrite_option
def schema(kind: str, path: Path | None, overwrite: bool) -> None:
    """Print the JSON Schema of one kind of file, for editors that check while you type."""
    import json

    from benchodds.author.schema import schema_of
    from benchodds.keep.outputs import write

    text = json.dumps(schema_of(kind), indent=1, ensure_ascii=False)
    if path is None:
        say(text)
        return
    write(path, [text, "\n"], overwrite)
    say(_("Wrote {path}.").format(path=path))


@click.command(epilog="Example: benchodds tutorial")
def tutorial() -> None:
    """Show the tutorial: a small system of your own in half an hour."""
    from benchodds.author.newsystem import tutorial as text

    click.echo_via_pager(text()) if sys.stdout.isatty() else say(text())
