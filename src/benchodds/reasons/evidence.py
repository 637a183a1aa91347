"""How the odds came about: exact joints, and the weight of evidence of every reading.

A weight of evidence is the change of log odds in decibans (Good 1950). Readings share latents
(operator, adapter, the quantities themselves), so a weight depends on what was known when the
reading was taken. It is given twice: in the order taken, where the weights of a job add up to
its log odds; and with the reading left out of all the others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.errors import EvidenceError, TooLargeError
from benchodds.basics.tables import Array, Network, Table
from benchodds.infer.assess import Assessment, gear_names
from benchodds.infer.belief import posterior
from benchodds.infer.inference import eliminate_scaled, mixture
from benchodds.infer.intermittent import NAME
from benchodds.infer.machine import FoldedNetwork
from benchodds.model.gear import Bench
from benchodds.reasons.conformance import odds_db

OPERATOR = "operator"
Kind = Literal["component", "gear", "technique"]


# ---- exact joints -------------------------------------------------------------------------------


def without(network: Network, readings: Sequence[str]) -> Network:
    """The network with the findings of some readings taken out."""
    left = {k: v for k, v in network.findings.items() if k not in readings}
    return replace(network, findings=left)


def only(network: Network, reading: str | None) -> Network:
    """The network with one reading (or none) as its evidence; what is about faults stays."""
    prior = ("link ", NAME)
    kept = {k: v for k, v in network.findings.items() if k.startswith(prior) or k == reading}
    return replace(network, findings=kept)


def joint(network: Network, names: Sequence[str], extra: Sequence[Table] = ()) -> Array:
    """Exact joint posterior of a few variables, special whole states included.

    The network with special states is a signed mixture of plain ones
    (:class:`benchodds.infer.inference.Posterior`); here each part is solved by elimination, so the
    variables need not meet in one bucket.

    Parameters
    ----------
    names
        Variables of the network, or axes of ``extra`` that the network does not know, such as
        the outcomes of a reading.
    extra
        Tables multiplied in as further factors.

    Returns
    -------
    array
        Axes as ``names``; sums to 1 over them all.
    """
    if network.states:
        return FoldedNetwork(network, network.states).joint(names, extra)
    whole, log_whole = _unscaled(network, names, extra)
    total = np.array(whole)
    for factor, fixed in mixture(network):
        evidence = {v: s for v, s in fixed.evidence.items() if v in network.roots}
        free = [n for n in names if n not in evidence]
        try:
            part, log_part = _unscaled(fixed, free, [_slice(t, evidence) for t in extra])
        except EvidenceError:
            continue  # this state has probability zero already
        index = tuple(evidence.get(n, slice(None)) for n in names)
        total[index] += factor * np.exp(log_part - log_whole) * part
    total = np.maximum(total, 0.0)
    return np.asarray(total / total.sum())


def _unscaled(
    network: Network, names: Sequence[str], extra: Sequence[Table]
) -> tuple[Array, float]:
    known = [v for v in (*names, *(v for t in extra for v in t.scope)) if v in network.variables]
    factors = [*network.factors([v for v in known if v not in network.evidence]), *extra]
    size = {v: n for t in factors for v, n in zip(t.scope, t.p.shape, strict=True)}
    table, log_scale = eliminate_scaled(factors, names, size)
    return table.p, log_scale


def _slice(table: Table, evidence: Mapping[str, int]) -> Table:
    index = tuple(evidence.get(v, slice(None)) for v in table.scope)
    return Table(tuple(v for v in table.scope if v not in evidence), table.p[index])


# ---- weights of evidence ------------------------------------------------------------------------


@dataclass(frozen=True)
class Suspect:
    """Something that a reading may speak for or against: some states of one variable."""

    name: str
    kind: Kind
    variable: str
    states: tuple[int, ...]

    def odds_db(self, p: Array) -> float:
        """Log odds of the states against the rest, decibans, from the variable's posterior."""
        chosen = list(self.states)
        rest = [i for i in range(len(p)) if i not in self.states]
        return odds_db(float(p[chosen].sum()), float(p[rest].sum()))

    def p(self, p: Array) -> float:
        """Probability of the states."""
        return float(p[list(self.states)].sum())


