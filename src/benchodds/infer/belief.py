"""Odds at any price in readings: exact, or over the whole states that matter.

Readings may tie so much together that exact odds would take more memory or time than is spent
(:class:`benchodds.basics.errors.TooLargeError`). Whole machine states, one by one, never do: a
state settles most of the network. So the likeliest ones are looked for, from no fault upwards,
and stand for all of them; the network says so (``Network.states``).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from benchodds.basics.errors import EvidenceError, TooLargeError
from benchodds.basics.tables import Array, Network, State
from benchodds.infer import inference
from benchodds.infer.buckets import MOST_ENTRIES
from benchodds.infer.inference import Posterior
from benchodds.infer.machine import FoldedNetwork

GROWN = 20
"""How many of the likeliest states that did not yet get one more fault do so at once."""

MOST_ROUNDS = 8
"""How often they do at most."""

ADDED = 1e-3
"""Share of the probability below which the states so grown are the last."""

LEAST_P = 1e-5
"""Share of the probability below which a state with several faults is left out again."""

CHEAP = 2e8
"""Entries up to which exact odds are taken even where the network is kept to some states."""

MOST_STATES = 400
"""Most states that are kept."""


@dataclass(frozen=True)
class Listed:
    """Posterior of a network over the only states that are looked at."""

    folded: FoldedNetwork

    @cached_property
    def log_evidence(self) -> float:
        """Natural log of the probability of all evidence in these states."""
        return float(np.logaddexp.reduce(self.folded.log_weights))

    @cached_property
    def p_state(self) -> dict[State, float]:
        """Posterior of the states, in their order."""
        p = np.exp(self.folded.history_log_weights - self.log_evidence)
        return dict(zip(self.folded.histories, p.tolist(), strict=True))

    def has(self, name: str) -> bool:
        """Whether the variable is part of the network."""
        return name in self.folded.network.variables

    def joint(self, names: Sequence[str]) -> Array:
        """Joint posterior of any variables, axes in the order given."""
        return self.joints([names])[0]

    def joints(self, scopes: Iterable[Sequence[str]]) -> list[Array]:
        """Several joint posteriors, worked out side by side, which takes less."""
        return self.folded.joints(scopes)


@dataclass(frozen=True)
class Mixed:
    """Posterior of one of several networks, in shares by the probability of the evidence."""

    parts: tuple[Belief, ...]

    @cached_property
    def log_evidence(self) -> float:
        """Natural log of the probability of all evidence, in all of them."""
        return float(np.logaddexp.reduce([b.log_evidence for b in self.parts]))

    @cached_property
    def shares(self) -> Array:
        """Posterior of each network, (n,)."""
        return np.exp(np.array([b.log_evidence for b in self.parts]) - self.log_evidence)

    def has(self, name: str) -> bool:
        """Whether the variable is part of all networks."""
        return all(b.has(name) for b in self.parts)

    def joint(self, names: Sequence[str]) -> Array:
        """Joint posterior of variables that meet in one bucket, axes in the order given."""
        return self.joints([names])[0]

    def joints(self, scopes: Iterable[Sequence[str]]) -> list[Array]:
        """Several joint posteriors, worked out side by side, which takes less."""
        every = [tuple(names) for names in scopes]
        found = zip(*(b.joints(every) for b in self.parts), strict=True)
        return [np.asarray(np.tensordot(self.shares, np.stack(ps), 1)) for ps in found]


Belief = Posterior | Listed | Mixed


def posterior(network: Network, wanted: Iterable[str], cheap: float = CHEAP) -> Posterior | Listed:
    """Posterior of the network: exact, or over the states it is kept to where these take less.

    Parameters
    ----------
    cheap
        Entries up to which it is exact where it is kept to some states.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero or is not finite.
    TooLargeError
        When it would take too much and is kept to no states.
    """
    wanted = list(wanted)
    if not network.states:
        return inference.posterior(network, wanted)
    try:
        return inference.posterior(network, wanted, cheap)
    except TooLargeError:
        return _listed(network, network.states, wanted)


def _listed(
    network: Network, states: Sequence[State], wanted: Iterable[str], most: float = math.inf
) -> Listed:
    """Posterior over some whole states, of what is wanted and what the evidence is about."""
    network = network.pruned([*wanted, *network.in_modes])
    singly = [v for v in wanted if v not in network.in_modes]
    return Listed(FoldedNetwork(network, states, most, singly))


def kept_to(
    network: Network, states: Sequence[State], wanted: Iterable[str], most: float = MOST_ENTRIES
) -> tuple[Network, Listed]:
    """The network kept to some whole states, and its posterior of what is wanted.

    Raises
    ------
    TooLargeError
        When all of these together go through more than ``most`` entries, or one alone takes
        too much.
    """
    found = _listed(network, states, list(wanted), most)
    return replace(network, states=found.folded.histories), found


def likeliest(network: Network) -> dict[State, float]:
    """Whole states that carry the probability, with it: no fault, all single faults, and more.

    The likeliest so far get one more fault, any, as long as that adds to the probability (a
    best-first search; de Kleer and Williams, "Diagnosis with behavioral modes", IJCAI 1989).

    Raises
    ------
    EvidenceError
        When the evidence has probability zero in all of them.
    """
    faults = [(c, m) for c in network.in_modes for m in network.variables[c].states[1:]]
    place = {f: i for i, f in enumerate(faults)}
    found: dict[State, float] = {}
    grown: set[State] = set()
    fresh: list[State] = [(), *((f,) for f in faults)]
    for _round in range(MOST_ROUNDS):
        found |= dict(zip(fresh, _log_weights(network, fresh), strict=True))
        total = np.logaddexp.reduce(list(found.values()))
        if grown and np.logaddexp.reduce([found[s] for s in fresh]) < total + math.log(ADDED):
            break
        best = sorted(found.keys() - grown, key=lambda s: -found[s])[:GROWN]
        grown |= set(best)
        more = {
            tuple(sorted((*s, f), key=place.__getitem__)): None
            for s in best
            for f in faults
            if f[0] not in dict(s)
        }
        fresh = [s for s in more if s not in found]
        if not fresh:
            break
    least = total + math.log(LEAST_P)
    chosen = [s for s, w in found.items() if len(s) < 2 or w > least]
    chosen.sort(key=lambda s: (len(s) > 1, -found[s]))
    return {s: math.exp(found[s] - total) for s in chosen[:MOST_STATES]}


def _log_weights(network: Network, states: Sequence[State]) -> Array:
    try:
        return FoldedNetwork(network, states).history_log_weights
    except EvidenceError:
        return np.full(len(states), -math.inf)
