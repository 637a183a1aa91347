"""The commands. Parse, call, print; heavy imports stay inside the commands."""

from __future__ import annotations

import importlib
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchodds import __version__
from benchodds.basics.errors import BenchoddsError
from benchodds.basics.language import _
from benchodds.basics.text import written
from benchodds.cli.language import settle, spoken
from benchodds.cli.options import (
    json_option,
    let_go,
    numbers_option,
    overwrite_option,
    print_json,
    say,
    store_option,
    technique_options,
)

if TYPE_CHECKING:
    from benchodds.keep.session import Session
    from benchodds.screens.readings import Recorded

# Small matrices: more threads than one only cost their own starting.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

GRADES = ("bench-bad", "swap-confirmed", "came-good", "gave-up", "came-back")


ELSEWHERE: dict[str, str] = {
    "jobs": "benchodds.cli.keeping:list_jobs",
    "reopen": "benchodds.cli.keeping:reopen",
    "close": "benchodds.cli.keeping:close",
    "done": "benchodds.cli.keeping:done",
    "gear": "benchodds.cli.keeping:gear",
    "setup": "benchodds.cli.keeping:setup",
    "backup": "benchodds.cli.store:backup",
    "restore": "benchodds.cli.store:restore",
    "rescue": "benchodds.cli.store:rescue",
    "export": "benchodds.cli.store:export",
    "bench": "benchodds.cli.bench:bench",
    "check": "benchodds.cli.models:check",
    "new": "benchodds.cli.models:new",
    "schema": "benchodds.cli.models:schema",
    "tutorial": "benchodds.cli.models:tutorial",
    "report": "benchodds.cli.report:report",
    "import": "benchodds.cli.tune:import_jobs",
    "score": "benchodds.cli.tune:score",
    "draw": "benchodds.cli.simulate:draw",
    "simulate": "benchodds.cli.simulate:simulate",
    "tune": "benchodds.cli.tune:tune",
    "worksheet": "benchodds.cli.report:worksheet",
}
"""Commands that live in modules of their own, as name: 'module:function', loaded when called."""


class _Commands(click.Group):
    """A group whose commands end user errors with one sentence and exit code 2."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        try:
            return super().main(*args, **kwargs)
        except OSError as error:  # the disk, or where the answer goes, is full or gone
            let_go()
            words = _("the answer cannot be shown ({reason}); what was recorded stays")
            if error.filename is not None:
                words = _("{file}: cannot be read or written ({reason})")
            reason = error.strerror or error
            with suppress(OSError):
                said = words.format(file=error.filename, reason=reason)
                say(f"benchodds: {said}", err=True)
            sys.exit(2)

    def make_context(
        self, info_name: str | None, args: list[str], *more: Any, **kwargs: Any
    ) -> click.Context:
        settle()
        try:
            for arg in args:
                written(arg)
        except BenchoddsError as error:
            say(f"benchodds: {error}", err=True)
            raise click.exceptions.Exit(2) from None
        return super().make_context(info_name, args, *more, **kwargs)

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        super(_Commands, spoken(self)).format_help(ctx, formatter)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BenchoddsError as error:
            say(f"benchodds: {error}", err=True)
            ctx.exit(2)
        except BrokenPipeError:
            let_go()
            ctx.exit(0)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*self.commands, *ELSEWHERE]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in ELSEWHERE:
            module, _colon, function = ELSEWHERE[cmd_name].partition(":")
            command: click.Command = getattr(importlib.import_module(module), function)
            return spoken(command)
        found = super().get_command(ctx, cmd_name)
        return spoken(found) if found else None


def _show_versions(ctx: click.Context, _option: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    from benchodds.keep import files

    say(f"benchodds {__version__}")
    for kind in ("models", "priors"):
        word = _("model") if kind == "models" else _("prior")
        for name, path in files.available(kind).items():
            say(f"  {word:<6} {name:<12} {files.read_toml(path).get('version', '?')}")
    ctx.exit()


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    epilog="First time? Run: benchodds demo",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_versions,
    help="Show the version, and those of the models and priors in use.",
)
def main() -> None:
    """Fault probabilities for the ignition bench: write readings down as they come, see what
    they mean together, and which test to do next.

    The tool gives probabilities, not a verdict. Limits, order and torque come from the
    machine's own service literature."""


@main.command(epilog="Example: benchodds systems mag-cdi --variant late")
@click.argument("system", required=False)
@click.option("--variant", help="Variant of the machine.")
@json_option
def systems(system: str | None, variant: str | None, as_json: bool) -> None:
    """List the systems, or one of them with its tests and limits."""
    from benchodds.keep import files
    from benchodds.screens import render, shapes

    if system:
        model = files.load_system(system, variant)
        if as_json:
            print_json(shapes.system(model))
        else:
            say(render.system(model))
        return
    models = [files.load_system(name) for name in files.available("models")]
    if as_json:
        print_json({"schema": shapes.SCHEMA, "systems": [shapes.system(m) for m in models]})
    else:
        say(render.systems(models))


