"""What a past job says about which fault it was: its readings, and how it was closed.

Readings: P(readings | fault), by the same exact inference that serves the bench, with the
priors taken out again. Tests that were not done carry no likelihood: which test a shop does
next depends on what it knew by then, and so cancels out (ignorable, in the sense of D. Rubin,
Inference and missing data, Biometrika 63 (1976)).

Closings: a closing names the fault rightly in a known share of cases; where it is wrong it
falls on what the shop had reason to suspect, which is the starting prior, in most cases times
the likelihood of the readings. So readings that misled the shop are not counted as if they
confirmed it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.errors import EvidenceError, TooLargeError
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, State
from benchodds.infer import intermittent
from benchodds.infer.assess import MOST_FOLDED, Machine, network_of, understand
from benchodds.infer.epochs import RANKS
from benchodds.infer.machine import FoldedNetwork
from benchodds.learn.cases import Told
from benchodds.learn.learning import Learning
from benchodds.learn.written import Course, Done, Written
from benchodds.model.jobs import Action, Job, Reading
from benchodds.model.priors import NONE, PriorSet, flat_priors
from benchodds.model.system import SystemModel

AT = "2000-01-01T00:00:00Z"
LEAST = 1e-200
"""Least likelihood, against the best explained fault: far below the floor of any reading."""

Said = tuple[str, ...]
"""Complaint and contexts of a job."""

NETWORKS = 64
"""Most networks with readings that are held at a time."""


def fault_names(model: SystemModel) -> tuple[str, ...]:
    """All faults of a machine, and last that there is none."""
    return (*(f"{c}.{m}" for c, m in model.faults()), NONE)


def job_of(machine: Machine, course: Course, complaint: str = "") -> Job:
    """A job that holds these readings and repairs and nothing else."""
    readings: list[Reading] = []
    actions: list[Action] = []

    def read(some: Sequence[Written]) -> None:
        for w in some:
            name, seq = f"R{len(readings) + 1}", len(readings) + len(actions) + 1
            readings.append(Reading(name, seq, w.test, w.values, w.taken(), AT))

    read(course[0])
    for n, done in enumerate(course[1], start=1):
        seq = len(readings) + n
        actions.append(Action(f"D{n}", seq, AT, done.repair, back=done.back))
        read(done.readings)
    model = machine.model
    complaint = complaint or next(iter(model.complaints))
    names = (model.id, model.variant, complaint, (), model.version, "", "")
    taken, acted = tuple(readings), tuple(actions)
    return Job("past", *names, opened_at=AT, readings=taken, actions=acted)


@dataclass
class ReadingWorth:
    """Likelihood of readings under each single fault of one machine, and under none.

    The machine's priors play no part: flat ones take their place and are divided out.
    """

    machine: Machine
    _kept: dict[tuple[Course, Said | None], Array] = field(default_factory=dict)
    _blank: dict[tuple[Course, Said, bool], Array] = field(default_factory=dict)
    _networks: dict[Course, FoldedNetwork] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.machine = replace(self.machine, priors=flat_priors(self.machine.model))
        single: list[State] = [(fault,) for fault in self.machine.model.faults()]
        self._states = (*single, ())
        self._before = self._folded(()).log_weights

    def __call__(
        self,
        readings: tuple[Written, ...],
        work: tuple[Done, ...] = (),
        said: Said | None = None,
    ) -> Array:
        """P(readings | fault), largest 1, in the order of :func:`fault_names`.

        What was read after repairs counts for the fault that the machine came with, over all that
        its part may have gone through; where that takes too much, what was read before them does.
        Where complaint and contexts are ``said``, a fault may have come and gone, with the share
        that the model file has for these; else, and where that takes too much, it was always
        there.

        Raises
        ------
        ReadingError
            When a value cannot be one of its test's.
        EvidenceError
            When no fault explains the readings.
        """
        course = (readings, work if any(d.readings for d in work) else ())
        if (course, said) not in self._kept:
            logs = self.log_likelihoods(*course, said)
            top = float(logs.max())
            if not math.isfinite(top):
                raise EvidenceError(_("no single fault explains these readings together"))
            self._kept[course, said] = np.maximum(np.exp(logs - top), LEAST)
        return self._kept[course, said]

    def log_likelihoods(
        self,
        readings: tuple[Written, ...],
        work: tuple[Done, ...] = (),
        said: Said | None = None,
    ) -> Array:
        """Log P(readings | fault), errors as above; -inf for what cannot be."""
        spells = said is not None and bool(intermittent.spells(self.machine))
        ways = [((readings, work), spells), ((readings, work), False), ((readings, ()), spells)]
        for course, unsteady in ways:
            if unsteady or course[1]:
                with suppress(TooLargeError):
                    before = self._over_courses(((), ()), said or (), unsteady)
                    return self._over_courses(course, said or (), unsteady) - before
        return np.asarray(self._folded(readings).log_weights - self._before)

    def _over_courses(self, course: Course, said: Said, spells: bool) -> Array:
        """Log P(fault it came with, readings of all epochs), over its part's courses since, and
        over the ways in which it may come and go; worked out once where nothing was read."""
        if (course, said, spells) in self._blank:
            return self._blank[course, said, spells]
        job = replace(job_of(self.machine, course, *said[:1]), contexts=said[1:])
        taken = understand(self.machine, job)
        network = network_of(self.machine, job, taken, cells=RANKS[1], spells=spells)
        histories = courses(network)
        if spells:
            histories = (*histories, *intermittent.histories(network, self.machine, histories))
        folded = FoldedNetwork(network, histories, MOST_FOLDED)
        roots = dict(zip(network.roots, self.machine.modes, strict=True))
        out = np.full(len(self._states), -math.inf)
        for history, log in zip(histories, folded.history_log_weights, strict=True):
            came = tuple((roots[v], mode) for v, mode in history if v in roots)
            i = self._states.index(came)
            out[i] = np.logaddexp(out[i], log)
        if not any(course):
            self._blank[course, said, spells] = out
        return out

    def outcomes(self, readings: tuple[Written, ...], after: Written) -> Array:
        """P(outcome of one more test | fault, readings); rows by fault, each sums to 1."""
        _, predictive = self.machine.predictive(after.test, after.taken())
        p = self._folded(readings).outcomes(predictive)
        return np.asarray(p / p.sum(axis=1, keepdims=True))

    def _folded(self, readings: tuple[Written, ...]) -> FoldedNetwork:
        course: Course = (readings, ())
        if course not in self._networks:
            if len(self._networks) >= NETWORKS:
                self._networks.clear()
            job = job_of(self.machine, course)
            network = network_of(self.machine, job, understand(self.machine, job))
            self._networks[course] = FoldedNetwork(network, self._states)
        return self._networks[course]


def courses(network: Network) -> tuple[State, ...]:
    """What every component of a machine that was worked on may have gone through, one at a time.

    All else is good throughout: what the work may have spoilt beside a fault is left out.
    """
    found: dict[State, None] = {(): None}
    for root in network.roots:
        names, mine = network.variables[root].states, {root}
        line: list[State] = [(), *(((root, mode),) for mode in names[1:])]
        for node in network.later:
            before = network.tables[node].scope[1]
            if before in mine:
                mine.add(node)
                p = network.tables[node].p
                line = [
                    (*history, (node, names[j])) if j else history
                    for history in line
                    for j in np.flatnonzero(p[:, names.index(dict(history).get(before, names[0]))])
                ]
        found |= dict.fromkeys(line)
    return tuple(found)


def closing_likelihood(
    faults: Sequence[str], named: str, right: float, part: float, suspicion: Array
) -> Array:
    """P(a closing names ``named`` | true fault), for every true fault.

    Parameters
    ----------
    faults : names, in order
        All that it could be, ``none.elec`` among them.
    named : str
        What the closing says.
    right, part : float
        Shares of closings that name the fault itself, and the part but another mode.
    suspicion : (n_faults,) array
        How far the shop had reason to suspect each (any common scale), > 0.

    Notes
    -----
    A wrong mode falls on the other modes of the part, a wrong part on other parts, each in
    proportion to suspicion. What has nowhere to fall (a part with one mode) joins the rest.
    """
    same, other = _parts(tuple(faults))
    at = list(faults).index(named)
    inside, outside = other @ suspicion, ~same @ suspicion  # other modes of a part; other parts
    share_part = np.where(other.any(axis=1), part, 0.0)
    # Where nothing else could be suspected the share of such closings stays unused.
    of_part = suspicion[at] / np.where(inside > 0, inside, np.inf)
    of_rest = suspicion[at] / np.where(outside > 0, outside, np.inf)
    out = np.where(same[at], share_part * of_part, (1 - right - share_part) * of_rest)
    out[at] = right
    return np.asarray(out)


@lru_cache(maxsize=64)
def _parts(faults: tuple[str, ...]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether two faults are of one part, and whether they are two modes of one."""
    parts = np.array([f.split(".")[0] for f in faults])
    same = parts[:, None] == parts
    return same, same & ~np.eye(len(faults), dtype=bool)


