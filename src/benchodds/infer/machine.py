"""Whole machine states: the network with all components folded into one variable.

Exact posteriors need no list of states. Choosing a test does: expected information is about
which state the machine is in. Here the components become one variable ``machine`` whose
values are chosen whole states (no fault, every single fault, the likeliest pairs); the rest
of the network stays as it is, as a tree of buckets with messages between them (Shenoy and
Shafer 1990). Each message is worked out when first asked for, so that tests share them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol, TypeVar

import numpy as np

from benchodds.basics.errors import EvidenceError, TooLargeError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State, Table
from benchodds.infer.epochs import present
from benchodds.infer.fold import Fold
from benchodds.infer.folded import WideError, modes_of
from benchodds.infer.support import Index, Mask, Support, reach

T = TypeVar("T")

COURSES = 12
"""Likeliest courses looked at of a component that was worked on."""

SWEEPS = 20
"""Times that all faults are gone through to fit states to them."""

MOST_KEPT = 10_000_000
"""Entries of all groups' tables and messages beyond which those used last are let go."""

ANSWERED = 10
"""How many times fewer that is where what will be asked is known and answered at once."""


class Believed(Protocol):
    """A posterior that can be asked for joints."""

    def joint(self, names: Sequence[str]) -> Array:
        """Joint posterior of variables that depend on each other, axes in the order given."""


@dataclass(eq=False)
class _Group:
    """States that are folded together, by number; ``fold`` is made when it is asked for."""

    at: Index
    fold: Fold | None = None


