"""One variant of a model file: what it changes, and the parts that it does not have."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from copy import deepcopy
from typing import Any

from benchodds.basics.errors import ModelError, nearest
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _

Items = dict[str, Any]


def narrowed(raw: Mapping[str, Any], variant: str) -> tuple[dict[str, Any], list[str]]:
    """The file with a variant's ``set`` applied and what only others have left out, mistakes."""
    data = deepcopy(dict(raw))
    problems = []
    chosen = data.get("variants", {}).get(variant, {})
    changes = chosen.get("set", {}) if isinstance(chosen, dict) else {}
    for path, value in changes.items() if isinstance(changes, dict) else ():
        if problem := put(data, str(path).split("."), value):
            problems.append(f"variants.{variant}.set.'{path}': {problem}")
    for section in ("components", "quantities", "tests", "repairs"):
        items = data.get(section)
        if isinstance(items, dict):
            known = data.get("variants", {})
            data[section] = {k: v for k, v in items.items() if _is_in(v, variant, known)}
    if missing := chosen.get("without") if isinstance(chosen, dict) else None:
        problems += leave_out(data, missing, f"variants.{variant}.without")
    data["variant"] = variant
    return data, problems


def put(data: dict[str, Any], keys: Sequence[str], value: Any) -> str:
    """Change one entry of a parsed file in place; what is wrong, when there is none to change."""
    place: Any = data
    for key in keys[:-1]:
        known = place if isinstance(place, dict) else {}
        place = known.get(key)
        if place is None:
            near = nearest(key, known)
            return _("there is no '{key}' to change{near}").format(key=key, near=near)
    if not isinstance(place, dict):
        return _("there is nothing to change")
    place[keys[-1]] = value
    return ""


def _is_in(item: Any, variant: str, known: Collection[str]) -> bool:
    """Whether a part of the file belongs to a variant; one of no known variant belongs to all."""
    only = item.get("only") if isinstance(item, dict) else None
    if not isinstance(only, (list, tuple)) or not only or variant in only:
        return True
    return not any(name in known for name in only)


def leave_out(data: Items, missing: Any, path: str) -> list[str]:
    """Take parts out of a parsed model file in place, and what is there for them alone.

    Quantities that depend on no other part and that nothing else uses, tests that read these or
    look for these parts only, repairs of these only. What cannot be left out is told as
    'path: what is wrong'.
    """
    parts = _table(data, "components")
    words = [m for m in missing if isinstance(m, str)] if isinstance(missing, (list, tuple)) else []
    problems = [
        f"{path}: " + _("'{part}' is not a part here{hint}").format(part=m, hint=nearest(m, parts))
        for m in words
        if m not in parts
    ]
    gone = {m for m in words if m in parts}
    _drop(data, "components", gone)
    unread = _quantities(data, gone)
    untested = _tests(data, gone, unread)
    _repairs(data, gone, untested)
    return [*problems, *(f"{path}: {text}" for text in _waiting(data, untested))]


def _table(data: Items, section: str) -> Items:
    found = data.get(section)
    return (
        {k: v for k, v in found.items() if isinstance(v, dict)} if isinstance(found, dict) else {}
    )


def _names(text: Any) -> Collection[str]:
    try:
        return parse_expression(str(text)).names if text else ()
    except ModelError:
        return ()


def _quantities(data: Items, gone: set[str]) -> set[str]:
    """Drop quantities of missing parts, the last first, and return their names."""
    kept = _table(data, "quantities")
    dropped = set()
    for name, q in reversed(list(kept.items())):
        of = {str(m.get("of")) for m in _table(q, "modes").values()}
        used = any(name in _names(other.get("formula")) for other in kept.values())
        if of and of <= gone and not used:
            del kept[name]
            dropped.add(name)
    _drop(data, "quantities", dropped)
    return dropped


def _tests(data: Items, gone: set[str], unread: set[str]) -> set[str]:
    """Drop tests that have nothing left to read or look for, and return their names."""
    tests = _table(data, "tests")

    def idle(test: Items) -> bool:
        causes = test.get("causes")
        looked_for = {c.partition(".")[0] for c in causes} if isinstance(causes, dict) else set()
        return bool(unread & set(_names(test.get("signal")))) or (
            bool(looked_for) and looked_for <= gone
        )

    dropped = {name for name, test in tests.items() if idle(test)}
    _drop(data, "tests", dropped)
    for test in _table(data, "tests").values():
        _prune(test, "after", dropped)
    return dropped


def _repairs(data: Items, gone: set[str], untested: set[str]) -> None:
    """Drop repairs of missing parts alone; others no longer name them, nor tests that went."""
    idle = set()
    for name, repair in _table(data, "repairs").items():
        clears = repair.get("clears")
        if isinstance(clears, list) and clears and {_part(c) for c in clears} <= gone:
            idle.add(name)
        _prune(repair, "renews", gone)
        _prune(repair, "requires", untested)
    _drop(data, "repairs", idle)
    if isinstance(proof := data.get("proof"), dict):
        for complaint in proof:
            _prune(proof, complaint, untested)


def _drop(data: Items, section: str, names: Collection[str]) -> None:
    if isinstance(found := data.get(section), dict):
        data[section] = {k: v for k, v in found.items() if k not in names}


def _prune(item: Items, key: str, names: Collection[str]) -> None:
    """Take names out of a list of names; 'a|b' are two."""
    if isinstance(found := item.get(key), list):
        left = ("|".join(n for n in str(x).split("|") if n not in names) for x in found)
        item[key] = [x for x in left if x]


def _part(fault: Any) -> str:
    return str(fault).partition(".")[0]


def _waiting(data: Items, untested: set[str]) -> Iterator[str]:
    """What protects a part by a test that is not there any more."""
    for name, gate in _table(data, "gates").items():
        passed = gate.get("passed")
        for group in passed if isinstance(passed, dict) else ():
            if lost := untested & set(group.split("|")):
                yield _(
                    "the gate '{gate}' waits for {test}, which has nothing to read then; keep the "
                    "part, or change the gate"
                ).format(gate=name, test=", ".join(sorted(lost)))
