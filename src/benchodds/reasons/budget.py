"""The uncertainty budget of one reading, in the style of the GUM (JCGM 100:2008, clauses 4 and 5).

Every contribution is what one influence alone does to the display, the others held at their
ideal: its mean shift and standard uncertainty in the reading's unit, from the distributions of
the measurement model itself. Latents (operator, adapter, leads, hook-up) have the distributions
that the readings of the job leave them. The contributions of a peak reading multiply
rather than add, so their root-sum-square is a guide to size, not the model's own spread.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_impedance
from benchodds.basics.quantities import Value, to_base
from benchodds.basics.tables import Array
from benchodds.infer.assess import Machine, Taken
from benchodds.measure.instrument import Instrument
from benchodds.measure.peak import PeakInstrument, droop
from benchodds.model.jobs import Technique
from benchodds.reasons.conformance import combined_uncertainty, u_rectangular

Direction = Literal["can only lower", "can only raise", "either way"]
N_POINTS = 60
"""Points that stand for a continuous influence."""

Effect = tuple[Array, Array]
"""Changes of the display, with their probabilities."""


@dataclass(frozen=True)
class Contribution:
    """One influence on the display: direction, mean shift and standard uncertainty, share."""

    name: str
    direction: Direction
    shift: float
    u: float
    share: float
    """Share of the sum of squares, 0 to 1."""


@dataclass(frozen=True)
class Budget:
    """All influences on one reading, the largest first.

    ``nominal`` is what an ideal reading would show, and ``of`` says of what: a part just at
    its limit, the reading itself, or a sound machine.
    """

    nominal: float
    of: str
    unit: str
    contributions: tuple[Contribution, ...]

    @property
    def shift(self) -> float:
        """Sum of the mean shifts."""
        return math.fsum(c.shift for c in self.contributions)

    @property
    def combined(self) -> float:
        """Root of the sum of squares of the standard uncertainties (5.1.2)."""
        return combined_uncertainty([c.u for c in self.contributions])


def budget(
    machine: Machine, taken: Taken, typical: Mapping[str, float], gear: Mapping[str, Array]
) -> Budget | None:
    """The budget of a reading; None when no number stands behind it (a look, OL).

    Parameters
    ----------
    typical
        Value of each quantity of the test in a sound machine, by name.
    gear
        Posterior of ``operator``, ``adapter``, ``input``, ``leads``, ``meter`` and of the
        reading's hook-up (where it has one), given the job.
    """
    tool = machine.instrument(taken.reading.test)
    values = [v for v in taken.values if v.kind in ("number", "unstable", "sparks")]
    if not values:
        return None
    match tool.test.kind:
        case "peak":
            assert isinstance(tool, PeakInstrument)
            return _Peak(machine, tool, taken, typical, gear).budget(values)
        case "meter":
            return _meter(machine, tool, taken.technique, values[0], typical, gear)
        case "spark":
            return _sparks(machine, tool, taken.technique, values[0], typical, gear)
    return None


def _made(nominal: float, of: str, unit: str, effects: Mapping[str, Effect]) -> Budget:
    rows = []
    for name, (change, p) in effects.items():
        p = p / p.sum()
        shift = float(change @ p)
        u = math.sqrt(max(0.0, float((change - shift) ** 2 @ p)))
        least = 1e-9 * max(abs(nominal), 1e-12)
        down, up = bool((change[p > 0] < -least).any()), bool((change[p > 0] > least).any())
        if not (down or up):
            continue
        direction: Direction = (
            "either way" if down and up else "can only lower" if down else "can only raise"
        )
        rows.append((name, direction, shift, u))
    total = math.fsum(u * u for *_, u in rows) or 1.0
    rows.sort(key=lambda r: -r[3])
    return Budget(
        nominal, of, unit, tuple(Contribution(n, d, s, u, u * u / total) for n, d, s, u in rows)
    )


def _best_of(values: Array, p: Array, counts: Sequence[int]) -> Effect:
    """The largest of N draws, N equally likely one of ``counts`` (order statistics: F^N)."""
    order = np.argsort(values, kind="stable")
    f = np.minimum(np.cumsum(p[order]) / p.sum(), 1.0)
    share = np.mean([np.diff(f**n, prepend=0.0) for n in counts], axis=0)
    return values[order], np.asarray(share)


def _outer(*parts: Effect) -> tuple[list[Array], Array]:
    """All combinations of independent influences: their values, flattened, and weights."""
    grids = np.meshgrid(*[x for x, _ in parts], indexing="ij")
    weights = np.meshgrid(*[w for _, w in parts], indexing="ij")
    return [g.ravel() for g in grids], np.asarray(np.prod(weights, axis=0)).ravel()


def _accuracy(
    tool: Instrument, value: Value, technique: Technique, off: float
) -> dict[str, Effect]:
    """Meter accuracy (rectangular; and the chance that the meter is off) and rounding."""
    u, step = tool.display_uncertainty(value, technique)
    spread = tool.bench.meter.bad_spread * abs(value.number or 0.0)
    size = math.sqrt(u * u + off * spread * spread)
    half = np.array([-1.0, 1.0])
    even = np.array([0.5, 0.5])
    return {
        "meter accuracy": (half * size, even),
        "rounding": (half * u_rectangular(step / 2), even),
    }


class _Peak:
    """Influences on a peak, for a source that stands just at its limit."""

    def __init__(
        self,
        machine: Machine,
        tool: PeakInstrument,
        taken: Taken,
        typical: Mapping[str, float],
        gear: Mapping[str, Array],
    ) -> None:
        self.machine, self.tool, self.taken, self.gear = machine, tool, taken, gear
        self.technique = taken.technique
        self.inputs: dict[str, float] = {**typical, **_medians(tool)}
        limit = tool.test.limit
        self.drop = 0.0
        if self.technique.adapter not in ("none", "max-hold"):
            self.drop = to_base(machine.bench.adapter.diode, "V")
        self.displayed = bool(limit and limit.displayed)
        self.nominal = tool.limit_min or tool.limit_max or 0.0
        self.source = self.nominal + (self.drop if self.displayed else 0.0)
        self.held = self.source - self.drop
        if limit and limit.measurand and self.nominal:
            self._put_at_limit(limit.measurand)

    def _put_at_limit(self, measurand: str) -> None:
        """Scale the quantity the limit is about until the measurand equals the limit."""
        expression = parse_expression(measurand)
        main = next((n for n in expression.names if n in self.tool.quantities), None)
        if main is None:
            return
        points = self.machine.variables[main].points
        assert points is not None
        finite = points[np.isfinite(points) & (points > 0)]

        def excess(x: float) -> float:
            return float(expression({**self.inputs, main: x})) - self.nominal

        self.inputs[main] = _root(excess, float(finite.min()), float(finite.max()))

    def signal(self, name: str, at: Array) -> Array:
        """Source volts when one input takes the given values."""
        values = parse_expression(self.tool.test.signal)({**self.inputs, name: at})
        return np.broadcast_to(values, at.shape)

    def budget(self, values: Sequence[Value]) -> Budget:
        best = max(values, key=lambda v: v.number or v.high or 0.0)
        numbers = sum(v.kind == "number" for v in values)
        said = self.tool.options(self.taken.values, self.technique).get("kicks")
        counts = [t.kicks or 1 for _, t in said] if said else [self.technique.kicks or numbers or 1]
        effects: dict[str, Effect] = {}
        if self.tool.test.battery:
            name, text = next(iter(self.tool.test.random.items()))
            x, w = parse_distribution(text).points(N_POINTS)
            self.nominal = self.source = float(x @ w)
            self.held = self.source - self.drop
            effects[name] = (x - self.source, w)
            counts = [1]
        else:
            effects |= self._cranking(counts)
            effects["droop"] = self._droop()
        if not self.displayed and self.drop:
            effects["diode"] = (np.array([-self.drop]), np.ones(1))
        effects["adapter or hook-up"] = self._lost()
        effects |= _accuracy(self.tool, best, self.technique, 1 - float(self.gear["meter"][0]))
        of = _("a fresh battery") if self.tool.test.battery else _("a source just at its limit")
        return _made(self.nominal, of, self.tool.test.unit, effects)

    def _lost(self) -> Effect:
        """What a dead adapter, a poor or a bad hook-up takes away."""
        adapted = self.technique.adapter not in ("none", "max-hold")
        dead = float(self.gear["adapter"][-1]) if adapted else 0.0
        ok, poor, bad = self.gear.get(self.taken.hookup, np.array([1.0, 0.0, 0.0]))
        share, w = parse_distribution(self.machine.bench.hookup.poor_share).points(N_POINTS)
        change = np.concatenate([[0.0, -1.0], share - 1.0]) * self.held
        return change, np.concatenate([[ok * (1 - dead), bad + (1 - bad) * dead], w * poor])

    def _cranking(self, counts: Sequence[int]) -> dict[str, Effect]:
        """Speed of the best kick, and share of the peak that is caught."""
        bench = self.machine.bench
        shares = [(m.share, name) for name, m in bench.cranking.items() if m.share > 0]
        ways = [(1.0, self.technique.how)] if self.technique.how else shares
        factor = self.machine.variables["operator"].values
        speed: list[Effect] = []
        caught: list[Effect] = []
        for w_how, how in ways:
            law = bench.cranking[how]
            rpm, w = parse_distribution(law.rpm).points(N_POINTS)
            rpm, w = np.append(0.0, rpm), np.append(law.no_turn, (1 - law.no_turn) * w)
            for s, p in (
                zip(factor, self.gear["operator"], strict=True) if self.tool.cranked else ()
            ):
                v, share = _best_of(self.signal("rpm", s * rpm) - self.source, w, counts)
                speed.append((v, w_how * p * share))
            c, share = _best_of(*self.tool.capture(how, self.technique).points(N_POINTS), counts)
            caught.append((self.source * (c - 1.0), w_how * share))
        out = {"capture": _together(caught)}
        if self.tool.cranked:
            return {"speed": _together(speed), **out}
        for key, (x, w) in _spread_inputs(self.tool, self.inputs).items():
            v = self.signal(key, x)
            out[key] = (v - float(np.median(v)), w)
        return out

    def _droop(self) -> Effect:
        if self.technique.adapter in ("none", "max-hold"):
            return np.zeros(1), np.ones(1)
        hold = self.machine.variables["adapter"].values[:-1]
        impedance = parse_impedance(self.technique.meter) if self.technique.meter else None
        said = impedance.at(self.technique.range_top) if impedance else None
        ohm = self.machine.variables["input"].values if said is None else np.array([said])
        w_ohm = self.gear["input"] if said is None else np.ones(1)
        (c, r), w = _outer((hold, self.gear["adapter"][:-1]), (ohm, w_ohm))
        gate = to_base(self.machine.bench.adapter.gate, "s")
        return self.held * (droop(r, c, gate) - 1.0), w


def _together(parts: Sequence[Effect]) -> Effect:
    return np.concatenate([x for x, _ in parts]), np.concatenate([w for _, w in parts])


def _root(f: object, low: float, high: float) -> float:
    """Root of an increasing function by bisection on a log scale; the nearer end if none."""
    assert callable(f)
    if f(low) >= 0 or f(high) <= 0:
        return low if f(low) >= 0 else high
    for _halving in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if f(middle) < 0 else (low, middle)
    return math.sqrt(low * high)


def _medians(tool: Instrument) -> dict[str, float]:
    """Median of every random input of a test."""
    out = {}
    for key, text in tool.test.random.items():
        x, _ = parse_distribution(text).points(N_POINTS)
        out[key] = float(np.median(x))
    return out


def _spread_inputs(tool: Instrument, names: Container[str]) -> dict[str, Effect]:
    """Points of the random inputs that an expression uses."""
    return {
        key: parse_distribution(text).points(N_POINTS)
        for key, text in tool.test.random.items()
        if key in names
    }


def _meter(
    machine: Machine,
    tool: Instrument,
    technique: Technique,
    value: Value,
    typical: Mapping[str, float],
    gear: Mapping[str, Array],
) -> Budget:
    """Influences on a steady reading, at the value that it showed."""
    number = value.number if value.number is not None else (value.high or 0.0)
    shown = Value("number", value.text, number=number, step=value.step, unit=value.unit)
    effects = _accuracy(tool, shown, technique, 1 - float(gear["meter"][0]))
    bench, test = machine.bench, tool.test
    said = tool.options([shown], technique)
    if test.leads:
        raw = sum(w for w, t in said["leads"] if t.leads == "raw") if "leads" in said else None
        raw = float(technique.leads == "raw") if raw is None else raw
        ohm = machine.variables["leads"].values
        effects["leads"] = (np.append(0.0, ohm), np.append(1 - raw, raw * gear["leads"]))
        effects["contact"] = parse_distribution(bench.leads.contact).points(N_POINTS)
    full = parse_expression(test.signal)
    inputs = {**typical, **_medians(tool), "temp_c": 20.0}
    cold = float(full(inputs))
    finite = math.isfinite(cold)
    scale = number / cold if finite and cold > 0 else 1.0
    for key, (x, w) in _spread_inputs(tool, full.names).items() if finite else ():
        effects[key] = (scale * (full({**inputs, key: x}) - cold), w)
    if test.temperature != "none" and finite:
        options = said.get("temp_c") or [(1.0, technique)]
        temp = np.array([t.temp_c for _, t in options], dtype=float)
        spread = bench.temperature["spread_when_said"]
        (t, more), w = _outer(
            (temp, np.array([w for w, _ in options])),
            (np.array([-spread, spread]), np.array([0.5, 0.5])),
        )
        effects["temperature"] = (scale * (full({**inputs, "temp_c": t + more}) - cold), w)
    if test.in_circuit and technique.unplugged is not True:
        p_in = 1.0 if technique.unplugged is False else 1 - test.p_unplugged
        parallel = parse_expression(test.in_circuit)
        only_there = [k for k in parallel.names if k in test.random and k not in full.names]
        # Beside the value shown, not beside a sound part: a parallel path matters by ratio.
        at: dict[str, object] = {**inputs, **dict.fromkeys(tool.quantities, number)}
        x, w = np.zeros(1), np.ones(1)
        if only_there:
            x, w = parse_distribution(test.random[only_there[0]]).points(N_POINTS)
            at[only_there[0]] = x
        change = np.minimum(np.broadcast_to(parallel(at), x.shape) - number, 0.0)
        effects["parallel path"] = (np.append(0.0, change), np.append(1 - p_in, p_in * w))
    return _made(number, _("the reading"), test.unit, effects)


def _sparks(
    machine: Machine,
    tool: Instrument,
    technique: Technique,
    value: Value,
    typical: Mapping[str, float],
    gear: Mapping[str, Array],
) -> Budget:
    """Influences on a count of sparks, for a sound machine."""
    bench, test = machine.bench, tool.test
    tries = value.tries or test.tries
    mean, sd = parse_distribution(test.need, test.unit).args
    said = tool.options([value], technique)
    ways = [(w, str(t.how)) for w, t in said["how"]] if "how" in said else [(1.0, technique.how)]
    volts: list[Effect] = []
    for w_how, how in ways:
        law = bench.cranking[str(how)] if tool.cranked else None
        rpm, w = parse_distribution(law.rpm).points(N_POINTS) if law else (np.ones(1), np.ones(1))
        (s, n), p = _outer((machine.variables["operator"].values, gear["operator"]), (rpm, w))
        at = {**typical, **_medians(tool), "rpm": s * n}
        volts.append((np.broadcast_to(parse_expression(test.signal)(at), p.shape), w_how * p))
    v, w = _together(volts)
    jump = scipy.special.ndtr((v - mean) / sd)
    p_jump = float(jump @ w / w.sum())
    said_light = said.get("light") or [(1.0, technique)]
    misses = {str(light): p for light, p in bench.sparks.missed.items()}
    missed = math.fsum(x * misses[str(t.light)] for x, t in said_light)
    imagined = bench.sparks.imagined
    chance = math.sqrt(tries * p_jump * (1 - p_jump))
    wrong = tries * (p_jump * missed * (1 - missed) + (1 - p_jump) * imagined * (1 - imagined))
    eye = tries * ((1 - p_jump) * imagined - p_jump * missed)
    even = np.array([0.5, 0.5])
    both = np.array([-1.0, 1.0])
    name = "speed" if tool.cranked else "voltage"
    effects: dict[str, Effect] = {
        name: (tries * (jump - 1.0), w),
        "gap spread": (both * chance, even),
        "eye": (eye + both * math.sqrt(wrong), even),
    }
    if value.hits is None:  # a word is a class of counts: weak 1/10 to 9/10, strong 9/10 and up
        wide = {"weak": 0.4, "strong": 0.05}.get(value.word or "", 0.0)
        effects["counting"] = (both * u_rectangular(wide * tries), even)
    return _made(
        float(tries), _("a sound machine, sparks of {tries}").format(tries=tries), "sparks", effects
    )