def told_likelihood(
    faults: Sequence[str], told: Sequence[Told], learning: Learning, suspicion: Array
) -> Array:
    """P(all closings of a job | true fault), up to a factor, for a job with one fault.

    A closing without a fault says nothing; several in one closing are guesses, one as good as
    another.
    """
    out = np.ones(len(faults))
    for item in told:
        grade = learning.grade(item.grade)
        guesses = [
            closing_likelihood(faults, f, grade.right, grade.part, suspicion) for f in item.faults
        ]
        if guesses:
            out = out * np.mean(guesses, axis=0)
    return out


def together(told: Sequence[Told], learning: Learning) -> tuple[str, ...]:
    """The faults of a job closed with several at once; empty where there is one, or a guess."""
    last = told[-1]
    sure = learning.grade(last.grade).right >= 0.5
    return last.faults if sure and len(last.faults) > 1 else ()


def link_share(priors: PriorSet, fault: str, others: Sequence[str]) -> float:
    """Share of a second fault that counts for itself, not for having been brought on.

    A link multiplies the odds of ``fault`` by ``times`` when another is there; of such pairs
    1 / times would be there without the link.
    """
    times = 1.0
    for link in priors.links:
        if link.raises == fault and (link.given == "any" or link.given in others):
            times *= link.times
    return 1.0 / max(times, 1.0)
