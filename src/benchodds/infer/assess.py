"""The pure pipeline: machine description and job in, exact posterior out.

A :class:`~benchodds.infer.compiled.Machine` holds what does not change between readings;
:func:`assess` turns a job's readings into findings and propagates them. Nothing here reads
files or clocks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np

from benchodds.basics.errors import EvidenceError, TooLargeError
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_accuracy
from benchodds.basics.quantities import SILENT, Value
from benchodds.basics.tables import Array, Network, State, Table, Variable, renamed
from benchodds.infer import intermittent
from benchodds.infer.belief import Belief, Mixed, kept_to, likeliest, posterior
from benchodds.infer.compiled import Machine
from benchodds.infer.epochs import APART, RANKS, Change, Course, change_of, outcome_of
from benchodds.infer.machine import FoldedNetwork, likely_histories
from benchodds.infer.support import Index
from benchodds.measure.instrument import Outcome
from benchodds.model import cards
from benchodds.model.gear import hookup_node
from benchodds.model.jobs import Job, Reading, Technique
from benchodds.model.laws import operator_table

N_PAIRS = 60
"""Pairs of faults looked at as whole states, besides no fault and all single faults; as many
again for each time that the machine was worked on."""

N_UNSTEADY = 120
"""As many where one of them comes and goes, of which only those are kept."""

CHEAP_UNSTEADY = 3e7
"""Entries up to which the odds of faults that come and go are exact."""

MOST_FOLDED = 1e8
"""Entries that whole states after a repair may go through before simpler ones take their place."""

LEAST_P = 1e-4
"""Probability on few nodes below which a state with several faults is left out on all of them."""

GEAR = ("adapter", "meter")

SINGLY = ("meter", "look")
"""Kinds of test in which each value written may be a slip of its own."""


@dataclass(frozen=True)
class Taken:
    """A reading as understood: what was written, how it counts, and its finding."""

    reading: Reading
    values: tuple[Value, ...]
    technique: Technique
    table: Table | None
    hookup: str
    names: Mapping[str, str] = field(default_factory=dict)
    """What nodes of another instrument than the job's own are called."""
    epoch: int = 0
    """How often the machine had been changed before."""


def merge(
    technique: Technique, job: Job, values: Sequence[Value] = (), *, strict: bool = False
) -> Technique:
    """The technique of a reading; where nothing was said, its card's and the job's gear.

    An accuracy in % of full scale is left out where the range is not known: declared after a
    reading, it cannot say anything about it. A ``strict`` one keeps it, to be refused.
    """
    full, gear = cards.technique_with(technique, job, values), job.gear
    said = {
        key: str(gear[key])
        for key in ("meter", "adapter", "operator", "accuracy")
        if getattr(full, key) is None and gear.get(key)
    }
    full = replace(full, **said)  # type: ignore[arg-type]
    if not strict and full.range_top is None and full.accuracy != technique.accuracy:
        known = parse_accuracy(full.accuracy).full_scale_percent == 0 if full.accuracy else True
        full = full if known else replace(full, accuracy=None)
    return full


def understand(machine: Machine, job: Job, *, apart: bool = False) -> tuple[Taken, ...]:
    """Every live reading of a job with its finding, in the order taken.

    A reading shares its hook-up with the one before when it says that the probes were not
    moved, else it has one of its own. It speaks of the machine as it was then.
    """
    out: list[Taken] = []
    hookup = ""
    course = course_of(machine, job, apart=apart)
    for reading in job.live_readings:
        tool = machine.instrument(reading.test)
        values = tool.parse(reading.values)
        technique = merge(reading.technique, job, values)
        if not (technique.same_hookup and hookup):
            hookup = f"hookup {reading.id}"
        table = machine.finding(tool.name, reading.values, technique, hookup)
        epoch = job.epoch(reading.seq)
        own = cards.former(job, reading.seq)
        names = {**course.names[epoch], **own, **cards.node_names(job, technique.card)}
        if table is not None and names:
            table = renamed(table, names)
        out.append(Taken(reading, values, technique, table, hookup, names, epoch))
    return tuple(out)


