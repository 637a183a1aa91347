"""A machine variant compiled on a bench, with what it worked out before."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from benchodds.basics.tables import Network, Table, Variable, slim
from benchodds.infer.network import assemble
from benchodds.measure.instrument import Instrument, Outcome
from benchodds.measure.measurement import instrument
from benchodds.model.gear import Bench, turned
from benchodds.model.jobs import Technique
from benchodds.model.join import JoinedModel
from benchodds.model.joinpriors import JoinedPriors, joined_prior
from benchodds.model.priors import PriorSet, fault_prior
from benchodds.model.sources import Sources, sources
from benchodds.model.system import SystemModel

MOST_FINDINGS = 400
"""Likelihoods of readings that are kept; the oldest go first."""


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
    _findings: dict[tuple[object, ...], Table | None] = field(default_factory=dict)
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
            self._instruments[name] = instrument(
                name, self.model.tests[name], self.bench, self.variables
            )
        return self._instruments[name]

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
        key = (test, values, technique, slips)
        if key not in self._findings:
            while len(self._findings) >= MOST_FINDINGS:  # in a page that is served for weeks
                del self._findings[next(iter(self._findings))]
            self._findings[key] = self._finding(test, values, technique, slips)
        table = self._findings[key]
        if table is None or "hookup" not in table.scope:
            return table
        return Table(tuple(hookup if v == "hookup" else v for v in table.scope), table.p)

    def predictive(self, test: str, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        """Outcomes of a fresh reading and their chances, worked out once per technique."""
        technique = replace(technique, card=None)
        key = (test, technique)
        if key not in self._predictive:
            self._predictive[key] = self._outcomes(test, technique)
        return self._predictive[key]

    def _finding(
        self, test: str, values: tuple[str, ...], technique: Technique, slips: bool
    ) -> Table | None:
        name = f"finding {test} {values} {sorted(technique.as_data().items())} {slips}"
        if self.shelf is not None and (kept := self.shelf.get(name)) is not None:
            _, tables = kept
            if len(tables) == 1 and self._fits(tables[0], {"hookup": 3}):
                return tables[0]
        tool = self.instrument(test)
        if not slips:
            tool = copy.copy(tool)
            tool.slip = 0.0
        found = tool.likelihood(tool.parse(values), technique, "hookup")
        if found is None:
            return None
        table = slim(found)
        if self.shelf is not None:
            self.shelf.put(name, None, [table])
        return table

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

    def prior(self, complaint: str, contexts: Sequence[str]) -> Network:
        """The network before any reading."""
        if isinstance(self.model, JoinedModel) and isinstance(self.priors, JoinedPriors):
            prior = joined_prior(self.priors, self.model, complaint, contexts)
        else:
            prior = fault_prior(self.priors, self.model, complaint, contexts)
        return assemble(self.model, prior, self.variables, self.tables)

    @property
    def modes(self) -> Mapping[str, Sequence[str]]:
        """Fault modes by component."""
        return {c: tuple(spec.modes) for c, spec in self.model.components.items()}
