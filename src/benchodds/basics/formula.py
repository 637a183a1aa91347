"""The language of quantities: expressions and distributions written in model files.

An expression such as ``min(exciter * rpm, ceiling) * step(rpm - fire_rpm)`` is parsed with
:mod:`ast` and walked by this module; nothing is ever handed to ``eval``. Every function a
model file may call is in :data:`FUNCTIONS`, each with its formula.

A distribution such as ``LN(0.30 V/rpm, 0.20)`` or ``0.4: 1 | 0.6: U(0, 0.1)`` is turned into
equal-weight or weighted points by :meth:`Distribution.points`.
"""

from __future__ import annotations

import ast
import operator
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from inspect import signature
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _

Array = NDArray[np.float64]

MAX_LENGTH = 400
MAX_NODES = 120
LARGEST = 1e300
"""Largest number that a formula may hold."""


def _parallel(*ohm: Array) -> Array:
    """Parallel resistance 1 / sum(1/R); an open branch is infinite (Kirchhoff's current law)."""
    with np.errstate(divide="ignore"):
        total = sum(1.0 / np.asarray(r, dtype=float) for r in ohm)
        return np.asarray(1.0 / np.asarray(total))


def _series(*ohm: Array) -> Array:
    """Series resistance sum(R) (Kirchhoff's voltage law)."""
    return np.asarray(sum(np.asarray(r, dtype=float) for r in ohm))


def _divider(volt: Array, above: Array, below: Array) -> Array:
    """Voltage divider V * R_below / (R_above + R_below), also in the limits 0 and infinity."""
    ratio = np.asarray(above, dtype=float) / np.maximum(np.asarray(below, dtype=float), 1e-300)
    ratio = np.where(np.isinf(below) & np.isfinite(above), 0.0, ratio)
    return np.asarray(volt / (1.0 + ratio))


def _step(x: Array) -> Array:
    """1 where x > 0, else 0 (a threshold)."""
    return np.asarray(np.asarray(x) > 0, dtype=float)


def _copper(temp_c: Array) -> Array:
    """Copper resistance at temp_c over that at 20 C: (234.5 + T) / 254.5 (IEC 60028)."""
    return np.asarray((234.5 + np.asarray(temp_c)) / 254.5)


def _smallest(*x: Array) -> Array:
    out = np.asarray(x[0], dtype=float)
    for other in x[1:]:
        out = np.minimum(out, other)
    return out


def _largest(*x: Array) -> Array:
    out = np.asarray(x[0], dtype=float)
    for other in x[1:]:
        out = np.maximum(out, other)
    return out


def _where(test: Array, yes: Array, no: Array) -> Array:
    """yes where test > 0, else no."""
    return np.asarray(np.where(np.asarray(test) > 0, yes, no), dtype=float)


def _clip(x: Array, low: Array, high: Array) -> Array:
    """x kept between low and high: min(max(x, low), high)."""
    return np.asarray(np.minimum(np.maximum(x, low), high), dtype=float)


