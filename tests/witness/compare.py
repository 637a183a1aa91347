"""The tool's odds beside those of the witness."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import lru_cache

from benchodds.infer.assess import Machine, assess
from benchodds.infer.intermittent import all_steady
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.model.jobs import Technique
from made_jobs import job_of
from witness.sampler import Found, Job, posterior


@lru_cache(maxsize=2)
def machine(system: str, variant: str) -> Machine:
    """The shipped machine, whose faults are steady."""
    model = files.load_system(system, variant or None)
    bench = files.load_bench(model.bench)
    made = Machine(model, bench, files.load_priors(system), *physics(model, bench))
    return all_steady(made)


def odds(job: Job, m: Machine | None = None) -> tuple[dict[str, float], float]:
    """Posterior of every fault, part and of the gear, and what the readings add to log evidence."""
    m = m or machine(job.system, job.variant)
    rows = [(t, list(v), Technique.from_data(dict(how))) for t, v, how in job.readings]
    found = assess(m, job_of(m, rows, job.complaint, job.contexts))
    before = assess(m, job_of(m, [], job.complaint, job.contexts))
    out = {f"{c}.{mode}": p for (c, mode), p in found.p_mode.items()} | dict(found.p_fault)
    names = {"adapter dead": "adapter dead", "meter off": "meter off"}
    out |= {names[k]: p for i, s, p in found.gear if (k := f"{i} {s}") in names}
    return out, found.posterior.log_evidence - before.posterior.log_evidence


@dataclass
class Difference:
    """How far the tool is from the witness in one job."""

    worst: str
    tool: float
    witness: float
    error: float
    nats: float
    nats_error: float
    over: list[tuple[str, float, float, float]]

    @property
    def by(self) -> float:
        """The greatest difference of a posterior."""
        return self.tool - self.witness


def compared(job: Job, found: Found, told: tuple[dict[str, float], float]) -> Difference:
    """The greatest difference, and all beyond the goal: .003, or three standard errors."""
    p, log_evidence = told
    names = [k for k in found.p if k in p]
    gaps = sorted(names, key=lambda k: -abs(p[k] - found.p[k]))
    over = [
        (k, p[k], found.p[k], found.error[k])
        for k in gaps
        if abs(p[k] - found.p[k]) > max(0.003, 3 * found.error[k])
    ]
    k = gaps[0]
    nats = log_evidence - found.log_evidence
    return Difference(k, p[k], found.p[k], found.error[k], nats, found.log_error, over)


def report(job: Job, target: float = 1e-3, most: int = 2000) -> Difference:
    """Print one line on a job, and those beyond the goal below it."""
    start = time.process_time()
    told = odds(job)
    middle = time.process_time()
    found = posterior(job, target, most)
    end = time.process_time()
    d = compared(job, found, told)
    tests = " ".join(f"{t}={','.join(v)}" for t, v, _ in job.readings)
    print(
        f"{d.by:+.4f} +- {d.error:.4f} {d.worst:14} nat {d.nats:+.3f} +- {d.nats_error:.3f} "
        f"left {found.left_out:.0e} ess {found.ess:.2f} {middle - start:.1f}s {end - middle:.1f}s "
        f"| {tests}",
        flush=True,
    )
    for name, a, b, e in d.over[:6]:
        print(f"    {name:16} tool {a:.4f} witness {b:.4f} +- {e:.4f}", flush=True)
    return d
