"""Spreads of the measurement side, learned from readings of parts proved good or bad.

A law is a distribution, or a share, that a bench or model file states: how fast people kick,
what a winding gives per speed, how much of a pulse is caught, what leads add, how large an
adapter's capacitor is, how good parts vary within their limits. Its median may shift and its
spread widen; both are learned on a grid with a strong prior at what the file says, from

    P(readings of a job | the fault that proof found, law),

every other part being good then. A law counts only where it forecasts the readings of later
jobs better than the file does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from pydantic import Field

from benchodds.basics.errors import BenchoddsError
from benchodds.basics.language import _
from benchodds.basics.tables import Array
from benchodds.infer.assess import Machine
from benchodds.learn.learning import Strict
from benchodds.learn.likelihoods import ReadingWorth
from benchodds.learn.written import Written
from benchodds.model.gear import Bench
from benchodds.model.laws import applied, moved, stated
from benchodds.model.priors import Spread
from benchodds.model.system import SystemModel

SHIFTS = np.linspace(-2.5, 2.5, 7)
WIDTHS = np.array([-1.5, 0.0, 1.5])
"""Grid, in standard deviations of the prior."""


class Law(Strict):
    """A law that may be learned; ``system`` is blank for the bench's.

    ``shift`` is the standard deviation of what the logarithm of the median (of a share: its
    log-odds) may move by, ``widen`` that of the logarithm of the factor on the spread.
    """

    name: str
    system: str = ""
    key: str
    shift: float = Field(gt=0, le=1)
    widen: float = Field(ge=0, le=1)
    by: Literal["", "variant", "operator"] = ""
    provenance: str = Field(min_length=3)


class Laws(Strict):
    """The file of laws."""

    schema_: Literal[1] = Field(alias="schema")
    least_jobs: int = Field(ge=1)
    most_jobs: int = Field(ge=1)
    trained_on: float = Field(gt=0, lt=1)
    trust: float = Field(gt=0.5, lt=1)
    provenance: str = Field(min_length=3)
    laws: tuple[Law, ...]


@dataclass(frozen=True)
class Proof:
    """A job whose fault was proved, with its readings."""

    period: str
    variant: str
    operator: str
    readings: tuple[Written, ...]
    fault: int  # in the order of fault_names
    count: int


@dataclass
class Learned:
    """Spreads that count, and what was tried: law, whose, jobs, gain per job, shift, factor.

    ``unsteady`` are jobs left out, since their fault may have come and gone.
    """

    spreads: list[Spread] = field(default_factory=list)
    tried: list[Tried] = field(default_factory=list)
    unsteady: int = 0


@dataclass(frozen=True)
class Tried:
    """One law, for one operator or variant or for all, tried on later jobs."""

    law: str
    whose: str
    jobs: int
    gain: float
    shift: tuple[float, float, float]  # mean, and 90 % interval, of the factor on the median
    taken: bool


Compile = Callable[[Machine, SystemModel, Bench], Machine]


def learn(
    system: str,
    proofs: Sequence[Proof],
    machines: Callable[[str], Machine],
    compile_: Compile,
    laws: Laws,
    tell: Callable[[str], None] = lambda _: None,
) -> Learned:
    """Every law of a system and of the bench, one after another, in the order of the file.

    Parameters
    ----------
    machines : by variant
        Machines as the files say.
    compile_ : machine, model and bench to machine
        Compiles a changed one.
    """
    out = Learned()
    proofs = sorted(proofs, key=lambda p: (p.period, repr(p.readings)))[-laws.most_jobs :]
    for law in laws.laws:
        if law.system not in ("", system):
            continue
        for whose, mine in sorted(_groups(law, proofs).items()):
            if sum(p.count for p in mine) < laws.least_jobs:
                continue
            tell(_("learning {law} {whose}").format(law=law.name, whose=whose).rstrip())
            spread, tried = _one(law, whose, mine, machines, compile_, laws, out.spreads)
            if tried is not None:
                out.tried.append(tried)
            if spread is not None:
                out.spreads.append(spread)
    return out


def _groups(law: Law, proofs: Sequence[Proof]) -> dict[str, list[Proof]]:
    """Jobs by whose law it is; the bench's own has all that no operator is named for."""
    groups: dict[str, list[Proof]] = {}
    for p in proofs:
        whose = {"": "", "variant": p.variant, "operator": p.operator}[law.by]
        groups.setdefault(whose, []).append(p)
    return groups


