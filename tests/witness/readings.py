"""How readings arise: the chance of what was written, for drawn machines, gear and technique.

What varies fastest (speed and capture of each kick, error and rounding of the display, sparks
counted) is summed here by quadrature or in closed form; all else is drawn.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from witness.laws import Floats, law, number, worked
from witness.machine import Draws, System, View

SPEEDS = 48
TRY_SPEEDS = 64
"""Speeds at which the kicks of a peak reading, and tries for a spark, are worked out."""
GOLDEN = (math.sqrt(5.0) - 1) / 2
TABLE = 8192
SILENT = ("not-taken", "refused", "impossible", "not-possible")


@dataclass(frozen=True)
class Reading:
    """One reading as written; ``hookup`` names the placing of the probes."""

    name: str
    test: str
    values: tuple[str, ...]
    technique: Mapping[str, Any] = field(default_factory=dict)
    hookup: str = ""
    epoch: int = 0


@dataclass(frozen=True)
class Shown:
    """What was written, understood: a number with the worth of its last digit, or words."""

    kind: str
    at: float = 0.0
    step: float = 0.0
    ends: tuple[float, float] | None = None
    top: float | None = None
    hits: int | None = None
    tries: int = 0
    word: str = ""


def understood(text: str, test: Mapping[str, Any]) -> Shown:
    """A value as a technician writes it."""
    text = text.strip()
    if text in SILENT:
        return Shown("silent")
    if test["kind"] == "look" or text in ("beep", "no-beep"):
        return Shown("word", word=text)
    if test["kind"] == "spark":
        match = re.fullmatch(r"([a-z]*) *(?:(\d+)/(\d+))?", text)
        assert match, text
        if match[2]:
            return Shown("sparks", hits=int(match[2]), tries=int(match[3]))
        return Shown("sparks", word=match[1])
    if match := re.fullmatch(r"(?:OL|open)(?:@(.+))?", text):
        return Shown("over", top=_figure(match[1], test)[0] if match[1] else None)
    if match := re.fullmatch(r"unstable(?: (.+)\.\.(.+))?", text):
        if match[1] is None:
            return Shown("unstable")
        (low, a), (high, b) = _figure(match[1], test), _figure(match[2], test)
        return Shown("unstable", step=min(a, b), ends=(low, high))
    if test.get("between") and (match := re.fullmatch(r"([\d.]+)-([\d.]+)", text)):
        (high, a), (low, b) = _figure(match[1], test), _figure(match[2], test)
        return Shown("number", round(high - low, 9), max(a, b), (low, high))
    return Shown("number", *_figure(text, test))


def _figure(text: str, test: Mapping[str, Any]) -> tuple[float, float]:
    """A number and the worth of its last digit, in volts, ohms or amperes."""
    match = re.fullmatch(r"([\d.]+)(?:e([-+]?\d+))? ?([kMm]?)(V|ohm|A)?", text.strip())
    assert match, text
    scale = {"": 1.0, "k": 1e3, "M": 1e6, "m": 1e-3}[match[3]] * 10.0 ** int(match[2] or 0)
    if match[4] == "V" and test.get("through"):
        scale /= number(test["through"])
    _, _, decimals = match[1].partition(".")
    return float(match[1]) * scale, 10.0 ** -len(decimals) * scale


class Bench:
    """The readings of one system's tests, and what slips show at each."""

    each_try = False
    """Whether inputs of a cranked test are drawn anew in each try, not once for a reading."""

    blur = 1.0
    """How much wider errors of meters are, while it is learnt where draws matter; and then nothing
    is a slip."""

    def __init__(self, system: System) -> None:
        self.system, self.spec = system, system.bench
        grid = np.linspace(0.0, 1.0, TABLE + 1)
        self.caught = [law(self.spec["capture"][x]).below(grid) for x in ("good", "poor")]
        self._sound: dict[str, tuple[Floats, Floats] | None] = {}

    def likelihood(self, reading: Reading, view: View) -> Floats:
        """Chance of what was written, by draw; all ones where it says nothing."""
        test = self.system.tests[reading.test]
        shown = [understood(v, test) for v in reading.values]
        shown = [s for s in shown if s.kind != "silent"]
        if not shown:
            return np.ones(view.draws.n)
        kind = {"peak": _Peak, "meter": _Meter, "spark": _Spark, "look": _Look}[test["kind"]]
        p = kind(self, reading, test, view).chance(shown)
        return np.broadcast_to(p, (view.draws.n,))

    # ---- slips -------------------------------------------------------------------------------

    def slipped(self, name: str, low: float, high: float) -> float:
        """Chance that a slip at this test shows something between two values."""
        spec, test = self.spec["slip"], self.system.tests[name]
        bottom, top = (number(x) for x in test["span"])
        own, width, middle = self._law(name), high - low, (low + high) / 2
        parts = [(spec["zero"], 1.0 if low <= 0 <= high else 0.0)]
        others = [x for x in map(self._law, self._in_reach(name)) if x is not None]
        if others:
            parts.append(
                (spec["terminal"], sum(_share(x, low, high) for x in others) / len(others))
            )
        if own is not None:
            both = (1000.0, 0.001)
            unit = sum(_share(own, low * f, high * f) for f in both) / 2
            parts.append((spec["unit"], unit))
            if 0 < width < 0.1 * middle:
                near = sorted({float(t) * width for t in _swapped(f"{middle / width:.0f}")})
                if near:
                    p = sum(_share(own, x - width / 2, x + width / 2) for x in near) / len(near)
                    parts.append((spec["digits"], p))
        a, b = (min(max(x, bottom), top) for x in (low, high))
        flat = math.log(b / a) / math.log(top / bottom) if b > a else 0.0
        left = 1 - sum(w for w, _ in parts)
        return max(sum(w * p for w, p in parts) + left * flat, 1e-9)

    def _in_reach(self, name: str) -> list[str]:
        mine, opened = self.system.tests[name], self._setups(name)

        def terminals(test: Mapping[str, Any]) -> bool:
            return not (test.get("battery") or test.get("proves"))

        if mine["kind"] not in ("meter", "peak") or not terminals(mine):
            return []
        alike = ("kind", "unit", "through")
        return [
            other
            for other, test in self.system.tests.items()
            if all(mine.get(k, "") == test.get(k, "") for k in alike)
            and terminals(test)
            and test["signal"] != mine["signal"]
            and self._setups(other) <= opened
        ]

    def _setups(self, name: str) -> set[str]:
        out: set[str] = set()
        todo = list(self.system.tests[name].get("needs", []))
        while todo:
            setup = todo.pop()
            if setup not in out:
                out.add(setup)
                todo += self.system.raw["setups"][setup].get("needs", [])
        return out

    def _law(self, name: str) -> tuple[Floats, Floats] | None:
        """What the test shows of sound machines, all else as it mostly is: values, P below."""
        if name not in self._sound:
            self._sound[name] = self._law_of(name)
        return self._sound[name]

    def _law_of(self, name: str) -> tuple[Floats, Floats] | None:
        test, n = self.system.tests[name], 20_000
        if test["kind"] not in ("meter", "peak"):
            return None
        view = View(self.system, Draws(n, (7,)), ())
        ways = self.spec["cranking"].values()
        turned = sum(w["share"] * law(w["rpm"]).mean for w in ways)
        given = {k: law(t).mean for k, t in test.get("random", {}).items()}
        given["rpm"] = turned / max(sum(w["share"] for w in ways), 1e-9)
        given["temp_c"] = 20.0
        if (warm := test.get("temperature", "none")) != "none":
            given["temp_c"] = law(self.spec["temperature"][warm]).mean
        shown = np.broadcast_to(worked(test["signal"], _Given(view, given)), (n,))
        weight = view.draws.weight
        keep = np.isfinite(shown) & (shown > 0)
        if not keep.any():
            return None
        x, w = np.log(shown[keep]), weight[keep] / weight.sum()
        order = np.argsort(x)
        x, below = x[order], np.cumsum(w[order])
        if np.ptp(x) < 0.02:
            return np.array([x[0] - 0.01, x[-1] + 0.01]), np.array([0.0, below[-1]])
        at = np.linspace(0, len(x) - 1, min(len(x), 200)).astype(int)
        return np.append(x[0] - 1e-6, x[at]), np.append(0.0, below[at])


