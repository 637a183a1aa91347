"""Choosing: speed, growth, and distance from the optimum, on demand.

python -m pytest tests/benchmarks/test_choosing_speed.py --benchmark-enable -n 0 -s

Times are of the process (one core, whatever else runs); nothing here asserts a time.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import synthetic
from benchodds.choose.board import Board, bits_error
from benchodds.choose.choosing import decision_of
from benchodds.choose.decision import Decision, Step
from benchodds.choose.lookahead import ONE, Depth, fitting, look_ahead
from benchodds.choose.planning import plan
from benchodds.choose.policies import usual
from benchodds.infer.assess import assess
from benchodds.keep import files
from benchodds.keep.session import load_machine
from benchodds.keep.shopfile import load_shop
from benchodds.model import jobs
from optimum import Act, Optimum
from small_decisions import random_decision

pytestmark = pytest.mark.skipif(
    "--benchmark-enable" not in sys.argv, reason="speed is measured on demand: --benchmark-enable"
)

SIZES = (10, 20, 50, 100, 150, 200)


def seconds(call: Callable[[], Any], n: int = 3) -> tuple[float, Any]:
    """Least process time of n calls, and the last result."""
    times, result = [], None
    for _ in range(n):
        start = time.process_time()
        result = call()
        times.append(time.process_time() - start)
    return min(times), result


def test_shipped_systems(capsys: pytest.CaptureFixture[str]) -> None:
    """Bits per minute (one step), one step with an estimate, two steps, on every system."""
    shop = load_shop()
    lines = ["system      tests  rank  decision  estimate  two steps, ms (places)"]
    for name in files.available("models"):
        if name == "bench" or name not in files.available("priors"):
            continue
        machine = load_machine(name, None, name)
        model = machine.model
        event = jobs.open_event(
            at="2026-01-05T09:00:00Z",
            uid="0",
            system=name,
            variant=model.variant,
            complaint=next(iter(model.complaints)),
            contexts=[],
            model_version=model.version,
            prior_set=name,
            prior_version=machine.priors.version,
        )
        job = jobs.fold("b", [event])
        plan(assess(machine, job), load_shop())
        found = assess(machine, job)
        ranking, _ = seconds(lambda m=machine, j=job: plan(assess(m, j), load_shop()))  # type: ignore[misc]
        made, d = seconds(lambda m=machine, j=job, f=found: decision_of(m, j, f, shop))  # type: ignore[misc]
        one, _ = seconds(lambda d=d: look_ahead(d, ONE))  # type: ignore[misc]
        two, seen = seconds(lambda d=d: look_ahead(d, Depth()))  # type: ignore[misc]
        lines.append(
            f"{name:<11} {len(model.tests):>5} {ranking * 1e3:>5.0f} {made * 1e3:>9.0f} "
            f"{one * 1e3:>9.0f} {two * 1e3:>10.0f} ({seen.places})"
        )
    with capsys.disabled():
        print("\n" + "\n".join(lines))


def test_growth(capsys: pytest.CaptureFixture[str]) -> None:
    """Parts in series, ten to two hundred, two tests for each: what grows how.

    States: none, all single faults, 60 pairs: with the parts. Ranking, and the work at one
    place of the look-ahead: tests by states, so with the square. Places are bounded by the
    floor under chances; where a second does not do, fewer are looked at (``fitting``). What is
    left out is stated as weight, and as bits that a test could tell beyond.
    """
    shop, job = load_shop(), synthetic.job()
    lines = [
        "parts tests states  odds  rank  decision  look  sum, s  steps places  left out   bits"
    ]
    sizes, sums = [], []
    for n in SIZES:
        machine = synthetic.machine(n)
        plan(assess(machine, job), load_shop())
        odds, found = seconds(lambda m=machine: _folded(m, job), 2)  # type: ignore[misc]
        ranking, _ = seconds(lambda f=found: plan(f, load_shop()), 2)  # type: ignore[misc]
        made, d = seconds(lambda m=machine, f=found: decision_of(m, job, f, shop), 2)  # type: ignore[misc]
        look, seen = seconds(lambda d=d: look_ahead(d), 2)  # type: ignore[misc]
        total = odds + ranking + made + look
        sizes.append(n)
        sums.append(ranking)
        depth = "estimate" if seen.depth == ONE else str(seen.depth.steps)
        lines.append(
            f"{n:>5} {len(machine.model.tests):>5} {len(d.states):>6} {odds:>5.2f} {ranking:>5.2f} "
            f"{made:>9.2f} {look:>5.2f} {total:>7.2f} {depth:>6} {seen.places:>6} "
            f"{seen.left_out:>9.3f} {bits_error(seen.left_out, 4):>6.3f}"
        )
    slope = np.polyfit(np.log(sizes[2:]), np.log(sums[2:]), 1)[0]
    lines.append(f"ranking grows with the power {slope:.1f} of the parts from {sizes[2]} on")
    with capsys.disabled():
        print("\n" + "\n".join(lines))


def _folded(machine: Any, job: Any) -> Any:
    found = assess(machine, job)
    _ = found.state_p
    return found


def test_distance_from_the_optimum(capsys: pytest.CaptureFixture[str]) -> None:
    """200 small decisions: expected cost over the least, following each way to the end."""

    def follow(choose: Callable[[Decision], Step]) -> Callable[[Decision], Act]:
        def rule(d: Decision) -> Act:
            step = choose(d)
            return step.kind, step.name

        return rule

    ways = {
        "bits per minute": follow(usual),
        "one step": follow(lambda d: look_ahead(d, Depth(1)).best.step),
        "two steps": follow(lambda d: look_ahead(d, Depth(2)).best.step),
        "as deep as fits": follow(lambda d: look_ahead(d).best.step),
    }
    rows = []
    for seed in range(200):
        gear = 1 + seed % 2
        rng = np.random.default_rng(seed)
        optimum = Optimum(random_decision(rng, 3 + seed // 2 % 2, 3 if gear == 1 else 2, gear))
        least = optimum.value()
        rows.append([optimum.cost_of(way) / least - 1 for way in ways.values()])
    over = 100 * np.array(rows)
    with capsys.disabled():
        print("\nover the optimum, %   mean    95 %     max   over 2 %  over 10 %")
        for name, column in zip(ways, over.T, strict=True):
            print(
                f"{name:<18} {column.mean():>8.3f} {np.quantile(column, 0.95):>7.2f} "
                f"{column.max():>7.2f} {(column > 2).mean():>10.3f} {(column > 10).mean():>10.3f}"
            )


def test_bits_and_states_kept(capsys: pytest.CaptureFixture[str]) -> None:
    """What merging outcomes and leaving out states loses on a shipped system."""
    machine = load_machine("mag-cdi", None, "mag-cdi")
    model = machine.model
    event = jobs.open_event(
        at="2026-01-05T09:00:00Z",
        uid="0",
        system="mag-cdi",
        variant=model.variant,
        complaint="no-spark",
        contexts=[],
        model_version=model.version,
        prior_set="mag-cdi",
        prior_version=machine.priors.version,
    )
    job = jobs.fold("b", [event])
    decision = replace(decision_of(machine, job, assess(machine, job), load_shop()), missing=0.0)
    with capsys.disabled():
        print("\noutcomes  states kept  left out  most bits lost by merging")
        for most in (2, 3, 4, 6):
            board = Board(decision, most, 0.99)
            worst = max(board.lost, key=lambda t: board.lost[t])
            print(
                f"{most:>8} {len(board.decision.states):>12} {board.left_out:>9.3f} "
                f"{board.lost[worst]:>12.4f} ({worst}); looks {fitting(board).steps} steps"
            )
