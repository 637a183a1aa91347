"""The answer to "why": the numbers of one reading, and their form for scripts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from benchodds.basics.tables import Array
from benchodds.infer.assess import Approximate
from benchodds.reasons.budget import Budget
from benchodds.reasons.clashes import Clash, GearNote
from benchodds.reasons.evidence import Kind, Ledger
from benchodds.reasons.limits import Conformance, OneSided
from benchodds.reasons.whatif import Learning, Turn

Bare = Literal["within", "outside", "cannot say"]


@dataclass(frozen=True)
class Reading:
    """The reading as written, the number it stands for, and what was said about taking it."""

    id: str
    test: str
    title: str
    written: tuple[str, ...]
    number: float | None
    unit: str
    said: Mapping[str, Any]


@dataclass(frozen=True)
class LimitSaid:
    """The test's limit as the model gives it, and what a bare comparison says."""

    lower: float | None
    upper: float | None
    displayed: bool
    conditions: str
    source: str
    bare: Bare


@dataclass(frozen=True)
class Weight:
    """Evidence of this reading about one suspect, decibans; probabilities before and after.

    ``taken`` in the order taken, ``left_out`` against all other readings.
    """

    name: str
    kind: Kind
    taken: float
    left_out: float
    before: float
    after: float


@dataclass(frozen=True, eq=False)
class Spread:
    """Where the readings of units within and outside the limit would fall with this gear.

    ``edges`` (n + 1,), ``good`` and ``bad`` (n + 2,): the chance of each bin, the first below
    all edges and the last above; each sums to at most 1 (the rest shows no number).
    """

    edges: Array
    good: Array
    bad: Array


@dataclass(frozen=True, eq=False)
class Why:
    """All there is to say about one reading."""

    reading: Reading
    limit: LimitSaid | None
    conformance: Conformance | None
    budget: Budget | None
    weights: tuple[Weight, ...]
    ledger: Ledger
    turn: Turn
    learning: Learning
    one_sided: OneSided | None
    spread: Spread | None
    p_slip: float
    gear: tuple[GearNote, ...]
    tests: Mapping[str, str]
    """Test of every reading of the job, by reading."""
    titles: Mapping[str, str]
    """Words for every component and fault of the model, by name (``exc``, ``exc.open``)."""
    comes_and_goes: float = 0.0
    """Chance that some fault comes and goes, which all else here takes for no."""
    approximate: Approximate | None = None
    """What the odds stand on, when exact ones would take too much."""


def to_dict(why: Why, found: Sequence[Clash] = ()) -> dict[str, Any]:
    """The answer for scripts, ``"schema": 1``.

    Keys: ``reading`` (id, test, title, written, number, unit, said), ``limit`` (lower, upper,
    displayed, conditions, source, bare), ``conformance`` (measurand, prior, alone, others, job,
    level, accept, reject and guard_band by side, consumers_risk, producers_risk, bare_rule),
    ``budget`` (nominal, of, unit, shift, combined, contributions), ``weights`` (name, kind,
    taken_db, left_out_db, before, after; largest first), ``path`` (per reading, log odds in
    decibans of every suspect after it; the first row is before any), ``turn``, ``learning``,
    ``one_sided``, ``p_slip``, ``gear``, ``clashes``, ``comes_and_goes`` (chance that some
    fault does, which the rest takes for no), ``approximate`` (what, why). What does not apply is
    null.
    Probabilities are 0 to 1, weights decibans, quantities in ``reading.unit``.
    """
    book = why.ledger
    names = [s.name for s in book.suspects]
    path = [
        {"reading": r, "odds_db": dict(zip(names, _finite(row), strict=True))}
        for r, row in zip((None, *book.readings), book.odds, strict=True)
    ]
    return {
        "schema": 1,
        "reading": {**asdict(why.reading), "said": dict(why.reading.said)},
        "limit": asdict(why.limit) if why.limit else None,
        "conformance": _conformance_dict(why.conformance) if why.conformance else None,
        "budget": {**asdict(why.budget), "shift": why.budget.shift, "combined": why.budget.combined}
        if why.budget
        else None,
        "weights": [
            {
                "name": w.name,
                "kind": w.kind,
                "taken_db": w.taken,
                "left_out_db": w.left_out,
                "before": w.before,
                "after": w.after,
            }
            for w in why.weights
        ],
        "path": path,
        "turn": asdict(why.turn),
        "learning": asdict(why.learning),
        "one_sided": asdict(why.one_sided) if why.one_sided else None,
        "p_slip": why.p_slip,
        "gear": [asdict(n) for n in why.gear],
        "clashes": [asdict(c) for c in found],
        "comes_and_goes": why.comes_and_goes,
        "approximate": asdict(why.approximate) if why.approximate else None,
    }


def _finite(row: Array) -> list[float | None]:
    return [float(x) if math.isfinite(x) else None for x in row]


def _conformance_dict(c: Conformance) -> dict[str, Any]:
    risks = {
        **asdict(c.risks),
        "bad_among_accepted": c.risks.bad_among_accepted,
        "good_among_rejected": c.risks.good_among_rejected,
    }
    out = {k: v for k, v in asdict(c).items() if k != "risks"}
    return {
        **out,
        "consumers_risk": c.consumers_risk,
        "producers_risk": c.producers_risk,
        "bare_rule": risks,
    }
