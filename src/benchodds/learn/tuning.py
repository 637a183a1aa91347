"""From counted jobs to what there is to fit: cells, levels, and likelihoods of the faults.

What stays uncertain and is said, not hidden: shops test what they suspect (a wrong closing
falls on what was suspected; see :mod:`benchodds.learn.likelihoods`), they stop at the first fault
they find (so two faults at once are counted too rarely), they give up on hard cases (kept, with
what their readings say, instead of being dropped), and only machines that were brought in are
seen: shares are of machines on the bench, not of machines.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from scipy.sparse import csr_matrix

from benchodds.basics.errors import BenchoddsError, ModelError
from benchodds.basics.language import N_, _
from benchodds.basics.tables import Array
from benchodds.learn.cases import Catalog, Told
from benchodds.learn.learning import Learning
from benchodds.learn.likelihoods import (
    ReadingWorth,
    fault_names,
    link_share,
    together,
    told_likelihood,
)
from benchodds.learn.pooling import Index, Level, Problem
from benchodds.learn.tally import Alike, Tally
from benchodds.learn.written import Course, Written
from benchodds.model.priors import NONE, PriorSet, multiplier
from benchodds.model.system import SystemModel

Worths = Callable[[str, str], ReadingWorth]
"""Finds what readings are worth on a system and variant."""

Cell = tuple[str, str, str, str, tuple[str, ...], tuple[str, ...]]
"""System, variant, shop, complaint, contexts, repairs that were done before."""


RENEWED = N_("was closed with a fault of what somebody had put in or mended before it came in")
SEVERAL = N_(
    "closed with several faults at once: each of them is counted, their readings are not, since "
    "nothing says which fault showed what"
)


@dataclass(frozen=True)
class Knowledge:
    """What tuning starts from: prior sets by system, models, reading likelihoods, judgement."""

    priors: Mapping[str, PriorSet]
    catalog: Catalog
    worths: Worths
    learning: Learning


@dataclass(frozen=True, eq=False)
class Counted:
    """A problem to fit, and what is counted beside it.

    ``several[system]`` are jobs closed with several faults and with any; ``unlikely`` are
    closings that name a fault to which the prior file gives no share.
    """

    problem: Problem
    cells: tuple[Cell, ...]
    several: Mapping[str, tuple[float, float]]
    unlikely: Mapping[tuple[str, str, str], int]


def screen(tally: Tally, knowledge: Knowledge) -> None:
    """Refuse jobs with readings that cannot be understood or that nothing explains.

    Set aside are those closed with a fault of what was put in before they came; of those closed
    with several faults it is noted what they teach.
    """
    for kind in list(tally.counts):
        model = knowledge.catalog(kind.system, kind.variant)
        gone = renewed_before(model, kind.replaced)
        if gone & set(kind.told[-1].faults):
            n, place = tally.counts.pop(kind), tally.places[kind][1]
            tally.put_aside(RENEWED, n, place)
        elif together(kind.told, knowledge.learning) and (kind.readings or kind.work):
            tally.notes[_(SEVERAL)] += tally.counts[kind]
    for kind in [k for k in tally.counts if k.readings or k.work]:
        try:
            knowledge.worths(kind.system, kind.variant)(*anonymous(kind), kind.said)
        except BenchoddsError as error:
            tally.drop(kind, str(error))


def renewed_before(model: SystemModel, replaced: Iterable[str]) -> frozenset[str]:
    """Faults of which a machine teaches nothing, since somebody mended them before it came."""
    clears = (p for name in replaced for p in model.repairs[name].clears)
    return frozenset(f"{c}.{m}" for c, m in model.faults_named(clears))


def nameless(readings: tuple[Written, ...]) -> tuple[Written, ...]:
    """Readings without who took them, which says nothing of the machine; in one order for all.

    Where the probes stayed on from one reading to the next the order is kept.
    """
    out = [
        Written(w.test, w.values, tuple(p for p in w.technique if p[0] != "operator"))
        for w in readings
    ]
    if any(k == "same_hookup" for w in out for k, _ in w.technique):
        return tuple(out)
    return tuple(sorted(out, key=repr))


def anonymous(kind: Alike) -> Course:
    """The readings and repairs of a kind of job as :func:`nameless` has them."""
    work = (replace(d, readings=nameless(d.readings)) for d in kind.work)
    return nameless(kind.readings), tuple(work)


def decay(period: str, latest: str, half_life_days: float | None) -> float:
    """Worth of a job: halved for every half-life between its closing and the latest one."""
    if half_life_days is None:
        return 1.0
    days = (_day(latest) - _day(period)).days
    return float(0.5 ** (days / half_life_days))


def _day(period: str) -> date:
    return date.fromisoformat(period if len(period) > 7 else f"{period}-15")


def start_shares(
    priors: PriorSet, complaint: str, named: Mapping[str, int], floor: float
) -> dict[str, float]:
    """Shares of all rows of a prior file for a complaint, summing to 1.

    A fault without a share that some closing names gets the floor's.
    """
    shares = {}
    for row in priors.rows:
        if complaint not in row.share:
            raise ModelError(
                "rows: "
                + _("'{fault}' has no share for the complaint '{complaint}'").format(
                    fault=row.fault, complaint=complaint
                )
            )
        shares[row.fault] = row.share[complaint]
    total = sum(shares.values())
    shares = {f: s / total for f, s in shares.items()}
    for fault in named:
        if fault in shares:
            shares[fault] = max(shares[fault], floor)
    total = sum(shares.values())
    return {f: s / total for f, s in shares.items()}


def prepare(
    tally: Tally,
    knowledge: Knowledge,
    *,
    half_life_days: float | None = None,
) -> Counted:
    """The problem that a tally poses."""
    learning = knowledge.learning
    floor = learning.floor.share
    named: defaultdict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for kind, n in tally.counts.items():
        for told in kind.told:
            for fault in told.faults:
                named[kind.system, kind.complaint][fault] += n
    systems = tuple(sorted(s for s in knowledge.priors))
    faults = _all_faults(knowledge.priors, systems)
    column = {f: i for i, f in enumerate(faults)}
    told_of = {(k.system, k.complaint) for k in tally.counts}
    bases = tuple(
        (s, c)
        for s in systems
        for c in sorted({c for t, c in told_of if t == s} | _complaints(knowledge, s))
    )
    base = np.zeros((len(bases), len(faults)))
    unlikely: dict[tuple[str, str, str], int] = {}
    for i, (system, complaint) in enumerate(bases):
        priors = knowledge.priors[system]
        shares = start_shares(priors, complaint, named[system, complaint], floor)
        base[i, [column[f] for f in shares]] = list(shares.values())
        given = {row.fault: row.share[complaint] for row in priors.rows}
        unlikely |= {
            (system, complaint, f): n
            for f, n in named[system, complaint].items()
            if given.get(f, 0.0) <= 0.0
        }
    strength = np.array(
        [knowledge.priors[s].strengths.get(c, knowledge.priors[s].strength) for s, c in bases]
    )
    cells = tuple(sorted({cell for k in tally.counts for cell, _share in _cells(k)}))
    at = {c: i for i, c in enumerate(cells)}
    mask = np.zeros((len(cells), len(faults)))
    for i, cell in enumerate(cells):
        gone = renewed_before(knowledge.catalog(cell[0], cell[1]), cell[5])
        mask[i, [column[f] for f in _names(knowledge, cell) if f not in gone]] = 1.0
    levels = _levels(cells, bases, faults, knowledge)
    base_of = np.array([bases.index((c[0], c[3])) for c in cells], dtype=np.intp)
    observed: Counter[tuple[int, tuple[Told, ...], Course, float]] = Counter()
    several: defaultdict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    latest = tally.last
    for kind, n in tally.counts.items():
        worth = decay(kind.period, latest, half_life_days)
        course = anonymous(kind)
        at_once = together(kind.told, learning)
        if at_once or kind.told[-1].faults not in ((), (NONE,)):
            several[kind.system][0] += n * worth * bool(at_once)
            several[kind.system][1] += n * worth
        for cell, share in _cells(kind):
            if not at_once:
                observed[at[cell], kind.told, course, worth * share] += n
            for fault in at_once:  # readings of two faults at once are not told apart
                others = [f for f in at_once if f != fault]
                alone = (Told((fault,), kind.told[-1].grade),)
                own = worth * share * link_share(knowledge.priors[kind.system], fault, others)
                observed[at[cell], alone, ((), ()), own] += n
    keys = sorted(observed)  # the same whatever the order of the rows
    return Counted(
        Problem(
            faults=faults,
            base_names=bases,
            base=base,
            strength=strength,
            base_of=base_of,
            mask=mask,
            levels=levels,
            cell=np.array([k[0] for k in keys], dtype=np.intp),
            count=np.array([observed[k] for k in keys], dtype=float),
            worth=np.array([k[3] for k in keys], dtype=float),
            likelihood=_likelihoods(keys, cells, base, base_of, column, knowledge),
        ),
        cells,
        {s: (a, b) for s, (a, b) in several.items()},
        unlikely,
    )


def _cells(kind: Alike) -> Iterator[tuple[Cell, float]]:
    """The cells that a kind of job counts in, with its share in each.

    A context that perhaps went before has its chance of having done so, whatever was found.
    """
    for there in itertools.product((True, False), repeat=len(kind.perhaps)):
        chosen = list(zip(kind.perhaps, there, strict=True))
        contexts = (*kind.contexts, *(c for (c, _p), here in chosen if here))
        share = math.prod(p if here else 1 - p for (_c, p), here in chosen)
        place = (kind.system, kind.variant, kind.shop, kind.complaint)
        yield (*place, tuple(sorted(contexts)), kind.replaced), share


def _complaints(knowledge: Knowledge, system: str) -> set[str]:
    return set(knowledge.priors[system].rows[0].share)


def _all_faults(priors: Mapping[str, PriorSet], systems: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(row.fault for s in systems for row in priors[s].rows))


def _names(knowledge: Knowledge, cell: Cell) -> tuple[str, ...]:
    return fault_names(knowledge.catalog(cell[0], cell[1]))


def context_multipliers(priors: PriorSet, context: str, faults: tuple[str, ...]) -> Array:
    """What a context multiplies each fault by, in the prior file."""
    if context not in priors.contexts:
        return np.ones(len(faults))
    return np.array([multiplier(priors.contexts[context], f) for f in faults])


def _variant_multipliers(priors: PriorSet, variant: str, faults: tuple[str, ...]) -> Array:
    """Shares of a variant over the common ones, where an earlier tuning told them apart."""
    out = dict.fromkeys(faults, 1.0)
    for row in priors.rows:
        own = row.variants.get(variant, {})
        ratios = [s / row.share[c] for c, s in own.items() if row.share.get(c) and s > 0]
        if ratios:
            out[row.fault] = float(np.exp(np.mean(np.log(ratios))))
    return np.array([out[f] for f in faults])


def _levels(
    cells: tuple[Cell, ...],
    bases: tuple[tuple[str, str], ...],
    faults: tuple[str, ...],
    knowledge: Knowledge,
) -> tuple[Level, ...]:
    """The levels that tell anything apart: those with one group only would repeat the base."""
    pooling = knowledge.learning.pooling
    used = {(c[0], c[3]) for c in cells}
    shops = sorted({c[2] for c in cells})
    variants = sorted({(c[0], c[1]) for c in cells})
    lone = Counter(s for s, _ in variants)
    known = {(s, v) for s, v in variants if lone[s] > 1 or _has_variant(knowledge.priors[s], v)}
    contexts = sorted({(c[0], x) for c in cells for x in c[4]})
    groups: dict[str, list[tuple[tuple[str, ...], list[int], Array]]] = {
        "fleet": [],
        "variant": [],
        "shop": [],
        "context": [],
    }
    one = np.ones(len(faults))
    everywhere = list(range(len(cells)))
    if len(used) > 1:
        groups["fleet"].append((("all",), everywhere, one))
    for s, v in sorted(known):
        mine = [i for i in everywhere if cells[i][:2] == (s, v)]
        groups["variant"].append(
            ((s, v), mine, _variant_multipliers(knowledge.priors[s], v, faults))
        )
    for shop in shops if len(shops) > 1 else []:
        groups["shop"].append(((shop,), [i for i in everywhere if cells[i][2] == shop], one))
    for s, x in contexts:
        mine = [i for i in everywhere if cells[i][0] == s and x in cells[i][4]]
        groups["context"].append(
            ((s, x), mine, context_multipliers(knowledge.priors[s], x, faults))
        )
    out = []
    for name, rows in groups.items():
        if rows:
            member = csr_matrix(
                (
                    np.ones(sum(len(m) for _, m, _ in rows)),
                    (
                        np.repeat(np.arange(len(rows)), [len(m) for _, m, _ in rows]),
                        np.concatenate([m for _, m, _ in rows]).astype(np.intp),
                    ),
                ),
                shape=(len(rows), len(cells)),
            )
            level = pooling[name]  # type: ignore[index]
            out.append(
                Level(
                    name,
                    tuple(g for g, _, _ in rows),
                    member,
                    np.array([c for _, _, c in rows]),
                    level.typical,
                    level.factor,
                )
            )
    return tuple(out)


def _has_variant(priors: PriorSet, variant: str) -> bool:
    return any(variant in row.variants for row in priors.rows)


def _likelihoods(
    observed: list[tuple[int, tuple[Told, ...], Course, float]],
    cells: tuple[Cell, ...],
    base: Array,
    base_of: Index,
    column: Mapping[str, int],
    knowledge: Knowledge,
) -> Array:
    """P(closings and readings | fault) of every observation, over all faults (0 if lacking)."""
    out = np.zeros((len(observed), len(column)))
    kept: dict[tuple[object, ...], Array] = {}
    floor, heeds = knowledge.learning.floor.share, knowledge.learning.suspicion.heeds
    machines = {}
    for cell in cells:
        names = _names(knowledge, cell)
        machines[cell[:2]] = names, [column[f] for f in names]
    for k, (c, told, course, _case) in enumerate(observed):
        cell = cells[c]
        names, where = machines[cell[:2]]
        key = (cell[:2], cell[3:], told, course)  # the shop makes no difference
        if key not in kept:
            worth = knowledge.worths(cell[0], cell[1])
            said = (cell[3], *cell[4])
            read = worth(*course, said) if any(course) else np.ones(len(names))
            suspicion = base[base_of[c], where]
            for x in cell[4]:
                suspicion = suspicion * context_multipliers(knowledge.priors[cell[0]], x, names)
            plain = np.maximum(suspicion / suspicion.sum(), floor)
            heeded = plain * read / float(plain @ read)
            suspicion = heeds * heeded + (1 - heeds) * plain
            kept[key] = read * told_likelihood(names, told, knowledge.learning, suspicion)
        row = kept[key]
        out[k, where] = row / row.max()
    return out