class FoldedNetwork:
    """A network conditional on each of a list of whole machine states.

    Where the machine was worked on, what is listed are its histories: the faults it came with and
    those of every epoch after. ``states`` are those of today, each once, summed over the
    histories that end in it.

    They are folded together as long as no product is too large for that; then they go
    apart in groups by what is possible in them, each with a network of that alone.
    Posteriors of variables in ``asked`` are worked out on the way, while the groups are at hand.

    Raises
    ------
    EvidenceError
        When the evidence has probability zero under every state of the list.
    TooLargeError
        When a state alone would take too much time or memory, or all of them go through more
        than ``most`` entries.
    """

    def __init__(
        self,
        network: Network,
        histories: Sequence[State],
        most: float = math.inf,
        asked: Sequence[str] = (),
    ) -> None:
        self.network = network
        self.histories = tuple(histories)
        self.states, self._today = _today(network, self.histories)
        seen = {f"{t.scope[0]} seen": t for t in _indicators(network)}
        self._told = replace(network, findings={**network.findings, **seen}, evidence={})
        self._groups = [_Group(np.arange(len(self.histories)))]
        self._fewer = ANSWERED if asked else 1
        work = 0.0
        logs = np.full(len(self.histories), -math.inf)
        told: list[tuple[float, list[Array]]] = []

        def ask(fold: Fold) -> tuple[Array, float, tuple[float, list[Array]]]:
            best = float(fold.log_weights.max())
            singly = [fold.joint([n], (), best) for n in asked if best > -math.inf]
            return fold.log_weights, fold.entries, (best, singly)

        for at, (some, entries, found) in self._by_group(ask):
            logs[at] = some
            told += [found] if found[0] > -math.inf else []
            work += entries
            if work > most:
                raise TooLargeError(
                    _("odds of {n} states would go through more than {most:.0e} entries").format(
                        n=len(self.histories), most=most
                    )
                )
        self.history_log_weights: Array = logs
        """The same as below for the histories, shape (n_histories,)."""
        self.log_weights: Array = self._summed(logs)
        """Log of P(state, complaint, all evidence), shape (n_states,); -inf where zero."""
        if self.log_weights.max() == -math.inf:
            raise EvidenceError(_("the evidence has probability zero under this model"))
        parts = [[math.exp(w - logs.max()) * p for p in ps] for w, ps in told]
        sums = [np.sum(ps, axis=0) for ps in zip(*parts, strict=True)]
        self._asked = {(n,): p for n, p in zip(asked, sums, strict=True)}
        self.weights: Array = np.exp(self.log_weights)
        """P(state, complaint, all evidence), shape (n_states,); zero where it is below 1e-308."""

    def _summed(self, logs: Array) -> Array:
        """Log weights of the states of today from those of histories, whose shares are kept."""
        most = np.full(len(self.states), -math.inf)
        np.maximum.at(most, self._today, logs)
        share = np.exp(logs - np.where(np.isfinite(most), most, 0.0)[self._today])
        total = np.bincount(self._today, share, len(self.states))
        self._of_today = share / np.where(total > 0, total, 1.0)[self._today]
        with np.errstate(divide="ignore"):
            return np.asarray(most + np.log(total))

    @cached_property
    def _presence(self) -> tuple[tuple[tuple[str, str], ...], Array]:
        """The faults of the states, and whether each is present, shape (n_states, n_faults)."""
        faults = tuple(dict.fromkeys(fault for state in self.states for fault in state))
        return faults, np.array([[f in state for f in faults] for state in self.states], float)

    def p_mode(self, p_state: Array) -> dict[tuple[str, str], float]:
        """Probability of each fault, (component, mode), when the states have these."""
        faults, present = self._presence
        return dict(zip(faults, (p_state @ present).tolist(), strict=True))

    def fitted(self, p_state: Array, p_mode: Mapping[tuple[str, str], float]) -> Array:
        """Chances of the states, of the same sum, in which each fault is as likely as given.

        Iterative proportional fitting (W. Deming and F. Stephan, Annals of Mathematical
        Statistics 11, 1940): of all such the nearest to those that were.
        """
        faults, present = self._presence
        p = p_state / p_state.sum()
        for _sweep in range(SWEEPS):
            for fault, here in zip(faults, present.T, strict=True):
                q, r = p_mode[fault], float(p @ here)
                if 0 < q < 1 and 0 < r < 1:
                    p = p * np.where(here > 0, q / r, (1 - q) / (1 - r))
        return np.asarray(p * p_state.sum())

    def outcomes(self, predictive: Table, mixed: Callable[[Array], Array] | None = None) -> Array:
        """P(outcome | state, evidence), shape (n_states, n_outcomes).

        ``predictive`` has the outcome as its last axis. Latents shared with earlier readings
        (operator, adapter, the quantities themselves) carry what those readings taught. Where
        the evidence excludes a state, its row says nothing: all outcomes alike. ``mixed`` takes
        the rows of the histories and says what is to stand for them.
        """
        n = predictive.p.shape[-1]
        out = np.full((len(self.histories), n), 1.0 / n)
        for at, p in self._by_group(lambda fold: fold.outcomes(predictive)):
            out[at] = p
        if mixed is not None:
            out = mixed(out)
        if len(self.states) == len(self.histories):
            return out
        today = np.zeros((len(self.states), n))
        np.add.at(today, self._today, self._of_today[:, None] * out)
        return np.where(today.sum(axis=1, keepdims=True) > 0, today, 1.0 / n)

    def joint(self, names: Sequence[str], extra: Sequence[Table] = ()) -> Array:
        """P(names | evidence) when the machine is in one of the states; axes as ``names``.

        ``extra`` are further factors, and names may be axes of theirs.
        """
        return self.joints([names], extra)[0]

    def joints(self, scopes: Iterable[Sequence[str]], extra: Sequence[Table] = ()) -> list[Array]:
        """Several such, in one go through the groups."""
        top, every = float(self.log_weights.max()), [tuple(names) for names in scopes]
        weights = np.exp(self.history_log_weights - top)
        known = {(v,): weights @ self._in_mode[v] for v in self.network.in_modes}
        known = {} if extra else known | self._asked
        asked = [names for names in dict.fromkeys(every) if names not in known]
        totals = dict.fromkeys(asked, np.zeros(()))
        answers = self._by_group(lambda fold: [fold.joint(n, extra, top) for n in asked])
        for _at, parts in answers if asked else ():
            totals = {n: totals[n] + p for n, p in zip(asked, parts, strict=True)}
        return [np.asarray(p / p.sum()) for p in ((known | totals)[names] for names in every)]

    def _by_group(self, ask: Callable[[Fold], T]) -> Iterator[tuple[Index, T]]:
        """What each group of states answers; one for which that is too large is taken apart.

        When all of them keep too much, the one asked last is let go: they are asked in turn.
        """
        todo, done = self._groups[::-1], list[_Group]()
        while todo:
            group = todo.pop()
            try:
                fold = group.fold or self._fold(group.at)
                if fold is None:  # the evidence excludes all of these
                    continue
                answer = ask(fold)
            except WideError as error:
                todo += [_Group(at) for at in self._apart(group.at, error.names)]
                continue
            kept = sum(g.fold.kept for g in (*todo, *done) if g.fold is not None)
            most = MOST_KEPT / self._fewer
            group.fold = fold if kept + fold.kept < most else None
            done.append(group)
            yield group.at, answer
        self._groups = done

    @cached_property
    def _in_mode(self) -> dict[str, Mask]:
        """The mode of each component in each state, (n_states, n_modes)."""
        at = modes_of(self.network, self.histories)
        return {v: np.arange(self.network.variables[v].size) == i[:, None] for v, i in at.items()}

    @cached_property
    def _reach(self) -> dict[str, Mask]:
        """What is possible in each state, (n_states, n) by variable."""
        return reach(self.network, self._in_mode)

    def _fold(self, at: Index) -> Fold | None:
        """These states folded together; None where the evidence excludes them all."""
        support = Support({}, {})
        if len(at) < len(self.histories):
            possible = {v: np.asarray(m[at].any(axis=0)) for v, m in self._reach.items()}
            support = Support.of(self._told, possible)
        try:
            return Fold(self._told, [self.histories[i] for i in at], support)
        except EvidenceError:
            return None

    def _apart(self, at: Index, names: Collection[str]) -> tuple[Index, Index]:
        """Two parts of some states, so that tables of these variables have few entries in both.

        Parts differ in how much of one variable is possible in their states; where nothing
        differs they are halves.
        """
        here = {v: self._reach[v][at] for v in sorted(names) if v in self._reach}
        half = np.arange(len(at)) < len(at) // 2
        best = (self._entries(here, half) + self._entries(here, ~half), half)
        for held in here.values():
            n = held.sum(axis=1)
            for most in {int(n.min()), int(np.median(n))} - {int(n.max())}:
                total = self._entries(here, n <= most) + self._entries(here, n > most)
                if total < best[0]:
                    best = (total, n <= most)
        return at[best[1]], at[~best[1]]

    @staticmethod
    def _entries(here: Mapping[str, Mask], rows: Mask) -> float:
        """Entries of a table of some variables for some states."""
        sizes = (float(held[rows].any(axis=0).sum()) for held in here.values())
        return float(rows.sum()) * math.prod(sizes)


