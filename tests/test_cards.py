"""Instrument cards: what a job learns of an instrument goes on to the next, and fades."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import expm

from benchodds.basics.errors import (
    BenchoddsError,
    JobError,
    ModelError,
    ReadingError,
    UnknownNameError,
)
from benchodds.keep import files, toolbox
from benchodds.keep.session import Session
from benchodds.model import cards
from benchodds.model.jobs import Technique
from benchodds.screens.commands import record_reading

MINE = """
schema = 1
id = "{name}"
title = "a meter of the test"
meter = "10M"
adapter = "red"
{more}
provenance = "invented for the test"
"""


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Session:
    """A store of its own, and three cards."""
    monkeypatch.setenv(files.FOLDER_VARIABLE, str(tmp_path))
    folder = tmp_path / "instruments"
    folder.mkdir()
    for name in ("red", "blue", "green"):
        (folder / f"{name}.toml").write_text(MINE.format(name=name, more=""), encoding="utf-8")
    monkeypatch.setattr(toolbox, "now", lambda: "2030-01-05T12:00:00Z")
    monkeypatch.setattr("benchodds.keep.session.now", lambda: "2030-01-05T10:00:00Z")
    return Session(tmp_path / "jobs.sqlite")


def opened(shop: Session) -> str:
    """A fresh job on a magneto machine."""
    return shop.open("mag-cdi", "no-spark", (), None, None, None).id


def read(shop: Session, job: str, test: str, *values: str, card: str | None = None) -> None:
    """Record a reading."""
    record_reading(shop, job, test, values, Technique(card=card), None)


def p_dead(shop: Session, job: str) -> float:
    """Posterior of a dead adapter of the job's own instrument."""
    return float(shop.assess(shop.store.job(job)).marginal("adapter")[-1])


def test_fading_is_a_chain_that_starts_anew_at_a_constant_hazard() -> None:
    """Against the matrix exponential of the generator ``hazard * (1 pi - I)``.

    Source: J. R. Norris, Markov Chains (1997), theorem 2.1.1: P(t) = exp(tQ).
    """
    bench = files.load_bench("bench")
    last = {"a": 0.7, "b": 0.1, "c": 0.2}
    anew = {"a": 0.2, "b": 0.5, "c": 0.3}
    pi = np.array(list(anew.values()))
    for days in (0.0, 3.0, 90.0, 4000.0):
        found = cards.faded({"adapter": last}, {"adapter": anew}, days, 0, bench)["adapter"]
        mean = 60.0  # days, as the bench file says of the adapter
        assert bench.cards.fade["adapter"].time == "60 d"
        q = (np.tile(pi, (3, 1)) - np.eye(3)) / mean
        expected = np.array(list(last.values())) @ expm(q * days)
        assert np.allclose(list(found.values()), expected, atol=1e-12)


def test_an_adapter_proved_this_morning_starts_the_next_job_proved(shop: Session) -> None:
    """The next job begins with what is left of the last, faded by two hours and one job."""
    first = opened(shop)
    toolbox.declare(shop, first, "red")
    anew = p_dead(shop, first)
    read(shop, first, "vexc", "112")
    left = p_dead(shop, first)
    assert left < anew / 5
    second = opened(shop)
    said = toolbox.declare(shop, second, "red")
    assert f"from job {first}" in said
    w = np.exp(-(2 / 24) / 60 - 1 / 40)
    assert p_dead(shop, second) == pytest.approx(w * left + (1 - w) * anew, rel=1e-9)
    # A zero then speaks against the exciter, not against the adapter.
    read(shop, second, "vexc", "0", "0", "0")
    plain = opened(shop)
    read(shop, plain, "vexc", "0", "0", "0")
    odds = [shop.assess(shop.store.job(j)).p_fault["exc"] for j in (second, plain)]
    assert odds[0] > odds[1] + 0.1


def test_what_a_job_was_told_stays_with_it(shop: Session) -> None:
    """Later readings of the earlier job do not change the later job's odds."""
    first, second = opened(shop), opened(shop)
    toolbox.declare(shop, first, "red")
    read(shop, first, "vexc", "112")
    toolbox.declare(shop, second, "red")
    before = p_dead(shop, second)
    read(shop, first, "vexc", "0", "0")
    assert p_dead(shop, second) == before
    told = cards.told(shop.store.job(second), "red")
    assert json.dumps(told)
    assert sum(told["beliefs"]["adapter"].values()) == pytest.approx(1.0)


