"""Readings that contradict each other, and gear that is the likelier culprit.

A reading is either what the model says it is, or a slip. What a slip may be is opened up here by
the shares of the bench file, with the machine as all other readings have it: a unit misread by a
factor of 1000, a wrong terminal (the reading belongs to another test in reach), or anything else.
That a contact came and went between readings is weighed too.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchodds.basics.errors import EvidenceError, ReadingError, TooLargeError
from benchodds.basics.language import _
from benchodds.basics.quantities import Value
from benchodds.basics.tables import Network, State, Table, renamed
from benchodds.choose.benchstate import open_setups, unfit
from benchodds.choose.labour import Labour
from benchodds.infer.assess import Assessment, Taken
from benchodds.infer.belief import posterior
from benchodds.infer.machine import FoldedNetwork
from benchodds.reasons.evidence import Ledger, Suspect, joint, ledger, only, without

EVEN = 0.5
"""More likely than not."""
NOTICEABLE_DB = 5.0
"""Evidence from which a suspicion is voiced: "substantial" (Jeffreys, Theory of Probability)."""
DOUBTFUL, MOST_DOUBTED = 0.1, 3
"""Slip probability from which a reading is doubted, and how many at most are looked into."""

Reason = Literal[
    "no fault",
    "single fault",
    "two faults",
    "factor 1000",
    "wrong terminal",
    "other slip",
    "intermittent",
]


@dataclass(frozen=True)
class Explanation:
    """One way to make sense of contradicting readings, with its probability."""

    reason: Reason
    detail: str
    reading: str | None
    p: float


@dataclass(frozen=True)
class Clash:
    """A contradiction: what it is, which readings it is about, and explanations by probability.

    ``p`` is P(two faults or more) or the slip probability that raised it. ``conflict_bits`` is
    log2 of the product of the probabilities of the single readings over that of all together
    (Jensen, Chamberlain, Nordahl and Jensen 1990): above zero the readings disagree.
    """

    kind: Literal["no single fault", "no state"]
    readings: tuple[str, ...]
    p: float
    conflict_bits: float
    explanations: tuple[Explanation, ...]
    approximate: bool = False
    """Whether it is about the likeliest whole states alone."""


@dataclass(frozen=True)
class GearNote:
    """Gear or technique that is suspect: how likely, and how it is proved in how many minutes.

    ``weight_db`` is the evidence of all readings against it. ``likelier`` says whether it is
    likelier than the component that leads. ``proof`` is the test or act, ``minutes`` its time
    with the set-ups it still needs; None when nothing here proves it.
    """

    item: str
    kind: str
    p: float
    weight_db: float
    likelier: bool
    readings: tuple[str, ...]
    proof: str | None
    test: str | None
    minutes: float | None


# ---- slips --------------------------------------------------------------------------------------


def _log_evidence(network: Network) -> float:
    try:
        return posterior(network, []).log_evidence
    except EvidenceError:
        return -math.inf


def _with(assessment: Assessment, tables: Mapping[str, Table]) -> Network:
    network = assessment.network
    return replace(network, findings={**network.findings, **tables})


def _clean(
    assessment: Assessment, taken: Taken, test: str, values: Sequence[Value]
) -> Table | None:
    """Likelihood of values in a test, were there no slips; None if it could not show them."""
    tool = copy.copy(assessment.machine.instrument(test))
    tool.slip = 0.0
    try:
        table = tool.likelihood(values, taken.technique, taken.hookup)
        return None if table is None else renamed(table, taken.names)
    except (ReadingError, ValueError):
        return None


# ---- contradictions -----------------------------------------------------------------------------


def conflict_bits(assessment: Assessment) -> float:
    """How much less likely the readings are together than one by one, in bits."""
    network, assessment = assessment.network, assessment.steady
    none = _log_evidence(only(network, None))
    ids = [t.reading.id for t in assessment.taken if t.table is not None]
    single = math.fsum(_log_evidence(only(network, i)) - none for i in ids)
    return (single - (assessment.posterior.log_evidence - none)) / math.log(2)


def clashes(assessment: Assessment) -> tuple[Clash, ...]:
    """Readings that fit no single fault, or no state at all, with explanations.

    Raised when it is more likely than not that some reading is a slip, or else that there are
    two faults or more. Explanations are ranked by their probability, all readings considered;
    those of one clash add up to 1. Where other readings in the place of these would take too
    much, all of it is about the likeliest whole states alone.
    """
    coarse = assessment.steady.coarse  # many networks, most of them of whole states
    try:
        return _clashes(coarse)
    except TooLargeError:
        return tuple(replace(c, approximate=True) for c in _clashes(coarse.narrowed()))


def _clashes(assessment: Assessment) -> tuple[Clash, ...]:
    slips = assessment.slips
    if not slips:
        return ()
    ranked = sorted(slips, key=lambda i: -slips[i])
    doubted = [i for i in ranked[:MOST_DOUBTED] if slips[i] > DOUBTFUL] or ranked[:1]
    p_slip = min(1.0, math.fsum(slips[i] for i in doubted))
    several = assessment.faults_at_once["2+"]
    if max(p_slip, several) <= EVEN:
        return ()
    told = _explanations(assessment, {i: slips[i] for i in doubted}, 1.0 - p_slip)
    bits = conflict_bits(assessment)
    if p_slip > EVEN:
        return (Clash("no state", tuple(doubted), p_slip, bits, told),)
    return (Clash("no single fault", tuple(slips), several, bits, told),)


def _explanations(
    assessment: Assessment, doubted: Mapping[str, float], p_honest: float
) -> tuple[Explanation, ...]:
    """Ways to explain the doubted readings together with all others; they sum to 1."""
    base, slip = assessment.posterior.log_evidence, assessment.machine.bench.slip
    chance = slip.chance
    part = chance / (1 - chance)
    taken = [t for t in assessment.taken if t.reading.id in doubted]
    found = [
        Explanation(reason, detail, None, p_honest * p)
        for reason, detail, p in _honest(assessment, taken)
    ]
    for t in taken:
        reading = t.reading.id

        def add(
            reason: Reason,
            detail: str,
            test: str,
            values: Sequence[Value],
            share: float,
            t: Taken = t,
        ) -> None:
            table = _clean(assessment, t, test, values)
            if table is not None:
                log_p = _log_evidence(_with(assessment, {t.reading.id: table})) - base
                p = share * math.exp(log_p)
                found.append(Explanation(reason, detail, t.reading.id, p))

        p_slip = doubted[reading] * (1 - slip.unit - slip.terminal)
        found.append(
            Explanation(
                "other slip", _("{reading} is a slip").format(reading=reading), reading, p_slip
            )
        )
        if any(v.number for v in t.values):
            for power, words in (
                (3, _("{reading} meant 1000 times more than was written")),
                (-3, _("{reading} meant 1000 times less than was written")),
            ):
                detail = words.format(reading=reading)
                add(
                    "factor 1000",
                    detail,
                    t.reading.test,
                    _scaled(t.values, power),
                    part * slip.unit / 2,
                )
        rivals = assessment.machine.model.in_reach(t.reading.test)
        for name in rivals:
            detail = _("{reading} was taken where {name} is").format(reading=reading, name=name)
            add("wrong terminal", detail, name, t.values, part * slip.terminal / len(rivals))
        moving = _intermittent(assessment, t)
        if moving > 0:
            detail = _("a contact came and went about {reading}").format(reading=reading)
            found.append(Explanation("intermittent", detail, reading, moving))
    total = math.fsum(e.p for e in found)
    ranked = sorted((replace(e, p=e.p / total) for e in found), key=lambda e: -e.p)
    return tuple(e for e in ranked if e.p > chance * chance)


def _honest(assessment: Assessment, taken: Sequence[Taken]) -> list[tuple[Reason, str, float]]:
    """How likely no fault, one, or two and more are when the readings are no slips."""
    clean = {t.reading.id: _clean(assessment, t, t.reading.test, t.values) for t in taken}
    network = _with(assessment, {i: table for i, table in clean.items() if table is not None})
    try:
        total = posterior(network, []).log_evidence
    except EvidenceError:
        return []
    folded = FoldedNetwork(network, assessment.folded.histories)
    p = np.exp(folded.log_weights - total)
    best: dict[int, tuple[float, State]] = {}
    sums = {0: 0.0, 1: 0.0}
    for state, q in zip(folded.states, p, strict=True):
        n = min(len(state), 2)
        sums[n] = sums.get(n, 0.0) + float(q)
        if n not in best or q > best[n][0]:
            best[n] = (float(q), state)
    rows: list[tuple[Reason, str, float]] = [("no fault", _("nothing at fault"), sums[0])]
    rows.append(
        ("single fault", _("most likely {fault}").format(fault=_spell(best[1][1])), sums[1])
    )
    several = max(0.0, 1.0 - sums[0] - sums[1])
    pair = (
        _("most likely {fault}").format(fault=_spell(best[2][1])) if 2 in best else _("two faults")
    )
    rows.append(("two faults", pair, several))
    return rows


def _spell(state: State) -> str:
    return _(" and ").join(f"{c}.{m}" for c, m in state)


def _scaled(values: Sequence[Value], power: int) -> list[Value]:
    """The values as they would be with the unit off by a power of ten."""
    factor = 10.0**power
    return [
        replace(v, number=v.number * factor, step=(v.step or 0.0) * factor)
        if v.number is not None
        else v
        for v in values
    ]


def _intermittent(assessment: Assessment, taken: Taken) -> float:
    """P(a contact moves and happened to be well at this reading only), against all.

    The chance of moving is that of the model's jitter quantities given the other readings;
    this reading is then that of a sound machine. At each reading that the contact bears on it
    was well or not with even chances, and no other pattern will do.
    """
    network, reading = assessment.network, taken.reading.id
    names = sorted({t.jitter for t in assessment.machine.model.tests.values() if t.jitter})
    movers = network.ancestors(names) & {*network.roots, *network.later}

    def bears_on(t: Taken) -> bool:
        scope = t.table.scope if t.table is not None else ()
        return bool(movers & network.ancestors(v for v in scope if v in network.tables))

    if not bears_on(taken):
        return 0.0
    others = without(network, [reading])
    p_moves = 1.0 - math.prod(1.0 - float(joint(others, [n])[1]) for n in names)
    touched = sum(bears_on(t) for t in assessment.taken)
    mine = only(network, reading)
    sound = replace(mine, evidence=dict.fromkeys((*mine.roots, *mine.later), 0), special=())
    blank = replace(sound, findings=only(network, None).findings)
    well = _log_evidence(sound) - _log_evidence(blank)
    given = assessment.posterior.log_evidence - _log_evidence(others)
    return p_moves * EVEN**touched * math.exp(well - given)


# ---- gear ---------------------------------------------------------------------------------------


def gear_notes(assessment: Assessment, book: Ledger | None = None) -> tuple[GearNote, ...]:
    """Gear and technique that the readings speak against, the likeliest culprit first.

    Named when more likely than not, or when the readings raise it by
    :data:`NOTICEABLE_DB` or more. ``book`` is the job's ledger, if it was worked out before.
    """
    assessment = assessment.steady
    book = ledger(assessment, ends=True) if book is None else book
    chosen = [s for s in book.suspects if s.kind != "component"]
    before, now = book.marginals[0], book.marginals[-1]
    lead = max(assessment.p_fault.values())
    out = []
    for s in chosen:
        p = s.p(now[s.variable])
        weight = s.odds_db(now[s.variable]) - s.odds_db(before[s.variable])
        if p > EVEN or weight >= NOTICEABLE_DB:
            proof, test, minutes = _proof(assessment, s)
            out.append(
                GearNote(
                    s.name,
                    s.kind,
                    p,
                    weight,
                    p > lead,
                    _failing(assessment, s),
                    proof,
                    test,
                    minutes,
                )
            )
    return tuple(sorted(out, key=lambda n: -n.p))


def _failing(assessment: Assessment, suspect: Suspect) -> tuple[str, ...]:
    """Readings through the item that a bare comparison fails."""
    out = []
    for t in assessment.taken:
        tool = assessment.machine.instrument(t.reading.test)
        if t.table is None or suspect.variable not in (*t.table.scope, t.hookup):
            continue
        if max((tool.sign(v) for v in t.values), default=0) < 0:
            out.append(t.reading.id)
    return tuple(out)


def _proof(assessment: Assessment, suspect: Suspect) -> tuple[str | None, str | None, float | None]:
    """How an item is proved: in words, by which test, in how many minutes; not what was tried."""
    model, bench = assessment.machine.model, assessment.machine.bench
    opened, labour = open_setups(model, assessment.job), Labour.of(model)

    def minutes(test: str) -> float:
        return labour.minutes([test], opened)

    for name, test in model.tests.items():
        if test.proves == suspect.variable:
            if suspect.variable in unfit(assessment):
                return None, None, None
            return test.title, name, minutes(name)
    taken = next((t for t in assessment.taken if t.hookup == suspect.variable), None)
    if taken is not None:
        mine = taken.reading.test
        again = next(
            (n for n, t in model.tests.items() if mine in t.after and t.kind == "peak"), mine
        )
        return _("move the probes and read again"), again, minutes(again)
    if suspect.kind == "technique":
        ways: Mapping[str, float] = {
            m.title: labour.setups[m.setup] * (m.setup not in opened)
            for m in bench.cranking.values()
            if m.setup in model.setups
        }
        if ways:
            title = min(ways, key=lambda t: ways[t])
            return _("crank by {title} and read again").format(title=title), None, ways[title]
    return None, None, None
