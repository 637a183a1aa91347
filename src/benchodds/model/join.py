"""Systems that meet on one machine: several models become one, pure.

Every name gets its system in front (part ``tci-coil``, quantity ``tci_fed``, test
``tci-vpri``), but for what the model files declare as shared: such parts and set-ups are one,
under their common name. A fault that is only a short word for another system's faults
(``stands_for``: charging that is "low") is replaced by these: it is there when any of them is.
The result is a model like any other, so that inference stays exact.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from benchodds.basics.errors import ModelError, UnknownNameError, nearest
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.model.benchwork import Gate, Repair, Setup, Test
from benchodds.model.joinnames import PLUS, Fault, Naming, causes_of, namings, raisings
from benchodds.model.system import (
    Component,
    Intermittent,
    ModeInput,
    Quantity,
    SystemModel,
    Variant,
)

_WORD = re.compile(r"[A-Za-z_]\w*")


class JoinedModel(SystemModel):
    """Several systems as one. ``parts`` are the models that it was made of, in order."""

    parts: tuple[SystemModel, ...] = ()


def join(models: Sequence[SystemModel]) -> JoinedModel:
    """One model of several systems on the same machine.

    Raises
    ------
    ModelError
        A system stands twice, the benches differ, or a shared part cannot be told as one.
    """
    kinds = {m.kind: m.id for m in models}
    for m in models:
        if kinds[m.kind] != m.id:
            raise ModelError(
                _("'{a}' and '{b}' are the same system of one machine; name one of them").format(
                    a=m.id, b=kinds[m.kind]
                )
            )
    if len(kinds) != len(models) or len(models) < 2:
        raise ModelError(
            _("join two or more different systems: {systems}").format(
                systems=", ".join(m.id for m in models)
            )
        )
    if len({m.bench for m in models}) > 1:
        raise ModelError(_("systems with different bench files cannot be joined in one job"))
    return _Join(models).model()


@dataclass
class _Join:
    models: Sequence[SystemModel]
    every: dict[str, Naming] = field(init=False)
    components: dict[str, Component] = field(init=False)
    cautions: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.every = namings(self.models)
        self.components = self._components()

    def model(self) -> JoinedModel:
        """The joined model."""
        models = self.models
        quantities = dict(self._stand_in_quantities())
        tests: dict[str, Test] = {}
        setups: dict[str, Setup] = {}
        repairs: dict[str, Repair] = {}
        gates: dict[str, Gate] = {}
        for naming in self.every.values():
            said = self._cautions(naming)
            quantities |= self._quantities(naming)
            for name, setup in naming.model.setups.items():
                common = naming.setup(name)
                told = setups.setdefault(
                    common, setup.model_copy(update={"needs": (), "cautions": ()})
                )
                needs = _both(told.needs, (naming.setup(s) for s in setup.needs))
                cautions = _both(told.cautions, (said[c] for c in setup.cautions))
                setups[common] = told.model_copy(update={"needs": needs, "cautions": cautions})
            tests |= self._tests(naming, said)
            gates |= self._gates(naming, tests)
            for name, repair in self._repairs(naming, said, tests):
                same = (n for n, r in repairs.items() if set(r.clears) == set(repair.clears))
                if (twin := next(same, None)) is None:
                    repairs[name] = repair
                else:
                    first = repairs[twin]
                    update = {
                        "cautions": _both(first.cautions, repair.cautions),
                        "harm": first.harm or repair.harm,
                        "gate": first.gate or repair.gate,
                    }
                    repairs[twin] = first.model_copy(update=update)
        variant = PLUS.join(m.variant for m in models)
        titles = dict.fromkeys(m.variants[m.variant].title for m in models)
        return JoinedModel(
            schema=1,
            id=PLUS.join(m.id for m in models),
            version=PLUS.join(m.version for m in models),
            title="; ".join(m.title for m in models),
            notice=" ".join(dict.fromkeys(m.notice for m in models)),
            bench=models[0].bench,
            default_variant=variant,
            complaints=_complaints(models),
            contexts={k: v for m in reversed(models) for k, v in m.contexts.items()},
            variants={variant: Variant(title="; ".join(titles), provenance="its parts")},
            cautions=self.cautions,
            wiring={f"{m.id}: {k}": v for m in models for k, v in m.wiring.items()},
            cranking=next((m.cranking for m in models if m.cranking), {}),
            defaults={f"{m.id}: {k}": v for m in models for k, v in m.defaults.items()},
            components=self.components,
            intermittent={k: v for n in self.every.values() for k, v in _intermittent(n)},
            quantities=quantities,
            setups=setups,
            tests=tests,
            gates=gates,
            repairs=repairs,
            proof={
                complaint: tuple(n for t in names if (n := naming.own(t)) in tests)
                for naming in self.every.values()
                for complaint, names in naming.model.proof.items()
            },
            closing=tuple(dict.fromkeys(step for m in models for step in m.closing)),
            variant=variant,
            parts=tuple(models),
        )

    def _components(self) -> dict[str, Component]:
        titles: dict[str, str] = {}
        modes: dict[str, dict[str, str]] = {}
        for naming in self.every.values():
            for (component, mode), words in _faults(naming.model):
                if (component, mode) in naming.stand_ins:
                    continue
                part, common = naming.fault(component, mode)
                titles.setdefault(part, naming.model.components[component].title)
                modes.setdefault(part, {}).setdefault(common, words)
        return {c: Component(title=titles[c], modes=m, only=()) for c, m in modes.items()}

    def _stand_in_quantities(self) -> Iterator[tuple[str, Quantity]]:
        """For every stand-in: is any of the faults there that it stands for?"""
        for naming in self.every.values():
            for fault, name in naming.stand_ins.items():
                title = naming.model.title_of(*fault)
                yield from any_of(name, title, causes_of(naming, self.every, fault))
            for name, title, faults, _part, _times in raisings(naming, self.every):
                yield from any_of(name, title, faults)

    def _quantities(self, naming: Naming) -> dict[str, Quantity]:
        return {
            naming.quantity(name): self._quantity(naming, name, q)
            for name, q in naming.model.quantities.items()
        }

    def _quantity(self, naming: Naming, name: str, q: Quantity) -> Quantity:
        random, modes = dict(q.random), {}
        formula = self._formula(naming, q.formula, {*q.random, *q.modes})
        for key, modal in q.modes.items():
            if modal.of in naming.stood_in:
                text = f"{key}_else"
                random[text] = modal.otherwise
                for mode, dist in modal.by.items():
                    random[f"{key}_{mode}".replace("-", "_")] = dist
                    stand_in = naming.stand_ins[modal.of, mode]
                    text = f"where({stand_in}, {key}_{mode}, {text})".replace("-", "_")
                formula = re.sub(rf"\b{key}\b", text, formula)
                continue
            modes[key] = self._modal(naming, f"quantities.{name}.modes.{key}", modal)
        update = {"formula": formula, "random": random, "modes": modes, "only": ()}
        return q.model_copy(update={**update, "part": next(iter(naming.parts(q.part)), None)})

    def _modal(self, naming: Naming, path: str, modal: ModeInput) -> ModeInput:
        model = naming.model
        if modal.of not in model.components:
            return modal.model_copy(update={"of": naming.own(modal.of)})
        told = {naming.fault(modal.of, m): d for m, d in modal.by.items()}
        parts = {part for part, _ in told}
        if len(parts) > 1:
            raise ModelError(
                f"{model.id}: "
                + f"{path}: "
                + _(
                    "its modes belong to different parts when systems are joined ({parts}); "
                    "split it into two inputs"
                ).format(parts=", ".join(sorted(parts)))
            )
        first = next(iter(model.components[modal.of].modes))
        part = next(iter(parts), naming.fault(modal.of, first)[0])
        by = {mode: d for (_, mode), d in told.items()}
        more = {
            m: d
            for m, d in modal.joined.items()
            if m in self.components[part].modes and m not in by
        }
        return modal.model_copy(update={"of": part, "by": {**by, **more}, "joined": {}})

    def _formula(self, naming: Naming, text: str, inputs: Iterable[str]) -> str:
        kept = set(inputs)
        names = {q: naming.quantity(q) for q in naming.model.quantities if q not in kept}
        return _WORD.sub(lambda m: names.get(m.group(), m.group()), text)

    def _cautions(self, naming: Naming) -> dict[str, str]:
        """Add the cautions of a system; the same text stands once. Returns their names."""
        said = {}
        for name, text in naming.model.cautions.items():
            same = name == "literature" or self.cautions.get(name, text) == text
            said[name] = name if same else naming.own(name)
            self.cautions.setdefault(said[name], text)
        return said

    def _tests(self, naming: Naming, said: Mapping[str, str]) -> dict[str, Test]:
        """The tests of a system, without those that only look at what it stands in for."""
        model = naming.model
        gone = {n for n, t in model.tests.items() if _looks_only_at(model, t, naming.stood_in)}
        gone |= {t for s, m in model.meets.items() if s in naming.others for t in m.leaves}
        out = {}
        for name, test in model.tests.items():
            if name in gone:
                continue
            causes: dict[str, dict[str, float]] = {}
            for cause, row in sorted(test.causes.items(), key=lambda item: item[0].endswith(".*")):
                for text in self._cause(naming, cause):
                    causes.setdefault(text, row)
            limit = test.limit
            if limit is not None and limit.measurand:
                text = self._formula(naming, limit.measurand, ())
                limit = limit.model_copy(update={"measurand": text})
            update = {
                "needs": tuple(naming.setup(s) for s in test.needs),
                "cautions": tuple(said[c] for c in test.cautions),
                "after": _groups(naming, test.after, gone),
                "gate": test.gate and naming.own(test.gate),
                "only": (),
                "signal": self._formula(naming, test.signal, test.random),
                "in_circuit": self._formula(naming, test.in_circuit, test.random),
                "jitter": naming.quantity(test.jitter) if test.jitter else "",
                "causes": causes,
                "limit": limit,
            }
            out[naming.own(name)] = test.model_copy(update=update)
        return out

    def _gates(self, naming: Naming, tests: Mapping[str, Test]) -> Iterator[tuple[str, Gate]]:
        """The gates of a system; what they wait for must be there, or they would stand open."""
        gone = {t for t in naming.model.tests if naming.own(t) not in tests}
        for name, gate in naming.model.gates.items():
            passed: dict[str, tuple[str, ...]] = {}
            for text, patterns in gate.passed.items():
                left = _groups(naming, [text], gone)
                if not left:
                    raise ModelError(
                        f"{naming.model.id}: gates.{name}: "
                        + _("'{text}' is not there when systems are joined").format(text=text)
                    )
                faults = [
                    ".".join(told)
                    for pattern in patterns
                    for fault in naming.faults(pattern)
                    for told in (
                        causes_of(naming, self.every, fault)
                        if fault in naming.stand_ins
                        else [naming.fault(*fault)]
                    )
                ]
                passed[left[0]] = _both(passed.get(left[0], ()), faults)
            yield naming.own(name), gate.model_copy(update={"passed": passed})

    def _cause(self, naming: Naming, cause: str) -> Iterator[str]:
        name, _, state = cause.partition(".")
        if name in naming.model.quantities:
            yield f"{naming.quantity(name)}.{state}"
        for fault in naming.faults(cause):
            if fault in naming.stand_ins:
                yield f"{naming.stand_ins[fault]}.yes"
            else:
                yield ".".join(naming.fault(*fault))

    def _repairs(
        self, naming: Naming, said: Mapping[str, str], tests: Mapping[str, Test]
    ) -> Iterator[tuple[str, Repair]]:
        """The repairs of a system, without those of what it stands in for."""
        gone = {t for t in naming.model.tests if naming.own(t) not in tests}
        for name, repair in naming.model.repairs.items():
            faults = [f for text in repair.clears for f in naming.faults(text)]
            clears = tuple(".".join(naming.fault(*f)) for f in faults if f not in naming.stand_ins)
            if clears:
                update = {
                    "clears": clears,
                    "renews": tuple(p for c in repair.renews for p in naming.parts(c)),
                    "spoils": {
                        ".".join(naming.fault(*f)): chance
                        for text, chance in repair.spoils.items()
                        for f in naming.faults(text)
                        if f not in naming.stand_ins
                    },
                    "requires": _groups(naming, repair.requires, gone),
                    "gate": repair.gate and naming.own(repair.gate),
                    "cautions": tuple(said[c] for c in repair.cautions),
                    "only": (),
                }
                yield naming.own(name), repair.model_copy(update=update)


def _intermittent(naming: Naming) -> Iterator[tuple[str, Intermittent]]:
    """Faults that come and go; what stands for another system's is left to that one."""
    for text, spec in naming.model.intermittent.items():
        for fault in naming.faults(text):
            if fault not in naming.stand_ins:
                yield ".".join(naming.fault(*fault)), spec


