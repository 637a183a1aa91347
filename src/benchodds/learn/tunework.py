"""The work of ``tune`` and ``score``: read jobs, fit, try, and take up what does better."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from benchodds.basics.errors import JobError, UnknownNameError, nearest
from benchodds.basics.language import N_, _
from benchodds.infer.assess import Machine
from benchodds.infer.network import quantity_node, quantity_table
from benchodds.keep import files
from benchodds.keep.session import Session, load_coarse
from benchodds.learn.casebook import StoreChunk, catalog, chunks_of, complaint, read_jobs
from benchodds.learn.drift import Drift, Surprises, check, recent_start, surprises
from benchodds.learn.learning import Learning
from benchodds.learn.likelihoods import ReadingWorth, fault_names
from benchodds.learn.pooling import fit
from benchodds.learn.replay import Replay, replay
from benchodds.learn.rolling import FLAT, SHIPPED, TUNED, Rolled, learn, roll, truth_of
from benchodds.learn.rows import RowsError
from benchodds.learn.spreads import Learned, Proof
from benchodds.learn.spreads import learn as learn_spreads
from benchodds.learn.standing import Effect, effects
from benchodds.learn.tally import Chunk, Run, Tally
from benchodds.learn.tuned import Move, Origin, build, sample
from benchodds.learn.tuning import Knowledge, decay, nameless, prepare, screen
from benchodds.learn.tuning_files import load_laws, load_learning, load_standing, next_name
from benchodds.learn.worked import Share
from benchodds.learn.worked import learn as learn_worked
from benchodds.model.gear import Bench, gear_nodes
from benchodds.model.priors import PriorSet, flat_priors
from benchodds.model.system import SystemModel

SEED = 20_250_101
"""Of the draws: the same jobs give the same set."""

IN_USE = N_("in use")

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Wish:
    """What was asked for."""

    files: tuple[Path, ...] = ()
    with_store: bool = False
    skip_bad: bool = False
    half_life_days: float | None = None
    shop: str = ""
    today: date | None = None
    spreads: bool = False


@dataclass(frozen=True)
class Verdict:
    """A tuned set against the one it would replace, on jobs that neither has seen.

    ``gain`` is by how much its log loss is lower per job, with the interval ``low`` to ``high``.
    """

    system: str
    against: str
    scored: int
    gain: float
    low: float
    high: float
    least: int

    @property
    def enough(self) -> bool:
        """Whether enough jobs were scored to say anything."""
        return self.scored >= self.least

    @property
    def worse(self) -> bool:
        """Whether the tuned set did worse."""
        return self.enough and self.gain < 0


@dataclass(frozen=True, eq=False)
class Tuning:
    """All that one run of ``tune`` found."""

    tally: Tally
    sets: Mapping[str, PriorSet]
    moves: Mapping[str, tuple[Move, ...]]
    verdicts: Mapping[str, Verdict]
    rolled: Rolled
    learned: Mapping[str, Learned]
    worked: Mapping[str, Sequence[Share]]
    effects: Sequence[Effect]


def worths() -> Callable[[str, str], ReadingWorth]:
    """Finds what readings are worth on a system and variant; each machine is compiled once."""
    kept: dict[tuple[str, str], ReadingWorth] = {}

    def worth(system: str, variant: str) -> ReadingWorth:
        if (system, variant) not in kept:
            kept[system, variant] = ReadingWorth(machine(system, variant))
        return kept[system, variant]

    return worth


def machine(system: str, variant: str | None) -> Machine:
    """A machine with its own, untuned priors, on the nodes on which tests are chosen."""
    return load_coarse(system, variant, system)


def sources(wish: Wish, session: Session, learning: Learning) -> list[Chunk]:
    """Files as named, and the store when asked for or when no file is named."""
    chunks: list[Chunk] = [c for path in wish.files for c in chunks_of(path)]
    if wish.with_store or not wish.files:
        chunks.append(StoreChunk(session.store, learning))
    return chunks


def gather(
    wish: Wish, session: Session, learning: Learning, run: Run = map
) -> tuple[Tally, Knowledge]:
    """All jobs counted, and what they are measured by. Raises JobError without any."""
    tally = read_jobs(
        sources(wish, session, learning),
        learning,
        skip_bad=wish.skip_bad,
        today=wish.today,
        run=run,
    )
    systems = sorted({k.system for k in tally.counts})
    priors = {s: files.load_priors(s) for s in systems}
    knowledge = Knowledge(priors, catalog, worths(), learning)
    screen(tally, knowledge)
    if tally.n_bad and not wish.skip_bad:
        raise RowsError(complaint(tally.bad, tally.n_bad, tally.rows))
    if not tally.jobs:
        raise JobError(_("no closed job to learn from; close jobs, or name a file of past jobs"))
    return tally, knowledge


def rivals(knowledge: Knowledge) -> dict[str, dict[str, PriorSet]]:
    """Sets to compare with: shipped (or the user's own), flat, and the one in use if tuned."""
    out: dict[str, dict[str, PriorSet]] = {SHIPPED: dict(knowledge.priors), FLAT: {}, IN_USE: {}}
    for system, priors in knowledge.priors.items():
        out[FLAT][system] = flat_of(priors)
        used = files.default_priors(system)
        out[IN_USE][system] = files.load_priors(used) if used != system else priors
    if all(p.tuned is None for p in out[IN_USE].values()):
        del out[IN_USE]
    return out


def flat_of(priors: PriorSet) -> PriorSet:
    """A flat set for all faults of a prior set, whatever the variant."""
    flat = flat_priors(catalog(priors.system, None))
    shares = dict.fromkeys(priors.rows[0].share, 1.0)
    rows = tuple(row.model_copy(update={"share": shares}) for row in priors.rows)
    return flat.model_copy(update={"rows": rows})


def verdict(rolled: Rolled, system: str, learning: Learning) -> Verdict:
    """The tuned set of a system against the one in use, or the shipped one."""
    check = learning.check
    against = IN_USE if any(IN_USE in s.said for s in rolled.scored) else SHIPPED
    mine = rolled.of(lambda s: s.kind.system == system and against in s.said)
    if not mine.scored:
        return Verdict(system, against, 0, 0.0, -np.inf, np.inf, check.least_scored)
    loss, low, high = mine.against(TUNED, against, check.level)
    return Verdict(system, against, mine.jobs, -loss, -high, -low, check.least_scored)


def tune(wish: Wish, session: Session, tell: Tell = lambda _: None, run: Run = map) -> Tuning:
    """Learn new sets from all jobs and try them; nothing is written."""
    learning = load_learning()
    tell(_("reading jobs"))
    tally, knowledge = gather(wish, session, learning, run)
    shops = {k.shop for k in tally.counts}
    if wish.shop and wish.shop not in shops:
        raise UnknownNameError(
            _("'{shop}' is not a shop of these jobs{hint}").format(
                shop=wish.shop, hint=nearest(wish.shop, shops)
            )
        )
    compared = rivals(knowledge)
    rolled = roll(
        tally,
        knowledge,
        compared,
        half_life_days=wish.half_life_days,
        tell=tell,
    )
    tell(_("fitting all jobs"))
    counted = prepare(tally, knowledge, half_life_days=wish.half_life_days)
    fitted = fit(counted.problem)
    tell(_("drawing intervals"))
    rng = np.random.default_rng(SEED)
    drawn = sample(counted.problem, fitted, rng, learning.check.draws, wish.shop)
    jobs = {s: sum(n for k, n in tally.counts.items() if k.system == s) for s in knowledge.priors}
    origin = Origin(
        tuple(tally.sources), jobs, tally.first, tally.last, wish.half_life_days, wish.shop
    )
    sets, moves, verdicts, worked = {}, {}, {}, {}
    learned = {s: _spreads(s, tally, knowledge, tell) for s in jobs} if wish.spreads else {}
    for system in knowledge.priors:
        verdicts[system] = verdict(rolled, system, learning)
        score = _score(rolled, system)
        sets[system], moves[system] = build(
            system, counted, fitted, drawn, knowledge, origin, next_name(system), score
        )
        worked[system] = _worked(system, tally, knowledge, wish.half_life_days)
        laws = learned[system].spreads if system in learned else []
        spreads = (*laws, *(share.spread for share in worked[system]))
        sets[system] = sets[system].model_copy(update={"spreads": spreads})
    before = compared.get(IN_USE, compared[SHIPPED])
    tell(_("trying standing jobs"))
    shown = effects(load_standing(), machine, before, sets)
    return Tuning(tally, sets, moves, verdicts, rolled, learned, worked, shown)


def _worked(
    system: str, tally: Tally, knowledge: Knowledge, half_life_days: float | None
) -> list[Share]:
    """Shares of work, jobs counted by their age as for everything else."""
    return learn_worked(
        system,
        tally,
        knowledge.catalog,
        machine(system, None).bench,
        knowledge.learning,
        lambda kind: decay(kind.period, tally.last, half_life_days),
    )


def _spreads(system: str, tally: Tally, knowledge: Knowledge, tell: Tell) -> Learned:
    """Laws of the measurement side, from readings of jobs closed with proof.

    A fault that may have come and gone proves nothing of the law of a reading: whether it was
    there just then is not known.
    """
    proofs, unsteady = list[Proof](), 0
    for kind, n in tally.counts.items():
        if kind.system == system and kind.readings:
            model = knowledge.catalog(system, kind.variant)
            names, may = fault_names(model), model.faults_named(model.intermittent)
            fault = truth_of(kind, names, knowledge.learning)
            if isinstance(fault, int) and tuple(names[fault].split(".")) in may:
                unsteady += n
            elif isinstance(fault, int):
                who = {w.taken().operator or "" for w in kind.readings}
                operator = who.pop() if len(who) == 1 else ""
                readings = nameless(kind.readings)
                proofs.append(Proof(kind.period, kind.variant, operator, readings, fault, n))
    machines = {v: machine(system, v) for v in {p.variant for p in proofs}}
    found = learn_spreads(system, proofs, machines.__getitem__, recompiled, load_laws(), tell)
    return replace(found, unsteady=unsteady)


def recompiled(plain: Machine, model: SystemModel, bench: Bench) -> Machine:
    """A machine with other laws in its model or bench; only what they touch is compiled anew."""
    gear_variables, gear_tables = gear_nodes(bench)
    variables, tables = {**plain.variables, **gear_variables}, {**plain.tables, **gear_tables}
    for name, quantity in model.quantities.items():
        if quantity != plain.model.quantities[name]:
            variables[name], edges = quantity_node(name, quantity, 1)
            tables[name] = quantity_table(name, quantity, variables, edges)
    fresh = Machine(model, bench, plain.priors, variables, tables)
    if bench == plain.bench:  # what a reading says of the quantities stays as it was
        fresh = replace(fresh, _findings=plain._findings, _instruments=plain._instruments)
    return fresh


def _score(rolled: Rolled, system: str) -> dict[str, float]:
    mine = rolled.of(lambda s: s.kind.system == system)
    if not mine.scored:
        return {}
    out = {"scored jobs": float(mine.jobs)}
    for name in (TUNED, SHIPPED, FLAT):
        out[f"log loss {name}"] = round(mine.loss(name), 4)
    return out


@dataclass(frozen=True, eq=False)
class Review:
    """All that ``score`` found."""

    tally: Tally
    start: Rolled
    read: Rolled
    drifts: Sequence[Drift]
    surprises: Surprises
    replays: Mapping[str, Sequence[Replay]]
    learning: Learning


def score(wish: Wish, session: Session, tell: Tell = lambda _: None, run: Run = map) -> Review:
    """Try shipped, tuned and flat sets on jobs that they have not seen; look for drift."""
    learning = load_learning()
    tell(_("reading jobs"))
    tally, knowledge = gather(wish, session, learning, run)
    compared = rivals(knowledge)
    half = wish.half_life_days
    start = roll(tally, knowledge, compared, half_life_days=half, tell=tell)
    tell(_("with their readings"))
    read = roll(tally, knowledge, compared, half_life_days=half, with_readings=True)
    tell(_("looking for drift"))
    since = recent_start(tally, learning)
    before, recent = tally.until(since), tally.within(since)
    sets = learn(before, knowledge, half) if before.jobs else dict(knowledge.priors)
    drifts = check(recent, sets, knowledge, np.random.default_rng(SEED))
    found = surprises(recent, machine, sets, learning.drift.most_read)
    tell(_("doing jobs over"))
    return Review(tally, start, read, drifts, found, _replays(start, knowledge), learning)


def _replays(start: Rolled, knowledge: Knowledge) -> dict[str, list[Replay]]:
    """The latest scored jobs with two readings or more, done over with every set."""
    spec = knowledge.learning.replay
    jobs = [s for s in start.scored if len(s.kind.readings) > 1]
    jobs.sort(key=lambda s: s.kind.period, reverse=True)
    out: dict[str, list[Replay]] = {}
    for job in jobs[: spec.most_jobs]:
        worth = knowledge.worths(job.kind.system, job.kind.variant)
        for name, shares in job.said.items():
            done = replay(worth, job.kind.readings, shares, job.happened, spec.sure)
            out.setdefault(name, []).append(done)
    return out
