"""How well the tests of a system tell its faults apart, before any reading.

The measure is the expected weight of evidence of one reading, in decibans: what a test is
expected to say for a fault that is there against one that is not,
``10 log10(e) * sum_o P(o | true) ln(P(o | true) / P(o | other))`` (I. J. Good, Probability and
the Weighing of Evidence, 1950: the mean of the log of the Bayes factor; a Kullback-Leibler
divergence). Ten decibans turn even odds into 10 to 1. It does not depend on priors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchodds.basics.tables import Array, State, Table
from benchodds.infer.assess import Machine
from benchodds.infer.machine import FoldedNetwork
from benchodds.measure.instrument import OUTCOME, Outcome
from benchodds.model.jobs import Technique

GOOD = "good"
"""The machine without an electrical fault, first among the states compared."""


@dataclass(frozen=True, eq=False)
class Separability:
    """What each test can tell of a machine without fault and with each single fault.

    ``weight_db[t, i, j]`` is what test t is expected to say for state i against state j when
    i is there. ``passes[t, i]`` and ``fails[t, i]`` are the chances that a bare comparison
    with the limit passes or fails state i; what it does not judge is in neither.
    """

    states: tuple[str, ...]
    tests: tuple[str, ...]
    weight_db: Array
    passes: Array
    fails: Array

    @property
    def best_db(self) -> Array:
        """Decibans of the best single test, shape (n_states, n_states)."""
        return np.asarray(self.weight_db.max(axis=0))

    def best_test(self, true: str, other: str) -> str:
        """The single test that says most for ``true`` against ``other``."""
        i, j = self.states.index(true), self.states.index(other)
        return self.tests[int(self.weight_db[:, i, j].argmax())]

    def told_apart_db(self, a: str, b: str) -> float:
        """Decibans of the best single test, whichever of the two is there."""
        i, j = self.states.index(a), self.states.index(b)
        return float(max(self.best_db[i, j], self.best_db[j, i]))


def usual_technique(machine: Machine) -> Technique:
    """As the test says, cranked in the usual way of this bench."""
    cranking = machine.bench.cranking
    return Technique(how=max(cranking, key=lambda n: cranking[n].share), unplugged=True)


def folded(machine: Machine) -> tuple[FoldedNetwork, tuple[str, ...]]:
    """The machine without readings, given no fault and each single fault, and their names."""
    states: tuple[State, ...] = ((), *((fault,) for fault in machine.model.faults()))
    network = machine.prior(next(iter(machine.model.complaints)), ())
    names = (GOOD, *(f"{c}.{m}" for c, m in machine.model.faults()))
    return FoldedNetwork(network, states), names


def separability(machine: Machine) -> Separability:
    """All tests of a machine against all of its single faults."""
    network, names = folded(machine)
    technique = usual_technique(machine)
    weights, passes, fails = [], [], []
    for test in machine.model.tests:
        outcomes, predictive = machine.predictive(test, technique)
        p = _chances(network, predictive)
        weights.append(expected_decibans(p))
        passes.append(_share(p, outcomes, 1))
        fails.append(_share(p, outcomes, -1))
    return Separability(
        names, tuple(machine.model.tests), np.array(weights), np.array(passes), np.array(fails)
    )


def telling_quantities(
    machine: Machine, pairs: Sequence[tuple[str, str]], least_db: float
) -> dict[tuple[str, str], str]:
    """For each pair of states, the quantity that would tell them apart best if it were read.

    Pairs that differ by less than ``least_db`` in every quantity are left out: in this model
    nothing but the name tells them apart.
    """
    if not pairs:
        return {}
    network, names = folded(machine)
    best: dict[tuple[str, str], tuple[float, str]] = {}
    for quantity in machine.model.quantities:
        size = machine.variables[quantity].size
        p = _chances(network, Table((quantity, OUTCOME), np.eye(size)))
        db = expected_decibans(0.99 * p + 0.01 / size)  # a meter that errs once in a hundred
        for pair in pairs:
            i, j = (names.index(s) for s in pair)
            found = float(max(db[i, j], db[j, i]))
            if found >= max(least_db, best.get(pair, (0.0, ""))[0]):
                best[pair] = (found, quantity)
    return {pair: name for pair, (_, name) in best.items()}


def _chances(network: FoldedNetwork, predictive: Table) -> Array:
    """P(outcome | state), rows sum to 1."""
    p = network.outcomes(predictive)
    return np.asarray(p / p.sum(axis=1, keepdims=True))


def expected_decibans(p: Array) -> Array:
    """Expected weight of evidence for the row's state against the column's, in decibans."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log10(p)
        own = np.where(p > 0, p * logs, 0.0).sum(axis=1)
        cross = np.where(p[:, None] > 0, p[:, None] * logs[None], 0.0).sum(axis=2)
    return np.asarray(10.0 * np.maximum(own[:, None] - cross, 0.0))


def _share(p: Array, outcomes: Sequence[Outcome], sign: int) -> Array:
    return np.asarray(p[:, [o.sign == sign for o in outcomes]].sum(axis=1))
