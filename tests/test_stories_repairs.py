"""Eight jobs that do not end with the first repair (R1 to R8).

Readings and bands are engineering judgement ("common practice, no published source"), written
down before the tool could say anything about a machine after a repair. Each band is argued in a
sentence beside it, from what the parts can do; the invented machine is the early variant.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bench_cli import BenchJob

DMM = {"meter": "10M"}
DRILL = {"meter": "10M", "how": "drill"}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A job store of its own for every story."""
    return tmp_path / "jobs.sqlite"


def test_drying_that_did_not_help_points_at_the_switch(store: Path) -> None:
    """R1: a repair that fails. 1.2 kohm at the stop switch, dried, and still no spark."""
    job = BenchJob(store, "no-spark", "washed")
    job.record("gap", "none 0/10")
    job.record("stop-disc", "strong 10/10")
    job.record("stop-r", "1.2k")
    job.record("stop-wire", "OL")
    first = job.odds()
    job.run("done", job.id, "stop-dry")
    dried = job.odds()
    # Drying clears wet only, and mostly does: it falls to less than a third of what it was.
    assert dried["stop.wet"] <= first["stop.wet"] / 3
    assert dried.was["stop.wet"] == pytest.approx(first["stop.wet"], abs=0.02)
    # A cure is about as likely as wet was to be the fault, less what drying leaves.
    assert 0.5 * first["stop.wet"] <= dried.cured <= first["stop.wet"] + 0.02
    job.record("gap", "none 0/10")
    failed = job.odds()
    # With the line unplugged it sparked: nothing but the stop line was in the way, still so.
    assert failed["stop.*"] >= 0.85
    # Of sound machines 3 in 100 show none of ten over 6 mm by a kick of which nothing is said: some
    # turns are too slow. (First written as 0.02, as if a sound machine always sparked.)
    assert failed.cured <= 0.05
    # A dried switch that is still blocked is a shorted switch more often than a wet one.
    assert (
        failed["stop.switch"] / failed["stop.wet"] >= 2 * first["stop.switch"] / first["stop.wet"]
    )
    advice = job.next()["advice"]
    assert advice["repair"] != "stop-dry", "not the same repair again"
    assert advice["test"] in (None, "stop-r", "stop-wire", "stop-lock", "stop-disc")


def test_a_new_switch_that_cures_ends_the_job(store: Path) -> None:
    """R2: a repair that cures, its check passed: the closing checks, and a stop."""
    job = BenchJob(store)
    job.record("gap", "none 0/10")
    job.record("stop-disc", "strong 10/10")
    job.record("stop-r", "180 ohm")
    job.record("stop-wire", "OL")
    assert job.next()["advice"]["repair"] == "stop-switch"
    job.run("done", job.id, "stop-switch")
    mended = job.odds()
    # 180 ohm with the line unplugged and the wiring clear is the switch: mended nine in ten.
    assert 0.8 <= mended.cured <= 0.99
    job.record("gap", "strong 10/10")
    odds = job.odds()
    # Ten sparks over 6 mm with the line connected: what kept the spark away is gone. The tester
    # takes the plug's place, so its own 5 in 100, and what fails only hot, stay in doubt. (First
    # written as 0.93, which forgot the plug.)
    assert odds.cured >= 0.9
    assert odds["stop.switch"] <= 0.03
    assert odds.was["stop.switch"] >= 0.9
    # A solid fault that passed its check comes back within the week about 3 times in 100, and
    # what was never tested (heat, other faults) may add as much again.
    assert 0.01 <= odds.comes_back <= 0.15
    data = job.next()["advice"]
    assert (data["do"], data["repair"]) == ("close", None)


def test_a_second_fault_shows_behind_the_first(store: Path) -> None:
    """R3: a chafed stop line mended, and the plug, fouled by kicking meanwhile, still dead."""
    job = BenchJob(store)
    job.record("gap", "none 0/10")
    job.record("stop-disc", "strong 10/10")
    job.record("stop-r", "3 ohm")
    job.record("stop-lock", "varies")
    before = job.odds()
    assert before["stop.chafe"] >= 0.8
    job.run("done", job.id, "stop-line")
    job.record("gap", "strong 10/10")
    odds = job.odds()
    assert odds["stop.*"] <= 0.05
    assert odds.was["stop.chafe"] >= 0.85
    job.record("plug-spark", "none 0/10")
    odds = job.odds()
    # The tester in the plug's place sparks, the plug itself does not: it is the plug.
    assert odds["plug.*"] >= 0.9
    assert odds["stop.*"] <= 0.05
    assert job.next()["advice"]["repair"] == "new-plug"
    job.run("done", job.id, "new-plug")
    job.record("plug-spark", "strong 10/10")
    odds = job.odds()
    assert odds.cured >= 0.9
    assert odds.was["plug.*"] >= 0.85
    assert job.next()["advice"]["do"] == "close"


