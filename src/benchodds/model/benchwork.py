"""What is done at the bench, as a model file says it: set-ups, tests with limits, repairs.

The text below each field is its description in the JSON Schema and in messages.
"""

from __future__ import annotations

from typing import Annotated, Literal

from benchodds.basics.forms import Form, Name, Share, Text, Within

OneOrMore = Annotated[tuple[str, ...], Within(min_length=1)]


class Setup(Form):
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


class Limit(Form):
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


class Asked(Form):
    """A limit that a machine's own manual states, and what else follows from it.

    Another machine's limit may be higher or lower by a factor. A band of good values that is as
    wide as the limit follows by itself, and so do nodes and limits of what depends on it.
    """

    times: tuple[str, ...] = ()
    """Laws that are as many times as large, by their dotted keys."""
    over: tuple[str, ...] = ()
    """Laws that are as many times smaller: what stands behind it and stays as it is."""
    within: Annotated[float, Within(gt=1)] = 30
    """How many times larger or smaller it can be; beyond that it is taken for a slip."""


class Gate(Form):
    """What must hold before a step that can ruin a part, a known-good one or a new one.

    Of every entry a test must have passed, and none may stand failed; and what would do the
    harm must be unlikely.
    """

    passed: Annotated[dict[str, OneOrMore], Within(min_length=1)]
    """Test ("a|b" for either) = the faults that would do the harm and that its pass rules out."""
    under: Annotated[float, Within(gt=0, lt=1)]
    """The chance that any of all these faults is there must be less."""
    provenance: Text
    """Where that chance comes from; the word judgement when from nowhere else."""


class Test(Form):
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
    """Tests that come first, whatever they show; "a|b" for either."""
    gate: str = ""
    """The gate that stands before it, where it can ruin a part."""
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
    through: str = ""
    """Current at which a resistance is read as a drop, such as "1 A": the meter is on volts."""
    between: str = ""
    """For a drop: how far the volts of one place move from look to look (a standard deviation),
    such as "0.06 V"; the volts of both ends may be written then, 12.4-12.1."""
    temperature: Literal["cold", "warm-stator", "warm-coil", "none"] = "none"
    """How warm the part is when nothing is said, by the bench file."""
    jitter: str = ""
    """A quantity of two states: does a contact move, so that the display does not settle?"""
    provokes: tuple[Name, ...] = ()
    """What it does that brings out faults that come and go: flex, heat, wet, shake."""
    need: str = ""
    """Volts that the gap needs, for sparks, such as "N(7 kV, 1.2 kV)"."""
    tries: Annotated[int, Within(ge=1, le=200)] = 10
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
    """The gear that it proves: adapter or meter."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""


class Repair(Form):
    """A repair: what it clears, its cost in plugs, its time, and when it is worth acting on."""

    title: Text
    """What is done."""
    clears: tuple[str, ...]
    """Faults that are gone after it: "exc.open" or "exc.*"."""
    renews: tuple[Name, ...] = ()
    """Components whose part is new after it: what was found out about the old one is gone."""
    holds: Share | None = None
    """Chance that work on an old part clears a fault it is for; the bench file's when left out."""
    dud: Share | None = None
    """Chance that a new part is bad, wrong or badly fitted; the bench file's when left out."""
    spoils: dict[str, Share] = {}
    """What the work itself may bring on: fault = chance."""
    cost: Annotated[float, Within(ge=0, allow_inf_nan=False)]
    """Price of the part, in spark plugs."""
    minutes: str
    """Time to do it."""
    returnable: bool = False
    """Whether the part can go back when it was not that."""
    act_at: Share
    """How sure one must be before doing it."""
    requires: tuple[str, ...] = ()
    """Tests without which it is not done, as far as they can be had; "a|b" for either."""
    cautions: tuple[str, ...] = ()
    """What to be careful of; names of cautions."""
    harm: str = ""
    """What it can do to parts."""
    gate: str = ""
    """The gate that stands before it, where it can ruin the new part."""
    only: tuple[str, ...] = ()
    """Variants that have this repair; all when left out."""
    provenance: Text
    """Where its numbers come from; the word judgement when from nowhere else."""
