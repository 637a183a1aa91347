"""What is expected of joined systems before any reading.

A complaint is about one system, and needs a fault there: one of its own parts, a shared part, or
a fault of another system that its own stand for. The faults of systems that nobody complained
of are there with the chance that their prior file gives for such a machine (``unnoticed``).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.basics.tables import Special, Table
from benchodds.model.join import JoinedModel
from benchodds.model.joinnames import PLUS, Fault, Naming, causes_of, namings, raisings
from benchodds.model.priors import Contexts, FaultPrior, Link, PriorSet, fault_prior, root
from benchodds.model.system import SystemModel

Odds = dict[Fault, float]


class JoinedPriors(PriorSet):
    """The prior sets of joined systems, in their order."""

    parts: tuple[PriorSet, ...] = ()


def join_priors(priors: Sequence[PriorSet]) -> JoinedPriors:
    """The prior sets of several systems as one."""
    return JoinedPriors(
        schema=1,
        id=PLUS.join(p.id for p in priors),
        version=PLUS.join(p.version for p in priors),
        system=PLUS.join(p.system for p in priors),
        notice=" ".join(dict.fromkeys(p.notice for p in priors)),
        strength=min(p.strength for p in priors),
        strengths={},
        tuned=None,
        together=priors[0].together,
        rows=(),
        contexts={},
        links=(),
        parts=tuple(priors),
    )


def joined_prior(
    priors: JoinedPriors, model: JoinedModel, complaint: str, contexts: Contexts
) -> FaultPrior:
    """Prior of a joined machine, given what was complained of and what went before.

    The weight of a whole state is the product of the odds of its faults and of the links, times,
    for every system complained of, the leak when none of the faults that explain it is there.
    """
    every = namings(model.parts)
    said = set(complaint.split(PLUS))
    views = [
        _View(naming, part, every, said, contexts)
        for naming, part in zip(every.values(), priors.parts, strict=True)
    ]
    odds = _merged(views)
    for view in views:
        view.lend(odds, views)
    faults = [(c, m) for c, spec in model.components.items() for m in spec.modes]
    specials: list[Special] = []
    links: list[Link] = []
    for view in views:
        links += view.links
        if view.complained:
            apart = frozenset(faults) - view.explaining
            specials.append(Special((), view.leak(odds), apart))
            for fault, times in view.any_links:
                odds[fault] = odds.get(fault, 0.0) * times
                specials.append(Special((fault,), 1 / times, apart))
    return FaultPrior(
        {
            c: np.array([odds.get((c, m), 0.0) for m in spec.modes])
            for c, spec in model.components.items()
        },
        1.0,
        tuple({(x.given, x.raises): x for x in links}.values()),
        tuple(specials),
        dict(_raised(every, model)),
    )


class _View:
    """What one system's priors say about the joined machine."""

    def __init__(
        self,
        naming: Naming,
        priors: PriorSet,
        every: Mapping[str, Naming],
        said: set[str],
        contexts: Contexts,
    ) -> None:
        self.naming, self.every = naming, every
        model = naming.model
        own = [c for c in model.complaints if c in said]
        self.complained = bool(own)
        told = contexts if isinstance(contexts, Mapping) else dict.fromkeys(contexts, 1.0)
        known = {c: w for c, w in told.items() if c in model.contexts}
        wanted = [PLUS.join(own)] if own else list(model.complaints)
        found = [fault_prior(priors, model, c, known) for c in wanted]
        self.own = _by_fault(found[0], model)
        self.none_share = _none_share(self.own, found[0].leak)
        if not self.complained:
            shares = [_unnoticed(priors, c) for c in model.complaints]
            each = [
                _scaled(_by_fault(p, model), u) for p, u in zip(found, shares, strict=True) if u > 0
            ]
            self.own = {f: sum(e[f] for e in each) for f in self.own}
        self.stands: dict[Fault, list[Fault]] = {
            f: causes_of(naming, every, f) for f in naming.stand_ins
        }
        self.odds: Odds = {
            naming.fault(*f): o for f, o in self.own.items() if f not in naming.stand_ins
        }
        self.explaining = frozenset(self.odds) | {f for fs in self.stands.values() for f in fs}
        self.links, self.any_links = _links(naming, priors)

    def lend(self, odds: Odds, views: Sequence[_View]) -> None:
        """Give the odds of stand-ins to the faults that they stand for, in their proportions.

        These explain the complaint just as the stand-in did, so they get its odds and no more.
        """
        if not self.complained:
            return
        told = {f for v in views if v.complained and v is not self for f in v.odds}
        for stand_in, faults in self.stands.items():
            free = {f: odds.get(f, 0.0) for f in faults if f not in told and f not in self.odds}
            total = sum(free.values())
            for fault, share in free.items():
                odds[fault] = self.own[stand_in] * share / total if total > 0 else 0.0

    def leak(self, odds: Mapping[Fault, float]) -> float:
        """P(complaint | nothing explains it), for the share that the priors give to none."""
        by_part: dict[str, float] = {}
        for part, mode in self.explaining:
            by_part[part] = by_part.get(part, 0.0) + odds.get((part, mode), 0.0)
        faulty = float(np.prod([1 + o for o in by_part.values()])) - 1
        return min(self.none_share / (1 - self.none_share) * faulty, 1.0)