def test_a_contact_that_opens_when_flexed_is_found_by_flexing(store: Path) -> None:
    """R4: an intermittent found by provoking: good at rest, gone while the loom is pulled."""
    job = BenchJob(store, "weak-spark")
    job.record("gap", "strong 10/10")
    rest = job.odds()
    # One good spell of ten sparks says little against a contact that is open now and then.
    assert rest["con.*"] >= 0.05
    job.record("wiggle", "changes")
    odds = job.odds()
    # Nothing else in a loom changes by pulling but connectors, the coil's terminal, the ground.
    assert odds["con.*"] + odds["pri.term"] + odds["gnd.*"] >= 0.75
    assert odds.order(1)[0].startswith("con.")
    job.run("done", job.id, "connectors")
    job.record("wiggle", "nothing")
    job.record("gap", "strong 10/10")
    odds = job.odds()
    assert odds.was["con.*"] >= 0.5
    # Cleaning holds mostly, and cures no more than was in the connectors and at the terminal: a
    # ground or a plug that changed by chance is still there. (First written as at least 0.75,
    # which forgot these.)
    assert 0.5 <= odds.cured <= odds.was["con.*"] + odds.was["pri.term"]


def test_an_intermittent_that_was_not_provoked_stays_in_the_odds(store: Path) -> None:
    """R5: a machine that cuts out now and then, all good on the bench, nothing flexed."""
    job = BenchJob(store, "weak-spark")
    first = job.odds()
    job.record("gap", "strong 10/10")
    job.record("vpri", "140", **DRILL)
    odds = job.odds()
    # Good readings at rest lower a loose contact by the share of time it is there, no more:
    # with a share anywhere between a tenth and all, at least a fifth of its odds must stay.
    for fault in ("con.highR",):
        before, after = first[fault], odds[fault]
        assert after >= before / 5
    assert odds.cured <= 0.3, "nothing was mended"


def test_a_meter_a_tenth_high_condemns_no_part(store: Path) -> None:
    """R6: a meter with a weak battery reads a tenth high throughout; two windings at once."""
    job = BenchJob(store)
    job.record("rsec", "9.1k")
    one = job.odds()
    job.record("rpul", "312 ohm")
    job.record("rexc", "29.5 ohm")
    odds = job.odds()
    # Three windings a tenth above their bands at once is one meter, not three faults.
    assert odds.suspect_gear() >= 0.5
    assert odds.suspect_gear() > one.suspect_gear()
    for component in ("sec.*", "pul.*", "exc.*"):
        assert odds[component] <= 0.25


def test_an_exciter_that_reads_like_the_pulse_winding_is_a_wrong_plug(store: Path) -> None:
    """R7: 224 ohm where 9 to 27 are due, and 160 to 285 belong to the winding beside it."""
    job = BenchJob(store)
    before = job.odds()
    reading = job.told("rexc", "224 ohm")
    odds = job.odds()
    # No fault of an exciter winding makes 224 ohm of 15; the pulse winding has just that.
    assert reading["slip"] >= 0.8
    assert odds["exc.*"] <= 2 * before["exc.*"]
    assert job.next()["advice"]["repair"] != "new-exciter"
    job.record("rexc", "15 ohm")
    assert job.odds()["exc.*"] <= before["exc.*"]


def test_a_part_that_was_new_and_dead(store: Path) -> None:
    """R8: an open cap, a new one fitted, and that one is open too."""
    job = BenchJob(store)
    job.record("gap", "none 0/10")
    job.record("stop-disc", "none 0/10")
    job.record("cap-r", "OL")
    # A probe that touches nothing shows OL too, 1 in 100; against 6 in 100 for the cap before the
    # reading that leaves 0.06 / (0.06 + 0.94 * 0.01) = 0.86. (First written as 0.9.)
    assert job.odds()["cap.open"] >= 0.8
    job.run("done", job.id, "new-cap")
    new = job.odds()
    # New parts are bad, wrong or badly fitted a few times in a hundred.
    assert 0.002 <= new["cap.*"] <= 0.12
    # By drill: of a kick of which nothing is said 3 in 100 are too slow for a sound machine, which
    # would leave a tenth (first written without the drill, and 0.03); by drill 1 in 100 are.
    job.record("gap", "none 0/10", **DRILL)
    still = job.odds()
    # Either the new cap, or a second fault that was there all along: both stand.
    assert still["cap.*"] > 2 * new["cap.*"]
    assert still.cured <= 0.05
    job.record("cap-r", "OL")
    # One OL again cannot say more than this: 3 in 100 for a new cap before it, against that probe
    # that touches nothing, leave 0.03 / (0.03 + 0.97 * 0.01) = 0.76. (First written as 0.85.)
    assert 0.65 <= job.odds()["cap.open"] <= 0.85
    job.record("cap-r", "OL")
    odds = job.odds()
    assert odds["cap.open"] >= 0.85
    # The old cap has gone with its one OL: the new one's readings say nothing of it, so it stays
    # near the 0.86 above (first written as 0.85).
    assert odds.was["cap.open"] >= 0.75
    job.run("done", job.id, "new-cap")
    job.record("gap", "strong 10/10")
    odds = job.odds()
    assert odds.cured >= 0.85
    assert odds["cap.*"] <= 0.05
