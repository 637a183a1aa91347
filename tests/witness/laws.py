"""Numbers, laws and formulas of data files, read and worked out anew."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, ndtr, ndtri

Floats = NDArray[np.float64]

_PREFIX = {"": 1.0, "k": 1e3, "M": 1e6, "m": 1e-3, "u": 1e-6}
_UNIT = re.compile(r"\s*([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*([kMmu]?)(V/rpm|V|ohm|A|F|s)?\s*")
_OTHER = {"rpm": 1.0, "min": 1.0, "mm": 1.0, "degC": 1.0, "C": 1.0, "%": 0.01, "h": 60.0}


def number(text: str) -> float:
    """'10 Mohm' and the like; farads come in microfarads, minutes in minutes."""
    if text.strip() == "open":
        return float("inf")
    for word, factor in _OTHER.items():
        if (match := re.fullmatch(rf"\s*([-+0-9.eE]+)\s*{word}\s*", text)) is not None:
            return float(match[1]) * factor
    match = _UNIT.fullmatch(text)
    assert match, text
    scale = _PREFIX[match[2]] * (1e6 if match[3] == "F" else 1.0)
    return float(match[1]) * scale


@dataclass(frozen=True)
class Law:
    """A mixture of simple laws, each with its weight, kind and arguments."""

    parts: tuple[tuple[float, str, tuple[float, ...]], ...]

    @property
    def constant(self) -> float | None:
        """Its only value, if it has one alone."""
        return self.parts[0][2][0] if len(self.parts) == 1 and self.parts[0][1] == "const" else None

    def at(self, part: NDArray[np.intp], u: Floats) -> Floats:
        """Quantiles ``u`` of the part of each draw."""
        out = np.zeros(u.shape)
        for i, (_w, kind, a) in enumerate(self.parts):
            here = part == i
            if here.any():
                out[here] = _quantile(kind, a, u[here])
        return out

    def below(self, x: Floats) -> Floats:
        """P(X <= x)."""
        return np.asarray(sum(w * _at_most(kind, a, np.asarray(x)) for w, kind, a in self.parts))

    @property
    def mean(self) -> float:
        """Mean, by its quantiles."""
        n = 4000
        u = (np.arange(n) + 0.5) / n
        told = [(w, _quantile(kind, a, u).mean()) for w, kind, a in self.parts]
        return float(sum(w * m for w, m in told) / sum(w for w, _ in told))


@cache
def law(text: str) -> Law:
    """A law as files write it: '0.6: 0 | 0.4: U(0, 1)'."""
    parts = []
    for piece in text.split("|"):
        weight, _, rest = piece.rpartition(":")
        call = re.fullmatch(r"\s*(LN|N|U|Exp|Be|band)\((.*)\)\s*", rest)
        kind, args = (call[1], call[2].split(",")) if call else ("const", [rest])
        parts.append((float(weight) if weight else 1.0, kind, tuple(number(a) for a in args)))
    return Law(tuple(parts))


def _normal(kind: str, a: tuple[float, ...]) -> tuple[float, float]:
    return ((a[0] + a[1]) / 2, (a[1] - a[0]) / 4) if kind == "band" else (a[0], a[1])


def _quantile(kind: str, a: tuple[float, ...], u: Floats) -> Floats:
    match kind:
        case "LN":
            x = a[0] * np.exp(a[1] * ndtri(u))
        case "N" | "band":
            mean, sd = _normal(kind, a)
            x = mean + sd * ndtri(u)
        case "U":
            x = a[0] + (a[1] - a[0]) * u
        case "Exp":
            x = -a[0] * np.log1p(-u)
        case "Be":
            x = betaincinv(a[0], a[1], u)
        case _:
            x = np.full(u.shape, a[0])
    return np.asarray(x)


def _at_most(kind: str, a: tuple[float, ...], x: Floats) -> Floats:
    match kind:
        case "LN":
            with np.errstate(divide="ignore"):
                p = ndtr(np.log(np.maximum(x, 0.0) / a[0]) / a[1])
        case "N" | "band":
            mean, sd = _normal(kind, a)
            p = ndtr((x - mean) / sd)
        case "U":
            p = np.clip((x - a[0]) / (a[1] - a[0]), 0.0, 1.0)
        case "Exp":
            p = -np.expm1(-np.maximum(x, 0.0) / a[0])
        case "Be":
            p = betainc(a[0], a[1], np.clip(x, 0.0, 1.0))
        case _:
            p = (x >= a[0]).astype(float)
    return np.asarray(p)


# ---- formulas --------------------------------------------------------------------------------


def _parallel(*ohm: Any) -> Any:
    with np.errstate(divide="ignore"):
        return 1.0 / sum(1.0 / np.asarray(r, dtype=float) for r in ohm)


def _divider(volt: Any, above: Any, below: Any) -> Any:
    """V R_below / (R_above + R_below); all of it over an open below."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.asarray(below, dtype=float) / (np.asarray(above, dtype=float) + below)
    open_below = np.isinf(below) & np.isfinite(above)
    return volt * np.where(open_below, 1.0, np.where(np.isinf(above), 0.0, np.nan_to_num(share)))


