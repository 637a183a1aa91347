"""Whether what a model file names exists and what it writes can be read.

Every mistake is one line, 'key: what is wrong; what is right'. What exists only in another
variant may be named where a fault is named; it then plays no part here.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from benchodds.basics.distributions import base_unit, parse_distribution
from benchodds.basics.errors import ModelError, nearest
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import N_, _
from benchodds.basics.quantities import to_base
from benchodds.model.gatecheck import no_pass, rings

if TYPE_CHECKING:
    from benchodds.model.system import (
        Gate,
        Intermittent,
        Quantity,
        Repair,
        Setup,
        SystemModel,
        Test,
    )

ROLES = frozenset({"rpm", "temp_c"})
"""Technique variables that an expression in a test may use besides quantities."""

GEAR = frozenset({"adapter", "meter"})
"""Gear that a test can prove."""


_COMMON = re.compile(r"[a-z][A-Za-z0-9_-]*(\.[a-z][A-Za-z0-9_-]*)?")


def broken_references(
    model: SystemModel, raw: Mapping[str, Any], dropped: Collection[tuple[str, ...]] = ()
) -> list[str]:
    """Every broken reference and unreadable number of a model.

    ``raw`` is the whole parsed file, other variants included; ``dropped`` are (section, name)
    of what was taken out because of other mistakes, and may be named all the same.
    """
    return list(_Check(model, raw, frozenset(dropped)).all())


@dataclass
class _Check:
    model: SystemModel
    raw: Mapping[str, Any]
    dropped: frozenset[tuple[str, ...]]
    known: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Names by section, with those that were dropped for other mistakes."""
        for section in ("quantities", "setups", "tests", "cautions", "components", "gates"):
            names = dict.fromkeys(getattr(self.model, section))
            names.update(dict.fromkeys(d[1] for d in self.dropped if d[0] == section and d[1:]))
            self.known[section] = list(names)
        elsewhere = self.raw.get("components", {})
        self.parts = list(elsewhere) if isinstance(elsewhere, dict) else []

    def all(self) -> Iterator[str]:
        """Every mistake, in the order of the file."""
        model = self.model
        if model.default_variant not in model.variants:
            yield (
                "default_variant: "
                + _("'{variant}' is not a variant{hint}").format(
                    variant=model.default_variant,
                    hint=nearest(model.default_variant, model.variants),
                )
            )
        yield from self._only()
        yield from self._meetings()
        for name in model.components:
            if name in model.quantities:
                yield f"quantities.{name}: " + _("a component has this name; choose another")
        for name, q in model.quantities.items():
            yield from self._quantity(f"quantities.{name}", name, q)
        yield from self._order()
        for name, setup in model.setups.items():
            yield from self._setup(f"setups.{name}", setup)
        for name, test in model.tests.items():
            yield from self._test(f"tests.{name}", test)
        for name, gate in model.gates.items():
            yield from self._gate(f"gates.{name}", gate)
        yield from rings(model)
        for complaint, tests in model.proof.items():
            what = N_("a complaint")
            yield from self._ref("proof", complaint, list(model.complaints), what)
            yield from self._refs(f"proof.{complaint}", tests, "tests", N_("a test"))
        for name, repair in model.repairs.items():
            yield from self._repair(f"repairs.{name}", repair)
        for fault, spec in model.intermittent.items():
            yield from self._intermittent(f"intermittent.'{fault}'", fault, spec)

    def _meetings(self) -> Iterator[str]:
        """What is shared with other systems, and what stands for them: the names of this one."""
        model = self.model
        for fault in model.shared:
            yield from self._fault(f"shared.'{fault}'", fault)
            whole, common = fault.endswith(".*"), model.shared[fault]
            if whole == ("." in common):
                right = (
                    _("a name, such as 'battery'") if whole else _("a fault, such as 'earth.highR'")
                )
                yield f"shared.'{fault}': " + _(
                    "'{common}' found where {right} is expected"
                ).format(common=common, right=right)
            elif not _COMMON.fullmatch(common):
                yield f"shared.'{fault}': " + _(
                    "'{common}' is no name; use small letters, digits and -"
                ).format(common=common)
        yield from self._refs("shared_setups", model.shared_setups, "setups", N_("a set-up"))
        for name, meeting in model.meets.items():
            for fault in meeting.stands_for:
                yield from self._fault(f"meets.{name}.stands_for.'{fault}'", fault)
            for fault in meeting.raises:
                yield from self._fault(f"meets.{name}.raises.'{fault}'", fault)
            yield from self._refs(f"meets.{name}.leaves", meeting.leaves, "tests", N_("a test"))

    def _only(self) -> Iterator[str]:
        """Variants that parts, quantities, tests and repairs are kept to."""
        for section in ("components", "quantities", "tests", "repairs"):
            items = self.raw.get(section)
            for name, item in items.items() if isinstance(items, dict) else ():
                only = item.get("only", ()) if isinstance(item, dict) else ()
                for variant in only if isinstance(only, (list, tuple)) else ():
                    if variant not in self.model.variants:
                        near = nearest(str(variant), self.model.variants)
                        yield f"{section}.{name}.only: " + _(
                            "'{variant}' is not a variant{near}"
                        ).format(variant=variant, near=near)

    def _quantity(self, path: str, name: str, q: Quantity) -> Iterator[str]:
        if "-" in name or name in ROLES:
            yield f"{path}: " + _(
                "'{name}' cannot be used in a formula; write it with _ and not as rpm"
            ).format(name=name)
        bad_unit = list(_attempt(f"{path}.unit", base_unit, q.unit))
        yield from bad_unit
        if q.grid is not None and not bad_unit:
            ends = {}
            for key in ("low", "knee", "high"):
                text = getattr(q.grid, key)
                if text:
                    found = list(_attempt(f"{path}.grid.{key}", to_base, text, q.unit))
                    yield from found
                    if not found:
                        ends[key] = to_base(text, q.unit)
            values = list(ends.values())
            if any(a >= b for a, b in itertools.pairwise(values)):
                yield f"{path}.grid: " + _("{ends} must hold; they are {values}").format(
                    ends=" < ".join(ends), values=values
                )
            if q.grid.spacing == "log" and ends.get("low", 1.0) <= 0:
                yield f"{path}.grid.low: " + _(
                    "cells of equal ratio begin above zero; or use linear"
                )
            if bool(q.grid.knee) != bool(q.grid.below):
                yield f"{path}.grid: " + _("'knee' and 'below' belong together")
            for atom in q.grid.atoms:
                if atom != "open":
                    yield from _attempt(f"{path}.grid.atoms", to_base, atom, q.unit)
        for key, dist in q.random.items():
            yield from _attempt(f"{path}.random.{key}", parse_distribution, dist)
        for key, modal in q.modes.items():
            where = f"{path}.modes.{key}"
            yield from self._ref(f"{where}.of", modal.of, self.parts, N_("a component"))
            for mode, dist in modal.by.items():
                if modal.of in self.model.components:
                    modes = self.model.components[modal.of].modes
                    yield from self._ref(f"{where}.by.{mode}", mode, modes, N_("a fault mode"))
                yield from _attempt(f"{where}.by.{mode}", parse_distribution, dist)
            for mode, dist in modal.joined.items():
                yield from _attempt(f"{where}.joined.{mode}", parse_distribution, dist)
            yield from _attempt(f"{where}.otherwise", parse_distribution, modal.otherwise)
        inputs = {*q.random, *q.modes, *self.known["quantities"]} - {name}
        yield from _names(f"{path}.formula", q.formula, inputs)

    def _order(self) -> Iterator[str]:
        """A quantity may use only quantities above it in the file: no loops."""
        seen: set[str] = set()
        for name, q in self.model.quantities.items():
            try:
                names = parse_expression(q.formula).names
            except ModelError:
                names = ()
            for used in names:
                below = used in self.model.quantities and used not in seen
                if below and used not in (name, *q.random, *q.modes):
                    yield (
                        f"quantities.{name}.formula: "
                        + _(
                            "uses '{used}', which stands below it; write quantities in the order "
                            "they depend on each other"
                        ).format(used=used)
                    )
            seen.add(name)

    def _setup(self, path: str, setup: Setup) -> Iterator[str]:
        yield from _minutes(f"{path}.minutes", setup.minutes)
        yield from _minutes(f"{path}.close", setup.close)
        yield from self._refs(f"{path}.needs", setup.needs, "setups", N_("a set-up"))
        yield from self._refs(f"{path}.cautions", setup.cautions, "cautions", N_("a caution"))

    def _test(self, path: str, test: Test) -> Iterator[str]:
        yield from _minutes(f"{path}.minutes", test.minutes, 0.1)
        bad_unit = list(_attempt(f"{path}.unit", base_unit, test.unit))
        yield from bad_unit
        yield from self._refs(f"{path}.needs", test.needs, "setups", N_("a set-up"))
        yield from self._refs(f"{path}.cautions", test.cautions, "cautions", N_("a caution"))
        yield from self._refs(f"{path}.after", test.after, "tests", N_("a test"))
        yield from self._refs(f"{path}.gate", filter(None, [test.gate]), "gates", N_("a gate"))
        if test.proves and test.proves not in GEAR:
            yield from self._ref(f"{path}.proves", test.proves, GEAR, N_("a piece of gear"))
        if test.kind == "look":
            yield from self._look(path, test)
        elif not bad_unit:
            yield from self._reading(path, test)

    def _look(self, path: str, test: Test) -> Iterator[str]:
        if len(test.outcomes) < 2:
            yield f"{path}.outcomes: " + _("a look needs at least two outcomes")
        yield from (
            line
            for word in test.passes
            for line in self._ref(f"{path}.passes", word, test.outcomes, N_("an outcome"))
        )
        if not test.base:
            yield f"{path}.base: " + _(
                "missing; the chance of each outcome without any of the causes"
            )
        rows = {"base": test.base, **{f"causes.'{c}'": r for c, r in test.causes.items()}}
        for where, row in rows.items():
            for outcome in row:
                yield from self._ref(f"{path}.{where}", outcome, test.outcomes, N_("an outcome"))
            if (row or where != "base") and abs(sum(row.values()) - 1) > 1e-6:
                yield f"{path}.{where}: " + _(
                    "chances sum to {total:g}; they must sum to 1"
                ).format(total=sum(row.values()))
        for cause in test.causes:
            yield from self._cause(f"{path}.causes.'{cause}'", cause)

    def _cause(self, path: str, cause: str) -> Iterator[str]:
        """A fault, or a state of a quantity that has two."""
        name, _dot, state = cause.partition(".")
        quantity = self.model.quantities.get(name)
        if quantity is None:
            yield from self._fault(path, cause)
        elif quantity.states is None:
            yield f"{path}: " + _(
                "'{name}' has a grid; a look can depend on a quantity of two states"
            ).format(name=name)
        elif state not in quantity.states:
            yield from self._ref(
                path, state, quantity.states, _("a state of {name}").format(name=name)
            )

    def _reading(self, path: str, test: Test) -> Iterator[str]:
        if not test.signal:
            yield f"{path}.signal: " + _("missing; say what the {kind} reading shows").format(
                kind=test.kind
            )
        inputs = {*self.known["quantities"], *test.random, *ROLES}
        for key in ("signal", "in_circuit"):
            if getattr(test, key):
                yield from _names(f"{path}.{key}", getattr(test, key), inputs)
        for key, dist in test.random.items():
            yield from _attempt(f"{path}.random.{key}", parse_distribution, dist)
        for key in ("residual", "need"):
            if getattr(test, key):
                text = getattr(test, key)
                yield from _attempt(f"{path}.{key}", parse_distribution, text, test.unit)
        for key, unit in (("through", "A"), ("between", test.unit)):
            if getattr(test, key):
                yield from _attempt(f"{path}.{key}", to_base, getattr(test, key), unit)
        if test.kind == "spark" and not test.need:
            yield f"{path}.need: " + _(
                "missing; the volts the gap needs, such as 'N(7 kV, 1.2 kV)'"
            )
        if test.kind != "spark" and test.span is None:
            yield f"{path}.span: " + _(
                "missing; the least and the largest reading worth telling apart"
            )
        if test.jitter:
            moving = [n for n, q in self.model.quantities.items() if q.states is not None]
            yield from self._ref(
                f"{path}.jitter", test.jitter, moving, N_("a quantity of two states")
            )
        if test.span is not None:
            for text in test.span:
                yield from _attempt(f"{path}.span", to_base, text, test.unit)
            yield from _pair(f"{path}.span", test.span, test.unit)
        if test.limit is not None:
            for end in ("min", "max"):
                if getattr(test.limit, end) is not None:
                    text = getattr(test.limit, end)
                    yield from _attempt(f"{path}.limit.{end}", to_base, text, test.unit)
            if test.limit.min is not None and test.limit.max is not None:
                yield from _pair(f"{path}.limit", (test.limit.min, test.limit.max), test.unit)
            if test.limit.measurand:
                known = set(self.known["quantities"])
                yield from _names(f"{path}.limit.measurand", test.limit.measurand, known)

    def _gate(self, path: str, gate: Gate) -> Iterator[str]:
        yield from self._refs(f"{path}.passed", gate.passed, "tests", N_("a test"))
        for text, faults in gate.passed.items():
            for fault in faults:
                yield from self._fault(f"{path}.passed.'{text}'", fault)
            yield from no_pass(f"{path}.passed.'{text}'", self.model, text.split("|"))

    def _repair(self, path: str, repair: Repair) -> Iterator[str]:
        yield from _minutes(f"{path}.minutes", repair.minutes)
        for key, faults in (("clears", repair.clears), ("spoils", repair.spoils)):
            for fault in faults:
                yield from self._fault(f"{path}.{key}", fault)
        yield from self._refs(f"{path}.renews", repair.renews, "components", N_("a component"))
        yield from self._refs(f"{path}.requires", repair.requires, "tests", N_("a test"))
        yield from self._refs(f"{path}.gate", filter(None, [repair.gate]), "gates", N_("a gate"))
        yield from self._refs(f"{path}.cautions", repair.cautions, "cautions", N_("a caution"))

    def _intermittent(self, path: str, fault: str, spec: Intermittent) -> Iterator[str]:
        yield from self._fault(path, fault)
        known = {**self.model.complaints, **self.model.contexts}
        for said in spec.shares:
            yield from self._ref(f"{path}.shares", said, known, N_("a complaint or context"))
        unread = list(_attempt(f"{path}.there", parse_distribution, spec.there, ""))
        yield from unread
        if not unread:
            law = parse_distribution(spec.there, "")
            if law.cdf(np.array(0.0)) > 0 or law.cdf(np.array(1.0)) < 1:
                yield f"{path}.there: " + _(
                    "'{text}' is no share; write a distribution between 0 and 1, such as 'Be(1, 2)'"
                ).format(text=spec.there)
        ways = {way for test in self.model.tests.values() for way in test.provokes}
        for way in spec.provoked:
            yield from self._ref(f"{path}.provoked", way, sorted(ways), N_("what a test provokes"))

    def _fault(self, path: str, fault: str) -> Iterator[str]:
        component, dot, mode = fault.partition(".")
        if not dot:
            yield f"{path}: " + _(
                "'{fault}' is not a fault; write component.mode, such as 'exc.open'"
            ).format(fault=fault)
        elif component not in self.parts:
            yield from self._ref(path, component, self.parts, N_("a component"))
        elif component in self.model.components and mode != "*":
            modes = self.model.components[component].modes
            yield from self._ref(
                path, mode, modes, _("a mode of {component}").format(component=component)
            )

    def _refs(self, path: str, names: Iterable[str], section: str, what: str) -> Iterator[str]:
        """Names of a section; 'a|b' names two."""
        for group in names:
            for name in group.split("|"):
                yield from self._ref(path, name, self.known[section], what)

    def _ref(self, path: str, name: str, known: Collection[str], what: str) -> Iterator[str]:
        if name not in known:
            yield f"{path}: " + _("'{name}' is not {what}{hint}").format(
                name=name, what=_(what), hint=nearest(name, known)
            )


def _attempt(path: str, call: Any, *args: Any) -> Iterator[str]:
    try:
        call(*args)
    except ModelError as error:
        yield f"{path}: {error}"


def _minutes(path: str, text: str, least: float = 0.0) -> Iterator[str]:
    try:
        minutes = to_base(text, "min")
    except ModelError as error:
        yield f"{path}: {error}"
        return
    if not minutes >= least:
        yield f"{path}: " + _("'{text}' found where at least {least:g} min is expected").format(
            text=text, least=least
        )


def _names(path: str, text: str, known: set[str]) -> Iterator[str]:
    try:
        names = parse_expression(text).names
    except ModelError as error:
        yield f"{path}: {error}"
        return
    for name in names:
        if name not in known:
            yield f"{path}: " + _("'{name}' in '{text}' is not a quantity or input{hint}").format(
                name=name, text=text, hint=nearest(name, known)
            )


def _pair(path: str, pair: tuple[str, str], unit: str) -> Iterator[str]:
    """Two values, the smaller first; nothing when they cannot be read."""
    try:
        low, high = (to_base(end, unit) for end in pair)
    except ModelError:
        return
    if low >= high:
        yield f"{path}: " + _("{low} is not below {high}").format(low=pair[0], high=pair[1])
