"""Commands for those who write systems: check, new, schema, tutorial."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchodds.basics.errors import ModelError, ReadingError
from benchodds.basics.language import _
from benchodds.cli.options import json_option, overwrite_option, print_json, say

if TYPE_CHECKING:
    from benchodds.author.ownmachine import Answers, Question


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


@click.command(
    epilog="Example: benchodds new --from mag-cdi; benchodds new my-lamp --to shop",
)
@click.argument("name", required=False)
@click.option("--from", "base", help="Make it from this system: your manual's values are asked.")
@click.option("--variant", help="With --from: the variant that is most like your machine.")
@click.option(
    "--sheet",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="With --from: a filled sheet, .csv or .toml, instead of questions.",
)
@click.option(
    "--blank", metavar="FILE", help="With --from: a sheet to fill in, .csv or .toml; - for paper."
)
@click.option(
    "--to",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder to write models/ and priors/ into; your own folder if left out.",
)
@overwrite_option
def new(
    name: str | None,
    base: str | None,
    variant: str | None,
    sheet: Path | None,
    blank: str | None,
    folder: Path | None,
    overwrite: bool,
) -> None:
    """Bring in a machine of your own: --from a system that is like it, by the values of its
    manual, in ten minutes.

    With a NAME alone, write a small, commented system that works, to make your own from."""
    from benchodds.author.newsystem import own_folder, write_new

    if base is not None:
        _own_machine(name, base, variant, sheet, blank, folder, overwrite)
        return
    if name is None or variant or sheet or blank:
        raise click.UsageError(_("say which system yours is like, --from mag-cdi, or give a NAME"))
    model, priors = write_new(name, folder or own_folder(), overwrite)
    say(_("Wrote {model}\n  and {priors}.").format(model=model, priors=priors))
    say(_("What is in it, and every mistake: benchodds check {model}").format(model=model))


def _own_machine(
    name: str | None,
    base: str,
    variant: str | None,
    sheet: Path | None,
    blank: str | None,
    folder: Path | None,
    overwrite: bool,
) -> None:
    """Write an overlay of a base, or a blank sheet for it."""
    from benchodds.author import newsystem
    from benchodds.author.ownmachine import questions
    from benchodds.author.sheet import blank as blank_sheet
    from benchodds.author.sheet import read_sheet
    from benchodds.keep import files
    from benchodds.keep.outputs import write

    asked = questions(files.read_toml(files.find("models", base)), variant)
    if blank is not None:
        text = blank_sheet(asked, base, "" if blank == "-" else Path(blank).suffix or ".")
        if blank == "-":
            say(text.rstrip("\n"))
            return
        write(Path(blank), [text], overwrite)
        say(
            _("Wrote {path}; fill it in, then: benchodds new --from {base} --sheet {path}").format(
                path=blank, base=base
            )
        )
        return
    where = folder or newsystem.own_folder()
    path = newsystem.place_of_own(name or f"{base}-ours", base, where, overwrite)
    answers = read_sheet(sheet) if sheet else _ask(asked, base)
    try:
        newsystem.write_own(path, base, variant, answers, overwrite)
    except ModelError as error:  # each answer is right, all together are not
        raise ModelError(f"{error}; {_said(answers)}") from None
    say(_("Wrote {path}.").format(path=path))
    say(_("What follows from it: benchodds check {path}").format(path=path))
    say(_("First job: benchodds open --system {name} --complaint ...").format(name=path.stem))


def _ask(asked: Sequence[Question], base: str) -> Answers:
    """Ask for one value after the other, each until it can be right; Enter leaves the base's."""
    from benchodds.author.ownmachine import entries

    say(_("Enter alone leaves a value as in {base}.").format(base=base))
    answers: dict[str, tuple[str, str]] = {}
    for question in asked:
        while question.key not in answers:
            try:
                said = click.prompt(question.asked(base), default="", show_default=False)
                entries(question, said)
            except ReadingError as error:
                say(f"  {error}")
            except click.Abort:
                ended = _("the answers ended at '{key}'").format(key=question.key)
                raise ReadingError(f"{ended}; {_said(answers)}") from None
            else:
                answers[question.key] = said, ""
    return answers


def _said(answers: Answers) -> str:
    """That nothing was written, with what was said, so that it need not be thought up again."""
    told = "; ".join(
        f"{key} = {' to '.join(filter(None, v))}" for key, v in answers.items() if v[0]
    )
    return _("nothing was written; said so far: {told}").format(told=told or _("nothing"))


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