def course_of(machine: Machine, job: Job, *, apart: bool = False, spells: bool = False) -> Course:
    """The epochs of a job: one more for each live action.

    ``apart`` gives each of them quantities of its own. A repair that the model of today no longer
    has (it was refused when it was to be written down) touches nothing.
    """
    changes: list[Change] = []
    numbers = {a.id: i for i, a in enumerate(job.live_actions, start=1)}
    for action in job.live_actions:
        undone = job.put_back(action) if action.back else None
        back = numbers[undone.id] if undone else None
        repair = machine.model.repairs.get(action.repair)
        touched = change_of(repair, machine.model) if repair and not back else Change(back=back)
        changes.append(touched)
    scopes = intermittent.scopes(machine) if spells else machine.scopes
    acting = intermittent.acting_nodes(machine).values() if spells else ()
    return Course(scopes, machine.constants, changes, frozenset(acting), apart=apart)


def _outcomes(machine: Machine, job: Job, network: Network) -> list[dict[str, Array]]:
    """P(mode after | mode before) of what each live action of a job touched."""
    out: list[dict[str, Array]] = []
    before = set(job.replaced)
    for action in job.live_actions:
        repair, again = machine.model.repairs.get(action.repair), action.repair in before
        given = (machine.model, network.tables, machine.bench.work, again)
        out.append(outcome_of(repair, *given) if repair and not action.back else {})
        before.add(action.repair)
    return out


def gear_names(taken: Iterable[Taken]) -> tuple[str, ...]:
    """Nodes of the instruments that may be at fault: the job's own, then others that were used."""
    others = (t.names[n] for t in taken for n in GEAR if n in t.names)
    return tuple(dict.fromkeys((*GEAR, *others)))


def network_of(
    machine: Machine,
    job: Job,
    taken: Iterable[Taken],
    *,
    asked: Sequence[str] = (),
    cells: int = RANKS[0],
    spells: bool = False,
) -> Network:
    """The network of a job with the given readings as findings.

    It is that of a machine whose faults are steady, or ``spells`` are part of it.

    Where the machine was worked on, it is unrolled over its epochs; ``asked`` are variables of
    the present one that will be asked for beside the components, ``cells`` those of a rank.
    """

    def as_it_came() -> Network:
        plain = machine.prior(job.complaint, job.told, job.replaced)
        shaped = intermittent.with_node if spells else intermittent.steady
        return shaped(plain, machine, job.said)

    told_of = (job.complaint, *job.told.items(), job.replaced, spells)
    network = machine.known(told_of, as_it_came)
    variables, tables = dict(network.variables), dict(network.tables)
    taken = tuple(taken)
    if machine.priors.spreads and len(who := {t.technique.operator for t in taken}) == 1:
        variable, plain = variables["operator"], tables["operator"]
        name = str(next(iter(who)))
        tables["operator"] = operator_table(machine.priors.spreads, name, variable, plain)
    own = cards.nodes(job, [t.technique.card for t in taken], variables, tables)
    own |= cards.changed(job, variables, tables | {k: t for k, (_v, t) in own.items()}, tables)
    variables |= {name: v for name, (v, _) in own.items()}
    tables |= {name: t for name, (_, t) in own.items()}
    told: dict[str, Table] = {}
    course = course_of(machine, job, apart=cells == APART, spells=spells)
    for item in taken:
        if item.table is None:
            continue
        if item.hookup in item.table.scope and item.hookup not in variables:
            variables[item.hookup], tables[item.hookup] = hookup_node(item.hookup, machine.bench)
        if not spells:
            told[item.reading.id] = item.table
            continue
        heard, meets = _heard(machine, item, course)
        told |= heard
        variables |= {node.name: node for node in meets}
        tables |= {v.name: Table((v.name,), np.full(v.size, 1 / v.size)) for v in meets}
    network = replace(network, variables=variables, tables=tables)
    if not job.live_actions:
        return replace(network, findings={**network.findings, **told})
    after = _outcomes(machine, job, network)
    network = course.network(network, after, told, asked, cells)
    return intermittent.at_epochs(network, machine, course.names) if spells else network


