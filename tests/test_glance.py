"""Screens that are read at a glance: twelve lines, words, cautions in front, nothing lost.

The conventions stand in DEVELOPERS.md, "What a screen says"; jobs are drawn (``random_jobs``).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from bench_cli import BenchJob
from benchodds.basics.words import wrapped
from benchodds.choose.planning import Plan
from benchodds.infer.assess import Assessment, assess
from benchodds.keep.session import load_machine
from benchodds.keep.shopfile import load_shop
from benchodds.model.jobs import Technique
from benchodds.reasons.clashes import gear_notes
from benchodds.reasons.explain import explain_reading
from benchodds.reasons.sentences import briefly, gear_sentences
from benchodds.screens import glance, numbers
from benchodds.screens.advising import advise
from benchodds.screens.care import Care, care, care_lines
from benchodds.screens.glance import LINES, Part, fitted
from benchodds.screens.told import technique_words
from made_jobs import job_of
from random_jobs import random_readings

SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter")
STRANGE = r"\bbits?\b|deciban|guard band|True|False|likelihood|posterior|prior\b"
"""Words that a bench has no use for."""


@cache
def drawn(system: str) -> tuple[Assessment, ...]:
    """A drawn job after none, two and three of its readings."""
    machine = load_machine(system, None, system)
    complaint = next(iter(machine.model.complaints))
    said = random_readings(machine, complaint, 3, np.random.default_rng(17))
    rows = [(s.test, s.values, s.technique) for s in said]
    return tuple(assess(machine, job_of(machine, rows[:n])) for n in (0, 2, 3))


def allowed(assessment: Assessment, plan: Plan) -> int:
    """Most lines: twelve and, of the proposed step, the cautions that are told in full."""
    model = assessment.machine.model
    step = model.tests.get(plan.test or "") or model.repairs.get(plan.repair or "")
    full = care(model, assessment.job, step).full if step else ()
    return LINES + len(care_lines(Care(full, ())))


def screens(assessment: Assessment, before: Assessment) -> Iterator[tuple[str, int, list[str]]]:
    """Every answer at a glance: its name, most lines, lines."""
    shop, plan = load_shop(), advise(assessment, greedy=True)[0]
    most = allowed(assessment, plan)
    yield "next", most, glance.next_step(assessment, plan, shop)
    yield "odds", LINES, glance.odds(assessment)
    if not assessment.job.live_readings:
        return
    reading = assessment.job.live_readings[-1]
    parts = glance.recorded(before.chances, assessment, reading)
    yield "record", most, fitted([*parts, *glance.step_parts(assessment, plan, shop)])
    if assessment.taken[-1].table is not None:
        tool = assessment.machine.instrument(reading.test)
        head = wrapped(f"{reading.id}: {glance.value_words(tool, reading)}")
        yield "why", LINES, head + briefly(explain_reading(assessment, reading.id))


@pytest.mark.parametrize("system", SYSTEMS)
def test_answers_keep_to_twelve_lines_of_words(system: str) -> None:
    """Lines, columns, no words of statistics, no names of faults, no letters of set-ups."""
    stages = drawn(system)
    faults = [f"{c}.{m}" for c, m in stages[0].machine.model.faults()]
    for k, assessment in enumerate(stages):
        for name, most, lines in screens(assessment, stages[max(0, k - 1)]):
            text = "\n".join(lines)
            assert 0 < len(lines) <= most, f"{name} after {k}:\n{text}"
            assert max(map(len, lines)) <= 80, text
            assert not re.search(STRANGE, text), text
            assert not [f for f in faults if re.search(rf"\b{re.escape(f)}\b", text)], text
            assert len(set(lines)) == len(lines), f"something is said twice:\n{text}"


def test_test_on_or_mend_is_one_sentence_in_one_money() -> None:
    """In the shop's currency; prices of the model file's plugs are shown nowhere."""
    assessment = drawn("mag-cdi")[0]
    plan, weighed = advise(assessment)
    shop = load_shop()
    lines = glance.next_step(assessment, plan, shop, weighed)
    assert sum("Test on" in line or line.startswith("Mend") for line in lines) == 1
    for text in ("\n".join(lines), numbers.next_step(assessment, plan, shop, weighed)):
        assert not re.search(r"\d plugs|in plugs", text)
    assert "quills" in numbers.next_step(assessment, plan, shop, weighed)


def test_what_does_not_fit_goes_by_rank_and_cautions_never() -> None:
    """The greatest rank first; what leads and cautions stay, whatever their length."""
    careful = Care(tuple("warning {k}" for k in range(9)), ("fuel",))
    parts = [
        Part(["do"], careful=careful),
        Part(["mean"] * 2, 1),
        Part(["wait"] * 5, 5),
        Part(["lead"]),
    ]
    lines = fitted(parts)
    assert "wait" not in lines and lines.count("mean") == 2 and lines[-1] == "lead"
    assert lines.index("do") == len(care_lines(careful))
    assert len(fitted([Part(["a"]), Part(["b"] * 12, 1)])) == 1
    assert fitted([Part([str(k)], k) for k in range(20)]) == [str(k) for k in range(12)]


def test_a_slip_is_said_when_it_is_recorded(tmp_path: Path) -> None:
    """At once, with what to look at, and no word of a slip where none is suspected."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    said = job.run("record", job.id, "rsec", "5.9k")
    assert "coil secondary resistance, cap off: 5.9 kohm, good (limit: 3.3 kohm to 8.4" in said
    assert "slip" not in said
    said = " ".join(job.run("record", job.id, "rpul", "0.9k", "--unplugged", "yes").split())
    assert "0.9 kohm, high" in said
    assert "Taken as a slip" in said and "unit off by a thousand" in said
    assert "Taken as a slip" in " ".join(job.run("why", job.id).split())


