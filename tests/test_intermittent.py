"""Faults that come and go: against the beta-binomial, by elimination, by drawing, and as rules.

Bands are argued beside each; numbers of the shipped models are judgement.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats

from benchodds.basics.errors import ModelError
from benchodds.basics.tables import Network, Table
from benchodds.infer import inference, intermittent
from benchodds.infer.assess import APART, Assessment, Machine, assess, network_of, understand
from benchodds.infer.belief import Mixed
from benchodds.keep.files import find, read_toml
from benchodds.keep.session import load_machine
from benchodds.measure.looks import SparkInstrument
from benchodds.model.jobs import Job, Technique
from benchodds.model.system import Intermittent, build_system
from made_jobs import job_of

PLAIN = Technique()
SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter")


@cache
def machine(system: str = "mag-cdi") -> Machine:
    """A shipped machine on the nodes on which tests are chosen."""
    return load_machine(system, None, system).coarse


def job(*rows: tuple[str, str] | str, complaint: str = "weak-spark") -> Job:
    """A job made of readings and repairs."""
    made = [r if isinstance(r, str) else (r[0], (r[1],), PLAIN) for r in rows]
    return job_of(machine(), made, complaint)


def fault(found: Assessment, name: str) -> float:
    """P(fault there, coming and going)."""
    component, _dot, mode = name.partition(".")
    return found.p_comes_and_goes[component, mode]


# ---- the law of the share of tries ------------------------------------------------------------


def law(there: str, keeps: float = 0.0) -> Intermittent:
    """A fault that comes and goes so."""
    return Intermittent(share=0.5, there=there, keeps=keeps, provenance="made for a test")


def spells(there: str, n: int) -> tuple[intermittent.Spell, ...]:
    """The points of such a law."""
    model = machine().model.model_copy(update={"intermittent": {"con.open": law(there)}})
    return intermittent.spells_of(model, intermittent.points_of(model, n))


@pytest.mark.parametrize(("a", "b"), [(1.0, 1.0), (1.0, 1.5), (2.0, 3.0)])
@pytest.mark.parametrize("tries", [3, 10])
def test_counts_are_beta_binomial(a: float, b: float, tries: int) -> None:
    """Mixed over the points, counts of good tries follow scipy's beta-binomial.

    Source: N. L. Johnson, A. W. Kemp, S. Kotz, "Univariate Discrete Distributions" (2005), 6.2.2.
    """
    found = spells(f"Be({a}, {b})", 2000)
    k = np.arange(tries + 1)
    mixed = sum(s.weight * stats.binom.pmf(k, tries, 1 - s.there) for s in found)
    assert mixed == pytest.approx(stats.betabinom.pmf(k, tries, b, a), abs=1e-3)


def test_the_points_in_use_are_near_the_law() -> None:
    """Of the three points in use, up to ten good tries in a row are within a fiftieth."""
    for a, b in ((1.0, 1.5), (1.5, 1.0)):
        found = spells(f"Be({a}, {b})", intermittent.POINTS)
        for n in (1, 3, 10):
            mixed = sum(s.weight * (1 - s.there) ** n for s in found)
            assert mixed == pytest.approx(stats.betabinom.pmf(n, n, b, a), abs=0.035)


@pytest.mark.parametrize("n", [30, 100, 300])
def test_rule_of_succession_and_rule_of_three(n: int) -> None:
    """After n good tries of n, from no knowledge: the next is good with (n + 1) / (n + 2), and a
    share above 3 / n is left with a chance of one in twenty (from n = 30 on, as its authors say).

    Sources: Laplace, "Essai philosophique sur les probabilites" (1814); J. A. Hanley and A.
    Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA 249 (1983) 1743-1745.
    """
    found = spells("Be(1, 1)", 4000)
    there = np.array([s.there for s in found])
    w = np.array([s.weight for s in found]) * (1 - there) ** n
    w /= w.sum()
    assert w @ (1 - there) == pytest.approx((n + 1) / (n + 2), abs=1e-4)
    assert w[there > 3 / n].sum() == pytest.approx(0.05, abs=0.02)


def test_each_try_meets_the_fault_or_not() -> None:
    """A count of sparks, against tries drawn one by one."""
    tool = machine().instrument("gap")
    assert isinstance(tool, SparkInstrument)
    gone = machine().given(tool.quantities, "con", "open")
    sound = machine().given(tool.quantities)
    share, rng = 0.4, np.random.default_rng(5)
    told = Technique(how="drill", light="dark")
    mixed = tool.mixed(share, gone).likelihood(tool.parse(("7/10",)), told, "h")
    one = tool.likelihood(tool.parse(("1/1",)), told, "h")
    assert mixed is not None and one is not None
    # One constant machine and operator: the likeliest of the sound ones.
    at = np.unravel_index(int(np.argmax(sound)), sound.shape)
    dead = np.tensordot(gone, one.p, gone.ndim)
    slip = tool.slip  # a whole count is one entry, and so is one try of it
    p = [((x[0] if np.ndim(x) else x) - slip / 3) / (1 - slip) for x in (one.p[at], dead)]
    met = rng.random((200_000, 10)) < share
    hits = (rng.random(met.shape) < np.where(met, p[1], p[0])).sum(axis=1)
    drawn = (1 - slip) * (hits == 7).mean() + slip / 3
    assert float(mixed.p[at][0]) == pytest.approx(drawn, abs=0.003)


# ---- the odds ------------------------------------------------------------------------------------

READ = [
    [("gap", "strong 10/10")],
    [("gap", "strong 10/10"), ("wiggle", "changes")],
    [("gap", "none 0/10"), ("stop-disc", "strong 10/10"), ("stop-lock", "varies")],
    [("rpri", "unstable 0.3..40"), ("gap", "7/10")],
]


@pytest.mark.parametrize("rows", READ)
def test_listed_states_are_those_of_the_whole_network(rows: list[tuple[str, str]]) -> None:
    """By elimination, without any list: what is left out are rarer pairs of faults."""
    found = assess(machine(), job(*rows))
    assert isinstance(found.posterior, Mixed)
    taken = understand(machine(), found.job)
    network = network_of(machine(), found.job, taken, spells=True)
    exact = inference.posterior(network, [*network.roots, intermittent.NAME])
    for c in machine().model.components:
        assert found.posterior.joint([c]) == pytest.approx(exact.joint([c]), abs=5e-3)
    assert found.posterior.log_evidence == pytest.approx(exact.log_evidence, abs=5e-3)
    unsteady = 1 - exact.joint([intermittent.NAME])[0]
    assert found.p_unsteady == pytest.approx(unsteady, abs=5e-3)


def test_without_readings_nothing_is_learned() -> None:
    """Before any reading faults are as likely as in the prior, steady or not."""
    plain = intermittent.all_steady(machine())
    blank, told = assess(plain, job()), assess(machine(), job())
    for name, p in blank.p_mode.items():
        assert told.p_mode[name] == pytest.approx(p, abs=4e-3)  # two at once are left out
    shares = {
        name: fault(told, ".".join(name)) / p
        for name, p in told.p_mode.items()
        if name[0] == "con" and p
    }
    want = machine().model.intermittent["con.*"].share_of(["weak-spark"])
    assert shares["con", "highR"] == pytest.approx(want, abs=0.03)


def test_a_good_reading_lowers_it_by_its_share() -> None:
    """Steady, a bad contact is gone after ten sparks; coming and going, it loses about the share
    of tries in which it is there (between a fifth and three fifths of its odds)."""
    before, after = (assess(machine(), job(*rows)) for rows in ([], [("gap", "strong 10/10")]))
    odds = [fault(a, "con.highR") / a.p_mode["plug", "fouled"] for a in (before, after)]
    assert 0.4 <= odds[1] / odds[0] <= 0.8
    always = [
        a.steady.p_mode["con", "highR"] / a.steady.p_mode["plug", "fouled"] for a in (before, after)
    ]
    assert always[1] / always[0] < 0.6 * odds[1] / odds[0], "steady, it loses far more"


def test_two_good_readings_lower_it_twice_with_one_share() -> None:
    """What was there in no reading is there seldom: each further good reading says less."""
    rows = [("wiggle", "nothing")]
    p = [assess(machine(), job(*rows * n)) for n in (0, 1, 2, 3)]
    odds = np.array([fault(a, "con.highR") / a.p_mode["plug", "fouled"] for a in p])
    ratio = odds[1:] / odds[:-1]
    assert (ratio < 1).all() and (np.diff(ratio) > 0).all()


def test_provoking_brings_it_out_or_clears_it() -> None:
    """Pulled at without a change, a loose contact loses more than by a spark at rest."""
    start = assess(machine(), job())
    rest = assess(machine(), job(("gap", "strong 10/10")))
    pulled = assess(machine(), job(("wiggle", "nothing")))
    moved = assess(machine(), job(("wiggle", "changes")))
    assert fault(pulled, "con.highR") < 0.6 * fault(rest, "con.highR")
    assert fault(moved, "con.highR") > 2 * fault(start, "con.highR")


def test_a_display_that_does_not_settle_uses_its_ends() -> None:
    """A spell that never reaches a sound primary's ohms is less like a contact that comes and goes
    than one that does; a contact that is bad just then, and moves, may show either."""
    through = assess(machine(), job(("rpri", "unstable 0.2..40")))
    beside = assess(machine(), job(("rpri", "unstable 20..40")))
    assert fault(through, "pri.term") > 1.3 * fault(beside, "pri.term")


def test_a_repair_clears_what_comes_and_goes() -> None:
    """Cleaned connectors: what came and went there is gone but for what cleaning leaves."""
    rows = [("gap", "strong 10/10"), ("wiggle", "changes")]
    before = assess(machine(), job(*rows))
    after = assess(machine(), job(*rows, "connectors"))
    assert fault(after, "con.highR") < 0.25 * fault(before, "con.highR")
    assert fault(after, "gnd.highR") == pytest.approx(fault(before, "gnd.highR"), abs=0.02)
    assert after.p_was["con", "highR"] == pytest.approx(before.p_mode["con", "highR"], abs=0.02)


def test_what_is_foreseen_is_what_comes() -> None:
    """The chances of a next reading are those by which it would move the evidence."""
    found = assess(machine(), job(("gap", "strong 10/10")))
    outcomes, _table = machine().predictive("wiggle", PLAIN)
    p = found.state_p / found.state_p.sum() @ found.foreseen("wiggle", PLAIN)
    for outcome, chance in zip(outcomes, p, strict=True):
        after = assess(machine(), job(("gap", "strong 10/10"), ("wiggle", outcome.label)))
        ratio = np.exp(after.posterior.log_evidence - found.posterior.log_evidence)
        assert chance == pytest.approx(float(ratio), abs=0.02)  # foreseen of likely states


def test_a_node_for_every_epoch_is_certain_of_itself() -> None:
    """Still there, or steady: each column of what is left after work sums to one."""
    rows = [("gap", "strong 10/10"), "connectors", ("gap", "strong 10/10"), "ground"]
    made = job(*rows)
    taken = understand(machine(), made, apart=True)
    network: Network = network_of(machine(), made, taken, cells=APART, spells=True)
    for name, table in network.tables.items():
        if name.startswith(intermittent.NAME):
            assert isinstance(table, Table)
            assert table.p.sum(axis=0) == pytest.approx(1.0)


# ---- model files -------------------------------------------------------------------------------


@pytest.mark.parametrize("system", SYSTEMS)
def test_every_system_says_what_may_come_and_go(system: str) -> None:
    """Contacts and wires at the least, each with a test that brings some of it out."""
    model = machine(system).model
    assert len(intermittent.spells_of(model, intermittent.points_of(model))) >= 6
    ways = {way for t in model.tests.values() for way in t.provokes}
    assert all(set(spec.provoked) <= ways for spec in model.intermittent.values())
    assert any(spec.provoked for spec in model.intermittent.values())


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"there": "N(3, 1)"}, "is no share"),
        ({"there": "Be(1"}, "there"),
        ({"shares": {"no-sparks": 0.1}}, "'no-sparks' is not a complaint or context"),
        ({"provoked": {"flexx": 0.4}}, "'flexx' is not what a test provokes"),
        ({"keeps": 1.4}, "keeps"),
    ],
)
def test_mistakes_in_a_model_file_are_told(change: dict[str, object], said: str) -> None:
    """Each names its place and what would be right."""
    raw = dict(read_toml(find("models", "mag-cdi")))
    raw["intermittent"]["con.*"] = {**raw["intermittent"]["con.*"], **change}
    with pytest.raises(ModelError, match=said):
        build_system(raw)
