"""What may be done now: one rule for tests, swaps and repairs, wherever a step is offered.

Some tests come after others. Where a step can ruin a part, a gate stands before it: each of the
tests that the model file names has passed and none of them stands failed, and the chance that
what would do harm is still there is below what the file allows. No other word opens a gate:
only a reading all of whose values pass, taken after the last repair of what it is about. A
failed one stands until it is struck, or until the same test passes; whether it was wrong then,
the odds say.

Everything is written for single places and for many side by side (arrays), so that what chooses
now and what looks ahead cannot disagree.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchodds.basics.tables import Array, Index, State
from benchodds.model.system import Repair, SystemModel, Test

Group = frozenset[str]
"""Tests of which one is enough."""


@dataclass(frozen=True, eq=False)
class Gate:
    """What must hold before a step that can ruin a part.

    Of each group of ``passed`` one test has passed and none stands failed, and the states with
    a fault that would do harm, ``harmed`` (n_states,), are together less likely than ``under``.
    """

    passed: tuple[Group, ...]
    harmed: Array
    under: float

    def harm(self, p: Array) -> Array:
        """Chance that what would do harm is there, beliefs ``p`` (..., n_states) summing to 1."""
        return np.asarray(p @ self.harmed)


@dataclass(frozen=True, eq=False)
class Rule:
    """What a step waits for: one test of each group ``first``, and a gate.

    A group of which no test can be had here is asked for all the same unless ``waived``.
    """

    first: tuple[Group, ...] = ()
    gate: Gate | None = None
    waived: bool = False

    @property
    def groups(self) -> tuple[Group, ...]:
        """All groups of tests that are waited for."""
        return (*self.first, *(self.gate.passed if self.gate else ()))

    def kept(self, rows: Index, p: Array) -> Rule:
        """The rule where only some states are kept, of beliefs ``p`` (n_states,).

        The chance that is allowed shrinks by the share of the harm that is not among them.
        """
        if self.gate is None:
            return self
        gate, harmed = self.gate, self.gate.harmed[rows]
        left = float(p[rows] @ harmed / p[rows].sum())
        under = gate.under * left / float(gate.harm(p)) if left > 0 else gate.under
        return replace(self, gate=replace(gate, harmed=harmed, under=under))


NONE = Rule()
"""Of a test that waits for nothing."""

WAIVED = Rule(waived=True)
"""Of a repair that waits for nothing."""

NEVER = Rule((frozenset(),))
"""Of a step that is not to be done any more: it waits for a test that there is not."""


@dataclass(frozen=True)
class Seen:
    """Marks of tests by name, each a truth or an array of them; a test without mark is unmarked.

    A test is ``done`` when a reading of it said something, ``failed`` when the last that did was
    not a pass throughout, ``passed`` when it was, and nothing that it is about was mended since.
    """

    done: Mapping[str, Any]
    passed: Mapping[str, Any]
    failed: Mapping[str, Any]

    @staticmethod
    def of(done: Iterable[str], passed: Iterable[str], failed: Iterable[str]) -> Seen:
        """The marks of one place."""
        return Seen(*(dict.fromkeys(names, True) for names in (done, passed, failed)))

    def had(self, group: Group) -> Any:
        """Whether one test of a group has been done."""
        return _any(self.done, group)

    def cleared(self, group: Group) -> Any:
        """Whether one test of a group has passed, and none stands failed."""
        return np.logical_and(_any(self.passed, group), np.logical_not(_any(self.failed, group)))


def _any(marks: Mapping[str, Any], group: Group) -> Any:
    found: Any = False
    for name in group:
        found = np.logical_or(found, marks.get(name, False))
    return found


def allowed(rule: Rule, seen: Seen, p: Array) -> Any:
    """Whether a step may be done, at one place or at each of many.

    ``p`` (..., n_states) are beliefs that sum to 1.
    """
    fine: Any = True
    for group in rule.first:
        fine = np.logical_and(fine, seen.had(group))
    if rule.gate is not None:
        for group in rule.gate.passed:
            fine = np.logical_and(fine, seen.cleared(group))
        fine = np.logical_and(fine, by_odds(rule, p))
    return fine


def by_odds(rule: Rule, p: Array) -> Any:
    """Whether the odds alone let a step be done, beliefs ``p`` (..., n_states) summing to 1."""
    return rule.gate is None or rule.gate.harm(p) < rule.gate.under


def chain(
    rules: Mapping[str, Rule], rule: Rule, seen: Seen, gone: Collection[str]
) -> tuple[str, ...] | None:
    """The tests that a step must wait for, in an order in which they can be done.

    ``rules`` are those of all tests and ``gone`` tests that cannot be had here any more. The
    odds are left aside: tests may still change them. None where the step can never be done;
    what is ``waived`` is not waited for where it cannot be had.
    """
    out: list[str] = []

    def get(group: Group, missing: Collection[str], path: Group) -> bool:
        return any(name in missing and add(name, path) for name in sorted(group))

    def meet(rule: Rule, path: Group) -> bool:
        for group in rule.first:
            if not (seen.had(group) or get(group, group, path) or rule.waived):
                return False
        for group in rule.gate.passed if rule.gate else ():
            failed = [name for name in sorted(group) if seen.failed.get(name)]
            if failed and not all(add(name, path) for name in failed):
                return False
            if not failed and not (seen.cleared(group) or get(group, group, path)):
                return False
        return True

    def add(name: str, path: Group) -> bool:
        if name in out:
            return True
        if name not in rules or name in gone or name in path:
            return False
        kept = len(out)
        if not meet(rules[name], path | {name}):
            del out[kept:]
            return False
        out.append(name)
        return True

    return tuple(out) if meet(rule, frozenset()) else None


def leading(rules: Mapping[str, Rule], rule: Rule) -> frozenset[str]:
    """All tests that may have to come before a step."""
    found: set[str] = set()
    todo = [name for group in rule.groups for name in group]
    while todo:
        name = todo.pop()
        if name in rules and name not in found:
            found.add(name)
            todo += [n for group in rules[name].groups for n in group]
    return frozenset(found)


# ---- what a model file says ---------------------------------------------------------------------


def cleared(repair: Repair, model: SystemModel) -> frozenset[tuple[str, str]]:
    """The faults, (component, mode), that a repair clears."""
    return model.faults_named(repair.clears)


def gating(model: SystemModel) -> dict[str, frozenset[tuple[str, str]]]:
    """Tests that gates wait for, with the faults that their pass is to rule out."""
    out: dict[str, frozenset[tuple[str, str]]] = {}
    for gate in model.gates.values():
        for text, patterns in gate.passed.items():
            for name in text.split("|"):
                out[name] = out.get(name, frozenset()) | model.faults_named(patterns)
    return out


def reopened(model: SystemModel, repair: Repair) -> frozenset[str]:
    """Tests whose passes no longer count after a repair: the part that they were about is new."""
    faults = cleared(repair, model)
    return frozenset(name for name, about in gating(model).items() if about & faults)


def rule_of(model: SystemModel, step: Test | Repair, states: Sequence[State] = ()) -> Rule:
    """The rule of a test or repair on a machine in one of some states."""
    first = step.after if isinstance(step, Test) else step.requires
    gate = None
    if step.gate:
        spec = model.gates[step.gate]
        harming = model.faults_named(f for texts in spec.passed.values() for f in texts)
        harmed = np.array([bool(harming & set(state)) for state in states], dtype=float)
        gate = Gate(_groups(spec.passed), harmed, spec.under)
    return Rule(_groups(first), gate, isinstance(step, Repair))


def _groups(texts: Iterable[str]) -> tuple[Group, ...]:
    return tuple(frozenset(text.split("|")) for text in texts)