def _today(network: Network, histories: Sequence[State]) -> tuple[tuple[State, ...], Index]:
    """The states of today that histories end in, each once, and which is that of each."""
    states = [present(network, h) for h in histories]
    place = {s: i for i, s in enumerate(dict.fromkeys(states))}
    return tuple(place), np.array([place[s] for s in states], dtype=np.intp)


def _indicators(network: Network) -> list[Table]:
    """Fixed variables as findings: 1 for the state that was seen, 0 for the others."""
    return [
        Table((v,), (np.arange(network.variables[v].size) == state).astype(float))
        for v, state in network.evidence.items()
    ]


def likely_states(
    components: Mapping[str, Sequence[str]], marginal: Mapping[tuple[str, str], float], n_pairs: int
) -> tuple[State, ...]:
    """No fault, all single faults, and the ``n_pairs`` pairs whose members are likeliest."""
    return _with_pairs(
        [[(((c, m),), marginal[c, m]) for m in modes] for c, modes in components.items()], n_pairs
    )


def likely_histories(network: Network, posterior: Believed, n_pairs: int) -> tuple[State, ...]:
    """As :func:`likely_states`, with what became of a component that was worked on.

    A component's courses are counted as one fault each: its modes in all epochs, good left out.
    Of those of a touched one the likeliest are taken, and one for every mode that it may have had
    or have.
    """
    groups = []
    for root in network.roots:
        line = [root]
        for node in network.later:
            if network.tables[node].scope[1] == line[-1]:
                line.append(node)
        groups.append(_courses(network, posterior, line))
    return _with_pairs(groups, n_pairs)


def _courses(
    network: Network, posterior: Believed, line: Sequence[str]
) -> list[tuple[State, float]]:
    """What a component may have gone through, with the posterior chance, none of it all good."""
    p = posterior.joint([line[0]])
    courses: dict[tuple[int, ...], float] = {(i,): float(x) for i, x in enumerate(p)}
    for before, node in itertools.pairwise(line):
        both = posterior.joint([before, node])
        given = both / np.maximum(both.sum(axis=1, keepdims=True), 1e-300)
        courses = {
            (*c, j): x * float(q)
            for c, x in courses.items()
            for j, q in enumerate(given[c[-1]])
            if q > 0
        }
    ranked = sorted((c for c in courses if any(c)), key=lambda c: -courses[c])
    chosen = ranked
    if len(line) > 1:
        chosen = ranked[:COURSES]
        for at in (0, -1):
            first = {c[at]: c for c in reversed(ranked)}
            chosen += [c for c in first.values() if c not in chosen]
    names = [network.variables[v].states for v in line]
    return [
        (tuple((v, s[i]) for v, s, i in zip(line, names, c, strict=True) if i), courses[c])
        for c in chosen
    ]


def _with_pairs(groups: Sequence[Sequence[tuple[State, float]]], n_pairs: int) -> tuple[State, ...]:
    """Nothing, each item alone, and the likeliest pairs of items of different groups."""
    pairs = [
        (p * q, a + b)
        for i, group in enumerate(groups)
        for a, p in group
        for other in groups[i + 1 :]
        for b, q in other
    ]
    pairs.sort(key=lambda item: -item[0])
    singles = [a for group in groups for a, _p in group]
    return ((), *singles, *(pair for _p, pair in pairs[:n_pairs]))
