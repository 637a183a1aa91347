"""Prior sets tried on jobs that they have not seen: rolling origin.

The jobs up to an origin are learned from, those until the next origin are forecast, and so on
(rolling-origin evaluation; L. Tashman, International Journal of Forecasting 16 (2000)). Only
jobs whose closing is proof, with one fault, are scored; the others are counted and named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchodds.basics.language import N_, _
from benchodds.basics.tables import Array
from benchodds.learn.learning import Learning
from benchodds.learn.likelihoods import fault_names
from benchodds.learn.pooling import fit
from benchodds.learn.scoring import Bin, Parts, difference, log_losses, murphy, reliability
from benchodds.learn.tally import Alike, Tally
from benchodds.learn.tuned import Origin, at_fit, build
from benchodds.learn.tuning import Knowledge, nameless, prepare, renewed_before
from benchodds.model.priors import PriorSet, single_shares
from benchodds.model.system import SystemModel

EDGES = np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
"""Bins of the reliability curve: most forecasts are small."""

TUNED, SHIPPED, FLAT = N_("tuned"), N_("shipped"), N_("flat")


def forecast(priors: PriorSet, model: SystemModel, kind: Alike) -> Array:
    """Odds before any reading, by fault in the order of :func:`fault_names`; sum to 1."""
    shares = single_shares(priors, model, kind.complaint, kind.told_before)
    gone = renewed_before(model, kind.replaced)
    p = np.array([0.0 if f in gone else shares[f] for f in fault_names(model)])
    return np.asarray(p / p.sum())


@dataclass(frozen=True, eq=False)
class Scored:
    """``count`` jobs alike: what came true, and what each set said of every fault."""

    kind: Alike
    count: int
    happened: int
    said: Mapping[str, Array]


@dataclass(frozen=True)
class Scores:
    """Scores of one set: log loss, Brier over all faults, its parts by single forecasts."""

    log_loss: float
    brier: float
    parts: Parts
    curve: tuple[Bin, ...]


@dataclass
class Rolled:
    """Scored jobs, and how many were not scored and why."""

    scored: list[Scored] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    origins: tuple[str, ...] = ()

    @property
    def jobs(self) -> int:
        """Number of scored jobs."""
        return sum(s.count for s in self.scored)

    def of(self, keep: Callable[[Scored], bool]) -> Rolled:
        """The scored jobs that a test keeps."""
        return Rolled([s for s in self.scored if keep(s)], self.left_out, self.origins)

    @property
    def times(self) -> Array:
        """How many jobs each scored row stands for."""
        return np.array([s.count for s in self.scored], dtype=float)

    def losses(self, name: str) -> Array:
        """Log loss of one set, row by row."""
        each = [float(log_losses(s.said[name][None], [s.happened])[0]) for s in self.scored]
        return np.array(each)

    def loss(self, name: str) -> float:
        """Mean log loss of one set over all jobs."""
        return float(np.average(self.losses(name), weights=self.times))

    def scores(self, name: str, level: float) -> Scores:
        """All scores of one set."""
        p = np.concatenate([s.said[name] for s in self.scored])
        o = np.concatenate([np.arange(len(s.said[name])) == s.happened for s in self.scored])
        times = np.repeat(self.times, [len(s.said[name]) for s in self.scored])
        o = o.astype(float)
        squared = float(times @ (p - o) ** 2) / self.jobs
        curve = reliability(p, o, EDGES, level, times)
        return Scores(self.loss(name), squared, murphy(p, o, EDGES, times), curve)

    def against(self, name: str, other: str, level: float) -> tuple[float, float, float]:
        """By how much a set's log loss is above another's per job, with an interval."""
        return difference(self.losses(name), self.losses(other), level, self.times)


def truth_of(kind: Alike, names: Sequence[str], learning: Learning) -> int | str:
    """Index of the fault that proof found, or why the job is not scored."""
    last = kind.told[-1]
    if not learning.grade(last.grade).proof:
        return _("closed without proof")
    if len(last.faults) != 1:
        return _("several faults at once")
    return list(names).index(last.faults[0])


def origins_of(tally: Tally, n: int, first_share: float) -> list[str]:
    """Periods at which learning stops: the first after a share of the jobs, then evenly."""
    by_period: Counter[str] = Counter()
    for kind, count in tally.counts.items():
        by_period[kind.period] += count
    periods = sorted(by_period)
    before = np.cumsum([0, *(by_period[p] for p in periods)])[:-1] / max(tally.jobs, 1)
    wanted = first_share + (1 - first_share) * np.arange(n) / n
    at = np.searchsorted(before, wanted)
    return sorted({periods[i] for i in at if 0 < i < len(periods)})


def windows(tally: Tally, learning: Learning) -> Iterator[tuple[str, Tally, Tally]]:
    """Origin, jobs before it, jobs from it until the next."""
    cuts = origins_of(tally, learning.check.origins, learning.check.first_share)
    for i, cut in enumerate(cuts):
        end = cuts[i + 1] if i + 1 < len(cuts) else "~"
        yield cut, tally.until(cut), tally.within(cut, end)


def learn(
    tally: Tally, knowledge: Knowledge, half_life_days: float | None = None
) -> dict[str, PriorSet]:
    """Sets learned from a tally at the fitted point, by system; quick, without intervals."""
    counted = prepare(tally, knowledge, half_life_days=half_life_days)
    fitted = fit(counted.problem)
    point = at_fit(counted.problem, fitted)
    origin = Origin(("trial",), {}, "", "trial")
    return {s: build(s, counted, fitted, point, knowledge, origin, s)[0] for s in knowledge.priors}


def roll(
    tally: Tally,
    knowledge: Knowledge,
    rivals: Mapping[str, Mapping[str, PriorSet]],
    *,
    half_life_days: float | None = None,
    with_readings: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> Rolled:
    """Forecast every window with sets learned before it, and with ``rivals``, which stay.

    Parameters
    ----------
    rivals : by name, then by system
        Sets that are compared as they are, such as the shipped one and a flat one; a tuned
        one only on jobs later than those it was learned from.
    with_readings : bool
        Score the odds that each job's readings leave, instead of those before any reading;
        jobs without readings are left out.
    """
    out = Rolled()
    cuts = []
    for cut, before, after in windows(tally, knowledge.learning):
        tell(_("trying jobs from {cut} on").format(cut=cut))
        cuts.append(cut)
        sets = {TUNED: learn(before, knowledge, half_life_days), **rivals}
        for kind in sorted(after.counts):
            count = after.counts[kind]
            model = knowledge.catalog(kind.system, kind.variant)
            happened = truth_of(kind, fault_names(model), knowledge.learning)
            if isinstance(happened, str):
                out.left_out[happened] += count
                continue
            if with_readings and not kind.readings:
                out.left_out["no readings"] += count
                continue
            said = {
                name: forecast(by[kind.system], model, kind)
                for name, by in sets.items()
                if name == TUNED or not _seen(by[kind.system], kind)
            }
            if with_readings:
                found = knowledge.worths(kind.system, kind.variant)
                worth = found(nameless(kind.readings), said=kind.said)
                said = {name: p * worth / float(p @ worth) for name, p in said.items()}
            out.scored.append(Scored(kind, count, happened, said))
    out.origins = tuple(cuts)
    return out


def _seen(priors: PriorSet, kind: Alike) -> bool:
    """Whether a set was learned from jobs of this time already, so that it cannot be scored."""
    return priors.tuned is not None and kind.period <= priors.tuned.until
