"""What the eye sees: sparks over a gap, and looks with a few named outcomes."""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Self

import numpy as np
import scipy

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.errors import ReadingError, nearest
from benchodds.basics.language import _
from benchodds.basics.quantities import Value
from benchodds.basics.tables import Array, Table
from benchodds.measure.instrument import OUTCOME, Instrument, Outcome
from benchodds.model.jobs import Technique


class SparkInstrument(Instrument):
    """Sparks counted out of tries: binomial given the session's voltage.

    A spark jumps when the voltage exceeds what the gap needs, drawn per spark:
    ``P = Phi((V - m) / sd)``; the eye misses some and imagines a few.
    """

    spell: tuple[float, Array] | None = None

    def mixed(self, share: float, law: Array) -> Self:
        """The test of a machine in which each try meets a fault that comes and goes.

        In a ``share`` of the tries the quantities have the joint chances ``law``.
        """
        tool = copy.copy(self)
        tool.spell = share, law
        return tool

    def _jumps(self, signal: str, hows: Sequence[str]) -> dict[str, Array]:
        """P(a spark jumps, per try), axes (quantities..., [operator]), by way of cranking."""
        if not self.cranked:
            return dict.fromkeys(hows, self._mean_chance(signal, {})[..., 0])
        out = self._turned(hows, lambda s: self._mean_chance(signal, s)[..., None])
        return {h: (1 - self.bench.cranking[h].no_turn) * p[..., 0] for h, p in out.items()}

    def _mean_chance(self, signal: str, speeds: Mapping[str, Array]) -> Array:
        """P(a spark jumps) over the test's own random inputs, axes (quantities..., speed)."""
        mean, sd = parse_distribution(self.test.need, self.test.unit).args
        n = len(self.quantities)
        extra, weights = self._random(n, 1, 5)
        extra = extra or {"_": np.zeros([1] * (n + 2))}
        volts = self._evaluate(signal, {**extra, **speeds}, 2)
        chance = scipy.special.ndtr((volts - mean) / sd)
        full = (*volts.shape[:n], len(weights), volts.shape[-1])
        return np.asarray(np.einsum("...rk,r->...k", np.broadcast_to(chance, full), weights))

    def _spark_chances(self, technique: Technique) -> list[tuple[float, Array]]:
        """P(a spark is seen, per try) on axes (quantities..., [operator]) for each unknown."""
        eye = self.bench.sparks
        lights = {technique.light: 1.0} if technique.light else dict(eye.light)
        out = []
        methods = self._methods(technique) if self.cranked else [(1.0, "")]
        for w_circuit, signal in self._circuits(technique):
            jumps = self._by_how(signal, [how for _w, how in methods], self._jumps)
            for (w_how, _how), jump in zip(methods, map(self._met, jumps), strict=True):
                for light, w_light in lights.items():
                    if light not in eye.missed:
                        raise ReadingError(
                            _("'{light}' is not a light{hint}").format(
                                light=light, hint=nearest(str(light), eye.missed)
                            )
                        )
                    seen = jump * (1 - eye.missed[light]) + (1 - jump) * eye.imagined
                    out.append((w_how * w_circuit * w_light, seen))
        total = sum(w for w, _ in out)
        return [(w / total, p) for w, p in out]

    def _met(self, jump: Array) -> Array:
        """P(a spark jumps, per try) where some tries meet a fault that comes and goes."""
        if self.spell is None:
            return jump
        share, law = self.spell
        full = np.broadcast_to(jump, (*law.shape, *jump.shape[law.ndim :]))
        return np.asarray((1 - share) * jump + share * np.tensordot(law, full, law.ndim))

    def _spark_scope(self) -> tuple[str, ...]:
        return (*self.quantities, *(("operator",) if self.cranked else ()))

    def _likelihood(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table:
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

    def options(
        self, values: Sequence[Value], technique: Technique
    ) -> dict[str, list[tuple[float, Technique]]]:
        """As of every reading, and in what light it was seen."""
        out = super().options(values, technique)
        if technique.light is None:
            lights = self.bench.sparks.light
            out["light"] = [(w, replace(technique, light=name)) for name, w in lights.items()]
        return out

    def _predictive(
        self, technique: Technique, edges: Array | None = None, hookup: str | None = None
    ) -> tuple[tuple[Outcome, ...], Table]:
        """None, weak, or strong (nine in ten) over the usual number of tries."""
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


class LookInstrument(Instrument):
    """A look with named outcomes that depend on component modes."""

    def _likelihood(self, values: Sequence[Value], technique: Technique, hookup: str) -> Table:
        table = self._look()
        p = np.ones(table.p.shape[:-1])
        for value in values:
            p = p * table.p[..., self.test.outcomes.index(value.word or "")]
        return Table(table.scope[:-1], p)

    def _predictive(
        self, technique: Technique, edges: Array | None = None, hookup: str | None = None
    ) -> tuple[tuple[Outcome, ...], Table]:
        """The named outcomes."""
        sign = {o: (1 if o in self.test.passes else -1) for o in self.test.outcomes}
        outcomes = (Outcome(o, sign[o] if self.test.passes else 0) for o in self.test.outcomes)
        return tuple(outcomes), self._look()

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
                chances = parts[component].get(state, parts[component].get("*") if j else None)
                if chances is not None:
                    rows[j] = np.cumsum(chances)
            shape[i], shape[-1] = sizes[i], len(outcomes)
            cumulative *= rows.reshape(shape)
        p = np.diff(cumulative, axis=-1, prepend=0.0)
        p = (1 - self.slip) * p + self.slip / len(outcomes)
        return Table((*names, OUTCOME), p)


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