def _share(known: tuple[Floats, Floats], low: float, high: float) -> float:
    if high <= 0:
        return 0.0
    x = np.log(np.maximum([low, high], 1e-30))
    a, b = np.interp(x, *known)
    return float(b - a)


def _swapped(digits: str) -> list[str]:
    """A number with two neighbouring digits, which differ, the other way round."""
    pairs = [(i, j) for i, j in pairwise(range(len(digits))) if digits[i] != digits[j]]
    return [digits[:i] + digits[j] + digits[i] + digits[j + 1 :] for i, j in pairs]


class _Given(dict[str, Any]):
    """Values of a formula: what is given, else the view's quantities, in one shape."""

    def __init__(self, view: View, given: Mapping[str, Any], tail: int = 0) -> None:
        super().__init__(given)
        self._view, self._tail = view, tail

    def __missing__(self, name: str) -> Any:
        x = np.asarray(self._view[name])
        return x.reshape(x.shape + (1,) * self._tail) if x.ndim else x


@dataclass
class _Kind:
    """One reading of a kind of test."""

    bench: Bench
    reading: Reading
    test: Mapping[str, Any]
    view: View

    def chance(self, shown: Sequence[Shown]) -> Floats:
        raise NotImplementedError

    @property
    def spec(self) -> dict[str, Any]:
        return self.bench.spec

    @property
    def draws(self) -> Draws:
        return self.view.draws

    @property
    def slip(self) -> float:
        return float(self.spec["slip"]["chance"]) if self.bench.blur == 1 else 1e-9

    def own(self, what: str, text: str) -> Any:
        """Draws of what belongs to this reading alone."""
        return self.draws.of(f"{self.reading.name} {what}", text)

    def said(self, what: str) -> Any:
        return self.reading.technique.get(what)

    def signal(self, given: Mapping[str, Any], tail: int) -> Floats:
        """The signal, unplugged as it should be or left in circuit."""
        inputs = self.test.get("random", {})
        if tail and self.bench.each_try:
            shape = {k: self._each(k, t, np.shape(given["rpm"])[1]) for k, t in inputs.items()}
        else:
            extra = {k: self.own(k, t) for k, t in inputs.items()}
            shape = {
                k: x.reshape(x.shape + (1,) * tail) if np.ndim(x) else x for k, x in extra.items()
            }
        values = _Given(self.view, {**shape, **given}, tail)
        full = (self.draws.n, *(np.shape(given["rpm"])[1:] if tail else ()))
        plain = np.broadcast_to(worked(self.test["signal"], values), full)
        if not (other := self.test.get("in_circuit")) or self.said("unplugged") is True:
            return plain
        left = np.broadcast_to(worked(other, values), full)
        if self.said("unplugged") is False:
            return left
        p = self.test.get("p_unplugged", 1.0)
        pick = self.draws.choice(f"{self.reading.name} circuit", [p, 1 - p])
        return np.where(pick.reshape(-1, *[1] * tail) == 0, plain, left)

    def _each(self, what: str, text: str, n: int) -> Floats:
        """Draws of an input that is another one in each try, one for each speed."""
        shift = self.draws.layers(f"{self.reading.name} {what} each")[:, None]
        u = (shift + GOLDEN * np.arange(n)) % 1.0
        parts = law(text).parts
        assert len(parts) == 1
        return law(text).at(np.zeros(u.shape, dtype=np.intp), u)

    @property
    def cranked(self) -> bool:
        return "rpm" in self.test["signal"]

    @cached_property
    def how(self) -> tuple[list[str], Any]:
        """Ways of cranking, and which of them each draw takes."""
        if self.said("how"):
            return [self.said("how")], np.zeros(self.draws.n, dtype=int)
        ways = {k: w["share"] for k, w in self.spec["cranking"].items() if w["share"] > 0}
        return list(ways), self.draws.choice(f"{self.reading.name} how", list(ways.values()))

    def by_how(self, value: Any) -> Floats:
        """What belongs to the way of cranking of each draw."""
        known, pick = self.how
        return np.array([value(self.spec["cranking"][k]) for k in known])[pick]

    def speeds(self, n: int) -> tuple[Floats, Floats]:
        """Speeds of one turn (draws, n), and their weights; each draw has its own places."""
        shift = self.draws.layers(f"{self.reading.name} speeds {n}")
        z = -4.0 + 8.0 * (np.arange(n) + shift[:, None]) / n
        w = np.exp(-z * z / 2)
        median = self.by_how(lambda way: law(way["rpm"]).parts[0][2][0])
        spread = self.by_how(lambda way: law(way["rpm"]).parts[0][2][1])
        person = self.draws.of("operator", self.spec["operator"]["speed"])
        rpm = (person * median)[:, None] * np.exp(spread[:, None] * z)
        return rpm, w / w.sum(axis=1, keepdims=True)

    # ---- the meter ---------------------------------------------------------------------------

    def resolution(self, y: float) -> float:
        """The worth of a display's last digit on the range that fits."""
        meter, amp = self.spec["meter"], 1.0
        unit, top = self.test["unit"], self.said("range_top")
        if self.test.get("through"):
            unit, amp, top = "V", number(self.test["through"]), None
        if top is None:
            ranges = {"V": meter["volt_ranges"], "ohm": meter["ohm_ranges"]}.get(unit)
            if ranges is None:
                return abs(y) * 1e-3
            tops = [number(r) / amp for r in ranges]
            top = next((t for t in tops if t >= abs(y)), tops[-1])
        return float(top / meter["counts"])

    def error(self, y: float) -> float:
        """Standard uncertainty of a display (JCGM 100:2008, 4.3.7)."""
        meter = self.spec["meter"]
        unit = "V" if self.test.get("through") else self.test["unit"]
        text = self.said("accuracy") or meter[{"V": "dc_volts", "ohm": "ohms"}.get(unit, "other")]
        match = re.fullmatch(r"([\d.]+) ?%(?: ?\+ ?([\d.]+))?", text)
        assert match, text
        half = float(match[1]) / 100 * abs(y) + float(match[2] or 0) * self.resolution(y)
        return max(half / math.sqrt(3), 1e-12)

    @cached_property
    def gain(self) -> Floats:
        """Gain of the meter, one for the whole job."""
        meter = self.spec["meter"]
        gains = {float(k): w for k, w in meter["gains"].items()}
        total = sum(gains.values())
        shares = [1 - meter["bad"], *(meter["bad"] * w / total for w in gains.values())]
        pick = self.draws.choice("meter", shares)
        off = 1 + meter["gain_spread"] * self.draws.of("meter gain", "N(0, 1)")
        return np.asarray(np.array([1.0, *gains])[pick] * np.where(pick > 0, off, 1.0))

    def cell(self, s: Shown) -> tuple[float, float]:
        """Ends of the rounding cell of a number."""
        half = max(s.step, self.resolution(s.at)) / 2
        return s.at - half, s.at + half


