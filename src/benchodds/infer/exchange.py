"""Ordinary Bayesian networks: what other programs can read of ours, and we of theirs.

A :class:`~benchodds.basics.tables.Network` says two things that a plain Bayesian network cannot:
findings (positive factors) and special states (whole states of the components with another
prior weight). :func:`explicit` turns both into observed nodes, so that any program for
Bayesian networks gets the same posteriors. pgmpy is imported only when it is asked for.

Files are XMLBIF 0.3 (F. Cozman, "The Interchange Format for Bayesian Networks"). The older
text form, BIF, is no choice for exact work: pyAgrum 3.3.1 reads its numbers in single precision,
which put table entries off by 3e-8.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from benchodds.basics.errors import EvidenceError, ModelError, UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, Table, Variable

if TYPE_CHECKING:
    from pgmpy.models import DiscreteBayesianNetwork

SEEN = ("yes", "no")
"""States of the nodes that stand for a finding or the complaint; always observed ``yes``."""

SYMPTOM = "symptom"
"""The node that carries the ratios of the special states; observed ``yes``."""

_NAME, _STATES = "benchodds_name", "benchodds_states"
_EVIDENCE, _COMPONENT = "benchodds_evidence", "benchodds_component"


# ---- findings and special states as nodes --------------------------------------------------


def explicit(network: Network) -> Network:
    """The same posteriors as a Bayesian network that has neither findings nor special states.

    Each finding becomes a node with the states yes and no below the variables of its scope,
    P(yes | scope) = table / largest entry, observed ``yes`` (virtual evidence: Pearl,
    Probabilistic Reasoning in Intelligent Systems, 1988, 2.2.2, here over several variables).

    Special states become a chain along the components that remembers which special states
    the components seen so far still agree with, and a node ``symptom`` below its end,
    P(yes | special state) = ratio / scale and P(yes | any other) = 1 / scale, observed
    ``yes``; the scale is the largest of these weights. When the state without faults is the
    only special one, the chain asks "any fault so far?" and has two states; it has more only
    below a component that some special state wants at fault, so such components come last.

    The evidence of the network is kept. Its log evidence is that of the result plus
    :func:`log_scale`.

    Raises
    ------
    EvidenceError
        When a finding or every ratio is zero throughout, or is not finite.
    ModelError
        When a special state names what is no component, or no mode of it.
    """
    if not network.findings and not network.special:
        return network
    variables = dict(network.variables)
    tables = dict(network.tables)
    evidence = dict(network.evidence)
    for name, finding in network.findings.items():
        top = _top(finding, name)
        node = _free(f"{name} seen", variables)
        variables[node] = Variable(node, SEEN)
        tables[node] = _seen(node, finding.scope, finding.p / top)
        evidence[node] = 0
    if network.special:
        steps, weights = _chain(network)
        end: tuple[str, ...] = ()
        for component, labels, p in steps:
            node = _free(f"faults up to {component}", variables)
            variables[node] = Variable(node, labels)
            tables[node] = Table((node, *end, component), p)
            end = (node,)
        node = _free(SYMPTOM, variables)
        variables[node] = Variable(node, SEEN)
        tables[node] = _seen(node, end, weights / weights.max())
        evidence[node] = 0
    return Network(variables, tables, evidence, {}, (), network.roots)


def log_scale(network: Network) -> float:
    """Natural log of P(evidence) of the network over that of :func:`explicit` of it.

    The sum of the logs of the largest entry of each finding and of the largest weight of a
    whole state, which :func:`explicit` divided by to keep probabilities at 1 or less.
    """
    total = sum(math.log(_top(t, name)) for name, t in network.findings.items())
    if network.special:
        total += math.log(_chain(network)[1].max())
    return total


def pruned(network: Network, wanted: Iterable[str] | None = None) -> Network:
    """The network without barren nodes: those not at or above ``wanted``, evidence or findings.

    ``wanted`` of None stands for the components, or for every variable when there are none.
    Posteriors of what stays are the same (Shachter, Operations Research 34, 1986).

    Raises
    ------
    UnknownNameError
        When ``wanted`` names no variable of the network.
    """
    if wanted is None:
        wanted = network.roots or tuple(network.variables)
    ends = [*wanted, *network.evidence]
    for name in ends:
        if name not in network.variables:
            raise UnknownNameError(
                _("'{name}' is not a variable of this network{hint}").format(
                    name=name, hint=nearest(name, network.variables)
                )
            )
    for finding in network.findings.values():
        ends += finding.scope
    if network.special:
        ends += network.roots
    keep = network.ancestors(ends)
    return replace(
        network,
        variables={v: x for v, x in network.variables.items() if v in keep},
        tables={v: t for v, t in network.tables.items() if v in keep},
        roots=tuple(v for v in network.roots if v in keep),
    )


def _top(finding: Table, name: str) -> float:
    top = float(finding.p.max()) if finding.p.size else 0.0
    if not (0.0 < top < math.inf and np.isfinite(finding.p).all() and (finding.p >= 0.0).all()):
        raise EvidenceError(
            _("the finding '{name}' is zero throughout, negative or not finite").format(name=name)
        )
    return top


def _seen(name: str, scope: Sequence[str], p: Array) -> Table:
    return Table((name, *scope), np.stack([p, 1.0 - p]))


def _free(name: str, taken: Mapping[str, Any]) -> str:
    """The name, with a number behind it where it is taken."""
    trial, n = name, 1
    while trial in taken:
        n += 1
        trial = f"{name} {n}"
    return trial


def _counting_order(network: Network) -> tuple[str, ...]:
    """Components by first use in the tables, those that special states want at fault last.

    Components that meet in the tables are then close in the chain, which keeps cliques small.
    """
    scopes = [t.scope[1:] for t in network.tables.values()]
    used = [v for scope in (*scopes, *(t.scope for t in network.findings.values())) for v in scope]
    place = {v: i for i, v in reversed([*enumerate(used)])}
    late = {component for special in network.special for component, _ in special.state}
    return tuple(sorted(network.roots, key=lambda v: (v in late, place.get(v, -1))))


def _chain(network: Network) -> tuple[list[tuple[str, tuple[str, ...], Array]], Array]:
    """Steps of the chain and the weight of each of its end states.

    A state of the chain is the set of special states that all components so far agree with.
    A step is a component, labels (n_now,), and the table (n_now, [n_before], n_states) of
    zeros and ones. The weight of an end state is the product of the ratios it agrees with.
    """
    wanted = [dict(special.state) for special in network.special]
    for component, mode in (fault for state in wanted for fault in state.items()):
        if component not in network.roots or mode not in network.variables[component].states[1:]:
            raise ModelError(
                _("a special state has '{component}.{mode}', which is no fault here").format(
                    component=component, mode=mode
                )
            )
    before: list[frozenset[int]] = [frozenset(range(len(wanted)))]
    steps: list[tuple[str, tuple[str, ...], Array]] = []
    for component in _counting_order(network):
        states = network.variables[component].states
        allowed = [special.allows(component, states) for special in network.special]
        now: dict[frozenset[int], int] = {}
        moves = np.zeros((len(before), len(states)), dtype=np.intp)
        for i, alive in enumerate(before):
            for j in range(len(states)):
                after = frozenset(k for k in alive if j in allowed[k])
                moves[i, j] = now.setdefault(after, len(now))
        p = (moves == np.arange(len(now))[:, None, None]).astype(float)
        seen = {component, *(c for c, _, _ in steps)}
        labels = tuple(
            " and ".join(f"{c}.{m}" for c, m in wanted[min(alive)].items() if c in seen) or "none"
            if alive
            else "other"
            for alive in now
        )
        if len(set(labels)) < len(labels):
            labels = tuple(f"{label} ({i})" for i, label in enumerate(labels))
        steps.append((component, labels, p if steps else p[:, 0]))
        before = list(now)
    weights = np.array([math.prod(network.special[k].ratio for k in alive) for alive in before])
    if not (np.isfinite(weights).all() and weights.min() >= 0.0 and weights.max() > 0.0):
        raise EvidenceError(
            _("the weights of the special states are negative, not finite or all 0")
        )
    return steps, weights


# ---- pgmpy ---------------------------------------------------------------------------------


def to_pgmpy(
    network: Network, wanted: Iterable[str] | None = None
) -> tuple[DiscreteBayesianNetwork, dict[str, str]]:
    """The network as a pgmpy model, and the evidence to query it with (state names).

    Findings and special states become nodes first (:func:`explicit`); barren nodes are left
    out (:func:`pruned`, which says what ``wanted`` of None means).
    """
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork

    plain = explicit(pruned(network, wanted))
    model = DiscreteBayesianNetwork()
    model.add_nodes_from(plain.variables)
    model.add_edges_from((p, v) for v, t in plain.tables.items() for p in t.scope[1:])
    for name, table in plain.tables.items():
        parents = table.scope[1:]
        cpd = TabularCPD(
            name,
            plain.variables[name].size,
            table.p.reshape(table.p.shape[0], -1),
            evidence=list(parents) or None,
            evidence_card=list(table.p.shape[1:]) or None,
            state_names={v: list(plain.variables[v].states) for v in table.scope},
        )
        model.add_cpds(cpd)
    return model, {v: plain.variables[v].states[s] for v, s in plain.evidence.items()}


def from_pgmpy(model: DiscreteBayesianNetwork) -> Network:
    """A pgmpy model as a network without evidence; state names become text.

    Raises
    ------
    ModelError
        When a node has no table, or its table is no conditional distribution.
    """
    variables: dict[str, Variable] = {}
    tables: dict[str, Table] = {}
    for node in model.nodes():
        cpd = model.get_cpds(node)
        if cpd is None:
            raise ModelError(
                _("'{node}' has no table; give every node its distribution").format(node=node)
            )
        name = str(node)
        states = tuple(str(s) for s in cpd.state_names[node])
        variables[name] = Variable(name, states)
        p = np.asarray(cpd.values, dtype=float)
        tables[name] = Table(tuple(str(v) for v in cpd.variables), p)
    return _checked(Network(variables, tables))


def _checked(network: Network) -> Network:
    """The network, when every table is a conditional distribution and there is no circle.

    Columns that sum to 1 but for the rounding of what was written (1e-3) are divided by it.
    """
    tables = dict(network.tables)
    for name, table in network.tables.items():
        states = network.variables[name].states
        if not states or len(set(states)) != len(states):
            raise ModelError(
                _("the variable '{name}' has no states, or two of one name").format(name=name)
            )
        for parent in table.scope[1:]:
            if parent not in network.variables:
                raise ModelError(
                    _("the parent '{parent}' of '{name}' is not a variable").format(
                        parent=parent, name=name
                    )
                )
        sizes = tuple(network.variables[v].size for v in table.scope)
        if table.p.shape != sizes or len(set(table.scope)) != len(table.scope):
            raise ModelError(
                _("the table of '{name}' has {shape} entries, not {sizes}").format(
                    name=name, shape=table.p.shape, sizes=sizes
                )
            )
        if not (np.isfinite(table.p).all() and (table.p >= 0.0).all()):
            raise ModelError(
                _("the table of '{name}' has entries that are no probabilities").format(name=name)
            )
        total = table.p.sum(axis=0)
        error = float(np.abs(total - 1.0).max())
        if error > 1e-3:
            raise ModelError(
                _("a column of the table of '{name}' misses the sum of 1 by {error:g}").format(
                    name=name, error=error
                )
            )
        if error > 1e-9:
            tables[name] = Table(table.scope, table.p / total)
    placed: set[str] = set()
    todo = list(network.variables)
    while todo:
        rest = [v for v in todo if not placed.issuperset(network.tables[v].scope[1:])]
        if len(rest) == len(todo):
            raise ModelError(
                _("the arrows run in a circle through {names}").format(
                    names=", ".join(sorted(rest)[:5])
                )
            )
        placed.update(set(todo) - set(rest))
        todo = rest
    return replace(network, tables=tables)


# ---- XMLBIF --------------------------------------------------------------------------------
