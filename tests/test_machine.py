"""Whole machine states: weights and predicted outcomes against plain loops and posteriors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import oracle
from benchodds.basics.tables import Network, Special, State, Table, Variable
from benchodds.infer.inference import posterior
from benchodds.infer.machine import FoldedNetwork, likely_states

SEEDS = range(30)


def random_predictive(rng: np.random.Generator, network: Network, n: int = 3) -> Table:
    """P(outcome | up to three variables), the outcome last."""
    names = rng.choice(list(network.variables), size=int(rng.integers(1, 4)), replace=False)
    scope = tuple(str(v) for v in names)
    p = rng.random([*(network.variables[v].size for v in scope), n]) + 0.01
    return Table((*scope, "outcome"), p / p.sum(axis=-1, keepdims=True))


def possible(network: Network) -> list[State]:
    """Every whole state that the evidence leaves possible."""
    states = oracle.whole_states(network)
    weights = oracle.state_weights(network, states)
    return [s for s, w in zip(states, weights, strict=True) if w > 0]


@pytest.mark.parametrize("seed", SEEDS)
def test_weights_against_the_oracle(seed: int) -> None:
    """The weight of a whole state is P(state, complaint, evidence), possible or not."""
    network = oracle.random_network(np.random.default_rng(seed))
    states = oracle.whole_states(network)
    folded = FoldedNetwork(network, states)
    scale = math.exp(oracle.log_evidence(network))
    expected = oracle.state_weights(network, states)
    assert folded.weights == pytest.approx(expected, abs=1e-12 * scale)
    assert np.exp(folded.log_weights) == pytest.approx(expected, abs=1e-12 * scale)


@pytest.mark.parametrize("seed", SEEDS)
def test_weights_add_up_to_the_posterior(seed: int) -> None:
    """Summed over all whole states, weights give the evidence and each component's posterior."""
    network = oracle.random_network(np.random.default_rng(seed))
    states = oracle.whole_states(network)
    folded = FoldedNetwork(network, states)
    result = posterior(network, network.roots)
    p = np.exp(folded.log_weights - result.log_evidence)
    assert p.sum() == pytest.approx(1.0, abs=1e-10)
    for c in network.roots:
        for i, mode in enumerate(network.variables[c].states[1:], start=1):
            share = sum(x for x, s in zip(p, states, strict=True) if (c, mode) in s)
            assert share == pytest.approx(result.joint([c])[i], abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_list_of_some_states(seed: int) -> None:
    """A state weighs the same whether the list holds all states, in any order, or a few."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    states = possible(network)
    everything = FoldedNetwork(network, states).log_weights
    pick = rng.permutation(len(states))[: max(1, len(states) // 2)]
    some = FoldedNetwork(network, [states[i][::-1] for i in pick])
    assert some.log_weights == pytest.approx(everything[pick], abs=1e-10)


@pytest.mark.parametrize("seed", SEEDS)
def test_outcomes_against_the_oracle(seed: int) -> None:
    """P(outcome | state, evidence) of a fresh reading is that of plain loops."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    states = possible(network)
    folded = FoldedNetwork(network, states)
    for _ in range(2):
        predictive = random_predictive(rng, network)
        p = folded.outcomes(predictive)
        assert p == pytest.approx(oracle.outcomes(network, states, predictive), abs=1e-10)
        assert p.sum(axis=1) == pytest.approx(np.ones(len(states)), abs=1e-10)


@pytest.mark.parametrize("seed", range(10))
def test_outcomes_and_the_posterior_after_each(seed: int) -> None:
    """Weight times chance of an outcome is the weight after that outcome was written."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    states = possible(network)
    folded = FoldedNetwork(network, states)
    predictive = random_predictive(rng, network)
    chance = folded.outcomes(predictive)
    for k in range(chance.shape[1]):
        seen = Table(predictive.scope[:-1], predictive.p[..., k])
        after = FoldedNetwork(replace(network, findings={**network.findings, "next": seen}), states)
        assert np.exp(after.log_weights - folded.log_weights) == pytest.approx(
            chance[:, k], abs=1e-10
        )


def through_one_adapter() -> Network:
    """Two sources read through one adapter, which may be dead."""
    variables = {
        "exc": Variable("exc", ("good", "open")),
        "pul": Variable("pul", ("good", "open")),
        "adapter": Variable("adapter", ("ok", "dead")),
    }
    tables = {
        "exc": Table(("exc",), np.array([0.9, 0.1])),
        "pul": Table(("pul",), np.array([0.9, 0.1])),
        "adapter": Table(("adapter",), np.array([0.97, 0.03])),
    }
    zero = np.array([[0.01, 1.0], [1.0, 1.0]])  # P(zero shown | source, adapter)
    findings = {"R1": Table(("exc", "adapter"), zero)}
    return Network(variables, tables, {}, findings, (Special((), 0.1),), ("exc", "pul"))


def test_a_reading_teaches_the_next_through_the_adapter() -> None:
    """After one zero on a good source, the next zero is likelier: a hand calculation."""
    network = through_one_adapter()
    states: list[State] = [(), (("exc", "open"),)]
    zero = network.findings["R1"].p
    predictive = Table(("pul", "adapter", "outcome"), np.stack([zero, 1 - zero], axis=-1))
    p = FoldedNetwork(network, states).outcomes(predictive)
    # Good exciter: P(dead | zero) = 0.03 / (0.03 + 0.97 * 0.01); open exciter: 0.03 still.
    dead = 0.03 / (0.03 + 0.97 * 0.01)
    assert p[0, 0] == pytest.approx(dead + (1 - dead) * 0.01, abs=1e-12)
    assert p[1, 0] == pytest.approx(0.03 + 0.97 * 0.01, abs=1e-12)


def test_hundreds_of_readings_keep_their_ratios() -> None:
    """Six hundred readings, together far below the smallest number, still weigh states."""
    rng = np.random.default_rng(2)
    network = through_one_adapter()
    findings = dict(network.findings)
    for i in range(600):
        source = ("exc", "pul")[i % 2]
        findings[f"R{i + 2}"] = Table((source, "adapter"), 1e-6 * rng.uniform(0.5, 1.5, (2, 2)))
    network = replace(network, findings=findings)
    states = oracle.whole_states(network)
    folded = FoldedNetwork(network, states)
    assert not folded.weights.any()  # below 1e-308, as documented
    result = posterior(network, network.roots)
    p = np.exp(folded.log_weights - result.log_evidence)
    assert p.sum() == pytest.approx(1.0, abs=1e-9)
    expected = oracle.joint(network, ["exc", "pul"])
    at = [(int(("exc", "open") in s), int(("pul", "open") in s)) for s in states]
    assert p == pytest.approx(np.array([expected[i] for i in at]), abs=1e-9)
    predictive = random_predictive(rng, network)
    rows = folded.outcomes(predictive)
    assert rows.sum(axis=1) == pytest.approx(np.ones(len(states)), abs=1e-9)


def test_outcomes_of_an_excluded_state() -> None:
    """A state that the evidence excludes has weight 0 and a row that says nothing."""
    network = through_one_adapter()
    seen = Table(("exc", "adapter"), np.array([[0.5, 0.5], [0.0, 0.0]]))
    network = replace(network, findings={"R1": seen})
    folded = FoldedNetwork(network, [(), (("exc", "open"),)])
    assert folded.weights[1] == 0.0
    zero = np.array([[0.01, 1.0], [1.0, 1.0]])
    predictive = Table(("exc", "adapter", "outcome"), np.stack([zero, 1 - zero], axis=-1))
    assert folded.outcomes(predictive)[1] == pytest.approx([0.5, 0.5], abs=0)


def test_likely_states() -> None:
    """No fault, every single fault, and the pairs with the largest product of marginals."""
    components = {"plug": ["fouled", "open"], "exc": ["open"], "stop": ["wet"]}
    marginal = {
        ("plug", "fouled"): 0.5,
        ("plug", "open"): 0.4,
        ("exc", "open"): 0.3,
        ("stop", "wet"): 0.1,
    }
    states = likely_states(components, marginal, 2)
    assert states[0] == ()
    assert states[1:5] == tuple((fault,) for fault in marginal)
    # Never two modes of one component; 0.5 * 0.3 and 0.4 * 0.3 lead.
    assert states[5:] == (
        (("plug", "fouled"), ("exc", "open")),
        (("plug", "open"), ("exc", "open")),
    )
    assert len(likely_states(components, marginal, 99)) == 1 + 4 + 5
