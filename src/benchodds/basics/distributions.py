"""Distributions as models write them: LN(0.3 V/rpm, 0.2), mixtures, bands, and their units."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from benchodds.basics.errors import ModelError
from benchodds.basics.formula import Array
from benchodds.basics.language import _
from benchodds.basics.quantities import to_base


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

    def off_middle(self, z: Array) -> Array:
        """Quantiles of Phi(z): so many standard deviations off the middle of a normal law."""
        a = self.args
        if self.kind not in ("LN", "N", "band"):
            return self.quantile(scipy.special.ndtr(z))
        if self.kind == "LN":
            return np.asarray(a[0] * np.exp(a[1] * z))
        middle, sd = a if self.kind == "N" else ((a[0] + a[1]) / 2, (a[1] - a[0]) / 4)
        return np.asarray(middle + sd * z)

    def quantile(self, q: Array) -> Array:
        """Quantile function of a single continuous part (not of a mixture)."""
        a = self.args
        match self.kind:
            case "LN" | "N" | "band":
                return self.off_middle(scipy.special.ndtri(q))
            case "U":
                return a[0] + (a[1] - a[0]) * np.asarray(q)
            case "Exp":
                return np.asarray(-a[0] * np.log1p(-np.asarray(q)))
            case "Be":
                return np.asarray(scipy.special.betaincinv(a[0], a[1], q))
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
                    return np.asarray(scipy.special.ndtr(np.log(np.maximum(x, 0.0) / a[0]) / a[1]))
                case "N":
                    return np.asarray(scipy.special.ndtr((x - a[0]) / a[1]))
                case "band":
                    return np.asarray(
                        scipy.special.ndtr((x - (a[0] + a[1]) / 2) / ((a[1] - a[0]) / 4))
                    )
                case "U":
                    return np.asarray(np.clip((x - a[0]) / (a[1] - a[0]), 0.0, 1.0))
                case "Exp":
                    return np.asarray(-np.expm1(-np.maximum(x, 0.0) / a[0]))
                case _:
                    return np.asarray(scipy.special.betainc(a[0], a[1], np.clip(x, 0.0, 1.0)))

    def gauss(self, n: int) -> tuple[Array, Array]:
        """Gauss-Hermite points for LN, N and band; mid-quantiles for the rest."""
        if self.kind in ("LN", "N", "band"):
            x, w = np.polynomial.hermite_e.hermegauss(n)
            return self.off_middle(x), np.asarray(w / w.sum())
        return self.points(n)

    def mean(self) -> float:
        """Mean, from 200 points for kinds without a simple form."""
        x, w = self.points(200)
        return float(x @ w)


WIDEST = 20.0
"""Bound of a log-sd: quantiles, some 18 of these away at most, are still numbers (e^360)."""
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
        or (kind == "LN" and not (args[0] > 0 and args[1] < WIDEST))
        or (kind in ("Exp", "Be") and not all(a > 0 for a in args))
    )
    if bad:
        raise ModelError(f"'{text}': " + _("impossible numbers for {kind}").format(kind=kind))
    return Distribution(kind, args)


_HEAD = re.compile(r"\s*([-+0-9.eE]+)(.*)", re.DOTALL)


def times(text: str, factor: float) -> str:
    """A number with its unit, or a distribution, ``factor`` times as large, as files write it.

    Four figures of each number are kept; what is open stays open. Raises ModelError for what
    cannot be read.
    """
    if "|" in text:
        parts = (piece.partition(":") for piece in text.split("|"))
        return " | ".join(f"{w.strip()}: {times(law.strip(), factor)}" for w, _, law in parts)
    parse_distribution(text)
    if text.strip() == "open":
        return text
    if (match := _CALL.match(text.strip())) is None:
        return _grown(text, factor)
    kind, inside = match.groups()
    grown = (
        p.strip() if (kind, i) in _UNITLESS else _grown(p, factor)
        for i, p in enumerate(inside.split(","))
    )
    return f"{kind}({', '.join(grown)})"


def _grown(text: str, factor: float) -> str:
    """One number with its unit, ``factor`` times as large."""
    match = _HEAD.match(text)
    number = float(match[1]) * factor if match else 0.0
    short = f"{number:.4g}" if abs(number) < 1e4 else f"{number:.0f}"
    return f"{short}{match[2].rstrip()}" if match else text
