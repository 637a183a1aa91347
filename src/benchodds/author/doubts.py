"""What a model file may say but probably should not: legal, and doubtful.

Each doubt is a line 'key: what is doubtful; what would help'. The first group needs only the
model, the second its compiled machine: what can be seen, told apart, passed or failed.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from benchodds.author.separability import GOOD, Separability, folded, telling_quantities
from benchodds.basics.distributions import parse_distribution
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Table
from benchodds.basics.words import limit_words
from benchodds.infer.assess import Machine
from benchodds.measure.instrument import OUTCOME
from benchodds.model.dimensions import unit_doubts
from benchodds.model.gear import Bench
from benchodds.model.system import SystemModel
from benchodds.reasons.limits import measurand

LEAST_DB = 1.0
"""Expected decibans below which a test does not see a fault, or tell two apart."""
LEAST_TOLD_DB = 0.5
"""Expected decibans below which a test tells nothing about any pair of states."""
LEAST_PASSING = 0.05
"""Chance below which a good part cannot be said to meet a limit."""
LEAST_FAILING = 0.02
"""Chance below which no fault can be said to fail a limit."""
LEAST_AGREEING = 0.8
"""Chance, by a band of good values alone, below which a limit and that band are at odds."""
LEAST_FILLED = 0.25
"""Share of a limit's width below which a band is at odds with it too."""
SPARKING = ("peak", "spark")
"""Kinds of test with high voltage on bare clips."""


def doubts_in_model(model: SystemModel) -> Iterator[str]:
    """Doubts that need no computing: inputs not used, no minutes, no caution, no repair."""
    for name, q in model.quantities.items():
        used = set(parse_expression(q.formula).names)
        for kind in ("random", "modes"):
            for key in getattr(q, kind):
                if key not in used:
                    yield f"quantities.{name}.{kind}.{key}: " + _(
                        "the formula does not use '{key}'"
                    ).format(key=key)
        for key, modal in q.modes.items():
            if not modal.by and modal.of in model.components:
                yield f"quantities.{name}.modes.{key}.by: " + _(
                    "empty, so no mode of {of} counts"
                ).format(of=modal.of)
    for name, test in model.tests.items():
        path = f"tests.{name}"
        texts = [t for t in (test.signal, test.in_circuit) if t]
        used = {n for t in texts for n in parse_expression(t).names}
        if not test.battery:
            for key in set(test.random) - used:
                yield f"{path}.random.{key}: " + _("the signal does not use '{key}'").format(
                    key=key
                )
        if test.limit is not None and test.limit.min is None and test.limit.max is None:
            yield f"{path}.limit: " + _("neither min nor max, so nothing passes or fails")
        if test.limit is not None and test.span is not None:
            low, high = (to_base(end, test.unit) for end in test.span)
            for end in ("min", "max"):
                text = getattr(test.limit, end)
                if text is not None and not low < to_base(text, test.unit) < high:
                    span = " to ".join(test.span)
                    yield f"{path}.limit.{end}: " + _("{text} lies outside the span {span}").format(
                        text=text, span=span
                    )
        if test.kind in SPARKING and not test.battery and not test.cautions:
            yield f"{path}.cautions: " + _("none, for a test with high voltage")
        if test.in_circuit and test.p_unplugged == 1.0:
            yield f"{path}.p_unplugged: " + _("missing, so the reading counts as taken unplugged")
    yield from unit_doubts(model)
    for name in model.tests:
        yield from _at_odds(model, name)
    for section in ("setups", "repairs"):
        for name, item in getattr(model, section).items():
            if to_base(item.minutes, "min") <= 0:
                yield f"{section}.{name}.minutes: " + _("none; is it done in no time?")
    for name, setup in model.setups.items():
        if not setup.provenance:
            yield f"setups.{name}.provenance: " + _("missing; where do its minutes come from?")
    for name, variant in model.variants.items():
        if variant.set and not variant.provenance:
            yield f"variants.{name}.provenance: " + _("missing; where do its numbers come from?")
    cleared = {c for r in model.repairs.values() for c in r.clears}
    for component, mode in model.faults():
        if not cleared & {f"{component}.{mode}", f"{component}.*"}:
            yield f"components.{component}.modes: " + _(
                "no repair clears {component}.{mode}"
            ).format(component=component, mode=mode)


def _at_odds(model: SystemModel, name: str) -> Iterator[str]:
    """A limit on a quantity whose good values are a band elsewhere, or much narrower."""
    test = model.tests[name]
    limit = test.limit
    q = model.quantities.get(limit.measurand or "") if limit else None
    laws = [law for law in q.random.values() if law.startswith("band(")] if q else []
    if limit is None or q is None or not laws or len(q.random) > 1:
        return
    band = parse_distribution(laws[0], test.unit)
    low = to_base(limit.min, test.unit) if limit.min else -np.inf
    high = to_base(limit.max, test.unit) if limit.max else np.inf
    p = float(np.diff(band.cdf(np.array([low, high])))[0])
    share = (band.args[1] - band.args[0]) / (high - low)
    said = limit_words(limit.min, limit.max)
    if p < LEAST_AGREEING:
        yield f"tests.{name}.limit: " + _(
            "{limit}, which a good part meets {times} by {law} of {quantity}; one of them is off"
        ).format(limit=said, times=_in_a_hundred(p), law=laws[0], quantity=limit.measurand)
    elif 0 < share < LEAST_FILLED:
        yield f"tests.{name}.limit: " + _(
            "{limit} is far wider than {law} of {quantity}; one of them is off"
        ).format(limit=said, law=laws[0], quantity=limit.measurand)


