"""The system model: what a model file may say.

Everything here works on a parsed mapping; reading files is the business of ``files``, whether
what is named exists that of ``systemcheck``. Names in a model file are what people type and
read: test ``vexc``, component ``exc``, fault mode ``exc.open``. The text below each field is
its description in the JSON Schema and in messages.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, Literal, Self

from benchodds.basics.errors import ModelError, UnknownNameError, nearest
from benchodds.basics.forms import Form, Name, Share, Text, Within
from benchodds.basics.language import _
from benchodds.basics.quantities import to_base
from benchodds.model.benchwork import Asked, Gate, Limit, Repair, Setup, Test
from benchodds.model.variants import narrowed

__all__ = [
    "Component",
    "Gate",
    "Grid",
    "Intermittent",
    "Limit",
    "ModeInput",
    "Quantity",
    "Repair",
    "Setup",
    "SystemModel",
    "Test",
    "Variant",
    "build_system",
]

MAX_PARENT_STATES = 3_000_000


class Variant(Form):
    """One version of the machine: years, and what differs from the file's main text."""

    title: Text
    """How people know this version of the machine."""
    years: str = ""
    """Model years."""
    set: dict[str, Any] = {}
    """What differs: dotted key path of this file = value."""
    without: tuple[Name, ...] = ()
    """Parts that it does not have; tests, repairs and quantities of these alone go with them."""
    provenance: str = ""
    """Where the changed numbers come from; as the main text's when left out."""


class Component(Form):
    """A part that can be at fault. Its state 0 is always ``good``; modes are fault modes."""

    title: Text
    """The part, in words."""
    modes: Annotated[dict[Name, Text], Within(min_length=1, max_length=40)]
    """How it fails: name = words. A part is in one mode at a time."""
    only: tuple[str, ...] = ()
    """Variants that have this part; all when left out."""