def _pair(a: Array, b: Array) -> Array:
    """Amplitude between two legs of a star, 120 degrees apart: sqrt(a^2 + b^2 + a b).

    The difference of the phasors a and b exp(-2 pi i / 3), by the law of cosines with
    cos 120 = -1/2. Two equal legs give sqrt(3) times one leg. An open leg has no path: multiply
    by step(a) * step(b) where 0 means open.
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    return np.asarray(np.sqrt(np.maximum(a * a + b * b + a * b, 0.0)))


def _current(volt: Array, back: Array, ohm: Array) -> Array:
    """Current round a loop, max(0, V - E_back) / R; none through an open (Ohm, Kirchhoff)."""
    push = np.maximum(np.asarray(volt, dtype=float) - back, 0.0)
    return np.asarray(np.where(np.isinf(ohm), 0.0, push / np.maximum(ohm, 1e-12)))


def _drop(volt: Array, amp: Array, ohm: Array) -> Array:
    """Voltage across a resistance in a loop, I R; across an open, the loop's whole voltage V.

    Ohm's law, and Kirchhoff's voltage law for the open: without current nothing else drops
    anything. No current and no open here means no drop, which says nothing about R.
    """
    amp, ohm = np.asarray(amp, dtype=float), np.asarray(ohm, dtype=float)
    return np.asarray(np.where(np.isinf(ohm), volt, amp * np.where(np.isinf(ohm), 0.0, ohm)))


def _sag(volt: Array, amp: Array, ohm: Array) -> Array:
    """Terminal voltage of a source that sags with current: max(0, E - I R) (Thevenin)."""
    return np.asarray(np.maximum(volt - _drop(volt, amp, ohm), 0.0), dtype=float)


def _lead_acid(charge: Array) -> Array:
    """Open-circuit volts of six lead-acid cells at rest, charge from 0 to 1: 6 (d + 0.845).

    Cell volts are the density of the acid in kg/l plus 0.845 (rule from G. W. Vinal, Storage
    Batteries, from memory); density taken as 1.120 empty to 1.265 full, in a straight line.
    """
    density = 1.120 + 0.145 * np.clip(np.asarray(charge, dtype=float), 0.0, 1.0)
    return np.asarray(6.0 * (density + 0.845))


def _cable(length_mm: Array, area_mm2: Array) -> Array:
    """Resistance of a copper conductor at 20 C: 0.017241 ohm mm2/m, l / A (IEC 60028).

    Strand and class come on top: IEC 60228 allows 1.04 to 1.07 times this for solid and
    stranded conductors, 1.10 to 1.16 times for flexible ones.
    """
    return np.asarray(0.017241e-3 * np.asarray(length_mm, dtype=float) / area_mm2)


FUNCTIONS: Mapping[str, Callable[..., Array]] = {
    "min": _smallest,
    "max": _largest,
    "step": _step,
    "where": _where,
    "parallel": _parallel,
    "series": _series,
    "divider": _divider,
    "copper": _copper,
    "clip": _clip,
    "pair": _pair,
    "current": _current,
    "drop": _drop,
    "sag": _sag,
    "lead_acid": _lead_acid,
    "cable": _cable,
    "sqrt": lambda x: np.sqrt(np.maximum(x, 0.0)),
}

_OPERATORS: Mapping[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}


@dataclass(frozen=True)
class Expression:
    """A parsed expression over named arrays."""

    text: str
    names: tuple[str, ...]
    _tree: ast.expr

    @cached_property
    def jumps(self) -> frozenset[str]:
        """Names that decide a step or a choice: the value may jump where they change a little."""
        tests = (
            n.args[0]
            for n in ast.walk(self._tree)
            if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
            if n.func.id in ("step", "where")
        )
        return frozenset(n.id for t in tests for n in ast.walk(t) if isinstance(n, ast.Name))

    def __call__(self, values: Mapping[str, Any]) -> Array:
        """Evaluate with NumPy broadcasting; zero times infinity counts as zero."""
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            return np.asarray(_walk(self._tree, values), dtype=float)


def _walk(node: ast.expr, values: Mapping[str, Any]) -> Any:
    if isinstance(node, ast.Constant):
        return np.float64(node.value)  # type: ignore[arg-type]
    if isinstance(node, ast.Name):
        return values[node.id]
    if isinstance(node, ast.UnaryOp):
        return -_walk(node.operand, values)
    if isinstance(node, ast.BinOp):
        left, right = _walk(node.left, values), _walk(node.right, values)
        result = _OPERATORS[type(node.op)](left, right)
        if isinstance(node.op, ast.Mult) and np.isnan(result).any():
            result = np.where(np.isnan(result), 0.0, result)
        return result
    assert isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    return FUNCTIONS[node.func.id](*[_walk(a, values) for a in node.args])


def _fitting(text: str, name: str, args: list[ast.expr]) -> list[ast.expr]:
    """The arguments of a call, when the function takes as many. Raises ModelError."""
    wanted = signature(FUNCTIONS[name])
    try:
        wanted.bind(*args)
    except TypeError:
        raise ModelError(
            _("'{text}' gives {name} {n} values; it takes {wanted}").format(
                text=text, name=name, n=len(args), wanted=", ".join(wanted.parameters)
            )
        ) from None
    return args


@lru_cache(maxsize=1024)
def parse_expression(text: str) -> Expression:
    """Parse an expression of numbers, names, + - * /, and the calls in :data:`FUNCTIONS`.

    Raises
    ------
    ModelError
        When the text is too long, not an expression, or uses anything else.
    """
    if len(text) > MAX_LENGTH:
        raise ModelError(
            _("an expression of {n} characters; at most {most} are read").format(
                n=len(text), most=MAX_LENGTH
            )
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what Python only doubts, such as 4k, is none either
            tree = ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise ModelError(
            _("'{text}' is not an expression, such as 'exciter * rpm'").format(text=text)
        ) from None
    names: dict[str, None] = {}
    todo: list[ast.AST] = [tree]
    seen = 0
    while todo:
        node = todo.pop()
        seen += 1
        if seen > MAX_NODES:
            raise ModelError(
                _("'{text}' is too deep; split it over several quantities").format(text=text)
            )
        match node:
            case ast.Constant(value=bool()):
                raise ModelError(_("'{text}' uses true or false; write 1 or 0").format(text=text))
            case ast.Constant(value=int() | float() as value) if abs(value) <= LARGEST:
                pass
            case ast.Name(id=name):
                names[name] = None
            case ast.UnaryOp(op=ast.USub(), operand=inner):
                todo.append(inner)
            case ast.BinOp(op=ast.Div(), right=ast.Constant(value=0)):
                raise ModelError(_("'{text}' divides by zero").format(text=text))
            case ast.BinOp(op=ast.Add() | ast.Sub() | ast.Mult() | ast.Div()):
                todo += [node.right, node.left]
            case ast.Call(func=ast.Name(id=name), keywords=[], args=args) if args:
                if name not in FUNCTIONS:
                    known = ", ".join(sorted(FUNCTIONS))
                    raise ModelError(
                        _("'{text}' calls '{name}'; known functions: {known}").format(
                            text=text, name=name, known=known
                        )
                    )
                todo += _fitting(text, name, args)
            case _:
                raise ModelError(
                    _(
                        "'{text}' uses something other than numbers, names, + - * / and {functions}"
                    ).format(text=text, functions=", ".join(sorted(FUNCTIONS)))
                )
    return Expression(text, tuple(names), tree)
