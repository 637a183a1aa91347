"""Steady meter readings: ohms, volts, amps, with leads, contact, temperature and OL.

Display before rounding: ``mu = R20 (234.5 + T)/254.5 + R_lead + R_contact`` for copper
(IEC 60028); the likelihood of a shown value is that of its rounding cell,
``Phi((y + r/2 - mu)/u) - Phi((y - r/2 - mu)/u)``. OL is a right-censored value.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from benchodds.basics.distributions import Distribution, parse_distribution
from benchodds.basics.errors import ReadingError
from benchodds.basics.language import _
from benchodds.basics.quantities import Value, to_base
from benchodds.basics.tables import Array, Table
from benchodds.measure.instrument import OUTCOME, Instrument, Outcome, bins
from benchodds.model.jobs import Technique

AT_ONCE = 500_000
"""Most chances worked out at once, to bound memory."""


class MeterInstrument(Instrument):
    """A steady reading of a meter."""

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
            widths = _widths(shown, subs)
            step = max(1, AT_ONCE // (2 * shown.size))
            parts = [
                np.einsum("...rme,r->...me", _below(edges[i:j], shown, widths, spread[:, i:j]), w)
                for i, j in ((i, i + step) for i in range(0, len(edges), step))
            ]
            p = np.concatenate(parts, axis=-1)
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

    def _likelihood(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table:
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
                _shown, over, names = self._meter_parts(technique, np.zeros(1), np.ones(1), top)
                cell, slip = over[..., None], 0.2
            elif value.kind == "unstable":
                _shown, over, names = self._meter_parts(technique, np.zeros(1), np.ones(1), None)
                cell, slip = np.ones_like(over)[..., None], 1.0
            else:
                raise ReadingError(
                    _("{test} cannot read '{text}'; write a number, OL or unstable").format(
                        test=self.name, text=value.text
                    )
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


def _widths(shown: Array, subs: Sequence[int]) -> Array:
    """Width of the display values that each point stands for, from its neighbours in the cell."""
    squares = np.zeros(shown.shape)
    for axis, k in enumerate(subs):
        if k > 1:
            split = (*shown.shape[:axis], -1, k, *shown.shape[axis + 1 :])
            with np.errstate(invalid="ignore"):
                step = np.gradient(shown.reshape(split), axis=axis + 1).reshape(shown.shape)
            squares += np.where(np.isfinite(step), step, 0.0) ** 2
    return np.asarray(np.sqrt(squares))


def _below(edges: Array, shown: Array, width: Array, spread: Array) -> Array:
    """P(display <= edge), axes (shown..., meter, edge), for points that stand for intervals.

    A true value evenly spread over an interval w and a normal error s:
    ``s/w (H((e - v + w/2)/s) - H((e - v - w/2)/s))``, ``H(z) = z Phi(z) + phi(z)``. A precise
    meter would else fall between the points of a coarse grid. Where the intervals are narrow
    beside the error, their variance is added to it.
    """
    gap = edges - shown[..., None, None]
    wide = width[..., None, None]
    p = ndtr(gap / np.sqrt(spread**2 + wide**2 / 12.0))
    coarse = (wide > spread) & (np.abs(gap) < 6 * (spread + wide))
    if coarse.any():
        g, s, w = (np.broadcast_to(a, coarse.shape)[coarse] for a in (gap, spread, wide))
        high, low = (g + w / 2) / s, (g - w / 2) / s
        total = high * ndtr(high) - low * ndtr(low)
        total += (np.exp(-(high**2) / 2) - np.exp(-(low**2) / 2)) / math.sqrt(2 * math.pi)
        p[coarse] = np.clip(total * s / w, 0.0, 1.0)
    return np.asarray(p)
