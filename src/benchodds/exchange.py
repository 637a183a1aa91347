"""Ordinary Bayesian networks: what other programs can read of ours, and we of theirs.

A :class:`~benchodds.tables.Network` says two things that a plain Bayesian network cannot:
findings (positive factors) and special states (whole states of the components with another
prior weight). :func:`explicit` turns both into observed nodes, so that any program for
Bayesian networks gets the same posteriors. pgmpy is imported only when it is asked for.

Files are XMLBIF (Cozman, "The Interchange Format for Bayesian Networks", XMLBIF 0.3, 1998).
The older text form, BIF, is no choice for exact work: of the two libraries tried one reads its
numbers in single precision, so that posteriors were off by 1e-8.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote
from xml.etree import ElementTree

import numpy as np

from benchodds.errors import EvidenceError, ModelError
from benchodds.tables import Array, Network, Table, Variable

if TYPE_CHECKING:
    from pgmpy.models import DiscreteBayesianNetwork

SEEN = ("yes", "no")
"""States of the nodes that stand for a finding or the complaint; always observed ``yes``."""

SYMPTOM = "symptom"
"""The node that carries the ratios of the special states; observed ``yes``."""

MAX_ENTRIES = 20_000_000
"""Most table entries read from one file."""


# ---- findings and special states as nodes --------------------------------------------------


def explicit(network: Network) -> Network:
    """The same posteriors as a Bayesian network that has neither findings nor special states.

    Each finding becomes a node with the states yes and no below the variables of its scope,
    P(yes | scope) = table / largest entry, observed ``yes`` (virtual evidence: Pearl,
    Probabilistic Reasoning in Intelligent Systems, 1988, 2.2.2, here over several variables).

    Special states become a chain along the components that remembers which special states
    the components seen so far still agree with, and a node ``symptom`` below its end,
    P(yes | special state) = ratio / scale and P(yes | any other) = 1 / scale, observed
    ``yes``; the scale is the largest ratio, at least 1. With the state without faults alone
    the chain is the question "any fault so far?"; it needs two states, and more only after a
    component that some special state wants at fault. Such components therefore come last.

    The evidence of the network is kept. Its log evidence is that of the result plus
    :func:`log_scale`.

    Raises
    ------
    EvidenceError
        When a finding or every ratio is zero throughout, or is not finite.
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
        order = _counting_order(network)
        steps = list(_agreements(network, order))
        previous: tuple[str, ...] = ()
        for component, p, labels in steps:
            node = _free(f"faults up to {component}", variables)
            variables[node] = Variable(node, labels)
            tables[node] = Table((node, *previous, component), p)
            previous = (node,)
        ratios = _ratios(network, order)
        node = _free(SYMPTOM, variables)
        variables[node] = Variable(node, SEEN)
        tables[node] = _seen(node, previous, ratios / ratios.max())
        evidence[node] = 0
    return Network(variables, tables, evidence, {}, (), network.roots)


def log_scale(network: Network) -> float:
    """Natural log of P(evidence) of the network over that of :func:`explicit` of it.

    The sum of the logs of the largest entry of each finding and of the largest weight of a
    whole state, which :func:`explicit` divided by to keep probabilities at 1 or less.
    """
    total = sum(math.log(_top(t, name)) for name, t in network.findings.items())
    if network.special:
        total += math.log(_ratios(network, _counting_order(network)).max())
    return total


def pruned(network: Network, wanted: Iterable[str] | None = None) -> Network:
    """The network without barren nodes: those not at or above ``wanted``, evidence or findings.

    ``wanted`` of None stands for the components, or for every variable when there are none.
    Posteriors of what stays are the same (Shachter, Operations Research 34, 1986).
    """
    if wanted is None:
        wanted = network.roots or tuple(network.variables)
    ends = [*wanted, *network.evidence]
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
        raise EvidenceError(f"the finding '{name}' is zero throughout, negative or not finite")
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
    place: dict[str, int] = {}
    for table in (*network.tables.values(), *network.findings.values()):
        for name in table.scope[1:] if table.scope[:1] not in [(r,) for r in network.roots] else ():
            place.setdefault(name, len(place))
    late = {component for special in network.special for component, _ in special.state}
    return tuple(sorted(network.roots, key=lambda v: (v in late, place.get(v, -1))))


def _agreements(
    network: Network, order: Sequence[str]
) -> Iterator[tuple[str, Array, tuple[str, ...]]]:
    """Steps of the chain: component, table (state, [state before], component) and labels.

    A state of the chain is the set of special states that all components so far agree with.
    """
    wanted = [dict(special.state) for special in network.special]
    before: list[frozenset[int]] = [frozenset(range(len(wanted)))]
    so_far: list[str] = []
    for place, component in enumerate(order):
        states = network.variables[component].states
        so_far.append(component)
        now: dict[frozenset[int], int] = {}
        moves = np.zeros((len(before), len(states)), dtype=np.intp)
        for i, alive in enumerate(before):
            for j, state in enumerate(states):
                after = frozenset(
                    k for k in alive if wanted[k].get(component, states[0]) == state
                )
                moves[i, j] = now.setdefault(after, len(now))
        p = (moves == np.arange(len(now))[:, None, None]).astype(float)
        labels = tuple(_label(alive, wanted, so_far) for alive in now)
        yield component, p[:, 0] if place == 0 else p, labels
        before = list(now)


def _label(alive: frozenset[int], wanted: Sequence[Mapping[str, str]], so_far: list[str]) -> str:
    if not alive:
        return "other"
    faults = [f"{c}.{m}" for c, m in wanted[min(alive)].items() if c in so_far]
    return " and ".join(faults) or "none"


def _ratios(network: Network, order: Sequence[str]) -> Array:
    """Weight of each end state of the chain, the product of the ratios it agrees with."""
    alive: list[frozenset[int]] = [frozenset(range(len(network.special)))]
    for component in order:
        states = network.variables[component].states
        wanted = [dict(s.state).get(component, states[0]) for s in network.special]
        alive = list(
            dict.fromkeys(
                frozenset(k for k in a if wanted[k] == state) for a in alive for state in states
            )
        )
    ratios = np.array([math.prod(network.special[k].ratio for k in a) for a in alive])
    if not (np.isfinite(ratios).all() and ratios.max() > 0.0 and ratios.min() >= 0.0):
        raise EvidenceError("the weights of the special states are negative, all zero or not finite")
    return ratios
