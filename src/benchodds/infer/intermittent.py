"""Faults that come and go: there in some tries, away in others.

One node says which fault of the machine comes and goes, if any, and in what share of tries it is
there; at most one does. Where it does, the network is that of the machine with the fault away,
and every reading that the fault reaches has a mixed likelihood, ``(1 - s) L(away) + s L(there)``
with the same share ``s`` in all of them. The share is one unknown of the job, a few points of its
law: good tries lower a fault by ``E[(1 - s)^n]``, as under any mixing law of independent tries
(a beta law gives the beta-binomial; N. L. Johnson, A. W. Kemp and S. Kotz, "Univariate Discrete
Distributions", 2005, chapter 6). What shows while the fault is there is that of a machine with
this fault alone, its constants drawn anew each time: a contact is as bad as it is just then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.quantities import SILENT, Value
from benchodds.basics.tables import Array, Network, State, Table, Variable
from benchodds.infer.compiled import Machine
from benchodds.infer.support import Index
from benchodds.measure.instrument import OUTCOME, Instrument
from benchodds.measure.looks import SparkInstrument
from benchodds.measure.meter import MeterInstrument
from benchodds.model.system import Intermittent, SystemModel
from benchodds.model.technique import Technique

NAME = "comes and goes"
STEADY = "steady"

POINTS = 3
"""Points of the law of the share of tries in which a fault is there."""


MOST_TRIES = 1000
"""Tries that are counted at most."""


@dataclass(frozen=True, eq=False)
class Spell:
    """A fault that is there in a share ``there`` of the tries; ``weight`` is that point's.

    ``at`` is the place of its mode among the states of its component.
    """

    component: str
    mode: str
    at: int
    there: float
    weight: float
    spec: Intermittent

    @property
    def label(self) -> str:
        """Its state of the node."""
        return f"{self.component}.{self.mode} {self.there:.3g}"

    def shows(self, provokes: Iterable[str]) -> float:
        """Chance that it shows in one try of a test that does these things."""
        away = 1 - self.there
        for way in provokes:
            away *= 1 - self.spec.provoked.get(way, 0.0)
        return 1 - away


def points_of(model: SystemModel, n: int = POINTS) -> dict[str, list[list[float]]]:
    """Points and weights of every law of the share of tries in which a fault is there."""
    laws = {spec.there for spec in model.intermittent.values()}
    return {law: [x.tolist() for x in parse_distribution(law, "").points(n)] for law in laws}


def spells_of(
    model: SystemModel, points: Mapping[str, Sequence[Sequence[float]]]
) -> tuple[Spell, ...]:
    """Every way in which a fault of a model may come and go, by the points of its law."""
    said: dict[tuple[str, str], Intermittent] = {}
    for text, spec in sorted(model.intermittent.items(), key=lambda item: "*" not in item[0]):
        named = model.faults_named([text])
        said |= {fault: spec for fault in model.faults() if fault in named}
    return tuple(
        Spell(component, mode, _place(model, component, mode), s, w, spec)
        for (component, mode), spec in said.items()
        for s, w in zip(*points[spec.there], strict=True)
    )


def _place(model: SystemModel, component: str, mode: str) -> int:
    return 1 + list(model.components[component].modes).index(mode)


def acting(component: str) -> str:
    """The node of a component as it acts while what comes and goes is away."""
    return f"{component} acting"


def spells(machine: Machine) -> tuple[Spell, ...]:
    """Those of a machine, worked out once."""
    model = machine.model

    def make() -> tuple[Spell, ...]:
        laws = sorted({spec.there for spec in model.intermittent.values()})
        return spells_of(model, machine.noted(f"points {laws}", lambda: points_of(model)))

    return machine.once("spells", make)


def all_steady(machine: Machine) -> Machine:
    """The machine as one on which no fault comes and goes."""
    model = machine.model.model_copy(update={"intermittent": {}})
    choosing = machine.choosing and all_steady(machine.choosing)
    return replace(machine, model=model, choosing=choosing, _once={})


# ---- the network ---------------------------------------------------------------------------------


def steady(network: Network, machine: Machine, said: Sequence[str]) -> Network:
    """The network of the machine where no fault comes and goes."""
    findings = {
        f"{NAME} {c}": Table((c,), 1 - p) for c, p in _shares(network, machine, said).items()
    }
    return replace(network, findings={**network.findings, **findings})


def with_node(network: Network, machine: Machine, said: Sequence[str]) -> Network:
    """The network with the node of what comes and goes; quantities see components as they act."""
    found = spells(machine)
    node = Variable(NAME, (STEADY, *(s.label for s in found)))
    variables = {c: network.variables[c] for c in network.roots} | {NAME: node}
    tables = {c: network.tables[c] for c in network.roots}
    tables[NAME] = Table((NAME,), np.full(node.size, 1 / node.size))
    findings = dict(network.findings)
    shares = _shares(network, machine, said)
    for i, (c, share) in enumerate(shares.items()):
        link = np.tile(1 - share, (node.size, 1))
        for k, s in enumerate(found, start=1):
            if s.component == c:
                link[k] = 0.0
                link[k, s.at] = share[s.at] * s.weight
        findings[f"{NAME} {c}"] = Table((NAME, c), link if i else link * node.size)
        variables[acting(c)] = replace(network.variables[c], name=acting(c))
        tables[acting(c)] = Table((acting(c), c, NAME), _acting(network.variables[c], c, found))
    for v, variable in network.variables.items():
        if v in variables:
            continue
        scope = network.tables[v].scope
        seen = tuple(acting(u) if u in shares and v in machine.scopes else u for u in scope)
        variables[v], tables[v] = variable, Table(seen, network.tables[v].p)
    return replace(
        network, variables=variables, tables=tables, findings=findings, intermittent=NAME
    )


def only_unsteady(network: Network) -> Network:
    """The network of a machine on which some fault comes and goes."""
    some = (np.arange(network.variables[NAME].size) > 0).astype(float)
    return replace(network, findings={**network.findings, f"{NAME} some": Table((NAME,), some)})


def _shares(network: Network, machine: Machine, said: Sequence[str]) -> dict[str, Array]:
    """For each component that may, the chance that its fault comes and goes, by its state."""
    out: dict[str, Array] = {}
    for s in spells(machine):
        p = out.setdefault(s.component, np.zeros(network.variables[s.component].size))
        p[s.at] = s.spec.share_of(said)
    return out


def _acting(variable: Variable, component: str, found: Sequence[Spell]) -> Array:
    """P(acts as | is, what comes and goes): good where it is just that."""
    p = np.repeat(np.eye(variable.size)[:, :, None], 1 + len(found), axis=2)
    for k, s in enumerate(found, start=1):
        if s.component == component:
            p[:, s.at, k] = np.eye(variable.size)[0]
    return p


def scopes(machine: Machine) -> dict[str, tuple[str, ...]]:
    """As those of the machine, with the node and components as they act."""
    may = dict.fromkeys(s.component for s in spells(machine))
    parts = machine.model.components
    out: dict[str, tuple[str, ...]] = dict.fromkeys((*parts, NAME), ())
    out |= {acting(c): (c, NAME) for c in may}
    for v, above in machine.scopes.items():
        if v not in parts:
            out[v] = tuple(acting(u) if u in may else u for u in above)
    return out


def acting_nodes(machine: Machine) -> dict[str, str]:
    """The node of each component that may be at fault now and then, as it acts."""
    return {s.component: acting(s.component) for s in spells(machine)}


def nodes(machine: Machine, names: Sequence[Mapping[str, str]]) -> list[str]:
    """For each epoch, the node of what comes and goes still; ``names`` are its variables'."""
    return _steps(machine, names)[0]


