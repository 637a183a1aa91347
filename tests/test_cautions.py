"""One contract on every surface: all cautions and harm of a step stand before it.

What must stand there is gathered here from the model files as written, by another way than the
program takes: the step's own cautions, those of its set-ups and of what these need, its harm.
"""

from __future__ import annotations

import html
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from starlette.testclient import TestClient

from bench_cli import BenchJob
from benchodds.choose.permits import Permit
from benchodds.choose.planning import Act, Plan, Ranked
from benchodds.infer.assess import Assessment, assess
from benchodds.keep.session import Session, load_machine
from benchodds.keep.shopfile import load_shop
from benchodds.model import jobs
from benchodds.model.jobs import Technique
from benchodds.reasons.evidence import ledger
from benchodds.screens import advising, benchview, glance, numbers, shapes
from benchodds.screens.bench import Bench
from benchodds.screens.care import care
from benchodds.screens.guard import Guard
from benchodds.screens.page import create_app
from benchodds.screens.pages import report_html, worksheet_html
from benchodds.screens.report import build_report
from benchodds.screens.worksheet import build_worksheet
from made_jobs import AT, job_of

MODELS = Path(__file__).parents[1] / "models"
SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter", "dc-cdi+charging+starter")


@cache
def as_written(system: str) -> dict[str, Any]:
    """A model file, parsed and otherwise as it is."""
    return tomllib.loads((MODELS / f"{system}.toml").read_text("utf-8"))


@cache
def found(system: str) -> Assessment:
    """A job of a system without any reading."""
    machine = load_machine(system, None, system)
    return assess(machine, job_of(machine, []))


def texts(system: str, kind: str, name: str) -> list[str]:
    """All that must stand before a test or repair, under its name among joined systems."""
    parts = system.split("+")
    part = next(p for p in parts if len(parts) == 1 or name.startswith(f"{p}-"))
    raw = as_written(part)
    step = raw[kind][name if len(parts) == 1 else name.removeprefix(f"{part}-")]
    names, todo = list(step.get("cautions", [])), list(step.get("needs", []))
    while todo:
        setup = raw["setups"][todo.pop()]
        names += setup.get("cautions", [])
        todo += setup.get("needs", [])
    return [raw["cautions"][c] for c in names] + [x for x in [step.get("harm")] if x]


def steps(system: str, kind: str) -> Iterator[tuple[str, list[str]]]:
    """Every test, or repair, with what must stand before it."""
    for name in getattr(found(system).machine.model, kind):
        yield name, texts(system, kind, name)


def even(text: str) -> str:
    """Text without tags, entities, spaces, marks before lines, and capitals."""
    return re.sub(r"[!\s]", "", html.unescape(re.sub(r"<[^>]+>", " ", text))).lower()


def stand_before(shown: str, wanted: list[str], step: str) -> None:
    """Every text stands in what is shown, and stands there before the step."""
    said = even(shown)
    at = said.index(even(step))
    for text in wanted:
        assert even(text).rstrip(".") in said[:at], f"{text!r} before {step!r}"


def planned(system: str, test: str | None = None, repair: str | None = None) -> Plan:
    """A plan that proposes one step."""
    rows = (Ranked(test, 0.1, 5.0, (), ()),) if test else ()
    acts = (Act(repair, 0.9, 0.9, 1.0, True, Permit()),) if repair else ()
    return Plan("test" if test else "repair", test, repair, rows, (), acts)


@pytest.mark.parametrize("system", SYSTEMS)
def test_next_in_words_and_as_json(system: str) -> None:
    """The texts show them above the step; the JSON holds them with advice, ranking, repairs."""
    assessment, shop = found(system), load_shop()
    model = assessment.machine.model
    for name, wanted in steps(system, "tests"):
        plan = planned(system, test=name)
        shown = "\n".join(glance.next_step(assessment, plan, shop))
        stand_before(shown, wanted, f"DO: {model.tests[name].title}")
        stand_before(numbers.next_step(assessment, plan, shop), wanted, f"DO: {name}")
        data = shapes.advice(assessment, plan)
        for held in (data["cautions"], data["ranking"][0]["cautions"]):
            stand_before(f"{' '.join(held)} THE-STEP", wanted, "THE-STEP")
        assert data["ranking"][0]["harm"] == model.tests[name].harm
    for name, wanted in steps(system, "repairs"):
        plan = planned(system, repair=name)
        shown = "\n".join(glance.next_step(assessment, plan, shop))
        stand_before(shown, wanted, f"DO: {model.repairs[name].title}")
        stand_before(numbers.next_step(assessment, plan, shop), wanted, f"DO: {name}")
        data = shapes.advice(assessment, plan)
        for held in (data["cautions"], data["act_now"][0]["cautions"]):
            stand_before(f"{' '.join(held)} THE-STEP", wanted, "THE-STEP")


