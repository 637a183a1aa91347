"""Closed jobs teach with all that was told: what perhaps went before, what was replaced before,
faults that came and went. What they cannot teach is counted, with its reason."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchodds.cli.main import main
from benchodds.infer.intermittent import spells
from benchodds.keep import files
from benchodds.keep.session import load_coarse, load_machine
from benchodds.learn.casebook import case_of, catalog, chunks_of, read_jobs
from benchodds.learn.cases import Case, Told
from benchodds.learn.likelihoods import ReadingWorth, fault_names
from benchodds.learn.pooling import fit
from benchodds.learn.rolling import forecast, learn
from benchodds.learn.tally import Tally, alike
from benchodds.learn.tuned import Origin, at_fit, build
from benchodds.learn.tuning import RENEWED, SEVERAL, prepare, screen
from benchodds.learn.tuning_files import load_learning
from benchodds.learn.worked import Trial, trials
from benchodds.learn.written import Done, RowError, Written
from benchodds.model import jobs
from benchodds.model.jobs import Job
from past_jobs import knowledge, tally_of

NEW_PLUG = ("new-plug",)


def closed(
    number: int,
    *faults: str,
    perhaps: tuple[tuple[str, float], ...] = (),
    replaced: tuple[str, ...] = (),
    readings: tuple[Written, ...] = (),
) -> Case:
    """A job of the early machine without spark, closed with proof."""
    told = (Told(faults, "bench-bad"),)
    where = (str(number), "2024-01-01", "mag-cdi", "early", "no-spark", ())
    return Case(*where, told, readings=readings, perhaps=perhaps, replaced=replaced)


def shares(tally: Tally, **said: object) -> dict[str, float]:
    """Shares that are learned from a tally, of a job of whom this is said."""
    known = knowledge("mag-cdi")
    kind = alike(closed(0, "stop.wet", **said))  # type: ignore[arg-type]
    model = catalog("mag-cdi", "early")
    p = forecast(learn(tally, known)["mag-cdi"], model, kind)
    return dict(zip(fault_names(model), p.tolist(), strict=True))


def test_what_perhaps_went_before_counts_by_its_chance() -> None:
    """Forty jobs, washed with chance .3: twelve in the cell with it, 28 in that without."""
    tally = tally_of([closed(i, "stop.wet", perhaps=(("washed", 0.3),)) for i in range(40)])
    problem = prepare(tally, knowledge("mag-cdi")).problem
    jobs_by_cell = dict(zip(prepare(tally, knowledge("mag-cdi")).cells, problem.jobs, strict=True))
    assert {c[4]: n for c, n in jobs_by_cell.items()} == {
        ("washed",): pytest.approx(12),
        (): pytest.approx(28),
    }


def test_a_part_that_was_replaced_before_teaches_nothing_of_itself() -> None:
    """Sixty machines that came with a new plug, and no plug at fault: told so, plugs are as likely
    against all that was not seen as before; kept from it, they are thought rare."""
    seen = ["stop.wet", "stop.switch", "con.highR"]
    told = tally_of([closed(i, seen[i % 3], replaced=NEW_PLUG) for i in range(60)])
    kept_back = tally_of([closed(i, seen[i % 3]) for i in range(60)])
    before, with_it, without = shares(Tally()), shares(told), shares(kept_back)
    prior = before["plug.fouled"]
    assert without["plug.fouled"] < 0.6 * prior
    # 60 jobs know of all but the plugs; those take the place that the prior gives them.
    assert with_it["plug.fouled"] == pytest.approx(prior, rel=0.1)
    assert shares(told, replaced=NEW_PLUG)["plug.fouled"] == 0.0


def test_what_is_not_learnt_is_counted() -> None:
    """A fault of the part that was replaced is set aside; of two faults at once it is said what
    they teach."""
    look = (Written("stop-lock", ("varies",)),)
    tally = tally_of(
        [
            closed(1, "plug.fouled", replaced=NEW_PLUG),
            closed(2, "stop.wet", replaced=NEW_PLUG),
            closed(3, "stop.wet", "con.highR", readings=look),
            closed(4, "stop.wet", "con.highR"),
        ]
    )
    screen(tally, knowledge("mag-cdi"))
    assert tally.aside == {RENEWED: 1} and tally.jobs == 3
    assert tally.notes == {SEVERAL: 1}
    counted = prepare(tally, knowledge("mag-cdi"))
    assert counted.several["mag-cdi"] == (2.0, 3.0)
    expected = fit(counted.problem).expected.sum(axis=0)
    at = dict(zip(counted.problem.faults, expected, strict=True))
    assert at["con.highR"] > 1.2, "each of two faults counts"


def test_a_repair_done_again_by_us_is_one_done_again() -> None:
    """Dried by somebody before it came, dried by us: a trial of work that is done again."""
    case = closed(1, "stop.wet", replaced=("stop-dry",))
    kind = alike(case)._replace(work=(Done("stop-dry"),))
    found = list(trials(kind, files.load_system("mag-cdi", "early"), load_learning()))
    assert found[0] == Trial(False, "work.holds_again", true=True)


def test_two_complaints_that_have_one_cause_are_kept() -> None:
    """A tuned set says as its base does how often two complaints have one cause."""
    known = knowledge("mag-cdi")
    counted = prepare(tally_of([closed(1, "stop.wet", "con.highR"), closed(2, "exc.open")]), known)
    fitted = fit(counted.problem)
    point = at_fit(counted.problem, fitted)
    new, _moves = build("mag-cdi", counted, fitted, point, known, Origin((), {}, "", "t"), "new")
    base = known.priors["mag-cdi"].together
    assert base.one_cause is not None and new.together.one_cause == base.one_cause
    assert new.together.two_or_more > base.two_or_more


def store_job(complaint: str = "no-spark") -> Job:
    """A closed job as the store has it, with all that was told at the door."""
    model = files.load_system("mag-cdi", "early")
    opened = jobs.open_event(
        at="2024-01-01T00:00:00Z",
        uid="0",
        system="mag-cdi",
        variant="early",
        complaint=complaint,
        contexts=["storage"],
        perhaps={"washed": 0.4},
        replaced=["new-plug"],
        model_version=model.version,
        prior_set="mag-cdi",
        prior_version="1",
    )
    job = jobs.fold("a", [opened])
    verdict = {"faults": ["stop.wet"], "grade": "bench-bad"}
    return jobs.amend(
        job, jobs.close_event(job, at="2024-01-02T00:00:00Z", uid="1", verdict=verdict)
    )


def test_files_and_the_store_say_the_same(tmp_path: Path) -> None:
    """Columns of a file, and a job of the store: one kind of job. Mistakes are one sentence."""
    case = case_of(store_job(), load_learning())
    assert isinstance(case, Case)
    assert (case.contexts, case.perhaps, case.replaced) == (
        ("storage",),
        (("washed", 0.4),),
        NEW_PLUG,
    )
    path = tmp_path / "jobs.csv"
    head = "job,closed,system,variant,complaint,contexts,faults,grade,replaced\n"
    row = "1,2024-01-02,mag-cdi,early,{complaint},{contexts},stop.wet,bench-bad,{replaced}\n"

    def read(**said: str) -> Tally:
        full = {"complaint": "no-spark", "contexts": "", "replaced": "", **said}
        path.write_text(head + row.format(**full), encoding="utf-8")
        return read_jobs(chunks_of(path), load_learning(), skip_bad=True)

    same = read(contexts="storage washed=0.4", replaced="new-plug")
    assert list(same.counts) == [alike(case)]
    assert "gives no chance" in str(read(contexts="washed=often").bad[0])
    assert "is not a repair of mag-cdi" in str(read(replaced="new-plugg").bad[0])
    two = read(complaint="no-spark+weak-spark")
    assert two.aside == {"has two complaints at once; jobs of one complaint teach": 1}
    refused = case_of(store_job("no-spark+weak-spark"), load_learning())
    assert isinstance(refused, RowError) and "two complaints" in str(refused)


@pytest.mark.parametrize("complaint", ["no-spark", "weak-spark"])
@pytest.mark.parametrize("n", [1, 3])
def test_good_looks_at_a_fault_that_may_come_and_go(complaint: str, n: int) -> None:
    """The loom pulled at n times, nothing changed: P(looks | fault) with pencil and paper.

    Steady it counts n times; coming and going it was away each time, with the one share of tries
    that it has. A slip may be any outcome.
    """
    made = load_coarse("mag-cdi", None, "mag-cdi")
    test, slip = made.model.tests["wiggle"], made.bench.slip.chance
    looks = tuple(Written("wiggle", ("nothing",)) for _ in range(n))
    worth = ReadingWorth(made)(looks, said=(complaint,))
    at = dict(zip(fault_names(made.model), worth.tolist(), strict=True))

    def seen(chance: float) -> float:
        return (1 - slip) * chance + slip / len(test.outcomes)

    base, there = test.base["nothing"], test.causes["con.highR"]
    bad = seen(base * there.get("nothing", 0.0)) / seen(base)
    share = made.model.intermittent["con.*"].share_of([complaint])
    mine = [s for s in spells(made) if (s.component, s.mode) == ("con", "highR")]
    away = [(1 - s.shows(test.provokes)) ** n for s in mine]
    moving = sum(s.weight * p for s, p in zip(mine, away, strict=True))
    expected = (1 - share) * bad**n + share * moving
    assert at["con.highR"] / at["none.elec"] == pytest.approx(expected, rel=0.02)
    steady = ReadingWorth(made)(looks)
    mine_steady = dict(zip(fault_names(made.model), steady.tolist(), strict=True))
    assert mine_steady["con.highR"] / mine_steady["none.elec"] == pytest.approx(bad**n, rel=0.02)


def test_tune_says_what_it_leaves_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command: a job set aside, one of two faults, and proofs of what comes and goes."""
    load_machine.cache_clear()
    monkeypatch.setenv("BENCHODDS_FOLDER", str(tmp_path / "own"))
    row: dict[str, object] = {"closed": "2025-01-31", "system": "mag-cdi", "complaint": "no-spark"}
    row |= {"grade": "bench-bad", "readings": [{"test": "stop-lock", "values": ["varies"]}]}
    rows = [row | {"job": f"j{i}", "faults": ["stop.wet"]} for i in range(4)]
    rows += [row | {"job": "k", "faults": ["plug.fouled"], "replaced": ["new-plug"]}]
    rows += [row | {"job": "l", "faults": ["stop.wet", "con.highR"]}]
    rows += [row | {"job": "m", "faults": ["stop.chafe"]}]
    past = tmp_path / "past.jsonl"
    past.write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")
    asked = ["tune", str(past), "--spreads", "--even-if-worse", "--store", str(tmp_path / "n.db")]
    result = CliRunner().invoke(main, [*asked, "--json"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["account"]["set_aside"] == {RENEWED: 1}
    assert found["account"]["notes"] == {SEVERAL: 1}
    assert found["systems"]["mag-cdi"]["spreads_left_out"] == 1
    assert np.isfinite(found["systems"]["mag-cdi"]["two_or_more"])