class _Look(_Kind):
    """A look: every fault shows its own outcome, and the latest in the list is seen."""

    def chance(self, shown: Sequence[Shown]) -> Floats:
        outcomes, causes = self.test["outcomes"], self.test.get("causes", {})
        below = np.cumsum([self.test["base"].get(o, 0.0) for o in outcomes])
        below = np.broadcast_to(below, (self.draws.n, len(outcomes)))
        for part in dict.fromkeys(cause.split(".")[0] for cause in causes):
            own = {c.split(".")[1]: row for c, row in causes.items() if c.split(".")[0] == part}
            below = below * self._rows(part, own, outcomes)
        p = np.diff(below, axis=1, prepend=0.0)
        p = (1 - self.slip) * p + self.slip / len(outcomes)
        return np.prod([p[:, outcomes.index(s.word)] for s in shown], axis=0)

    def _rows(self, part: str, own: Mapping[str, Any], outcomes: Sequence[str]) -> Floats:
        def row(state: str, is_fault: bool) -> Floats:
            chances = own.get(state, own.get("*") if is_fault else None)
            if chances is None:
                return np.ones(len(outcomes))
            return np.cumsum([chances.get(o, 0.0) for o in outcomes])

        system = self.bench.system
        if part in system.quantities:
            first, second = system.quantities[part]["states"]
            at = np.broadcast_to(self.view[part], (self.draws.n,)).astype(int)
            return np.stack([row(first, False), row(second, True)])[at]
        if part not in system.components:
            return np.ones((1, len(outcomes)))
        mode = self.view.state.get(part, "")
        return row(mode, bool(mode))[None]