def _one(
    law: Law,
    whose: str,
    proofs: Sequence[Proof],
    machines: Callable[[str], Machine],
    compile_: Compile,
    laws: Laws,
    so_far: Sequence[Spread],
) -> tuple[Spread | None, Tried | None]:
    variants = sorted({p.variant for p in proofs})
    first = machines(variants[0])
    before = stated(first.model if law.system else first.bench, law.key)
    widths = WIDTHS if law.widen else np.zeros(1)
    grid = [(s * law.shift, w * law.widen) for s in SHIFTS for w in widths]
    weight = np.array([-(s**2 + w**2) / 2 for s in SHIFTS for w in widths])
    logs = np.zeros((len(grid), len(proofs)))
    for i, (shift, widen) in enumerate(grid):
        spread = _spread(law, whose, before, moved(before, shift, widen))
        spread = spread.model_copy(update={"operator": ""})  # all these jobs are theirs
        for variant in variants:
            machine = machines(variant)
            model, bench = applied(machine.model, machine.bench, [*so_far, spread])
            worth = ReadingWorth(compile_(machine, model, bench))
            for k, p in enumerate(proofs):
                if p.variant == variant:
                    logs[i, k] = _log_p(worth, p, laws.trust)
    if np.ptp(logs, axis=0).max() < 1e-6:
        return None, None  # no reading depends on it
    counts = np.array([p.count for p in proofs])
    n = int(np.ceil(laws.trained_on * len(proofs)))
    known, later = _posterior(weight, logs[:, :n], counts[:n]), slice(n, None)
    plain = next(i for i, g in enumerate(grid) if g == (0.0, 0.0))
    ahead = logs[:, later] @ counts[later]
    top = ahead.max()
    gain = float(np.log(known @ np.exp(ahead - top)) + top - ahead[plain])
    gain /= max(1, int(counts[later].sum()))
    whole = _posterior(weight, logs, counts)
    shifts = np.array([g[0] for g in grid])
    shift, widen = float(whole @ shifts), float(whole @ np.array([g[1] for g in grid]))
    sd = math.sqrt(max(0.0, float(whole @ shifts**2) - shift**2))
    between = (shift - 1.645 * sd, shift + 1.645 * sd)
    taken = gain > 0
    factors = (math.exp(shift), math.exp(between[0]), math.exp(between[1]))
    tried = Tried(law.name, whose, int(counts.sum()), gain, factors, taken)
    spread = _spread(law, whose, before, moved(before, shift, widen))
    said = (
        f"{tried.jobs} proved jobs, {100 * laws.trained_on:.0f} in 100 learned from and tried on "
        f"the later ones: {gain:+.4f} nats a job; before them: {law.provenance}"
    )
    done = spread.model_copy(
        update={"jobs": tried.jobs, "factor": factors, "gain": round(gain, 5), "provenance": said}
    )
    return (done if taken else None), tried


def _spread(law: Law, whose: str, before: str, text: str) -> Spread:
    return Spread(
        name=law.name,
        system=law.system,
        key=law.key,
        variant=whose if law.by == "variant" else "",
        operator=whose if law.by == "operator" else "",
        law=text,
        was=before,
        provenance="on trial",
    )


def _log_p(worth: ReadingWorth, proof: Proof, trust: float) -> float:
    """Log P(readings | proved fault); with a small share for a proof that errs."""
    try:
        logs = worth.log_likelihoods(proof.readings)
    except BenchoddsError:
        return 0.0
    rest = float(np.logaddexp.reduce(logs)) - math.log(len(logs))
    return float(np.logaddexp(math.log(trust) + logs[proof.fault], math.log(1 - trust) + rest))


def _posterior(weight: Array, logs: Array, counts: Array) -> Array:
    total = weight + logs @ counts
    p = np.exp(total - total.max())
    return np.asarray(p / p.sum())