def any_of(name: str, title: str, faults: Sequence[Fault]) -> Iterator[tuple[str, Quantity]]:
    """Quantities of two states that say whether any of some faults is there: a chain of ors."""
    by_part: dict[str, dict[str, str]] = {}
    for part, mode in faults:
        by_part.setdefault(part, {})[mode] = "1"
    before = ""
    for i, (part, by) in enumerate(by_part.items(), start=1):
        here = name if i == len(by_part) else f"{name}_{i}"
        yield (
            here,
            Quantity(
                title=title,
                states=("no", "yes"),
                formula=f"1 - (1 - {before}) * (1 - here)" if before else "here",
                modes={"here": ModeInput(of=part, otherwise="0", by=by, joined={})},
                provenance=_("any of the faults that it stands for"),
            ),
        )
        before = here


def complaint_name(models: Sequence[SystemModel], said: str) -> str:
    """The complaints of a job, 'no-spark+battery-flat', in the order of its systems.

    Raises
    ------
    UnknownNameError
        One of them is no complaint here.
    """
    words = [w.strip() for w in said.split(PLUS)]
    known = [c for m in models for c in m.complaints]
    for word in words:
        if word not in known:
            raise UnknownNameError(
                _("'{word}' is not a complaint here{hint}").format(
                    word=word, hint=nearest(word, known)
                )
            )
    return PLUS.join(dict.fromkeys(c for m in models for c in m.complaints if c in words))


