"""Jobs on which tool and witness are set beside each other, none picked by what it shows.

Pairs of tests of one chain, meters of both kinds, every way of cranking, hook-ups that are shared
and not, ohms, sparks, looks and swaps; the jobs of ``tests/data/job_set.jsonl`` come on top.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from witness.machine import ROOT
from witness.sampler import Job

DRILL, KICK, SOFT = ({"how": h} for h in ("drill", "firm-kick", "soft-kick"))
STARTER, WEAK = {"how": "starter"}, {"how": "weak-starter"}
GOOD, CHEAP, ANALOGUE = ({"meter": m} for m in ("10M", "1M", "20k/V"))
THREE, SAME = {"kicks": 3}, {"same_hookup": True}
RAW, NULLED = {"leads": "raw"}, {"leads": "nulled"}

Row = tuple[str, list[str], dict[str, Any]]


def row(test: str, values: str, *how: dict[str, Any]) -> Row:
    """One reading; several values stand apart by commas."""
    return test, values.split(", "), {k: v for part in how for k, v in part.items()}


def no_spark(*rows: Row, **more: Any) -> Job:
    """A job on the magneto-fed ignition, early variant."""
    return Job("mag-cdi", more.pop("complaint", "no-spark"), rows, **more)


MAG_CDI = [
    # the exciter and its loaded twin
    no_spark(
        row("vexc", "118, 96, 124", CHEAP, DRILL), row("vexc-load", "52, 61, 47", CHEAP, DRILL)
    ),
    no_spark(row("vexc", "87", GOOD, KICK, THREE), row("vexc-load", "60", GOOD, KICK, THREE)),
    no_spark(row("vexc", "155", GOOD, DRILL), row("vexc-load", "98", GOOD, DRILL)),
    no_spark(row("vexc", "74", CHEAP, KICK, THREE), row("vexc-load", "31", CHEAP, KICK, THREE)),
    no_spark(row("vexc", "48", ANALOGUE, SOFT), row("vexc-load", "22", ANALOGUE, SOFT)),
    no_spark(row("vexc", "66"), row("vexc-load", "40")),
    # exciter, pulse and primary
    no_spark(row("vexc", "142", GOOD, STARTER), row("vpri", "60", GOOD, STARTER)),
    no_spark(row("vpul", "2.1", GOOD, DRILL), row("vpri", "2", GOOD, DRILL, {"unplugged": True})),
    no_spark(row("vpul", "0.45", CHEAP, KICK, THREE), row("vexc", "63", CHEAP, KICK, THREE)),
    no_spark(row("vpul", "0.9", GOOD, KICK), row("vpri", "38, 4, 51", GOOD, KICK)),
    no_spark(row("vexc", "0.0", KICK, THREE), row("vpul", "0.0", KICK, THREE), row("adapt", "8.4")),
    no_spark(
        row("vexc", "0.0", GOOD, DRILL),
        row("vexc", "131", GOOD, DRILL),
        row("vexc", "128", GOOD, DRILL, SAME),
    ),
    no_spark(row("vexc", "12", GOOD, DRILL), row("vexc", "14", GOOD, DRILL, SAME)),
    # ohms
    no_spark(row("stop-r", "12k")),
    no_spark(row("stop-r", "12k", {"unplugged": False}), row("stop-wire", "OL")),
    no_spark(row("rexc", "10.4"), row("rpul", "188"), row("rlight", "0.9", NULLED)),
    no_spark(row("rpri", "3.2", RAW), row("wiggle", "changes")),
    no_spark(row("gnd-vd", "0.35"), row("gnd-ohm", "0.4")),
    no_spark(row("rexc", "8.1", {"temp_c": 35.0}), row("vexc", "41", GOOD, DRILL)),
    no_spark(row("cap-r", "41k"), row("rsec-cap", "47k"), row("rsec", "5.2k")),
    # sparks, looks and swaps
    no_spark(row("gap", "weak 6/10"), row("stop-disc", "strong 10/10"), complaint="weak-spark"),
    no_spark(row("plug-vis", "black-wet"), row("plug-spark", "none 0/10"), contexts=["storage"]),
    no_spark(row("gap", "none 0/10", DRILL), row("swap-coil", "strong 10/10")),
    no_spark(row("gap", "strong 10/10", {"light": "dark"}), row("gap-hot", "none 0/10")),
]

BY_SYSTEM: dict[str, list[Job]] = {"mag-cdi": MAG_CDI}


def told(system: str) -> Iterator[Job]:
    """Every job of a system: those above, and those that other tests read."""
    yield from BY_SYSTEM.get(system, [])
    for line in (ROOT / "tests/data/job_set.jsonl").read_text().splitlines():
        row = json.loads(line)
        if row["system"] == system:
            keys = ("system", "complaint", "readings", "variant", "contexts")
            yield Job(**{k: row[k] for k in keys})
