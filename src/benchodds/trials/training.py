"""The best fixed order of tests, found on machines drawn for training.

A training machine shows every test once. An order is followed on each until a repair is ripe or
the order ends; what acting then costs is added (:func:`acting.order`). Beliefs here are the
planner's (readings independent given whole state and adapter), and what a repair waits for is
counted as if it passed: fast enough to try hundreds of orders. The best of them are then followed
as in a trial, and the order found there is judged like every other policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.tables import Flags
from benchodds.choose.acting import Acts, chain_of, order
from benchodds.choose.decision import Decision
from benchodds.choose.policies import by_rate
from benchodds.choose.rules import Seen, allowed
from benchodds.trials.draws import Nature, Numbers
from benchodds.trials.places import World
from benchodds.trials.policies import FixedOrder, Order, grown, improved
from benchodds.trials.simulate import run_job

TRAINING = 1_000_000
"""Job numbers of training machines begin here, so that none is met again in the trial."""


@dataclass
class Training:
    """Machines to try orders on: for each, the group that every test shows."""

    decision: Decision
    shown: dict[str, Numbers]

    def __post_init__(self) -> None:
        self.acts = Acts.of(self.decision)
        self.act_at = np.array([r.act_at for r in self.decision.remedies])
        self.checks = {c.name: c for c in self.decision.checks}
        self.n = len(next(iter(self.shown.values())))

    def cost(self, tests: tuple[str, ...]) -> float:
        """Average cost of following an order, then acting, in money."""
        d, rows = self.decision, np.arange(self.n)
        p = np.broadcast_to(d.p, (self.n, *d.p.shape)).copy()
        live, minutes = np.ones(self.n, dtype=bool), np.zeros(self.n)
        passed: dict[str, Flags] = {}
        at = d
        for test in tests:
            check = self.checks[test]
            failed = {t: ~good for t, good in passed.items()}
            marks = Seen(dict.fromkeys(at.done, True), passed, failed)
            can = live & allowed(check.rule, marks, p.sum(axis=2))
            if not can.any():
                continue
            shown = self.shown[test]
            signs = np.array(check.signs)
            seen = check.p[:, :, shown].transpose(2, 0, 1)
            p[can] *= seen[can]
            p[can] /= p[can].sum(axis=(1, 2), keepdims=True)
            minutes[can] += at.minutes_of(check)
            passed[test] = can & (signs[shown] > 0)
            at = replace(
                at,
                done=at.done | {test},
                spent=at.spent | {test},
                passed=at.passed | {test},
                opened=at.opened | check.setups,
            )
            waits = np.array([chain_of(at, r) != () for r in d.remedies])
            needed = p.sum(axis=2) @ self.acts.needed.T
            live &= ~((needed >= self.act_at) & ~waits).any(axis=1)
            if not live.any():
                break
        chains = [chain_of(at, r) for r in d.remedies]
        before = np.array(
            [np.inf if c is None else at.labour.minutes(c, at.opened) for c in chains]
        )
        mended = np.zeros((self.n, len(d.remedies)), dtype=bool)
        found = order(self.acts, p.sum(axis=2), mended, np.broadcast_to(before, mended.shape))
        return float((d.rate * (minutes + found.minutes) + found.money)[rows].mean())


def train(world: World, nature: Nature, seed: int, jobs: int) -> Training:
    """Draw machines to train on."""
    place = world.start()
    decision, how = place.decision, place.how
    names = [c.name for c in decision.checks]
    shown: dict[str, list[int]] = {t: [] for t in names}
    tests = {t: world.shown(t, how) for t in names}
    for job in range(jobs):
        rng = np.random.default_rng([seed, TRAINING + job])
        truth = nature.machine(rng)
        for test, luck in zip(names, rng.random(len(names)).tolist(), strict=True):
            shown[test].append(tests[test].reading(truth, luck))
    return Training(decision, {t: np.array(v, dtype=np.intp) for t, v in shown.items()})


def trained_order(
    world: World, nature: Nature, seed: int, jobs: int, starts: Sequence[Order], tries: int
) -> Order:
    """The best fixed order found: a rough search on what the planner believes, then a finer one.

    The finer one, with a tenth of the tries, follows each order through a third of the machines
    as in the trial itself.
    """
    rough = train(world, nature, seed, jobs)
    tests = list(rough.checks)
    rng = np.random.default_rng([seed, TRAINING])
    first = improved(rough.cost, [grown(rough.cost, tests), *starts], tests, rng, tries)

    def cost(tried: Order) -> float:
        policy = FixedOrder("training", tried)
        rows = (
            run_job(seed, TRAINING + job, world.machine, nature, world, [policy])[0]
            for job in range(max(1, jobs // 3))
        )
        return float(np.mean([row.cost for row in rows]))

    by_bits = tuple(c.name for c, _bits in by_rate(rough.decision, rough.decision.checks))
    return improved(cost, [first, by_bits, *starts], tests, rng, tries // 10)