def _complaints(models: Sequence[SystemModel]) -> dict[str, str]:
    """Every complaint, and every set of complaints of different systems; fewest first."""
    out: dict[str, str] = {}
    choices = itertools.product(*[(None, *m.complaints.items()) for m in models])
    for chosen in sorted(choices, key=lambda c: sum(x is not None for x in c)):
        told = dict(c for c in chosen if c is not None)
        if told:
            out.setdefault(PLUS.join(told), "; ".join(told.values()))
    first = models[0].complaints
    return {**{c: out[c] for c in first}, **out}


def _groups(naming: Naming, groups: Iterable[str], gone: Iterable[str]) -> tuple[str, ...]:
    """Groups 'a|b' of tests under their joined names, without those that are gone."""
    left = [[t for t in group.split("|") if t not in set(gone)] for group in groups]
    return tuple("|".join(naming.own(t) for t in group) for group in left if group)


def _both(some: Iterable[str], more: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*some, *more)))


def _faults(model: SystemModel) -> Iterator[tuple[Fault, str]]:
    for name, component in model.components.items():
        for mode, words in component.modes.items():
            yield (name, mode), words


def _looks_only_at(model: SystemModel, test: Test, parts: frozenset[str]) -> bool:
    """Whether every part that a test depends on is among these, and there are some."""
    found = {c.partition(".")[0] for c in test.causes} & set(model.components)
    todo = [n for t in (test.signal, test.in_circuit) if t for n in parse_expression(t).names]
    todo += [test.jitter, *(c.partition(".")[0] for c in test.causes)]
    seen: set[str] = set()
    while todo:
        q = model.quantities.get(name := todo.pop())
        if q is not None and name not in seen:
            seen.add(name)
            found |= {m.of for m in q.modes.values()}
            todo += parse_expression(q.formula).names
    return bool(found) and found <= parts
