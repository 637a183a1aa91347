"""Minutes that the advice would have saved or cost, on jobs as they were done.

A job is done over with the tests that were really done, in the order that information per
minute would have chosen, until the part that proved to be at fault stands out; and in the
order they were done in, until the same. Only what was measured can be replayed: a better test
that nobody did is not seen, so what is saved is a floor under what the advice may save.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchodds.basics.tables import Array
from benchodds.choose.information import mutual_information
from benchodds.choose.labour import Labour
from benchodds.learn.likelihoods import ReadingWorth, fault_names
from benchodds.learn.written import Written


@dataclass(frozen=True)
class Replay:
    """Minutes until the part stood out, as done and as advised, and whether it ever did."""

    done: float
    advised: float
    found: bool


def replay(
    worth: ReadingWorth, readings: Sequence[Written], shares: Array, truth: int, sure: float
) -> Replay:
    """One job done over.

    Parameters
    ----------
    shares : (n_faults,) array
        Odds before any reading, in the order of :func:`fault_names`.
    truth : int
        Index of the fault that proof found.
    sure : float
        Probability of its part at which the search is over.
    """
    model = worth.machine.model
    names = fault_names(model)
    part = np.array([f.split(".")[0] == names[truth].split(".")[0] for f in names])

    def over(order: Sequence[Written]) -> bool:
        return _part(worth, order, shares, part) >= sure

    labour, as_done = Labour.of(model), list[Written]()
    while len(as_done) < len(readings) and not over(as_done):
        as_done.append(readings[len(as_done)])
    advised: list[Written] = []
    rest = list(readings)
    while rest and not over(advised):
        advised.append(rest.pop(_best(worth, labour, advised, rest, shares)))
    done, best = (labour.minutes([r.test for r in order]) for order in (as_done, advised))
    return Replay(done, best, over(advised) or over(as_done))


def _posterior(worth: ReadingWorth, order: Sequence[Written], shares: Array) -> Array:
    p = shares * (worth(tuple(order)) if order else 1.0)
    return np.asarray(p / p.sum())


def _part(worth: ReadingWorth, order: Sequence[Written], shares: Array, part: Array) -> float:
    return float(_posterior(worth, order, shares) @ part)


def _best(
    worth: ReadingWorth,
    labour: Labour,
    done: Sequence[Written],
    rest: Sequence[Written],
    shares: Array,
) -> int:
    """Which of the remaining tests tells most per minute now."""
    p = _posterior(worth, done, shares)
    opened = {s for reading in done for s in labour.needed[reading.test]}
    rates = []
    for reading in rest:
        cost = labour.minutes([reading.test], opened)
        rates.append(mutual_information(p, worth.outcomes(tuple(done), reading)) / cost)
    return int(np.argmax(rates))
