"""Small invented decisions, drawn at random or cut out of a large one, for exact comparison."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchodds.basics.tables import Array, State
from benchodds.choose.acting import waits_for
from benchodds.choose.decision import Check, Decision, Final, Remedy
from benchodds.choose.rules import Gate, Rule
from plain_steps import after_check, after_remedy, price_of_remedy


def fault(i: int) -> State:
    """A state with one fault."""
    return ((f"part{i}", "bad"),)


def random_decision(
    rng: np.random.Generator, n_faults: int = 4, n_checks: int = 4, n_gear: int = 2
) -> Decision:
    """Single faults, one pair and none; noisy checks through gear that one check can prove.

    Checks share set-ups, one waits for another, one is a swap that can harm its donor; the
    dearest remedy waits for a check. The numbers are drawn, the forms are those of a bench.
    """
    pair: State = (*fault(0), *fault(1))
    states: tuple[State, ...] = ((), *(fault(i) for i in range(n_faults)), pair)
    weight = rng.dirichlet(np.ones(len(states))) * np.array([0.4, *[1.0] * n_faults, 0.5])
    bad = rng.uniform(0.02, 0.3) if n_gear > 1 else 0.0
    gear = np.array([1 - bad, bad]) if n_gear > 1 else np.ones(1)
    setups = {"A": float(rng.uniform(2, 15)), "B": float(rng.uniform(1, 5))}
    checks = [_check(rng, i, states, n_gear, setups) for i in range(n_checks)]
    if n_checks > 2:
        checks[1] = replace(checks[1], rule=Rule((frozenset({"check0", "check2"}),)))
        checks[2] = replace(checks[2], harm=rng.uniform(0, 10, len(states)))
    if n_gear > 1:
        proof = np.zeros((len(states), 2, 2))
        proof[:, 0], proof[:, 1] = (0.99, 0.01), (0.02, 0.98)
        checks.append(Check("prove", 1.0, frozenset(), proof, (1, -1), np.zeros(len(states)),
                            proves="adapter"))  # fmt: skip
    remedies = []
    for i in range(n_faults):
        needed = np.array([fault(i)[0] in s for s in states])
        left = [tuple(f for f in s if f not in fault(i)) for s in states]
        price = float(np.exp(rng.uniform(0, 6)))
        wasted = price * (0.1 if rng.random() < 0.4 else 1.0)
        remedies.append(
            Remedy(
                f"mend{i}",
                float(rng.uniform(2, 60)),
                float(rng.choice([8.0, 33.0])),
                np.where(needed, price, wasted),
                needed,
                np.array([not x for x in left]) & needed,
                np.array([states.index(x) for x in left]),
            )
        )
    dearest = max(range(n_faults), key=lambda i: remedies[i].price.max())
    remedies[dearest] = replace(
        remedies[dearest], rule=Rule((frozenset({f"check{rng.integers(n_checks)}"}),), waived=True)
    )
    ending = Final("hand-back", np.array([0.0 if not s else 1200.0 for s in states]))
    missed = np.array([0.0 if not s else rng.choice([0.03, 0.15]) for s in states])
    p = (weight / weight.sum())[:, None] * gear
    return Decision(states, ("ok", "dead")[:n_gear], p, tuple(checks), tuple(remedies),
                    (ending,), setups, 1.0, 90.0 * missed, missed)  # fmt: skip


def gated(problem: Decision, rng: np.random.Generator) -> Decision:
    """The decision with a gate: its second check and dearest remedy wait for a pass of the first.

    Some faults would do harm; a remedy of one of them makes the first check's pass void.
    """
    faults = [s for s in problem.states if len(s) == 1]
    harming = {faults[int(i)][0] for i in rng.permutation(len(faults))[: 1 + len(faults) // 2]}
    harmed = np.array([float(bool(harming & set(s))) for s in problem.states])
    first, second, *others = problem.checks
    gate = Gate((frozenset({first.name}),), harmed, float(rng.uniform(0.2, 0.7)))
    dearest = max(problem.remedies, key=lambda r: r.price.max())
    remedies = [
        replace(
            r,
            rule=replace(r.rule, gate=gate) if r is dearest else r.rule,
            reopens=frozenset({first.name}) if (r.needed & (harmed > 0)).any() else frozenset(),
        )
        for r in problem.remedies
    ]
    second = replace(second, rule=replace(second.rule, gate=gate))
    checks = (replace(first, gates=True), second, *others)
    return replace(problem, checks=checks, remedies=tuple(remedies))


def plainly(d: Decision) -> float:
    """The least expected cost by trying everything, without bounds, sharing or rounding."""
    p = d.p.sum(axis=1)
    best = min(float(p @ f.cost) for f in d.finals)
    for r in d.remedies:
        if r.name not in d.mended and p[r.needed].sum() > 1e-12 and waits_for(d, r) == ():
            chance, then = after_remedy(d, r.name)
            cost = price_of_remedy(d, r)
            best = min(best, cost + (chance * plainly(then) if chance > 1e-12 else 0.0))
    for c in d.checks:
        if d.is_open(c):
            branches = [after_check(d, c.name, o) for o in range(c.p.shape[2])]
            cost = d.cost_of(c)
            best = min(best, cost + sum(q * plainly(then) for q, then in branches if q > 1e-12))
    return best


def _check(
    rng: np.random.Generator,
    number: int,
    states: tuple[State, ...],
    n_gear: int,
    setups: dict[str, float],
) -> Check:
    """A noisy comparison that fails on some faults; through dead gear it always fails."""
    seen = rng.random(len(states)) < 0.45
    passes = np.array([any(seen[1 + int(c[4:])] for c, _ in s) for s in states])
    sure = rng.uniform(0.8, 0.99, len(states))
    ok = np.where(passes, 1 - sure, sure)
    n = int(rng.integers(2, 4))
    p = np.zeros((len(states), n_gear, n))
    p[:, 0, 0], p[:, 0, 1:] = ok, ((1 - ok) / (n - 1))[:, None]
    if n == 3:  # how it fails tells a little more
        tilt = rng.uniform(0.1, 0.9, len(states))
        p[:, 0, 1], p[:, 0, 2] = (1 - ok) * tilt, (1 - ok) * (1 - tilt)
    if n_gear > 1:
        through = rng.random() < 0.6
        p[:, 1] = np.array([0.02, *[0.98 / (n - 1)] * (n - 1)]) if through else p[:, 0]
    names = [s for s in setups if rng.random() < 0.5]
    return Check(
        f"check{number}",
        float(rng.uniform(1, 12)),
        frozenset(names),
        p,
        (1, *[-1] * (n - 1)),
        np.zeros(len(states)),
    )


def cut(decision: Decision, states: int, checks: int, rng: np.random.Generator) -> Decision:
    """A small decision cut out of a large one: some states, some checks of few outcomes."""
    p = decision.p.sum(axis=1)
    top = [int(i) for i in np.argsort(-p)[: 3 * states]]
    chosen = set(rng.choice(top, size=min(states, len(top)), replace=False).tolist())
    while True:  # what remedies leave is a state too
        more = {int(r.rest[s]) for r in decision.remedies for s in chosen} | chosen
        if more == chosen:
            break
        chosen = more
    rows = np.array(sorted(chosen))
    place = np.full(len(p), -1)
    place[rows] = np.arange(len(rows))
    weight = decision.p[rows] / decision.p[rows].sum()
    tests = [few(c, decision.p) for c in decision.checks]
    names = rng.choice(len(tests), size=checks, replace=False)
    kept = [tests[int(i)] for i in sorted(names)]
    kept += [c for c in tests if c.proves and c not in kept]
    known = {c.name for c in kept}
    remedies = [
        replace(
            r,
            price=r.price[rows],
            needed=r.needed[rows],
            cures=r.cures[rows],
            rest=place[r.rest[rows]].astype(np.intp),
            rule=among(r.rule, known).kept(rows, decision.p.sum(axis=1)),
            reopens=r.reopens & known,
        )
        for r in decision.remedies
        if r.needed[rows].any()
    ]
    return replace(
        decision,
        states=tuple(decision.states[i] for i in rows),
        p=weight,
        checks=tuple(
            replace(
                c,
                p=c.p[rows],
                harm=c.harm[rows],
                rule=among(c.rule, known).kept(rows, decision.p.sum(axis=1)),
            )
            for c in kept
        ),
        remedies=tuple(remedies),
        finals=tuple(replace(f, cost=f.cost[rows]) for f in decision.finals),
        loss=decision.loss[rows],
        missed=decision.missed[rows],
    )


def among(rule: Rule, known: set[str]) -> Rule:
    """The rule without the groups of which no check is known."""
    gate = rule.gate
    if gate is not None:
        gate = replace(gate, passed=tuple(g for g in gate.passed if g & known))
    return replace(rule, first=tuple(g for g in rule.first if g & known), gate=gate)


def few(check: Check, weight: Array) -> Check:
    """The check with its outcomes merged by sign."""
    signs = sorted(set(check.signs), reverse=True)
    members = [[i for i, s in enumerate(check.signs) if s == sign] for sign in signs]
    if len(signs) == 1:  # nothing is inside or outside a limit: the likeliest against the rest
        chance = np.einsum("sg,sgo->o", weight, check.p)
        best = int(chance.argmax())
        members = [[best], [i for i in range(len(check.signs)) if i != best]]
        signs = [signs[0]] * 2
    p = np.stack([check.p[:, :, m].sum(axis=2) for m in members], axis=2)
    return replace(check, p=p, signs=tuple(signs))
