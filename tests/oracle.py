"""A slow reference: every joint state of a small network, visited by plain loops, in logs.

It shares nothing with :mod:`inference`: no elimination, no broadcasting, no scaling.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np

from benchodds.basics.tables import Array, Network, Special, State, Table, Variable


def _log(x: float) -> float:
    return math.log(x) if x > 0 else -math.inf


def joint_states(network: Network) -> Iterator[tuple[dict[str, int], float]]:
    """Every joint state as {variable: index}, with the log of its unnormalised weight."""
    names = list(network.variables)
    sizes = [network.variables[v].size for v in names]
    factors = [*network.tables.values(), *network.findings.values()]
    logs = [{i: _log(float(x)) for i, x in np.ndenumerate(t.p)} for t in factors]
    for combination in itertools.product(*[range(n) for n in sizes]):
        at = dict(zip(names, combination, strict=True))
        if any(at[v] != s for v, s in network.evidence.items()):
            continue
        total = 0.0
        for table, log in zip(factors, logs, strict=True):
            total += log[tuple(at[v] for v in table.scope)]
        faults = {(c, network.variables[c].states[at[c]]) for c in network.roots if at[c]}
        for special in network.special:
            if faults - special.apart == set(special.state):
                total += _log(special.ratio)
        yield at, total


def log_sum(logs: Sequence[float]) -> float:
    """log(sum(exp(logs))), by the largest (log-sum-exp)."""
    top = max(logs, default=-math.inf)
    if top == -math.inf:
        return top
    return top + math.log(math.fsum(math.exp(x - top) for x in logs))


def log_evidence(network: Network) -> float:
    """Log of the summed weight of all joint states."""
    return log_sum([w for _, w in joint_states(network)])


def joint(network: Network, names: Sequence[str]) -> Array:
    """Posterior of ``names``, axes in the order given; NaN when the evidence is impossible."""
    cells: dict[tuple[int, ...], list[float]] = {}
    for at, weight in joint_states(network):
        cells.setdefault(tuple(at[v] for v in names), []).append(weight)
    p = np.zeros([network.variables[v].size for v in names])
    total = log_sum([w for cell in cells.values() for w in cell])
    for index, cell in cells.items():
        p[index] = math.exp(log_sum(cell) - total)
    return p


def state_weights(network: Network, states: Sequence[State]) -> Array:
    """P(whole state of the components, all evidence) for each of ``states``."""
    sums: dict[frozenset[tuple[str, str]], list[float]] = {}
    for at, weight in joint_states(network):
        faults = frozenset((c, network.variables[c].states[at[c]]) for c in network.roots if at[c])
        sums.setdefault(faults, []).append(weight)
    return np.array([math.exp(log_sum(sums.get(frozenset(s), []))) for s in states])


def outcomes(network: Network, states: Sequence[State], predictive: Table) -> Array:
    """P(outcome | whole state, all evidence); the outcome is the last axis of ``predictive``."""
    n = predictive.p.shape[-1]
    rows = []
    for k in range(n):
        seen = Table(predictive.scope[:-1], predictive.p[..., k])
        more = Network(
            network.variables,
            network.tables,
            network.evidence,
            {**network.findings, "outcome": seen},
            network.special,
            network.roots,
        )
        rows.append(state_weights(more, states))
    together = np.array(rows).T
    return together / state_weights(network, states)[:, None]


def whole_states(network: Network) -> list[State]:
    """Every whole state of the components."""
    choices = [[(), *[((c, m),) for m in network.variables[c].states[1:]]] for c in network.roots]
    return [tuple(f for part in pick for f in part) for pick in itertools.product(*choices)]


def random_table(rng: np.random.Generator, sizes: Sequence[int]) -> Array:
    """A random conditional table, child first, with small and some exactly zero entries."""
    p = rng.random(sizes) ** 3 + 1e-3
    zero = rng.random(sizes) < 0.15
    zero[0] = False
    p[zero] = 0.0
    return np.asarray(p / p.sum(axis=0))


def random_network(
    rng: np.random.Generator,
    *,
    findings: bool = True,
    special: bool = True,
    evidence: bool = True,
) -> Network:
    """Three components, up to four nodes below them, and random findings, links and evidence."""
    variables: dict[str, Variable] = {}
    tables: dict[str, Table] = {}
    roots = ("plug", "exc", "stop")
    for c in roots:
        n = int(rng.integers(2, 4))
        variables[c] = Variable(c, ("good", "open", "shorted")[:n])
        tables[c] = Table((c,), random_table(rng, [n]))
    for i in range(int(rng.integers(1, 5))):
        name = f"q{i}"
        n = int(rng.integers(2, 4))
        parents = rng.choice(list(variables), size=int(rng.integers(0, 3)), replace=False)
        scope = (name, *(str(v) for v in parents))
        variables[name] = Variable(name, tuple(f"s{k}" for k in range(n)))
        tables[name] = Table(scope, random_table(rng, [variables[v].size for v in scope]))
    found: dict[str, Table] = {}
    if findings:
        for i in range(int(rng.integers(0, 4))):
            names = rng.choice(list(variables), size=int(rng.integers(1, 4)), replace=False)
            scope = tuple(str(v) for v in names)
            p = 10.0 ** rng.uniform(-6, 3, size=[variables[v].size for v in scope])
            found[f"R{i}"] = Table(scope, p)
    ratios: list[Special] = []
    if special:
        ratios.append(Special((), float(rng.choice([0.003, 0.4, 1.0, 7.0]))))
        if rng.random() < 0.6:
            c = str(rng.choice(roots))
            mode = str(rng.choice(variables[c].states[1:]))
            ratios.append(Special(((c, mode),), float(rng.choice([0.0, 1 / 3, 5.0]))))
        if rng.random() < 0.3:
            pair = (("plug", variables["plug"].states[-1]), ("stop", variables["stop"].states[-1]))
            ratios.append(Special(pair, 2.5))
    seen: dict[str, int] = {}
    if evidence and rng.random() < 0.6:
        v = str(rng.choice(list(variables)))
        seen[v] = 0
    return Network(variables, tables, seen, found, tuple(ratios), roots)
