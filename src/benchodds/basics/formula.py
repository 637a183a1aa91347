"""The language of quantities: expressions and distributions written in model files.

An expression such as ``min(exciter * rpm, ceiling) * step(rpm - fire_rpm)`` is parsed with
:mod:`ast` and walked by this module; nothing is ever handed to ``eval``. Every function a
model file may call is in :data:`FUNCTIONS`, each with its formula.

A distribution such as ``LN(0.30 V/rpm, 0.20)`` or ``0.4: 1 | 0.6: U(0, 0.1)`` is turned into
equal-weight or weighted points by :meth:`Distribution.points`.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, ndtr, ndtri

from benchodds.basics.errors import ModelError
from benchodds.basics.language import _
from benchodds.basics.quantities import to_base

Array = NDArray[np.float64]

MAX_LENGTH = 400
MAX_NODES = 120


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

    def __call__(self, values: Mapping[str, Any]) -> Array:
        """Evaluate with NumPy broadcasting; zero times infinity counts as zero."""
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            return np.asarray(_walk(self._tree, values), dtype=float)


def _walk(node: ast.expr, values: Mapping[str, Any]) -> Any:
    if isinstance(node, ast.Constant):
        return float(node.value)  # type: ignore[arg-type]
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
            case ast.Constant(value=int() | float() as value) if math.isfinite(value):
                pass
            case ast.Name(id=name):
                names[name] = None
            case ast.UnaryOp(op=ast.USub(), operand=inner):
                todo.append(inner)
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
                todo += args
            case _:
                raise ModelError(
                    _(
                        "'{text}' uses something other than numbers, names, + - * / and {functions}"
                    ).format(text=text, functions=", ".join(sorted(FUNCTIONS)))
                )
    return Expression(text, tuple(names), tree)


@dataclass(frozen=True)
class Distribution:
    """A distribution of one quantity, in its base unit.

    ``kind`` is ``const``, ``LN`` (median, log-sd), ``N`` (mean, sd), ``U`` (low, high),
    ``Exp`` (mean), ``Be`` (a, b), ``band`` (low, high: a normal about the centre with sd
    width/4) or ``mix`` (weights with parts).
    """

    kind: str
    args: tuple[float, ...] = ()
    parts: tuple[tuple[float, Distribution], ...] = ()

    def points(self, n: int) -> tuple[Array, Array]:
        """Points and weights that stand for the distribution; weights sum to 1.

        Mid-quantile points of equal weight, ``n`` for each continuous part.
        """
        if self.kind == "mix":
            pairs = [(w, *d.points(n)) for w, d in self.parts]
            return (
                np.concatenate([x for _, x, _ in pairs]),
                np.concatenate([w * p for w, _, p in pairs]),
            )
        if self.kind == "const":
            return np.array([self.args[0]]), np.ones(1)
        return self.quantile((np.arange(n) + 0.5) / n), np.full(n, 1.0 / n)

    def quantile(self, q: Array) -> Array:
        """Quantile function of a single continuous part (not of a mixture)."""
        a = self.args
        match self.kind:
            case "LN":
                return np.asarray(a[0] * np.exp(a[1] * ndtri(q)))
            case "N":
                return np.asarray(a[0] + a[1] * ndtri(q))
            case "band":
                return np.asarray((a[0] + a[1]) / 2 + (a[1] - a[0]) / 4 * ndtri(q))
            case "U":
                return a[0] + (a[1] - a[0]) * np.asarray(q)
            case "Exp":
                return np.asarray(-a[0] * np.log1p(-np.asarray(q)))
            case "Be":
                return np.asarray(betaincinv(a[0], a[1], q))
        raise ModelError(
            _("a {kind} distribution has no quantile of its own").format(kind=self.kind)
        )

    def cdf(self, x: Array) -> Array:
        """Distribution function P(X <= x)."""
        x = np.asarray(x, dtype=float)
        a = self.args
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            match self.kind:
                case "mix":
                    return np.asarray(sum(w * d.cdf(x) for w, d in self.parts))
                case "const":
                    return np.asarray(x >= a[0], dtype=float)
                case "LN":
                    return np.asarray(ndtr(np.log(np.maximum(x, 0.0) / a[0]) / a[1]))
                case "N":
                    return np.asarray(ndtr((x - a[0]) / a[1]))
                case "band":
                    return np.asarray(ndtr((x - (a[0] + a[1]) / 2) / ((a[1] - a[0]) / 4)))
                case "U":
                    return np.asarray(np.clip((x - a[0]) / (a[1] - a[0]), 0.0, 1.0))
                case "Exp":
                    return np.asarray(-np.expm1(-np.maximum(x, 0.0) / a[0]))
                case _:
                    return np.asarray(betainc(a[0], a[1], np.clip(x, 0.0, 1.0)))

    def gauss(self, n: int) -> tuple[Array, Array]:
        """Gauss-Hermite points for LN, N and band; mid-quantiles for the rest."""
        if self.kind in ("LN", "N", "band"):
            x, w = np.polynomial.hermite_e.hermegauss(n)
            a = self.args
            if self.kind == "LN":
                return np.asarray(a[0] * np.exp(a[1] * x)), np.asarray(w / w.sum())
            if self.kind == "band":
                a = ((a[0] + a[1]) / 2, (a[1] - a[0]) / 4)
            return np.asarray(a[0] + a[1] * x), np.asarray(w / w.sum())
        return self.points(n)

    def mean(self) -> float:
        """Mean, from 200 points for kinds without a simple form."""
        x, w = self.points(200)
        return float(x @ w)


_CALL = re.compile(r"^(LN|N|U|Exp|Be|band)\((.*)\)$", re.DOTALL)
_ARITY = {"LN": 2, "N": 2, "U": 2, "Exp": 1, "Be": 2, "band": 2}
_UNITLESS = {("LN", 1), ("Be", 0), ("Be", 1)}  # arguments that carry no unit


BASE_UNITS = ("", "V", "ohm", "A", "uF", "min", "mm", "rpm", "V/rpm", "s", "kg")
"""Units that numbers are held in; what a file says is converted to the one that fits."""


@lru_cache(maxsize=512)
def base_unit(unit: str) -> str:
    """The member of :data:`BASE_UNITS` of the same kind as ``unit``; ModelError if none."""
    if unit in BASE_UNITS or unit == "degC":
        return unit
    for candidate in BASE_UNITS[1:]:
        try:
            to_base(f"1 {unit}", candidate)
        except ModelError:
            continue
        return candidate
    try:
        to_base(f"1 {unit}", "")
    except ModelError:
        raise ModelError(
            _("'{unit}' is not a unit known here, such as V, ohm, V/rpm, min").format(unit=unit)
        ) from None
    return ""


def _unit_written(text: str) -> str:
    """The unit of the first number in a distribution's text ('' for a bare number)."""
    match = re.search(r"(?:^|[(:])\s*[-+0-9.eE]+\s*([^,|():0-9]*)\s*(?:[,)|]|$)", text)
    return match.group(1).strip() if match else ""


