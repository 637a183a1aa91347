"""Explanations agree exactly with the inference, and say what bench practice says.

"Common practice" stands for practice without a published source; such tests are tests of the
model, on the invented machine.
"""

from __future__ import annotations

import itertools
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

import fuzz_seeds
import made_jobs
from benchodds.basics.errors import JobError, UnknownNameError
from benchodds.basics.formula import parse_expression
from benchodds.basics.tables import Table
from benchodds.choose.information import mutual_information
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.infer.inference import posterior
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.measure.instrument import OUTCOME
from benchodds.model import jobs
from benchodds.model.events import Event
from benchodds.model.jobs import Job, Technique
from benchodds.model.priors import build_priors
from benchodds.model.system import build_system
from benchodds.reasons.clashes import clashes, conflict_bits, gear_notes
from benchodds.reasons.evidence import joint, ledger, only, slow_speed, without
from benchodds.reasons.explain import clash_sentences, explain_reading, sentences, to_dict
from benchodds.reasons.figures import spread_figure
from benchodds.reasons.limits import curve, measurand, p_conforming
from benchodds.reasons.sweep import sweep
from benchodds.reasons.whatif import folded_without, turn
from benchodds.reasons.why import Why

KICK = {"how": "firm-kick", "meter": "10M"}
DRILL = {"how": "drill", "meter": "10M"}
Row = tuple[str, Sequence[str], Mapping[str, Any]]
LOW_THEN_HIGH: tuple[Row, ...] = (
    ("stop-r", ("OL",), {"unplugged": True}),
    ("vexc", ("20", "34", "18"), KICK),
    ("rexc", ("14",), {"unplugged": True, "leads": "nulled"}),
    ("vexc", ("22", "112", "47"), KICK),
    ("rsec-cap", ("11.8k",), {}),
)


@lru_cache(maxsize=1)
def machine() -> Machine:
    """The invented machine on the shipped bench."""
    model, bench = files.load_system("mag-cdi", "early"), files.load_bench("bench")
    return Machine(model, bench, files.load_priors("mag-cdi"), *physics(model, bench))


def job_of(rows: Sequence[Row]) -> Job:
    """A job without spark, with readings in the order given."""
    at = "2026-01-01T10:00:00Z"
    event = jobs.open_event(
        at=at,
        uid="u0",
        system="mag-cdi",
        variant="early",
        complaint="no-spark",
        contexts=(),
        model_version="1",
        prior_set="mag-cdi",
        prior_version="1",
    )
    job = jobs.fold("1", [Event(1, at, event.kind, event.data, event.uid)])
    for i, (test, values, said) in enumerate(rows):
        technique = Technique(**said)
        event = jobs.reading_event(
            job, at=at, uid=f"u{i + 1}", test=test, values=values, technique=technique
        )
        job = jobs.amend(job, event)
    return job


def assessed(*rows: Row) -> Assessment:
    """The assessment of a job with the given readings."""
    return assess(machine(), job_of(rows)).steady  # which is what readings are explained under


@lru_cache(maxsize=1)
def long_job() -> Assessment:
    """Low kicks that a later one undoes, with ohms between."""
    return assessed(*LOW_THEN_HIGH)


@lru_cache(maxsize=8)
def why(reading: str) -> Why:
    """One reading of the long job, explained."""
    return explain_reading(long_job(), reading, ledger(long_job()))


def fault_db(*rows: Row) -> dict[str, float]:
    """Decibans that all readings together add for every suspect."""
    book = ledger(assessed(*rows))
    return dict(zip((s.name for s in book.suspects), book.odds[-1] - book.odds[0], strict=True))


# ---- agreement with the inference ---------------------------------------------------------------


def test_joint_equals_the_propagated_posterior() -> None:
    """The joint by elimination, special states included, is that of the calibrated trees."""
    a = long_job()
    for name in ("exc", "plug", "operator"):
        assert joint(a.network, [name]) == pytest.approx(a.posterior.joint([name]), abs=1e-12)
    both = joint(a.network, ["plug", "exc"])
    assert both.sum(axis=0) == pytest.approx(a.posterior.joint(["exc"]), abs=1e-12)
    assert both.sum(axis=1) == pytest.approx(a.posterior.joint(["plug"]), abs=1e-12)


