"""Random jobs as benches bring them: sensible readings in any order, odd words among them.

A machine, its gear and its operator are drawn from the network; each reading is drawn from the
chances that its own test has there, by some way of cranking and some meter, said or not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchodds.basics.tables import Network
from benchodds.choose.coarse import written
from benchodds.infer.assess import Machine
from benchodds.model.jobs import Job, Technique
from benchodds.trials.draws import Nature, Truth
from made_jobs import job_of

ODD = 0.06
"""Share of readings that are an odd word rather than what the test would show."""
TWO = 0.2
"""Share of machines with two faults."""
AGAIN = 0.15
"""Share of readings that repeat a test done before."""


@dataclass(frozen=True)
class Said:
    """A reading as somebody would write it down."""

    test: str
    values: tuple[str, ...]
    technique: Technique

    @property
    def line(self) -> str:
        """As a line of a sheet for ``record --file``."""
        words = [self.test, *(f'"{v}"' for v in self.values)]
        names = {"temp_c": "temp"}
        rest = [f"{names.get(k, k)}={v}" for k, v in self.technique.as_data().items()]
        said = [r.replace("=True", "=yes").replace("=False", "=no") for r in rest]
        return " ".join(words) + (f"; {' '.join(said)}" if said else "")


def random_readings(
    machine: Machine, complaint: str, n: int, rng: np.random.Generator
) -> list[Said]:
    """``n`` readings of one drawn machine."""
    few = machine.coarse
    truth = _drawn(few.prior(complaint, ()), rng)
    tests, out = list(few.model.tests), list[Said]()
    for _ in range(n):
        repeat = out and rng.random() < AGAIN
        test = out[rng.integers(len(out))].test if repeat else str(rng.choice(tests))
        technique = _technique(few, test, rng)
        out.append(Said(test, _values(few, test, technique, truth, rng), technique))
    return out


def _drawn(network: Network, rng: np.random.Generator) -> Truth:
    """A machine with one fault, now and then two, and its session; rare faults as often as not."""
    faults = [(c, i) for c in network.roots for i in range(1, network.variables[c].size)]
    some = rng.choice(len(faults), size=1 + int(rng.random() < TWO), replace=False)
    here = dict.fromkeys(network.roots, 0) | dict(faults[int(i)] for i in some)
    nature = Nature(replace(network, findings={}, special=()))
    drawn = nature.crowd({c: np.array([i]) for c, i in here.items()}, 1, rng)
    state = tuple((c, network.variables[c].states[i]) for c, i in here.items() if i)
    return Truth({v: int(at[0]) for v, at in drawn.at.items()}, state)


def random_job(machine: Machine, n: int, seed: int) -> Job:
    """A job of a drawn complaint with ``n`` readings."""
    rng = np.random.default_rng(seed)
    complaint = str(rng.choice(list(machine.model.complaints)))
    said = random_readings(machine, complaint, n, rng)
    return job_of(machine, [(s.test, s.values, s.technique) for s in said], complaint)


def _technique(machine: Machine, test: str, rng: np.random.Generator) -> Technique:
    """Half of what can be said of a reading is not."""
    bench, kind = machine.bench, machine.model.tests[test].kind
    hows = [name for name, way in bench.cranking.items() if way.share > 0]
    said = rng.random(6) < 0.5
    return Technique(
        how=str(rng.choice(hows)) if said[0] else None,
        meter=str(rng.choice(["10M", "1M", "20k/V"])) if said[1] else None,
        leads=str(rng.choice(["nulled", "raw"])) if said[2] and kind == "meter" else None,
        temp_c=float(rng.choice([10, 20, 70])) if said[3] and kind == "meter" else None,
        unplugged=bool(rng.integers(2)) if said[4] else None,
        light=str(rng.choice(["dark", "daylight"])) if said[5] and kind == "spark" else None,
    )


def _values(
    machine: Machine, test: str, technique: Technique, truth: Truth, rng: np.random.Generator
) -> tuple[str, ...]:
    tool = machine.instrument(test)
    kind = tool.test.kind
    if rng.random() < ODD:
        odd = {"meter": ["OL", "unstable", "not-taken"], "peak": ["unstable", "not-taken"]}
        word = str(rng.choice(odd.get(kind, ["not-taken", "impossible"])))
        low, high = tool.span
        unit = tool.test.unit
        return (f"unstable {low:g}..{high:g} {unit}" if word == "unstable" else word,)
    known = Technique(how=technique.how, meter=technique.meter, unplugged=technique.unplugged)
    outcomes, table = machine.predictive(test, known)
    p = table.p[tuple(truth.at[v] for v in table.scope[:-1])]
    several = int(rng.integers(1, 4)) if kind == "peak" and rng.random() < 0.5 else 1
    drawn = rng.choice(len(outcomes), size=several, p=p / p.sum())
    return tuple(written(tool, outcomes, int(i)) for i in drawn)
