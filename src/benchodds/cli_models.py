"""Commands for those who write systems: check, new, schema."""

from __future__ import annotations

import click

from benchodds.cli import json_option, print_json


@click.command(epilog="Example: benchodds check models/mine.toml")
@click.argument("file", metavar="FILE")
@click.option("--variant", help="Variant whose matrix is shown; the first if left out.")
@json_option
def check(file: str, variant: str | None, as_json: bool) -> None:
    """Find every mistake in a model or prior file, say what is doubtful, and show how well
    its tests tell its faults apart.

    FILE may also be the name of a system. Exit code 1 when there is a mistake."""
    from benchodds import checkreport
    from benchodds.modelcheck import check as checked_of

    checked = checked_of(file)
    if as_json:
        print_json(checkreport.to_dict(checked))
    else:
        click.echo(checkreport.text(checked, variant))
    if checked.mistakes:
        raise click.exceptions.Exit(1)
