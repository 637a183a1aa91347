"""What may be done at each of many places, and what must be waited for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchodds.basics.tables import Array, Flags, Index
from benchodds.choose.acting import chain_of
from benchodds.choose.decision import Decision
from benchodds.choose.nodes import BARRED, FREE, Nodes
from benchodds.choose.rules import Seen, allowed, by_odds, leading


class Waiting:
    """The rules of a decision's tests and remedies over many places."""

    def __init__(self, decision: Decision) -> None:
        self.decision, self.labour = decision, decision.labour
        self.names = tuple(c.name for c in decision.checks)
        rules = {c.name: c.rule for c in decision.checks}
        self._rules = [(t, c.rule) for t, c in enumerate(decision.checks) if c.rule.groups]
        self._leading = [
            np.array(sorted(self.names.index(n) for n in leading(rules, r.rule)), dtype=np.intp)
            for r in decision.remedies
        ]
        self._outside = decision.done - set(self.names)  # done, and not to be done again
        self._chains: dict[tuple[int, bytes], Index | None] = {}

    def tests(self, nodes: Nodes, p: Array) -> Flags:
        """Whether each test may be done, (n, n_tests); ``p`` (n, n_states) are beliefs."""
        flags = (nodes.done, nodes.passed, nodes.failed)
        marks = [{n: f[:, t] for t, n in enumerate(self.names)} for f in flags]
        seen = Seen(dict.fromkeys(self._outside, True) | marks[0], *marks[1:])
        can = ~nodes.spent
        for t, rule in self._rules:
            can[:, t] &= allowed(rule, seen, p)
        return can

    def remedies(self, nodes: Nodes, p: Array, can: Flags) -> tuple[Array, Index]:
        """Minutes of the tests that each remedy must wait for, and the next of them.

        That is FREE where there are none, and BARRED (after infinite minutes) where the remedy
        may not be done; ``can`` (n, n_tests) says which tests may.
        """
        before = np.zeros((len(nodes), len(self._leading)))
        waits = np.full(before.shape, FREE, dtype=np.intp)
        for r, tests in enumerate(self._leading):
            rule = self.decision.remedies[r].rule
            if not rule.groups:
                continue
            barred = ~np.broadcast_to(by_odds(rule, p), len(nodes))
            flags = (nodes.done, nodes.passed, nodes.failed, nodes.spent)
            marked = [f[:, tests] for f in flags] + [np.zeros((len(nodes), 1), dtype=bool)]
            bits = np.packbits(np.concatenate(marked, axis=1), axis=1)
            keys = np.ascontiguousarray(bits).view(np.dtype((np.void, bits.shape[1]))).reshape(-1)
            found, first, back = np.unique(keys, return_index=True, return_inverse=True)
            for k, (key, i) in enumerate(zip(found, first, strict=True)):
                mine = np.flatnonzero(back == k)
                chain = self._chain(r, key.tobytes(), nodes, int(i))
                if chain is None:
                    barred[mine] = True
                elif len(chain):
                    before[mine, r] = self.labour.together(chain, nodes.opened[mine])
                    waits[mine, r] = chain[0]
                    barred[mine] = ~can[mine, chain[0]]
            before[barred, r], waits[barred, r] = np.inf, BARRED
        return before, waits

    def _chain(self, remedy: int, key: bytes, nodes: Nodes, i: int) -> Index | None:
        """The tests that a remedy must wait for at a place, by number; None: it never may."""
        if (remedy, key) not in self._chains:
            done, passed, failed, spent = (
                frozenset(self.names[t] for t in np.flatnonzero(f[i]))
                for f in (nodes.done, nodes.passed, nodes.failed, nodes.spent)
            )
            done |= self._outside
            at = replace(self.decision, done=done, passed=passed, failed=failed, spent=spent)
            names = chain_of(at, at.remedies[remedy])
            self._chains[remedy, key] = (
                None if names is None else np.array([self.names.index(n) for n in names], np.intp)
            )
        return self._chains[remedy, key]