def _steps(
    machine: Machine, names: Sequence[Mapping[str, str]]
) -> tuple[list[str], dict[str, tuple[str, str, str]]]:
    """The node of every epoch, and all nodes on the way there: the one before, a component that
    was worked on, and its node.

    One component after the other, in the order in which they were first worked on.
    """
    came = {s.component: names[0].get(s.component, s.component) for s in spells(machine)}
    order = dict.fromkeys(c for e in names for c in came if e.get(c, c) != came[c])
    made: dict[tuple[tuple[str, str], ...], str] = {(): NAME}
    steps: dict[str, tuple[str, str, str]] = {}
    last = []
    for e, epoch in enumerate(names):
        key: tuple[tuple[str, str], ...] = ()
        for c in order:
            if (node := epoch.get(c, c)) != came[c]:
                before, key = made[key], (*key, (c, node))
                if key not in made:
                    made[key] = f"{NAME}@{e} {c}"
                    steps[made[key]] = (before, c, node)
        last.append(made[key])
    return last, steps


def at_epochs(network: Network, machine: Machine, names: Sequence[Mapping[str, str]]) -> Network:
    """The network with a node for each epoch: is what comes and goes still there then?"""
    variables, tables = dict(network.variables), dict(network.tables)
    for name, (before, component, node) in _steps(machine, names)[1].items():
        still = _still(spells(machine), component, variables[node].size)
        variables[name] = replace(variables[NAME], name=name)
        tables[name] = Table((name, before, node), still)
    return replace(network, variables=variables, tables=tables)


