"""A machine variant compiled on a bench, with what it worked out before."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol, TypeVar

import numpy as np

from benchodds.basics.errors import UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, Table, Variable, renamed, slim
from benchodds.infer.epochs import came_with, constants
from benchodds.infer.inference import query
from benchodds.infer.network import assemble
from benchodds.measure.instrument import MAX_SIGNAL_VALUES, Instrument, Outcome
from benchodds.measure.measurement import instrument
from benchodds.measure.slips import Law, SlipLaw
from benchodds.model.gear import Bench, turned
from benchodds.model.jobs import Technique
from benchodds.model.join import JoinedModel
from benchodds.model.joinpriors import JoinedPriors, joined_prior
from benchodds.model.priors import Contexts, PriorSet, fault_prior
from benchodds.model.sources import Sources, sources
from benchodds.model.system import Repair, SystemModel

T = TypeVar("T")

MOST_FINDINGS = 400
"""Likelihoods of readings that are kept; the oldest go first."""

MOST_NETWORKS = 40
"""Networks of machines as they came that are kept; the oldest go first."""


class Shelf(Protocol):
    """A place that keeps compiled tables between processes; see ``cache``."""

    def get(self, name: str) -> tuple[Any, list[Table]] | None:
        """Note and tables kept under a name, or None."""

    def put(self, name: str, note: Any, tables: Sequence[Table]) -> None:
        """Keep a note and tables."""


@dataclass(frozen=True, eq=False)
class Machine:
    """A machine variant on a bench: model, priors, compiled quantities and gear.

    A ``shelf`` spares work that was done before; results are the same without it. ``choosing``
    is the same machine on fewer nodes, for what asks for whole states over and over.
    """

    model: SystemModel
    bench: Bench
    priors: PriorSet
    variables: Mapping[str, Variable]
    tables: Mapping[str, Table]
    shelf: Shelf | None = None
    choosing: Machine | None = None
    _instruments: dict[str, Instrument] = field(default_factory=dict)
    _laws: dict[str, Law | None] = field(default_factory=dict)
    _findings: dict[tuple[object, ...], Table | None] = field(default_factory=dict)
    _once: dict[object, Any] = field(default_factory=dict)
    _networks: dict[object, Network] = field(default_factory=dict, init=False)
    _predictive: dict[tuple[str, Technique], tuple[tuple[Outcome, ...], Table]] = field(
        default_factory=dict
    )

    def __post_init__(self) -> None:
        """Take the machine's own ways of cranking, where its model has some."""
        if self.model.cranking:
            object.__setattr__(self, "bench", turned(self.bench, self.model.cranking))

    @property
    def coarse(self) -> Machine:
        """The machine on the nodes on which tests are chosen."""
        return self.choosing or self

    @property
    def sources(self) -> Sources:
        """The files that it was made of."""
        return sources(self.model, self.bench, self.priors)

    def instrument(self, test: str) -> Instrument:
        """The reading model of a test, made once."""
        name = self.model.find_test(test)
        if name not in self._instruments:
            tool = self._bare(name)
            tool.make_slipped = lambda: self._slipped(tool)
            self._instruments[name] = tool
        return self._instruments[name]

    def _slipped(self, tool: Instrument) -> SlipLaw:
        """What slips at a test show, once it is asked for."""
        others = (self._law(other) for other in self.model.in_reach(tool.name))
        known = tuple(x for x in others if x)
        return SlipLaw(self.bench.slip, tool.span, self._law(tool.name), known)

    def _bare(self, test: str) -> Instrument:
        return instrument(test, self.model.tests[test], self.bench, self.variables)

    def _law(self, test: str) -> Law | None:
        """What a test shows of a sound machine, worked out once."""
        if test not in self._laws:
            tool = self._bare(test)
            self._laws[test] = None
            sizes = (self.variables[q].size for q in tool.quantities)
            if tool.test.kind in ("meter", "peak") and math.prod(sizes) <= MAX_SIGNAL_VALUES:
                self._laws[test] = tool.law(self.given(tool.quantities))
        return self._laws[test]

    def given(self, quantities: tuple[str, ...], component: str = "", mode: str = "") -> Array:
        """P(quantities) of a sound machine, or of one with this fault alone; axes in that order."""
        parts = {c: self.variables[c].states for c in self.model.components}
        states = {c: s.index(mode) if c == component else 0 for c, s in parts.items()}
        if not quantities:
            return np.ones(())
        alone = {c: Table((c,), np.eye(len(s))[states[c]]) for c, s in parts.items()}
        network = Network(self.variables, {**alone, **self.tables}, states)
        return self.once(
            ("given", quantities, component, mode), lambda: query(network, quantities).p
        )

    def once(self, key: object, make: Callable[[], T]) -> T:
        """What is worked out the first time that it is asked for, and kept under a key."""
        if key not in self._once:
            self._once[key] = make()
        return self._once[key]  # type: ignore[no-any-return]

    def known(self, key: object, make: Callable[[], Network]) -> Network:
        """A network of these priors that is made the first time that it is asked for.

        What is worked out of its tables stays with them.
        """
        if key not in self._networks:
            while len(self._networks) >= MOST_NETWORKS:
                del self._networks[next(iter(self._networks))]
            self._networks[key] = make()
        return self._networks[key]

    def noted(self, name: str, make: Callable[[], Any]) -> Any:
        """What JSON can hold, worked out once and kept on the shelf."""
        kept = self.shelf.get(name) if self.shelf is not None else None
        if kept is not None:
            return kept[0]
        found = make()
        if self.shelf is not None:
            self.shelf.put(name, found, [])
        return found

    def above(self, names: Iterable[str]) -> frozenset[str]:
        """Quantities and components among some names, and all that these depend on."""
        found: set[str] = set()
        todo = [v for v in names if v in self.scopes]
        while todo:
            v = todo.pop()
            if v not in found:
                found.add(v)
                todo += self.scopes[v]
        return frozenset(found)

    def finding(
        self,
        test: str,
        values: tuple[str, ...],
        technique: Technique,
        hookup: str,
        *,
        slips: bool = True,
    ) -> Table | None:
        """Likelihood of what was written, worked out once for equal readings.

        Without ``slips`` it is that of a reading known to be no slip.
        """
        technique = replace(technique, card=None)  # whose nodes they are is settled later

        def work_out() -> Table | None:
            tool = self.instrument(test)
            if not slips:
                tool = copy.copy(tool)
                tool.slip = 0.0
            found = tool.likelihood(tool.parse(values), technique, "hookup")
            return None if found is None else slim(found)

        return self.kept("finding", test, values, technique, hookup, slips, work_out)

    def kept(
        self,
        what: str,
        test: str,
        values: tuple[str, ...],
        technique: Technique,
        hookup: str,
        said: object,
        work_out: Callable[[], Table | None],
        sizes: Mapping[str, int] = {},
    ) -> Table | None:
        """A likelihood of what was written, with a variable for ``hookup``: in memory, on the
        shelf, or worked out. ``sizes`` are those of axes that are no variables of the machine."""
        key = (what, test, values, technique, said)
        if key not in self._findings:
            while len(self._findings) >= MOST_FINDINGS:  # in a page that is served for weeks
                del self._findings[next(iter(self._findings))]
            name = f"{what} {test} {values} {sorted(technique.as_data().items())} {said}"
            self._findings[key] = self._on_shelf(name, work_out, sizes)
        table = self._findings[key]
        return None if table is None else renamed(table, {"hookup": hookup})

    def _on_shelf(
        self, name: str, work_out: Callable[[], Table | None], sizes: Mapping[str, int]
    ) -> Table | None:
        if self.shelf is not None and (kept := self.shelf.get(name)) is not None:
            tables = kept[1]
            if len(tables) == 1 and self._fits(tables[0], {"hookup": 3, **sizes}):
                return tables[0]
        table = work_out()
        if self.shelf is not None and table is not None:
            self.shelf.put(name, None, [table])
        return table

    def predictive(self, test: str, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        """Outcomes of a fresh reading and their chances, worked out once per technique."""
        technique = replace(technique, card=None)
        key = (test, technique)
        if key not in self._predictive:
            self._predictive[key] = self._outcomes(test, technique)
        return self._predictive[key]

    def _outcomes(self, test: str, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        name = f"outcomes {test} {sorted(technique.as_data().items())}"
        if self.shelf is not None and (kept := self.shelf.get(name)) is not None:
            note, tables = kept
            if isinstance(note, list) and len(tables) == 1:
                outcomes = tuple(Outcome(str(label), int(sign)) for label, sign in note)
                whole = self._fits(tables[0], {tables[0].scope[-1]: len(outcomes)})
                if whole and np.allclose(tables[0].p.sum(axis=-1), 1.0, atol=1e-6):
                    return outcomes, tables[0]
        outcomes, table = self.instrument(test).predictive(technique)
        table = slim(table, keep=1)
        if self.shelf is not None:
            self.shelf.put(name, [[o.label, o.sign] for o in outcomes], [table])
        return outcomes, table

    def _fits(self, table: Table, extra: Mapping[str, int]) -> bool:
        """Whether every axis of a kept table has its variable's length."""
        sizes = {v: extra.get(v) or self._size(v) for v in table.scope}
        return table.p.shape == tuple(sizes.values())

    def _size(self, name: str) -> int:
        return self.variables[name].size if name in self.variables else 0

    def repair(self, name: str) -> Repair:
        """A repair of this machine by its name; UnknownNameError with the nearest."""
        if name not in self.model.repairs:
            raise UnknownNameError(
                _("'{repair}' is not a repair of {model} ({variant}){hint}").format(
                    repair=name,
                    model=self.model.id,
                    variant=self.model.variant,
                    hint=nearest(name, self.model.repairs),
                )
            )
        return self.model.repairs[name]

    @cached_property
    def scopes(self) -> Mapping[str, tuple[str, ...]]:
        """What each component and quantity depends on, in order."""
        names = (*self.model.components, *self.model.quantities)
        return {v: self.tables[v].scope[1:] if v in self.tables else () for v in names}

    def reads(self, test: str) -> tuple[str, ...]:
        """The quantities and components that a test is about."""
        spec = self.model.tests[test]
        causes = (cause.partition(".")[0] for cause in spec.causes)
        jitter = (spec.jitter,) if spec.jitter else ()
        return (*self.instrument(test).quantities, *causes, *jitter)

    @cached_property
    def constants(self) -> Mapping[str, str]:
        """Quantities with random constants, and the part that these belong to."""
        return constants(self.model)

    def prior(self, complaint: str, contexts: Contexts, replaced: Sequence[str] = ()) -> Network:
        """The network before any reading; ``replaced`` are repairs done before it came."""
        if isinstance(self.model, JoinedModel) and isinstance(self.priors, JoinedPriors):
            prior = joined_prior(self.priors, self.model, complaint, contexts)
        else:
            prior = fault_prior(self.priors, self.model, complaint, contexts)
        done = [self.model.repairs[name] for name in replaced if name in self.model.repairs]
        prior = came_with(prior, done, self.model, self.bench.work)
        return assemble(self.model, prior, self.variables, self.tables)

    @property
    def modes(self) -> Mapping[str, Sequence[str]]:
        """Fault modes by component."""
        return {c: tuple(spec.modes) for c, spec in self.model.components.items()}
