"""Posteriors of a job by weighted draws, whole state by whole state, with their errors.

Faults are steady and the machine was not worked on. Where several narrow readings of one meter
meet, draws with a meter that is off may be too few to be seen at all, and the error of that then
says too little: such a difference is not held against the tool before more draws confirm it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from witness.laws import Floats, names
from witness.machine import Draws, Plan, State, System, View
from witness.readings import Bench, Reading

LEAST = 1e-4
"""Share of the probability that states of two faults and more may have at the most, going by
their parts, and be left to those that stand for others."""
LONG = 1e-3
"""Share from which it is learnt anew where their draws matter."""
BLURS = (50.0, 20.0, 8.0, 3.0, 1.5, 1.0, 1.0)
"""Rounds in which it is learnt where draws of a state matter: how much wider errors are."""
MORE = 4
"""How many times as many draws these rounds take."""
GOOD = 0.1
"""Share of draws that count, at least, where nothing more is to be learnt."""
SOME = 40
"""How many stand for all that are left."""
MARK = 3e-5
"""Share of the probability from which a state has draws in full."""
AT_ONCE = 6
"""States that get more draws before it is asked again which need them."""
MOST_FAULTS = 3
"""Faults at once; more are left out."""
GEAR = ("adapter dead", "meter off")


@dataclass(frozen=True)
class Job:
    """A job: readings are test, values and what was said of how they were taken."""

    system: str
    complaint: str
    readings: Sequence[tuple[str, Sequence[str], Mapping[str, Any]]]
    variant: str = ""
    contexts: Sequence[str] = ()

    @property
    def taken(self) -> list[Reading]:
        """Readings with the placing of the probes that each was read through."""
        out: list[Reading] = []
        for i, (test, values, how) in enumerate(self.readings):
            hookup = out[-1].hookup if out and how.get("same_hookup") else f"hookup {i}"
            out.append(Reading(f"r{i}", test, tuple(values), how, hookup))
        return out


@dataclass
class Found:
    """What the draws say: probabilities by name with standard errors, and the log evidence."""

    p: dict[str, float]
    error: dict[str, float]
    log_evidence: float
    log_error: float
    left_out: float
    ess: float


@dataclass
class _Tally:
    """Draws of one state's readings so far: means by batch, of its likelihood and of the gear's."""

    like: list[float] = field(default_factory=list)
    gear: list[list[float]] = field(default_factory=list)
    ess: float = 0.0
    plan: Plan = field(default_factory=Plan)

    def mean(self) -> float:
        """Likelihood of the readings."""
        return float(np.mean(self.like))


class Witness:
    """Draws of one job."""

    def __init__(self, job: Job, seed: int = 0) -> None:
        self.job, self.seed = job, seed
        self.system = System(job.system, job.variant)
        self.bench = Bench(self.system)
        self.readings = job.taken
        self.tallies: dict[State, _Tally] = {}
        self.met: set[str] = set()

    def touched(self) -> set[str]:
        """Components on which some reading depends."""
        out: set[str] = set()
        for reading in self.readings:
            test = self.system.tests[reading.test]
            used = [n for k in ("signal", "in_circuit") if test.get(k) for n in names(test[k])]
            used += [test["jitter"]] if test.get("jitter") else []
            used += [cause.split(".")[0] for cause in test.get("causes", {})]
            for name in used:
                out |= self.system.relevant.get(name, frozenset())
                out |= {name} & self.system.components.keys()
        return out

    def drawn(self, state: State, n: int, batch: int, plan: Plan) -> tuple[Draws, Floats]:
        """Weighted likelihoods of all readings in one state, (n,)."""
        draws = Draws(n, (self.seed, batch), plan)
        view = View(self.system, draws, state)
        like: Floats = np.ones(n)
        for reading in self.readings:
            like = like * self.bench.likelihood(reading, view)
        return draws, like * draws.weight

    def learn(self, state: State, n: int, plan: Plan, *, long: bool = True) -> None:
        """Learn where draws of a state matter: from another's plan where that will do, else round
        by round, errors of meters wider at first."""
        tally = self.tallies.setdefault(state, _Tally())
        draws, f = self.drawn(state, n, 10_000, plan)
        tally.plan = draws.learnt(f)
        if not long or _ess(f) > GOOD * n:
            return
        known = Plan()
        for i, blur in enumerate(BLURS, start=1):
            self.bench.blur = blur
            draws, f = self.drawn(state, MORE * n, 10_000 + i, known)
            known = draws.learnt(f)
            if blur == 1 and _ess(f) > GOOD * MORE * n:
                break
        self.bench.blur = 1.0
        tally.plan = known

    def run(self, state: State, n: int, batches: int) -> None:
        """Add batches of draws of a state."""
        tally = self.tallies[state]
        for _ in range(batches):
            draws, f = self.drawn(state, n, len(tally.like), tally.plan)
            tally.like.append(float(f.mean()))
            tally.ess = _ess(f) / n
            none = (np.zeros(n), None)
            bad = [f * (draws.cases.get(g.split()[0], none)[0] > 0) for g in GEAR]
            self.met |= {g for g in GEAR if g.split()[0] in draws.cases}
            tally.gear.append([float(x.mean()) for x in bad])

    def plan(self, state: State) -> Plan:
        """What was learnt of a state; nothing of one that was not drawn."""
        return self.tallies[state].plan if state in self.tallies else Plan()

    def of_parts(self, state: State) -> Plan:
        """The plan of the likeliest state that has a fault less."""
        known = [s for s in _parts(state) if s in self.tallies]
        return self.plan(max(known, key=lambda s: self.tallies[s].mean(), default=state))


def _ess(f: Floats) -> float:
    """Effective number of weighted draws."""
    return float(f.sum() ** 2 / max((f**2).sum(), 1e-300))


def posterior(
    job: Job, target: float = 1e-3, most: int = 2000, n: int = 1024, seed: int = 0
) -> Found:
    """Posterior of every fault, part and of the gear.

    States are told apart by what the readings can see of them. A few draws of all of them come
    first, then of those that add most to the errors, until none is above ``target`` or ``most``
    batches of ``n`` draws are spent; of states that hardly matter some stand for all.
    """
    witness = Witness(job, seed)
    touched = witness.touched()
    prior: dict[State, float] = {}
    whole: dict[State, list[tuple[State, float]]] = {}
    for state, w in witness.system.states(job.complaint, job.contexts, MOST_FAULTS):
        seen = tuple(f for f in state if f[0] in touched)
        prior[seen] = prior.get(seen, 0.0) + w
        whole.setdefault(seen, []).append((state, w))
    levels = [[s for s in prior if len(s) == k] for k in range(MOST_FAULTS + 1)]
    for state in levels[0] + levels[1]:
        witness.learn(state, n, witness.plan(()))
        witness.run(state, n, 2)
    left: list[State] = []
    for level in levels[2:]:
        for state, likely in _worth(level, prior, witness.tallies):
            witness.learn(state, n // 2, witness.of_parts(state), long=likely > LONG)
            witness.run(state, n // 2, 2)
        left += [s for s in level if s not in witness.tallies]
    rest = _some(witness, left, prior, n // 4)
    _refine(witness, prior, n)
    spent = 0
    while True:
        told = _Told(witness, prior, whole, rest)
        parts = told.parts()
        if max(told.error.values(), default=0.0) < target or spent >= most or not parts.size:
            return told.found()
        for i in np.argsort(-parts)[:AT_ONCE]:
            if parts[i] > 0.003 * parts.max():
                state = told.states[i]
                witness.run(state, n, 8)
                spent += 8


def _parts(state: State) -> list[State]:
    """A state without one of its faults."""
    return [state[:i] + state[i + 1 :] for i in range(len(state))]


def _worth(
    level: Iterable[State], prior: Mapping[State, float], known: Mapping[State, _Tally]
) -> list[tuple[State, float]]:
    """States that may matter, by their prior and the greatest likelihood of their parts, and how
    much."""
    total = sum(prior[s] * t.mean() for s, t in known.items())
    best = max(t.mean() for t in known.values())
    out = []
    for state in level:
        likely = best if len(state) == 2 else _likely(state, known)
        if prior[state] * likely > LEAST * total:
            out.append((state, prior[state] * likely / total))
    return out


def _likely(state: State, known: Mapping[State, _Tally]) -> float:
    return max((known[s].mean() for s in _parts(state) if s in known), default=0.0)


def _refine(witness: Witness, prior: Mapping[State, float], n: int) -> None:
    """Draws in full of the states that carry probability: those so far only taught where."""
    weight = {s: prior[s] * t.mean() for s, t in witness.tallies.items()}
    total = sum(weight.values())
    for state, w in weight.items():
        if w > MARK * total:
            tally = witness.tallies[state]
            tally.like, tally.gear = [], []
            if tally.ess < GOOD:
                witness.learn(state, n, tally.plan)
            witness.run(state, n, 4)


def _some(
    witness: Witness, left: Sequence[State], prior: Mapping[State, float], n: int
) -> list[tuple[State, float]]:
    """Some of the states left out, with likelihoods that stand for all of them: drawn with
    chances by their prior and the greatest likelihood of their parts."""
    if not left:
        return []
    best = max(t.mean() for t in witness.tallies.values())
    likely = [_likely(s, witness.tallies) + 0.01 * best for s in left]
    q = np.array([prior[s] * x for s, x in zip(left, likely, strict=True)])
    q /= q.sum()
    rng = np.random.default_rng([witness.seed, 1])
    out = []
    for i in rng.choice(len(left), size=SOME, p=q):
        _draws, f = witness.drawn(left[i], n, 0, witness.of_parts(left[i]))
        out.append((left[i], float(f.mean()) / (SOME * q[i])))
    return out


class _Told:
    """Probabilities, with errors by propagation through the likelihoods of the states."""

    def __init__(
        self,
        witness: Witness,
        prior: Mapping[State, float],
        whole: Mapping[State, Sequence[tuple[State, float]]],
        rest: Sequence[tuple[State, float]],
    ) -> None:
        self.states = list(witness.tallies)
        self.tallies = [witness.tallies[s] for s in self.states]
        known = ((s, t.mean()) for s, t in zip(self.states, self.tallies, strict=True))
        every = [*known, *rest]
        self.n = n = len(self.states)
        self.w = np.array([prior[s] for s, _ in every])
        self.like = np.array([x for _, x in every])
        self.total = float(self.w @ self.like)
        self._spread = np.array([_of_mean(np.array(t.like)) for t in self.tallies])
        values: dict[str, Floats] = {}
        for i, (seen, _) in enumerate(every):
            for state, x in whole[seen]:
                for name in (y for c, m in state for y in (f"{c}.{m}", c)):
                    values.setdefault(name, np.zeros(len(self.w)))[i] += x / self.w[i]
        weight = self.w * self.like / self.total
        self.p = {name: float(weight @ v) for name, v in values.items()}
        self._factor = {k: self.w * (v - self.p[k]) / self.total for k, v in values.items()}
        self.error = {k: self._error(f) for k, f in self._factor.items()}
        for i, name in enumerate(GEAR):
            if name in witness.met:
                g = np.array([np.mean([x[i] for x in t.gear]) for t in self.tallies])
                p = self.p[name] = float(self.w[:n] @ g / self.total)
                parts = [
                    np.array([x[i] for x in t.gear]) - p * np.array(t.like) for t in self.tallies
                ]
                told = zip(self.w / self.total, parts, strict=False)
                self.error[name] = float(np.sqrt(sum((a * _of_mean(b)) ** 2 for a, b in told)))

    def _error(self, factor: Floats) -> float:
        """Standard error of a weighted sum of likelihoods."""
        rest = factor[self.n :] * self.like[self.n :]
        more = len(rest) * rest.var() if len(rest) else 0.0
        return float(np.sqrt(((factor[: self.n] * self._spread) ** 2).sum() + more))

    def parts(self) -> Floats:
        """What each state adds to the variance of what is least sure."""
        if not self._factor:
            return np.zeros(0)
        worst = max(self._factor, key=lambda k: self.error[k])
        return (self._factor[worst][: self.n] * self._spread) ** 2

    def found(self) -> Found:
        """The answer."""
        n, weight = self.n, self.w * self.like / self.total
        ess = sum(x * t.ess for x, t in zip(weight, self.tallies, strict=False))
        error, left = self._error(self.w / self.total), float(weight[n:].sum())
        return Found(self.p, self.error, float(np.log(self.total)), error, left, float(ess))


def _of_mean(x: Floats) -> float:
    return float(x.std(ddof=1) / np.sqrt(len(x)))
