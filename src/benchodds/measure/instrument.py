"""What every reading has in common: parsing, evaluating, what is not said.

An instrument belongs to one test. It gives a table over the quantities the test reads and the
gear behind it, either for a reading that was taken (``likelihood``) or for every outcome that
could come (``predictive``). What was not said about a reading is summed over here; what is
shared between readings (operator, adapter, meter, leads) stays a variable of the table, so
that it is never counted twice.
"""

from __future__ import annotations

import itertools
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from benchodds.basics.distributions import Distribution, parse_distribution
from benchodds.basics.errors import ModelError, ReadingError, nearest
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.basics.meterdata import Accuracy, parse_accuracy
from benchodds.basics.quantities import (
    SILENT,
    Expect,
    Value,
    parse_value,
    show,
    show_exact,
    to_base,
)
from benchodds.basics.tables import Array, Table, Variable
from benchodds.measure.grids import SMOOTH, rule
from benchodds.measure.slips import Law, SlipLaw
from benchodds.model.gear import Bench
from benchodds.model.jobs import Technique
from benchodds.model.system import Test

OUTCOME = "outcome"


@dataclass(frozen=True)
class Outcome:
    """One thing a test could show: ``sign`` is +1 within the limit, -1 outside, 0 neither."""

    label: str
    sign: int


BEEPS = ("beep", "no-beep")
"""What a continuity tester says, in place of ohms."""

MAX_SIGNAL_VALUES = 8_000_000
"""Most combinations of quantities' points at which a signal is worked out."""


SPEED_STEP = 0.015
"""Step, in the logarithm, between the speeds at which a signal is worked out; a threshold in
speed that falls between two of them must not show."""

AT_ONCE = 200_000
"""Values of a signal that are worked out at once, so that large readings fit in memory."""


