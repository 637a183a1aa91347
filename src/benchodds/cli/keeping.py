"""Commands that keep a job's record: gear, set-ups, repairs done, closing and re-opening."""

from __future__ import annotations

import click

from benchodds.basics.language import _
from benchodds.cli.main import GRADES
from benchodds.cli.options import json_option, leave_out, print_json, say, store_option
from benchodds.keep.session import Session


@click.command("jobs", epilog="Example: benchodds jobs --open")
@click.option("--open", "open_only", is_flag=True, help="Only jobs that are not closed.")
@json_option
@store_option
def list_jobs(session: Session, open_only: bool, as_json: bool) -> None:
    """List the jobs in the store."""
    snapshot = session.store.snapshot()
    rows = snapshot.lines(open_only=open_only)
    if as_json:
        fields = ("id", "system", "variant", "complaint", "opened_at", "last_at", "closed")
        said = [{f: getattr(r, f) for f in fields} for r in rows]
        damaged = [{"id": e.job, "damage": e.damage} for e in snapshot.damaged]
        print_json({"schema": 1, "jobs": said, "damaged": damaged})
        return
    for row in rows:
        say(row.told())
    leave_out(map(str, snapshot.damaged))
    if doubt := session.store.doubt():
        say(doubt, err=True)


@click.command(epilog="Example: benchodds setup 1 A closed")
@click.argument("job_id", metavar="JOB")
@click.argument("setup")
@click.argument("state", type=click.Choice(["open", "closed"]))
@store_option
def setup(session: Session, job_id: str, setup: str, state: str) -> None:
    """Correct what is open on the bench (seat off, cover off, connector unplugged ...)."""
    from benchodds.screens.commands import mark_setup

    say(mark_setup(session, job_id, setup, state == "open"))


@click.command(epilog="Example: benchodds gear 1 --meter 10M --adapter none")
@click.argument("job_id", metavar="JOB")
@click.option("--meter", help="Input impedance of the meter in use.")
@click.option("--accuracy", help="Its accuracy, such as '0.8%+3'.")
@click.option("--adapter", help="Peak adapter: a name, none, or max-hold.")
@click.option("--operator", help="Who cranks.")
@click.option("--card", help="An instrument by its card, with what past jobs know of it.")
@click.option(
    "--changed", multiple=True, help="What was mended or replaced: meter, adapter, leads."
)
@store_option
def gear(
    session: Session,
    job_id: str,
    card: str | None,
    changed: tuple[str, ...],
    **items: str | None,
) -> None:
    """Declare the instruments of a job once, for all of its readings.

    What was --changed counts from here on; what was read through the old one stays with it."""
    from benchodds.screens.commands import change_gear, declare_gear

    if changed:
        click.echo(change_gear(session, job_id, changed))
        if card is None and not any(items.values()):
            return
    said = {k: v for k, v in items.items() if v}
    if card is not None:
        from benchodds.keep.toolbox import declare

        say(declare(session, job_id, card))
    if said or card is None:
        say(declare_gear(session, job_id, said))


@click.command(epilog="Example: benchodds done 1 new-plug")
@click.argument("job_id", metavar="JOB")
@click.argument("repair")
@click.option("--note", help="A remark.")
@click.option("--back", is_flag=True, help="The old part was put back.")
@store_option
def done(session: Session, job_id: str, repair: str, note: str | None, back: bool) -> None:
    """Write down a repair that was done; the odds then speak of the machine after it.

    With --back the old part is in again, as it was. 'strike JOB D1' takes back what was not done.
    """
    from benchodds.screens.commands import did_repair

    say(did_repair(session, job_id, repair, note, back=back))


@click.command(epilog="Example: benchodds close 1 --fault exc.hot --grade swap-confirmed")
@click.argument("job_id", metavar="JOB")
@click.option("--fault", "faults", multiple=True, help="What it was; may be repeated.")
@click.option("--grade", type=click.Choice(GRADES), required=True, help="How sure the verdict is.")
@click.option("--minutes", help="Labour, all told: minutes, or as in 1.5 h.")
@click.option("--note", help="A remark.")
@json_option
@store_option
def close(
    session: Session,
    job_id: str,
    faults: tuple[str, ...],
    grade: str,
    minutes: str | None,
    note: str | None,
    as_json: bool,
) -> None:
    """Close a job with its verdict; prints the closing steps."""
    from benchodds.screens.commands import close_job
    from benchodds.screens.readings import number_said

    labour = number_said(minutes, "--minutes", "min") if minutes else None

    text, data = close_job(session, job_id, faults, grade, labour, note)
    if as_json:
        print_json(data)
    else:
        say(text)


@click.command(epilog='Example: benchodds reopen 1 --reason "came back"')
@click.argument("job_id", metavar="JOB")
@click.option("--reason", help="Why.")
@store_option
def reopen(session: Session, job_id: str, reason: str | None) -> None:
    """Open a closed job again, exactly as it was."""
    from benchodds.model import jobs

    session.append(
        job_id, lambda job, at, uid: jobs.reopen_event(job, at=at, uid=uid, reason=reason)
    )
    say(_("Job {job_id} is open again.").format(job_id=job_id))