@pytest.mark.parametrize("system", SYSTEMS)
def test_cautions_met_before_stand_by_name(system: str) -> None:
    """Once a step with a caution is on record, the caution's name takes the place of its text.

    What the done steps did not carry stays in full, as does harm; nothing is ever left out, and
    with --numbers all of it is in full.
    """
    fresh, shop = found(system), load_shop()
    model, every = fresh.machine.model, list(found(system).machine.model.tests)
    for done in every[:: max(1, len(every) // 3)]:
        shows = {"look": model.tests[done].outcomes[:1], "spark": ("none",)}
        values = shows.get(model.tests[done].kind, ("unstable",))
        event = jobs.reading_event(
            fresh.job, at=AT, uid="done", test=done, values=values, technique=Technique()
        )
        later = replace(fresh, job=jobs.amend(fresh.job, event))
        met = {even(text) for text in model.warnings(model.tests[done])}
        for kind, planning in (("tests", "test"), ("repairs", "repair")):
            for name, wanted in steps(system, kind):
                step = getattr(model, kind)[name]
                plan = planned(system, **{planning: name})
                shown = "\n".join(glance.next_step(later, plan, shop))
                harm = even(step.harm)
                full = [t for t in wanted if even(t) not in met or even(t) == harm]
                stand_before(shown, full, f"DO: {step.title}")
                named = [by_name(system, t) for t in wanted if t not in full]
                stand_before(shown, named, f"DO: {step.title}")
                stand_before(numbers.next_step(later, plan, shop), wanted, f"DO: {name}")


def by_name(system: str, text: str) -> str:
    """The name under which a caution stands in the model files, in words."""
    raws = [as_written(part)["cautions"] for part in system.split("+")]
    return next(name for raw in raws for name in raw if raw[name] == text).replace("-", " ")


def test_what_was_not_done_teaches_no_caution() -> None:
    """A test that was refused or not taken was no reason to read its cautions."""
    fresh = found("mag-cdi")
    model = fresh.machine.model
    for word in ("refused", "not-taken", "impossible"):
        event = jobs.reading_event(
            fresh.job, at=AT, uid="no", test="gap", values=[word], technique=Technique()
        )
        told = care(model, jobs.amend(fresh.job, event), model.tests["gap"])
        assert told.full == model.warnings(model.tests["gap"]) and not told.again


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A loop at the bench; of which job does not matter here."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    return Bench(Session(job.store), job.id)


def proposal(bench: Bench, assessment: Assessment, plan: Plan) -> str:
    """What the loop shows of a plan."""
    return "\n".join(glance.fitted(bench._parts(assessment, plan)))


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_loop_at_the_bench(bench: Bench, system: str) -> None:
    """A proposed test, a proposed repair, and the test beside a repair."""
    assessment = found(system)
    model = assessment.machine.model
    tests = dict(steps(system, "tests"))
    for name, wanted in tests.items():
        shown = proposal(bench, assessment, planned(system, test=name))
        stand_before(shown, wanted, f"DO: {model.tests[name].title}")
    other = next(iter(tests))
    for name, wanted in steps(system, "repairs"):
        plan = planned(system, repair=name)
        plan = Plan(plan.do, None, name, planned(system, test=other).ranking, (), plan.acts)
        shown = proposal(bench, assessment, plan)
        stand_before(shown, wanted, f"DO: {model.repairs[name].title}")
        stand_before(shown, tests[other], f"or test: {model.tests[other].title}")


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_page(system: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests proposed or picked by hand, above form and instructions; repairs above the button."""
    job = BenchJob(tmp_path / "jobs.sqlite")
    assessment = found(system)
    device = TestClient(create_app(Session(job.store), Guard(False), frozenset({"x:1"})),
                        base_url="http://x:1")  # fmt: skip
    monkeypatch.setattr(Session, "assess", lambda *_: assessment)
    model, step = assessment.machine.model, SimpleNamespace(plan=planned(system))
    monkeypatch.setattr(benchview, "advise", lambda *_, **__: (step.plan, None))
    monkeypatch.setattr(Session, "store", SimpleNamespace(job=lambda _: assessment.job))
    for name, wanted in steps(system, "tests"):
        shown = device.get(f"/job/x?test={name}&sure=1").text
        stand_before(shown, wanted, "How to do it")
        assert even(model.tests[name].do) in even(shown[shown.index("How to do it") :])
        stand_before(shown[: shown.index('action="/job/made/reading"')] + "THE-FORM", wanted,
                     "THE-FORM")  # fmt: skip
    for name, wanted in steps(system, "repairs"):
        step.plan = planned(system, repair=name)
        stand_before(device.get("/job/x").text, wanted, "It is done")


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_worksheet(system: str) -> None:
    """Texts on top with numbers, each row with the numbers of its own; harm in the row itself."""
    assessment = found(system)
    sheet = build_worksheet(assessment, ())
    shown = worksheet_html(sheet)
    rows = {t.name: t for group in sheet.groups for t in group.tests}
    assert len(rows) == min(40, len(assessment.machine.model.tests))
    for name, wanted in steps(system, "tests"):
        if name not in rows:
            continue
        start = shown.index(f"<strong>{name}</strong>")
        row = shown[start : shown.index("</td>", start)]
        stand_before(shown[:start] + row, wanted, rows[name].do)
        numbered = {sheet.cautions[i - 1] for i in rows[name].careful}
        assert set(wanted) - {rows[name].harm} <= numbered
        numbers = re.findall(r"careful: ([\d, ]+)", row)
        assert [int(x) for n in numbers for x in n.split(",")] == list(rows[name].careful)


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_report(system: str) -> None:
    """At the head of the record, above every reading and repair; the checks point to them."""
    assessment = found(system)
    job, model = assessment.job, assessment.machine.model
    for k, test in enumerate(model.tests):
        event = jobs.reading_event(
            job, at=AT, uid=f"t{k}", test=test, values=["not-taken"], technique=Technique()
        )
        job = jobs.amend(job, event)
    for k, repair in enumerate(model.repairs):
        job = jobs.amend(job, jobs.action_event(job, repair, at=AT, uid=f"m{k}"))
    done = assess(assessment.machine, job)
    shown = report_html(build_report(done, ledger(done), "0"), "")
    for kind in ("tests", "repairs"):
        for _name, wanted in steps(system, kind):
            stand_before(shown, wanted, "Odds at the end")
    at = [shown.index(f"<h2>{words}") for words in ("To be checked", "Odds", "Readings", "Done")]
    assert at == sorted(at)
    assert "cautions at the head" in shown[at[0] : shown.index('<ul class="boxes">', at[0])]


def test_advice_is_given_by_these_surfaces_alone() -> None:
    """Another module of screens that shows a test's instructions would have to be added here."""
    known = {"step.py", "glance.py", "numbers.py", "bench.py", "benchview.py", "worksheet.py"}
    folder = Path(advising.__file__).parent
    shows = {p.name for p in folder.glob("*.py") if re.search(r"\.do\b(?!\s*==)", p.read_text())}
    assert shows - {"shapes.py"} <= known


@pytest.mark.parametrize("system", ["mag-cdi", "dc-cdi", "tci", "charging", "starter"])
def test_kicking_carries_the_caution_against_kick_back(system: str) -> None:
    """Where engines are kicked, every test that turns one warns of the lever.

    Common practice, no published source. That a test turns the engine is seen from its signal,
    from its instructions, and from what it is done in the manner of.
    """
    machine = found(system).machine
    raw, bench = as_written(system), machine.bench
    shares = raw.get("cranking") or {n: m.share for n, m in bench.cranking.items()}
    kicked = any(shares.get(n, 0) > 0 and m.capture == "kick" for n, m in bench.cranking.items())
    if not kicked or not any("rpm" in t.get("signal", "") for t in raw["tests"].values()):
        assert all("kick" not in t["do"].lower() for t in raw["tests"].values())
        return
    turning = set()
    for name, test in raw["tests"].items():
        said = f"{test['do']} {test['title']}".lower()
        if "rpm" in f"{test.get('signal', '')} {test.get('in_circuit', '')}" or re.search(
            r"\bcrank|\bkick", said
        ):
            turning.add(name)
    assert len(turning) > 15 and {"gap", "stop-disc", "dark", "swap-mod", "vpri"} <= turning
    for name in turning:
        assert raw["cautions"]["kick-back"] in machine.model.warnings(machine.model.tests[name])
    text = raw["cautions"]["kick-back"].lower()
    assert all(x in text for x in ("plug out", "clutch", "stiff")), "bench practice in full"