@lru_cache(maxsize=4096)
def parse_distribution(text: str, unit: str | None = None) -> Distribution:
    """Parse a distribution; values are held in ``unit``, or in the base unit of what is written.

    Raises
    ------
    ModelError
        Unknown kind, wrong number of arguments, wrong unit, or impossible parameters.
    """
    text = text.strip()
    if unit is None:
        if "|" in text:
            units = {base_unit(_unit_written(p.partition(":")[2].strip())) for p in text.split("|")}
            unit = next(iter(units - {""}), "")
        else:
            unit = base_unit(_unit_written(text))
    if "|" in text:
        parts = []
        for piece in text.split("|"):
            weight, sep, rest = piece.partition(":")
            if not sep:
                raise ModelError(
                    f"'{text}': " + _("each part of a mixture reads 'weight: distribution'")
                )
            parts.append((to_base(weight.strip(), ""), parse_distribution(rest.strip(), unit)))
        if any(w < 0 for w, _ in parts) or abs(sum(w for w, _ in parts) - 1) > 1e-9:
            raise ModelError(
                f"'{text}': " + _("the weights of a mixture are not negative and sum to 1")
            )
        return Distribution("mix", parts=tuple(parts))
    match = _CALL.match(text)
    if match is None:
        if text == "open":
            return Distribution("const", (math.inf,))
        return Distribution("const", (to_base(text, unit),))
    kind, inside = match.groups()
    pieces = [p.strip() for p in inside.split(",")]
    if len(pieces) != _ARITY[kind]:
        raise ModelError(
            f"'{text}': "
            + _("{kind} takes {wanted} numbers, found {n}").format(
                kind=kind, wanted=_ARITY[kind], n=len(pieces)
            )
        )
    args = tuple(to_base(p, "" if (kind, i) in _UNITLESS else unit) for i, p in enumerate(pieces))
    bad = (
        (kind in ("U", "band") and not args[0] < args[1])
        or (kind in ("LN", "N") and not args[1] > 0)
        or (kind == "LN" and not args[0] > 0)
        or (kind in ("Exp", "Be") and not all(a > 0 for a in args))
    )
    if bad:
        raise ModelError(f"'{text}': " + _("impossible numbers for {kind}").format(kind=kind))
    return Distribution(kind, args)
