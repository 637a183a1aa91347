"""Whether gates of a model file can open: their tests can pass, none waits for itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from benchodds.basics.language import _

if TYPE_CHECKING:
    from benchodds.model.system import SystemModel


def no_pass(path: str, model: SystemModel, tests: Iterable[str]) -> Iterator[str]:
    """Tests that a gate waits for and that can show nothing that is a pass."""
    for name in tests:
        test = model.tests.get(name)
        if test is None or test.kind == "spark" or test.passes:
            continue
        if test.limit is None or not (test.limit.min or test.limit.max):
            yield f"{path}: " + _(
                "'{name}' has no limit and no outcome that is a pass, so the gate would never "
                "open; give it one, or name another test"
            ).format(name=name)


def rings(model: SystemModel) -> Iterator[str]:
    """Tests that wait for each other, so that none of them can ever be the first."""
    left = {name: _groups(model, name) for name in model.tests}
    while free := [n for n, groups in left.items() if all(g - left.keys() for g in groups)]:
        for name in free:
            del left[name]
    for name, groups in left.items():
        yield f"tests.{name}: " + _("waits for tests that wait for it: {tests}").format(
            tests=", ".join(sorted(t for g in groups if g <= left.keys() for t in g))
        )


def _groups(model: SystemModel, name: str) -> list[frozenset[str]]:
    """The tests that a test waits for, one of each group."""
    test = model.tests[name]
    gate = model.gates.get(test.gate)
    return [frozenset(text.split("|")) for text in (*test.after, *(gate.passed if gate else ()))]