def test_weights_add_up_to_the_log_odds() -> None:
    """Prior log odds and the weights in the order taken give the posterior log odds, to 1e-9."""
    a, book = long_job(), ledger(long_job())
    total = book.odds[0] + sum(book.weights(r) for r in book.readings)
    for i, s in enumerate(book.suspects):
        p = a.posterior.joint([s.variable])
        bad = p[list(s.states)].sum()
        expected = 10 * np.log10(bad / np.delete(p, list(s.states)).sum())
        assert total[i] == pytest.approx(expected, abs=1e-9), s.name
    exciter = why("R4").weights
    named = {w.name: w for w in exciter}
    assert named["exc"].after == pytest.approx(book.p(book.suspects[4])[4], abs=1e-12)


def test_order_changes_the_weights_but_not_their_sum() -> None:
    """A reading's weight depends on what was known; the whole job's evidence does not."""
    rows = LOW_THEN_HIGH[1], LOW_THEN_HIGH[3]
    one, other = ledger(assessed(*rows)), ledger(assessed(*rows[::-1]))
    i = [s.name for s in one.suspects].index("exc")
    assert one.odds[-1, i] == pytest.approx(other.odds[-1, i], abs=1e-9)
    assert abs(one.weights("R1")[i] - other.weights("R2")[i]) > 3


def test_left_out_weight_is_the_change_from_all_others() -> None:
    """Leave-one-out compares the job with the job without the reading."""
    a = long_job()
    others = posterior(without(a.network, ["R4"]), ["exc"]).joint(["exc"])
    weight = 10 * np.log10(a.p_fault["exc"] / (1 - a.p_fault["exc"]) * others[0] / others[1:].sum())
    named = {w.name: w.left_out for w in why("R4").weights}
    assert named["exc"] == pytest.approx(weight, abs=1e-9)


@pytest.mark.parametrize("reading", ["R2", "R4"])
def test_conformance_is_the_mass_of_the_quantity_grid(reading: str) -> None:
    """The conformance probability is the posterior mass of the exciter's grid over the limit."""
    a, c = long_job(), why(reading).conformance
    assert c is not None
    points = machine().variables["exciter"].points
    assert points is not None
    meets = (points * 500 >= 105).mean(axis=1)
    assert c.job == pytest.approx(float(a.posterior.joint(["exciter"]) @ meets), abs=1e-12)
    alone = posterior(only(a.network, reading), ["exciter"]).joint(["exciter"])
    assert c.alone == pytest.approx(float(alone @ meets), abs=1e-12)
    assert c.consumers_risk + c.producers_risk == pytest.approx(1.0)


def test_conformance_of_a_sum_of_quantities() -> None:
    """Coil and cap in series: the mass of the joint grid, worked out cell by cell."""
    a = long_job()
    about = measurand(machine(), "rsec-cap")
    assert about is not None and about.names == ("secondary_ohm", "cap_ohm")
    p = joint(a.network, about.names)
    one, two = (machine().variables[n].points for n in about.names)
    assert one is not None and two is not None
    total = 0.0
    for i, j in itertools.product(range(len(one)), range(len(two))):
        ohm = parse_expression(about.expression)(
            {"secondary_ohm": one[i][:, None], "cap_ohm": two[j][None, :]}
        )
        total += p[i, j] * float(((ohm >= 7.2e3) & (ohm <= 14.5e3)).mean())
    assert p_conforming(a.network, about) == pytest.approx(total, abs=1e-12)
    c = why("R5").conformance
    assert c is not None and c.job == pytest.approx(total, abs=1e-12)


def test_outcomes_of_a_sweep_weigh_as_the_reading_did() -> None:
    """Averaged over all outcomes a reading could have, the conformance is what it was before."""
    a = long_job()
    about = measurand(machine(), "vexc")
    assert about is not None
    others = without(a.network, ["R4"])
    c = curve(others, about, sweep(machine(), a.taken[3]))
    assert float(c.good.sum()) == pytest.approx(p_conforming(others, about), abs=2e-3)
    assert float((c.good + c.bad).sum()) == pytest.approx(1.0)


