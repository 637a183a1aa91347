"""No gate opens without a pass: probes of single jobs, and whatever is read in whatever order."""

from __future__ import annotations

import itertools
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from bench_cli import BenchJob
from benchodds.basics.errors import ModelError
from benchodds.choose.choosing import decision_of
from benchodds.choose.lookahead import look_ahead
from benchodds.choose.permits import Permits, marks
from benchodds.choose.planning import plan
from benchodds.choose.policies import usual
from benchodds.choose.rules import allowed, cleared, rule_of
from benchodds.infer.assess import Machine, assess
from benchodds.keep.session import Session
from benchodds.keep.shopfile import load_shop
from benchodds.model.jobs import Job, Technique
from benchodds.model.system import build_system
from benchodds.screens.guard import Guard
from benchodds.screens.page import create_app
from benchodds.screens.pages import worksheet_html
from benchodds.screens.worksheet import FEW, build_worksheet
from gate_courses import SILENT, SYSTEMS, gates, happened, machine, words
from made_jobs import job_of

# ---- single jobs -------------------------------------------------------------------------------


@pytest.fixture
def job(tmp_path: Path) -> BenchJob:
    """A fresh job on the magneto machine."""
    return BenchJob(tmp_path / "jobs.sqlite")


def swap_is_open(job: BenchJob, test: str = "swap-mod") -> bool:
    """Whether a swap is offered, by every answer that names tests."""
    data = job.json("next", job.id, "--greedy")
    offered = test in {r["test"] for r in data["ranking"]}
    assert offered != (test in {x["test"] for x in data["left_out"]})
    return offered


def passes(job: BenchJob, *but: str) -> None:
    """Take what a donor module waits for, sound throughout."""
    for test, value in (("stop-r", "OL"), ("rpri", "0.3 ohm"), ("rsec", "5.9k")):
        if test not in but:
            job.record(test, value)


@pytest.mark.parametrize("then", [*SILENT, "unstable", "OL", "0.06 ohm"])
def test_no_word_after_a_failed_reading_opens_the_gate(job: BenchJob, then: str) -> None:
    """A shorted primary was read; marking the test impossible, and the like, forgets nothing."""
    passes(job, "rpri")
    assert not swap_is_open(job)
    job.record("rpri", "0.06 ohm")
    assert not swap_is_open(job)
    job.record("rpri", then)
    assert not swap_is_open(job)
    left = {x["test"]: x["reason"] for x in job.json("next", job.id, "--greedy")["left_out"]}
    assert "rpri" in left["swap-mod"]


def test_a_reading_passes_when_all_its_values_do(job: BenchJob) -> None:
    """0.06 and 0.3 ohm in one reading is a contact that moves, not a pass."""
    passes(job, "rpri")
    job.record("rpri", "0.06 ohm", "0.3 ohm")
    assert not swap_is_open(job)
    job.record("rpri", "0.3 ohm", "0.31 ohm")
    assert swap_is_open(job)


def test_a_failed_stop_line_keeps_donors_away(job: BenchJob) -> None:
    """Done is not passed: neither donor is put behind a stop line that leaks to earth."""
    passes(job, "stop-r")
    job.record("stop-r", "1.2k")
    assert not swap_is_open(job)
    assert not swap_is_open(job, "swap-coil")


def test_a_failed_reading_stands_until_struck_or_taken_again(job: BenchJob) -> None:
    """Struck, it is gone; taken again, the later reading decides, if the odds agree."""
    passes(job)
    assert swap_is_open(job)
    failed = job.record("rsec", "OL")
    assert not swap_is_open(job)
    job.json("strike", job.id, failed, "--reason", "cap not off")
    assert swap_is_open(job)
    job.record("rsec", "30k")
    job.record("rsec", "5.8k")
    assert swap_is_open(job), "both ends of the lead touched the second time"


def test_readings_that_contradict_each_other_leave_the_odds_to_decide(job: BenchJob) -> None:
    """A stop line of 1.2 kohm, then open: by the readings one in eight that it still leaks."""
    passes(job, "stop-r")
    job.record("stop-r", "1.2k")
    job.record("stop-r", "OL")
    data = job.json("next", job.id, "--greedy")
    reason = {x["test"]: x["reason"] for x in data["left_out"]}["swap-mod"]
    assert "stop." in reason and "10 %" in reason, "the allowed chance is said"
    job.record("stop-r", "OL", unplugged="yes")
    job.record("stop-wire", "OL")
    assert swap_is_open(job), "proved wrong by other readings"


