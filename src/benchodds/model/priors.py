"""Prior sets: what a shop expects before any reading, with the provenance of every row.

Rows give, per complaint, the share of each fault mode among machines with exactly one fault
(Dirichlet mean; ``strength`` is the pseudo-count behind it). Contexts multiply shares, links
multiply the odds of one fault when another is present.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

import numpy as np

from benchodds.basics.errors import ModelError, ReadingError, UnknownNameError, nearest
from benchodds.basics.forms import Form, Provenance, Within, checked
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Special, Table
from benchodds.model.joinnames import PLUS
from benchodds.model.system import SystemModel

Contexts = Sequence[str] | Mapping[str, float]
"""What went before: names, or names with the chance that it did."""

NONE = "none.elec"
"""The row for machines with nothing electrical at fault."""


Interval = tuple[float, float]
Unnoticed = Annotated[float, Within(gt=0, lt=0.5)]


class Row(Form):
    """Share of one fault mode among single faults, by complaint (any common scale).

    ``variants`` gives shares of single machine variants where they differ. ``interval``, on the
    scale of the shares, and ``jobs``, an expected count, are what tuning knew.
    """

    fault: str
    share: dict[str, float]
    variants: dict[str, dict[str, float]] = {}
    interval: dict[str, Interval] = {}
    jobs: dict[str, float] = {}
    provenance: Provenance


class Context(Form):
    """What the customer tells: multipliers on shares ('exc.*' for all modes, '*' for the rest).

    A complaint of ``said_by`` tells the same, so that beside it the context says nothing more.
    """

    multiply: dict[str, float]
    said_by: tuple[str, ...] = ()
    interval: dict[str, Interval] = {}
    provenance: Provenance


class Link(Form):
    """Odds of ``raises`` times ``times`` when ``given`` ('any' = any other fault) is there."""

    given: str
    raises: str
    times: Annotated[float, Within(gt=0)]
    provenance: Provenance


class Together(Form):
    """Share of faulty machines that have two faults or more; ``unnoticed`` is, by
    complaint, the share of machines that have such a fault and nobody complained of it; it
    serves jobs that join systems. ``one_cause`` is the share of machines with two complaints of
    one system at once in which both have one cause; the others have a cause each.
    """

    two_or_more: Annotated[float, Within(gt=0, lt=0.9)]
    unnoticed: dict[str, Unnoticed] = {}
    one_cause: Annotated[float | None, Within(gt=0, lt=1)] = None
    provenance: Provenance


class Spread(Form):
    """A law of the bench, or of a ``system``, as past jobs know it (see ``spreads``).

    ``key`` says where the file states it, ``law`` what takes the place of ``was``; only for one
    variant or operator where named. ``factor`` is that on the median, with its 90 % interval;
    ``gain`` by how much it forecast readings of later jobs better, in nats a job.
    """

    name: str
    system: str = ""
    key: str
    variant: str = ""
    operator: str = ""
    law: str
    was: str
    jobs: int = 0
    factor: tuple[float, float, float] = (1.0, 1.0, 1.0)
    gain: float = 0.0
    provenance: Provenance


class Tuned(Form):
    """Where a tuned set comes from: which set, which jobs, how sure, what was found."""

    base: str
    base_version: str
    sources: tuple[str, ...]
    jobs: float
    first: str
    until: str
    shop: str = ""
    half_life_days: float | None = None
    level: float
    pooling: dict[str, float] = {}
    score: dict[str, float] = {}
    moved: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class PriorSet(Form):
    """One prior file. ``strengths``, by complaint, go before the common ``strength``."""

    schema: Literal[1]
    id: str
    version: str
    system: str
    notice: str = ""
    strength: Annotated[float, Within(gt=0)]
    strengths: dict[str, float] = {}
    tuned: Tuned | None = None
    together: Together
    rows: Annotated[tuple[Row, ...], Within(min_length=1)]
    contexts: dict[str, Context] = {}
    links: tuple[Link, ...] = ()
    spreads: tuple[Spread, ...] = ()
    digest: str = ""
    """Hash of the file's content; not written in a file."""


def build_priors(raw: Mapping[str, Any]) -> PriorSet:
    """Check a parsed prior file on its own; ModelError names key, finding and remedy."""
    return checked(PriorSet, raw)