def test_low_high_good_and_not_good(tmp_path: Path) -> None:
    """By the limit as it is written; a look passes or not."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    for test, value, words in (
        ("stop-r", "180", "180 ohm, low (limit: at least 100 kohm)"),
        ("cap-r", "OL", "OL, high (limit: 3.8 kohm to 6.4 kohm)"),
        ("plug-vis", "worn", "worn, not good."),
        ("gap", "strong 10/10", "strong 10/10, good."),
    ):
        assert words in " ".join(job.run("record", job.id, test, value).split())
    said = job.run("record", job.id, "vexc", "not-taken")
    assert "it says nothing about the machine" in said


def test_numbers_have_a_glossary_of_their_words(tmp_path: Path) -> None:
    """All that stood there before, names and set-up letters too, and what the words mean."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    job.run("record", job.id, "gap", "none", "0/10")
    said = job.run("next", job.id, "--greedy", "--numbers")
    assert "bits/min" in said and "bit: how much an outcome tells" in said
    assert "set-ups: A seat and tank off" in " ".join(said.split())
    job.run("record", job.id, "vexc", "112", "--how", "firm-kick")
    said = job.run("why", job.id, "--numbers")
    assert "deciban: weight of evidence" in said and "guard band" in said
    assert "cap.open" in job.run("record", job.id, "cap-r", "OL", "--numbers")


def test_gear_that_was_just_proved_is_not_to_be_proved() -> None:
    """Three zeros speak against the adapter: prove it. After its proof no sentence asks for it."""
    machine = load_machine("mag-cdi", None, "mag-cdi")
    drill = Technique(how="drill", unplugged=True)
    rows = [("vexc", ["0.0"], drill), ("vpul", ["0.0"], drill), ("rexc", ["15"], drill)]
    before = assess(machine, job_of(machine, rows))
    assert any("Prove it" in line for line in gear_sentences(gear_notes(before)))
    after = assess(machine, job_of(machine, [*rows, ("adapt", ["0.0"], Technique())]))
    notes = [n for n in gear_notes(after) if n.item == "adapter"]
    assert notes and notes[0].proof is None and notes[0].test is None
    assert "Prove it" not in " ".join(line for line in gear_sentences(notes))


def test_how_it_was_taken_is_said_in_words() -> None:
    """No names of fields, no True."""
    said = technique_words(Technique(how="drill", unplugged=True, temp_c=20.0, same_hookup=True))
    assert said == "how drill; 20 °C; unplugged; probes not moved"
    assert technique_words(Technique(unplugged=False)) == "not unplugged"


def test_test_step_is_the_same_for_all_surfaces() -> None:
    """Page and terminal take what outcomes mean from one place."""
    from benchodds.screens import benchview

    assessment = drawn("mag-cdi")[1]
    plan = advise(assessment, greedy=True)[0]
    assert plan.test
    session = SimpleNamespace(
        store=SimpleNamespace(job=lambda _: assessment.job), assess=lambda _: assessment
    )
    view = benchview.job_view(session, "made", None, ())  # type: ignore[arg-type]
    assert view.form is not None
    shown = " ".join(" ".join(glance.next_step(assessment, plan, load_shop())).split())
    assert view.form.do in shown and view.form.why[0] in shown