def _heard(
    machine: Machine, item: Taken, course: Course
) -> tuple[dict[str, Table], tuple[Variable, ...]]:
    """The findings of a reading where faults come and go, under the names of its epoch, and
    their own variable: whether it met the fault that does, if any can reach it."""
    assert item.table is not None
    reading, epoch = item.reading, course.names[item.epoch]
    as_it_acts = {
        item.names.get(c, c): epoch.get(node, node)
        for c, node in intermittent.acting_nodes(machine).items()
    }
    now = intermittent.nodes(machine, course.names)[item.epoch]
    names = {**item.names, "hookup": item.hookup, intermittent.NAME: now}
    plain = renamed(item.table, as_it_acts)
    met = intermittent.met_by(machine, reading.test, reading.values, item.technique)
    if met is None:
        return {reading.id: plain}, ()
    node, alike = intermittent.meeting(reading.id), met.there.p
    away = np.broadcast_to(met.away.reshape(-1, *[1] * (alike.ndim - 1)), alike.shape)
    either = Table((node.name, *met.there.scope), node.size * np.stack([away, alike]))
    both = Table((node.name, *plain.scope), np.stack([plain.p, np.ones_like(plain.p)]))
    return {reading.id: both, node.name: renamed(either, names)}, (node,)


@dataclass(frozen=True)
class Approximate:
    """What exact odds on all nodes were replaced by, and why, in a sentence."""

    what: Literal[
        "likeliest states",
        "fewer nodes",
        "likeliest states, fewer nodes",
        "epochs apart",
        "steady faults",
    ]
    why: str