@main.command(epilog="Example: benchodds demo")
@click.option("--pause", is_flag=True, help="Wait for Enter between steps.")
@store_option
def demo(session: Session, pause: bool) -> None:
    """Play an invented job from complaint to repair, in a store of its own."""
    from benchodds.cli.demo import play

    play(session.where, pause=pause)


@main.command(
    "open",
    epilog="Example: benchodds open --system mag-cdi --complaint no-spark --context washed",
)
@click.option("--system", help="System model, such as mag-cdi.")
@click.option(
    "--with", "others", multiple=True, help="Another system on this machine; may be repeated."
)
@click.option(
    "--complaint",
    "complaints",
    multiple=True,
    help="What the customer says, such as no-spark; one for each joined system, or for some.",
)
@click.option("--variant", help="Variant of the machine; the model's default if left out.")
@click.option(
    "--context",
    "contexts",
    multiple=True,
    help="What went before, washed=0.5 for perhaps; may be repeated.",
)
@click.option(
    "--replaced",
    multiple=True,
    help="A repair that somebody did before it came in, such as new-plug; may be repeated.",
)
@click.option("--priors", "prior_set", help="Prior set; the system's own if left out.")
@click.option("--name", help="A name for the job instead of a number.")
@json_option
@store_option
def open_job(
    session: Session,
    system: str | None,
    others: tuple[str, ...],
    complaints: tuple[str, ...],
    variant: str | None,
    contexts: tuple[str, ...],
    replaced: tuple[str, ...],
    prior_set: str | None,
    name: str | None,
    as_json: bool,
) -> None:
    """Open a job.

    What was replaced before, the complaint staying, is taken to be good but for the chance that
    a new part is a dud, or that cleaning did not do it. Several complaints of one system may have
    one cause or two.

    Systems that meet on one machine can be joined: --system tci --with charging. Parts that
    they share are one then, and every test has its system in front: charging-vdc-fast."""
    from benchodds.keep.session import said

    joined, complaint = said(system, others, variant, complaints)
    job = session.open(joined, complaint, contexts, variant, prior_set, name, replaced=replaced)
    if as_json:
        print_json({"schema": 1, "job": job.id})
    else:
        say(_("Opened job {job}. What to do first: benchodds next {job}").format(job=job.id))


@main.command(
    context_settings={"ignore_unknown_options": True},
    epilog="Example: benchodds record 1 vexc 20 34 18 --how firm-kick --meter 10M",
)
@click.argument("job_id", metavar="JOB")
@click.argument("test", required=False)
@click.argument("values", nargs=-1, metavar="VALUE...")
@technique_options
@click.option("--note", help="A remark to keep with the reading.")
@click.option(
    "--file",
    "sheet",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Readings from a file, a line each: 'vexc 20 34 18; how=firm-kick'.",
)
@numbers_option
@json_option
@store_option
def record(
    session: Session,
    job_id: str,
    test: str | None,
    values: tuple[str, ...],
    note: str | None,
    sheet: Path | None,
    numbers: bool,
    as_json: bool,
    **technique: Any,
) -> None:
    """Record a reading; several values are several kicks.

    Values as people write them: 14, 0.3ohm, 4.7k, 4k7, 112V, OL, OL@200, "unstable 3..40",
    "none 0/10", "strong 10/10", a look's outcome, not-taken, refused, impossible."""
    from benchodds.screens.readings import make_technique, record_reading

    if sheet is not None:
        if test is not None:
            raise click.UsageError(_("give a test and its values, or --file, not both"))
        if note is not None:
            raise click.UsageError(_("a note is about one reading; with --file leave it out"))
        _record_sheet(session, job_id, sheet, technique, numbers, as_json)
        return
    if test is None or not values:
        raise click.UsageError(_("give a test and what it showed, or --file"))
    found = record_reading(session, job_id, test, values, make_technique(technique), note)
    if as_json:
        print_json(found.data())
    else:
        _tell([found], numbers)


def _tell(found: list[Recorded], numbers: bool) -> None:
    """Say what readings showed, and what is next."""
    from benchodds.keep.shopfile import load_shop
    from benchodds.screens.advising import advise
    from benchodds.screens.glance import fitted, step_parts

    for each in found[:-1]:
        say("\n".join(each.numbers() if numbers else fitted(each.parts())))
    last = found[-1]
    if numbers:
        say("\n".join(last.numbers()))
    else:
        step = step_parts(last.after, advise(last.after, greedy=True)[0], load_shop())
        say("\n".join(fitted([*last.parts(), *step])))


MOST_SHEET = 100_000
"""Most bytes of a sheet of readings."""


