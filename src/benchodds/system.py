"""The system model: what a model file may say, and the checks on it.

Everything here works on a parsed mapping; reading files is the business of ``files``.
Names in a model file are what people type and read: test ``vexc``, component ``exc``,
fault mode ``exc.open``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import deepcopy
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from benchodds.errors import ModelError, UnknownNameError, nearest
from benchodds.formula import parse_distribution, parse_expression
from benchodds.quantities import to_base

Name = Annotated[str, Field(pattern=r"^[a-z][A-Za-z0-9_-]{0,39}$")]
Text = Annotated[str, Field(min_length=1, max_length=1000)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]

MAX_STATES = 400
MAX_PARENT_STATES = 3_000_000
ROLES = frozenset({"rpm", "temp_c"})
"""Technique variables that an expression in a test may use besides quantities."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Variant(_Strict):
    """One version of the machine: years, and what differs from the file's main text."""

    title: Text
    years: str = ""
    set: dict[str, Any] = {}


class Component(_Strict):
    """A part that can be at fault. Its state 0 is always ``good``; modes are fault modes."""

    title: Text
    modes: dict[Name, Text] = Field(min_length=1, max_length=40)
    only: tuple[str, ...] = ()


class Grid(_Strict):
    """The cells a quantity is discretised into: atoms (exact values) and cells between them.

    With a ``knee``, ``below`` cells lie from ``low`` to it and ``cells`` from it to ``high``:
    fine where good parts are, coarse where only faults go.
    """

    low: str
    high: str
    cells: int = Field(ge=1, le=300)
    knee: str = ""
    below: int = Field(default=0, ge=0, le=300)
    spacing: Literal["log", "linear"] = "log"
    atoms: tuple[str, ...] = ()
    sub: int = Field(default=4, ge=1, le=16)


class ModeInput(_Strict):
    """An input of a formula whose distribution depends on the mode of one component."""

    of: Name
    by: dict[Name, str]
    otherwise: str = "1"


class Quantity(_Strict):
    """A physical quantity: a grid of values, or ``states`` with the formula as P(second)."""

    title: Text
    unit: str = ""
    grid: Grid | None = None
    states: tuple[Name, Name] | None = None
    formula: str
    random: dict[Name, str] = {}
    modes: dict[Name, ModeInput] = {}
    provenance: Text
    only: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if (self.grid is None) == (self.states is None):
            raise ValueError("a quantity has either a grid or two states")
        return self


class Setup(_Strict):
    """Access work done once and shared by the tests that need it."""

    title: Text
    minutes: str
    close: str = "0 min"
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    provides: dict[str, str] = {}


class Limit(_Strict):
    """The limit of a test and the true quantity (measurand) that it is about."""

    min: str | None = None
    max: str | None = None
    measurand: str | None = None
    conditions: str = ""
    displayed: bool = False
    source: Text


class Test(_Strict):
    """One test: how it is done, what it costs, and how its reading arises."""

    __test__ = False

    title: Text
    do: Text
    kind: Literal["peak", "meter", "spark", "look"]
    minutes: str
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    harm: str = ""
    after: tuple[str, ...] = ()
    passed: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    tools: str = ""
    reads: str = ""
    unit: str = ""
    signal: str = ""
    in_circuit: str = ""
    p_unplugged: Share = 1.0
    unplug: str = ""
    random: dict[Name, str] = {}
    residual: str = ""
    battery: bool = False
    leads: bool = False
    temperature: Literal["cold", "warm-stator", "warm-coil", "none"] = "none"
    jitter: str = ""
    need: str = ""
    tries: int = Field(default=10, ge=1, le=200)
    disturb: Share = 0.0
    span: tuple[str, str] | None = None
    outcomes: tuple[Name, ...] = ()
    passes: tuple[Name, ...] = ()
    base: dict[Name, Share] = {}
    causes: dict[str, dict[Name, Share]] = {}
    limit: Limit | None = None
    proves: str = ""
    provenance: Text


class Repair(_Strict):
    """A repair: what it clears, its cost in plugs, its time, and when it is worth acting on."""

    title: Text
    clears: tuple[str, ...]
    cost: float = Field(ge=0)
    minutes: str
    returnable: bool = False
    act_at: Share
    requires: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    provenance: Text


