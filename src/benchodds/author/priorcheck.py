"""Whether a prior file fits its system: mistakes, and what is legal but doubtful.

Both are lines 'key: what is wrong; what is right'. A prior file serves every variant of its
system, so it is looked at with all of them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchodds.basics.errors import nearest
from benchodds.basics.language import _
from benchodds.model.priors import NONE, PriorSet
from benchodds.model.system import SystemModel

WHOLE = (100.0, 1.0)
"""What the shares of one complaint are meant to add up to."""
SLACK = 0.02
"""How far, as a part of the whole, a sum may be off before it is called doubtful."""


@dataclass(frozen=True)
class Names:
    """What a prior file can name: the system, its faults in file order, complaints, contexts.

    ``base`` is the system that it was made from, whose prior file serves it too.
    """

    id: str
    base: str
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
    name, base = str(raw.get("id", "unnamed")), str(raw.get("base", ""))
    return Names(name, base, tuple(faults), complaints, contexts, variants)


def prior_mistakes(priors: PriorSet, model: Names) -> Iterator[str]:
    """What cannot be right: unknown names, rows that are missing or stand twice, bad numbers."""
    faults = model.faults
    if priors.system not in (model.id, model.base):
        yield "system: " + _("'{system}' is not the system of this file, '{model}'").format(
            system=priors.system, model=model.id
        )
    counted = Counter(row.fault for row in priors.rows)
    for i, row in enumerate(priors.rows):
        if row.fault not in (*faults, NONE):
            yield (
                f"rows.{i}.fault: "
                + _("'{fault}' is not a fault of {model}").format(fault=row.fault, model=model.id)
                + nearest(row.fault, [*faults, NONE])
            )
        elif counted[row.fault] > 1:
            yield f"rows.{i}.fault: " + _("'{fault}' has {counted} rows; one is right").format(
                fault=row.fault, counted=counted[row.fault]
            )
            counted[row.fault] = 1
        yield from _share_mistakes(f"rows.{i}.share", row.share, model)
        for variant, shares in row.variants.items():
            where = f"rows.{i}.variants.{variant}"
            if variant not in model.variants:
                near = nearest(variant, model.variants)
                yield f"{where}: " + _("'{variant}' is not a variant of {model}{near}").format(
                    variant=variant, model=model.id, near=near
                )
            yield from _share_mistakes(where, shares, model)
        for complaint in model.complaints:
            if complaint not in row.share:
                yield f"rows.{i}.share: " + _("no share for the complaint '{complaint}'").format(
                    complaint=complaint
                )
    missing = [f for f in (*faults, NONE) if f not in counted]
    if missing:
        yield "rows: " + _("no row for {missing}; every fault needs one").format(
            missing=", ".join(missing)
        )
    for complaint in model.complaints:
        if sum(row.share.get(complaint, 0.0) for row in priors.rows) <= 0:
            yield "rows: " + _("the shares for '{complaint}' are all zero").format(
                complaint=complaint
            )
    yield from _complaint_mistakes("together.unnoticed", priors.together.unnoticed, model)
    yield from _context_mistakes(priors, model, faults)
    yield from _link_mistakes(priors, faults)


def _complaint_mistakes(where: str, complaints: Iterable[str], model: Names) -> Iterator[str]:
    for complaint in complaints:
        if complaint not in model.complaints:
            near = nearest(complaint, model.complaints)
            yield f"{where}: " + _("'{complaint}' is not a complaint of {model}{near}").format(
                complaint=complaint, model=model.id, near=near
            )


def _share_mistakes(where: str, shares: Mapping[str, float], model: Names) -> Iterator[str]:
    yield from _complaint_mistakes(where, shares, model)
    for complaint, share in shares.items():
        if not 0 <= share < math.inf:
            yield f"{where}: " + _("{share:g} for '{complaint}'; a share is not negative").format(
                share=share, complaint=complaint
            )


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
            yield f"contexts.{name}: " + _("'{name}' is not a context of {model}{near}").format(
                name=name, model=model.id, near=near
            )
        yield from _complaint_mistakes(f"contexts.{name}.said_by", context.said_by, model)
        for fault, times in context.multiply.items():
            where = f"contexts.{name}.multiply"
            if fault not in known:
                yield (
                    f"{where}: "
                    + _("'{fault}' is no fault, 'part.*', '*.mode' or '*'").format(fault=fault)
                    + nearest(fault, sorted(known))
                )
            if not 0 <= times < math.inf:
                yield f"{where}: " + _(
                    "{times:g} for '{fault}'; a multiplier is not negative"
                ).format(times=times, fault=fault)


def _link_mistakes(priors: PriorSet, faults: Sequence[str]) -> Iterator[str]:
    for i, link in enumerate(priors.links):
        for key, fault in (("given", link.given), ("raises", link.raises)):
            if fault not in faults and not (key == "given" and fault == "any"):
                part = fault.partition(".")[0]
                near = nearest(fault, [f for f in faults if f.startswith(f"{part}.")] or faults)
                yield f"links.{i}.{key}: " + _("'{fault}' is not a fault{near}").format(
                    fault=fault, near=near
                )
        if link.given.partition(".")[0] == link.raises.partition(".")[0]:
            yield (
                f"links.{i}: "
                + _(
                    "'{given}' and '{raises}' are modes of one component, which has one mode at "
                    "a time; link faults of different components"
                ).format(given=link.given, raises=link.raises)
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
                "rows: "
                + _(
                    "the shares for '{complaint}' add up to {total:g} (and {none} {share:g}), "
                    "not to {whole:g}; they are scaled, but was a row forgotten?"
                ).format(
                    complaint=complaint,
                    total=total,
                    none=NONE,
                    share=rows[NONE].share[complaint],
                    whole=whole,
                )
            )
    for i, row in enumerate(priors.rows):
        if row.fault != NONE and not any(row.share.values()):
            yield f"rows.{i}.share: " + _(
                "'{fault}' has no share of any complaint: it is never found"
            ).format(fault=row.fault)
    for name in models[0].contexts:
        if name not in priors.contexts:
            yield "contexts: " + _(
                "nothing for the context '{name}', so saying it changes nothing"
            ).format(name=name)
        elif all(times == 1 for times in priors.contexts[name].multiply.values()):
            yield f"contexts.{name}: " + _("multiplies nothing, so saying it changes nothing")


def _faults(models: Sequence[SystemModel]) -> list[str]:
    """All faults of all variants, in file order."""
    return list(dict.fromkeys(f"{c}.{m}" for model in models for c, m in model.faults()))


def _has(model: SystemModel, fault: str) -> bool:
    component, _, mode = fault.partition(".")
    return component in model.components and mode in model.components[component].modes