@dataclass(frozen=True)
class FaultPrior:
    """Prior of one machine: odds of each mode, independent but for links, and the symptom.

    ``odds[component]`` (n_modes,) are prior odds against good. ``leak`` is P(complaint | no
    electrical fault); with any fault the complaint is certain. Shares, leak and scale are
    such that, given the complaint, single faults stand in the shares of the file, no fault
    has the share of ``none.elec`` and two or more have ``two_or_more`` (before links).
    ``special`` takes the place of the leak, and ``findings`` join the links, where there are
    some (see ``joinpriors``).
    """

    odds: Mapping[str, Array]
    leak: float
    links: tuple[Link, ...]
    special: tuple[Special, ...] = ()
    findings: Mapping[str, Table] = field(default_factory=dict)


def fault_prior(
    priors: PriorSet, model: SystemModel, complaint: str, contexts: Contexts
) -> FaultPrior:
    """Prior of the machine given complaint and contexts.

    Raises
    ------
    UnknownNameError
        Complaint or context unknown to model or priors.
    ModelError
        A fault of the model has no row.
    """
    share = single_shares(priors, model, complaint, contexts)
    none = share[NONE]
    by_component = {
        c: np.array([share[f"{c}.{m}"] for m in component.modes])
        for c, component in model.components.items()
    }
    several = priors.together.two_or_more
    if PLUS in complaint:
        several = max(several, 1 - (priors.together.one_cause or 1.0))
    scale = _scale(np.array([v.sum() for v in by_component.values()]), several)
    odds = {c: scale * v for c, v in by_component.items()}
    # Weight of all faulty states relative to all good, and the leak that gives none its share.
    faulty = float(np.prod([1 + v.sum() for v in odds.values()])) - 1
    leak = none / (1 - none) * faulty if none < 1 else 1.0
    return FaultPrior(odds, min(leak, 1.0), priors.links)


def context_of(text: str) -> tuple[str, float]:
    """A context and its chance, as in 'washed' or 'washed=0.5'. ReadingError on any other."""
    name, equals, chance = (part.strip() for part in text.partition("="))
    if not equals:
        return name, 1.0
    try:
        share = float(chance.removesuffix("%")) / (100 if chance.endswith("%") else 1)
    except ValueError:
        share = 0.0
    if not 0 < share <= 1:
        raise ReadingError(
            _(
                "'{text}' gives no chance; write {name}=0.5 for perhaps (more than 0, at most 1), "
                "or {name} alone"
            ).format(text=text, name=name)
        )
    return name, share


def single_shares(
    priors: PriorSet, model: SystemModel, complaint: str, contexts: Contexts
) -> dict[str, float]:
    """Share of each fault, and of none, among machines with at most one; they sum to 1.

    A context that perhaps went before has a chance w: shares are w times those with it, and
    1 - w times those without (law of total probability).

    Raises UnknownNameError for complaint or context, ModelError for a fault without a row.
    """
    said = contexts if isinstance(contexts, Mapping) else dict.fromkeys(contexts, 1.0)
    for given, known, what in (
        *((word, model.complaints, _("complaint")) for word in complaint.split(PLUS)),
        *((name, model.contexts, _("context")) for name in said),
    ):
        if given not in known:
            raise UnknownNameError(
                _("'{given}' is not a {what} of {model}{hint}").format(
                    given=given, what=what, model=model.id, hint=nearest(given, known)
                )
            )
    words = complaint.split(PLUS)
    told = [(priors.contexts[name], w) for name, w in said.items() if name in priors.contexts]
    news = [(context, w) for context, w in told if not set(words) & set(context.said_by)]
    try:
        return _told(_complained(priors, model, words), news)
    except ZeroDivisionError:
        what = _("the shares for '{complaint}' sum to zero").format(complaint=complaint)
        raise ModelError("rows: " + what) from None


def _told(share: dict[str, float], contexts: Sequence[tuple[Context, float]]) -> dict[str, float]:
    """Shares given contexts, each with its chance."""
    if not contexts:
        return share
    (context, w), *rest = contexts
    there = _told(_normal({f: x * multiplier(context, f) for f, x in share.items()}), rest)
    if w == 1:
        return there
    apart = _told(share, rest)
    return {f: w * x + (1 - w) * apart[f] for f, x in there.items()}


