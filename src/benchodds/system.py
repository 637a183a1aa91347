"""The system model: what a model file may say.

Everything here works on a parsed mapping; reading files is the business of ``files``, whether
what is named exists that of ``systemcheck``. Names in a model file are what people type and
read: test ``vexc``, component ``exc``, fault mode ``exc.open``. The text below each field is
its description in the JSON Schema and in messages.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import deepcopy
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchodds.errors import ModelError, UnknownNameError, nearest
from benchodds.quantities import to_base
from benchodds.systemcheck import broken_references
from benchodds.validation import validate

Name = Annotated[str, Field(pattern=r"^[a-z][A-Za-z0-9_-]{0,39}$")]
Text = Annotated[str, Field(min_length=1, max_length=1000)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]

MAX_STATES = 400
MAX_PARENT_STATES = 3_000_000


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Variant(_Strict):
    """One version of the machine: years, and what differs from the file's main text."""

    title: Text
    """How people know this version of the machine."""
    years: str = ""
    """Model years."""
    set: dict[str, Any] = {}
    """What differs: dotted key path of this file = value."""
    provenance: str = ""
    """Where the changed numbers come from; as the main text's when left out."""


class Component(_Strict):
    """A part that can be at fault. Its state 0 is always ``good``; modes are fault modes."""

    title: Text
    """The part, in words."""
    modes: dict[Name, Text] = Field(min_length=1, max_length=40)
    """How it fails: name = words. A part is in one mode at a time."""
    only: tuple[str, ...] = ()
    """Variants that have this part; all when left out."""


class Grid(_Strict):
    """The cells a quantity is discretised into: atoms (exact values) and cells between them.

    With a ``knee``, ``below`` cells lie from ``low`` to it and ``cells`` from it to ``high``:
    fine where good parts are, coarse where only faults go.
    """

    low: str
    """Lower end, with its unit; what lies below goes to the lowest cell."""
    high: str
    """Upper end, with its unit; what lies above goes to the highest cell."""
    cells: int = Field(ge=1, le=300)
    """Number of cells, from ``knee`` (or ``low``) to ``high``."""
    knee: str = ""
    """Where cells change their width."""
    below: int = Field(default=0, ge=0, le=300)
    """Number of cells from ``low`` to ``knee``."""
    spacing: Literal["log", "linear"] = "log"
    """Equal ratios or equal steps."""
    atoms: tuple[str, ...] = ()
    """Exact values with a state of their own, such as "0 V" or "open"."""
    sub: int = Field(default=4, ge=1, le=16)
    """Points that stand for the values of a cell."""


class ModeInput(_Strict):
    """An input of a formula whose distribution depends on the mode of one component."""

    of: Name
    """The component."""
    by: dict[Name, str]
    """Distribution of the input by fault mode."""
    otherwise: str = "1"
    """Distribution in every other mode, and when the part is good."""


class Quantity(_Strict):
    """A physical quantity: a grid of values, or ``states`` with the formula as P(second)."""

    title: Text
    """What it is, in words."""
    unit: str = ""
    """Base unit, such as V, ohm, V/rpm; empty for a share."""
    grid: Grid | None = None
    """The values it can have."""
    states: tuple[Name, Name] | None = None
    """Two named states instead of a grid; the formula is the chance of the second."""
    formula: str
    """Its value from quantities that stand above it and from the inputs below."""
    random: dict[Name, str] = {}
    """Inputs that differ from machine to machine: name = distribution."""
    modes: dict[Name, ModeInput] = {}
    """Inputs that depend on a component's fault mode."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""
    only: tuple[str, ...] = ()
    """Variants that have this quantity; all when left out."""

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if (self.grid is None) == (self.states is None):
            raise ValueError("a quantity has either a grid or two states")
        return self


class Setup(_Strict):
    """Access work done once and shared by the tests that need it."""

    title: Text
    """What is open, off, on or running."""
    minutes: str
    """Time to get there, such as "10 min"."""
    close: str = "0 min"
    """Time to put it back."""
    needs: tuple[str, ...] = ()
    """Set-ups that must be open first."""
    cautions: tuple[str, ...] = ()
    """What to be careful of; names of cautions."""
    provides: dict[str, str] = {}
    """What it lends to readings; for notes."""
    provenance: str = ""
    """Where the minutes come from; judgement when left out."""


class Limit(_Strict):
    """The limit of a test and the true quantity (measurand) that it is about."""

    min: str | None = None
    """Least value that passes, with its unit."""
    max: str | None = None
    """Largest value that passes, with its unit."""
    measurand: str | None = None
    """What the limit is about, as an expression over quantities at the stated conditions."""
    conditions: str = ""
    """Speed, temperature, load, leads."""
    displayed: bool = False
    """Whether the limit is what an adapter of this class shows, not the true volts."""
    source: Text
    """Manual, edition, page; or that it is invented."""


class Test(_Strict):
    """One test: how it is done, what it costs, and how its reading arises."""

    __test__ = False

    title: Text
    """What it is, in a line."""
    do: Text
    """What to do, in the words of a bench card."""
    kind: Literal["peak", "meter", "spark", "look"]
    """How it is read: peak volts through an adapter, a steady meter, counted sparks, a look."""
    minutes: str
    """Own time, without set-ups, such as "3 min"."""
    needs: tuple[str, ...] = ()
    """Set-ups that must be open."""
    cautions: tuple[str, ...] = ()
    """What to be careful of; names of cautions."""
    harm: str = ""
    """What it can do to parts."""
    after: tuple[str, ...] = ()
    """Tests that come first; "a|b" for either."""
    passed: tuple[str, ...] = ()
    """Tests that must not have failed, else it would do harm; "a|b" for either."""
    only: tuple[str, ...] = ()
    """Variants that have this test; all when left out."""
    tools: str = ""
    """What is needed in hand."""
    reads: str = ""
    """A note on what it reads."""
    unit: str = ""
    """Unit of the reading: V, ohm, A; empty for a look."""
    signal: str = ""
    """What a meter shows: an expression over quantities, inputs, ``rpm`` and ``temp_c``."""
    in_circuit: str = ""
    """The same when it was not unplugged as it should be."""
    p_unplugged: Share = 1.0
    """Chance that it was unplugged when nothing is said."""
    unplug: str = ""
    """What is to be unplugged."""
    random: dict[Name, str] = {}
    """Inputs drawn anew at each reading: name = distribution."""
    residual: str = ""
    """What shows when nothing arrives: a distribution."""
    battery: bool = False
    """Whether the adapter is proved on a battery here; nothing is cranked."""
    leads: bool = False
    """Whether lead and contact resistance add to the reading."""
    temperature: Literal["cold", "warm-stator", "warm-coil", "none"] = "none"
    """How warm the part is when nothing is said, by the bench file."""
    jitter: str = ""
    """A quantity of two states: does a contact move, so that the display does not settle?"""
    need: str = ""
    """Volts that the gap needs, for sparks, such as "N(7 kV, 1.2 kV)"."""
    tries: int = Field(default=10, ge=1, le=200)
    """How many sparks are usually tried."""
    disturb: Share = 0.0
    """Chance that the test itself cures a fault elsewhere."""
    span: tuple[str, str] | None = None
    """Least and largest reading worth telling apart."""
    outcomes: tuple[Name, ...] = ()
    """What a look can show, the mildest first."""
    passes: tuple[Name, ...] = ()
    """Which of these is a pass."""
    base: dict[Name, Share] = {}
    """Chance of each outcome on a machine without any of the causes."""
    causes: dict[str, dict[Name, Share]] = {}
    """Chance of each outcome by fault ("exc.open", "exc.*") or state of a two-state quantity."""
    limit: Limit | None = None
    """What passes."""
    proves: str = ""
    """The gear that it proves: adapter."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""