def _still(found: Sequence[Spell], component: str, n_modes: int) -> Array:
    """P(what comes and goes now | what did before, a component that was worked on)."""
    n = 1 + len(found)
    p = np.repeat(np.eye(n)[:, :, None], n_modes, axis=2)
    for k, s in enumerate(found, start=1):
        if s.component == component:
            gone = np.arange(n_modes) != s.at
            p[k, k, gone], p[0, k, gone] = 0.0, 1.0
    return p


def histories(network: Network, machine: Machine, known: Iterable[State]) -> Iterator[State]:
    """Histories in which a fault that the machine came with comes and goes, from others."""
    roots = dict(zip(network.roots, machine.model.components, strict=True))
    labels: dict[tuple[str, str], list[str]] = {}
    for s in spells(machine):
        labels.setdefault((s.component, s.mode), []).append(s.label)
    for history in known:
        for node, mode in history:
            for label in labels.get((roots.get(node, ""), mode), ()):
                yield (*history, (NAME, label))


# ---- readings ------------------------------------------------------------------------------------
#
# What a reading shows is ``away(k) f(machine) + there(k, gear)``, with k the state of the node:
# the plain likelihood for when the fault is away, and all else with the machine summed out.


@dataclass(frozen=True, eq=False)
class Met:
    """How readings of a test meet what comes and goes: ``away`` (n_states of the node,), and
    ``there`` on the node and what is no part of the machine."""

    away: Array
    there: Table


def meeting(reading: str) -> Variable:
    """The variable that says whether a reading met the fault with the fault away, or there."""
    return Variable(f"{reading} meets", ("away", "there"))


def met_by(
    machine: Machine, test: str, values: tuple[str, ...], technique: Technique
) -> Met | None:
    """How what was written meets what comes and goes; None where no such fault reaches it."""
    technique = replace(technique, card=None)
    plain = machine.finding(test, values, technique, "hookup")
    if plain is None or not _touching(machine, plain):
        return None
    tool = machine.instrument(test)
    told = [v for v in tool.parse(values) if v.kind not in SILENT]
    reading = _Reading(machine, tool, technique, plain, told)

    met, n = _touching(machine, plain), len(spells(machine))

    def work_out() -> Table:
        return _stacked(n, {k: reading.there(s) for k, s in met.items()})

    sizes = {NAME: 1 + n}
    there = machine.kept("spells", test, values, technique, "hookup", POINTS, work_out, sizes)
    assert there is not None
    away = np.ones(1 + n)
    for k, s in met.items():
        away[k] = reading.away(s)
    return Met(away, there)


def _touching(machine: Machine, table: Table) -> dict[int, Spell]:
    """Faults that come and go and reach what a table depends on, by the node's state."""
    above = machine.above(table.scope)
    return {k: s for k, s in enumerate(spells(machine), start=1) if s.component in above}


def _stacked(n: int, tables: Mapping[int, Table]) -> Table:
    """Tables by the node's state on its axis; zero where there is none."""
    scope = tuple(dict.fromkeys(v for t in tables.values() for v in t.scope))
    every = {k: _aligned(t, scope) for k, t in tables.items()}
    shape = np.broadcast_shapes(*(p.shape for p in every.values()))
    p = np.zeros((1 + n, *shape))
    for k, here in every.items():
        p[k] = here
    return Table((NAME, *scope), p)


def _aligned(table: Table, scope: Sequence[str]) -> Array:
    """A table's entries with the axes of a wider scope, of length one where it has none."""
    p = table.p.transpose([table.scope.index(v) for v in scope if v in table.scope])
    sizes = iter(p.shape)
    return p.reshape([next(sizes) if v in table.scope else 1 for v in scope])


def _times(a: Table, b: Table) -> Table:
    scope = tuple(dict.fromkeys((*a.scope, *b.scope)))
    return Table(scope, _aligned(a, scope) * _aligned(b, scope))


def _sum(parts: Iterable[tuple[float, Table]]) -> Table:
    """Sum of tables of any scopes with weights."""
    told = [(w, t) for w, t in parts if w > 0]
    scope = tuple(dict.fromkeys(v for _w, t in told for v in t.scope))
    p: Array = np.zeros(())
    for w, t in told:
        p = p + w * _aligned(t, scope)
    return Table(scope, p)