class _Spark(_Kind):
    """Sparks counted out of tries."""

    def chance(self, shown: Sequence[Shown]) -> Floats:
        eye, need = self.spec["sparks"], law(self.test["need"]).parts[0][2]
        if self.cranked:
            rpm, w = self.speeds(TRY_SPEEDS)
            jump = (ndtr((self.signal({"rpm": rpm}, 1) - need[0]) / need[1]) * w).sum(axis=1)
            jump = jump * (1 - self.by_how(lambda way: way["no_turn"]))
        else:
            jump = ndtr((self.signal({}, 0) - need[0]) / need[1])
        light = self.said("light")
        lights = {light: 1.0} if light else eye["light"]
        p: Floats = np.zeros(self.draws.n)
        for name, share in lights.items():
            seen = jump * (1 - eye["missed"][name]) + (1 - jump) * eye["imagined"]
            p = p + share * np.prod([_counted(s, seen) for s in shown], axis=0)
        p /= sum(lights.values())
        sure = np.array(1 - eye["missed"]["shade"])
        cured = math.prod(float(_counted(s, sure)) for s in shown)
        d = self.test.get("disturb", 0.0)
        return np.asarray((1 - self.slip) * ((1 - d) * p + d * cured) + self.slip / 3)


def _counted(s: Shown, p: Floats) -> Floats:
    """Chance of a count, or of a bare word over three, five or ten tries."""

    def exactly(k: int, n: int) -> Floats:
        return np.asarray(math.comb(n, k) * p**k * (1 - p) ** (n - k))

    if s.hits is not None:
        return exactly(s.hits, s.tries)
    out: Floats = np.zeros(np.shape(p))
    for n in (3, 5, 10):
        none = exactly(0, n)
        strong = sum((exactly(k, n) for k in range(math.ceil(0.9 * n), n + 1)), np.zeros(()))
        weak = np.maximum(1 - none - strong, 1e-9)
        out = out + {"none": none, "strong": strong}.get(s.word, weak) / 3
    return out