class SystemModel(_Strict):
    """A whole system for one machine variant, with every reference checked."""

    schema_: Literal[1] = Field(alias="schema")
    id: Name
    version: Text
    title: Text
    notice: Text
    bench: Name = "bench"
    default_variant: Name
    defaults: dict[str, str] = {}
    complaints: dict[Name, Text]
    contexts: dict[Name, Text] = {}
    variants: dict[Name, Variant] = Field(min_length=1)
    cautions: dict[Name, Text] = {}
    wiring: dict[str, str] = {}
    components: dict[Name, Component] = Field(min_length=1, max_length=400)
    quantities: dict[Name, Quantity] = {}
    setups: dict[str, Setup] = {}
    tests: dict[Name, Test] = Field(min_length=1, max_length=800)
    repairs: dict[Name, Repair] = {}
    closing: tuple[Text, ...] = ()
    variant: str = ""

    def faults(self) -> Iterator[tuple[str, str]]:
        """All (component, mode) pairs in file order."""
        for name, component in self.components.items():
            for mode in component.modes:
                yield name, mode

    def title_of(self, component: str, mode: str) -> str:
        """Words for one fault, for people."""
        if component == "none":
            return "nothing electrical: spark misjudged, cranked too slowly, or fuel and air"
        return f"{self.components[component].title}: {self.components[component].modes[mode]}"

    def minutes(self, test: str) -> float:
        """Own minutes of a test, without its set-ups."""
        return to_base(self.tests[test].minutes, "min")

    def setups_of(self, test: str) -> tuple[str, ...]:
        """All set-ups a test needs, those needed by set-ups included, in file order."""
        wanted: set[str] = set()
        todo = list(self.tests[test].needs)
        while todo:
            name = todo.pop()
            if name not in wanted:
                wanted.add(name)
                todo += self.setups[name].needs
        return tuple(s for s in self.setups if s in wanted)

    def find_test(self, name: str) -> str:
        """The test's own id for a name typed in any case; UnknownNameError with the nearest."""
        key = name.strip().lower().replace("_", "-")
        if key in self.tests:
            return key
        raise UnknownNameError(
            f"'{name}' is not a test of {self.id} ({self.variant}){nearest(key, self.tests)}"
        )


def _narrow(raw: Mapping[str, Any], variant: str) -> dict[str, Any]:
    """Apply a variant's ``set`` and drop what exists only in other variants."""
    data = deepcopy(dict(raw))
    overrides = data.get("variants", {}).get(variant, {}).get("set", {})
    for path, value in overrides.items():
        keys = str(path).split(".")
        place: Any = data
        for key in keys[:-1]:
            if not isinstance(place, dict) or key not in place:
                raise ModelError(f"variants.{variant}.set.'{path}': there is no '{key}' to change")
            place = place[key]
        if not isinstance(place, dict):
            raise ModelError(f"variants.{variant}.set.'{path}': there is nothing to change")
        place[keys[-1]] = value
    for section in ("components", "quantities", "tests", "repairs"):
        items = data.get(section)
        if isinstance(items, dict):
            data[section] = {
                k: v
                for k, v in items.items()
                if not (isinstance(v, dict) and v.get("only") and variant not in v["only"])
            }
    data["variant"] = variant
    return data


def build_system(raw: Mapping[str, Any], variant: str | None = None) -> SystemModel:
    """Check a parsed model file and return the model of one variant.

    Raises
    ------
    ModelError
        Naming every mistake found: key path, what was found, what would be right.
    UnknownNameError
        The variant does not exist.
    """
    variants = raw.get("variants")
    if not isinstance(variants, dict) or not variants:
        raise ModelError("variants: missing; a model has at least one [variants.NAME] table")
    name = variant or str(raw.get("default_variant", ""))
    if name not in variants:
        raise UnknownNameError(
            f"'{name}' is not a variant of {raw.get('id', 'this model')}{nearest(name, variants)}"
        )
    try:
        model = SystemModel.model_validate(_narrow(raw, name))
    except ValidationError as error:
        raise ModelError("\n".join(_plain(e) for e in error.errors())) from None
    problems = list(_check(model, raw))
    if problems:
        raise ModelError("\n".join(problems))
    return model


def _plain(error: Any) -> str:
    path = ".".join(str(p) for p in error["loc"])
    found = error.get("input")
    shown = f" (found {found!r})" if isinstance(found, (str, int, float, bool)) else ""
    if error["type"] == "extra_forbidden":
        return f"{path}: this key is not known here; check its spelling or remove it"
    if error["type"] == "missing":
        return f"{path}: missing"
    return f"{path}: {error['msg'].removeprefix('Value error, ')}{shown}"


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
