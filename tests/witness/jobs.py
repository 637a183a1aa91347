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


def of(system: str, complaint: str, *rows: Row, **more: Any) -> Job:
    """A job on another system."""
    return Job(system, complaint, rows, **more)


DC_CDI = [
    of("dc-cdi", "no-spark", row("vbat-crank", "10.2"), row("supply-crank", "8.1")),
    of("dc-cdi", "no-spark", row("supply-key", "12.1"), row("supply-lamp", "9.4")),
    of("dc-cdi", "no-spark", row("supply-drop", "1.9"), row("key-drop", "0.3")),
    of("dc-cdi", "cuts-out", row("gnd-drop", "0.62"), row("gnd-ohm", "0.4")),
    of("dc-cdi", "no-spark", row("supply-drop", "12.4-10.9"), row("post-drop", "0.05")),
    of("dc-cdi", "no-spark", row("vpul", "0.7", GOOD, THREE), row("vpri", "3.1", GOOD, THREE)),
    of("dc-cdi", "no-spark", row("vpul", "1.4, 0.9, 1.6", CHEAP, STARTER), row("rpul", "205")),
    of("dc-cdi", "weak-spark", row("vpri", "96", CHEAP, DRILL), row("supply-crank", "9.6")),
    of("dc-cdi", "no-spark", row("chain-r", "41"), row("kill-r", "38", RAW)),
    of("dc-cdi", "no-spark", row("gap", "none 0/10"), row("chain-byp", "strong 10/10")),
    of("dc-cdi", "no-spark", row("gap", "none 0/10"), row("swap-mod", "strong 10/10")),
    of("dc-cdi", "no-spark", row("rsec", "6.1k"), row("rsec-cap", "52k"), variant="late"),
]

TCI = [
    of("tci", "no-spark", row("vbat-crank", "10.4"), row("supply-crank", "7.2")),
    of("tci", "no-spark", row("supply-key", "12.3"), row("supply-load", "8.8")),
    of("tci", "no-spark", row("chain-drop", "2.1"), row("kill-r", "1.9", RAW)),
    of("tci", "cuts-out", row("gnd-drop", "12.31-11.8"), row("strap-drop", "0.2")),
    of("tci", "no-spark", row("con-drop", "0.9"), row("chain-r", "0.4")),
    of("tci", "no-spark", row("vpri", "62", GOOD, THREE), row("rpri", "3.4", NULLED)),
    of("tci", "no-spark", row("vpri", "120, 150, 95", CHEAP), row("vpul", "2.2", CHEAP, THREE)),
    of("tci", "no-spark", row("vpul", "0.4", GOOD, DRILL), row("rpul", "201", {"unplugged": True})),
    of("tci", "no-spark", row("vneg", "12.4"), row("vpri", "9.1", GOOD, STARTER)),
    of("tci", "weak-spark", row("gap", "weak 5/10"), row("plug-spark", "none 0/10")),
    of("tci", "no-spark", row("gap", "none 0/10"), row("swap-coil", "strong 10/10")),
    of("tci", "no-spark", row("rsec", "13.1k"), row("cap-r", "88k"), variant="late"),
]

CHARGING = [
    of("charging", "battery-flat", row("vac-ab", "41"), row("vac-bc", "63")),
    of("charging", "battery-flat", row("vdc-fast", "13.1"), row("icharge", "3.4")),
    of("charging", "battery-flat", row("vdc-idle", "12.9"), row("vdc-load", "12.4")),
    of("charging", "battery-flat", row("drop-pos", "0.42"), row("drop-conn", "0.31")),
    of("charging", "battery-flat", row("drop-pos", "14.31-13.92")),
    of("charging", "battery-flat", row("rleg-ab", "0.9", NULLED), row("vac-ab", "38")),
    of("charging", "battery-flat", row("vbat-rest", "12.1"), row("vbat-load", "9.1")),
    of("charging", "battery-flat", row("leak", "0.012"), row("leak-reg", "0.0007")),
    of("charging", "battery-flat", row("leg-gnd", "45k"), row("ripple", "0.9")),
    of(
        "charging",
        "overcharged",
        row("vdc-fast", "15.3"),
        row("sense-drop", "0.6"),
        variant="series",
    ),
    of(
        "charging", "overcharged", row("vdc-fast", "16.8"), row("vdc-hot", "16.1"), variant="series"
    ),
]

STARTER_JOBS = [
    of("starter", "slow-crank", row("vbat-crank", "9.1"), row("icrank", "160")),
    of("starter", "slow-crank", row("drop-pos", "0.9"), row("drop-post", "0.5")),
    of("starter", "slow-crank", row("drop-gnd", "1.1"), row("gnd-ohm", "0.4")),
    of("starter", "slow-crank", row("drop-gnd", "10.3-9.4"), row("vstart", "8.4")),
    of("starter", "slow-crank", row("drop-cable", "0.7"), row("drop-sol", "0.2")),
    of("starter", "slow-crank", row("vbat-rest", "12.3"), row("vbat-load", "9.2")),
    of("starter", "slow-crank", row("icrank", "62"), row("vstart", "7.9")),
    of("starter", "no-crank", row("sol-supply", "6.2"), row("rbutton", "2.4")),
    of("starter", "no-crank", row("rcoil", "4.1"), row("listen", "click")),
    of("starter", "no-crank", row("vbat-crank", "12.4"), row("drop-sol", "12.2")),
    of("starter", "no-crank", row("rcable", "0.7"), row("lamps", "die"), variant="late"),
]

BY_SYSTEM = {
    "mag-cdi": MAG_CDI,
    "dc-cdi": DC_CDI,
    "tci": TCI,
    "charging": CHARGING,
    "starter": STARTER_JOBS,
}


def told(system: str) -> Iterator[Job]:
    """Every job of a system: those above, and those that other tests read."""
    yield from BY_SYSTEM.get(system, [])
    for line in (ROOT / "tests/data/job_set.jsonl").read_text().splitlines():
        row = json.loads(line)
        if row["system"] == system:
            keys = ("system", "complaint", "readings", "variant", "contexts")
            yield Job(**{k: row[k] for k in keys})
