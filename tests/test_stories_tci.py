"""Acceptance stories of the transistor-controlled inductive ignition, through the command line.

Each step of a story asks for the order of the leading faults and for the next step; the bands
are wide. The reasoning stands beside the readings. Machines and readings are invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bench_cli import BenchJob

STARTER = {"how": "starter"}


@pytest.fixture
def job(tmp_path: Path):
    """A job opener: ``job(complaint, *contexts, variant=...)``."""

    def opened(complaint: str = "no-spark", *contexts: str, **opts: str) -> BenchJob:
        return BenchJob(tmp_path / "store.sqlite", complaint, *contexts, system="tci", **opts)

    return opened


def test_unloaded_supply_proves_little(job) -> None:
    """Truth: stand.highR. Trap: 12.4 V at the coil, key on, igniter off."""
    bench = job()
    bench.record("crank-sound", "brisk")
    bench.record("gap", "none 0/10")
    before = bench.odds()
    # Open switches are cleared by volts without current; resistances are not.
    bench.record("supply-key", "12.4")
    odds = bench.odds()
    assert odds["stand.open"] + odds["kill.open"] + odds["fuse.blown"] < 0.05
    for fault in ("stand.highR", "kill.highR", "con.highR"):
        assert odds[fault] > 0.9 * before[fault]
    # With 1.8 A half of the volts are gone.
    bench.record("supply-load", "6.4")
    odds = bench.odds()
    way = ("stand.highR", "kill.highR", "con.highR", "switch.highR", "gnd.highR", "fuse.highR")
    assert set(odds.order(4)) <= set(way)
    assert sum(odds[f] for f in way) > 0.9
    assert odds["igniter.*"] < 0.05
    assert odds["battery.*"] < 0.1
    assert bench.best()[0] == "chain-drop"
    bench.record("chain-drop", "5.4")
    odds = bench.odds()
    assert set(odds.order(2)) == {"stand.highR", "kill.highR"}
    assert odds["con.highR"] < 0.03
    assert bench.best()[0] in {"kill-r", "stand-r"}
    # 0.4 ohm with raw leads is mostly leads: above the limit of 0.3, and no evidence against it.
    bench.record("kill-r", "0.4", leads="raw")
    odds = bench.odds()
    assert odds["stand.highR"] > 0.9
    bench.record("stand-r", "5.8", leads="raw")
    assert bench.best()[0] == "stand-switch"


def test_wide_pulse_gap(job) -> None:
    """Truth: pul.gap. Trap: the winding's ohms are right, so 'the pulse winding is good'."""
    bench = job("no-spark", "stator-work")
    bench.record("crank-sound", "brisk")
    bench.record("gap", "none 0/10")
    bench.record("adapt", "8.5")
    # Ten volts at the coil's negative pin: supply and primary are there, nobody switches.
    bench.record("vpri", "9.9", **STARTER)
    odds = bench.odds()
    assert odds["pul.*"] > 0.4
    assert odds["kill.open"] + odds["stand.open"] + odds["fuse.blown"] < 0.03
    assert odds["coil.pri-open"] < 0.02
    bench.record("vpul", "0.2", **STARTER)
    odds = bench.odds()
    assert set(odds.order(2)) == {"pul.open", "pul.gap"}
    assert bench.best()[0] == "rpul"
    # 218 ohm: neither open nor short of turns. A wide gap lowers only the peak.
    bench.record("rpul", "218")
    odds = bench.odds()
    assert odds.order(1) == ["pul.gap"]
    assert odds["pul.gap"] > 0.6
    assert odds["pul.open"] < 0.03
    # Setting the gap is cheap; a new winding is not offered.
    assert bench.best()[0] in {"set-gap", "airgap", "supply-crank"}
    bench.record("airgap", "wide")
    assert bench.odds()["pul.gap"] > 0.95
    assert bench.best()[0] == "set-gap"


