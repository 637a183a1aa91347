"""Whether what a model file names exists and what it writes can be read.

A name that exists only in another variant may be named; it then plays no part here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from benchodds.errors import ModelError, nearest
from benchodds.formula import parse_distribution, parse_expression
from benchodds.quantities import to_base

if TYPE_CHECKING:
    from benchodds.system import Quantity, SystemModel, Test

ROLES = frozenset({"rpm", "temp_c"})
"""Technique variables that an expression in a test may use besides quantities."""


def _attempt(path: str, call: Any, *args: Any) -> Iterator[str]:
    try:
        call(*args)
    except ModelError as error:
        yield f"{path}: {error}"


def _check(model: SystemModel, raw: Mapping[str, Any]) -> Iterator[str]:
    """Every broken reference and unreadable number, as 'key: what is wrong; what is right'."""
    # What exists only in another variant may be named; it then plays no part here.
    elsewhere = set(raw.get("components", {}))

    def ref(path: str, name: str, known: Any, what: str) -> Iterator[str]:
        if name not in known:
            yield f"{path}: '{name}' is not a {what}{nearest(name, known)}"

    for name, q in model.quantities.items():
        path = f"quantities.{name}"
        yield from _attempt(f"{path}.formula", parse_expression, q.formula)
        if q.grid is not None:
            for key in ("low", "high"):
                yield from _attempt(f"{path}.grid.{key}", to_base, getattr(q.grid, key), q.unit)
            for atom in q.grid.atoms:
                if atom != "open":
                    yield from _attempt(f"{path}.grid.atoms", to_base, atom, q.unit)
        for key, dist in q.random.items():
            yield from _check_random(f"{path}.random.{key}", dist)
        for key, modal in q.modes.items():
            yield from ref(f"{path}.modes.{key}.of", modal.of, elsewhere, "component")
            if modal.of in model.components:
                for mode, dist in modal.by.items():
                    where = f"{path}.modes.{key}.by.{mode}"
                    yield from ref(where, mode, model.components[modal.of].modes, "fault mode")
                    yield from _check_random(where, dist)
            yield from _check_random(f"{path}.modes.{key}.otherwise", modal.otherwise)
        yield from _check_names(path, q.formula, {*q.random, *q.modes, *model.quantities} - {name})
    yield from _check_order(model)
    for name, setup in model.setups.items():
        path = f"setups.{name}"
        yield from _attempt(f"{path}.minutes", to_base, setup.minutes, "min")
        yield from _attempt(f"{path}.close", to_base, setup.close, "min")
        for other in setup.needs:
            yield from ref(f"{path}.needs", other, model.setups, "set-up")
        for caution in setup.cautions:
            yield from ref(f"{path}.cautions", caution, model.cautions, "caution")
    for name, test in model.tests.items():
        yield from _check_test(model, name, test, elsewhere)
    for name, repair in model.repairs.items():
        path = f"repairs.{name}"
        yield from _attempt(f"{path}.minutes", to_base, repair.minutes, "min")
        for fault in repair.clears:
            yield from _check_fault(f"{path}.clears", fault, model, elsewhere)
        for other in repair.requires:
            yield from ref(f"{path}.requires", other, model.tests, "test")
        for caution in repair.cautions:
            yield from ref(f"{path}.cautions", caution, model.cautions, "caution")


def _check_test(model: SystemModel, name: str, test: Test, elsewhere: set[str]) -> Iterator[str]:
    path = f"tests.{name}"
    yield from _attempt(f"{path}.minutes", to_base, test.minutes, "min")
    for kind, names, known in (
        ("needs", test.needs, model.setups),
        ("cautions", test.cautions, model.cautions),
        ("after", test.after, model.tests),
        ("passed", test.passed, model.tests),
    ):
        for other in (o for group in names for o in group.split("|")):
            if other not in known:
                yield f"{path}.{kind}: '{other}' is not known here{nearest(other, known)}"
    if test.kind == "look":
        if len(test.outcomes) < 2:
            yield f"{path}.outcomes: a look needs at least two outcomes"
        for row, where in [
            (test.base, "base"),
            *[(r, f"causes.{c}") for c, r in test.causes.items()],
        ]:
            for outcome in row:
                if outcome not in test.outcomes:
                    near = nearest(outcome, test.outcomes)
                    yield f"{path}.{where}: '{outcome}' is not an outcome{near}"
            if abs(sum(row.values()) - 1) > 1e-6:
                yield f"{path}.{where}: chances sum to {sum(row.values()):g}; they must sum to 1"
        for cause in test.causes:
            yield from _check_fault(f"{path}.causes", cause, model, elsewhere)
    elif not test.signal:
        yield f"{path}.signal: missing; say what the {test.kind} reading shows"
    known_names = {*model.quantities, *test.random, *ROLES}
    for key in ("signal", "in_circuit"):
        if getattr(test, key):
            yield from _check_names(f"{path}.{key}", getattr(test, key), known_names)
    if test.limit is not None and test.limit.measurand:
        yield from _check_names(
            f"{path}.limit.measurand", test.limit.measurand, set(model.quantities)
        )
    for key, dist in test.random.items():
        yield from _check_random(f"{path}.random.{key}", dist)
    for key, dist, unit in (
        ("residual", test.residual, test.unit),
        ("need", test.need, test.unit),
    ):
        if dist:
            yield from _attempt(f"{path}.{key}", parse_distribution, dist, unit)
    if test.kind == "spark" and not test.need:
        yield f"{path}.need: missing; the voltage the gap needs, such as 'N(7 kV, 1.2 kV)'"
    if test.jitter and test.jitter not in model.quantities:
        near = nearest(test.jitter, model.quantities)
        yield f"{path}.jitter: '{test.jitter}' is not a quantity{near}"
    if test.limit is not None:
        for key in ("min", "max"):
            value = getattr(test.limit, key)
            if value is not None:
                yield from _attempt(f"{path}.limit.{key}", to_base, value, test.unit)


def _check_fault(path: str, fault: str, model: SystemModel, elsewhere: set[str]) -> Iterator[str]:
    component, _, mode = fault.partition(".")
    if component not in elsewhere:
        yield f"{path}: '{component}' is not a component{nearest(component, elsewhere)}"
    elif component in model.components and mode not in {*model.components[component].modes, "*"}:
        known = model.components[component].modes
        yield f"{path}: '{mode}' is not a mode of {component}{nearest(mode, known)}"


def _check_names(path: str, text: str, known: set[str]) -> Iterator[str]:
    try:
        names = parse_expression(text).names
    except ModelError as error:
        yield f"{path}: {error}"
        return
    for name in names:
        if name not in known:
            yield f"{path}: '{name}' in '{text}' is not a quantity or input{nearest(name, known)}"


def _check_random(path: str, text: str) -> Iterator[str]:
    yield from _attempt(path, parse_distribution, text)


def _check_order(model: SystemModel) -> Iterator[str]:
    """A quantity may use only quantities above it in the file: no loops."""
    seen: set[str] = set()
    for name, q in model.quantities.items():
        try:
            names = parse_expression(q.formula).names
        except ModelError:
            continue
        for used in names:
            if used in model.quantities and used not in seen and used not in (*q.random, *q.modes):
                yield (
                    f"quantities.{name}.formula: uses '{used}', which stands below it; "
                    "write quantities in the order they depend on each other"
                )
        seen.add(name)
