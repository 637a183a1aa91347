"""Steady meter readings: ohms, volts, amps, with leads, contact, temperature and OL.

Display before rounding: ``mu = R20 (234.5 + T)/254.5 + R_lead + R_contact`` for copper
(IEC 60028); the likelihood of a shown value is that of its rounding cell,
``Phi((y + r/2 - mu)/u) - Phi((y - r/2 - mu)/u)``. OL is a right-censored value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from benchodds.basics.distributions import Distribution, parse_distribution
from benchodds.basics.errors import ReadingError
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.basics.quantities import Value, to_base
from benchodds.basics.tables import Array, Table
from benchodds.measure.display import below, sd_of, squares
from benchodds.measure.grids import rule
from benchodds.measure.instrument import BEEPS, OUTCOME, Instrument, Outcome, bins
from benchodds.model.jobs import Technique

MOST_POINTS = {0: 1, 1: 41, 2: 9, 3: 7}
"""Points of each random input of a test, by the number of inputs (3 or more alike)."""
FIXED = ("const", "mix")
NORMAL = ("N", "band")
N_CONTACT = 5
N_BEEP, BEEP_WIDTH = 15, 0.1
"""Points of the threshold of a beeper, and the width of each, as a part of it."""
AT_ONCE = 500_000
"""Most chances worked out at once, to bound memory."""


class MeterInstrument(Instrument):
    """A steady reading of a meter."""

    def parse(self, texts: Sequence[str]) -> tuple[Value, ...]:
        """Parse what was written; two readings of a drop that are the battery's own volts are
        asked about, as they may be those at the two ends."""
        values = super().parse(texts)
        bare = [v for v in values if self.is_whole(v) and v.text[-1:].isdigit()]
        if len(values) == len(bare) == 2 and bare[0].number != bare[1].number:
            low, high = (v.text for v in sorted(bare, key=lambda v: v.number or 0.0))
            raise ReadingError(
                _(
                    "{high} and {low} for {test} are the battery's volts: write {high}-{low} when "
                    "they are the volts at the two ends, or {high}V and {low}V when both were read "
                    "over the path, which is open then"
                ).format(high=high, low=low, test=self.name)
            )
        return values

    def is_whole(self, value: Value) -> bool:
        """Whether a drop, read in one, is about all the volts that there are."""
        number = value.number if self.test.between and value.high is None else None
        return number is not None and number > self.span[1] / 2

    def sign(self, value: Value) -> int:
        """As of every reading; a beeper fails a limit that is far from its threshold."""
        if value.word not in BEEPS:
            return super().sign(value)
        ohms, _weights = parse_distribution(self.bench.meter.beep).points(N_BEEP)
        if value.word == BEEPS[0]:
            return -1 if self.limit_min is not None and self.limit_min > ohms.max() else 0
        return -1 if self.limit_max is not None and self.limit_max < ohms.min() else 0

    def display_uncertainty(self, value: Value, technique: Technique) -> tuple[float, float]:
        """As of every reading. In a drop from the volts at both ends the meter's gain is common
        to these; what it adds, its rounding, and how far the volts move between the two looks
        are not: sqrt(2) times those of one (JCGM 100:2008, 5.1.2)."""
        if value.kind != "number" or value.high is None:
            return super().display_uncertainty(value, technique)
        digit, top = self._resolution(value.high, technique), technique.range_top
        exact = self._accuracy(technique)
        added = exact.standard_uncertainty(0.0, digit, top)
        gain = exact.standard_uncertainty(value.number or 0.0, digit, top) - added
        moved = to_base(self.test.between, self.test.unit)
        step = math.sqrt(2) * max(value.step or 0.0, digit)
        return math.hypot(math.sqrt(2) * math.hypot(added, moved), gain), step

    def _shown(
        self, signal: str, technique: Technique
    ) -> tuple[Array, list[Array], Array, tuple[str, ...]]:
        """True display at the nodes, axes (quantities..., [leads], rest), and weights of the rest.

        Between them, widths: how far the display moves over the reach of a node, or to the next
        point of a random input. The widest of these, the variance that random inputs have beside
        their points, and that of the reaches of all nodes, which is not the display's own.
        """
        n = len(self.quantities)
        laws = {k: parse_distribution(t) for k, t in self.test.random.items()}
        if self.test.temperature != "none":
            laws["temp_c"] = self._temperature(technique)
        added = self._added(signal, laws)
        moving = sum(k not in added and law.kind not in FIXED for k, law in laws.items())
        rules = {
            k: (np.array([law.mean()]), np.ones(1))
            if k in added
            else rule(law, MOST_POINTS[min(moving, 3)])
            for k, law in laws.items()
        }
        m = len(rules)
        extra = {}
        for i, (key, (x, _w)) in enumerate(rules.items()):
            shape = [1] * (n + m)
            shape[n + i] = len(x)
            extra[key] = x.reshape(shape)
        shown = self._at_nodes(signal, extra, m)
        widths = [self._width(signal, extra, m, axis) for axis in range(n)]
        with np.errstate(invalid="ignore"):
            between = [
                np.gradient(shown, axis=n + i)
                for i, key in enumerate(rules)
                if key not in added and laws[key].kind not in FIXED
            ]
            own = [
                self._at_nodes(signal, {**extra, k: extra[k] + sd_of(laws[k])}, m) - shown
                for k in added
            ]
        wide = np.zeros(shown.shape)
        for width in (*widths, *between):
            wide = np.maximum(wide, np.abs(np.where(np.isfinite(width), width, 0.0)))
        beside = squares(shown.shape, between) / 12.0 + squares(shown.shape, own)
        spans = [wide, beside, squares(shown.shape, widths) / 12.0]
        w = np.ones(1)
        for _x, weights in rules.values():
            w = np.multiply.outer(w, weights).ravel()
        lead = shown.shape[:n]
        spans = [x.reshape(*lead, -1) for x in spans]
        shown = shown.reshape(*lead, -1)
        names: tuple[str, ...] = ()
        if self.test.leads:
            leads = self.variables["leads"].values
            contact, wc = parse_distribution(self.bench.leads.contact).points(N_CONTACT)
            p_null = {"nulled": 1.0, "raw": 0.0}.get(
                technique.leads or "", self.bench.leads.nulled_share
            )
            # rest axis: (random and temperature) x (raw or nulled) x contact
            options = []
            if p_null < 1:
                options.append((leads[:, None] + contact, (1 - p_null) * wc))
            if p_null > 0:  # the error of nulling, 0.03 ohm, is far below the meter's own
                options.append((np.broadcast_to(contact, (len(leads), N_CONTACT)), p_null * wc))
            offset = np.concatenate([o for o, _ in options], axis=1)
            w_off = np.concatenate([v for _, v in options])
            shown = shown[..., None, :, None] + offset[:, None, :]
            full = (*shown.shape[:-2], -1)
            spans = [
                np.broadcast_to(a[..., None, :, None], shown.shape).reshape(full) for a in spans
            ]
            shown = shown.reshape(full)
            w = np.multiply.outer(w, w_off).ravel()
            names = ("leads",)
        return shown, spans, w, names

    def _added(self, signal: str, laws: Mapping[str, Distribution]) -> list[str]:
        """Normal inputs that only add to the display, whatever else holds.

        Where the signal is a straight line in them, their spread joins that of the meter: exact.
        """
        n, m = len(self.quantities), len(laws)
        middle = {k: np.full([1] * (n + m), law.mean()) for k, law in laws.items()}
        for i, (k, law) in enumerate(laws.items()):
            if law.kind not in NORMAL:
                x = law.points(3)[0]
                middle[k] = x.reshape([-1 if j == n + i else 1 for j in range(n + m)])
        added: list[str] = []
        with np.errstate(invalid="ignore"):
            for k, law in laws.items():
                if law.kind not in NORMAL:
                    continue
                far = {j: middle[j] + 3 * sd_of(laws[j]) for j in (*added, k)}
                near = {j: middle[j] - 3 * sd_of(laws[j]) for j in (*added, k)}
                ends = [self._at_nodes(signal, {**middle, **x}, m) for x in (far, near)]
                steps = [
                    self._at_nodes(signal, {**middle, j: far[j]}, m)
                    - self._at_nodes(signal, middle, m)
                    for j in far
                ]
                bent = np.abs(ends[0] - ends[1] - 2 * sum(steps))
                bent = bent + np.abs(ends[0] + ends[1] - 2 * self._at_nodes(signal, middle, m))
                size = np.abs(ends[0]) + np.abs(ends[1])
                if not (bent > 1e-9 * size)[np.isfinite(bent)].any():
                    added.append(k)
        return added

    def _at_nodes(
        self, signal: str, extra: Mapping[str, Array], tail: int, axis: int = -1, end: int = 0
    ) -> Array:
        """The signal at the nodes; along one axis, if given, at one end of their reach."""
        n = len(self.quantities)
        expression = parse_expression(signal)
        inputs: dict[str, Array] = dict(extra)
        full = []
        for i, name in enumerate(self.quantities):
            points = self.variables[name].points
            assert points is not None
            shape = [1] * (n + tail)
            shape[i] = len(points)
            x = points[:, end] if i == axis else self.variables[name].values
            inputs[name] = x.reshape(shape)
            full.append(len(points) if name in expression.names else 1)
        self._check_size(full)
        rest = np.broadcast_shapes(*[a.shape for a in extra.values()], (1,) * (n + tail))
        return np.broadcast_to(expression(inputs), (*full, *rest[n:]))

    def _width(self, signal: str, extra: Mapping[str, Array], tail: int, axis: int) -> Array:
        """How far the signal moves over the reach of the nodes along one axis."""
        low, high = (self._at_nodes(signal, extra, tail, axis, end) for end in (0, -1))
        points = self.variables[self.quantities[axis]].points
        assert points is not None
        n = points.shape[1]  # they stand for n parts of it, and their ends are n - 1 apart
        with np.errstate(invalid="ignore"):
            return np.asarray((high - low) * (n / max(n - 1, 1)))

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
        gain, width = self._gains()
        edges, u = edges / gain, u / gain  # meter, edge: what a true meter would show
        spread = np.hypot(u, width * np.abs(edges))
        for w_circuit, signal in self._circuits(technique):
            shown, spans, w, names = self._shown(signal, technique)
            step = max(1, AT_ONCE // (len(gain) * shown.size))
            parts = [
                np.einsum("...rme,r->...me", below(edges[:, e], shown, spans, spread[:, e]), w)
                for e in (slice(i, i + step) for i in range(0, edges.shape[1], step))
            ]
            p = np.concatenate(parts, axis=-1)
            f = f + w_circuit * p
            over = over + w_circuit * (self._over(shown, top) @ w)
        return f, over, (*self.quantities, *names)

    def _gains(self) -> tuple[Array, Array]:
        """Gain of the meter in each of its states, and the spread left within it, columns."""
        gain, _share = self.bench.meter.off
        width = np.full(len(gain), self.bench.meter.gain_spread)
        return np.append(1.0, gain)[:, None], np.append(0.0, width)[:, None]

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

    def _likelihood(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table:
        m = self.bench.meter
        p: Array = np.ones(())
        names: tuple[str, ...] = ()
        n_unstable = sum(v.kind == "unstable" for v in values)
        for value in values:
            number = value.number or 0.0
            if value.kind == "number":
                error, r = self.display_uncertainty(value, technique)
                edges, u = np.array([number - r / 2, number + r / 2]), np.full(2, error)
                f, over, names = self._meter_parts(technique, edges, u, technique.range_top)
                cell = np.maximum(f[..., 1] - f[..., 0], 0.0) * (1 - m.over_range_by_contact)
                slip = self.slipped.p(*edges)
            elif value.kind == "over-range":
                top = value.range_top or technique.range_top
                _shown, over, names = self._meter_parts(technique, np.zeros(1), np.ones(1), top)
                cell, slip = over[..., None], 0.2
            elif value.kind == "unstable":
                _shown, over, names = self._meter_parts(technique, np.zeros(1), np.ones(1), None)
                cell, slip = np.ones_like(over)[..., None], 1.0
            elif value.word in BEEPS:
                edges, weights = parse_distribution(m.beep).points(N_BEEP)
                f, _over, names = self._meter_parts(technique, edges, edges * BEEP_WIDTH, None)
                heard = f @ weights
                cell, slip = (heard if value.word == BEEPS[0] else 1 - heard), 0.5
            else:
                raise ReadingError(
                    _("{test} cannot read '{text}'; write a number, OL or unstable").format(
                        test=self.name, text=value.text
                    )
                )
            p = p * ((1 - self.slip) * cell + self.slip * slip)
        if p.shape[-1] == 1:
            p = np.broadcast_to(p, (*p.shape[:-1], self.variables["meter"].size))
        table = Table((*names, "meter"), np.ascontiguousarray(p))
        steady = len(values) - n_unstable
        chance = np.array([m.unstable_good, m.unstable_bad])
        jitter = chance**n_unstable * (1 - chance) ** steady
        if self.test.jitter:
            return Table((*table.scope, self.test.jitter), table.p[..., None] * jitter)
        return Table(table.scope, table.p * jitter[0])

    def moves(self, share: float) -> float:
        """Chance that the display does not settle over a fault that is there in a share of time.

        As likely as over a contact that moves where it is there half of the time.
        """
        m = self.bench.meter
        return m.unstable_good + (m.unstable_bad - m.unstable_good) * 4 * share * (1 - share)

    def within(self, value: Value, technique: Technique) -> Table:
        """Chance that what the quantities give lies between the ends of an unstable display."""
        if value.low is None or value.high is None:
            return Table((), np.ones(()))
        low, high = sorted((value.low, value.high))
        r = max(value.step or 0.0, self._resolution(high, technique))
        u = np.array([self._u(low, technique), self._u(high, technique)])
        edges = np.array([low - r / 2, high + r / 2])
        f, _over, names = self._meter_parts(technique, edges, u, technique.range_top)
        p = np.maximum(f[..., 1] - f[..., 0], 0.0)
        return self._whole(Table((*names, "meter"), (1 - self.slip) * p + self.slip))

    def options(
        self, values: Sequence[Value], technique: Technique
    ) -> dict[str, list[tuple[float, Technique]]]:
        """As of every reading, and whether the leads were nulled, and how warm the part was."""
        out = super().options(values, technique)
        if self.test.leads and technique.leads is None:
            p = self.bench.leads.nulled_share
            out["leads"] = [
                (w, replace(technique, leads=said)) for w, said in ((p, "nulled"), (1 - p, "raw"))
            ]
        if self.test.temperature != "none" and technique.temp_c is None:
            points, weights = self._temperature(technique).gauss(3)
            out["temp_c"] = [
                (float(w), replace(technique, temp_c=float(t)))
                for t, w in zip(points, weights, strict=True)
            ]
        return out

    def _predictive(
        self, technique: Technique, edges: Array | None = None, hookup: str | None = None
    ) -> tuple[tuple[Outcome, ...], Table]:
        """Bins over the span, OL, and unstable where the test has a moving contact."""
        m = self.bench.meter
        edges = self.numeric_edges() if edges is None else edges
        u = np.array([self._u(float(e), technique) for e in edges])
        f, over, names = self._meter_parts(technique, edges, u, technique.range_top)
        share = bins(f)
        share = share / share.sum(-1, keepdims=True)
        over = over[..., None, None]
        p = np.concatenate(
            [share * (1 - over), np.broadcast_to(over, (*share.shape[:-1], 1))], axis=-1
        )
        slip = np.array(
            [
                self.slipped.p(a, b)
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
