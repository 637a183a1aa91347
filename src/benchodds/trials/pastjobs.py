"""Past jobs of an invented shop, drawn from the model: something to tune and score with.

The shop has machines of its own (faults a factor off the prior file), people of its own and one
meter. A job's readings are drawn from the measurement model exactly as they are written down:
what the record does not say was not known when drawing either. Which test comes next depends on
what was seen, never on the truth. Then what was found is mended, which may fail; after each repair
the complaint is looked at, and a fault that is left is tried again. Closings are right but for a
small share, some of which come back and are closed again; so do machines on which what was mended
does not last.

A spark seen as weak or strong is written as that word; the number of tries is not.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Array, Network, State, Table
from benchodds.choose.coarse import plain
from benchodds.choose.labour import Labour
from benchodds.choose.rules import Seen, allowed, cleared, rule_of
from benchodds.infer.assess import Machine
from benchodds.infer.epochs import change_of
from benchodds.measure.slips import swapped
from benchodds.model.jobs import Technique
from benchodds.model.priors import NONE
from benchodds.trials.draws import Nature, Shown, Truth, drawn_from, shown
from benchodds.trials.perturb import other_priors
from benchodds.trials.trial import PastJobs, Routine
from benchodds.trials.works import outcomes

PARTS = 10
"""Parts of a planner's bin that a number may fall in before it is written down."""

NOTHING, BEYOND = 0.02, 3.0
"""Share of the least number of a test that is written as zero; factor of the largest."""

DIGITS = 3
DRILL = "drill"
AFTER_DAYS = (4, 40)
"""When a job closed wrongly comes back."""


@dataclass
class Bench:
    """One machine variant in the shop, with what was worked out for it."""

    machine: Machine
    spec: PastJobs
    routine: Routine
    _natures: dict[tuple[str, tuple[str, ...], str], Nature] = field(default_factory=dict)
    _tables: dict[tuple[str, Technique, int], tuple[Array, Shown]] = field(default_factory=dict)

    def nature(self, complaint: str, contexts: tuple[str, ...], operator: str) -> Nature:
        """What draws machines with a complaint, cranked by one of the shop's people."""
        key = (complaint, contexts, operator)
        if key not in self._natures:
            prior = self.machine.prior(complaint, contexts)
            network = cranked_by(prior, self.spec.operators[operator])
            self._natures[key] = drawn_from(self.machine, network, (complaint, *contexts))
        return self._natures[key]

    def written(
        self, test: str, technique: Technique, truth: Truth, rng: np.random.Generator
    ) -> str:
        """A fresh reading as it is written down.

        First one of the planner's outcomes, in which slips at a wrong terminal, in the unit and
        of no shape are mixed; a number then falls into a part of its bin, by its chances there,
        and anywhere in that part. Digits are swapped when it is written down.
        """
        outcomes, _table = self.machine.predictive(test, technique)
        number = shown(self.machine, test, technique).reading(truth, float(rng.random()))
        tool, label = self.machine.instrument(test), outcomes[number].label
        if label == "OL" or tool.test.kind in ("look", "spark"):
            return "none 0/10" if label == "none" and tool.test.tries == 10 else label
        unit = tool.test.unit
        low, high = tool.span
        if label == "unstable":
            return f"unstable {plain(low)}..{plain(high)} {unit}".strip()
        edges, parts = self._parts(test, technique, number)
        part = parts.reading(truth, float(rng.random()))
        if number == 0 and part == 0:
            return f"0 {unit}".strip()
        part -= number == 0
        value = edges[part] * (edges[part + 1] / edges[part]) ** rng.random()
        slip = self.machine.bench.slip
        ways = swapped(text := plain(float(value), DIGITS))
        if rng.random() < slip.chance * slip.digits and ways:
            text = _any(ways, rng)
        return f"{text} {unit}".strip()

    def _parts(self, test: str, technique: Technique, number: int) -> tuple[Array, Shown]:
        """Edges of the parts of a bin, and the chances of the parts, next to nothing first."""
        key = (test, technique, number)
        if key not in self._tables:
            tool = self.machine.instrument(test)
            inner = tool.numeric_edges()
            ends = np.concatenate([[inner[0] * NOTHING], inner, [inner[-1] * BEYOND]])
            edges = np.geomspace(ends[number], ends[number + 1], PARTS + 1)
            _, table = tool.predictive(technique, edges)
            first = 0 if number == 0 else 1
            parts = Table(table.scope, table.p[..., first : PARTS + 1] + 1e-12)
            self._tables[key] = edges, shown(self.machine, test, technique, parts)
        return self._tables[key]

    def item(
        self,
        test: str,
        how: str,
        truth: Truth,
        operator: str,
        said: bool,
        rng: np.random.Generator,
    ) -> dict[str, Any]:
        """A fresh reading as an item of a row."""
        technique = self.technique(test, how, said)
        value = self.written(test, technique, truth, rng)
        taken = technique.as_data() | ({"operator": operator} if said else {})
        return {"test": test, "values": [value], "technique": taken}

    def technique(self, test: str, how: str, said: bool) -> Technique:
        """How a reading is taken, as far as the record says."""
        spec = self.machine.model.tests[test]
        out = Technique()
        if spec.kind == "peak" and not spec.battery:
            out = replace(out, how=how, kicks=3)
        elif spec.kind == "spark" and said:
            out = replace(out, how=how)
        if said and spec.kind in ("peak", "meter"):
            out = replace(out, meter=self.spec.meter, unplugged=True)
            if spec.leads:
                out = replace(out, leads="nulled")
        return out


