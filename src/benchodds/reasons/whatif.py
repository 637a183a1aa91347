"""What would change the verdict: another reading, or one more thing known about it.

Both are worked out over whole machine states (:class:`benchodds.infer.machine.FoldedNetwork`: no
fault, every single fault, the likeliest pairs), as the ranking of tests is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.language import N_, _
from benchodds.basics.tables import Array, State, Table, slim
from benchodds.choose.information import mutual_information
from benchodds.infer.assess import Assessment, Taken
from benchodds.infer.machine import FoldedNetwork
from benchodds.measure.instrument import OUTCOME
from benchodds.reasons.evidence import without
from benchodds.reasons.sweep import Sweep

INPUT = "input"
HALF = 0.5
"""A reading that is more likely a slip than not turns nothing."""
LEAST_STATE = 1e-4
"""Whole states below this probability are left out of what an answer is worth."""
WORDS: Mapping[str, str] = {
    "meter": N_("the meter's input impedance"),
    "kicks": N_("how many kicks there were"),
    "how": N_("how it was cranked"),
    "leads": N_("whether the leads were nulled"),
    "unplugged": N_("whether it was unplugged"),
    "temp_c": N_("how warm the part was"),
    "light": N_("in what light it was seen"),
}
"""What each unknown of the technique is called; the keys are the technique's fields."""


@dataclass(frozen=True)
class Verdict:
    """The component that leads, and its probability of being at fault."""

    component: str
    p: float


@dataclass(frozen=True)
class Crossing:
    """A reading at which the lead changes: about ``at`` (a number or a word), to whom."""

    at: float | str
    lead: Verdict


@dataclass(frozen=True)
class Turn:
    """The lead as it stands, and the nearest other readings that would give it to another.

    ``lower`` and ``higher`` are None when no such reading turns it.
    """

    lead: Verdict
    lower: Crossing | None
    higher: Crossing | None
    named: tuple[Crossing, ...]


@dataclass(frozen=True)
class Unknown:
    """Something not said about the reading, and what knowing it would be worth.

    ``bits`` is the expected information about the machine; ``answers`` the chances of each
    answer, given all readings.
    """

    field: str
    words: str
    bits: float
    answers: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Learning:
    """What is worth knowing about a reading, the most valuable first, against repeating it."""

    unknowns: tuple[Unknown, ...]
    repeat: str
    repeat_bits: float


def folded_without(assessment: Assessment, reading: str) -> FoldedNetwork:
    """Whole machine states given all other readings."""
    histories = assessment.steady.folded.histories
    return FoldedNetwork(without(assessment.network, [reading]), histories)


def _pruned(assessment: Assessment) -> list[State]:
    """The states that carry the probability, so that less has to be summed."""
    return [state for state, p in assessment.states() if p > LEAST_STATE] or [()]


def _weights(folded: FoldedNetwork) -> Array:
    """Probabilities of the folded states, normalised over them."""
    top = folded.log_weights.max()
    w = np.exp(folded.log_weights - top)
    return np.asarray(w / w.sum())


def fault_share(folded: FoldedNetwork, p: Array) -> tuple[tuple[str, ...], Array]:
    """P(component at fault), from state weights (n_states, n) to (n_components, n)."""
    names = tuple(folded.network.components)
    has = np.array([[any(c == n for c, _ in state) for state in folded.states] for n in names])
    total = p.sum(axis=0)
    return names, np.asarray(has.astype(float) @ p / np.where(total > 0, total, 1.0))