class Instrument(ABC):
    """The reading model of one test on one machine variant and bench."""

    def __init__(
        self, name: str, test: Test, bench: Bench, variables: Mapping[str, Variable]
    ) -> None:
        self.name = name
        self.test = test
        self.bench = bench
        self.variables = variables
        self.slip = bench.slip.chance
        self._given: dict[tuple[str, str], Array] = {}
        texts = [t for t in (test.signal, test.in_circuit) if t]
        used = {n: None for t in texts for n in parse_expression(t).names}
        self.quantities = tuple(n for n in used if n in variables)
        self.cranked = "rpm" in used
        low, high = (to_base(v, test.unit) for v in test.span) if test.span else (1e-3, 1e3)
        self.span = (low, high)
        self.through = to_base(test.through, "A") if test.through else None
        self.make_slipped: Callable[[], SlipLaw] = lambda: SlipLaw(bench.slip, self.span)
        self.limit_min = (
            to_base(test.limit.min, test.unit) if test.limit and test.limit.min else None
        )
        self.limit_max = (
            to_base(test.limit.max, test.unit) if test.limit and test.limit.max else None
        )

    @cached_property
    def slipped(self) -> SlipLaw:
        """What slips show here."""
        return self.make_slipped()

    # ---- what may be written -------------------------------------------------------------

    def expect(self) -> Expect:
        """What the reading parser needs to know about this test."""
        if self.test.kind == "look":
            return Expect(self.name, "", words=self.test.outcomes)
        if self.test.kind == "spark":
            return Expect(self.name, "", words=("none", "weak", "strong"), sparks=True)
        return Expect(
            self.name,
            self.test.unit,
            words=BEEPS if self.test.unit == "ohm" and not self.through else (),
            span=self.span,
            between=bool(self.test.between),
            through=self.through,
        )

    def parse(self, texts: Sequence[str]) -> tuple[Value, ...]:
        """Parse what was written; ReadingError when it cannot be this test's reading."""
        if not texts:
            raise ReadingError(
                _("no value given for {test}; write what it showed, or not-taken").format(
                    test=self.name
                )
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
        """Likelihood of the written values; None when they say nothing (not taken, refused).

        ``hookup`` names the variable of this placing of the probes, where one plays a part.
        """
        told = [v for v in values if v.kind not in SILENT]
        return self._whole(self._likelihood(told, technique, hookup)) if told else None

    @abstractmethod
    def _likelihood(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table: ...

    def predictive(
        self, technique: Technique, edges: Array | None = None, hookup: str | None = None
    ) -> tuple[tuple[Outcome, ...], Table]:
        """All outcomes of a fresh reading and P(outcome | scope); outcome is the last axis.

        ``edges`` are the bins of a number (the usual ones without it); what cannot show
        numbers has no use for them. The hook-up of a fresh reading is summed over here,
        unless ``hookup`` names the placing of the probes that it shares.
        """
        outcomes, table = self._predictive(technique, edges, hookup)
        return outcomes, self._whole(table)

    @abstractmethod
    def _predictive(
        self, technique: Technique, edges: Array | None, hookup: str | None
    ) -> tuple[tuple[Outcome, ...], Table]: ...

    def _whole(self, table: Table) -> Table:
        """The table with every axis at its variable's full length."""
        shape = [
            self.variables[v].size if v in self.variables else n
            for v, n in zip(table.scope, table.p.shape, strict=True)
        ]
        return Table(table.scope, np.broadcast_to(table.p, shape))

    # ---- what was not said ---------------------------------------------------------------

    def options(
        self, values: Sequence[Value], technique: Technique
    ) -> dict[str, list[tuple[float, Technique]]]:
        """What was not said of a reading: the answers with their weights, by technique field.

        Each list sums to 1, and so weighted the likelihoods add up to that of the reading
        (of temperature, only as nearly as three points stand for its law).
        """
        out: dict[str, list[tuple[float, Technique]]] = {}
        if self.cranked and technique.how is None:
            methods = self._methods(technique)
            total = sum(w for w, _ in methods)
            out["how"] = [(w / total, replace(technique, how=h)) for w, h in methods]
        if self.test.in_circuit and technique.unplugged is None:
            p = self.test.p_unplugged
            out["unplugged"] = [
                (w, replace(technique, unplugged=said)) for w, said in ((p, True), (1 - p, False))
            ]
        return out

    def display_uncertainty(self, value: Value, technique: Technique) -> tuple[float, float]:
        """Standard uncertainty of a number from the meter's accuracy, and its rounding step."""
        number = value.number or 0.0
        step = max(value.step or 0.0, self._resolution(number, technique))
        return self._u(number, technique), step

    # ---- shared pieces -------------------------------------------------------------------

    def _evaluate(self, text: str, extra: Mapping[str, Array], tail: int) -> Array:
        """Evaluate an expression on the quantities' nodes.

        Returns an array with one axis for each quantity (of length one where the expression
        does not use it), then ``tail`` axes that ``extra`` fills.
        """
        n = len(self.quantities)
        inputs: dict[str, Array] = dict(extra)
        expression = parse_expression(text)
        full = []
        for i, name in enumerate(self.quantities):
            values = self.variables[name].values
            full.append(len(values) if name in expression.names else 1)
            shape = [1] * (n + tail)
            shape[i] = len(values)
            inputs[name] = values.reshape(shape)
        self._check_size(full)
        value = expression(inputs)
        target = (*full, *np.broadcast_shapes(*[np.shape(a)[n:] for a in extra.values()], ()))
        return np.broadcast_to(value, np.broadcast_shapes(value.shape, target))

    def _check_size(self, full: Sequence[int]) -> None:
        """ModelError where a signal would be worked out at too many values."""
        if math.prod(full) > MAX_SIGNAL_VALUES:
            raise ModelError(
                f"tests.{self.name}.signal: "
                + _(
                    "to be worked out at {n:,} points, more than {most:,}; let a "
                    "quantity stand between, or take coarser grids"
                ).format(n=math.prod(full), most=MAX_SIGNAL_VALUES)
            )

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
                    _("'{how}' is not a way of cranking{hint}").format(
                        how=technique.how, hint=nearest(technique.how, known)
                    )
                )
            return [(1.0, technique.how)]
        return [(m.share, name) for name, m in known.items() if m.share > 0]

    def _by_how(
        self,
        signal: str,
        hows: Sequence[str],
        work_out: Callable[[str, Sequence[str]], Mapping[str, Array]],
    ) -> list[Array]:
        """What a signal gives for each way of cranking, worked out once."""
        if new := [how for how in hows if (signal, how) not in self._given]:
            self._given |= {(signal, how): a for how, a in work_out(signal, new).items()}
        return [self._given[signal, how] for how in hows]

    def _turned(
        self, hows: Sequence[str], work_out: Callable[[Mapping[str, Array]], Array]
    ) -> dict[str, Array]:
        """What is worked out at many speeds, in the mean over the turns of each operator.

        ``work_out`` takes the speeds as the last axis of ``rpm`` and returns them on the last
        axis but one, which becomes that of the operator. One result for each way of cranking.
        """
        laws = [parse_distribution(self.bench.cranking[how].rpm) for how in hows]
        rpm, share = turns(laws, self.variables["operator"].values)
        every = share.reshape(-1, len(rpm))
        n = math.prod(self.variables[q].size for q in self.quantities)
        blocks = -(-len(rpm) // min(max(AT_ONCE // n, 4), 16))
        total: Array = np.zeros(())
        for some in np.array_split(np.arange(len(rpm)), blocks):
            speeds = {"rpm": rpm[some].reshape([1] * (len(self.quantities) + 1) + [-1])}
            part = every[:, some] @ work_out(speeds)
            total = np.add(total, part, out=part)
        parts = np.split(total, len(hows), axis=-2)
        return dict(zip(hows, map(np.ascontiguousarray, parts), strict=True))

    def _circuits(self, technique: Technique) -> list[tuple[float, str]]:
        """The signal unplugged as it should be, and left in circuit, with weights."""
        test = self.test
        if not test.in_circuit:
            return [(1.0, test.signal)]
        p = test.p_unplugged if technique.unplugged is None else float(technique.unplugged)
        return [(w, s) for w, s in ((p, test.signal), (1 - p, test.in_circuit)) if w > 0]

    @property
    def _meter_unit(self) -> str:
        """The unit that the meter is on."""
        return "V" if self.through else self.test.unit

    def _accuracy(self, technique: Technique) -> Accuracy:
        default = {"V": self.bench.meter.dc_volts, "ohm": self.bench.meter.ohms}
        return parse_accuracy(
            technique.accuracy or default.get(self._meter_unit, self.bench.meter.other)
        )

    def _resolution(self, number: float, technique: Technique) -> float:
        """Display step of the range that a reading was taken on."""
        if technique.range_top is not None and not self.through:
            return technique.range_top / self.bench.meter.counts
        ranges = {"V": self.bench.meter.volt_ranges, "ohm": self.bench.meter.ohm_ranges}
        unit, amp = self._meter_unit, self.through or 1.0
        tops = [to_base(r, unit) / amp for r in ranges.get(unit, ())]
        top = next((t for t in tops if t >= abs(number)), tops[-1] if tops else 0.0)
        return top / self.bench.meter.counts if top else abs(number) * 1e-3

    def _u(self, number: float, technique: Technique) -> float:
        """Standard uncertainty of a display from the meter's accuracy (JCGM 100, 4.3.7)."""
        step = self._resolution(number, technique)
        top = technique.range_top
        return max(self._accuracy(technique).standard_uncertainty(number, step, top), 1e-12)

    def law(self, p: Array) -> Law | None:
        """What the test shows when its quantities have the joint chances ``p``, all else as it
        mostly is: inputs at their means, cold, cranked in the middle of all ways."""
        means = {k: parse_distribution(t).mean() for k, t in self.test.random.items()}
        ways = self.bench.cranking.values()
        total = sum(w.share for w in ways)
        rpm = sum(w.share * parse_distribution(w.rpm).mean() for w in ways) / max(total, 1e-9)
        warm = self.bench.temperature.get(self.test.temperature)
        temp_c = parse_distribution(warm).mean() if warm else 20.0
        n = len(self.quantities)
        given = {**means, "rpm": rpm, "temp_c": temp_c}
        extra = {k: np.full([1] * n, x) for k, x in given.items()}
        with np.errstate(invalid="ignore"):
            shown = np.broadcast_to(self._evaluate(self.test.signal, extra, 0), p.shape)
        return Law.of(shown.ravel(), p.ravel())

    def numeric_edges(self) -> Array:
        """Edges of planning bins: log spaced over the span, with the limits among them."""
        low, high = self.span
        marks = [m for m in (self.limit_min, self.limit_max) if m]
        points = [low, *[m for m in marks if low < m < high], high]
        edges: list[float] = []
        for a, b in itertools.pairwise(points):
            n = max(2, round(12 * math.log(b / a) / math.log(high / low)))
            edges += list(np.geomspace(a, b, n + 1)[:-1])
        return np.array([*edges, high])

    def _bin_outcomes(self, edges: Array) -> tuple[Outcome, ...]:
        unit, limits = self.test.unit, (self.limit_min, self.limit_max)
        told = [show_exact(x, unit) if x in limits else show(x, unit) for x in map(float, edges)]
        inner = [
            Outcome(_("{low} to {high}").format(low=low, high=high), self._sign(a, b))
            for (low, a), (high, b) in itertools.pairwise(zip(told, edges, strict=True))
        ]
        first, last = edges[0], edges[-1]
        return (
            Outcome(_("below {value}").format(value=told[0]), self._sign(0.0, first)),
            *inner,
            Outcome(_("above {value}").format(value=told[-1]), self._sign(last, last)),
        )


def bins(cdf: Array) -> Array:
    """Bin probabilities from a distribution function at edges, tails included."""
    out = np.empty((*cdf.shape[:-1], cdf.shape[-1] + 1))
    out[..., 0] = cdf[..., 0]
    np.subtract(cdf[..., 1:], cdf[..., :-1], out=out[..., 1:-1])
    np.subtract(1.0, cdf[..., -1], out=out[..., -1])
    return np.maximum(out, 0.0, out=out)


def turns(laws: Sequence[Distribution], operator: Array) -> tuple[Array, Array]:
    """Speeds in rpm, equal in ratio, and the share of turns near each under some laws.

    A turn's speed is the operator's factor times a draw from the law of its way of cranking.
    Returns the speeds (n_speeds,) and the shares (n_laws, n_operators, n_speeds).
    """
    drawn = np.concatenate([rule(law, SMOOTH)[0] for law in laws])
    high = float(drawn.max() * operator.max()) * 1.001
    low = max(float(drawn.min() * operator.min()) * 0.999, 1e-3 * high)
    edges = np.geomspace(low, high, 2 + int(math.log(high / low) / SPEED_STEP))
    share = np.stack([np.diff(law.cdf(edges / operator[:, None]), axis=1) for law in laws])
    return np.sqrt(edges[:-1] * edges[1:]), share / share.sum(axis=2, keepdims=True)