@dataclass(frozen=True, eq=False)
class Assessment:
    """What the readings of a job mean together.

    ``few`` is the same on the nodes for choosing, where it was worked out already;
    ``fewer_nodes`` says that it took the place of odds on all nodes, which took too much.
    ``cells`` are those of the ranks that tie epochs. With ``spells`` the posterior has faults that
    come and go in it, where the model has some; ``all_steady`` says that they took too much.
    ``listed`` are the whole states to be looked at, where these are not to be the likeliest.
    """

    machine: Machine
    job: Job
    taken: tuple[Taken, ...]
    network: Network
    posterior: Belief
    few: Assessment | None = None
    fewer_nodes: bool = False
    cells: int = RANKS[0]
    spells: bool = True
    all_steady: bool = False
    listed: tuple[State, ...] = ()

    @cached_property
    def steady(self) -> Assessment:
        """The assessment given that no fault comes and goes, which ``network`` is about."""
        if not self.spells:
            return self
        known = self.posterior.parts[0] if isinstance(self.posterior, Mixed) else self.posterior
        return replace(self, posterior=known, spells=False)

    @property
    def approximate(self) -> Approximate | None:
        """What the odds stand on when exact ones would take too much; None when they are exact."""
        n = len(self.network.states)
        if n and not self.fewer_nodes:
            words = _(
                "Approximate: these readings tie too much together for exact odds; they stand on "
                "the {n} likeliest combinations of faults and may be a hundredth off."
            )
            return Approximate("likeliest states", words.format(n=n))
        if n:
            words = _(
                "Approximate: these readings tie too much together for exact odds; they stand on "
                "the {n} likeliest combinations of faults and on a coarser model of the machine, "
                "and may be a tenth off or more."
            )
            return Approximate("likeliest states, fewer nodes", words.format(n=n))
        if self.network.later and self.cells <= 0:
            words = _(
                "Approximate: these readings tie too much together; what was read before a repair "
                "counts here for what is at fault, not for the constants of parts that stayed."
            )
            return Approximate("epochs apart", words)
        if self.fewer_nodes:
            words = _(
                "Approximate: these readings tie too much together for exact odds; they stand on "
                "a coarser model of the machine and may be a tenth off or more."
            )
            return Approximate("fewer nodes", words)
        if self.all_steady:
            words = _(
                "Approximate: these readings tie too much together; faults that come and go are "
                "left out."
            )
            return Approximate("steady faults", words)
        return None

    def narrowed(self) -> Assessment:
        """The assessment over the likeliest whole states alone, for what would take too much."""
        if self.network.states:
            return self
        coarse = self.coarse
        if not coarse.network.states:
            wanted = _wanted(coarse.machine, coarse.taken, coarse.network)
            network, found = kept_to(coarse.network, tuple(likeliest(coarse.network)), wanted)
            coarse = replace(coarse, network=network, posterior=found)
        return replace(coarse, fewer_nodes=self.fewer_nodes or coarse.machine is not self.machine)

    def marginals(self, names: Iterable[str]) -> dict[str, Array]:
        """Posteriors of variables, (n_states,) each; the prior where no reading touches one."""
        every = list(names)
        here = [v for v in every if self.posterior.has(v)]
        found = dict(zip(here, self.posterior.joints([v] for v in here), strict=True))
        return {v: found[v] if v in found else self.network.tables[v].p for v in every}

    def marginal(self, name: str) -> Array:
        """As :meth:`marginals`, of one."""
        return self.marginals([name])[name]

    @cached_property
    def chances(self) -> Mapping[str, float]:
        """Posterior probability of each fault by its name, and of none ('none.elec')."""
        found = {f"{c}.{m}": p for (c, m), p in self.p_mode.items()}
        return {**found, "none.elec": self.faults_at_once["0"]}

    @cached_property
    def chances_was(self) -> Mapping[str, float]:
        """The same of what was wrong when the machine came; none is then out of the question once
        something was mended."""
        found = {f"{c}.{m}": p for (c, m), p in self.p_was.items()}
        return {**found, "none.elec": 0.0 if self.network.later else self.faults_at_once["0"]}

    def shown(self) -> dict[str, Any]:
        """The odds as a job keeps them: what was wrong, by fault, and after a repair whether it is
        cured and comes back; with the files that they come from."""
        p = {fault: round(chance, 6) for fault, chance in self.chances_was.items()}
        out: dict[str, Any] = {"p": p, "files": self.machine.sources}
        if self.network.later:
            out |= {"cured": round(self.p_cured, 6), "comes_back": round(self.p_comes_back, 6)}
        return out

    @cached_property
    def p_mode(self) -> Mapping[tuple[str, str], float]:
        """Posterior probability that each (component, mode) is there now."""
        return self._modes(self.network.components)

    @cached_property
    def p_was(self) -> Mapping[tuple[str, str], float]:
        """Posterior probability that each (component, mode) was there when the machine came."""
        return self._modes(self.network.roots)

    def _modes(self, nodes: Sequence[str]) -> Mapping[tuple[str, str], float]:
        out = {}
        found = self.posterior.joints([node] for node in nodes)
        for (component, modes), p in zip(self.machine.modes.items(), found, strict=True):
            out.update({(component, m): float(p[i + 1]) for i, m in enumerate(modes)})
        return out

    @cached_property
    def p_fault(self) -> Mapping[str, float]:
        """Posterior probability that a component is at fault now."""
        names = list(self.machine.model.components)
        found = self.posterior.joints([c] for c in names)
        return {c: float(1 - p[0]) for c, p in zip(names, found, strict=True)}

    @property
    def p_cured(self) -> float:
        """Posterior probability that no fault is left (faults not looked at count as left)."""
        return self.faults_at_once["0"]

    @property
    def p_comes_back(self) -> float:
        """Chance that the machine, handed out now, is back within a week: a fault is left, or
        what was mended does not last."""
        lasts = 1 - self.machine.bench.work.returns if self.job.live_actions else 1.0
        return 1 - self.p_cured * lasts

    def is_stale(self, taken: Taken) -> bool:
        """Whether what a reading spoke of has been worked on since."""
        former = {node for v, node in taken.names.items() if v in self.machine.scopes}
        return taken.table is not None and not former.isdisjoint(taken.table.scope)

    @property
    def coarse(self) -> Assessment:
        """The assessment on the nodes on which tests are chosen."""
        return self._coarse or self  # itself it does not hold, else it would outlive its use

    @cached_property
    def _coarse(self) -> Assessment | None:
        choosing = self.machine.choosing
        few = self.few or (None if choosing is None else assess(choosing, self.job))
        return few and (unsteady(few) if self.spells else few.steady)

    @cached_property
    def folded(self) -> FoldedNetwork:
        """Whole machine states: no fault, all single faults, the likeliest pairs."""
        if self.coarse is not self:
            return self.coarse.folded
        n_pairs = N_PAIRS * (1 + len(self.job.live_actions))
        for network in self._to_fold():
            with suppress(TooLargeError):
                most = MOST_FOLDED if network.later else math.inf
                return FoldedNetwork(network, self._histories(network, n_pairs), most)
        return FoldedNetwork(self.network, self._histories(self.network, 0))

    def _histories(self, network: Network, n_pairs: int) -> tuple[State, ...]:
        """Whole states, or histories, that are looked at: the likeliest, and those of their faults
        that may come and go."""
        n_faults = sum(map(len, self.machine.modes.values()))
        few = self.listed or self.network.states[: 1 + n_faults + n_pairs]
        listed = few or likely_histories(network, self.posterior, n_pairs)
        if not network.intermittent:
            return listed
        return (*listed, *intermittent.histories(network, self.machine, listed))

    def _to_fold(self) -> Iterator[Network]:
        """The network in which any quantity may be asked for; after a repair simpler ones too.

        There the constants of parts are carried over from what was read before the repair, then
        only to what was read after it, then not at all.
        """
        if self.network.later:
            asked, cells = tuple(self.machine.model.quantities), min(self.cells, RANKS[1])
            yield self._whole(asked, cells)
        yield self._whole((), self.cells)
        if self.network.later:
            yield self._whole((), APART)

    def _whole(self, asked: Sequence[str], cells: int) -> Network:
        """The network of the job, faults that come and go in it where they are told of."""
        apart, spells = cells == APART, self.spells and bool(intermittent.spells(self.machine))
        same = apart == (
            self.cells == APART
        )  # what was heard may be known otherwise than as written
        taken = self.taken if same else understand(self.machine, self.job, apart=apart)
        return network_of(self.machine, self.job, taken, asked=asked, cells=cells, spells=spells)

    def predictive(self, test: str, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        """Outcomes of a fresh reading and their chances, for the folded states."""
        return self.coarse.machine.predictive(test, technique)

    def foreseen(self, test: str, technique: Technique, gear: Table | None = None) -> Array:
        """P(outcome of a fresh reading | folded state), shape (n_states, n_outcomes).

        With a table of some gear, (its states, n), the outcomes stand for each of n groups of
        these apart, one group after the other: P(group, outcome | state).
        """
        machine, folded = self.coarse.machine, self.folded
        network = folded.network

        def split(table: Table) -> Table:
            return table if gear is None else _grouped(table, gear)

        _outcomes, table = machine.predictive(test, technique)
        rows = split(table)
        met = intermittent.foreseen(machine, test, technique, split)
        if met is None or not network.intermittent:
            return folded.outcomes(rows)
        met = replace(met, there=intermittent.without_gear(network, met.there))
        now = self._there_now
        return folded.outcomes(rows, lambda away: intermittent.mix(now, away, met))

    @cached_property
    def _there_now(self) -> tuple[Index, Index]:
        """Folded histories in which a fault comes and goes and is there today, with which."""
        folded = self.folded
        return intermittent.there_now(self.coarse.machine, folded.network, folded.histories)

    @property
    def p_unsteady(self) -> float:
        """Posterior probability that some fault of the machine as it came comes and goes."""
        return float(self.posterior.shares[1]) if isinstance(self.posterior, Mixed) else 0.0

    @cached_property
    def p_spells(self) -> Array:
        """Posterior probability of each way of coming and going that is there now, (n_spells,)."""
        found = intermittent.spells(self.machine)
        if not isinstance(self.posterior, Mixed):
            return np.zeros(len(found))
        course = course_of(self.machine, self.job, spells=True)
        now = intermittent.nodes(self.machine, course.names)[-1]
        return np.asarray(self.p_unsteady * self.posterior.parts[1].joint([now])[1:])

    @cached_property
    def p_comes_and_goes(self) -> Mapping[tuple[str, str], float]:
        """Posterior probability that each (component, mode) is there now, coming and going."""
        out: dict[tuple[str, str], float] = {}
        for s, p in zip(intermittent.spells(self.machine), self.p_spells.tolist(), strict=True):
            out[s.component, s.mode] = out.get((s.component, s.mode), 0.0) + p
        return out

    @cached_property
    def state_p(self) -> Array:
        """Posterior of the folded states; what is missing to 1 is other combinations.

        Where these stand on fewer nodes, or on a simpler network, each is weighted so that its
        faults, taken one by one, are as likely as in the posterior itself; what all of them leave
        out stays.
        """
        if self.coarse is not self:
            p = self.coarse.state_p
            odds = {
                fault: (q / (1 - q)) / (r / (1 - r)) if 0 < q < 1 and 0 < r < 1 else 1.0
                for fault, r in self.coarse.p_mode.items()
                for q in (self.p_mode[fault],)
            }
            ratio = np.array([np.prod([odds[f] for f in state]) for state in self.folded.states])
            return np.asarray(p * ratio * (p.sum() / (p * ratio).sum()))
        logs = self.folded.log_weights
        if not self.network.later or self.folded.network is self.network:
            return np.exp(logs - self.posterior.log_evidence)
        evidence = float(np.logaddexp.reduce(logs))  # what is left out counts as nothing
        if not self.folded.network.intermittent:
            with suppress(TooLargeError):  # but where that of the simpler network can be had
                evidence = posterior(self.folded.network, self.network.roots).log_evidence
        return self.folded.fitted(np.exp(logs - evidence), self.p_mode)

    @cached_property
    def faults_at_once(self) -> Mapping[str, float]:
        """Posterior of no fault, exactly one, and two or more."""
        count = np.array([len(s) for s in self.folded.states])
        p0 = float(self.state_p[count == 0].sum())
        p1 = float(self.state_p[count == 1].sum())
        return {"0": p0, "1": p1, "2+": max(0.0, 1.0 - p0 - p1)}

    def states(self) -> list[tuple[State, float]]:
        """Whole states with their posterior, likeliest first."""
        order = np.argsort(-self.state_p, kind="stable")
        return [(self.folded.states[i], float(self.state_p[i])) for i in order]

    @cached_property
    def gear(self) -> list[tuple[str, str, float]]:
        """(item, state, probability) of everything that is not the machine, worst first."""
        out = []
        every = (*gear_names(self.taken), *dict.fromkeys(t.hookup for t in self.taken))
        names = [name for name in every if self.posterior.has(name)]
        for name, p in zip(names, self.posterior.joints([n] for n in names), strict=True):
            variable = self.network.variables[name]
            good = float(sum(x for x, s in zip(p, variable.states, strict=True) if s[:2] == "ok"))
            worst = "not sound" if name.startswith("hookup") else variable.states[-1].split()[0]
            out += [(name, worst, 1 - good), (name, "ok", good)]
        return sorted(out, key=lambda row: -row[2])

    @cached_property
    def slips(self) -> Mapping[str, float]:
        """For each reading, the probability that it is a slip (wrong terminal, typing).

        One less the posterior mean of the share of its likelihood that needs no slip, over
        what the reading depends on. Where a fault comes and goes, which explains what does not
        fit, a slip is as likely as in any reading.
        """
        out = {}
        usual, unsteady = self.machine.bench.slip.chance, self.p_unsteady
        heard = [(t, t.table) for t in self.taken if t.table is not None]
        joints = self.steady.posterior.joints(table.scope for _taken, table in heard)
        for (item, table), p in zip(heard, joints, strict=True):
            reading = item.reading
            clean = self.machine.finding(
                reading.test, reading.values, item.technique, item.hookup, slips=False
            )
            assert clean is not None
            clean = renamed(clean, item.names)
            kind = self.machine.model.tests[reading.test].kind
            told = sum(v.kind not in SILENT for v in item.values)
            honest = (1 - self.machine.bench.slip.chance) ** (told if kind in SINGLY else 1)
            # Where all of a likelihood is the slip's floor, differences below it are lost.
            lost = tuple(i for i, v in enumerate(clean.scope) if v not in table.scope)
            kept = tuple(v for v in clean.scope if v in table.scope)
            clean = Table(kept, np.asarray(clean.p.mean(axis=lost)))
            shape = [
                n if v in clean.scope else 1 for v, n in zip(table.scope, p.shape, strict=True)
            ]
            order = [clean.scope.index(v) for v in table.scope if v in clean.scope]
            share = clean.p.transpose(order).reshape(shape) / table.p
            slip = float(np.clip(1 - honest * (p * share).sum(), 0.0, 1.0))
            out[reading.id] = (1 - unsteady) * slip + unsteady * usual
        return out


def assess(machine: Machine, job: Job, extra: Sequence[Reading] = ()) -> Assessment:
    """Posterior of a job, with ``extra`` readings as if they had been taken.

    Raises
    ------
    EvidenceError
        The readings are impossible together under every state (naming those that clash).
    TooLargeError
        Even a whole state alone ties too much together; no shipped system does.
    """
    if extra:
        job = replace(job, readings=(*job.readings, *extra))
    taken: tuple[Taken, ...] = ()
    try:
        for cells in _cells_to_try(machine, job):
            taken = understand(machine, job, apart=cells == APART)
            network = network_of(machine, job, taken, cells=cells)
            with suppress(TooLargeError):
                found = posterior(network, _wanted(machine, taken, network))
                return unsteady(Assessment(machine, job, taken, network, found, cells=cells))
        return unsteady(settled(machine, job, taken, network, cells))
    except EvidenceError:
        names = ", ".join(f"{t.reading.id} ({t.reading.test})" for t in taken)
        raise EvidenceError(
            _(
                "no state of the machine explains these readings together: {names}; strike "
                "the one that was mistyped or taken at the wrong terminal"
            ).format(names=names)
        ) from None


def unsteady(steady: Assessment) -> Assessment:
    """The assessment with faults that come and go beside those that are steady.

    Where exact odds of these would take long they are whole states, each fault alone and with the
    likeliest others.
    """
    machine = steady.machine
    known = isinstance(steady.posterior, Mixed) or steady.all_steady
    if known or not intermittent.spells(machine):
        return steady
    network = steady._whole((), steady.cells)
    every = steady._histories(network, N_UNSTEADY)
    told = tuple(h for h in every if h and h[-1][0] == intermittent.NAME)
    network = intermittent.only_unsteady(replace(network, states=told))
    nodes = [v for v in network.variables if v.startswith(intermittent.NAME)]
    wanted = [*_wanted(machine, steady.taken, network), *nodes]
    try:
        part = posterior(network, wanted, CHEAP_UNSTEADY)
    except EvidenceError:  # impossible: no fault of these comes and goes
        return steady
    except TooLargeError:
        return replace(steady, spells=False, all_steady=True)
    return replace(steady, posterior=Mixed((steady.posterior, part)))


def _grouped(table: Table, gear: Table) -> Table:
    """A table of outcomes with one set of them for each group of some gear's states."""
    axis = table.scope.index(gear.scope[0])
    shape = [1] * (table.p.ndim + 1)
    shape[axis], shape[-2] = gear.p.shape
    both = table.p[..., None, :] * gear.p.reshape(shape)
    return Table(table.scope, both.reshape(*table.p.shape[:-1], -1))


def _cells_to_try(machine: Machine, job: Job) -> Sequence[int]:
    """How finely epochs are tied together, from the finest on."""
    if not job.live_actions:
        return RANKS[:1]
    return RANKS if machine.choosing is None else RANKS[:2]


def settled(
    machine: Machine,
    job: Job,
    taken: tuple[Taken, ...],
    network: Network,
    cells: int = RANKS[0],
) -> Assessment:
    """The assessment of a network that holds the readings as findings, whatever it takes.

    Where exact odds take too much they are those of the likeliest whole states, found on the
    nodes for choosing; and where all nodes take too much even so, those of these nodes.
    """
    wanted = _wanted(machine, taken, network)
    try:
        found = posterior(network, wanted)
        return Assessment(machine, job, taken, network, found, cells=cells)
    except TooLargeError:
        if machine.choosing is None:
            kept, listed = kept_to(network, tuple(likeliest(network)), wanted, math.inf)
            return Assessment(machine, job, taken, kept, listed, cells=cells)
    if job.live_actions:
        return replace(assess(machine.choosing, job), fewer_nodes=True)
    heard = understand(machine.choosing, job)
    rough = network_of(machine.choosing, job, heard)
    p = likeliest(rough)
    few = Assessment(machine.choosing, job, heard, *kept_to(rough, tuple(p), wanted, math.inf))
    try:
        likely = [s for s, q in p.items() if len(s) < 2 or q > LEAST_P]
        kept, listed = kept_to(network, likely, wanted)
        return Assessment(machine, job, taken, kept, listed, few)
    except TooLargeError:
        return replace(few, fewer_nodes=True)


def _wanted(machine: Machine, taken: Sequence[Taken], network: Network) -> list[str]:
    """Variables whose posterior will be asked for."""
    hookups = {t.hookup for t in taken if t.hookup in network.variables}
    return [*network.in_modes, *gear_names(taken), *sorted(hookups)]


__all__ = [
    "Approximate",
    "Assessment",
    "Machine",
    "Taken",
    "assess",
    "merge",
    "settled",
    "understand",
]