def _complained(priors: PriorSet, model: SystemModel, words: Sequence[str]) -> dict[str, float]:
    """Shares given one complaint, or several at once.

    Several have one cause with the chance ``one_cause``: share f is then proportional to
    P(f) product_i P(complaint_i | f), that is to base_f product_i (share_i,f / base_f), where the
    base is the mean of all complaints. Else each has a cause of its own, the mean of theirs.
    """
    each = [_row_shares(priors, model, word) for word in words]
    if len(each) == 1:
        return each[0]
    if (one := priors.together.one_cause) is None:
        raise ModelError(
            f"{priors.id}: "
            + _(
                "together.one_cause is missing in its prior file; say in what share of machines "
                "with two complaints at once both have one cause"
            )
        )
    every = [_row_shares(priors, model, word) for word in model.complaints]
    mean = {f: sum(s[f] for s in each) / len(each) for f in each[0]}
    base = {f: max(sum(s[f] for s in every) / len(every), 1e-12) for f in mean}
    both = {f: base[f] * math.prod(s[f] / base[f] for s in each) for f in mean}
    if not sum(both.values()) > 0:
        return mean
    return {f: one * x + (1 - one) * mean[f] for f, x in _normal(both).items()}


def _row_shares(priors: PriorSet, model: SystemModel, complaint: str) -> dict[str, float]:
    """Shares of the file's rows for one complaint and the model's variant, summing to 1."""
    table = {row.fault: row for row in priors.rows}
    faults = [*(f"{c}.{m}" for c, m in model.faults()), NONE]
    if missing := [f for f in faults if f not in table]:
        raise ModelError(
            "rows: "
            + _("no row for {missing}; every fault needs one").format(missing=", ".join(missing))
        )
    if bare := [f for f in faults if complaint not in table[f].share]:
        raise ModelError(
            "rows: "
            + _("'{fault}' has no share for the complaint '{complaint}'").format(
                fault=bare[0], complaint=complaint
            )
        )
    own = {f: table[f].variants.get(model.variant, table[f].share) for f in faults}
    return _normal({f: own[f].get(complaint, table[f].share[complaint]) for f in faults})


def _normal(share: Mapping[str, float]) -> dict[str, float]:
    """Shares that sum to 1. ZeroDivisionError where all are 0."""
    total = sum(share.values())
    return {f: x / total for f, x in share.items()}


def multiplier(context: Context, fault: str) -> float:
    """What a context multiplies the share of a fault by: its own entry, its part's, the rest's."""
    component = fault.split(".", maxsplit=1)[0]
    mode = fault.split(".", maxsplit=1)[1]
    for key in (fault, f"{component}.*", f"*.{mode}", "*"):
        if key in context.multiply:
            return context.multiply[key]
    return 1.0


def root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function is zero between two places, by halving, as near as numbers go.

    Of its own because every command would wait longer for ``scipy.optimize`` than for this.
    """
    while low < (middle := (low + high) / 2) < high:
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return middle


def _scale(shares: Array, two_or_more: float) -> float:
    """Scale s with P(two or more | any fault) as asked, odds s * share, independent parts."""
    if np.count_nonzero(shares) < 2:
        return 0.2

    def excess(log_s: float) -> float:
        o = np.exp(log_s) * shares
        every = float(np.prod(1 + o)) - 1
        return (every - float(o.sum())) / every - two_or_more

    return math.exp(root(excess, -12.0, 8.0))


def flat_priors(model: SystemModel) -> PriorSet:
    """Priors that know nothing: every fault, and none, with the same share; no links."""
    provenance = "flat: knows nothing"
    shares = dict.fromkeys(model.complaints, 1.0)
    return PriorSet(
        schema=1,
        id="flat",
        version=model.version,
        system=model.id,
        strength=1.0,
        together=Together(two_or_more=0.01, provenance=provenance),
        rows=tuple(
            Row(fault=fault, share=shares, provenance=provenance)
            for fault in [*(f"{c}.{m}" for c, m in model.faults()), NONE]
        ),
    )