def test_answers_add_up_to_the_reading() -> None:
    """Weighted by the chances of the answers, the likelihoods of every answer are the reading's."""
    for row in (
        ("vpul", ("1.1",), {"meter": "10M"}),
        ("rexc", ("14",), {}),
        ("plug-new", ("weak 3/10",), {"how": "drill"}),
    ):
        taken = assessed(row).taken[0]
        tool = machine().instrument(taken.reading.test)
        whole = tool.likelihood(taken.values, taken.technique, "h")
        assert whole is not None
        for name, answers in tool.options(taken.values, taken.technique).items():
            assert sum(w for w, _ in answers) == pytest.approx(1.0)
            parts = [(w, tool.likelihood(taken.values, t, "h")) for w, t in answers]
            total = sum(w * t.p for w, t in parts if t is not None)
            if name != "temp_c":  # three points stand for its law
                assert total == pytest.approx(whole.p, rel=1e-9, abs=1e-15), name


def test_chosen_bins_and_hookup_of_a_predictive_table() -> None:
    """Bins and placing of the probes may be given; summing the placing out changes nothing."""
    tool = machine().instrument("vexc")
    technique = Technique(**KICK)
    edges = np.array([1.0, 50.0, 105.0, 450.0])
    outcomes, fresh = tool.predictive(technique, edges)
    _, shared = tool.predictive(technique, edges, "here")
    assert len(outcomes) == 5 and shared.scope[-2:] == ("here", OUTCOME)
    placing = machine().bench.hookup
    chances = np.array([1 - placing.poor - placing.bad, placing.poor, placing.bad])
    assert np.einsum("...ho,h->...o", shared.p, chances) == pytest.approx(fresh.p, abs=1e-12)
    assert fresh.p.sum(axis=-1) == pytest.approx(1.0)


def test_value_of_an_answer_is_mutual_information() -> None:
    """The bits of knowing the meter are those between machine and meter in the joint."""
    a = assessed(("vexc", ("20",), {"how": "firm-kick"}))
    found = {u.field: u for u in explain_reading(a, "R1").learning.unknowns}
    p = a.folded.outcomes(Table(("input", OUTCOME), np.eye(3)))
    w = a.state_p / a.state_p.sum()
    assert found["meter"].bits == pytest.approx(mutual_information(w, p), abs=1e-3)
    assert sum(q for _, q in found["meter"].answers) == pytest.approx(1.0)
    assert set(found) == {"meter", "kicks"}


def test_turning_point_turns_the_lead() -> None:
    """A reading just below the crossing gives the lead away, one just above does not."""
    a = assessed(("stop-r", ("OL",), {"unplugged": True}), ("rpri", ("0.4",), {"leads": "nulled"}))
    found = turn(a, folded_without(a, "R2"), sweep(machine(), a.taken[1]))
    assert found.higher is not None and isinstance(found.higher.at, float)

    def lead(ohm: float) -> str:
        b = assessed(
            ("stop-r", ("OL",), {"unplugged": True}),
            ("rpri", (f"{ohm:.2f}",), {"leads": "nulled"}),
        )
        return max(b.p_fault, key=lambda c: b.p_fault[c])

    assert lead(found.higher.at / 2) == found.lead.component
    assert lead(found.higher.at * 2) == found.higher.lead.component == "pri"


def test_exact_slip_probability() -> None:
    """The slip's share of a reading's likelihood, against a mixture worked out by hand."""
    a = assessed(("plug-vis", ("cracked",), {}))
    p = joint(only(a.network, None), ["plug"])
    test = machine().model.tests["plug-vis"]
    chance = machine().bench.slip.chance
    tool = machine().instrument("plug-vis")
    whole = tool.likelihood(a.taken[0].values, Technique(), "h")
    assert whole is not None
    share = chance / len(test.outcomes) / float(p @ whole.p)
    assert a.slips[a.taken[0].reading.id] == pytest.approx(share, abs=1e-9)