def test_new_igniter_that_is_bad(job) -> None:
    """Truth: igniter.dead, replaced last week. Traps: 'it is new'; 'all else passes, buy one'."""
    bench = job("no-spark", "igniter-new")
    bench.record("crank-sound", "brisk")
    bench.record("gap", "none 0/10")
    bench.record("adapt", "8.5")
    bench.record("vpri", "9.7", **STARTER)
    bench.record("vpul", "2.4", **STARTER)
    bench.record("supply-load", "12.0")
    bench.record("gnd-drop", "0.04")
    # The plugs were moved: a pin that does not touch stands beside the new igniter.
    odds = bench.odds()
    assert set(odds.order(2)) == {"con.pin", "igniter.dead"}
    assert 0.25 < odds["igniter.dead"] < 0.75
    # Re-seating the pins is next to free; an igniter on elimination is not offered.
    assert bench.best()[0] in {"connectors", "wiggle", "swap-igniter", "rpri"}
    bench.record("wiggle", "nothing")
    # A donor igniter is risked only after the primary's ohms have passed.
    left = {x["test"]: x["reason"] for x in bench.next()["left_out"]}
    assert "swap-igniter" in left
    bench.record("rpri", "3.6", leads="nulled")
    advice = bench.next()
    assert "swap-igniter" in [r["test"] for r in advice["ranking"][:3]]
    igniter = next(a for a in advice["act_now"] if a["repair"] == "new-igniter")
    assert not igniter["ready"]
    bench.record("swap-igniter", "strong 10/10")
    odds = bench.odds()
    assert odds.order(1) == ["igniter.dead"]
    assert odds["igniter.*"] > 0.85
    # Changing it moved the plugs once more: refit the old one to see the fault return.
    assert bench.best()[0] in {"refit-igniter", "new-igniter"}
    bench.record("refit-igniter", "none 0/10")
    assert bench.odds()["igniter.*"] > 0.97
    assert bench.best()[0] == "new-igniter"


def test_refitted_igniter_works_again(job) -> None:
    """The same, but the spark stays with the old igniter: a contact was disturbed."""
    bench = job("no-spark", "igniter-new")
    for test, value, technique in (
        ("gap", "none 0/10", {}),
        ("vpri", "9.7", STARTER),
        ("vpul", "2.4", STARTER),
        ("supply-load", "12.0", {}),
        ("rpri", "3.6", {"leads": "nulled"}),
        ("swap-igniter", "strong 10/10", {}),
    ):
        bench.record(test, value, **technique)
    before = bench.odds()["igniter.*"]
    bench.record("refit-igniter", "strong 10/10")
    odds = bench.odds()
    assert odds["igniter.*"] < 0.75 * before
    assert odds["con.pin"] > 0.2
    assert bench.best()[0] != "new-igniter"


def test_secondary_through_a_diode(job) -> None:
    """Truth: cap.open on the late variant. Trap: OL one way round through the coil's diode."""
    bench = job("no-spark", variant="late")
    bench.record("crank-sound", "brisk")
    bench.record("gap", "none 0/10")
    bench.record("adapt", "8.5")
    bench.record("vpri", "285", **STARTER)
    odds = bench.odds()
    assert odds["igniter.*"] + odds["pul.*"] + odds["battery.*"] < 0.05
    assert set(odds.order(2)) == {"coil.sec-open", "cap.open"}
    before = odds
    # Half of all good coils show OL here: worth a factor of two, not a new coil.
    bench.record("rsec", "OL")
    odds = bench.odds()
    assert odds["coil.sec-open"] < 2.2 * before["coil.sec-open"]
    assert odds["cap.open"] > 0.15
    assert bench.best()[0] == "rsec-rev"
    bench.record("rsec-rev", "15.1k")
    odds = bench.odds()
    assert odds["coil.sec-open"] < 0.03
    assert odds.order(1) == ["cap.open"]
    bench.record("cap-r", "OL")
    odds = bench.odds()
    assert odds["cap.open"] > 0.9
    assert bench.best()[0] == "new-cap"


def test_weak_battery_looks_like_a_dead_pulse_winding(job) -> None:
    """Truth: battery.worn. Trap: a pulse of 0.1 V, because the starter hardly turns."""
    bench = job()
    bench.record("crank-sound", "slow")
    bench.record("gap", "none 0/10")
    bench.record("adapt", "8.5")
    before = bench.odds()
    # The pulse is proportional to speed: a slow starter lowers it without any fault in it.
    bench.record("vpul", "0.1", **STARTER)
    odds = bench.odds()
    assert odds["battery.*"] > 2.5 * odds["pul.*"]
    assert odds["pul.*"] < 4 * before["pul.*"]
    assert bench.best()[0] in {"vbat-crank", "vbat-rest", "dash"}
    bench.record("vbat-rest", "12.6")
    assert bench.odds().order(1) == ["battery.worn"]
    bench.record("vbat-crank", "5.9")
    odds = bench.odds()
    assert odds["battery.worn"] > 0.85
    assert odds["pul.*"] < 0.05
    assert bench.best()[0] in {"new-battery", "boost", "vbat-load"}
    bench.record("boost", "strong 10/10")
    odds = bench.odds()
    assert odds["battery.*"] > 0.93
    assert odds["pul.open"] < 0.005
    assert odds["igniter.*"] < 0.02