def test_what_was_mended_must_pass_again(job: BenchJob) -> None:
    """A repair that clears it does not open the gate; the same test passing after it does."""
    passes(job, "stop-r")
    job.record("stop-r", "1.2k")
    for repair in ("stop-dry", "stop-switch"):
        job.run("done", job.id, repair)
    assert not swap_is_open(job)
    job.record("stop-r", "OL")
    assert swap_is_open(job)
    job.run("done", job.id, "new-coil")
    assert not swap_is_open(job), "the new coil has not been measured"
    job.record("rpri", "0.3 ohm")
    assert not swap_is_open(job)
    job.record("rsec", "5.9k")
    assert swap_is_open(job)


def test_a_new_part_waits_as_a_donor_does(job: BenchJob) -> None:
    """Without a donor in the shop a new module is fitted only when its gate is open."""
    passes(job, "rpri")
    job.record("rpri", "0.06 ohm")
    job.record("swap-mod", "impossible")
    job.record("vpri-rev", "1", how="drill", meter="10M")
    act = next(a for a in job.next()["act_now"] if a["repair"] == "new-module")
    assert (act["missing"], act["ready"]) == (["rpri"], False)
    assert "rpri" in act["reason"]
    job.record("rpri", "0.3 ohm")
    act = next(a for a in job.next()["act_now"] if a["repair"] == "new-module")
    assert (act["missing"], act["reason"]) == ([], "")


def test_the_page_asks_before_what_may_not_be_done(job: BenchJob) -> None:
    """Picked by hand, a swap shows its reason and no form; asked again, what was done counts."""
    app = create_app(Session(job.store), Guard(False), frozenset({"x:1"}))
    device = TestClient(app, base_url="http://x:1")
    do = machine("mag-cdi").model.tests["swap-mod"].do
    page = device.get(f"/job/{job.id}?test=swap-mod").text
    assert "Not to be done now: only after stop-r, and rpri, and rsec have passed" in page
    assert f'action="/job/{job.id}/reading"' not in page and do not in page
    page = device.get(f"/job/{job.id}?test=swap-mod&sure=1").text
    form = page[page.index(f'action="/job/{job.id}/reading"') :]
    data = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form[:2000]))
    sent = {**data, "hits": "ten", "tries": "10"}
    assert 'name="uid"' in device.post(f"/job/{job.id}/reading", data=sent).text, "not lost"
    device.post(f"/job/{job.id}/reading", data={**data, "hits": "10", "tries": "10"})
    assert [r["test"] for r in job.json("show", job.id)["readings"]] == ["swap-mod"]
    assert "Not to be done now" not in device.get(f"/job/{job.id}?test=rpri").text


@pytest.mark.parametrize("system", ["mag-cdi", "dc-cdi", "tci", "charging"])
def test_the_sheet_puts_first_what_must_pass_first(system: str) -> None:
    """A gated test stands below all that it waits for, with a line that says so."""
    m = machine(system)
    sheet = build_worksheet(assess(m, job_of(m, [])), ())
    rows = [row for group in sheet.groups for row in group.tests]
    names = [row.name for row in rows]
    risky = [row for row in rows if m.model.tests[row.name].gate]
    assert risky or len(m.model.tests) > FEW
    for row in risky:
        assert row.only.startswith(("only after", "first")) and "passed" in row.only
        for text in m.model.gates[m.model.tests[row.name].gate].passed:
            for first in text.split("|"):
                assert names.index(first) < names.index(row.name)
                assert first in row.only
        assert "Not now: " in worksheet_html(sheet)


def test_what_was_refused_is_on_no_sheet() -> None:
    """Unsafe, not possible, or seen already: it is not asked for on paper either."""
    m = machine("mag-cdi")
    said = [("gap", ["refused"]), ("rpri", ["impossible"]), ("plug-vis", ["clean"])]
    job = job_of(m, [(test, value, Technique()) for test, value in said])
    sheet = build_worksheet(assess(m, job), ())
    names = {row.name for group in sheet.groups for row in group.tests}
    assert not names & {test for test, _ in said} and "stop-r" in names


