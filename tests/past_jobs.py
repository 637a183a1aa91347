"""Draw past jobs from known shares, with honest and wrong closings: the truth for recovery.

The machine is drawn from given shares, the closing from the grades of ``priors/tuning``; how a
closing goes wrong is coded here anew, not taken from the code under test.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.learn.casebook import catalog
from benchodds.learn.cases import Case, Told
from benchodds.learn.learning import Learning
from benchodds.learn.likelihoods import ReadingWorth
from benchodds.learn.tally import Tally, alike
from benchodds.learn.tuning import Knowledge
from benchodds.learn.tuning_files import load_learning
from benchodds.model.priors import NONE, PriorSet

GRADES = {
    "bench-bad": 0.35,
    "swap-confirmed": 0.15,
    "came-good": 0.40,
    "gave-up": 0.07,
    "came-back": 0.03,
}


def knowledge(*systems: str, learning: Learning | None = None) -> Knowledge:
    """What tuning starts from: the shipped priors of some systems."""
    worths: dict[tuple[str, str], ReadingWorth] = {}

    def worth(system: str, variant: str) -> ReadingWorth:
        if (system, variant) not in worths:
            worths[system, variant] = ReadingWorth(load_machine(system, variant, system))
        return worths[system, variant]

    priors = {s: files.load_priors(s) for s in systems or ("mag-cdi",)}
    return Knowledge(priors, catalog, worth, learning or load_learning())


def shares_of(priors: PriorSet, complaint: str) -> dict[str, float]:
    """Shares of the file, summing to 1."""
    raw = {row.fault: row.share[complaint] for row in priors.rows}
    total = sum(raw.values())
    return {f: s / total for f, s in raw.items()}


@dataclass
class Shop:
    """A place whose true shares are known.

    ``shares[complaint]`` are true; ``suspected`` are what it believes, on which its wrong
    closings fall; ``grades`` how often it closes in which way.
    """

    shares: Mapping[str, Mapping[str, float]]
    learning: Learning
    suspected: Mapping[str, Mapping[str, float]] | None = None
    grades: Mapping[str, float] = field(default_factory=lambda: GRADES)
    system: str = "mag-cdi"
    variant: str = "early"
    name: str = ""
    contexts: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    blank: float = 0.5  # share of those given up that name nothing
    slipped: float = 0.0  # share of closings that name any fault at random, whatever the grade
    start: date = date(2022, 1, 3)
    days: int = 1000

    def __post_init__(self) -> None:
        model = catalog(self.system, self.variant)
        self._has = {*(f"{c}.{m}" for c, m in model.faults()), NONE}

    def true_shares(self, complaint: str, contexts: Sequence[str] = ()) -> dict[str, float]:
        """True shares of this machine, contexts included."""
        out = {f: s for f, s in self.shares[complaint].items() if f in self._has}
        for name in contexts:
            out = {f: s * self.contexts[name].get(f, 1.0) for f, s in out.items()}
        total = sum(out.values())
        return {f: s / total for f, s in out.items()}

    def case(self, number: int, complaint: str, rng: np.random.Generator, n: int) -> Case:
        """One closed job."""
        context: tuple[str, ...] = ()
        if self.contexts and rng.random() < 0.4:
            context = (str(rng.choice(sorted(self.contexts))),)
        shares = self.true_shares(complaint, context)
        truth = str(rng.choice(list(shares), p=list(shares.values())))
        grade = str(rng.choice(list(self.grades), p=list(self.grades.values())))
        told: tuple[str, ...] = ()
        if not (grade == "gave-up" and rng.random() < self.blank):
            told = (self.named(truth, grade, complaint, rng),)
        day = self.start + timedelta(days=number * self.days // max(n, 1))
        return Case(
            f"{self.name}{number}",
            day.isoformat(),
            self.system,
            self.variant,
            complaint,
            context,
            (Told(told, grade),),
            shop=self.name,
        )

    def named(self, truth: str, grade: str, complaint: str, rng: np.random.Generator) -> str:
        """What the closing names: the fault, another mode of the part, or another part."""
        spec = self.learning.grade(grade)
        believed = (self.suspected or self.shares)[complaint]
        part = truth.split(".")[0]
        inside = [f for f in sorted(self._has) if f.split(".")[0] == part and f != truth]
        outside = [f for f in sorted(self._has) if f.split(".")[0] != part]
        inside = [f for f in inside if believed.get(f, 0) > 0]
        if rng.random() < self.slipped:
            return str(rng.choice(sorted(self._has)))
        draw = rng.random()
        if draw < spec.right:
            return truth
        pool = inside if draw < spec.right + spec.part and inside else outside
        weight = np.array([believed.get(f, 0.0) for f in pool])
        return str(rng.choice(pool, p=weight / weight.sum()))


def tally_of(cases: Sequence[Case]) -> Tally:
    """Cases counted."""
    out = Tally(sources=["drawn"])
    for case in cases:
        out.rows += 1
        out.add(alike(case), 1, ("drawn", case.job))
    return out
