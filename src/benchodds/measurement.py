"""How readings arise: the likelihood of what was written, given quantities, gear and technique.

An :class:`Instrument` belongs to one test. It gives a table over the quantities the test
reads and the gear behind it, either for a reading that was taken (:meth:`likelihood`) or for
every outcome that could come (:meth:`predictive`). What was not said about a reading is
summed over here; what is shared between readings (operator, adapter, meter, leads) stays a
variable of the table, so that it is never counted twice.

Peak display, before rounding: ``y = h * max(0, c * V - V_d)`` with droop
``h = tau/T (1 - exp(-T/tau))``, ``tau = R_in C`` (mean over the meter's gate time of an RC
discharge), diode drop ``V_d`` and capture ``c`` in (0, 1]. Best of N kicks: ``F(y)**N`` given
speed factor and source, which the kicks share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from benchodds.errors import ReadingError, nearest
from benchodds.formula import Distribution, parse_distribution, parse_expression
from benchodds.gear import Bench
from benchodds.jobs import Technique
from benchodds.quantities import (
    Accuracy,
    Expect,
    Value,
    parse_accuracy,
    parse_impedance,
    parse_value,
    show,
    to_base,
)
from benchodds.system import Test
from benchodds.tables import Array, Table, Variable

OUTCOME = "outcome"
N_NOISE = 9
N_SOURCE = 120
NORMAL3 = (np.array([-math.sqrt(3.0), 0.0, math.sqrt(3.0)]), np.array([1 / 6, 2 / 3, 1 / 6]))


@dataclass(frozen=True)
class Outcome:
    """One thing a test could show: ``sign`` is +1 within the limit, -1 outside, 0 neither."""

    label: str
    sign: int


def droop(input_ohm: Array, hold_uf: Array, gate_s: float) -> Array:
    """Mean share of a held peak that a meter sees over its gate time: tau/T (1 - exp(-T/tau))."""
    tau = np.asarray(input_ohm) * np.asarray(hold_uf) * 1e-6
    return np.asarray(tau / gate_s * -np.expm1(-gate_s / tau))


class Instrument:
    """The reading model of one test on one machine variant and bench."""

    def __init__(
        self, name: str, test: Test, bench: Bench, variables: Mapping[str, Variable]
    ) -> None:
        self.name = name
        self.test = test
        self.bench = bench
        self.variables = variables
        self.slip = bench.slip.chance
        texts = [t for t in (test.signal, test.in_circuit) if t]
        used = {n: None for t in texts for n in parse_expression(t).names}
        self.quantities = tuple(n for n in used if n in variables)
        self.cranked = "rpm" in used
        low, high = (to_base(v, test.unit) for v in test.span) if test.span else (1e-3, 1e3)
        self.span = (low, high)
        self.limit_min = (
            to_base(test.limit.min, test.unit) if test.limit and test.limit.min else None
        )
        self.limit_max = (
            to_base(test.limit.max, test.unit) if test.limit and test.limit.max else None
        )

    # ---- what may be written -------------------------------------------------------------

    def expect(self) -> Expect:
        """What the reading parser needs to know about this test."""
        if self.test.kind == "look":
            return Expect(self.name, "", words=self.test.outcomes)
        if self.test.kind == "spark":
            return Expect(self.name, "", words=("none", "weak", "strong"), sparks=True)
        return Expect(self.name, self.test.unit, span=self.span)

    def parse(self, texts: Sequence[str]) -> tuple[Value, ...]:
        """Parse what was written; ReadingError when it cannot be this test's reading."""
        if not texts:
            raise ReadingError(
                f"no value given for {self.name}; write what it showed, or not-taken"
            )
        return tuple(parse_value(t, self.expect()) for t in texts)

    def sign(self, value: Value) -> int:
        """+1 when a bare comparison passes the value, -1 when it fails it, 0 when it cannot say."""
        if value.kind == "word":
            return (1 if value.word in self.test.passes else -1) if self.test.passes else 0
        if value.kind == "sparks":
            return {"strong": 1, "none": -1}.get(value.word or "", -1)
        if value.kind in ("number", "over-range"):
            number = math.inf if value.kind == "over-range" else value.number
            assert number is not None
            return self._sign(number, number)
        return 0

    def _sign(self, low: float, high: float) -> int:
        if self.limit_min is None and self.limit_max is None:
            return 0
        if self.limit_min is not None and low < self.limit_min:
            return -1
        if self.limit_max is not None and high > self.limit_max:
            return -1
        return 1

    # ---- a reading that was taken --------------------------------------------------------

    def likelihood(
        self, values: Sequence[Value], technique: Technique, hookup: str
    ) -> Table | None:
        """Likelihood of the written values; None when they say nothing (not taken, refused)."""
        values = [v for v in values if v.kind not in ("not-taken", "refused", "impossible")]
        if not values:
            return None
        match self.test.kind:
            case "peak":
                return self._peak(values, technique, hookup)
            case "meter":
                return self._meter(values, technique)
            case "spark":
                return self._spark_likelihood(values, technique)
        table = self._look()
        p = np.ones(table.p.shape[:-1])
        for value in values:
            column = table.p[..., self.test.outcomes.index(value.word or "")]
            p = p * column
        return Table(table.scope[:-1], p)

    def predictive(self, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        """All outcomes of a fresh reading and P(outcome | scope); outcome is the last axis.

        The hook-up of a fresh reading is summed over here.
        """
        match self.test.kind:
            case "peak":
                return self._peak_outcomes(technique)
            case "meter":
                return self._meter_outcomes(technique)
            case "spark":
                return self._spark_outcomes(technique)
        outcomes = tuple(
            Outcome(o, (1 if o in self.test.passes else -1) if self.test.passes else 0)
            for o in self.test.outcomes
        )
        return outcomes, self._look()

    # ---- shared pieces -------------------------------------------------------------------

    def _evaluate(
        self, text: str, extra: Mapping[str, Array], tail: int
    ) -> tuple[Array, list[int]]:
        """Evaluate an expression on the quantities' points.

        Returns an array with, for each quantity, one axis of states times sub-points, then
        ``tail`` axes that ``extra`` fills; and the numbers of sub-points.
        """
        n = len(self.quantities)
        inputs: dict[str, Array] = dict(extra)
        subs = []
        for i, name in enumerate(self.quantities):
            points = self.variables[name].points
            assert points is not None
            subs.append(points.shape[1])
            shape = [1] * (n + tail)
            shape[i] = points.size
            inputs[name] = points.reshape(shape)
        value = parse_expression(text)(inputs)
        full = [self.variables[q].size * k for q, k in zip(self.quantities, subs, strict=True)]
        target = (*full, *np.broadcast_shapes(*[np.shape(a)[n:] for a in extra.values()], ()))
        return np.broadcast_to(value, np.broadcast_shapes(value.shape, target)), subs

    def _average(self, p: Array, subs: list[int]) -> Array:
        """Average over the sub-points of every quantity axis."""
        shape: list[int] = []
        axes = []
        for i, k in enumerate(subs):
            shape += [self.variables[self.quantities[i]].size, k]
            axes.append(2 * i + 1)
        return np.asarray(p.reshape((*shape, *p.shape[len(subs) :])).mean(axis=tuple(axes)))

    def _random(self, lead: int, tail: int, n: int = 7) -> tuple[dict[str, Array], Array]:
        """Points of the test's own random inputs as one flat axis at ``lead``, and weights."""
        grids = [parse_distribution(t).points(n) for t in self.test.random.values()]
        weights = np.ones(1)
        axes: list[Array] = []
        for x, w in grids:
            axes = [np.repeat(a, len(x)) for a in axes]
            axes.append(np.tile(x, len(weights)))
            weights = np.multiply.outer(weights, w).ravel()
        shape = [1] * lead + [len(weights)] + [1] * tail
        return {k: a.reshape(shape) for k, a in zip(self.test.random, axes, strict=True)}, weights

    def _methods(self, technique: Technique) -> list[tuple[float, str]]:
        """Cranking methods with weights: the one said, or all of them."""
        known = self.bench.cranking
        if technique.how is not None:
            if technique.how not in known:
                raise ReadingError(
                    f"'{technique.how}' is not a way of cranking{nearest(technique.how, known)}"
                )
            return [(1.0, technique.how)]
        return [(m.share, name) for name, m in known.items() if m.share > 0]

    def _circuits(self, technique: Technique) -> list[tuple[float, str]]:
        """The signal unplugged as it should be, and left in circuit, with weights."""
        test = self.test
        if not test.in_circuit:
            return [(1.0, test.signal)]
        p = test.p_unplugged if technique.unplugged is None else float(technique.unplugged)
        return [(w, s) for w, s in ((p, test.signal), (1 - p, test.in_circuit)) if w > 0]

    def _accuracy(self, technique: Technique) -> Accuracy:
        default = {"V": self.bench.meter.dc_volts, "ohm": self.bench.meter.ohms}
        return parse_accuracy(
            technique.accuracy or default.get(self.test.unit, self.bench.meter.other)
        )

    def _resolution(self, number: float, technique: Technique) -> float:
        """Display step of the range that a reading was taken on."""
        if technique.range_top is not None:
            return technique.range_top / self.bench.meter.counts
        ranges = {"V": self.bench.meter.volt_ranges, "ohm": self.bench.meter.ohm_ranges}
        tops = [to_base(r, self.test.unit) for r in ranges.get(self.test.unit, ())]
        top = next((t for t in tops if t >= abs(number)), tops[-1] if tops else 0.0)
        return top / self.bench.meter.counts if top else abs(number) * 1e-3

    def _u(self, number: float, technique: Technique) -> float:
        """Standard uncertainty of a display from the meter's accuracy (JCGM 100, 4.3.7)."""
        step = self._resolution(number, technique)
        return max(self._accuracy(technique).standard_uncertainty(number, step), 1e-12)

    def _slip_chance(self, low: float, high: float) -> float:
        """Chance that a slip shows something in the cell: zero, or anything in the span."""
        bottom, top = max(self.span[0], 1e-9), self.span[1]
        p = self.bench.slip.zero if low <= 0.0 <= high else 0.0
        lo, hi = min(max(low, bottom), top), min(max(high, bottom), top)
        if hi > lo:
            p += (1 - self.bench.slip.zero) * math.log(hi / lo) / math.log(top / bottom)
        return max(p, 1e-9)

    # ---- peak voltage through an adapter -------------------------------------------------

    def _source_grid(self) -> Array:
        return np.asarray(np.geomspace(self.span[0] * 0.2, self.span[1] * 1.5, N_SOURCE))

    def _captured_cdf(self, signal: str, how: str, technique: Technique) -> Array:
        """P(captured source volts <= v) of one kick, axes (quantities..., operator, v)."""
        method = self.bench.cranking[how]
        hold = "max-hold" if technique.adapter == "max-hold" else "none"
        key = method.capture if technique.adapter not in ("none", "max-hold") else hold
        weight = self.bench.capture.weight[key]
        caught = Distribution(
            "mix",
            parts=(
                (weight, parse_distribution(self.bench.capture.good)),
                (1 - weight, parse_distribution(self.bench.capture.poor)),
            ),
        )
        rpm = parse_distribution(method.rpm)
        noise, w = rpm.gauss(N_NOISE)
        speed = self.variables["operator"].values
        n = len(self.quantities)
        extra, w_extra = self._random(n, 2, 5)
        extra = {**extra, "rpm": (speed[:, None] * noise).reshape([1] * (n + 1) + [len(speed), -1])}
        volts, subs = self._evaluate(signal, extra, 3)
        # Source volts are sorted onto a log grid; what is caught of each is then one product.
        v = self._source_grid()
        step = math.log(v[1] / v[0])
        place = np.log(np.maximum(volts, v[0] * 1e-6) / v[0]) / step
        place = np.clip(place, -1.0, len(v) - 1.0)
        low = np.minimum(np.floor(place).astype(np.intp), len(v) - 2)
        part = place - low
        weight = w_extra[:, None, None] * w
        lead = volts.shape[:n]
        n_lead, n_op = math.prod(lead), len(speed)
        row = (np.arange(n_lead)[:, None] * n_op + np.arange(n_op)).reshape(*lead, 1, n_op, 1)
        width = len(v) + 1  # one place more, below the grid, for no source at all
        base = row * width + low + 1
        full = np.broadcast_to(weight, base.shape)
        counts = np.bincount(base.ravel(), (full * (1 - part)).ravel(), n_lead * n_op * width)
        counts += np.bincount(base.ravel() + 1, (full * part).ravel(), n_lead * n_op * width)
        share = self._average(counts.reshape(*lead, n_op, width), subs)
        kernel = np.vstack([np.ones(len(v)), caught.cdf(np.minimum(v[None, :] / v[:, None], 1.0))])
        return method.no_turn + (1 - method.no_turn) * (share @ kernel)

    def _peak_cells(
        self, edges: Array, u: Array, technique: Technique
    ) -> tuple[list[tuple[float, Array]], Array, tuple[str, ...]]:
        """F(display <= edge) per kick for each (method, circuit), and F of a dead hook-up.

        Array axes: quantities..., [operator], adapter states that live, [input], edge.
        A meter that is off widens the display error; in a peak reading that is small beside
        speed and capture, so it is summed over here, per reading.
        """
        bench = self.bench
        residual = parse_distribution(self.test.residual or "Exp(0.001 V)", self.test.unit)
        f_dead = np.where(edges < 0, 0.0, residual.cdf(edges))
        adapterless = technique.adapter in ("none", "max-hold")
        hold = self.variables["adapter"].values[:-1]
        impedance = parse_impedance(technique.meter) if technique.meter else None
        said = impedance.at(technique.range_top) if impedance else None
        r_in = np.array([said]) if said else self.variables["input"].values
        h = droop(r_in[None, :], hold[:, None], to_base(bench.adapter.gate, "s"))
        drop = 0.0 if adapterless else to_base(bench.adapter.diode, "V")
        if adapterless or self.test.battery:
            h = np.ones_like(h)
        x3, w3 = NORMAL3
        off = np.hypot(u, bench.meter.bad_spread * np.abs(edges))
        errors = np.concatenate([np.multiply.outer(u, x3), np.multiply.outer(off, x3)], axis=1)
        weights = np.concatenate([(1 - bench.meter.bad) * w3, bench.meter.bad * w3])
        t = edges[:, None] + errors  # edge, error
        source = np.maximum(t, 0.0) / h[:, :, None, None] + drop
        source = np.where(t < 0, -1.0, source)  # adapter, input, edge, error
        names = (*self.quantities, *(() if self.test.battery else ("operator",)), "adapter")
        if self.test.battery:
            level = parse_distribution(next(iter(self.test.random.values())))
            f = np.where(source >= 0, level.cdf(source), 0.0) @ weights
            return [(1.0, f[:, 0])], f_dead, names
        v = self._source_grid()
        interpolation = _interpolation(v, source.reshape(-1))
        out = []
        for w_how, how in self._methods(technique):
            for w_circuit, signal in self._circuits(technique):
                f = self._captured_cdf(signal, how, technique)
                g = (f @ interpolation).reshape((*f.shape[:-1], *source.shape)) @ weights
                g = g * f_dead
                out.append((w_how * w_circuit, g[..., 0, :] if said else g))
        total = sum(w for w, _ in out)
        return [(w / total, g) for w, g in out], f_dead, (*names, *(() if said else ("input",)))

    def _with_gear(
        self, good: Array, dead: float | Array, names: tuple[str, ...], hookup: str | None
    ) -> Table:
        """Put the dead-adapter and bad-hook-up branches beside the good one.

        ``good`` has axes ``names`` (and perhaps outcomes last); ``dead`` is what shows then.
        """
        axis = names.index("adapter")
        shape = [n if i != axis else 1 for i, n in enumerate(good.shape)]
        good = np.concatenate([good, np.broadcast_to(dead, shape)], axis=axis)
        dead_full = np.broadcast_to(dead, good.shape)
        if hookup is None:
            bad = self.bench.hookup.bad
            return Table(names, (1 - bad) * good + bad * dead_full)
        return Table((*names, hookup), np.stack([good, dead_full], axis=-1))

    def _peak(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table:
        numbers = [v for v in values if v.kind == "number"]
        if any(v.kind not in ("number", "unstable") for v in values):
            raise ReadingError(f"{self.name} shows volts; write a number, not '{values[0].text}'")
        if not numbers:  # an unstable peak display says little: only that something is there
            numbers = [
                Value(
                    "number",
                    v.text,
                    number=v.high,
                    step=max((v.high or 0) - (v.low or 0), 0.01),
                    unit="V",
                )
                for v in values
                if v.high is not None
            ]
        y = np.array([v.number or 0.0 for v in numbers])
        r = np.array(
            [max(v.step or 0.0, self._resolution(v.number or 0.0, technique)) for v in numbers]
        )
        edges = np.stack([y - r / 2, y + r / 2], axis=1).ravel()
        u = np.repeat([self._u(float(n), technique) for n in y], 2)
        mixes, f_dead, names = self._peak_cells(edges, u, technique)
        counts = [1]
        if len(numbers) == 1 and not self.test.battery:
            counts = [technique.kicks] if technique.kicks else [1, 2, 3, 4, 5]
        good: Array = np.zeros(())
        dead = 0.0
        for n in counts:
            dead += float(np.prod(np.maximum(f_dead[1::2] ** n - f_dead[::2] ** n, 1e-12))) / len(
                counts
            )
            for w, f in mixes:
                cell = np.maximum(f[..., 1::2] ** n - f[..., ::2] ** n, 0.0)
                good = good + w / len(counts) * cell.prod(axis=-1)
        slip = float(np.prod([self._slip_chance(*e) for e in edges.reshape(-1, 2)]))
        good = (1 - self.slip) * good + self.slip * slip
        dead = (1 - self.slip) * dead + self.slip * slip
        return self._with_gear(good, dead, names, hookup)

    def _numeric_edges(self) -> Array:
        """Edges of planning bins: log spaced over the span, with the limits among them."""
        low, high = self.span
        marks = [m for m in (self.limit_min, self.limit_max) if m]
        points = [low, *[m for m in marks if low < m < high], high]
        edges: list[float] = []
        for a, b in zip(points, points[1:], strict=False):
            n = max(2, round(12 * math.log(b / a) / math.log(high / low)))
            edges += list(np.geomspace(a, b, n + 1)[:-1])
        return np.array([*edges, high])

    def _bin_outcomes(self, edges: Array) -> tuple[Outcome, ...]:
        unit = self.test.unit
        inner = [
            Outcome(f"{show(a, unit)} to {show(b, unit)}", self._sign(a, b))
            for a, b in zip(edges, edges[1:], strict=False)
        ]
        return (
            Outcome(f"below {show(edges[0], unit)}", self._sign(0.0, edges[0])),
            *inner,
            Outcome(f"above {show(edges[-1], unit)}", self._sign(edges[-1], edges[-1])),
        )

    def _peak_outcomes(self, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        edges = self._numeric_edges()
        u = np.array([self._u(float(e), technique) for e in edges])
        mixes, f_dead, names = self._peak_cells(edges, u, technique)
        n = 1 if self.test.battery else technique.kicks or 3
        f_good: Array = np.asarray(sum(w * f**n for w, f in mixes))
        good = _bins(f_good)
        dead = _bins(f_dead**n)
        outcomes = self._bin_outcomes(edges)
        slip = np.array(
            [
                self._slip_chance(a, b)
                for a, b in zip([-1.0, *edges], [*edges, self.span[1] * 10], strict=True)
            ]
        )
        slip = slip / slip.sum()
        good = (1 - self.slip) * good + self.slip * slip
        dead = (1 - self.slip) * dead + self.slip * slip
        table = self._with_gear(good, dead, names, None)
        return outcomes, Table((*table.scope, OUTCOME), table.p)

    # ---- meter: ohms, volts, amps --------------------------------------------------------

    def _shown(
        self, signal: str, technique: Technique
    ) -> tuple[Array, list[int], Array, tuple[str, ...]]:
        """Points of the true display, axes (quantity sub-points..., [leads], rest), weights."""
        n = len(self.quantities)
        extra, w = self._random(n + 1, 0, 5)
        if self.test.temperature != "none":
            x, wt = self._temperature(technique).gauss(3)
            extra = {k: np.repeat(a, len(x), axis=n + 1) for k, a in extra.items()}
            extra["temp_c"] = np.tile(x, len(w)).reshape([1] * (n + 1) + [-1])
            w = np.multiply.outer(w, wt).ravel()
        shown, subs = self._evaluate(signal, extra or {"_": np.zeros([1] * (n + 2))}, 2)
        names: tuple[str, ...] = ()
        if self.test.leads:
            leads = self.variables["leads"].values
            contact, wc = parse_distribution(self.bench.leads.contact).points(3)
            p_null = {"nulled": 1.0, "raw": 0.0}.get(
                technique.leads or "", self.bench.leads.nulled_share
            )
            # rest axis: (random and temperature) x (raw or nulled) x contact
            options = []
            if p_null < 1:
                options.append((leads[:, None] + contact, (1 - p_null) * wc))
            if p_null > 0:  # the error of nulling, 0.03 ohm, is far below the meter's own
                options.append((np.broadcast_to(contact, (len(leads), 3)), p_null * wc))
            offset = np.concatenate([o for o, _ in options], axis=1)
            w_off = np.concatenate([v for _, v in options])
            shown = shown[..., :, :, None] + offset[:, None, :]
            shown = shown.reshape((*shown.shape[:-2], -1))
            w = np.multiply.outer(w, w_off).ravel()
            names = ("leads",)
        else:
            shown = shown[..., 0, :]
        return shown, subs, w, names

    def _temperature(self, technique: Technique) -> Distribution:
        if technique.temp_c is not None:
            return Distribution("N", (technique.temp_c, self.bench.temperature["spread_when_said"]))
        return parse_distribution(self.bench.temperature[self.test.temperature])

    def _meter_parts(
        self, technique: Technique, edges: Array, u: Array, top: float | None
    ) -> tuple[Array, Array, tuple[str, ...]]:
        """F(display <= edge) on axes (quantities, [leads], meter, edge) and P(OL) without meter."""
        f: Array = np.zeros(())
        over: Array = np.zeros(())
        names: tuple[str, ...] = ()
        m = self.bench.meter
        spread = np.stack([u, np.hypot(u, m.bad_spread * np.abs(edges))])  # meter, edge
        for w_circuit, signal in self._circuits(technique):
            shown, subs, w, names = self._shown(signal, technique)
            z = (edges - shown[..., None, None]) / spread  # ..., rest, meter, edge
            p = np.einsum("...rme,r->...me", ndtr(z), w)
            f = f + w_circuit * self._average(p, subs)
            over = over + w_circuit * self._average(self._over(shown, top) @ w, subs)
        return f, over, (*self.quantities, *names)

    def _over(self, shown: Array, top: float | None) -> Array:
        """P(display shows OL | true value); without a range: auto range, or the fitting one."""
        m = self.bench.meter
        tops = (
            [to_base(r, self.test.unit) for r in m.ohm_ranges]
            if self.test.unit == "ohm"
            else [self.span[1]]
        )
        options = (
            [(1.0, top)]
            if top is not None
            else [
                (m.auto_range, tops[-1]),
                (
                    1 - m.auto_range,
                    next((t for t in tops if t >= 2 * (self.limit_max or self.span[1])), tops[-1]),
                ),
            ]
        )
        out: Array = np.zeros(shown.shape)
        for w, limit in options:
            out = out + w * np.where(shown > limit, m.over_range_when_open, m.over_range_by_contact)
        return out

    def _meter(self, values: Sequence[Value], technique: Technique) -> Table:
        m = self.bench.meter
        p: Array = np.ones(())
        names: tuple[str, ...] = ()
        n_unstable = sum(v.kind == "unstable" for v in values)
        for value in values:
            number = value.number or 0.0
            if value.kind == "number":
                r = max(value.step or 0.0, self._resolution(number, technique))
                edges = np.array([number - r / 2, number + r / 2])
                u = np.full(2, self._u(number, technique))
                f, over, names = self._meter_parts(technique, edges, u, technique.range_top)
                cell = (f[..., 1] - f[..., 0]) * (1 - m.over_range_by_contact)
                slip = self._slip_chance(*edges)
            elif value.kind == "over-range":
                top = value.range_top or technique.range_top
                _, over, names = self._meter_parts(technique, np.zeros(1), np.ones(1), top)
                cell, slip = over[..., None], 0.2
            elif value.kind == "unstable":
                _, over, names = self._meter_parts(technique, np.zeros(1), np.ones(1), None)
                cell, slip = np.ones_like(over)[..., None], 1.0
            else:
                raise ReadingError(
                    f"{self.name} cannot read '{value.text}'; write a number, OL or unstable"
                )
            p = p * ((1 - self.slip) * cell + self.slip * slip)
        if p.shape[-1] == 1:
            p = np.broadcast_to(p, (*p.shape[:-1], 2))
        table = Table((*names, "meter"), np.ascontiguousarray(p))
        steady = len(values) - n_unstable
        chance = np.array([m.unstable_good, m.unstable_bad])
        jitter = chance**n_unstable * (1 - chance) ** steady
        if self.test.jitter:
            return Table((*table.scope, self.test.jitter), table.p[..., None] * jitter)
        return Table(table.scope, table.p * jitter[0])

    def _meter_outcomes(self, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        m = self.bench.meter
        edges = self._numeric_edges()
        u = np.array([self._u(float(e), technique) for e in edges])
        f, over, names = self._meter_parts(technique, edges, u, technique.range_top)
        bins = _bins(f)
        bins = bins / bins.sum(-1, keepdims=True)
        over = over[..., None, None]
        p = np.concatenate(
            [bins * (1 - over), np.broadcast_to(over, (*bins.shape[:-1], 1))], axis=-1
        )
        slip = np.array(
            [
                self._slip_chance(a, b)
                for a, b in zip([-1.0, *edges], [*edges, self.span[1] * 10], strict=True)
            ]
            + [0.2]
        )
        p = (1 - self.slip) * p + self.slip * slip / slip.sum()
        outcomes = [*self._bin_outcomes(edges), Outcome("OL", self._sign(math.inf, math.inf))]
        scope = (*names, "meter")
        if self.test.jitter:
            chance = np.array([m.unstable_good, m.unstable_bad])
            p = p[..., None, :] * (1 - chance[:, None])
            p = np.concatenate([p, np.broadcast_to(chance[:, None], (*p.shape[:-1], 1))], axis=-1)
            outcomes.append(Outcome("unstable", -1))
            scope = (*scope, self.test.jitter)
        return tuple(outcomes), Table((*scope, OUTCOME), p)

    # ---- sparks over a gap ---------------------------------------------------------------

    def _spark_chances(self, technique: Technique) -> list[tuple[float, Array]]:
        """P(a spark is seen, per try) on axes (quantities..., [operator]) for each unknown."""
        need = parse_distribution(self.test.need, self.test.unit)
        mean, sd = need.args
        eye = self.bench.sparks
        lights = {technique.light: 1.0} if technique.light else dict(eye.light)
        out = []
        n = len(self.quantities)
        speed = self.variables["operator"].values
        for w_how, how in self._methods(technique) if self.cranked else [(1.0, "")]:
            extra, w_extra = self._random(n, 2, 5)
            no_turn = 0.0
            wn = np.ones(1)
            if self.cranked:
                method = self.bench.cranking[how]
                noise, wn = parse_distribution(method.rpm).gauss(N_NOISE)
                no_turn = method.no_turn
                extra = {
                    **extra,
                    "rpm": (speed[:, None] * noise).reshape([1] * (n + 1) + [len(speed), -1]),
                }
            for w_circuit, signal in self._circuits(technique):
                volts, subs = self._evaluate(signal, extra or {"_": np.zeros([1] * (n + 3))}, 3)
                jump = np.einsum(
                    "...ron,r,n->...o",
                    np.broadcast_to(
                        ndtr((volts - mean) / sd),
                        (*volts.shape[:n], len(w_extra), *volts.shape[n + 1 :]),
                    ),
                    w_extra,
                    wn,
                )
                jump = (1 - no_turn) * self._average(jump, subs)
                jump = jump if self.cranked else jump[..., 0]
                for light, w_light in lights.items():
                    if light not in eye.missed:
                        raise ReadingError(
                            f"'{light}' is not a light{nearest(str(light), eye.missed)}"
                        )
                    seen = jump * (1 - eye.missed[light]) + (1 - jump) * eye.imagined  # type: ignore[index]
                    out.append((w_how * w_circuit * w_light, seen))
        total = sum(w for w, _ in out)
        return [(w / total, p) for w, p in out]

    def _spark_scope(self) -> tuple[str, ...]:
        return (*self.quantities, *(("operator",) if self.cranked else ()))

    def _spark_likelihood(self, values: Sequence[Value], technique: Technique) -> Table:
        p: Array = np.zeros(())
        cured = 1.0
        chances = self._spark_chances(technique)
        sure = np.array(1 - self.bench.sparks.missed["shade"])
        for w, chance in chances:
            like: Array = np.ones(chance.shape)
            for value in values:
                like = like * _spark_words(value, chance)
            p = p + w * like
        for value in values:
            cured = cured * float(_spark_words(value, sure))
        d = self.test.disturb
        p = (1 - d) * p + d * cured
        return Table(self._spark_scope(), (1 - self.slip) * p + self.slip / 3)

    def _spark_outcomes(self, technique: Technique) -> tuple[tuple[Outcome, ...], Table]:
        n = self.test.tries
        sure = np.array(1 - self.bench.sparks.missed["shade"])
        d = self.test.disturb
        columns = []
        for word in ("none", "weak", "strong"):
            p = sum(w * _word_chance(word, c, n) for w, c in self._spark_chances(technique))
            p = (1 - d) * p + d * _word_chance(word, sure, n)
            columns.append((1 - self.slip) * p + self.slip / 3)
        outcomes = (Outcome("none", -1), Outcome("weak", -1), Outcome("strong", 1))
        return outcomes, Table((*self._spark_scope(), OUTCOME), np.stack(columns, axis=-1))

    # ---- looks ---------------------------------------------------------------------------

    def _look(self) -> Table:
        """P(outcome | components), outcomes combined as a noisy maximum in file order.

        Each fault present shows its own outcome, independently; the one listed latest is seen
        (noisy-MAX; Henrion 1987, Diez 1993).
        """
        outcomes = self.test.outcomes
        parts: dict[str, dict[str, Array]] = {}
        for fault, row in self.test.causes.items():
            component, _, mode = fault.partition(".")
            if component in self.variables:
                parts.setdefault(component, {})[mode] = np.array(
                    [row.get(o, 0.0) for o in outcomes]
                )
        base = np.cumsum([self.test.base.get(o, 0.0) for o in outcomes])
        names = tuple(parts)
        sizes = [self.variables[c].size for c in names]
        cumulative = np.broadcast_to(base, (*sizes, len(outcomes))).copy()
        for i, component in enumerate(names):
            shape = [1] * (len(names) + 1)
            rows = np.ones((sizes[i], len(outcomes)))
            for j, state in enumerate(self.variables[component].states):
                row = parts[component].get(state, parts[component].get("*") if j else None)
                if row is not None:
                    rows[j] = np.cumsum(row)
            shape[i], shape[-1] = sizes[i], len(outcomes)
            cumulative *= rows.reshape(shape)
        p = np.diff(cumulative, axis=-1, prepend=0.0)
        p = (1 - self.slip) * p + self.slip / len(outcomes)
        return Table((*names, OUTCOME), p)


def _interpolation(grid: Array, x: Array) -> Array:
    """Matrix that interpolates a function on ``grid`` (log spaced) at ``x``; 0 for x < 0.

    Above the grid the function is taken as 1 by its last point; below it as 0 times.
    """
    logs = np.log(grid)
    position = np.interp(np.log(np.maximum(x, 1e-300)), logs, np.arange(len(grid)))
    low = np.clip(position.astype(int), 0, len(grid) - 2)
    part = position - low
    out = np.zeros((len(grid), len(x)))
    columns = np.arange(len(x))
    out[low, columns] = 1 - part
    out[low + 1, columns] += part
    out[:, x < 0] = 0.0
    return out


def _bins(cdf: Array) -> Array:
    """Bin probabilities from a distribution function at edges, tails included."""
    zero = np.zeros((*cdf.shape[:-1], 1))
    return np.asarray(
        np.maximum(np.diff(np.concatenate([zero, cdf, zero + 1.0], axis=-1), axis=-1), 0.0)
    )


def _spark_words(value: Value, chance: Array) -> Array:
    """Likelihood of a spark count, or of a bare word over 3, 5 or 10 tries."""
    if value.hits is not None and value.tries is not None:
        n, k = value.tries, value.hits
        return np.asarray(math.comb(n, k) * chance**k * (1 - chance) ** (n - k))
    word = value.word or "weak"
    return np.asarray(sum(_word_chance(word, chance, n) for n in (3, 5, 10)) / 3)


def _word_chance(word: str, chance: Array, n: int) -> Array:
    """P(none) = 0 sparks, P(strong) = at least 9 in 10, P(weak) = the rest, of n tries."""
    none = (1 - chance) ** n
    least = math.ceil(0.9 * n)
    strong = sum(math.comb(n, k) * chance**k * (1 - chance) ** (n - k) for k in range(least, n + 1))
    return np.asarray(
        {"none": none, "strong": strong}.get(word, np.maximum(1 - none - strong, 1e-9))
    )
