"""Instrument cards: what is known of one meter with its adapter and leads, job after job.

A card says what is written on the instrument. What jobs find out about it (whether the adapter
works, how large its capacitor is, whether the meter reads true, what the leads add) goes on to
the next job as the prior of the same nodes, node by node, and fades: after ``d`` days and ``n``
jobs the belief is ``w * last + (1 - w) * any instrument`` with ``w = exp(-d / days - n / jobs)``,
the chance that nothing has happened to it meanwhile (constant hazard by time and by use). What
a job was given is written into the job, so that its odds can be worked out again from it alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Annotated, Any, Literal

import numpy as np

from benchodds.basics.errors import JobError, nearest
from benchodds.basics.forms import Form, Within, checked
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_accuracy, parse_impedance
from benchodds.basics.quantities import Value, to_base
from benchodds.basics.tables import Array, Table, Variable
from benchodds.model.gear import Bench, Fade
from benchodds.model.jobs import Job, Technique

NODES = ("adapter", "meter", "input", "leads")
"""What travels with an instrument."""

Beliefs = Mapping[str, Mapping[str, float]]
"""Probability of each state, by node."""


class Card(Form):
    """One instrument of the shop, as its file says."""

    schema: Literal[1]
    id: Annotated[str, Within(pattern=r"^[a-z][a-z0-9-]{0,39}$")]
    title: Annotated[str, Within(min_length=1, max_length=200)]
    meter: str | None = None
    accuracy: str | None = None
    adapter: str | None = None
    volt_ranges: tuple[str, ...] = ()
    ohm_ranges: tuple[str, ...] = ()
    picks_range: bool = False
    proved: date | None = None
    provenance: Annotated[str, Within(min_length=1, max_length=1000)]


def build_card(raw: Mapping[str, Any]) -> Card:
    """Check a parsed card file; ModelError names key, finding and remedy."""
    card = checked(Card, raw)
    if card.meter:
        parse_impedance(card.meter)
    if card.accuracy:
        parse_accuracy(card.accuracy)
    for texts, unit in ((card.volt_ranges, "V"), (card.ohm_ranges, "ohm")):
        for text in texts:
            to_base(text, unit)
    return card


def facts(card: Card) -> dict[str, Any]:
    """What a job is told of an instrument: what its card says, left out where it says nothing."""
    said: dict[str, Any] = {"title": card.title}
    for key in ("meter", "accuracy", "adapter"):
        if getattr(card, key):
            said[key] = getattr(card, key)
    if card.picks_range:
        said["ranges"] = {
            "V": [to_base(r, "V") for r in card.volt_ranges],
            "ohm": [to_base(r, "ohm") for r in card.ohm_ranges],
        }
    return said


def key(name: str) -> str:
    """Where a job keeps what it was told of an instrument."""
    return f"card {name}"


def told(job: Job, name: str) -> Mapping[str, Any]:
    """What a job was told of an instrument.

    Raises
    ------
    JobError
        The job was never told of it.
    """
    found = job.gear.get(key(name))
    if not isinstance(found, Mapping):
        known = [k.removeprefix("card ") for k in job.gear if k.startswith("card ")]
        raise JobError(
            _(
                "job {job} has no instrument '{name}'{hint}; declare it with 'benchodds gear "
                "{job} --card {name}'"
            ).format(job=job.id, name=name, hint=nearest(name, known))
        )
    return found


def technique_with(technique: Technique, job: Job, values: Sequence[Value]) -> Technique:
    """A reading's technique with what the card of its instrument adds to what was said.

    What was declared for the job as a whole goes before the card of the job's own instrument.
    An instrument that picks its own range had the smallest that holds the largest number.
    """
    name = technique.card or job.gear.get("card")
    if not name:
        return technique
    card, own = told(job, str(name)), name == job.gear.get("card")
    said: dict[str, Any] = {
        k: str(card[k])
        for k in ("meter", "accuracy", "adapter")
        if k in card and getattr(technique, k) is None and not (own and job.gear.get(k))
    }
    numbers = [abs(v.number) for v in values if v.number is not None]
    if technique.range_top is None and numbers and "ranges" in card:
        tops = sorted(card["ranges"].get(values[0].unit, ()))
        fitting = [t for t in tops if t >= max(numbers)]
        if fitting:
            said["range_top"] = float(fitting[0])
    return replace(technique, card=str(name), **said)


def node_names(job: Job, card: str | None) -> dict[str, str]:
    """Names of an instrument's nodes in the network; the job's own instrument has plain ones."""
    if card is None or card == job.gear.get("card"):
        return {}
    return {n: f"{n} of {card}" for n in NODES}


def nodes(
    job: Job,
    used: Sequence[str | None],
    variables: Mapping[str, Variable],
    tables: Mapping[str, Table],
) -> dict[str, tuple[Variable, Table]]:
    """Nodes of the job's instrument and of every other that was used, with their priors."""
    out: dict[str, tuple[Variable, Table]] = {}
    own = job.gear.get("card")
    for name in dict.fromkeys([str(own) if own else None, *used]):
        if name is None:
            continue
        beliefs = told(job, name).get("beliefs", {})
        names = node_names(job, name)
        for node in NODES:
            if node in tables:
                called = names.get(node, node)
                p = as_array(beliefs.get(node, {}), variables[node].states, tables[node].p)
                out[called] = (replace(variables[node], name=called), Table((called,), p))
    return out


