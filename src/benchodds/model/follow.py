"""What follows from the limits of another machine: laws, nodes, and limits that hang on them.

A manual states limits, a model needs laws. Where a limit is changed and its law is not, the law
moves with it: a band of good values as the limit does, other laws by the factor that the base's
``manual`` table names them for. What depends on them is found by working the formulas out for a
machine with nothing wrong, before and after: nodes, spans and limits not stated move by the same
factor. Whatever the overlay states itself stays.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchodds.basics.distributions import parse_distribution, times
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.basics.quantities import to_base
from benchodds.model.variants import put

Data = dict[str, Any]
Keys = tuple[str, ...]
Pair = tuple[Mapping[str, float], Mapping[str, float]]
"""What is sound of the base and of the machine."""
MOST_CELLS = 300
"""As many cells as a grid may have."""
SAME = 1e-3
"""Relative difference under which two numbers are one, as laws are written with four figures."""


@dataclass(frozen=True)
class Followed:
    """An entry that moved because of a limit: its key, what it is now, and which test's limit."""

    key: str
    value: str
    test: str


def follow(before: Data, after: Data, told: set[Keys], provenance: str) -> tuple[Followed, ...]:
    """Move in ``after``, in place, what follows from its limits; what moved, in order.

    ``before`` is the base, ``told`` the keys that the overlay states.
    """
    return tuple(_Following(before, after, told, provenance).all())


def sound(data: Data, end: int | None = None) -> dict[str, float]:
    """Every quantity of a machine with nothing wrong, every law at its middle; base units.

    ``end`` 0 or 1 takes bands at their lower or upper end instead.
    """
    out: dict[str, float] = {}
    for name, q in data["quantities"].items():
        inputs = {key: _middle(law, end) for key, law in q.get("random", {}).items()}
        for key, modal in q.get("modes", {}).items():
            inputs[key] = _middle(modal.get("otherwise", "1"), end)
        out[name] = float(parse_expression(q["formula"])({**out, **inputs}))
    return out


def _middle(law: str, end: int | None) -> float:
    found = parse_distribution(law)
    if found.kind == "mix":
        found = max(found.parts, key=lambda part: part[0])[1]
    if found.kind == "band" and end is not None:
        return found.args[end]
    return found.args[0] if found.kind == "const" else float(found.quantile(np.array(0.5)))