def _of_gear(machine: Machine, table: Table, spell: Spell | None) -> Table:
    """A table with the machine summed out: one with this fault alone, or a sound one."""
    model = machine.model
    fault = (spell.component, spell.mode) if spell else ("", "")
    quantities = tuple(v for v in table.scope if v in model.quantities)
    states = dict.fromkeys(model.components, 0) | ({spell.component: spell.at} if spell else {})
    index = tuple(states.get(v, slice(None)) for v in table.scope)
    scope = tuple(v for v in table.scope if v not in model.components)
    law = Table(quantities, machine.given(quantities, *fault))
    p = table.p[index] * _aligned(law, scope)
    axes = tuple(i for i, v in enumerate(scope) if v in quantities)
    return Table(tuple(v for v in scope if v not in quantities), np.asarray(p.sum(axis=axes)))


def _shown(machine: Machine, tool: Instrument, table: Table, spell: Spell) -> Table:
    """What shows while the fault is there; of a look that provokes it that is no pass.

    ``table`` has the outcome as its last axis.
    """
    there, test = _of_gear(machine, table, spell), tool.test
    failing = np.array([o not in test.passes for o in test.outcomes], dtype=float)
    if test.kind != "look" or not test.passes or not spell.shows(test.provokes) > spell.there:
        return there
    bad = there.p * failing
    return Table(there.scope, bad / bad.sum(axis=-1, keepdims=True))


@dataclass(frozen=True, eq=False)
class _Reading:
    """What was written, where a fault comes and goes.

    For the whole of a reading the fault stays as it is, there or away, with the chance ``keeps``
    of its kind; else it is there or away anew at every try or value.
    """

    machine: Machine
    tool: Instrument
    technique: Technique
    plain: Table
    values: Sequence[Value]

    def away(self, spell: Spell) -> float:
        """Chance that all of it was read with the fault away."""
        share, keeps = self._share(spell), spell.spec.keeps
        return (1 - share) * (keeps + (1 - keeps) * self._still(share) * self._one)

    def there(self, spell: Spell) -> Table:
        """Likelihood with the fault there, in all of it or in part, the machine summed out."""
        share, keeps = self._share(spell), spell.spec.keeps
        whole = keeps + (1 - keeps) * self._still(share) * self._one
        parts = [(share * whole, self._all_there(spell))]
        if not self._one:
            parts.append((1 - keeps, self._anew(spell, share)))
        return _sum(parts)

    def _share(self, spell: Spell) -> float:
        return spell.shows(self.tool.test.provokes)

    @property
    def _one(self) -> bool:
        """Whether it is one value that is seen once."""
        told = len(self.values) == 1 and self.values[0].kind != "unstable"
        return told and not isinstance(self.tool, SparkInstrument)

    def _still(self, share: float) -> float:
        """Chance that a value which is seen once settles, against that over a sound contact."""
        if not isinstance(self.tool, MeterInstrument):
            return 1.0
        return (1 - self.tool.moves(share)) / (1 - self.tool.moves(0.0))

    def _all_there(self, spell: Spell) -> Table:
        if self.tool.test.kind != "look":
            return _of_gear(self.machine, self.plain, spell)
        _outcomes, every = self.machine.predictive(self.tool.name, self.technique)
        shown = _shown(self.machine, self.tool, every, spell)
        at = [self.tool.test.outcomes.index(v.word or "") for v in self.values]
        return Table(shown.scope[:-1], np.asarray(shown.p[..., at].prod(axis=-1)))

    def _anew(self, spell: Spell, share: float) -> Table:
        """Where every try or value meets the fault or not by itself."""
        if isinstance(self.tool, SparkInstrument):
            return _of_gear(self.machine, self._sparks(spell, share), None)
        out = Table((), np.ones(()))
        for value in self.values:
            out = _times(out, self._single(spell, share, value))
        return out

    def _sparks(self, spell: Spell, share: float) -> Table:
        law = self.machine.given(self.tool.quantities, spell.component, spell.mode)
        assert isinstance(self.tool, SparkInstrument)
        table = self.tool.mixed(share, law).likelihood(self.values, self.technique, "hookup")
        assert table is not None
        return table

    def _single(self, spell: Spell, share: float, value: Value) -> Table:
        """Likelihood of one value, the machine summed out."""
        tool = self.tool
        if value.kind == "unstable" and isinstance(tool, MeterInstrument):
            within = _of_gear(self.machine, tool.within(value, self.technique), None)
            return Table(within.scope, tool.moves(share) * within.p)
        table = self.machine.finding(tool.name, (value.text,), self.technique, "hookup")
        assert table is not None
        sound, alone = (_of_gear(self.machine, table, s) for s in (None, spell))
        return _sum(
            [(self._still(share) * (1 - share), sound), (self._still(share) * share, alone)]
        )