# ---- whatever is read, in whatever order ---------------------------------------------------------


@st.composite
def courses(draw: st.DrawFn) -> tuple[str, list[tuple[str, str, tuple[str, ...]]]]:
    """A system, and readings of what its gates wait for, repairs and strikes, in any order."""
    system = draw(st.sampled_from(SYSTEMS))
    model = machine(system).model
    tests = sorted({t for groups in gates(model).values() for g in groups for t in g})
    tests = tests or sorted(model.tests)[:4]
    about = {f for g in model.gates.values() for fs in g.passed.values() for f in fs}
    faults = model.faults_named(about)
    repairs = sorted(n for n, r in model.repairs.items() if cleared(r, model) & faults)
    events: list[tuple[str, str, tuple[str, ...]]] = []
    for _ in range(draw(st.integers(0, 12))):
        kind = draw(st.sampled_from(("read", "read", "read", "read", "mend", "strike")))
        if kind == "read":
            name = draw(st.sampled_from(tests))
            test = model.tests[name]
            good, bad = words(test) if test.limit or test.passes else ("not-taken", "impossible")
            known = [good, good, bad, *SILENT, *(("unstable", "OL") if test.unit else ())]
            n = draw(st.integers(1, 3))
            events.append((kind, name, tuple(draw(st.sampled_from(known)) for _ in range(n))))
        elif kind == "mend" and repairs:
            events.append((kind, draw(st.sampled_from(repairs)), ()))
        else:
            events.append((kind, str(draw(st.integers(1, 12))), ()))
    return system, events


def standing_pass(m: Machine, job: Job, test: str, about: frozenset[tuple[str, str]]) -> bool:
    """Whether the last live reading of a test that says something passes, and after a repair."""
    said = [r for r in job.live_readings if r.test == test and set(r.values) - set(SILENT)]
    if not said:
        return False
    good = words(m.model.tests[test])[0]
    accepted = {good, *SILENT}
    if m.model.tests[test].limit is not None and m.model.tests[test].limit.max is None:
        accepted |= {"OL"}  # more than any least value
    mends = [a.seq for a in job.actions if cleared(m.model.repairs[a.repair], m.model) & about]
    return set(said[-1].values) <= accepted and said[-1].seq > max(mends, default=0)


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(courses())
def test_no_gate_opens_without_a_pass(
    course: tuple[str, list[tuple[str, str, tuple[str, ...]]]],
) -> None:
    """Over systems, words and orders: each group has a standing pass where a gate is open.

    The odds are set to no danger at all here; they can only keep a gate shut.
    """
    system, events = course
    m = machine(system)
    job = happened(m, events)
    seen = marks(m, job)
    steps = [*m.model.tests.values(), *m.model.repairs.values()]
    for step in (s for s in steps if s.gate):
        gate = m.model.gates[step.gate]
        rule = replace(rule_of(m.model, step), first=())
        if allowed(rule, seen, np.zeros(0)):
            for text, faults in gate.passed.items():
                about = m.model.faults_named(faults)
                assert any(standing_pass(m, job, t, about) for t in text.split("|")), events


@pytest.mark.parametrize("system", SYSTEMS)
def test_every_gate_opens_on_passes_and_on_nothing_less(system: str) -> None:
    """All passed: open, in every order. Each in turn anything else, or failed at last: shut."""
    m = machine(system)
    for step in (s for s in (*m.model.tests.values(), *m.model.repairs.values()) if s.gate):
        gate = m.model.gates[step.gate]
        rule = replace(rule_of(m.model, step), first=())
        names = [text.split("|")[-1] for text in gate.passed]
        good = {n: ("read", n, (words(m.model.tests[n])[0],)) for n in names}

        def is_open(events: list[Any], rule: Any = rule) -> bool:
            return bool(allowed(rule, marks(m, happened(m, events)), np.zeros(0)))

        for order in itertools.permutations(names):
            assert is_open([good[n] for n in order])
        for name in names:
            bad = words(m.model.tests[name])[1]
            unit = m.model.tests[name].unit
            others = [good[n] for n in names if n != name]
            for word in (*SILENT, bad, *(("unstable",) if unit else ())):
                for order in itertools.permutations([*others, ("read", name, (word,))]):
                    assert not is_open(list(order)), (name, word)
            failed = ("read", name, (bad,))
            for word in (*SILENT, bad):
                assert not is_open([*good.values(), failed, ("read", name, (word,))])
            assert not is_open([*others, ("read", name, (good[name][2][0], bad))])
            assert is_open([failed, *good.values()]), "answered by the pass after it"