def former(job: Job, seq: float) -> dict[str, str]:
    """What the job's own gear was called before an event, where it was changed since.

    Another meter has another input impedance.
    """
    total, before = job.gear_before(math.inf), job.gear_before(seq)
    return {
        node: f"{node} #{before[item] + 1}"
        for item in total
        if before[item] < total[item]
        for node in ((item, "input") if item == "meter" else (item,))
    }


def changed(
    job: Job,
    variables: Mapping[str, Variable],
    first: Mapping[str, Table],
    anew: Mapping[str, Table],
) -> dict[str, tuple[Variable, Table]]:
    """Nodes of gear that was mended or replaced: each former one, and today's.

    The first is believed as the job began with it, those after it as any.
    """
    out: dict[str, tuple[Variable, Table]] = {}
    for seq, _item in job.gear_changes:
        for node, name in former(job, seq).items():
            p = (first if name.endswith("#1") else anew)[node].p
            out[name] = (replace(variables[node], name=name), Table((name,), p))
            out[node] = (variables[node], anew[node])
    return out


def as_array(belief: Mapping[str, float], states: Sequence[str], else_: Array) -> Array:
    """Probabilities in the order of the states; another set of states is not used."""
    if set(belief) != set(states):
        return else_
    p = np.array([float(belief[s]) for s in states])
    return p / p.sum() if np.isfinite(p).all() and p.min() >= 0 and p.sum() > 0 else else_


def faded(last: Beliefs, anew: Beliefs, days: float, jobs: int, bench: Bench) -> Beliefs:
    """Beliefs after time and use, towards what is believed of any instrument."""
    out: dict[str, Mapping[str, float]] = {}
    fades: Mapping[str, Fade] = {str(n): f for n, f in bench.cards.fade.items()}
    for node, before in last.items():
        fade = fades.get(node)
        if fade is None or set(before) != set(anew[node]):
            continue
        w = math.exp(-max(days, 0.0) / to_base(fade.time, "d") - max(jobs, 0) / fade.jobs)
        out[node] = {s: w * before[s] + (1 - w) * anew[node][s] for s in before}
    return out


def proved(anew: Beliefs, chance_dead: float) -> Beliefs:
    """Beliefs about an instrument whose adapter was proved on a known source."""
    before = anew["adapter"]
    alive = 1 - before["dead"]
    p = {s: (1 - chance_dead) * v / alive for s, v in before.items() if s != "dead"}
    return {**anew, "adapter": {**p, "dead": chance_dead}}