def test_precise_meter_leaves_no_gaps_on_a_coarse_grid() -> None:
    """Neighbouring ohms readings of a leaking stop line are about equally likely."""
    ohms = ("1.2k", "1.3k", "1.4k", "1.5k", "1.6k", "1.7k")
    logs = [assessed(("stop-r", (r,), {"unplugged": True})).posterior.log_evidence for r in ohms]
    assert np.abs(np.diff(logs)).max() < 0.2


def test_without_an_adapter_none_can_be_dead() -> None:
    """A zero read without the adapter says nothing of the adapter."""
    a = assessed(("vexc", ("0.0",), {"adapter": "none", "how": "drill"}))
    book = ledger(a)
    i = [s.name for s in book.suspects].index("adapter")
    assert book.odds[-1, i] == pytest.approx(book.odds[0, i], abs=1e-9)


# ---- budget -------------------------------------------------------------------------------------


def test_peak_budget_says_what_can_only_lower() -> None:
    """Capture, droop and diode only lower a peak; shares add to one; speed goes both ways."""
    b = why("R2").budget
    assert b is not None and b.nominal == 105 and b.unit == "V"
    direction = {c.name: c.direction for c in b.contributions}
    for name in ("capture", "droop", "diode", "adapter or hook-up"):
        assert direction[name] == "can only lower"
    assert direction["speed"] == direction["meter accuracy"] == "either way"
    assert sum(c.share for c in b.contributions) == pytest.approx(1.0)
    assert b.combined**2 == pytest.approx(sum(c.u**2 for c in b.contributions))
    assert [c.u for c in b.contributions] == sorted((c.u for c in b.contributions), reverse=True)


def test_ohms_budget_matches_the_data_sheet() -> None:
    """Meter accuracy is that of 1 % + 5 counts of 0.1 ohm; leads only raise when not nulled."""
    a = assessed(("rexc", ("14",), {"leads": "raw", "unplugged": True, "temp_c": 20.0}))
    b = explain_reading(a, "R1").budget
    assert b is not None
    found = {c.name: c for c in b.contributions}
    u = (0.01 * 14 + 5 * 0.1) / np.sqrt(3)
    off = np.sqrt(0.02) * np.hypot(0.12, 0.06) * 14  # the meter may be off
    assert found["meter accuracy"].u == pytest.approx(np.hypot(u, off), rel=0.02)
    assert found["rounding"].u == pytest.approx(1 / np.sqrt(12))
    assert found["leads"].direction == found["contact"].direction == "can only raise"
    assert found["leads"].shift == pytest.approx(0.2 * np.exp(0.08), rel=0.02)
    assert "parallel path" not in found
    copper = 14 * 2.0 / 254.5  # 2 degrees, 234.5 + 20
    assert found["temperature"].u == pytest.approx(copper, rel=0.05)


def test_spark_budget_and_a_look() -> None:
    """Sparks are uncertain by speed, gap and eye; a look has no number and no budget."""
    a = assessed(("plug-new", ("weak 6/10",), {"how": "drill"}), ("plug-vis", ("clean",), {}))
    b = explain_reading(a, "R1").budget
    assert b is not None and b.nominal == 10
    assert {"speed", "gap spread", "eye"} >= {c.name for c in b.contributions}
    look = explain_reading(a, "R2")
    assert look.budget is None and look.conformance is None and look.limit is None


# ---- contradictions and gear ---------------------------------------------------------------------


def test_factor_of_a_thousand_is_named() -> None:
    """A cap that reads 5.1 ohm fits no state; the likeliest story is 5.1 kohm."""
    a = assessed(("cap-r", ("5.1 ohm",), {}))
    (found,) = clashes(a)
    assert found.kind == "no state" and found.readings == ("R1",)
    assert found.explanations[0].reason == "factor 1000"
    assert sum(e.p for e in found.explanations) == pytest.approx(1.0, abs=1e-3)
    assert "1000 times more" in " ".join(clash_sentences((found,)))