def _by_fault(prior: FaultPrior, model: SystemModel) -> dict[Fault, float]:
    return {
        (c, m): float(o)
        for c, spec in model.components.items()
        for m, o in zip(spec.modes, prior.odds[c], strict=True)
    }


def _parts(odds: Mapping[Fault, float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    total: dict[str, float] = {}
    for (part, _mode), o in odds.items():
        total[part] = total.get(part, 0.0) + o
    return np.array(list(total.values()))


def _none_share(odds: Mapping[Fault, float], leak: float) -> float:
    """Share of machines with this complaint that have no fault, from the leak and back."""
    faulty = float(np.prod(1 + _parts(odds))) - 1
    return leak / (leak + faulty)


def _unnoticed(priors: PriorSet, complaint: str) -> float:
    if not priors.together.unnoticed:
        raise ModelError(
            f"{priors.id}: "
            + _(
                "together.unnoticed is missing in its prior file; say for each complaint in "
                "what share of machines such a fault is there, and nobody complained of it"
            )
        )
    return priors.together.unnoticed.get(complaint, 0.0)


def _scaled(odds: Mapping[Fault, float], share: float) -> dict[Fault, float]:
    """Odds scaled so that a machine has any of the faults with this chance."""
    parts = _parts(odds)

    def excess(log_t: float) -> float:
        return 1 - float(np.exp(-np.log1p(np.exp(log_t) * parts).sum())) - share

    t = math.exp(root(excess, -30.0, 30.0))
    return {f: t * o for f, o in odds.items()}


def _merged(views: Sequence[_View]) -> Odds:
    """Odds of every fault: the mean of what complaints say of it, else of what the others say."""
    odds: Odds = {}
    for fault in dict.fromkeys(f for v in views for f in v.odds):
        told = [v.odds[fault] for v in views if v.complained and fault in v.odds]
        told = told or [v.odds[fault] for v in views if fault in v.odds]
        odds[fault] = sum(told) / len(told)
    return odds


def _links(naming: Naming, priors: PriorSet) -> tuple[list[Link], list[tuple[Fault, float]]]:
    """Links between faults under their joined names, and those that any fault raises."""
    pairs: list[Link] = []
    lone: list[tuple[Fault, float]] = []
    for link in priors.links:
        raised = [f for f in naming.faults(link.raises) if f not in naming.stand_ins]
        if link.given == "any":
            lone += [(naming.fault(*f), link.times) for f in raised]
            continue
        given = [f for f in naming.faults(link.given) if f not in naming.stand_ins]
        for a in given:
            for b in raised:
                names = {"given": ".".join(naming.fault(*a)), "raises": ".".join(naming.fault(*b))}
                if naming.fault(*a)[0] != naming.fault(*b)[0]:
                    pairs.append(link.model_copy(update=names))
    return pairs, lone


def _raised(every: Mapping[str, Naming], model: JoinedModel) -> Iterator[tuple[str, Table]]:
    """Findings that multiply the odds of a fault where another system brings it on."""
    for naming in every.values():
        for name, _title, _faults, (part, mode), times in raisings(naming, every):
            modes = ("good", *model.components[part].modes)
            p = np.ones((2, len(modes)))
            p[1, modes.index(mode)] = times
            yield f"link {name}", Table((name, part), p)