def foreseen(
    machine: Machine,
    test: str,
    technique: Technique,
    split: Callable[[Table], Table] = lambda there: there,
    table: Table | None = None,
) -> Met | None:
    """How a fresh reading meets what comes and goes, with the outcome as the last axis.

    ``split`` says which outcomes are told apart by the gear behind them. A ``table`` may give
    others than those that are foreseen.
    """
    technique, own = replace(technique, card=None), table
    table = machine.predictive(test, technique)[1] if own is None else own
    met, n, tool = _touching(machine, table), len(spells(machine)), machine.instrument(test)
    if not met:
        return None

    def work_out() -> Table:
        return _stacked(n, {k: _fresh(machine, tool, technique, table, s) for k, s in met.items()})

    sizes = {NAME: 1 + n, OUTCOME: table.p.shape[-1]}
    there = (
        machine.kept("foreseen", test, (), technique, "hookup", POINTS, work_out, sizes)
        if own is None
        else work_out()
    )
    assert there is not None
    away = np.ones(1 + n)
    for k, s in met.items():
        kept = s.spec.keeps if isinstance(tool, SparkInstrument) else 1.0
        away[k] = kept * (1 - s.shows(tool.test.provokes))
    return Met(away, split(there))


def _fresh(
    machine: Machine, tool: Instrument, technique: Technique, table: Table, spell: Spell
) -> Table:
    """Outcomes with the fault there, in all tries or in some, the machine summed out."""
    share, keeps = spell.shows(tool.test.provokes), spell.spec.keeps
    there = _shown(machine, tool, table, spell)
    if not isinstance(tool, SparkInstrument):
        return _sum([(share, there)])
    law = machine.given(tool.quantities, spell.component, spell.mode)
    anew = tool.mixed(share, law).predictive(technique)[1]
    return _sum([(share * keeps, there), (1 - keeps, _of_gear(machine, anew, None))])


def without_gear(network: Network, table: Table) -> Table:
    """A table with the gear summed out, as it is before any reading; the node and the outcome
    are left."""
    p = np.moveaxis(table.p, 0, -2)
    for v in reversed(table.scope[1:-1]):
        p = np.tensordot(network.tables[v].p, np.moveaxis(p, table.scope.index(v) - 1, 0), 1)
    return Table((table.scope[0], table.scope[-1]), p)


def there_now(
    machine: Machine, network: Network, histories: Sequence[State]
) -> tuple[Index, Index]:
    """Histories in which some fault comes and goes and is there today, by number, and the state
    of the node in each."""
    found = {s.label: (k, s) for k, s in enumerate(spells(machine), start=1)}
    now = []
    for i, history in enumerate(histories):
        for node, label in history:
            if node == network.intermittent:
                k, spell = found[label]
                if (spell.component, spell.mode) in history:
                    now.append((i, k))
    at, state = np.array(now, dtype=np.intp).reshape(-1, 2).T
    return at, state


def mix(now: tuple[Index, Index], rows: Array, met: Met) -> Array:
    """Chances of outcomes by history, (n_histories, n_outcomes), with what comes and goes."""
    (at, k), out = now, rows.copy()
    out[at] = met.away[k, None] * rows[at] + met.there.p[k]
    return out


def good_tries(found: Sequence[Spell], p: Array, least: float) -> int:
    """Good tries in a row after which what comes and goes, posterior ``p`` (n_spells,), is less
    likely than ``least``, where nothing but it may fail them."""
    there = np.array([s.there for s in found])
    for n in range(MOST_TRIES):
        left = float(p @ (1 - there) ** n)
        if left < least * (left + 1 - p.sum()):
            return n
    return MOST_TRIES


def brings_out(machine: Machine, test: str, faults: Sequence[tuple[str, str]]) -> bool:
    """Whether a test provokes one of some faults, and shows it."""
    ways, above = machine.model.tests[test].provokes, machine.above(machine.reads(test))
    return any(
        (s.component, s.mode) in faults and s.component in above and s.shows(ways) > s.there
        for s in spells(machine)
    )