@dataclass
class _Following:
    before: Data
    after: Data
    told: set[Keys]
    provenance: str
    scaled: dict[str, tuple[float, str]] = field(default_factory=dict)
    banded: dict[str, str] = field(default_factory=dict)

    def all(self) -> Iterator[Followed]:
        """Laws first, then what depends on them."""
        old = sound(self.before)
        stated = [t for t in self.after["tests"] if self._stated(t)]
        for test in stated:
            if not self._is_told("tests", test, "limit", "source"):
                self.after["tests"][test]["limit"]["source"] = self.provenance
            yield from self._band(test)
            self._ask(test, old)
        for key, (factor, test) in self.scaled.items():
            if not self._is_told(*key.split(".")):
                yield self._put(key.split("."), times(_at(self.before, key), factor), test)
        new = sound(self.after)
        why = self._reasons()
        for name in self.after["quantities"]:
            yield from self._grid(name, _ratio(old[name], new[name]), why)
        ends = [(sound(self.before, end), sound(self.after, end)) for end in (0, 1)]
        for name in self.after["tests"]:
            yield from self._test(name, (old, new), ends, why)

    def _stated(self, test: str) -> bool:
        return any(self._is_told("tests", test, "limit", end) for end in ("min", "max"))

    def _is_told(self, *keys: str) -> bool:
        """Whether the overlay states an entry, or something within it."""
        return any(k[: len(keys)] == keys for k in self.told)

    def _put(self, keys: list[str], value: Any, test: str) -> Followed:
        put(self.after, keys, value)
        return Followed(".".join(keys), str(value), test)

    def _band(self, test: str) -> Iterator[Followed]:
        """A band of good values moves as the ends of the limit do."""
        now, then = (data["tests"][test]["limit"] for data in (self.after, self.before))
        name = now.get("measurand", "")
        random = self.before["quantities"].get(name, {}).get("random", {})
        keys = ["quantities", name, "random", *random]
        bands = [law for law in random.values() if law.startswith("band(")]
        if len(random) != 1 or not bands or self._is_told(*keys) or not {"min", "max"} <= set(now):
            return
        unit = self.after["tests"][test]["unit"]
        low, high, a, b = (to_base(x[end], unit) for x in (now, then) for end in ("min", "max"))
        ends = parse_distribution(bands[0], unit).args
        moved = [f"{low + (x - a) / (b - a) * (high - low):.4g} {unit}" for x in ends]
        if ends == (a, b):
            moved = [now["min"], now["max"]]
        law = "band({})".format(", ".join(moved))
        self.banded[name] = test
        yield self._put(keys, law, test)

    def _reasons(self) -> dict[str, str]:
        """The test whose limit moved a quantity: its own law, or one that it is made of."""
        stated = (
            (t, self.after["tests"][t]["limit"]) for t in self.after["tests"] if self._stated(t)
        )
        measured = ((limit.get("measurand") or "0", t) for t, limit in stated)
        why = {q: t for text, t in measured for q in parse_expression(text).names}
        why |= self.banded
        for key, (_factor, test) in self.scaled.items():
            section, _dot, rest = key.partition(".")
            if section == "quantities":
                why.setdefault(rest.partition(".")[0], test)
        for name, q in self.after["quantities"].items():
            above = (why[n] for n in parse_expression(q["formula"]).names if n in why)
            if name not in why and (test := next(above, "")):
                why[name] = test
        return why

    def _ask(self, test: str, old: Mapping[str, float]) -> None:
        """By which factor laws move that the base names for a test."""
        asked = self.before.get("manual", {}).get(test, {})
        factor = self._factor(test, old)
        for key, power in [(k, 1) for k in asked.get("times", ())] + [
            (k, -1) for k in asked.get("over", ())
        ]:
            so_far = self.scaled.get(key, (1.0, test))[0]
            self.scaled[key] = so_far * factor**power, test

    def _factor(self, test: str, old: Mapping[str, float]) -> float:
        """How many times larger a limit is, apart from what its measurand adds or takes off."""
        now, then = (data["tests"][test] for data in (self.after, self.before))
        nothing = _offset(now["limit"].get("measurand", ""), old)
        middles = []
        for each in (now, then):
            ends = [
                to_base(each["limit"][e], now["unit"]) for e in ("min", "max") if e in each["limit"]
            ]
            middles.append(sum(ends) / len(ends) - nothing)
        return _ratio(middles[1], middles[0])

    def _grid(self, name: str, ratio: float, why: Mapping[str, str]) -> Iterator[Followed]:
        """Nodes stand where values are."""
        q = self.after["quantities"][name]
        grid = q.get("grid")
        if abs(ratio - 1) <= SAME or not grid or self._is_told("quantities", name, "grid"):
            return
        new = dict(grid)
        for end in ("low", "knee", "high"):
            if end in grid:
                new[end] = times(grid[end], ratio)
        unit = q.get("unit", "")
        if ratio < 1 and _adds(q, unit):  # what faults add is as large as ever
            new["high"] = grid["high"]
            new["cells"] = min(MOST_CELLS, math.ceil(grid["cells"] * _wider(grid, new, unit)))
        new["atoms"] = [times(a, ratio) if a != "open" else a for a in grid.get("atoms", ())]
        self.after["quantities"][name]["grid"] = new
        said = _("{low} to {high}, {cells} cells").format(
            low=new["low"], high=new["high"], cells=new["cells"] + new.get("below", 0)
        )
        yield Followed(f"quantities.{name}.grid", said, why.get(name, ""))

    def _test(
        self, name: str, middle: Pair, ends: Sequence[Pair], why: Mapping[str, str]
    ) -> Iterator[Followed]:
        """Limit, where the overlay states none, and span of a test move with what it reads."""
        test = self.after["tests"][name]
        limit = test.get("limit", {})
        text = limit.get("measurand", "")
        if not text:
            return
        above = (why[q] for q in parse_expression(text).names if q in why)
        cause = name if self._stated(name) else next(above, "")
        if not cause:
            return
        for end, pair in zip(("min", "max"), ends, strict=True):
            ratio = _moved(text, pair)
            if end in limit and cause != name and abs(ratio - 1) > SAME:
                limit["source"] = _("in proportion to {test}, not from the manual").format(
                    test=cause
                )
                then, nothing = to_base(limit[end], test["unit"]), _offset(text, pair[0])
                factor = ((then - nothing) * ratio + nothing) / then
                yield self._put(["tests", name, "limit", end], times(limit[end], factor), cause)
        ratio = _moved(text, middle)
        if "span" in test and abs(ratio - 1) > SAME and not self._is_told("tests", name, "span"):
            low, high = test["span"]
            low, high = times(low, min(ratio, 1.0)), times(high, max(ratio, 1.0))
            yield self._put(["tests", name, "span"], [low, high], cause)


def _moved(text: str, pair: Pair) -> float:
    """How many times larger a measurand is than it was, apart from what it adds or takes off."""
    measurand, nothing = parse_expression(text), _offset(text, pair[0])
    return _ratio(*(float(measurand(values)) - nothing for values in pair))


def _offset(text: str, known: Mapping[str, float]) -> float:
    """What a measurand is when all that it measures is nothing: a diode's drop."""
    nothing = float(parse_expression(text)(dict.fromkeys(known, 0.0))) if text else 0.0
    return nothing if math.isfinite(nothing) else 0.0


def _ratio(then: float, now: float) -> float:
    """How many times larger a value is; 1 where that means nothing."""
    good = math.isfinite(then) and math.isfinite(now) and then > 0 and now > 0
    return now / then if good else 1.0


def _at(data: Data, key: str) -> str:
    found: Any = data
    for part in key.split("."):
        found = found[part]
    return str(found)


def _adds(q: Data, unit: str) -> bool:
    """Whether a fault adds something of the quantity's own unit."""
    laws = (law for m in q.get("modes", {}).values() for law in m.get("by", {}).values())
    return bool(unit) and any(unit in law for law in laws)


def _wider(grid: Data, new: Data, unit: str) -> float:
    """How many times wider the nodes from the knee up reach."""
    spans = []
    for g in (grid, new):
        low, high = to_base(g.get("knee") or g["low"], unit), to_base(g["high"], unit)
        linear = g.get("spacing") == "linear"
        spans.append(high - low if linear else math.log(high / low))
    return spans[1] / spans[0] if spans[0] > 0 else 1.0