class _Meter(_Kind):
    """A steady reading."""

    def chance(self, shown: Sequence[Shown]) -> Floats:
        meter, true = self.spec["meter"], self.true()
        out: Floats = np.ones(self.draws.n)
        for s in shown:
            if s.kind == "number":
                (low, high), u = self.cell(s), self.error(s.at)
                if s.ends:
                    u, low, high = self._between(s)
                u *= self.bench.blur
                seen = ndtr((high - self.gain * true) / u) - ndtr((low - self.gain * true) / u)
                p = seen * (1 - meter["over_range_by_contact"])
                slip = self.bench.slipped(self.reading.test, low, high)
            elif s.kind == "over":
                p, slip = self._over(true, s.top or self.said("range_top")), 0.2
            elif s.kind == "unstable":
                p, slip = np.ones(self.draws.n), 1.0
            else:
                beep = law(meter["beep"])
                heard = 1 - beep.below(np.maximum(self.gain * true, 1e-12))
                p, slip = (heard if s.word == "beep" else 1 - heard), 0.5
            out = out * ((1 - self.slip) * p + self.slip * slip)
        moves: Any = meter["unstable_good"]
        if jitter := self.test.get("jitter"):
            moves = np.where(
                np.asarray(self.view[jitter]) > 0, meter["unstable_bad"], meter["unstable_good"]
            )
        n = sum(s.kind == "unstable" for s in shown)
        return np.asarray(out * moves**n * (1 - moves) ** (len(shown) - n))

    def true(self) -> Floats:
        """What a perfect meter would show."""
        given, leads = {}, self.spec["leads"]
        if (warm := self.test.get("temperature", "none")) != "none":
            said, spread = self.said("temp_c"), self.spec["temperature"]["spread_when_said"]
            text = self.spec["temperature"][warm] if said is None else f"N({said}, {spread})"
            given["temp_c"] = self.own("temp_c", text)
        out = self.signal(given, 0)
        if not self.test.get("leads"):
            return out
        p = {"nulled": 1.0, "raw": 0.0}.get(self.said("leads") or "", leads["nulled_share"])
        nulled = self.draws.choice(f"{self.reading.name} leads", [1 - p, p])
        raw, rest = self.draws.of("leads", leads["raw"]), self.own("nulled", leads["nulled"])
        return out + np.where(nulled == 1, rest, raw) + self.own("contact", leads["contact"])

    def _between(self, s: Shown) -> tuple[float, float, float]:
        """Uncertainty and cell of a drop from the volts of both ends (JCGM 100:2008, 5.1.2)."""
        assert s.ends
        high = s.ends[1]
        digit = self.resolution(high)
        added = 3.0 * digit / math.sqrt(3)
        meter = self.spec["meter"]["dc_volts"]
        match = re.fullmatch(r"([\d.]+)% \+ (\d+)", meter)
        assert match
        added = float(match[2]) * digit / math.sqrt(3)
        gain = float(match[1]) / 100 * s.at / math.sqrt(3)
        moved = number(self.test["between"])
        half = math.sqrt(2) * max(s.step, digit) / 2
        return math.hypot(math.sqrt(2) * math.hypot(added, moved), gain), s.at - half, s.at + half

    def _over(self, true: Floats, top: float | None) -> Floats:
        """Chance that the display says OL: over the top of its range, or by a bad contact."""
        meter, span = self.spec["meter"], number(self.test["span"][1])
        ohms = self.test["unit"] == "ohm"
        tops = [number(r) for r in meter["ohm_ranges"]] if ohms else [span]
        upper = self.test.get("limit", {}).get("max")
        wanted = 2 * (number(upper) if upper else span)
        fitting = next((t for t in tops if t >= wanted), tops[-1])
        auto = meter["auto_range"]
        ways = [(1.0, top)] if top is not None else [(auto, tops[-1]), (1 - auto, fitting)]
        good, bad = meter["over_range_by_contact"], meter["over_range_when_open"]
        return np.asarray(sum(w * np.where(true > t, bad, good) for w, t in ways))