def test_two_faults_plug_and_stand_switch(job) -> None:
    """Truth: stand.open + plug.fouled. Traps: the wet plug explains it; the switch explains it."""
    bench = job()
    bench.record("crank-sound", "brisk")
    bench.record("plug-vis", "black-wet")
    odds = bench.odds()
    # A plug is also wet because the engine was cranked dead: likelihood ratio about 4.
    assert odds.order(1) == ["plug.fouled"]
    assert 0.2 < odds["plug.fouled"] < 0.6
    # A known-good plug has no spark either: the plug is not all of it.
    bench.record("plug-new", "none 0/10")
    odds = bench.odds()
    alone = {tuple(s["faults"]): s["p"] for s in odds.data["states"]}
    assert alone.get(("plug.fouled",), 0.0) < 0.05
    assert "new-plug" not in bench.best()
    # Chain bridged: a strong spark over the tester. Interlock, bench only.
    bench.record("chain-byp", "strong 10/10")
    odds = bench.odds()
    assert odds["stand.*"] + odds["kill.*"] > 0.85
    assert odds["igniter.*"] + odds["coil.*"] < 0.05
    bench.record("stand-r", "OL")
    bench.record("kill-r", "0.3", leads="raw")
    odds = bench.odds()
    assert odds.order(2) == ["stand.open", "plug.fouled"]
    assert odds["stand.open"] > 0.95
    # The old plug stays in doubt beside the switch: it was never seen to spark.
    assert 0.05 < odds["plug.fouled"] < 0.4
    best = odds.data["states"][:2]
    assert {frozenset(s["faults"]) for s in best} == {
        frozenset({"stand.open"}),
        frozenset({"stand.open", "plug.fouled"}),
    }
    assert bench.best()[0] == "stand-switch"


def test_zeros_through_a_dead_adapter(job) -> None:
    """Truth: the adapter, and nothing said of the machine. Two zeros and a meter that differs."""
    bench = job()
    bench.record("crank-sound", "brisk")
    bench.record("dash", "bright")
    bench.record("gap", "none 0/10")
    start = bench.odds()
    # Nothing at the coil's negative pin, not even the supply: chain, primary, or the adapter.
    bench.record("vpri", "0.0", **STARTER)
    odds = bench.odds()
    assert odds["stand.open"] + odds["kill.open"] > 0.4
    # A plain meter finds 12.5 V there: the adapter should have shown ten.
    bench.record("vneg", "12.5")
    odds = bench.odds()
    assert odds.suspect_gear() > 0.3
    assert odds["kill.open"] + odds["stand.open"] < 0.03
    bench.record("vpul", "0.0", **STARTER)
    bench.record("rpul", "222")
    odds = bench.odds()
    assert odds.suspect_gear() > 0.6
    assert odds["pul.open"] < 0.05
    advice = bench.next()["advice"]
    assert (advice["do"], advice["test"]) == ("prove-gear", "adapt")
    bench.record("adapt", "0.0")
    odds = bench.odds()
    assert odds.gear["adapter", "dead"] > 0.95
    # Without the zeros the machine stands as the meter readings alone leave it.
    assert odds["igniter.dead"] < 3.5 * start["igniter.dead"]


def test_weak_spark_from_the_kill_switch(job) -> None:
    """Truth: kill.highR, spark weak. A few ohms cost most of it, and no volts at rest show them."""
    bench = job("weak-spark", "washed")
    bench.record("crank-sound", "brisk")
    bench.record("gap", "weak 4/10")
    bench.record("supply-key", "12.5")
    bench.record("vbat-crank", "10.5")
    odds = bench.odds()
    assert odds["battery.*"] < 0.03
    bench.record("supply-crank", "6.1")
    odds = bench.odds()
    way = ("stand.highR", "kill.highR", "con.highR", "switch.highR", "gnd.highR", "fuse.highR")
    # Third stands a cap that tracks: 0.25 on grids twice as fine, by nodes or by cells, connectors
    # 0.21 (coarse cells once had them the other way round). It takes a spark whatever the supply.
    assert set(odds.order(2)) <= set(way)
    assert len(set(odds.order(4)) & set(way)) >= 3
    assert bench.best()[0] in {"chain-drop", "con-drop", "key-drop", "gnd-drop"}
    bench.record("chain-drop", "3.6")
    bench.record("stand-r", "0.3", leads="raw")
    odds = bench.odds()
    assert odds["kill.highR"] > 0.85
    assert bench.best()[0] in {"kill-r", "kill-switch"}
