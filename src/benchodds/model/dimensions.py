"""Whether the formulas of a model keep their units: volts over ohms are amperes.

Dimensional analysis (an ohm is a volt over an ampere, all else is for itself). A bare number
in a formula may carry any unit; what is written with a unit carries that.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Generator, Iterator, Mapping

from benchodds.basics.distributions import base_unit
from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.model.system import SystemModel

BASIC = ("V", "A", "rpm", "min", "s", "mm", "uF", "kg")
Unit = tuple[int, ...] | None
"""Powers of the basic units; None for what fits anything."""


def _unit(**powers: int) -> tuple[int, ...]:
    return tuple(powers.get(name, 0) for name in BASIC)


OF: Mapping[str, Unit] = {
    "": _unit(),
    **{name: _unit(**{name: 1}) for name in BASIC},
    "ohm": _unit(V=1, A=-1),
    "V/rpm": _unit(V=1, rpm=-1),
}
VOLT, AMP, OHM, ONE = OF["V"], OF["A"], OF["ohm"], OF[""]
SIGNATURES: Mapping[str, tuple[tuple[Unit, ...], Unit]] = {
    "current": ((VOLT, VOLT, OHM), AMP),
    "drop": ((VOLT, AMP, OHM), VOLT),
    "sag": ((VOLT, AMP, OHM), VOLT),
    "lead_acid": ((ONE,), VOLT),
    "cable": ((None, None), OHM),
    "copper": ((None,), ONE),
    "step": ((None,), ONE),
    "sqrt": ((ONE,), ONE),
}
"""What some functions take and give."""
ALIKE = ("min", "max", "series", "parallel", "clip", "pair")
"""Functions of like quantities that give one of the same kind."""


class UnitError(ValueError):
    """A formula puts two units together that cannot be."""


def same(*units: Unit) -> Unit:
    """The unit that all have; UnitError when there are two."""
    known = {u for u in units if u is not None}
    if len(known) > 1:
        raise UnitError(
            _("{units} cannot be put together").format(
                units=_(" and ").join(sorted(spelled(u) for u in known))
            )
        )
    return next(iter(known), None)


def spelled(unit: Unit) -> str:
    """A unit as people write it."""
    for name, other in OF.items():
        if unit == other:
            return name or _("a bare share")
    powers = zip(unit or (), BASIC, strict=False)
    return " ".join(f"{name}^{p}" if p != 1 else name for p, name in powers if p)


def unit_of(node: ast.expr, names: Mapping[str, Unit]) -> Unit:
    """Unit of a parsed expression; UnitError where it cannot have one."""
    match node:
        case ast.Name(id=name):
            return names.get(name)
        case ast.UnaryOp(operand=inner):
            return unit_of(inner, names)
        case ast.BinOp(left=left, op=op, right=right):
            a, b = unit_of(left, names), unit_of(right, names)
            if isinstance(op, (ast.Add, ast.Sub)):
                return same(a, b)
            if a is None or b is None:
                return None
            sign = 1 if isinstance(op, ast.Mult) else -1
            return tuple(x + sign * y for x, y in zip(a, b, strict=True))
        case ast.Call(func=ast.Name(id=name), args=args):
            return _call(name, [unit_of(a, names) for a in args])
    return None


def _call(name: str, units: list[Unit]) -> Unit:
    if name in ALIKE:
        return same(*units)
    if name == "where":
        return same(*units[1:])
    if name == "divider":
        same(*units[1:])
        return units[0]
    wanted, result = SIGNATURES.get(name, ((), None))
    for want, unit in zip(wanted, units, strict=False):
        if want is not None:
            same(want, unit)
    return result


def written(text: str) -> Unit:
    """Unit of a distribution as it is written; none for 0, open, and mixtures of these."""
    numbers = re.sub(r"[\d.]+\s*:", "", text)
    first = re.sub(r"(?:LN|Be)\(.*?\)", lambda m: m.group().split(",")[0], numbers)
    if not re.search(r"[1-9]", first):
        return None
    units = {m.group(1) for m in re.finditer(r"\d\s*([A-Za-z][A-Za-z/]*)", numbers)}
    try:
        found = {OF.get(base_unit(u)) for u in units}
    except ModelError:
        return None
    return same(*found) if found else ONE


def unit_doubts(model: SystemModel) -> Iterator[str]:
    """Lines 'key: what does not fit' for every formula whose units do not hold together."""
    names: dict[str, Unit] = {"rpm": OF["rpm"]}
    for name, q in model.quantities.items():
        path = f"quantities.{name}"
        inputs = yield from _inputs(f"{path}.random", {k: [d] for k, d in q.random.items()})
        told = {k: [m.otherwise, *m.by.values(), *m.joined.values()] for k, m in q.modes.items()}
        inputs |= yield from _inputs(f"{path}.modes", told)
        unit = ONE if q.states is not None else OF.get(base_unit(q.unit))
        yield from _fits(f"{path}.formula", q.formula, {**names, **inputs}, unit)
        names[name] = unit
    for name, test in model.tests.items():
        path = f"tests.{name}"
        inputs = yield from _inputs(f"{path}.random", {k: [d] for k, d in test.random.items()})
        unit = OF.get(base_unit(test.unit)) if test.unit else None
        measurand = (test.limit.measurand or "") if test.limit else ""
        for key, text in (
            ("signal", test.signal),
            ("in_circuit", test.in_circuit),
            ("limit.measurand", measurand),
        ):
            if text:
                yield from _fits(f"{path}.{key}", text, {**names, **inputs}, unit)


def _inputs(path: str, texts: Mapping[str, list[str]]) -> Generator[str, None, dict[str, Unit]]:
    """Units of the inputs of a formula, by name; doubts on the way."""
    units: dict[str, Unit] = {}
    for key, several in texts.items():
        units[key] = None
        try:
            units[key] = same(*(written(t) for t in several))
        except UnitError as error:
            yield f"{path}.{key}: " + _(
                "{error}; one of its numbers has another unit, or none"
            ).format(error=error)
    return units


def _fits(path: str, text: str, names: Mapping[str, Unit], unit: Unit) -> Iterator[str]:
    try:
        found = unit_of(ast.parse(text, mode="eval").body, names)
    except UnitError as error:
        yield f"{path}: " + _("{error} in '{text}'").format(error=error, text=text)
        return
    if found is not None and unit is not None and found != unit:
        yield f"{path}: " + _("'{text}' comes to {found}, not {unit}").format(
            text=text, found=spelled(found), unit=spelled(unit)
        )