def _record_sheet(
    session: Session,
    job_id: str,
    sheet: Path,
    technique: dict[str, Any],
    numbers: bool,
    as_json: bool,
) -> None:
    """Record every line of a sheet, all or none."""
    from benchodds.keep.inputs import text_of
    from benchodds.screens.readings import read_sheet, record_readings

    text, job = text_of(sheet, MOST_SHEET), session.store.job(job_id)
    said = {k: v for k, v in technique.items() if v is not None}
    found = record_readings(session, job, read_sheet(session, job, text, str(sheet), said))
    if as_json:
        print_json({"schema": 1, "readings": [each.data() for each in found]})
    else:
        _tell(found, numbers)


@main.command(epilog='Example: benchodds strike 1 R3 --reason "wrong terminal"')
@click.argument("job_id", metavar="JOB")
@click.argument("reading")
@click.option("--reason", required=True, help="Why it is withdrawn; it stays on record.")
@json_option
@store_option
def strike(session: Session, job_id: str, reading: str, reason: str, as_json: bool) -> None:
    """Withdraw a reading (R1) or a repair (D1); it stays on record and no longer counts."""
    from benchodds.model import jobs

    session.append(
        job_id, lambda job, at, uid: jobs.strike_event(job, reading, at=at, uid=uid, reason=reason)
    )
    if as_json:
        print_json({"schema": 1, "job": job_id, "reading": reading.upper(), "struck": reason})
    else:
        say(
            _("Struck {reading} ({reason}); it stays on record and no longer counts.").format(
                reading=reading.upper(), reason=reason
            )
        )


_AS_IF = click.option(
    "--as-if", "as_if", multiple=True, metavar="TEST=VALUE", help="Add a reading, not recorded."
)


@main.command(epilog="Example: benchodds odds 1 --as-if vpri=138")
@click.argument("job_id", metavar="JOB")
@_AS_IF
@numbers_option
@json_option
@store_option
def odds(
    session: Session, job_id: str, as_if: tuple[str, ...], numbers: bool, as_json: bool
) -> None:
    """Show what the readings mean together: faults, gear, how many at once."""
    from benchodds.screens import glance, shapes
    from benchodds.screens.numbers import odds as all_odds

    assessment = session.assess(session.store.job(job_id), as_if)
    if as_json:
        print_json(shapes.odds(assessment))
    else:
        say(all_odds(assessment) if numbers else "\n".join(glance.odds(assessment)))


@main.command("next", epilog="Example: benchodds next 1")
@click.argument("job_id", metavar="JOB")
@click.option(
    "--steps",
    type=click.IntRange(1, 4),
    help="How many steps are chosen as well as can be; as many as take a second if left out.",
)
@click.option("--ahead", is_flag=True, help="Propose what costs least as far as can be foreseen.")
@click.option("--greedy", is_flag=True, help="Weigh nothing: the ranking alone, at once.")
@click.option("--shop", default="shop", show_default=True, help="Shop file: labour, prices, days.")
@_AS_IF
@numbers_option
@json_option
@store_option
def next_test(
    session: Session,
    job_id: str,
    steps: int | None,
    ahead: bool,
    greedy: bool,
    shop: str,
    as_if: tuple[str, ...],
    numbers: bool,
    as_json: bool,
) -> None:
    """Say what to do next, why, what it costs, and what to be careful of.

    The proposal goes by expected information per minute and the thresholds for mending; with
    --ahead by another step that is foreseen to cost clearly less to the end of the job."""
    from benchodds.keep.shopfile import load_shop
    from benchodds.screens import glance, shapes
    from benchodds.screens.advising import advise
    from benchodds.screens.numbers import next_step

    assessment = session.assess(session.store.job(job_id), as_if)
    result, weighed = advise(assessment, shop, steps, foresee=ahead, greedy=greedy)
    if as_json:
        print_json(shapes.advice(assessment, result, weighed))
    elif numbers:
        say(next_step(assessment, result, load_shop(shop), weighed))
    else:
        say("\n".join(glance.next_step(assessment, result, load_shop(shop), weighed)))


@main.command(epilog="Example: benchodds why 1 R3")
@click.argument("job_id", metavar="JOB")
@click.argument("reading", required=False)
@click.option(
    "--figures",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder to write figures to, as SVG and PNG.",
)
@overwrite_option
@numbers_option
@json_option
@store_option
def why(
    session: Session,
    job_id: str,
    reading: str | None,
    figures: Path | None,
    overwrite: bool,
    numbers: bool,
    as_json: bool,
) -> None:
    """Explain what a reading (the last one, if left out) is worth and what it did."""
    from benchodds.screens.commands import explain

    text, data = explain(session, job_id, reading, figures, overwrite, numbers=numbers)
    if as_json:
        print_json(data)
    else:
        say(text)


@main.command(epilog="Example: benchodds show 1")
@click.argument("job_id", metavar="JOB")
@json_option
@store_option
def show(session: Session, job_id: str, as_json: bool) -> None:
    """Show a job's record: every reading, struck ones too."""
    from benchodds.screens import render, shapes

    job = session.store.job(job_id)
    if as_json:
        print_json(shapes.job_record(job))
    else:
        say("\n".join(render.record(job)))