class _Peak(_Kind):
    """A peak through the adapter: the best of some kicks, or each of them."""

    def chance(self, shown: Sequence[Shown]) -> Floats:
        cells = [self.cell(s) for s in shown]
        residual = law(self.test.get("residual", "Exp(0.001 V)"))
        ends = [np.array(c) for c in cells]
        rest = [np.where(e < 0, 0.0, residual.below(e)) for e in ends]
        counts = [1]
        if len(shown) == 1 and not self.test.get("battery"):
            counts = [self.said("kicks")] if self.said("kicks") else [1, 2, 3, 4, 5]
        share = self._arrives
        f = [
            self._below(e, self.error(s.at), share) * r
            for e, r, s in zip(ends, rest, shown, strict=True)
        ]
        held: Floats = np.zeros(self.draws.n)
        for n in counts:
            p = [np.maximum(x[:, 1] ** n - x[:, 0] ** n, 0.0) for x in f]
            held = held + np.prod(p, axis=0) / len(counts)
        slip = math.prod(self.bench.slipped(self.reading.test, *c) for c in cells)
        return (1 - self.slip) * held + self.slip * slip

    @cached_property
    def _adapted(self) -> bool:
        return self.said("adapter") not in ("none", "max-hold")

    @cached_property
    def _arrives(self) -> Floats:
        """Share of the peak that reaches the adapter's capacitor; 0 through what is dead."""
        hookup = self.spec["hookup"]
        key = self.reading.hookup
        shares = [1 - hookup["poor"] - hookup["bad"], hookup["poor"], hookup["bad"]]
        pick = self.draws.choice(key, shares)
        out = np.where(pick == 1, self.draws.of(f"{key} share", hookup["poor_share"]), 1.0)
        out = np.where(pick == 2, 0.0, out)
        if not self._adapted:
            return out
        dead = self.spec["adapter"]["dead"]
        return np.where(self.draws.choice("adapter", [1 - dead, dead]) == 1, 0.0, out)

    @cached_property
    def _droop(self) -> Floats:
        """Mean share of the held peak over the meter's gate time."""
        adapter, meter, top = self.spec["adapter"], self.said("meter"), self.said("range_top")
        if not self._adapted or self.test.get("battery"):
            return np.ones(self.draws.n)
        if meter and (not meter.endswith("/V") or top):
            plain = number(meter.removesuffix("/V") + "ohm")
            r_in: Any = plain * top if meter.endswith("/V") else plain
        else:
            known = self.spec["meter"]["input"]
            pick = self.draws.choice("input", list(known.values()))
            r_in = np.array([number(k + "ohm") for k in known])[pick]
        tau = r_in * self.draws.of("hold", adapter["hold"]) * 1e-6
        gate = number(adapter["gate"])
        return np.asarray(tau / gate * -np.expm1(-gate / tau))

    def _below(self, edges: Floats, u: float, share: Floats) -> Floats:
        """P(held display of a kick <= edge), (draws, edges).

        Each speed at which it is worked out comes with an error of the display of its own.
        """
        battery = self.test.get("battery")
        shift = self.draws.layers(f"{self.reading.name} errors")[:, None]
        error = u * ndtri((shift + GOLDEN * np.arange(SPEEDS)) % 1.0)
        held = (self.gain * self._droop)[:, None]
        drop = number(self.spec["adapter"]["diode"]) if self._adapted else 0.0
        volts, w, idle = self._battery if battery else self._kicked
        out = np.zeros((self.draws.n, len(edges)))
        for i, edge in enumerate(edges):
            t = edge + error
            with np.errstate(divide="ignore", invalid="ignore"):
                need = (np.maximum(t, 0.0) / held + drop) / share[:, None]
                c = np.where(volts > 0, need / volts, 1.0)
            f = (c >= 1.0).astype(float) if battery else self._caught(c)
            out[:, i] = ((idle + (1 - idle) * f) * (t >= 0) * w).sum(axis=1)
        return out

    @cached_property
    def _battery(self) -> tuple[Floats, Floats, Floats]:
        text = next(iter(self.test["random"].values()))
        shift = self.draws.layers(f"{self.reading.name} cell")[:, None]
        u = (np.arange(SPEEDS) + shift) / SPEEDS
        volts = law(text).at(np.zeros(u.shape, dtype=np.intp), u)
        return volts, np.full((1, SPEEDS), 1 / SPEEDS), np.zeros((1, 1))

    @cached_property
    def _kicked(self) -> tuple[Floats, Floats, Floats]:
        """Volts of a kick at some speeds, their weights, and the chance of no useful turn."""
        if not self.cranked:
            even = np.ones((1, SPEEDS))
            return self.signal({"rpm": even}, 1), even / SPEEDS, np.zeros((1, 1))
        rpm, w = self.speeds(SPEEDS)
        idle = self.by_how(lambda way: way["no_turn"])[:, None]
        return self.signal({"rpm": rpm}, 1), w, idle

    def _caught(self, c: Floats) -> Floats:
        """P(share that is caught <= c), by way of cranking."""
        at = np.clip(c, 0.0, 1.0) * TABLE
        k = np.minimum(at.astype(np.intp), TABLE - 1)
        part = at - k
        weights = self.spec["capture"]["weight"]
        named = [
            weights[self.spec["cranking"][h]["capture"] if self._adapted else self.said("adapter")]
            for h in self.how[0]
        ]
        good, poor = self.bench.caught
        if len(set(named)) == 1:
            table = named[0] * good + (1 - named[0]) * poor
            return np.asarray(table[k] + part * (table[k + 1] - table[k]))
        w = np.array(named)[self.how[1]][:, None]
        f, g = (table[k] + part * (table[k + 1] - table[k]) for table in (good, poor))
        return np.asarray(w * f + (1 - w) * g)
