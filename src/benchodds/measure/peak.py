"""Peak voltages of a turned engine, read through a peak-hold adapter.

Display before rounding: ``y = h * max(0, c * V - V_d)`` with droop
``h = tau/T (1 - exp(-T/tau))``, ``tau = R_in C`` (mean over the meter's gate time of an RC
discharge), diode drop ``V_d`` and capture ``c`` in (0, 1]. Best of N kicks: ``F(y)**N`` given
speed factor and source, which the kicks share (order statistics: the maximum of N draws).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.distributions import Distribution, parse_distribution
from benchodds.basics.errors import ReadingError
from benchodds.basics.language import _
from benchodds.basics.meterdata import parse_impedance
from benchodds.basics.quantities import Value, to_base
from benchodds.basics.tables import Array, Table
from benchodds.measure.instrument import OUTCOME, Instrument, Outcome, bins, turns
from benchodds.model.gear import hookup_shares
from benchodds.model.jobs import Technique

N_SOURCE = 120
MOST_VOLTS = 1_000_000
"""Source volts that are worked out at once."""
N_CAUGHT = 4001
KICKS = (1, 2, 3, 4, 5)
"""How many kicks there may have been, all alike, when only the best is written."""
N_POOR = 6
NORMAL3 = (np.array([-math.sqrt(3.0), 0.0, math.sqrt(3.0)]), np.array([1 / 6, 2 / 3, 1 / 6]))


def droop(input_ohm: Array, hold_uf: Array, gate_s: float) -> Array:
    """Mean share of a held peak that a meter sees over its gate time: tau/T (1 - exp(-T/tau))."""
    tau = np.asarray(input_ohm) * np.asarray(hold_uf) * 1e-6
    return np.asarray(tau / gate_s * -np.expm1(-gate_s / tau))


def best_of(high: Array, low: Array, counts: Sequence[int]) -> Array:
    """Chance that the best of n kicks falls in every cell, mean over the counts (rising) of n.

    ``high`` and ``low`` are the chances of one kick to stay below the ends of cells, the last axis.
    """
    done, total = 0, np.zeros(())
    a, b = np.ones(()), np.ones(())
    for n in counts:
        a, b, done = a * high ** (n - done), b * low ** (n - done), n
        cell = np.maximum(a - b, 0.0)
        total = total + (cell[..., 0] if cell.shape[-1] == 1 else cell.prod(axis=-1))
    return total / len(counts)


class PeakInstrument(Instrument):
    """A peak voltage through the adapter, or the adapter's own proof on a battery."""

    def _source_grid(self) -> Array:
        return np.asarray(np.geomspace(self.span[0] * 0.2, self.span[1] * 1.5, N_SOURCE))

    def capture(self, how: str, technique: Technique) -> Distribution:
        """Share of one peak that is caught: a mixture of good and poor, never above one."""
        hold = "max-hold" if technique.adapter == "max-hold" else "none"
        adapted = technique.adapter not in ("none", "max-hold")
        weight = self.bench.capture.weight[self.bench.cranking[how].capture if adapted else hold]
        good, poor = self.bench.capture.good, self.bench.capture.poor
        parts = ((weight, parse_distribution(good)), (1 - weight, parse_distribution(poor)))
        return Distribution("mix", parts=parts)

    def options(
        self, values: Sequence[Value], technique: Technique
    ) -> dict[str, list[tuple[float, Technique]]]:
        """As of every reading, and how many kicks there were."""
        out = super().options(values, technique)
        if len(values) == 1 and technique.kicks is None and not self.test.battery:
            out["kicks"] = [(1 / len(KICKS), replace(technique, kicks=n)) for n in KICKS]
        return out

    def _sources(self, signal: str, hows: Sequence[str]) -> dict[str, Array]:
        """Shares of the source volts of one kick, axes (quantities..., operator, place).

        One array for each way of cranking. Place 0 is no source at all (or no useful turn), the
        others are the points of the source grid; a value between two points is shared between
        them in the logarithm. They depend neither on the reading nor on adapter, meter or kicks.
        """
        from scipy.sparse import csc_matrix  # it takes long to load, and few readings need it

        n = len(self.quantities)
        extra, weights = self._random(n, 1, 5)
        extra = extra or {"_": np.zeros([1] * (n + 2))}
        rpm, turned = np.ones(1), np.ones((len(hows), 1, 1))
        if self.cranked:
            laws = [parse_distribution(self.bench.cranking[how].rpm) for how in hows]
            rpm, turned = turns(laws, self.variables["operator"].values)
        every, total, lead = turned.reshape(-1, len(rpm)).T, np.zeros(()), ()
        size = len(weights) * math.prod(self.variables[q].size for q in self.quantities)
        blocks = -(-len(rpm) // max(1, MOST_VOLTS // size))
        for some in np.array_split(np.arange(len(rpm)), blocks):
            speeds = {"rpm": rpm[some].reshape([1] * (n + 1) + [-1])} if self.cranked else {}
            volts = self._evaluate(signal, {**extra, **speeds}, 2)
            lead = volts.shape[:-2]
            at, share = self._placed(volts.reshape(-1, *volts.shape[-2:]), weights)
            ends = np.arange(len(some) + 1) * (at.size // len(some))
            shape = (math.prod(lead) * (N_SOURCE + 1), len(some))
            total = total + csc_matrix((share.ravel(), at.ravel(), ends), shape=shape) @ every[some]
        split = total.reshape(math.prod(lead), N_SOURCE + 1, len(hows), -1).transpose(2, 0, 3, 1)
        each = [s.reshape(*lead, -1, s.shape[-1]).copy() for s in split]
        for how, share in zip(hows, each, strict=True) if self.cranked else ():
            share *= 1 - self.bench.cranking[how].no_turn
            share[..., 0] += self.bench.cranking[how].no_turn
        return dict(zip(hows, each, strict=True))

    def _placed(self, volts: Array, weights: Array) -> tuple[NDArray[np.int32], Array]:
        """Places of volts (row, random input, speed), two for each, and the shares that fall there.

        Shape (speed, 2, row, random input); places are numbered on from row to row.
        """
        v = self._source_grid()
        place = np.log(np.maximum(np.moveaxis(volts, -1, 0), v[0] * 1e-6))
        place -= math.log(v[0])
        place /= math.log(v[1] / v[0])
        np.clip(place, -1.0, len(v) - 1.0, out=place)
        low = np.minimum(np.floor(place), len(v) - 2.0)
        at = np.empty((len(place), 2, *place.shape[1:]), dtype=np.int32)
        rows = np.arange(len(volts), dtype=np.int32)[:, None] * (len(v) + 1)
        at[:, 0] = low
        at[:, 0] += rows + 1
        at[:, 1] = at[:, 0] + 1
        share = np.empty(at.shape)
        share[:, 1] = (place - low) * weights
        share[:, 0] = weights - share[:, 1]
        return at, share

    def _peak_cells(
        self, edges: Array, u: Array, technique: Technique
    ) -> tuple[list[tuple[float, Array]], Array, tuple[str, ...]]:
        """F(display <= edge) per kick for each (method, circuit), and F of a dead hook-up.

        Array axes: quantities..., [operator], adapter states that live, contact, [input], edge.
        Contact 0 is sound, the others are points of a poor one, which only lowers.
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
        contact, _ = parse_distribution(bench.hookup.poor_share).points(N_POOR)
        contact = np.append(1.0, contact)[:, None, None, None]
        source = (np.maximum(t, 0.0) / h[:, None, :, None, None] + drop) / contact
        source = np.where(t < 0, -1.0, source)  # adapter, contact, input, edge, error
        operator = ("operator",) if self.cranked else ()
        names = (*self.quantities, *operator, "adapter")
        if self.test.battery:
            level = parse_distribution(next(iter(self.test.random.values())))
            f = np.where(source >= 0, level.cdf(source), 0.0) @ weights
            return [(1.0, f[:, :, 0])], f_dead, names
        out = []
        shown, hows = zip(*self._methods(technique), strict=True)
        kernels = [self._kernel(source, weights, self.capture(how, technique)) for how in hows]
        for w_circuit, signal in self._circuits(technique):
            shares = self._by_how(signal, hows, self._sources)
            for w_how, kernel, share in zip(shown, kernels, shares, strict=True):
                share = share if self.cranked else share[..., 0, :]
                g = (share @ kernel).reshape((*share.shape[:-1], *source.shape[:-1])) * f_dead
                out.append((w_how * w_circuit, g[..., 0, :] if said else g))
        total = sum(w for w, _ in out)
        return [(w / total, g) for w, g in out], f_dead, (*names, *(() if said else ("input",)))

    def _kernel(self, source: Array, weights: Array, caught: Distribution) -> Array:
        """P(captured volts <= ``source`` | place of the source), errors (last axis) summed.

        Shape (places, the other axes of ``source`` in one).
        """
        x = np.linspace(0.0, 1.0, N_CAUGHT)
        table = caught.cdf(x)
        v = self._source_grid()[:, None]
        wanted = source.reshape(-1)
        p = np.interp(np.clip(wanted / v, 0.0, 1.0), x, table)
        p = np.concatenate([np.ones((1, p.shape[1])), p])
        p = np.where(wanted < 0, 0.0, p)
        return np.asarray(p.reshape(len(p), -1, len(weights)) @ weights)

    def _with_gear(
        self,
        shown: Array,
        dead: float | Array,
        names: tuple[str, ...],
        technique: Technique,
        hookup: str | None,
    ) -> Table:
        """Put the branches of a dead adapter, a poor and a bad hook-up beside the sound one.

        ``shown`` has axes ``names`` with contact after the adapter (and perhaps outcomes last);
        ``dead`` is what shows through a dead adapter or a bad hook-up. Without an adapter it
        does not matter whether the adapter lives.
        """
        axis = names.index("adapter")
        sound: Array = np.take(shown, 0, axis=axis + 1)
        poor: Array = np.take(shown, range(1, N_POOR + 1), axis=axis + 1).mean(axis=axis + 1)
        adapted = technique.adapter not in ("none", "max-hold")
        shape = [n if i != axis else 1 for i, n in enumerate(sound.shape)]
        sound, poor = (
            np.concatenate(
                [a, np.broadcast_to(dead, shape) if adapted else np.take(a, [0], axis)], axis=axis
            )
            for a in (sound, poor)
        )
        dead_full = np.broadcast_to(dead, sound.shape)
        if hookup is None:
            w = hookup_shares(self.bench)
            return Table(names, w[0] * sound + w[1] * poor + w[2] * dead_full)
        return Table((*names, hookup), np.stack([sound, poor, dead_full], axis=-1))

    def _likelihood(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table:
        numbers = [v for v in values if v.kind == "number"]
        if any(v.kind not in ("number", "unstable") for v in values):
            raise ReadingError(
                _("{test} shows volts; write a number, not '{text}'").format(
                    test=self.name, text=values[0].text
                )
            )
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
            counts = [technique.kicks] if technique.kicks else list(KICKS)
        good: Array = np.zeros(())
        dead = 0.0
        for n in counts:
            dead += float(np.prod(np.maximum(f_dead[1::2] ** n - f_dead[::2] ** n, 1e-12))) / len(
                counts
            )
        for w, f in mixes:
            good = good + w * best_of(f[..., 1::2], f[..., ::2], counts)
        slip = float(np.prod([self.slipped.p(*e) for e in edges.reshape(-1, 2)]))
        good = (1 - self.slip) * good + self.slip * slip
        dead = (1 - self.slip) * dead + self.slip * slip
        return self._with_gear(good, dead, names, technique, hookup)

    def _predictive(
        self, technique: Technique, edges: Array | None = None, hookup: str | None = None
    ) -> tuple[tuple[Outcome, ...], Table]:
        """Best of three kicks, or of as many as the technique says, in bins."""
        edges = self.numeric_edges() if edges is None else edges
        u = np.array([self._u(float(e), technique) for e in edges])
        mixes, f_dead, names = self._peak_cells(edges, u, technique)
        n = 1 if self.test.battery else technique.kicks or 3
        f_good = np.zeros(())  # large: few copies at a time
        while mixes:
            w, f = mixes.pop()
            f_good = f_good + w * f**n if f_good.ndim else w * f**n
            del f
        good = bins(f_good)
        del f_good
        dead = bins(f_dead**n)
        outcomes = self._bin_outcomes(edges)
        slip = np.array(
            [
                self.slipped.p(a, b)
                for a, b in zip([-1.0, *edges], [*edges, self.span[1] * 10], strict=True)
            ]
        )
        slip = slip / slip.sum()
        good *= 1 - self.slip
        good += self.slip * slip
        dead = (1 - self.slip) * dead + self.slip * slip
        table = self._with_gear(good, dead, names, technique, hookup)
        if hookup is not None:  # the outcome stays the last axis
            table = Table(table.scope, np.moveaxis(table.p, -1, -2))
        return outcomes, Table((*table.scope, OUTCOME), table.p)