@dataclass
class Work:
    """The work on one machine, as it is written down.

    Every fault named is mended by the cheapest repair for it, done once more where the fault is
    still there, then by the next; after each the complaint is looked at.
    """

    bench: Bench
    nature: Nature
    complaint: str
    operator: str
    said: bool
    items: list[dict[str, Any]] = field(default_factory=list)
    cured: bool = False

    def mend(self, truth: Truth, faults: State, rng: np.random.Generator) -> float:
        """Mend some faults, which may be others than those that are there; minutes by the book."""
        model, minutes = self.bench.machine.model, 0.0
        for fault in faults:
            able = [n for n, r in model.repairs.items() if fault in cleared(r, model)]
            able.sort(key=lambda n: (model.repairs[n].cost, n))
            for name, again in itertools.product(able, (False, True)):
                truth = self._done(truth, name, again, rng)
                minutes += to_base(model.repairs[name].minutes, "min")
                if fault not in truth.state:
                    break
        self.cured = bool(faults) and not truth.state
        return minutes

    def _done(self, truth: Truth, name: str, again: bool, rng: np.random.Generator) -> Truth:
        machine = self.bench.machine
        after = outcomes(machine, self.nature.network.tables, name, again)
        renewed = change_of(machine.model.repairs[name], machine.model).renewed
        truth = self.nature.worked_on(truth, after, renewed, rng)
        self.items.append({"done": name})
        ways = machine.bench.cranking
        usual = max(ways, key=lambda n: ways[n].share)
        for test in machine.model.proof.get(self.complaint, ())[:1]:
            self.items.append(self.bench.item(test, usual, truth, self.operator, self.said, rng))
        return truth


def cranked_by(network: Network, law: str) -> Network:
    """The network with the speed factor of one person, on the points that it has."""
    points = network.variables["operator"].values
    if len(points) < 2:
        return network
    edges = np.append(np.sqrt(points[:-1] * points[1:]), np.inf)
    p = np.diff(parse_distribution(law).cdf(edges), prepend=0.0)
    tables = {**network.tables, "operator": Table(("operator",), p / p.sum())}
    return replace(network, tables=tables)