class Grid(Form):
    """The nodes a quantity stands on: atoms (exact values) and the edges of equal cells.

    With a ``knee``, ``below`` cells lie from ``low`` to it and ``cells`` from it to ``high``:
    fine where good parts are, coarse where only faults go.
    """

    low: str
    """Lower end, with its unit; what lies below goes to it, or is shared with an atom below."""
    high: str
    """Upper end, with its unit; what lies above goes to it."""
    cells: Annotated[int, Within(ge=1, le=300)]
    """Number of cells, from ``knee`` (or ``low``) to ``high``."""
    knee: str = ""
    """Where cells change their width."""
    below: Annotated[int, Within(ge=0, le=300)] = 0
    """Number of cells from ``low`` to ``knee``."""
    spacing: Literal["log", "linear"] = "log"
    """Equal ratios or equal steps."""
    atoms: tuple[str, ...] = ()
    """Exact values with a state of their own, such as "0 V" or "open"."""
    sub: Annotated[int, Within(ge=1, le=16)] = 4
    """Values to each side of a node that stand for its reach where a share of it is asked for."""
    thin: Annotated[int, Within(ge=1, le=16)] = 1
    """How many cells are one where tests are chosen, which asks less of the nodes than odds do."""

    def thinned(self) -> Grid:
        """The grid on which tests are chosen."""
        few = {"cells": -(-self.cells // self.thin), "below": -(-self.below // self.thin)}
        return self.model_copy(update={**few, "thin": 1})


class ModeInput(Form):
    """An input of a formula whose distribution depends on the mode of one component."""

    of: Name
    """The component."""
    by: dict[Name, str]
    """Distribution of the input by fault mode."""
    otherwise: str = "1"
    """Distribution in every other mode, and when the part is good."""
    joined: dict[Name, str] = {}
    """Distribution by fault modes that only another system's view of the same part knows."""


class Quantity(Form):
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
    part: Name | None = None
    """The component whose part the random inputs belong to; the first of ``modes`` if left out."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""
    only: tuple[str, ...] = ()
    """Variants that have this quantity; all when left out."""

    def __post_init__(self) -> None:
        if (self.grid is None) == (self.states is None):
            raise ValueError(_("a quantity has either a grid or two states"))


class Intermittent(Form):
    """How a fault comes and goes, where it does: there in some tries, away in others."""

    share: Share
    """Chance that such a fault, where there is one, comes and goes."""
    shares: dict[Name, Share] = {}
    """The same by complaint or context, where it differs; the greatest counts."""
    there: str
    """Law of the share of tries in which it is there: a distribution between 0 and 1."""
    keeps: Share
    """Chance that it stays as it is, there or away, for all the tries of one reading."""
    provoked: dict[Name, Share] = {}
    """By what brings it out (tests name it in ``provokes``): the chance that it then shows."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""

    def share_of(self, said: Iterable[str]) -> float:
        """Chance that such a fault comes and goes, by the complaints and contexts that are said."""
        return max((self.shares[c] for c in said if c in self.shares), default=self.share)


class Raised(Form):
    """A fault of this system that faults of another one bring on."""

    by: Annotated[tuple[str, ...], Within(min_length=1)]
    """Faults of the other system, "reg.dead" or "stator.*"."""
    times: Annotated[float, Within(gt=0)]
    """What the odds are multiplied by when any of these is there."""


class Meeting(Form):
    """How this system meets another one on the same machine."""

    stands_for: dict[str, tuple[str, ...]] = {}
    """Fault of this system = the other's faults that it is a short word for."""
    raises: dict[str, Raised] = {}
    """Fault of this system = the other's faults that bring it on."""
    leaves: tuple[str, ...] = ()
    """Tests that are left to the other system, which has its own."""
    provenance: Text
    """Where this comes from; the word judgement when from nowhere else."""


class SystemModel(Form):
    """A whole system for one machine variant, with every reference checked."""

    schema: Literal[1]
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
    cranking: dict[str, Share] = {}
    """How this machine is turned when nothing is said: way of the bench file = share."""
    complaints: dict[Name, Text]
    """What the customer says: name = words."""
    contexts: dict[Name, Text] = {}
    """What went before: name = words; the prior file says what each changes."""
    variants: Annotated[dict[Name, Variant], Within(min_length=1)]
    """Versions of the machine."""
    cautions: dict[Name, Text] = {}
    """Warnings that tests, set-ups and repairs name."""
    wiring: dict[str, str] = {}
    """Colours, for the reader."""
    components: Annotated[dict[Name, Component], Within(min_length=1, max_length=400)]
    """Parts that can be at fault."""
    intermittent: dict[str, Intermittent] = {}
    """Faults, "con.open" or "con.*", that may come and go."""
    quantities: dict[Name, Quantity] = {}
    """What is true of the machine, in the order in which it depends on each other."""
    setups: dict[str, Setup] = {}
    """Access work that tests share."""
    tests: Annotated[dict[Name, Test], Within(min_length=1, max_length=800)]
    """What can be measured or looked at."""
    gates: dict[Name, Gate] = {}
    """What must hold before tests and repairs that can ruin a part."""
    repairs: dict[Name, Repair] = {}
    """What can be done about it."""
    proof: dict[Name, tuple[str, ...]] = {}
    """By complaint: tests of which one must pass after the last repair, for it to be gone."""
    closing: tuple[Text, ...] = ()
    """Steps before the machine leaves the bench."""
    shared: dict[str, str] = {}
    """Parts that other systems have too: "battery.*" = "battery", "gnd.strap" = "earth.highR"."""
    shared_setups: dict[str, str] = {}
    """Set-ups that other systems have too: name = common name."""
    meets: dict[Name, Meeting] = {}
    """How this system depends on others when a job joins them, by their name."""
    manual: dict[Name, Asked] = {}
    """Tests whose limits are asked for when a machine of one's own is made from this system."""
    base: str = ""
    """The system that this one was made from; not written in a whole model file."""
    variant: str = ""
    """The variant that was read; not written in a file."""
    digest: str = ""
    """Hash of the file's content; not written in a file."""

    @property
    def kind(self) -> str:
        """The name under which other systems meet it: that of the system it was made from."""
        return self.base or self.id

    def thinned(self) -> Self:
        """The model on the grids on which tests are chosen; itself where all are the same."""
        thin = {
            name: q.model_copy(update={"grid": q.grid.thinned()})
            for name, q in self.quantities.items()
            if q.grid is not None and q.grid.thin > 1
        }
        if not thin:
            return self
        return self.model_copy(update={"quantities": {**self.quantities, **thin}})

    def faults(self) -> Iterator[tuple[str, str]]:
        """All (component, mode) pairs in file order."""
        for name, component in self.components.items():
            for mode in component.modes:
                yield name, mode

    def faults_named(self, patterns: Iterable[str]) -> frozenset[tuple[str, str]]:
        """The faults, (component, mode), that 'exc.open' and 'exc.*' name; of none that is not
        here."""
        faults = set()
        for text in patterns:
            component, _dot, mode = text.partition(".")
            if component in self.components:
                modes = self.components[component].modes if mode == "*" else [mode]
                faults |= {(component, m) for m in modes}
        return frozenset(faults)

    def title_of(self, component: str, mode: str) -> str:
        """Words for one fault, for people."""
        if component == "none":
            return _("nothing electrical: spark misjudged, cranked too slowly, or fuel and air")
        return f"{self.components[component].title} {self.components[component].modes[mode]}"

    def minutes(self, test: str) -> float:
        """Own minutes of a test, without its set-ups."""
        return to_base(self.tests[test].minutes, "min")

    def setups_of(self, test: str) -> tuple[str, ...]:
        """All set-ups a test needs, those needed by set-ups included, in file order."""
        return self.needed(self.tests[test].needs)

    def needed(self, setups: Iterable[str]) -> tuple[str, ...]:
        """Set-ups and all that these need, in file order."""
        wanted: set[str] = set()
        todo = list(setups)
        while todo:
            name = todo.pop()
            if name not in wanted:
                wanted.add(name)
                todo += self.setups[name].needs
        return tuple(s for s in self.setups if s in wanted)

    def in_reach(self, test: str) -> tuple[str, ...]:
        """Tests that could have been taken instead by a wrong terminal: of the same kind and unit,
        with no more set up than for this one, reading something else."""
        mine, opened = self.tests[test], set(self.setups_of(test))
        if mine.kind not in ("meter", "peak") or mine.battery or mine.proves:
            return ()
        return tuple(
            name
            for name, other in self.tests.items()
            if (other.kind, other.unit, other.through) == (mine.kind, mine.unit, mine.through)
            and not (other.battery or other.proves or other.signal == mine.signal)
            and opened.issuperset(self.setups_of(name))
        )

    def cautions_of(self, step: Test | Repair) -> tuple[str, ...]:
        """Names of the cautions of a step: its own, those of all set-ups that it needs, and that
        the machine's own literature governs, where there is anything to be careful of."""
        setups = self.needed(step.needs) if isinstance(step, Test) else ()
        names = dict.fromkeys(step.cautions)
        names.update(dict.fromkeys(c for s in setups for c in self.setups[s].cautions))
        if names or step.harm:
            names.update(dict.fromkeys(c for c in ("literature",) if c in self.cautions))
        return tuple(names)

    def warnings(self, step: Test | Repair) -> tuple[str, ...]:
        """Every text that must stand before a step: the harm it can do, and its cautions."""
        return (*harm_of(step), *(self.cautions[c] for c in self.cautions_of(step)))

    def find_test(self, name: str) -> str:
        """The test's own id for a name typed in any case; UnknownNameError with the nearest."""
        key = name.strip().lower().replace("_", "-")
        if key in self.tests:
            return key
        joined = [t for t in self.tests if "+" in self.id and t.endswith(f"-{key}")]
        if len(joined) == 1:  # of joined systems only one has it
            return joined[0]
        raise UnknownNameError(
            _("'{name}' is not a test of {system} ({variant}){hint}").format(
                name=name, system=self.id, variant=self.variant, hint=nearest(key, self.tests)
            )
        )


def harm_of(step: Test | Repair) -> tuple[str, ...]:
    """The harm that a step can do to parts, as a sentence; nothing where it does none."""
    harm = step.harm.strip().rstrip(".")
    return (f"{harm[:1].upper()}{harm[1:]}.",) if harm else ()


def build_system(raw: Mapping[str, Any], variant: str | None = None) -> SystemModel:
    """Check a parsed model file and return the model of one variant.

    Raises
    ------
    ModelError
        Naming every mistake found: key path, what was found, what would be right.
    UnknownNameError
        The variant does not exist.
    """
    model, problems = look_at(raw, variant)
    if problems or model is None:
        raise ModelError("\n".join(problems))
    return model


def look_at(
    raw: Mapping[str, Any], variant: str | None = None
) -> tuple[SystemModel | None, list[str]]:
    """What can be saved of a parsed model file for one variant, and every mistake in it.

    Raises as :func:`build_system` where there are no variants, or not this one.
    """
    from benchodds.basics.validation import quiet, validate
    from benchodds.model.systemcheck import broken_references

    variants = raw.get("variants")
    if not isinstance(variants, dict) or not variants:
        raise ModelError(
            "variants: " + _("missing; a model has at least one [variants.NAME] table")
        )
    name = variant or str(raw.get("default_variant", ""))
    if name not in variants:
        raise UnknownNameError(
            _("'{name}' is not a variant of {id}{hint}").format(
                name=name, id=raw.get("id", _("this model")), hint=nearest(name, variants)
            )
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
    data, problems = narrowed(raw, name)
    model, more, dropped = validate(SystemModel, data, blanks)
    problems += more
    if model is not None:
        whole = {path[:2] for path in dropped}
        problems += quiet(broken_references(model, raw, whole), dropped)
    return model, list(dict.fromkeys(problems))