def test_wrong_terminal_is_named() -> None:
    """14 ohm where a pulse winding of 200 is measured, which itself works: the wrong pins."""
    a = assessed(("rpul", ("14",), {}), ("vpul", ("3.0",), KICK))
    (found,) = clashes(a)
    reasons = [(e.reason, e.detail) for e in found.explanations]
    assert ("wrong terminal", "R1 was taken where rexc is") in reasons[:2]


def test_two_faults_are_named() -> None:
    """S6: stop line shorted and plug fouled; no single fault explains the readings."""
    a = assessed(
        ("plug-new", ("none",), DRILL),
        ("stop-disc", ("strong",), DRILL),
        ("plug-spark-off", ("none",), DRILL),
    )
    (found,) = clashes(a)
    assert found.kind == "no single fault" and found.p > 0.5
    best = next(e for e in found.explanations if e.reason == "two faults")
    assert best is found.explanations[0]
    assert "plug." in best.detail and "stop." in best.detail
    assert found.conflict_bits == pytest.approx(conflict_bits(a))


def test_agreeing_readings_do_not_clash() -> None:
    """Ordinary readings raise nothing."""
    assert clashes(long_job()) == ()


def test_three_zeros_speak_against_the_adapter() -> None:
    """S3: nothing read anywhere: the adapter is likelier than any part; a minute proves it."""
    a = assessed(*[(t, ("0.0",), KICK) for t in ("vpri", "vexc", "vpul")])
    best = gear_notes(a)[0]
    assert best.item == "adapter" and best.likelier and best.p > 0.5
    assert (best.test, best.minutes) == ("adapt", 1.0)
    assert set(best.readings) == {"R1", "R2", "R3"}
    assert any("adapter" in s for s in sentences(explain_reading(a, "R1")))


# ---- common practice -----------------------------------------------------------------------------


def test_one_kick_of_five_over_the_minimum_clears_the_exciter() -> None:
    """Common practice: the lows do not undo the one kick that passed."""
    a = assessed(("vexc", ("22", "31", "112", "47", "18"), KICK))
    assert a.p_mode["exc", "open"] < 0.001
    solid = sum(p for (c, m), p in a.p_mode.items() if c == "exc" and m != "hot")
    assert solid < 0.04
    found = explain_reading(a, "R1")
    assert found.one_sided is not None and found.one_sided.passed
    assert "exc.hot" in found.one_sided.unseen
    assert found.conformance is not None and found.conformance.alone > 0.9


@pytest.mark.parametrize("said", [{}, {"how": "soft-kick"}, {"adapter": "none"}])
def test_a_leg_kick_of_20_volts_barely_moves_the_exciter(said: Mapping[str, str]) -> None:
    """Common practice: 20 V by leg from a 100 V exciter is no fault found (factor under 2.5)."""
    a = assessed(("vexc", ("20",), said))
    before = 1 - joint(only(a.network, None), ["exc"])[0]
    assert a.p_fault["exc"] < 2.5 * before


def test_primary_below_minimum_is_technique_before_parts() -> None:
    """Common practice: a primary peak of 60 V by kick speaks for slow cranking, not for parts."""
    added = fault_db(("vpri", ("60",), {"how": "firm-kick", "meter": "10M"}))
    assert added["slow cranking"] > max(added[c] for c in ("exc", "pri", "mod"))
    assert max(added[c] for c in ("exc", "pri", "mod")) < 1.0


def test_right_primary_but_no_spark_is_plug_cap_or_secondary() -> None:
    """Common practice: right voltage and no spark: plug, leaking secondary, coil."""
    a = assessed(("vpri", ("138",), DRILL), ("plug-spark-off", ("none",), DRILL))
    first = sorted(a.p_fault, key=lambda c: -a.p_fault[c])[:3]
    assert set(first) == {"plug", "cap", "sec"}
    assert max(a.p_fault[c] for c in ("mod", "exc", "pul")) < 0.06


def test_shorted_turns_can_pass_at_drill_speed() -> None:
    """A drill turns fast enough for some shorted exciters to pass: the rule's limit is said."""
    found = explain_reading(assessed(("vexc", ("120",), DRILL)), "R1")
    assert found.one_sided is not None
    past = dict(found.one_sided.slips_past)
    assert 0.02 < past["exc.shorted"] < 0.3 < found.one_sided.p_sound