def turn(assessment: Assessment, folded: FoldedNetwork, swept: Sweep) -> Turn:
    """How far the reading would have to fall, or rise, to give the lead to another component.

    ``folded`` is given all other readings. The crossing is read off between bins, where the
    log odds of the two components meet.
    """
    p = _weights(folded)[:, None] * folded.outcomes(swept.table)
    names, faults = fault_share(folded, p)
    first = max(assessment.p_fault, key=lambda c: assessment.p_fault[c])
    lead = Verdict(first, assessment.p_fault[first])
    here, n = names.index(first), swept.n_numbers
    leaders = faults.argmax(axis=0)
    floor = swept.table.p.reshape(-1, p.shape[1]).min(axis=0)
    believed = floor < HALF * p.sum(axis=0)

    def crossing(step: int) -> Crossing | None:
        i = swept.mine
        if i >= n:  # OL and the like: any number that can be believed is lower
            i = next((k for k in range(n - 1, -1, -1) if believed[k]), -1) if step < 0 else -1
            if i < 0:
                return None
            if leaders[i] != here:
                verdict = Verdict(names[int(leaders[i])], float(faults[:, i].max()))
                return Crossing(float(swept.centres[i]), verdict)
        while 0 <= i + step < n and believed[i + step]:
            other = int(leaders[i + step])
            if other != here:
                gap = np.log(faults[here] / np.maximum(faults[other], 1e-300))
                x = np.log(swept.centres)
                t = gap[i] / (gap[i] - gap[i + step]) if gap[i] > 0 else 0.0
                at = float(np.exp(x[i] + t * (x[i + step] - x[i])))
                return Crossing(at, Verdict(names[other], float(faults[other, i + step])))
            i += step
        return None

    named = tuple(
        Crossing(o.label, Verdict(names[int(leaders[i])], float(faults[:, i].max())))
        for i, o in enumerate(swept.outcomes)
        if i >= n and i != swept.mine and leaders[i] != here and believed[i]
    )
    return Turn(lead, crossing(-1), crossing(1), named)


def learning(assessment: Assessment, taken: Taken) -> Learning:
    """Expected information about the machine of learning each thing that was not said.

    The meter's input impedance is one latent of the whole session; the rest belongs to this
    reading, and its answers are weighted by how well each explains what was read. Compared
    with one more kick in the same placing of the probes, or one more reading.
    """
    assert taken.table is not None
    tool = assessment.machine.instrument(taken.reading.test)
    states = _pruned(assessment)
    others = FoldedNetwork(without(assessment.network, [taken.reading.id]), states)
    whole = FoldedNetwork(assessment.network, states)
    found: list[Unknown] = []
    if INPUT in taken.table.scope:
        answers = assessment.machine.variables[INPUT].states
        p = whole.outcomes(Table((INPUT, OUTCOME), np.eye(len(answers))))
        found.append(_unknown("meter", list(answers), _weights(whole)[:, None] * p))
    options = [
        (name, w, technique)
        for name, answers in tool.options(taken.values, taken.technique).items()
        for w, technique in answers
    ]
    if options:
        tables = [tool.likelihood(taken.values, t, taken.hookup) for _, _, t in options]
        like = others.outcomes(_stacked([t for t in tables if t is not None]))
        for name in dict.fromkeys(n for n, _, _ in options):
            mine = [i for i, (n, _, _) in enumerate(options) if n == name]
            weights = np.array([options[i][1] for i in mine])
            labels = [_said(getattr(options[i][2], name)) for i in mine]
            p = _weights(others)[:, None] * like[:, mine] * weights
            found.append(_unknown(name, labels, p))
    found.sort(key=lambda u: -u.bits)
    peak = tool.test.kind == "peak" and not tool.test.battery
    technique = replace(taken.technique, kicks=1) if peak else taken.technique
    _outcomes, again = tool.predictive(technique, None, taken.hookup if peak else None)
    p = whole.outcomes(slim(again, keep=1))
    bits = mutual_information(_weights(whole), p / p.sum(axis=1, keepdims=True))
    return Learning(tuple(found), _("one more kick") if peak else _("the same reading again"), bits)


def _stacked(tables: Sequence[Table]) -> Table:
    """Likelihoods side by side, as outcomes of one table over the first one's scope."""
    scope = tables[0].scope
    p = np.stack([t.p.transpose([t.scope.index(v) for v in scope]) for t in tables], axis=-1)
    return slim(Table((*scope, OUTCOME), p / p.max()), keep=1)


def _said(value: object) -> str:
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    return f"{value:.0f}" if isinstance(value, float) else str(value)


def _unknown(name: str, labels: Sequence[str], p: Array) -> Unknown:
    """From the joint of machine state and answer, (n_states, n_answers)."""
    p = p / p.sum()
    p_state = p.sum(axis=1)
    rows = p / np.where(p_state > 0, p_state, 1.0)[:, None]
    answers = sorted(zip(labels, p.sum(axis=0), strict=True), key=lambda a: -a[1])
    bits = mutual_information(p_state, rows)
    return Unknown(name, _(WORDS[name]), bits, tuple((a, float(q)) for a, q in answers))