def slow_speed(bench: Bench) -> float:
    """Speed factor below which a person counts as slow: one standard deviation under the middle.

    The quantile Phi(-1) of the operator's own law in the bench file.
    """
    return float(parse_distribution(bench.operator.speed).off_middle(np.array(-1.0)))


def suspects(
    network: Network,
    bench: Bench,
    gear: Sequence[str],
    hookups: Sequence[str],
    nodes: Sequence[str] = (),
) -> tuple[Suspect, ...]:
    """Every component at fault, every gear item and hook-up not sound, and slow cranking."""
    out = [
        Suspect(c, "component", v, tuple(range(1, network.variables[v].size)))
        for c, v in zip(network.components, nodes or network.components, strict=True)
    ]
    for item in (*gear, *hookups):
        states = network.variables[item].states
        bad = tuple(i for i, s in enumerate(states) if not s.startswith("ok"))
        out.append(Suspect(item, "gear", item, bad))
    slow = np.flatnonzero(network.variables[OPERATOR].values < slow_speed(bench))
    out.append(Suspect("slow cranking", "technique", OPERATOR, tuple(int(i) for i in slow)))
    return tuple(out)


@dataclass(frozen=True, eq=False)
class Ledger:
    """The log odds of every suspect before any reading and after each, in the order taken.

    ``odds`` (n_readings + 1, n_suspects) in decibans; row 0 is the prior given complaint and
    context. ``marginals[k][variable]`` is the posterior of each suspect's variable after k
    readings.
    """

    suspects: tuple[Suspect, ...]
    readings: tuple[str, ...]
    odds: Array
    marginals: tuple[Mapping[str, Array], ...]

    def weights(self, reading: str) -> Array:
        """Decibans that a reading added for each suspect, in the order taken, (n_suspects,)."""
        k = self.readings.index(reading)
        return np.asarray(self.odds[k + 1] - self.odds[k])

    def p(self, suspect: Suspect) -> Array:
        """Probability of a suspect before any reading and after each, (n_readings + 1,)."""
        return np.array([suspect.p(m[suspect.variable]) for m in self.marginals])


def marginals(network: Network, chosen: Sequence[Suspect]) -> dict[str, Array]:
    """Posterior of every suspect's variable, in one propagation."""
    names = list(dict.fromkeys(s.variable for s in chosen))
    result = posterior(network, names)
    return dict(zip(names, result.joints([v] for v in names), strict=True))


def ledger(assessment: Assessment, *, ends: bool = False, was: bool = False) -> Ledger:
    """Weights of evidence of a job, reading by reading in the order taken.

    With ``ends`` there are only two rows, before any reading and after all of them. With ``was``
    components are those that the machine came with, not today's.

    The weights of a suspect add up to its log odds in the assessment less those before any
    reading: each row is an exact posterior of the network with one reading more. What the
    prior excludes, or holds certain, no reading moves; it is left out. All of it is given that no
    fault comes and goes.
    """
    assessment = assessment.steady
    try:
        return _ledger(assessment, ends, was)
    except TooLargeError:
        return _ledger(assessment.narrowed(), ends, was)


def _ledger(assessment: Assessment, ends: bool, was: bool) -> Ledger:
    network = assessment.network
    readings = [t.reading.id for t in assessment.taken if t.table is not None]
    hookups = [
        h for h in dict.fromkeys(t.hookup for t in assessment.taken) if h in network.variables
    ]
    chosen = suspects(
        network,
        assessment.machine.bench,
        gear_names(assessment.taken),
        hookups,
        network.roots if was else (),
    )
    rows = [marginals(without(network, readings), chosen)]
    chosen = tuple(s for s in chosen if np.isfinite(s.odds_db(rows[0][s.variable])))
    for k in range(1, 1 if ends else len(readings)):
        rows.append(marginals(without(network, readings[k:]), chosen))
    if readings:  # after all of them is what the assessment holds
        rows.append(assessment.marginals(dict.fromkeys(s.variable for s in chosen)))
    odds = np.array([[s.odds_db(m[s.variable]) for s in chosen] for m in rows])
    return Ledger(chosen, tuple(readings), odds, tuple(rows))