@dataclass
class PastShop:
    """An invented shop. ``machines`` are the variants that come to it."""

    machines: Sequence[Machine]
    routines: Mapping[str, Routine]
    spec: PastJobs
    seed: int
    name: str = ""
    first: date = date(2023, 1, 9)
    last: date = date(2025, 6, 27)

    def __post_init__(self) -> None:
        rng = np.random.default_rng([self.seed, 0])
        priors = {}
        for m in self.machines:
            if m.model.id not in priors:
                priors[m.model.id] = other_priors(m.priors, self.spec.factor, rng)
        self._benches = [
            Bench(
                replace(m, priors=priors[m.model.id]),
                self.spec,
                self.routines[m.model.id].fitting(m.model),
            )
            for m in self.machines
        ]
        systems = list(dict.fromkeys(m.model.id for m in self.machines))
        self._by_system = [[b for b in self._benches if b.machine.model.id == s] for s in systems]

    def rows(self, n: int) -> Iterator[dict[str, Any]]:
        """So many closed jobs, oldest first, each as a row of a file of jobs."""
        span = (self.last - self.first).days
        days = np.sort(np.random.default_rng([self.seed, 1]).integers(0, span + 1, n))
        late: list[dict[str, Any]] = []
        made = 0
        for number in range(n):
            day = self.first + timedelta(days=int(days[number]))
            due = [r for r in late if r["closed"] <= day.isoformat()]
            for row in due[: n - made]:
                late.remove(row)
                made += 1
                yield row
            if made >= n:
                return
            row, again = self._job(number, day)
            made += 1
            yield row
            if again:
                late.append(again)

    def _job(self, number: int, day: date) -> tuple[dict[str, Any], dict[str, Any] | None]:
        rng = np.random.default_rng([self.seed, 2, number])
        spec = self.spec
        variants = self._by_system[int(rng.integers(len(self._by_system)))]
        bench = variants[0] if rng.random() > spec.others else _any(variants, rng)
        model = bench.machine.model
        complaints = list(model.complaints)
        complaint = complaints[0] if rng.random() > spec.others else _any(complaints, rng)
        known = [c for c in model.contexts if c in bench.machine.priors.contexts]
        contexts = (_any(known, rng),) if known and rng.random() < spec.contexts else ()
        operator = _any(sorted(spec.operators), rng)
        nature = bench.nature(complaint, contexts, operator)
        truth = nature.machine(rng)
        said = rng.random() > spec.unsaid
        readings, minutes = self._readings(bench, truth, operator, said, rng)
        names = [f"{c}.{m}" for c, m in truth.state] or [NONE]
        slower = float(np.exp(spec.slower * rng.standard_normal()))
        grade = str(rng.choice(list(spec.grades), p=_shares(spec.grades)))
        told, wrong = names, False
        if grade == "gave-up":
            guess = self._other(bench, complaint, truth, rng)
            told = [guess] if rng.random() < spec.guesses else []
        elif rng.random() < spec.wrong:
            told, wrong = [self._other(bench, complaint, truth, rng)], True
        work = Work(bench, nature, complaint, operator, said)
        if grade != "gave-up":
            named = {tuple(fault.split(".")) for fault in told}
            mended = tuple(fault for fault in model.faults() if fault in named)
            minutes += work.mend(truth, mended, rng)
            if truth.state and not wrong and not work.cured:
                grade, told = "gave-up", names
        minutes *= slower
        row = {
            "job": f"{self.name}{number + 1}",
            "closed": day.isoformat(),
            "system": model.id,
            "variant": model.variant,
            "complaint": complaint,
            "contexts": list(contexts),
            "faults": told,
            "grade": grade,
            "minutes": round(minutes) if said else None,
            "shop": self.name.rstrip("-"),
            "revises": "",
            "readings": readings + work.items,
        }
        lasts = rng.random() >= bench.machine.bench.work.returns
        if not (rng.random() < spec.found_out if wrong else work.cured and not lasts):
            return _written(row), None
        back = day + timedelta(days=int(rng.integers(*AFTER_DAYS)))
        again = {
            **row,
            "job": f"{row['job']}b",
            "closed": back.isoformat(),
            "faults": names,
            "grade": "bench-bad",
            "minutes": round(0.6 * minutes),
            "revises": row["job"],
            "readings": [],
        }
        return _written(row), _written(again)

    def _readings(
        self, bench: Bench, truth: Truth, operator: str, said: bool, rng: np.random.Generator
    ) -> tuple[list[dict[str, Any]], float]:
        """The routine until it condemns a part and some tests more; the minutes by the book."""
        model = bench.machine.model
        ways = bench.machine.bench.cranking
        usual = max(ways, key=lambda name: ways[name].share)
        how = DRILL if rng.random() < self.spec.drill and DRILL in ways else usual
        out: list[dict[str, Any]] = []
        passed: dict[str, bool] = {}
        opened: set[str] = set()
        minutes, left = 0.0, int(rng.poisson(self.spec.more))
        labour = Labour.of(model)
        condemned = False
        for step in bench.routine.steps:
            test, spec = step.test, model.tests[step.test]
            failed = [t for t, good in passed.items() if not good]
            seen = Seen.of(passed, (t for t, good in passed.items() if good), failed)
            if not allowed(rule_of(model, spec), seen, np.zeros(0)):  # a routine knows no odds
                continue
            item = bench.item(test, how, truth, operator, said, rng)
            tool = bench.machine.instrument(test)
            sign = tool.sign(tool.parse(item["values"])[0])
            passed[test] = sign > 0
            found = sign < 0 if step.when == "fails" else sign > 0
            condemned |= bool(step.condemns) and found
            out.append(item)
            minutes += labour.minutes([test], opened)
            opened.update(labour.needed[test])
            if condemned:
                left -= 1
                if left < 0:
                    break
        return out, minutes

    def _other(self, bench: Bench, complaint: str, truth: Truth, rng: np.random.Generator) -> str:
        """A fault that is not there, as often as this shop's machines have it."""
        have = {f"{c}.{m}" for c, m in bench.machine.model.faults()}
        shares = {r.fault: r.share[complaint] for r in bench.machine.priors.rows if r.fault in have}
        for c, m in truth.state:
            shares.pop(f"{c}.{m}", None)
        return str(rng.choice(list(shares), p=_shares(shares)))


def _any(items: Sequence[Any], rng: np.random.Generator) -> Any:
    return items[int(rng.integers(len(items)))]


def _shares(weights: Mapping[str, float]) -> Array:
    p = np.array(list(weights.values()), dtype=float)
    return np.asarray(p / p.sum())


def _written(row: dict[str, Any]) -> dict[str, Any]:
    """The row without what it does not say."""
    return {k: v for k, v in row.items() if v not in (None, "", []) or k == "faults"}