class Repair(_Strict):
    """A repair: what it clears, its cost in plugs, its time, and when it is worth acting on."""

    title: Text
    """What is done."""
    clears: tuple[str, ...]
    """Faults that are gone after it: "exc.open" or "exc.*"."""
    cost: float = Field(ge=0)
    """Price of the part, in spark plugs."""
    minutes: str
    """Time to do it."""
    returnable: bool = False
    """Whether the part can go back when it was not that."""
    act_at: Share
    """How sure one must be before doing it."""
    requires: tuple[str, ...] = ()
    """Tests without which it is not done; "a|b" for either."""
    cautions: tuple[str, ...] = ()
    """What to be careful of; names of cautions."""
    only: tuple[str, ...] = ()
    """Variants that have this repair; all when left out."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""


class SystemModel(_Strict):
    """A whole system for one machine variant, with every reference checked."""

    schema_: Literal[1] = Field(alias="schema")
    """Version of this form of file."""
    id: Name
    """Name of the system; the name of the file."""
    version: Text
    """Version of the contents; change it with every change."""
    title: Text
    """What machine it is."""
    notice: Text
    """What the reader must know about where it comes from."""
    bench: Name = "bench"
    """The bench file that says how readings are taken."""
    default_variant: Name
    """The variant when none is named."""
    defaults: dict[str, str] = {}
    """Notes on what is taken for granted."""
    complaints: dict[Name, Text]
    """What the customer says: name = words."""
    contexts: dict[Name, Text] = {}
    """What went before: name = words; the prior file says what each changes."""
    variants: dict[Name, Variant] = Field(min_length=1)
    """Versions of the machine."""
    cautions: dict[Name, Text] = {}
    """Warnings that tests, set-ups and repairs name."""
    wiring: dict[str, str] = {}
    """Colours, for the reader."""
    components: dict[Name, Component] = Field(min_length=1, max_length=400)
    """Parts that can be at fault."""
    quantities: dict[Name, Quantity] = {}
    """What is true of the machine, in the order in which it depends on each other."""
    setups: dict[str, Setup] = {}
    """Access work that tests share."""
    tests: dict[Name, Test] = Field(min_length=1, max_length=800)
    """What can be measured or looked at."""
    repairs: dict[Name, Repair] = {}
    """What can be done about it."""
    closing: tuple[Text, ...] = ()
    """Steps before the machine leaves the bench."""
    variant: str = ""
    """The variant that was read; not written in a file."""

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
    blanks = {
        "schema": 1,
        "id": "unnamed",
        "version": "0",
        "title": "?",
        "notice": "?",
        "default_variant": name,
        "complaints": {"complaint": "?"},
    }
    model, problems, dropped = validate(SystemModel, _narrow(raw, name), blanks)
    if model is not None:
        problems += broken_references(model, raw, {path[:2] for path in dropped})
    if problems or model is None:
        raise ModelError("\n".join(dict.fromkeys(problems)))
    return model
