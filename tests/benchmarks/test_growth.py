"""How work grows with a record: python -m pytest tests/benchmarks --benchmark-enable -n 0 -s"""

from __future__ import annotations

import sys
import time

import pytest

from benchodds.model.events import Event
from benchodds.model.jobs import fold, open_event

pytestmark = pytest.mark.skipif(
    "--benchmark-enable" not in sys.argv, reason="speed is measured on demand: --benchmark-enable"
)
AT = "2026-03-01T09:00:00+00:00"


def long_history(n: int) -> list[Event]:
    """A legal history of about ``n`` events of all kinds that grow a record."""
    out = [
        open_event(
            at=AT, uid="0", system="mag-cdi", variant="early", complaint="no-spark", contexts=[],
            model_version="1", prior_set="mag-cdi", prior_version="1",
        )
    ]  # fmt: skip
    for i in range(n // 4):
        seq = len(out) + 1
        taken = {"test": "vexc", "values": ["112 V"], "technique": {}}
        out += [
            Event(seq, AT, "reading", taken, f"r{i}"),
            Event(seq + 1, AT, "struck", {"reading": f"R{i + 1}", "reason": "slip"}, f"s{i}"),
            Event(seq + 2, AT, "gear", {"items": {f"item {i}": "x"}}, f"g{i}"),
            Event(seq + 3, AT, "note", {"text": "x"}, f"n{i}"),
        ]
    return out


def test_a_long_record() -> None:
    """Seconds for ten times the events against those for the events: about ten is linear."""

    def seconds(history: list[Event]) -> float:
        best = float("inf")
        for _ in range(3):
            start = time.process_time()
            fold("1", history)
            best = min(best, time.process_time() - start)
        return best

    ratio = seconds(long_history(30_000)) / seconds(long_history(3_000))
    print(f"\n30,000 events against 3,000: {ratio:.1f} x the time")
