"""Whether recent jobs still look like the prior, and which readings the model finds surprising.

Posterior predictive check (D. Rubin, Annals of Statistics 12 (1984); Gelman et al., Bayesian
Data Analysis, 3rd ed., 6.3): jobs are drawn anew from the prior set, its own uncertainty and
wrong closings included, and the distance of what was named from what was expected is compared
with that of the drawn ones.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from benchodds.basics.errors import BenchoddsError
from benchodds.basics.tables import Array
from benchodds.infer.assess import Machine, assess
from benchodds.learn.learning import Learning
from benchodds.learn.likelihoods import closing_likelihood, fault_names, job_of
from benchodds.learn.rolling import forecast
from benchodds.learn.tally import Alike, Tally
from benchodds.learn.tuning import Knowledge
from benchodds.model.priors import PriorSet

LEAST_SHARE = 1e-6
"""Least share of a fault in suspicion, so that none is impossible to name."""


@dataclass(frozen=True)
class Drift:
    """Recent jobs of one system and complaint against a prior set.

    ``p`` is the chance of a distance as large or larger; ``unlike`` are the faults named most
    unlike what was expected: (fault, named, expected).
    """

    system: str
    complaint: str
    jobs: int
    p: float
    unlike: tuple[tuple[str, int, float], ...]
    alarm: float

    @property
    def alarmed(self) -> bool:
        """Whether recent jobs look unlike the prior."""
        return self.p < self.alarm


def recent_start(tally: Tally, learning: Learning) -> str:
    """First day of what counts as recent."""
    last = date.fromisoformat((tally.last + "-28")[:10])
    return (last - timedelta(days=learning.drift.recent_days)).isoformat()


def check(
    recent: Tally, priors: Mapping[str, PriorSet], knowledge: Knowledge, rng: np.random.Generator
) -> list[Drift]:
    """Every system and complaint with jobs enough, the least likely first.

    Parameters
    ----------
    recent : Tally
        Jobs that ``priors`` were not learned from.
    """
    learning = knowledge.learning
    groups: defaultdict[tuple[str, str], list[tuple[Alike, int]]] = defaultdict(list)
    for kind in sorted(recent.counts):
        if len(kind.told[-1].faults) == 1:
            groups[kind.system, kind.complaint].append((kind, recent.counts[kind]))
    out = []
    for (system, complaint), kinds in groups.items():
        jobs = sum(n for _, n in kinds)
        if jobs >= learning.drift.least_jobs:
            out.append(_one(system, complaint, kinds, priors[system], knowledge, rng))
    return sorted(out, key=lambda d: (d.p, d.system, d.complaint))


def _one(
    system: str,
    complaint: str,
    kinds: Sequence[tuple[Alike, int]],
    priors: PriorSet,
    knowledge: Knowledge,
    rng: np.random.Generator,
) -> Drift:
    learning = knowledge.learning
    strength = priors.strengths.get(complaint, priors.strength)
    faults = tuple(row.fault for row in priors.rows)
    column = {f: i for i, f in enumerate(faults)}
    draws = learning.check.draws
    seen = np.zeros(len(faults))
    expected, drawn = np.zeros(len(faults)), np.zeros((draws, len(faults)))
    base = np.array([row.share[complaint] for row in priors.rows])
    base = base / base.sum()
    tilt = rng.dirichlet(np.maximum(strength * base, 1e-9), draws) / np.maximum(base, 1e-12)
    groups: Counter[tuple[Alike, str]] = Counter()
    for kind, n in kinds:
        alone = kind._replace(shop="", told=(), readings=(), period="", work=())
        groups[alone, kind.told[-1].grade] += n
        seen[column[kind.told[-1].faults[0]]] += n
    for (kind, grade), n in sorted(groups.items()):
        model = knowledge.catalog(system, kind.variant)
        names = fault_names(model)
        where = [column[f] for f in names]
        shares = forecast(priors, model, kind)
        named = naming(names, grade, learning, shares)
        expected[where] += n * (shares @ named)
        each = shares * tilt[:, where]
        each = (each / each.sum(axis=1, keepdims=True)) @ named
        drawn[:, where] += rng.multinomial(n, each / each.sum(axis=1, keepdims=True))
    scale = np.maximum(expected, 0.5)
    distance = float(((seen - expected) ** 2 / scale).sum())
    others = ((drawn - expected) ** 2 / scale).sum(axis=1)
    p = (1 + int((others >= distance).sum())) / (1 + draws)
    far = np.argsort(-np.abs(seen - expected) / np.sqrt(scale), kind="stable")[:3]
    unlike = tuple((faults[i], int(seen[i]), float(expected[i])) for i in far)
    return Drift(system, complaint, int(seen.sum()), p, unlike, learning.drift.alarm)


def naming(names: Sequence[str], grade: str, learning: Learning, shares: Array) -> Array:
    """P(closing names a fault | true fault), rows true faults, columns named; rows sum to 1."""
    spec = learning.grade(grade)
    suspicion = np.maximum(shares, LEAST_SHARE)
    columns = [closing_likelihood(names, f, spec.right, spec.part, suspicion) for f in names]
    table = np.stack(columns, axis=1)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


@dataclass(frozen=True)
class Surprise:
    """A reading that is probably a slip, and its job's kind."""

    period: str
    system: str
    test: str
    values: tuple[str, ...]
    p: float


@dataclass(frozen=True)
class Surprises:
    """Surprising readings, and by test: readings, slips expected by the model, slips found."""

    readings: tuple[Surprise, ...]
    tests: Mapping[tuple[str, str], tuple[int, float, float]]
    jobs: int
    not_read: int


def surprises(
    recent: Tally,
    machines: Callable[[str, str], Machine],
    priors: Mapping[str, PriorSet],
    most_jobs: int,
    least: float = 0.5,
) -> Surprises:
    """Probability that each reading is a slip, given all readings of its job; latest jobs first."""
    kinds = sorted((k for k in recent.counts if k.readings), key=lambda k: k.period, reverse=True)
    found, skipped = [], 0
    tests: defaultdict[tuple[str, str], list[float]] = defaultdict(lambda: [0, 0.0, 0.0])
    for kind in kinds[:most_jobs]:
        machine = replace(machines(kind.system, kind.variant), priors=priors[kind.system])
        job = replace(job_of(machine, (kind.readings, ()), kind.complaint), contexts=kind.contexts)
        job = replace(job, perhaps=dict(kind.perhaps), replaced=kind.replaced)
        try:
            slips = assess(machine, job).slips
        except BenchoddsError:
            skipped += 1
            continue
        n = recent.counts[kind]
        for reading in job.readings:
            if reading.id in slips:
                p = slips[reading.id]
                row = tests[kind.system, reading.test]
                row[0] += n
                row[1] += n * machine.bench.slip.chance
                row[2] += n * p
                if p >= least:
                    found.append(
                        Surprise(kind.period, kind.system, reading.test, reading.values, p)
                    )
    by_test = {k: (int(a), b, c) for k, (a, b, c) in tests.items()}
    found.sort(key=lambda s: -s.p)
    return Surprises(tuple(found), by_test, len(kinds[:most_jobs]), skipped)
