"""The command simulate: policies compared on machines drawn from the model."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click

from benchodds.basics.language import _
from benchodds.cli.options import at_terminal, json_option, overwrite_option, print_json, say
from benchodds.trials.names import NATURES, POLICIES


@click.command(
    epilog="Example: benchodds simulate mag-cdi --jobs 200 --seed 7 --policy look-ahead "
    "--policy by-limits --out trial"
)
@click.argument("system")
@click.option("--jobs", type=click.IntRange(1), default=100, show_default=True, help="How many.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of all draws.")
@click.option(
    "--policy",
    "policies",
    type=click.Choice([*POLICIES, "all"]),
    multiple=True,
    help="Who chooses; may be repeated; all if left out.",
)
@click.option(
    "--perturb",
    "natures",
    type=click.Choice([*NATURES, "all"]),
    multiple=True,
    help="How nature differs from the model: 'none', faults a factor off, wider spreads, "
    "another operator, another meter; may be repeated; 'none' if left out.",
)
@click.option("--workers", type=click.IntRange(1), default=1, show_default=True, help="Processes.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for rows, tables, figures.")
@click.option("--complaint", help="The complaint; the model's first if left out.")
@click.option("--variant", help="Variant of the machine; the model's default if left out.")
@click.option("--context", "contexts", multiple=True, help="What went before; may be repeated.")
@click.option("--priors", help="Prior set; the system's own if left out.")
@click.option("--shop", default="shop", show_default=True, help="What things cost.")
@click.option("--trial", default="trial", show_default=True, help="Perturbations and routines.")
@click.option(
    "--steps", type=click.IntRange(1, 4), default=2, show_default=True, help="Of the look-ahead."
)
@click.option(
    "--floor",
    type=click.FloatRange(0.001, 0.5),
    default=0.03,
    show_default=True,
    help="Chance below which the look-ahead estimates a branch.",
)
@click.option(
    "--told-apart",
    type=click.IntRange(2, 12),
    default=4,
    show_default=True,
    help="Outcomes of a test that are told apart.",
)
@click.option(
    "--crowd",
    type=click.IntRange(20, 5000),
    default=400,
    show_default=True,
    help="Machines drawn for each whole state to hold beliefs.",
)
@json_option
def simulate(
    system: str,
    jobs: int,
    seed: int,
    policies: tuple[str, ...],
    natures: tuple[str, ...],
    workers: int,
    out: Path | None,
    as_json: bool,
    **more: Any,
) -> None:
    """Draw machines, gear and readings from the model and compare ways to choose the next step.

    Every policy meets the same machines and readings. With --out the run can be cut off and
    goes on where it was; the folder then holds the rows (rows.jsonl), a table (summary.csv),
    all figures as JSON and a picture (SVG, PNG).

    Beliefs are Monte Carlo: for each whole machine state (none, single faults, the likeliest
    pairs) a crowd of machines drawn from the whole network, weighed by every reading, each
    known as far as it is told apart. They agree with the exact odds to a few parts in a hundred.
    """
    from tempfile import TemporaryDirectory

    from benchodds.keep.session import opening
    from benchodds.trials import trialreport, trialrun

    event, model = opening(
        system, more["complaint"], more["contexts"], more["variant"], more["priors"], None
    )
    if event.data.get("perhaps"):
        raise click.UsageError(
            _("simulated machines have gone through a context or not; leave its chance out")
        )
    setting = trialrun.Setting(
        model.id,
        model.variant,
        event.data["complaint"],
        tuple(event.data["contexts"]),
        event.data["prior_set"],
        more["shop"],
        more["trial"],
        seed,
        more["steps"],
        more["floor"],
        more["told_apart"],
        more["crowd"],
    )
    chosen = POLICIES if not policies or "all" in policies else tuple(dict.fromkeys(policies))
    kinds = tuple(dict.fromkeys(natures)) or ("none",)
    kinds = NATURES if "all" in kinds else kinds
    if out is not None:
        report = _run(trialrun.Folder(out), setting, jobs, chosen, kinds, workers)
        _write(out, report)
    else:
        with TemporaryDirectory() as place:
            report = _run(trialrun.Folder(Path(place)), setting, jobs, chosen, kinds, workers)
    if as_json:
        print_json(report)
        return
    say(trialreport.text(report))
    if out is not None:
        say("\n" + _("Wrote summary.csv, report.json and figures to {out}").format(out=out))


def _run(
    folder: Any,
    setting: Any,
    jobs: int,
    policies: tuple[str, ...],
    kinds: tuple[str, ...],
    workers: int,
) -> dict[str, Any]:
    """Do what is left of a run; its report."""
    from dataclasses import replace

    from benchodds.trials import trialreport, trialrun

    folder.begin(trialrun.asked(setting), trialrun.content_of(setting))
    rows = list(folder.rows())
    if "best-fixed" in policies:
        order = folder.order()
        if order is None:
            order = trialrun.best_fixed(setting)
            folder.keep_order(order)
        setting = replace(setting, order=order)
    for policy in policies:
        trialrun.policy_of(setting, policy)
    done = {(kind, r.policy, r.job) for kind, r in rows}
    todo = trialrun.lots(jobs, kinds, policies, done)
    total = sum((lot[2] - lot[1]) * len(names) for lot, names in todo)
    progress = click.progressbar(length=total, label=_("Jobs"), file=sys.stderr)
    with progress if at_terminal() else nullcontext() as bar:
        for made in trialrun.play(setting, todo, workers):
            folder.add(made)
            rows += made
            if bar is not None:
                bar.update(len(made))
    wanted = [(k, r) for k, r in rows if k in kinds and r.policy in policies and r.job < jobs]
    wanted.sort(key=lambda kr: (kinds.index(kr[0]), policies.index(kr[1].policy), kr[1].job))
    grouped = trialreport.by_nature(wanted)
    return {
        "schema": trialreport.SCHEMA,
        "setting": {**trialrun.asked(setting), "order": list(setting.order)},
        "natures": {k: trialreport.summary(v) for k, v in grouped.items()},
        "bits_lost": dict(sorted(trialrun.world_of(setting).bits_lost.items())),
    }


def _write(folder: Path, report: dict[str, Any]) -> None:
    """The report as JSON, a table and figures."""
    import json

    from benchodds.keep.outputs import save_figures, write
    from benchodds.trials.figures_trial import costs_figure, reliability_figure
    from benchodds.trials.trialreport import table

    # The folder is this run's: what an earlier part of it wrote is brought up to date.
    write(folder / "report.json", [json.dumps(report, indent=1), "\n"], overwrite=True)
    write(folder / "summary.csv", [table(report)], overwrite=True)
    made = {"costs": costs_figure(report), "odds": reliability_figure(report)}
    figures = {folder / f"{n}.{suffix}": f for n, f in made.items() for suffix in ("svg", "png")}
    save_figures(figures, overwrite=True)


@click.command(epilog="Example: benchodds draw mag-cdi tci --jobs 300 --seed 7 --to past.jsonl")
@click.argument("systems", nargs=-1, required=True, metavar="SYSTEM...")
@click.option("--jobs", type=click.IntRange(1), default=100, show_default=True, help="How many.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of all draws.")
@click.option("--trial", default="trial", show_default=True, help="How the shop works.")
@click.option("--name", default="drawn-", show_default=True, help="What job numbers begin with.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    required=True,
    help="File of JSON lines to write.",
)
@overwrite_option
def draw(
    systems: tuple[str, ...],
    jobs: int,
    seed: int,
    trial: str,
    name: str,
    target: Path,
    overwrite: bool,
) -> None:
    """Draw closed jobs of an invented shop, readings and all, for tune and score to read.

    The shop's machines differ from the prior files by a factor, a few closings are wrong, and
    some of these come back.
    """
    import json

    from benchodds.basics.errors import UnknownNameError, nearest
    from benchodds.keep import files
    from benchodds.keep.outputs import free, write
    from benchodds.keep.session import load_coarse
    from benchodds.trials.pastjobs import PastShop
    from benchodds.trials.trialfile import load_trial

    free(target, overwrite)
    spec = load_trial(trial)
    machines = []
    for system in dict.fromkeys(systems):
        variants = list(files.load_system(system).variants)
        if system not in spec.routines:
            raise UnknownNameError(
                _("the trial file '{trial}' has no routine for '{system}'{hint}").format(
                    trial=trial, system=system, hint=nearest(system, spec.routines)
                )
            )
        machines += [load_coarse(system, v, system) for v in variants]
    shop = PastShop(machines, spec.routines, spec.past, seed, name)
    lines = (json.dumps(row) + "\n" for row in shop.rows(jobs))
    progress = click.progressbar(lines, length=jobs, label=_("Jobs"), file=sys.stderr)
    with progress if at_terminal() else nullcontext(lines) as rows:
        write(target, rows, overwrite)
    say(_("Wrote {jobs} jobs to {target}").format(jobs=jobs, target=target))