def unused(model: SystemModel, bench: Bench) -> Iterator[str]:
    """Quantities, set-ups and cautions that nothing refers to."""
    names: set[str] = set()
    for q in model.quantities.values():
        names.update(set(parse_expression(q.formula).names) - {*q.random, *q.modes})
    for test in model.tests.values():
        measurands = [test.limit.measurand] if test.limit and test.limit.measurand else []
        for text in (test.signal, test.in_circuit, *measurands):
            if text:
                names.update(parse_expression(text).names)
        names.update({test.jitter, *(c.partition(".")[0] for c in test.causes)})
    for name in model.quantities:
        if name not in names:
            yield f"quantities.{name}: " + _("no test reads it and no quantity uses it")
    needed = {s for t in model.tests.values() for s in t.needs}
    needed |= {s for x in model.setups.values() for s in x.needs}
    needed |= {way.setup for way in bench.cranking.values()}
    for name in model.setups:
        if name not in needed:
            yield f"setups.{name}: " + _("no test needs it")
    said = {c for test in model.tests.values() for c in test.cautions}
    said |= {c for setup in model.setups.values() for c in setup.cautions}
    said |= {c for repair in model.repairs.values() for c in repair.cautions}
    for name in model.cautions:
        if name not in said and name != "literature":
            yield f"cautions.{name}: " + _("nothing shows it")


def doubts_in_machine(machine: Machine, found: Separability) -> Iterator[str]:
    """Doubts about what the readings can show, from the compiled machine."""
    yield from _blind(machine, found)
    for t, name in enumerate(found.tests):
        test = machine.model.tests[name]
        if found.weight_db[t].max() < LEAST_TOLD_DB and not test.proves:
            yield (
                f"tests.{name}: "
                + _(
                    "tells nothing; it reads alike whatever the fault (at most {most:.1f} dB)"
                ).format(most=found.weight_db[t].max())
            )
        if test.limit is not None and not test.proves:
            yield from _limit(machine, found, t)


def _blind(machine: Machine, found: Separability) -> Iterator[str]:
    """Faults that no test can see, and pairs that no test can tell apart."""
    best = found.best_db
    unseen = set()
    for i, name in enumerate(found.states):
        if i and max(best[i, 0], best[0, i]) < LEAST_DB:
            unseen.add(name)
    pairs = [
        pair
        for pair in itertools.combinations(found.states[1:], 2)
        if found.told_apart_db(*pair) < LEAST_DB and not unseen & set(pair)
    ]
    hints = telling_quantities(machine, [*((f, GOOD) for f in unseen), *pairs], LEAST_DB)
    for fault in sorted(unseen):
        at = f"components.{fault.partition('.')[0]}.modes"
        yield (
            f"{at}: "
            + _("no test can see {fault}").format(fault=fault)
            + _hint(machine, hints.get((fault, GOOD)), fault)
        )
    for a, b in pairs:
        at = f"components.{a.partition('.')[0]}.modes"
        yield (
            f"{at}: "
            + _("no test can tell {a} from {b}").format(a=a, b=b)
            + _hint(machine, hints.get((a, b)), a)
        )


def _hint(machine: Machine, quantity: str | None, fault: str) -> str:
    if quantity is None:
        return _(
            "; no quantity depends on it either: let {fault} change one, or a look's chances"
        ).format(fault=fault)
    title = machine.model.quantities[quantity].title
    return _("; a test that reads '{quantity}' ({title}) would").format(
        quantity=quantity, title=title
    )


def _limit(machine: Machine, found: Separability, t: int) -> Iterator[str]:
    name = found.tests[t]
    about = measurand(machine, name)
    p_good = float(found.passes[t, 0])
    if about is not None:
        network, _states = folded(machine)
        meets = np.stack([1 - about.meets, about.meets], axis=-1)
        p_good = float(network.outcomes(Table((*about.names, OUTCOME), meets))[0, 1])
    if p_good < LEAST_PASSING:
        yield (
            f"tests.{name}.limit: "
            + _("a good part meets it {times}; limit, or the quantity it is about, is off").format(
                times=_in_a_hundred(p_good)
            )
        )
    if found.fails[t, 1:].max() < LEAST_FAILING and found.passes[t].max() > 0:
        yield f"tests.{name}.limit: " + _("no fault fails it")


def _in_a_hundred(p: float) -> str:
    return _("{chance:.0f} times in 100").format(chance=100 * p) if p >= 0.005 else _("never")
