"""Whether a prior file fits its system: mistakes, and what is legal but doubtful.

Both are lines 'key: what is wrong; what is right'. A prior file serves every variant of its
system, so it is looked at with all of them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchodds.basics.errors import nearest
from benchodds.model.priors import NONE, PriorSet
from benchodds.model.system import SystemModel

WHOLE = (100.0, 1.0)
"""What the shares of one complaint are meant to add up to."""
SLACK = 0.02
"""How far, as a part of the whole, a sum may be off before it is called doubtful."""


@dataclass(frozen=True)
class Names:
    """What a prior file can name: the system, its faults in file order, complaints, contexts."""

    id: str
    faults: tuple[str, ...]
    complaints: tuple[str, ...]
    contexts: tuple[str, ...]
    variants: tuple[str, ...]


def names_in(raw: Mapping[str, Any]) -> Names:
    """The names in a parsed model file, other mistakes in it notwithstanding."""

    def table(value: Any) -> dict[str, Any]:
        return value if isinstance(value, dict) else {}

    faults = [
        f"{component}.{mode}"
        for component, spec in table(raw.get("components")).items()
        for mode in table(table(spec).get("modes"))
    ]
    complaints, contexts, variants = (
        tuple(table(raw.get(k))) for k in ("complaints", "contexts", "variants")
    )
    return Names(str(raw.get("id", "unnamed")), tuple(faults), complaints, contexts, variants)


def prior_mistakes(priors: PriorSet, model: Names) -> Iterator[str]:
    """What cannot be right: unknown names, rows that are missing or stand twice, bad numbers."""
    faults = model.faults
    if priors.system != model.id:
        yield f"system: '{priors.system}' is not the system of this file, '{model.id}'"
    counted = Counter(row.fault for row in priors.rows)
    for i, row in enumerate(priors.rows):
        if row.fault not in (*faults, NONE):
            yield f"rows.{i}.fault: '{row.fault}' is not a fault of {model.id}" + nearest(
                row.fault, [*faults, NONE]
            )
        elif counted[row.fault] > 1:
            yield f"rows.{i}.fault: '{row.fault}' has {counted[row.fault]} rows; one is right"
            counted[row.fault] = 1
        for complaint, share in row.share.items():
            where = f"rows.{i}.share"
            if complaint not in model.complaints:
                near = nearest(complaint, model.complaints)
                yield f"{where}: '{complaint}' is not a complaint of {model.id}{near}"
            elif not 0 <= share < math.inf:
                yield f"{where}: {share:g} for '{complaint}'; a share is not negative"
        for variant, shares in row.variants.items():
            where = f"rows.{i}.variants.{variant}"
            if variant not in model.variants:
                near = nearest(variant, model.variants)
                yield f"{where}: '{variant}' is not a variant of {model.id}{near}"
            for complaint, share in shares.items():
                if complaint not in model.complaints:
                    near = nearest(complaint, model.complaints)
                    yield f"{where}: '{complaint}' is not a complaint of {model.id}{near}"
                elif not 0 <= share < math.inf:
                    yield f"{where}: {share:g} for '{complaint}'; a share is not negative"
        for complaint in model.complaints:
            if complaint not in row.share:
                yield f"rows.{i}.share: no share for the complaint '{complaint}'"
    missing = [f for f in (*faults, NONE) if f not in counted]
    if missing:
        yield f"rows: no row for {', '.join(missing)}; every fault needs one"
    for complaint in model.complaints:
        if sum(row.share.get(complaint, 0.0) for row in priors.rows) <= 0:
            yield f"rows: the shares for '{complaint}' are all zero"
    for complaint in priors.together.unnoticed:
        if complaint not in model.complaints:
            near = nearest(complaint, model.complaints)
            yield f"together.unnoticed: '{complaint}' is not a complaint of {model.id}{near}"
    yield from _context_mistakes(priors, model, faults)
    yield from _link_mistakes(priors, faults)


def _context_mistakes(priors: PriorSet, model: Names, faults: Sequence[str]) -> Iterator[str]:
    known = {
        *faults,
        NONE,
        "*",
        *(f"{f.partition('.')[0]}.*" for f in faults),
        *(f"*.{f.partition('.')[2]}" for f in faults),
    }
    for name, context in priors.contexts.items():
        if name not in model.contexts:
            near = nearest(name, model.contexts)
            yield f"contexts.{name}: '{name}' is not a context of {model.id}{near}"
        for fault, times in context.multiply.items():
            where = f"contexts.{name}.multiply"
            if fault not in known:
                yield f"{where}: '{fault}' is no fault, 'part.*', '*.mode' or '*'" + nearest(
                    fault, sorted(known)
                )
            if not 0 <= times < math.inf:
                yield f"{where}: {times:g} for '{fault}'; a multiplier is not negative"


def _link_mistakes(priors: PriorSet, faults: Sequence[str]) -> Iterator[str]:
    for i, link in enumerate(priors.links):
        for key, fault in (("given", link.given), ("raises", link.raises)):
            if fault not in faults and not (key == "given" and fault == "any"):
                part = fault.partition(".")[0]
                near = nearest(fault, [f for f in faults if f.startswith(f"{part}.")] or faults)
                yield f"links.{i}.{key}: '{fault}' is not a fault{near}"
        if link.given.partition(".")[0] == link.raises.partition(".")[0]:
            yield (
                f"links.{i}: '{link.given}' and '{link.raises}' are modes of one component, which "
                "has one mode at a time; link faults of different components"
            )


def prior_doubts(priors: PriorSet, models: Sequence[SystemModel]) -> Iterator[str]:
    """What is legal but looks like an oversight."""
    faults = _faults(models)
    everywhere = [f for f in faults if all(_has(m, f) for m in models)]
    rows = {row.fault: row for row in priors.rows}
    for complaint in models[0].complaints:
        total = sum(rows[f].share[complaint] for f in everywhere)
        whole = min(WHOLE, key=lambda w: abs(total / w - 1))
        with_none = total + rows[NONE].share[complaint]
        if all(abs(t / whole - 1) > SLACK for t in (total, with_none)):
            yield (
                f"rows: the shares for '{complaint}' add up to {total:g} (and {NONE} "
                f"{rows[NONE].share[complaint]:g}), not to {whole:g}; they are scaled, but was a "
                "row forgotten?"
            )
    for i, row in enumerate(priors.rows):
        if row.fault != NONE and not any(row.share.values()):
            yield f"rows.{i}.share: '{row.fault}' has no share of any complaint: it is never found"
    for name in models[0].contexts:
        if name not in priors.contexts:
            yield f"contexts: nothing for the context '{name}', so saying it changes nothing"
        elif all(times == 1 for times in priors.contexts[name].multiply.values()):
            yield f"contexts.{name}: multiplies nothing, so saying it changes nothing"


def _faults(models: Sequence[SystemModel]) -> list[str]:
    """All faults of all variants, in file order."""
    return list(dict.fromkeys(f"{c}.{m}" for model in models for c, m in model.faults()))


def _has(model: SystemModel, fault: str) -> bool:
    component, _, mode = fault.partition(".")
    return component in model.components and mode in model.components[component].modes