@pytest.mark.parametrize("system", ["mag-cdi", "dc-cdi", "tci", "charging"])
def test_every_answer_holds_to_the_same_rule(system: str) -> None:
    """Ranking, repairs, weighing and the page of reasons agree, on drawn courses of events."""
    m, rng, shop = machine(system), np.random.default_rng(7), load_shop()
    model = m.model
    risky = {n for n, t in model.tests.items() if t.gate}
    risky_repairs = {n for n, r in model.repairs.items() if r.gate}
    tests = sorted({t for groups in gates(model).values() for g in groups for t in g})
    for _ in range(4):
        events = []
        for test in rng.permutation(tests)[: rng.integers(1, len(tests) + 1)].tolist():
            good, bad = words(model.tests[test])
            events.append(("read", test, (str(rng.choice([good, good, bad, "impossible"])),)))
        job = happened(m, events)
        found = assess(m, job)
        permits, advice = Permits(found), plan(found, shop)
        offered = {r.test for r in advice.ranking}
        assert offered == {t for t in model.tests if permits.test(t).allowed}
        decision = decision_of(m, job, found, shop)
        may = {c.name for c in decision.checks if decision.is_open(c)}
        assert may == offered, "what looks ahead begins with what is offered"
        steps = {c.step.name for c in look_ahead(decision, None, usual(decision)).choices}
        shut = {t for t in risky if not permits.test(t).allowed}
        shut |= {r for r in risky_repairs if not permits.repair(r).allowed}
        assert not steps & shut and advice.test not in shut and advice.repair not in shut
        assert {a.repair for a in advice.acts if a.ready} <= set(model.repairs) - shut


# ---- model files ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "value", "key", "words"),
    [
        (("tests", "swap-mod", "gate"), "modul", "tests.swap-mod.gate", "'module'"),
        (("repairs", "new-module", "gate"), "modul", "repairs.new-module.gate", "'module'"),
        (("gates", "coil", "passed", "rsek"), ["sec.open"], "gates.coil.passed", "'rsec'"),
        (("gates", "coil", "passed", "rsec"), ["sec.opne"], "gates.coil.passed.'rsec'", "'open'"),
        (("gates", "coil", "passed", "rsec"), [], "gates.coil.passed.rsec", "empty"),
        (("gates", "coil", "passed"), {}, "gates.coil.passed", "empty"),
        (("gates", "coil", "under"), 1.5, "gates.coil.under", "1"),
        (("gates", "coil", "provenance"), None, "gates.coil.provenance", "missing"),
        (("gates", "coil", "passed", "rcoil|wiggle"), ["pri.open"], "gates.coil.passed", "rcoil"),
        (("gates", "coil", "passed", "refit-coil"), ["pri.open"], "tests.swap-coil", "wait for it"),
    ],
)
def test_mistakes_in_gates_are_told(
    path: tuple[str, ...], value: Any, key: str, words: str
) -> None:
    """What a gate names exists, can pass, and does not wait for what waits for it."""
    raw = shipped("mag-cdi")
    place = raw
    for name in path[:-1]:
        place = place[name]
    place[path[-1]] = value
    if value is None:
        del place[path[-1]]
    with pytest.raises(ModelError) as caught:
        build_system(raw)
    lines = str(caught.value).splitlines()
    assert any(line.startswith(key) and words in line for line in lines), lines


def shipped(system: str) -> dict[str, Any]:
    """A shipped model file, parsed."""
    text = (Path(__file__).parents[1] / "models" / f"{system}.toml").read_text("utf-8")
    return tomllib.loads(text)


def test_a_gate_waits_for_what_can_pass() -> None:
    """A look without a passing outcome would keep it shut for ever; the file is refused."""
    raw = shipped("mag-cdi")
    raw["tests"]["trigger-pos"]["passes"] = []
    raw["gates"]["coil"]["passed"]["trigger-pos"] = ["fly.key"]
    with pytest.raises(ModelError, match="'trigger-pos' has no limit"):
        build_system(raw)