def _current(volt: Any, back: Any, ohm: Any) -> Any:
    return np.where(np.isinf(ohm), 0.0, np.maximum(volt - back, 0.0) / np.maximum(ohm, 1e-12))


def _drop(volt: Any, amp: Any, ohm: Any) -> Any:
    is_open = np.isinf(ohm)
    return np.where(is_open, volt, amp * np.where(is_open, 0.0, ohm))


_CALLS: Mapping[str, Callable[..., Any]] = {
    "min": lambda *x: _fold(np.minimum, x),
    "max": lambda *x: _fold(np.maximum, x),
    "step": lambda x: (np.asarray(x) > 0).astype(float),
    "where": lambda test, yes, no: np.where(np.asarray(test) > 0, yes, no),
    "parallel": _parallel,
    "series": lambda *r: sum(r),
    "divider": _divider,
    "copper": lambda c: (234.5 + c) / 254.5,
    "clip": lambda x, low, high: np.minimum(np.maximum(x, low), high),
    "pair": lambda a, b: np.sqrt(np.maximum(a * a + b * b + a * b, 0.0)),
    "current": _current,
    "drop": _drop,
    "sag": lambda volt, amp, ohm: np.maximum(volt - _drop(volt, amp, ohm), 0.0),
    "lead_acid": lambda charge: 6 * (1.120 + 0.145 * np.clip(charge, 0.0, 1.0) + 0.845),
    "cable": lambda mm, mm2: 0.017241e-3 * mm / mm2,
    "sqrt": lambda x: np.sqrt(np.maximum(x, 0.0)),
}


def _fold(two: Callable[..., Any], x: tuple[Any, ...]) -> Any:
    out = x[0]
    for other in x[1:]:
        out = two(out, other)
    return out


@cache
def _tree(text: str) -> ast.expr:
    return ast.parse(text, mode="eval").body


@cache
def names(text: str) -> tuple[str, ...]:
    """Names that a formula uses, calls aside, in order."""
    tree = _tree(text)
    calls = {id(n.func) for n in ast.walk(tree) if isinstance(n, ast.Call)}
    used = (n for n in ast.walk(tree) if isinstance(n, ast.Name) and id(n) not in calls)
    return tuple(dict.fromkeys(n.id for n in used))


def worked(text: str, values: Mapping[str, Any]) -> Floats:
    """A formula's value; nothing times an open is nothing."""
    with np.errstate(all="ignore"):
        return np.asarray(_value(_tree(text), values), dtype=float)


def _value(node: ast.AST, values: Mapping[str, Any]) -> Any:
    match node:
        case ast.Constant(value=x):
            return np.float64(x)  # type: ignore[arg-type]
        case ast.Name(id=name):
            return values[name]
        case ast.UnaryOp(operand=inner):
            return -_value(inner, values)
        case ast.BinOp(left=a, op=ast.Mult(), right=b):
            product = np.asarray(_value(a, values) * _value(b, values))
            return np.where(np.isnan(product), 0.0, product)
        case ast.BinOp(left=a, op=op, right=b):
            x, y = _value(a, values), _value(b, values)
            return x + y if isinstance(op, ast.Add) else x - y if isinstance(op, ast.Sub) else x / y
        case ast.Call(func=ast.Name(id=name), args=args):
            return _CALLS[name](*[_value(a, values) for a in args])
    raise ValueError(ast.dump(node))