def test_no_reading_counts_twice_when_two_jobs_share_an_instrument(shop: Session) -> None:
    """A job that is told again learns from the job before it, never from one that learnt of it."""
    first, second = opened(shop), opened(shop)
    toolbox.declare(shop, first, "red")
    read(shop, first, "vexc", "112")
    toolbox.declare(shop, second, "red")
    read(shop, second, "vexc", "112")
    anew = toolbox.last_use(shop, "red", shop.store.job(first), shop.store.snapshot().jobs)
    assert anew is None
    again = toolbox.last_use(shop, "red", shop.store.job(second), shop.store.snapshot().jobs)
    assert again is not None
    assert again.job == first


def test_two_instruments_that_agree_say_more_than_one_twice(shop: Session) -> None:
    """Zeros through one adapter may be its fault; through two, hardly."""
    chances = []
    for others in (("green", "green"), ("red", "blue")):
        job = opened(shop)
        for card in dict.fromkeys(others):
            toolbox.declare(shop, job, card)
        for card in others:
            read(shop, job, "vexc", "0", card=card)
        chances.append(shop.assess(shop.store.job(job)).p_fault["exc"])
    assert chances[1] > chances[0] + 0.05


def test_a_change_of_instrument_leaves_earlier_readings_with_theirs(shop: Session) -> None:
    """A reading keeps the instrument that was the job's own when it was taken."""
    job = opened(shop)
    toolbox.declare(shop, job, "red")
    read(shop, job, "vexc", "0", "0")
    before = p_dead(shop, job)
    toolbox.declare(shop, job, "blue")
    after = shop.assess(shop.store.job(job))
    assert float(after.marginal("adapter of red")[-1]) == pytest.approx(before, rel=1e-9)
    assert p_dead(shop, job) < before / 2
    assert {name for name, *_ in after.gear} >= {"adapter", "adapter of red"}


def test_a_date_of_proof_on_the_card(shop: Session, tmp_path: Path) -> None:
    """Counts when it is later than the last use, and fades from that day."""
    path = tmp_path / "instruments" / "red.toml"
    path.write_text(MINE.format(name="red", more="proved = 2030-01-04"), encoding="utf-8")
    job = opened(shop)
    anew = p_dead(shop, job)
    assert "says its card" in toolbox.declare(shop, job, "red")
    w = np.exp(-1 / 60)
    assert p_dead(shop, job) == pytest.approx(w * 0.002 + (1 - w) * anew, rel=1e-9)


def test_an_instrument_that_picks_its_range(shop: Session, tmp_path: Path) -> None:
    """Its accuracy in % of full scale is then known; without a range such a reading is refused."""
    path = tmp_path / "instruments" / "red.toml"
    job = opened(shop)
    fs = 'accuracy = "3%fs"'
    path.write_text(MINE.format(name="red", more=fs), encoding="utf-8")
    toolbox.declare(shop, job, "red")
    with pytest.raises(ReadingError, match="name it"):
        read(shop, job, "vexc", "34")
    ranges = f'{fs}\nvolt_ranges = ["20 V", "200 V"]\npicks_range = true'
    path.write_text(MINE.format(name="red", more=ranges), encoding="utf-8")
    toolbox.declare(shop, job, "red")
    read(shop, job, "vexc", "34")
    (taken,) = shop.assess(shop.store.job(job)).taken
    assert taken.technique.range_top == 200.0
    assert taken.technique.accuracy == "3%fs"


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda s, j: toolbox.declare(s, j, "rad"), UnknownNameError, "did you mean 'red'"),
        (lambda s, j: read(s, j, "vexc", "1", card="red"), JobError, "gear 1 --card red"),
    ],
)
def test_mistakes_get_a_sentence(
    shop: Session, call: object, error: type[BenchoddsError], words: str
) -> None:
    """Nothing is written then."""
    job = opened(shop)
    with pytest.raises(error, match=words):
        call(shop, job)  # type: ignore[operator]
    assert not shop.store.job(job).readings


def test_a_broken_card_names_file_line_and_key(shop: Session, tmp_path: Path) -> None:
    """As any data file."""
    path = tmp_path / "instruments" / "red.toml"
    path.write_text(MINE.format(name="red", more='colour = "red"'), encoding="utf-8")
    with pytest.raises(ModelError, match=r"red\.toml:7: colour"):
        toolbox.load_card("red")
    path.write_text(MINE.format(name="green", more=""), encoding="utf-8")
    with pytest.raises(ModelError, match="should be 'red'"):
        toolbox.load_card("red")


def test_shipped_cards_load() -> None:
    """The demo shop's."""
    assert {"tray", "old-needle"} <= set(toolbox.known_cards())
    for name in ("tray", "old-needle"):
        assert "invented" in toolbox.load_card(name).provenance