def test_slow_is_one_standard_deviation() -> None:
    """A slow operator stands one standard deviation under the middle of the bench's own law."""
    assert slow_speed(machine().bench) == pytest.approx(np.exp(-0.2), rel=1e-6)


# ---- what is said --------------------------------------------------------------------------------


@pytest.mark.parametrize("reading", ["R1", "R2", "R3", "R4", "R5"])
def test_sentences_fit_the_page(reading: str) -> None:
    """About twenty lines of at most eighty columns, the reading first."""
    lines = sentences(why(reading))
    assert lines[0].startswith(f"{reading} ")
    assert len(lines) <= 24 and max(map(len, lines)) <= 80


def test_low_and_cleared_readings_are_told_so() -> None:
    """The one-sided rule is said: weak evidence when low, undone by the reading that passed."""
    text = " ".join(" ".join(sentences(why("R2"))).split())
    assert "R4 did that" in text and "do not undo it" in text
    alone = " ".join(sentences(explain_reading(assessed(LOW_THEN_HIGH[1]), "R1")))
    alone = " ".join(alone.split())
    assert "weak evidence" in alone and "can only lower" in alone


def test_meter_impedance_can_be_worth_more_than_a_kick() -> None:
    """With the meter unsaid, low kicks teach less than naming it: droop may explain them all."""
    found = explain_reading(assessed(("vexc", ("20", "34", "18"), {"how": "firm-kick"})), "R1")
    best = found.learning.unknowns[0]
    assert best.field == "meter" and best.bits > found.learning.repeat_bits
    text = " ".join(" ".join(sentences(found)).split())
    assert "Telling me the meter's input impedance is worth more than one more kick" in text


def test_json_is_plain_and_complete() -> None:
    """The JSON has every documented key and no number that JSON cannot hold."""
    data = to_dict(why("R4"), clashes(long_job()))
    text = json.dumps(data, allow_nan=False)
    assert json.loads(text)["schema"] == 1
    keys = "reading limit conformance budget weights path turn learning one_sided p_slip gear"
    assert set(data) == {"schema", "clashes", "approximate", "comes_and_goes", *keys.split()}
    assert len(data["path"]) == 6 and data["path"][0]["reading"] is None
    assert data["conformance"]["accept"]["lower"]["kind"] == "at"


def test_what_cannot_be_explained_is_refused() -> None:
    """A reading that is not there, or was not taken, is refused with a remedy."""
    a = assessed(("plug-vis", ("clean",), {}), ("vexc", ("not-taken",), {}))
    with pytest.raises(UnknownNameError, match="no reading 'R9'"):
        explain_reading(a, "R9")
    with pytest.raises(JobError, match="not taken"):
        explain_reading(a, "r2")
    struck = replace(a.job, readings=a.job.readings[:1])
    assert len(assess(machine(), struck).taken) == 1


@pytest.mark.parametrize(
    ("limit", "words"),
    [("12 V", "rejects"), ("200 V", "no machine can meet"), ("1 mV", "no machine can miss")],
)
def test_a_limit_that_no_machine_meets_or_misses(limit: str, words: str) -> None:
    """Where limit and spread disagree there is no share of good or bad parts; that is said."""
    text = fuzz_seeds.small_model().decode()
    text = text.replace('{ min = "12 V", measurand', f'{{ min = "{limit}", measurand', 1)
    model, bench = build_system(tomllib.loads(text), None), files.load_bench("bench")
    shares = build_priors(tomllib.loads(fuzz_seeds.small_priors()))
    made = Machine(model, bench, shares, *physics(model, bench))
    job = made_jobs.job_of(made, [("vbat", ["12.4"], Technique())], "dark")
    found = explain_reading(assess(made, job), "R1")
    assert words in " ".join(sentences(found))
    assert "nan" not in json.dumps(to_dict(found, []))
    assert (spread_figure(found) is None) == (limit != "12 V")
