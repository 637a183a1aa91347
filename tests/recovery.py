"""Do tuned shares recover the shares that jobs were drawn from? Run as a script for the full
study: ``python tests/recovery.py``; a small one is part of the normal tests.

Each shop draws its true shares and context multipliers from the prior that tuning starts from,
so that 90 % intervals must hold the truth in 90 % of cases (simulation-based calibration:
S. Cook, A. Gelman and D. Rubin, Journal of Computational and Graphical Statistics 15 (2006)).
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from benchodds.learn.pooling import fit
from benchodds.learn.tuned import sample
from benchodds.learn.tuning import Knowledge, prepare
from benchodds.model.priors import multiplier
from past_jobs import Shop, knowledge, shares_of, tally_of

SYSTEM = "mag-cdi"
COMPLAINTS = ("no-spark", "weak-spark")
CONTEXTS = ("washed", "storage", "dies-hot")
LEAST = 0.01
"""Prior share from which on a fault counts as one that is met."""


@dataclass
class Study:
    """What a number of shops showed, all of one size."""

    covered: float  # share of truths inside their 90 % interval, all faults
    covered_met: float  # the same for faults with a prior share of LEAST or more
    error: float  # total variation distance of the tuned shares from the true ones, mean
    error_before: float
    gain: np.ndarray  # KL(truth, shipped) - KL(truth, tuned) in nats, by shop


def study(n: int, shops: int, draws: int, seed: int, slipped: float = 0.0) -> Study:
    """Draw shops of n jobs each, tune each, compare with its truth."""
    known = knowledge(SYSTEM)
    rows = [
        one(n, draws, np.random.default_rng([seed, n, i]), known, slipped) for i in range(shops)
    ]
    inside, met, error, before, gain = (np.array(c) for c in zip(*rows, strict=True))
    return Study(
        float(inside.mean()), float(met.mean()), float(error.mean()), float(before.mean()), gain
    )


def one(
    n: int, draws: int, rng: np.random.Generator, known: Knowledge, slipped: float
) -> tuple[float, float, float, float, float]:
    """One shop: coverage, coverage of faults met, errors after and before, gain in nats."""
    priors = known.priors[SYSTEM]
    base = {c: shares_of(priors, c) for c in COMPLAINTS}
    truth, contexts = {}, {}
    for c, shares in base.items():
        alpha = priors.strength * np.array(list(shares.values()))
        drawn = rng.gamma(np.maximum(alpha, 1e-9))
        truth[c] = dict(zip(shares, drawn / drawn.sum(), strict=True))
    pooling = known.learning.pooling["context"]
    for name in CONTEXTS:
        a = np.exp(rng.normal(np.log(pooling.typical), np.log(pooling.factor)))
        contexts[name] = {}
        for f, share in base["no-spark"].items():
            centre, shape = multiplier(priors.contexts[name], f), a * max(share, 1e-6)
            contexts[name][f] = float(max(centre * rng.gamma(shape) / shape, 1e-12))
    shop = Shop(truth, known.learning, suspected=base, contexts=contexts, slipped=slipped)
    jobs = [shop.case(i, COMPLAINTS[i % 3 == 0], rng, n) for i in range(n)]
    counted = prepare(tally_of(jobs), known)
    drawn = sample(counted.problem, fit(counted.problem), rng, draws)
    inside, met, error, before, gain = [], [], [], [], []
    for c in COMPLAINTS:
        x = drawn.shares[SYSTEM, c]
        true = np.array([truth[c][f] for f in counted.problem.faults])
        was = np.array([base[c][f] for f in counted.problem.faults])
        low, high = np.quantile(x, [0.05, 0.95], axis=0)
        some = was > 0
        hit = ((true >= low) & (true <= high))[some]
        inside.append(hit.mean())
        met.append(hit[was[some] >= LEAST].mean())
        mean = x.mean(axis=0)
        error.append(np.abs(mean - true).sum() / 2)
        before.append(np.abs(was - true).sum() / 2)
        gain.append(float((true[some] * np.log(mean[some] / was[some])).sum()))
    return tuple(float(np.mean(v)) for v in (inside, met, error, before, gain))  # type: ignore[return-value]


def main() -> None:
    """The full study, printed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=60)
    parser.add_argument("--draws", type=int, default=600)
    options = parser.parse_args()
    print("jobs  wrong  covered  of those met  error  before  gain nats  worst shop")
    for slipped in (0.0, 0.03):
        for n in (50, 500, 5000):
            s = study(n, options.shops, options.draws, 1, slipped)
            print(
                f"{n:5} {slipped:5.0%} {s.covered:8.1%} {s.covered_met:13.1%} {s.error:6.3f} "
                f"{s.error_before:7.3f} {s.gain.mean():10.3f} {s.gain.min():11.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
