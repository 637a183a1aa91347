"""The commands that write pages: report and worksheet."""

from __future__ import annotations

from pathlib import Path

import click

from benchodds.basics.language import _
from benchodds.cli.options import overwrite_option, say, store_option
from benchodds.keep.session import Session


@click.command(epilog="Example: benchodds report 1 --to job1.pdf")
@click.argument("job_id", metavar="JOB")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    help="File to write: .html, .pdf, or no suffix for both; 'job-JOB' if left out.",
)
@overwrite_option
@store_option
def report(session: Session, job_id: str, target: Path | None, overwrite: bool) -> None:
    """Write the report of a job: a page for the customer, the full record for the shop."""
    from benchodds.screens.commands import write_report

    say(write_report(session, job_id, target, overwrite))


@click.command(epilog="Example: benchodds worksheet mag-cdi --complaint no-spark --to sheet.pdf")
@click.argument("system")
@click.option("--complaint", help="The complaint; the model's first if left out.")
@click.option("--variant", help="Variant of the machine; the model's default if left out.")
@click.option("--context", "contexts", multiple=True, help="What went before; may be repeated.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    help="File to write: .html, .pdf, or no suffix for both.",
)
@overwrite_option
def worksheet(
    system: str,
    complaint: str | None,
    variant: str | None,
    contexts: tuple[str, ...],
    target: Path | None,
    overwrite: bool,
) -> None:
    """Write the blank sheet to take to the bench, tests in the proposed order."""
    from benchodds.choose.planning import plan
    from benchodds.infer.assess import assess
    from benchodds.keep.session import load_machine, opening
    from benchodds.keep.shopfile import load_shop
    from benchodds.model.jobs import fold
    from benchodds.screens.pages import worksheet_html, write_pages
    from benchodds.screens.worksheet import build_worksheet

    event, model = opening(system, complaint, contexts, variant, None, None)
    machine = load_machine(system, model.variant, event.data["prior_set"])
    assessment = assess(machine, fold("worksheet", [event]))
    sheet = build_worksheet(assessment, plan(assessment, load_shop()).ranking)
    target = target or Path(f"worksheet-{system}")
    for path in write_pages(worksheet_html(sheet), target, overwrite):
        say(_("Wrote {path}").format(path=path))
