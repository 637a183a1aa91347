"""Exchange with other programs: the same posteriors from pgmpy and pyAgrum, in memory and by file.

Readings of several links of the electrical chain make large cliques once the complaint is a
chain of nodes. These stories run on the shipped model with a quarter of its cells (``COARSE``),
so that the two other libraries take seconds, not minutes; the rest runs on the full grids.
The cells change the posterior of the machine, but not what is tested: that three programs
agree on one network.
"""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import oracle
from benchodds.basics.errors import EvidenceError, ModelError, UnknownNameError
from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Array, Network, Special, Table, Variable
from benchodds.infer import network as compiler
from benchodds.infer.bif import bif_text, read_bif
from benchodds.infer.exchange import explicit, from_pgmpy, log_scale, pruned, to_pgmpy
from benchodds.infer.inference import calibrate, posterior
from benchodds.infer.machine import FoldedNetwork
from benchodds.keep.files import find, load_bench, load_priors, read_toml
from benchodds.measure.measurement import instrument
from benchodds.model.gear import hookup_node
from benchodds.model.jobs import Technique
from benchodds.model.priors import fault_prior
from benchodds.model.system import SystemModel, build_system

pytestmark = pytest.mark.filterwarnings(
    "ignore::DeprecationWarning", "ignore::FutureWarning", "ignore::PendingDeprecationWarning"
)

VARIANTS = ("early", "late")
COARSE = 4
Taken = tuple[str, tuple[str, ...], Technique, str]
"""Test, what was written, how it was taken, and the hook-up."""

KICK = Technique(how="firm-kick", meter="10M")
STORIES: dict[str, tuple[Taken, ...]] = {
    "nothing read": (),
    "single: coil insulation": (
        ("vexc", ("22", "112", "47"), KICK, "hookup 1"),
        ("vpul", ("2.1",), KICK, "hookup 2"),
        ("vpri", ("138",), KICK, "hookup 3"),
        ("cap-r", ("5.1k",), Technique(), "hookup 4"),
        ("rsec-cap", ("11.8k",), Technique(), "hookup 5"),
        ("gap", ("none",), Technique(how="firm-kick"), "hookup 6"),
    ),
    "double: stop line and plug": (
        ("plug-vis", ("black-wet",), Technique(), "hookup 1"),
        ("plug-new", ("none",), Technique(), "hookup 2"),
        ("stop-disc", ("strong",), Technique(), "hookup 3"),
        ("plug-spark-off", ("none",), Technique(), "hookup 4"),
        ("stop-r", ("3",), Technique(), "hookup 5"),
    ),
    "contradictory": (
        ("vpri", ("146",), KICK, "hookup 1"),
        ("vpri", ("0.0",), KICK, "hookup 1"),
        ("rexc", ("OL",), Technique(), "hookup 2"),
        ("vexc", ("131",), Technique(how="drill", meter="1M"), "hookup 3"),
        ("gap", ("10/10",), Technique(), "hookup 4"),
        ("gap", ("0/10",), Technique(), "hookup 4"),
    ),
}
HEAVY = ("single: coil insulation", "double: stop line and plug", "contradictory")
"""Stories that run with one in ``COARSE`` of the cells."""


@cache
def machine(
    variant: str, share: int = 1
) -> tuple[SystemModel, Any, dict[str, Variable], dict[str, Table]]:
    """The shipped machine with one in ``share`` of its cells, compiled once for each variant."""
    raw, bench = read_toml(find("models", "mag-cdi")), load_bench("bench")
    for quantity in raw["quantities"].values():
        grid = quantity.get("grid", {})
        for key in ("cells", "below"):
            if key in grid:
                grid[key] = math.ceil(grid[key] / share)
    model = build_system(raw, variant)
    return (model, bench, *compiler.physics(model, bench))


def read_out(
    variant: str, taken: Sequence[Taken], complaint: str = "no-spark", share: int = 1
) -> Network:
    """The network of the shipped machine with readings as findings."""
    model, bench, variables, tables = machine(variant, share)
    prior = fault_prior(load_priors("mag-cdi"), model, complaint, ())
    network = compiler.assemble(model, prior, variables, tables)
    variables, tables = dict(network.variables), dict(network.tables)
    findings = dict(network.findings)
    for i, (test, values, technique, hookup) in enumerate(taken, start=1):
        tool = instrument(test, model.tests[test], bench, variables)
        finding = tool.likelihood(tool.parse(values), technique, hookup)
        assert finding is not None
        if hookup in finding.scope and hookup not in variables:
            variables[hookup], tables[hookup] = hookup_node(hookup, bench)
        findings[f"R{i}"] = finding
    return replace(network, variables=variables, tables=tables, findings=findings)


def random_readings(variant: str, seed: int) -> tuple[Taken, ...]:
    """Five readings of random tests, with values anywhere in the test's span."""
    rng = np.random.default_rng(seed)
    model, bench, _, _ = machine(variant)
    taken: list[Taken] = []
    for i, name in enumerate(rng.choice(list(model.tests), size=5, replace=False)):
        test = model.tests[str(name)]
        if test.kind == "look":
            word = str(rng.choice(test.outcomes))
        elif test.kind == "spark":
            word = str(rng.choice(["none", "weak", "strong"]))
        else:
            assert test.span is not None
            low, high = (to_base(end, test.unit) for end in test.span)
            word = f"{math.exp(rng.uniform(math.log(low), math.log(high))):.3g}"
            word = "OL" if test.unit == "ohm" and rng.random() < 0.3 else word
            word = f"{float(word):f}" if "e" in word else word
        how = str(rng.choice(list(bench.cranking)))
        taken.append((str(name), (word,), Technique(how=how, meter="10M"), f"hookup {i}"))
    return tuple(taken)


def asked(network: Network) -> list[str]:
    """Components, shared gear, and every hook-up that plays a part."""
    hookups = [v for v in network.variables if v.startswith("hookup")]
    return [*network.roots, "adapter", "meter", "operator", *hookups]


class Agrum:
    """A network read by pyAgrum from our file, with the evidence the file names."""

    def __init__(self, path: Path, engine: str) -> None:
        gum = pytest.importorskip("pyagrum")
        body = ElementTree.parse(path).getroot().find("NETWORK")
        assert body is not None
        self.model = gum.loadBN(str(path))
        self.inference = getattr(gum, engine)(self.model)
        seen = [
            (item.text or "").split(" = ")[1].split()
            for item in body.findall("PROPERTY")
            if (item.text or "").startswith("benchodds_evidence")
        ]
        self.inference.setEvidence(dict(seen))
        self.inference.makeInference()

    def p(self, name: str) -> Array:
        """Posterior of one variable, by its name in the file."""
        return np.asarray(self.inference.posterior(name).toarray())


def short_names(path: Path) -> dict[str, str]:
    """Name in the file by our name, from the properties of the file."""
    from urllib.parse import unquote

    out = {}
    for element in ElementTree.parse(path).getroot().iter("VARIABLE"):
        short = element.findtext("NAME") or ""
        properties = [(p.text or "").split(" = ") for p in element.findall("PROPERTY")]
        out[unquote(dict(properties).get("benchodds_name", short))] = short
    return out


def by_pgmpy(model: Any, evidence: dict[str, str], names: Sequence[str]) -> dict[str, Array]:
    """Posteriors by pgmpy's variable elimination, each from its own query."""
    from pgmpy.inference import VariableElimination

    engine = VariableElimination(model)
    return {
        v: np.asarray(engine.query([v], evidence=evidence, show_progress=False).values)
        for v in names
    }


# ---- the shipped model against two other libraries -----------------------------------------


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("story", STORIES)
def test_shipped_model_against_two_libraries(variant: str, story: str, tmp_path: Path) -> None:
    """Posteriors of all components and gear are pgmpy's and pyAgrum's to 1e-9."""
    share = COARSE if story in HEAVY else 1
    compare(read_out(variant, STORIES[story], share=share), tmp_path)


@pytest.mark.parametrize(("variant", "seed"), [("early", 0), ("late", 1), ("late", 3)])
def test_random_readings_against_two_libraries(variant: str, seed: int, tmp_path: Path) -> None:
    """The same holds for readings drawn at random, mostly at odds with each other."""
    compare(read_out(variant, random_readings(variant, seed), "weak-spark", COARSE), tmp_path)


def compare(network: Network, folder: Path) -> None:
    """Compare three libraries on one network, pyAgrum from a file."""
    names = asked(network)
    ours = posterior(network, names)
    model, evidence = to_pgmpy(network, names)
    for v, p in by_pgmpy(model, evidence, names).items():
        assert p == pytest.approx(ours.joint([v]), abs=1e-9, rel=0), v
    path = folder / "bench.bifxml"
    path.write_text(bif_text(network, names), encoding="utf-8")
    short = short_names(path)
    agrum = Agrum(path, "LazyPropagation")
    for v in names:
        assert agrum.p(short[v]) == pytest.approx(ours.joint([v]), abs=1e-9, rel=0), v
    # P(evidence) of the file and ours differ by the constant that log_scale gives.
    assert math.log(agrum.inference.evidenceProbability()) + log_scale(network) == pytest.approx(
        ours.log_evidence, abs=1e-9
    )


@pytest.mark.parametrize("variant", VARIANTS)
def test_written_file_read_by_pgmpy(variant: str, tmp_path: Path) -> None:
    """The written file, read back by pgmpy, by Shafer-Shenoy and by us, gives the posteriors."""
    from pgmpy.readwrite import XMLBIFReader

    network = read_out(variant, STORIES["single: coil insulation"], share=COARSE)
    names = asked(network)
    ours = posterior(network, names)
    path = tmp_path / "bench.bifxml"
    path.write_text(bif_text(network, names), encoding="utf-8")
    short = short_names(path)
    back = read_bif(path.read_text(encoding="utf-8"))
    beliefs = calibrate(back, names)
    evidence = {
        short[v]: outcomes_of(path, short[v])[s].text or "" for v, s in back.evidence.items()
    }
    theirs = by_pgmpy(XMLBIFReader(str(path)).get_model(), evidence, [short[v] for v in names])
    agrum = Agrum(path, "ShaferShenoyInference")
    for v in names:
        expected = ours.joint([v])
        assert theirs[short[v]] == pytest.approx(expected, abs=1e-9, rel=0), v
        assert agrum.p(short[v]) == pytest.approx(expected, abs=1e-9, rel=0), v
        assert beliefs.joint([v]) == pytest.approx(expected, abs=1e-9, rel=0), v


def outcomes_of(path: Path, short: str) -> list[ElementTree.Element]:
    """The OUTCOME elements of one variable of a file."""
    for element in ElementTree.parse(path).getroot().iter("VARIABLE"):
        if element.findtext("NAME") == short:
            return element.findall("OUTCOME")
    raise AssertionError(short)


@pytest.mark.parametrize("story", STORIES)
def test_no_fault_state_against_the_folded_network(story: str) -> None:
    """The end of the counting chain knows P(no fault), and agrees with the folded states."""
    network = read_out("early", STORIES[story], share=COARSE)
    plain = explicit(network)
    (end,) = plain.tables["symptom"].scope[1:]
    beliefs = calibrate(plain, [end])
    p_none = beliefs.joint([end])[plain.variables[end].states.index("none")]
    folded = FoldedNetwork(network, [()])
    evidence = posterior(network, network.roots).log_evidence
    assert p_none == pytest.approx(math.exp(folded.log_weights[0] - evidence), rel=1e-9)


def test_the_chain_keeps_cliques_small() -> None:
    """The shipped model's chain has two states a node, three below the last component."""
    plain = explicit(read_out("late", ()))
    sizes = [x.size for v, x in plain.variables.items() if v.startswith("faults up to")]
    assert len(sizes) == len(plain.roots)
    assert set(sizes[:-1]) == {2} and sizes[-1] <= 3


# ---- findings and special states, in small -------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_explicit_against_the_oracle(seed: int) -> None:
    """Findings and special states as nodes give the oracle's posteriors and evidence."""
    network = oracle.random_network(np.random.default_rng(seed))
    plain = explicit(network)
    assert not plain.findings and not plain.special
    for v, table in plain.tables.items():
        assert table.p.min() >= 0.0 and table.p.max() <= 1.0, v
        assert table.p.sum(axis=0) == pytest.approx(np.ones(table.p.shape[1:]), abs=1e-12), v
    assert network.evidence.items() <= plain.evidence.items()
    beliefs = calibrate(plain, network.variables)
    assert beliefs.log_evidence + log_scale(network) == pytest.approx(
        oracle.log_evidence(network), abs=1e-10
    )
    for v in network.variables:
        assert beliefs.joint([v]) == pytest.approx(oracle.joint(network, [v]), abs=1e-12)


@pytest.mark.parametrize("seed", range(40, 50))
def test_small_networks_by_pgmpy_and_file(seed: int, tmp_path: Path) -> None:
    """pgmpy in memory and pyAgrum from a file give the oracle's posteriors."""
    network = oracle.random_network(np.random.default_rng(seed))
    names = [v for v in network.variables if v not in network.evidence]
    model, evidence = to_pgmpy(network, names)
    assert model.check_model()
    expected = {v: oracle.joint(network, [v]) for v in names}
    for v, p in by_pgmpy(model, evidence, names).items():
        assert p == pytest.approx(expected[v], abs=1e-10)
    path = tmp_path / "small.bifxml"
    path.write_text(bif_text(network, names), encoding="utf-8")
    agrum = Agrum(path, "LazyPropagation")
    for v, short in short_names(path).items():
        if v in names:
            assert agrum.p(short) == pytest.approx(expected[v], abs=1e-10)


def two_parts() -> Network:
    """Two components with two readings that share a gear node, and a complaint."""
    variables = {
        "plug": Variable("plug", ("good", "fouled", "open")),
        "exc": Variable("exc", ("good", "open")),
        "hookup 0": Variable("hookup 0", ("ok", "bad")),
    }
    tables = {
        "plug": Table(("plug",), np.array([0.7, 0.2, 0.1])),
        "exc": Table(("exc",), np.array([0.9, 0.1])),
        "hookup 0": Table(("hookup 0",), np.array([0.94, 0.06])),
    }
    findings = {
        "R1": Table(("exc", "hookup 0"), np.array([[30.0, 4.0], [2.0, 4.0]])),
        "R2": Table(("exc", "hookup 0"), np.array([[8.0, 1.0], [2.0, 1.0]])),
    }
    special = (Special((), 0.1), Special((("plug", "fouled"),), 6.0))
    return Network(variables, tables, {}, findings, special, ("plug", "exc"))


def test_two_readings_of_one_scope_both_count() -> None:
    """Two readings on the same nodes are two observed nodes in pgmpy, and both count."""
    network = two_parts()
    model, evidence = to_pgmpy(network)
    assert evidence == {"R1 seen": "yes", "R2 seen": "yes", "symptom": "yes"}
    expected = oracle.joint(network, ["exc"])
    assert by_pgmpy(model, evidence, ["exc"])["exc"] == pytest.approx(expected, abs=1e-12)
    # By hand. Readings: good exciter .94*240 + .06*4, open .94*4 + .06*4; times prior and ratio.
    good, bad = 0.94 * 240 + 0.06 * 4, 0.94 * 4 + 0.06 * 4
    weight_good = 0.9 * (0.7 * 0.1 + 0.2 * 6.0 + 0.1) * good
    weight_open = 0.1 * bad
    assert expected[1] == pytest.approx(weight_open / (weight_open + weight_good), abs=1e-12)


def test_ratios_above_one_are_scaled() -> None:
    """A ratio above 1 becomes the scale, so that all of the symptom's chances are 1 or less."""
    network = two_parts()
    plain = explicit(network)
    symptom = plain.tables["symptom"]
    labels = plain.variables[symptom.scope[1]].states
    assert dict(zip(labels, symptom.p[0], strict=True)) == pytest.approx(
        {"none": 0.1 / 6, "plug.fouled": 1.0, "other": 1 / 6}
    )
    assert log_scale(network) == pytest.approx(math.log(30.0) + math.log(8.0) + math.log(6.0))


def test_names_that_are_taken() -> None:
    """New nodes step aside where the network has a variable of their name."""
    network = two_parts()
    renamed = {v: {"hookup 0": "symptom", "exc": "R1 seen"}.get(v, v) for v in network.variables}

    def moved(table: Table) -> Table:
        return Table(tuple(renamed[v] for v in table.scope), table.p)

    network = Network(
        {renamed[v]: x for v, x in network.variables.items()},
        {renamed[v]: moved(t) for v, t in network.tables.items()},
        {},
        {k: moved(t) for k, t in network.findings.items()},
        network.special,
        ("plug", "R1 seen"),
    )
    plain = explicit(network)
    assert {"symptom 2", "R1 seen 2"} <= set(plain.evidence)
    p = calibrate(plain, ["R1 seen"]).joint(["R1 seen"])
    assert p == pytest.approx(oracle.joint(two_parts(), ["exc"]), abs=1e-12)


def test_plain_networks_stay_as_they_are() -> None:
    """A network without findings and special states is its own explicit form."""
    network = replace(two_parts(), findings={}, special=())
    assert explicit(network) is network
    assert log_scale(network) == 0.0


def test_findings_that_cannot_be_scaled() -> None:
    """Findings and ratios that are zero throughout, negative or not finite are refused."""
    network = two_parts()
    for p in ([0.0, 0.0], [np.nan, 1.0], [np.inf, 1.0], [-1.0, 1.0]):
        bad = replace(network, findings={"R9": Table(("exc",), np.array(p))})
        with pytest.raises(EvidenceError, match="R9"):
            explicit(bad)
        with pytest.raises(EvidenceError, match="R9"):
            log_scale(bad)
    for ratio in (-1.0, math.inf, math.nan):
        with pytest.raises(EvidenceError, match="special states"):
            explicit(replace(network, special=(Special((), ratio),)))
    for fault in (("fly", "mag"), ("exc", "melted"), ("exc", "good"), ("hookup 0", "bad")):
        with pytest.raises(ModelError, match="no fault here"):
            explicit(replace(network, special=(Special((fault,), 0.5),)))


def test_barren_nodes_are_left_out() -> None:
    """Only what is at or above the wanted, evidence and findings stays; posteriors stay too."""
    network = read_out("early", STORIES["double: stop line and plug"])
    small = pruned(network)
    assert set(small.variables) < set(network.variables)
    assert "exciter_ohm" not in small.variables and "stop_ohm" in small.variables
    before, after = posterior(network, network.roots), posterior(small, small.roots)
    for v in network.roots:
        assert after.joint([v]) == pytest.approx(before.joint([v]), abs=1e-12)
    assert "exciter_ohm" in pruned(network, ["exciter_ohm"]).variables
    with pytest.raises(UnknownNameError, match="did you mean 'exciter_ohm'"):
        pruned(network, ["exciter-ohm"])


# ---- there and back ------------------------------------------------------------------------


def same(a: Network, b: Network) -> None:
    """Assert that two plain networks are the same to the last bit."""
    assert list(a.variables) == list(b.variables)
    for v in a.variables:
        assert a.variables[v].states == b.variables[v].states
        assert a.tables[v].scope == b.tables[v].scope
        assert np.array_equal(a.tables[v].p, b.tables[v].p)
    assert a.evidence == b.evidence
    assert a.roots == b.roots


@pytest.mark.parametrize("seed", range(10))
def test_text_there_and_back(seed: int) -> None:
    """A written network reads back with all names, states, evidence and every bit of a number."""
    network = oracle.random_network(np.random.default_rng(seed))
    plain = explicit(network)
    same(read_bif(bif_text(network, network.variables)), plain)
    same(read_bif(bif_text(plain, plain.variables)), plain)


def test_shipped_model_there_and_back() -> None:
    """State names such as '=0 V' and '0.04512' of the shipped model come back as they were."""
    network = read_out("late", STORIES["double: stop line and plug"])
    same(read_bif(bif_text(network)), explicit(pruned(network)))


def test_numbers_are_written_in_full() -> None:
    """Small, subnormal and long numbers read back exactly."""
    p = np.array([1e-300, 5e-324, 1 / 3, 0.0])
    p = np.append(p, 1.0 - p.sum())
    variable = Variable("x", tuple(f"={i}" for i in range(5)))
    network = Network({"x": variable}, {"x": Table(("x",), p)})
    same(read_bif(bif_text(network)), network)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.text(min_size=1, max_size=12), min_size=2, max_size=4, unique=True),
    st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=4, unique=True),
)
def test_any_names_survive(names: list[str], states: list[str]) -> None:
    """Names in any script, with blanks, equals signs or control characters, come back."""
    p = np.full(len(states), 1.0 / len(states))
    network = Network(
        {v: Variable(v, tuple(states)) for v in names},
        {v: Table((v,), p) for v in names},
        {names[0]: 0},
    )
    text = bif_text(network)
    same(read_bif(text), network)
    for element in ElementTree.fromstring(text).iter():
        if element.tag in ("NAME", "OUTCOME"):
            assert (element.text or "").isascii() and (element.text or "").isidentifier()


def test_pgmpy_there_and_back() -> None:
    """A network that went to pgmpy and back is the same, states in order."""
    network = two_parts()
    plain = explicit(network)
    model, evidence = to_pgmpy(network)
    back = from_pgmpy(model)
    assert set(back.variables) == set(plain.variables)
    for v in plain.variables:
        assert back.variables[v].states == plain.variables[v].states
        order = [back.tables[v].scope.index(u) for u in plain.tables[v].scope]
        assert np.array_equal(back.tables[v].p.transpose(order), plain.tables[v].p)
    seen = {v: back.variables[v].states.index(s) for v, s in evidence.items()}
    p = calibrate(replace(back, evidence=seen), ["exc"]).joint(["exc"])
    assert p == pytest.approx(oracle.joint(network, ["exc"]), abs=1e-12)


def test_a_pgmpy_model_without_tables() -> None:
    """A pgmpy model with a node that has no table is refused, and the node named."""
    from pgmpy.models import DiscreteBayesianNetwork

    with pytest.raises(ModelError, match="has no table"):
        from_pgmpy(DiscreteBayesianNetwork([("plug", "spark")]))


def test_files_of_other_programs(tmp_path: Path) -> None:
    """XMLBIF written by pgmpy and by pyAgrum reads with the posteriors it was written from."""
    gum = pytest.importorskip("pyagrum")
    from pgmpy.readwrite import XMLBIFWriter

    network = replace(two_parts(), findings={}, special=())
    model, _ = to_pgmpy(network, network.variables)
    XMLBIFWriter(model).write(str(tmp_path / "theirs.xml"))
    bn = gum.fastBN("plug{good|fouled|open}->spark{no|yes}<-exc{good|open}")
    gum.saveBN(bn, str(tmp_path / "agrum.bifxml"))
    read = read_bif((tmp_path / "theirs.xml").read_text(encoding="utf-8"))
    assert calibrate(read, ["plug"]).joint(["plug"]) == pytest.approx([0.7, 0.2, 0.1], abs=1e-12)
    read = read_bif((tmp_path / "agrum.bifxml").read_text(encoding="utf-8"))
    engine = gum.LazyPropagation(bn)
    engine.makeInference()
    # pyAgrum writes six digits or so, hence 1e-5.
    assert calibrate(read, ["spark"]).joint(["spark"]) == pytest.approx(
        engine.posterior("spark").toarray(), abs=1e-5
    )


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("<NETWORK>", "<NET>", "not an XML file"),
        ("NETWORK>", "NET>", "no NETWORK element"),
        ("<NAME>exc</NAME>", "<NAME>plug</NAME>", "stands twice"),
        ("<NAME>exc</NAME>", "<NAME></NAME>", "without NAME"),
        ("<FOR>exc</FOR>", "<FOR>plug</FOR>", "numbers; 3 are needed"),
        ("<FOR>exc</FOR>", "<FOR>fly</FOR>", "no variable"),
        ("<GIVEN>exc</GIVEN>", "<GIVEN>fly</GIVEN>", "'fly', which is no variable"),
        ("0.9 0.1", "0.9", "1 numbers; 2 are needed"),
        ("0.9 0.1", "0.9 x", "could not convert"),
        ("0.9 0.1", "0.9 nan", "no probabilities"),
        ("0.9 0.1", "1.1 -0.1", "no probabilities"),
        ("0.9 0.1", "0.9 0.2", "misses the sum of 1 by 0.1"),
        ("<OUTCOME>open</OUTCOME>", "<OUTCOME>good</OUTCOME>", "two of one name"),
        ("benchodds_component = exc", "benchodds_component = fly", "not in the file"),
        ("R1_seen yes", "R1_seen perhaps", "not in the file"),
        ("<BIF", "<!DOCTYPE x [<!ENTITY a 'b'>]><BIF", "entities"),
    ],
)
def test_broken_files(old: str, new: str, message: str) -> None:
    """A broken file is refused with what is wrong in it."""
    text = bif_text(two_parts())
    assert old in text
    with pytest.raises(ModelError, match=message):
        read_bif(text.replace(old, new))


def test_a_circle_of_arrows() -> None:
    """A file whose arrows run in a circle is refused."""
    text = bif_text(replace(two_parts(), findings={}, special=()))
    table = "<FOR>{}</FOR>\n      <GIVEN>{}</GIVEN>\n      <TABLE>{}</TABLE>"
    for v, parent in (("plug", "exc"), ("exc", "plug")):
        a, b = text.index(f"<FOR>{v}</FOR>"), 0
        b = text.index("</TABLE>", a) + len("</TABLE>")
        numbers = "0.7 0.2 0.1 0.7 0.2 0.1" if v == "plug" else "0.9 0.1 " * 3
        text = text[:a] + table.format(v, parent, numbers) + text[b:]
    with pytest.raises(ModelError, match="circle through exc, plug"):
        read_bif(text)


def test_rounded_tables_are_put_right() -> None:
    """A column that misses 1 by the rounding of its digits is divided by its sum."""
    text = bif_text(replace(two_parts(), findings={}, special=()))
    network = read_bif(text.replace("0.7 0.2 0.1", "0.6667 0.1667 0.1667"))
    assert network.tables["plug"].p.sum() == pytest.approx(1.0, abs=1e-15)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 3000), st.integers(0, 40), st.text(max_size=6))
def test_damaged_files(start: int, length: int, put: str) -> None:
    """A file with a piece cut out or replaced is read or refused, nothing else."""
    text = bif_text(two_parts())
    damaged = text[:start] + put + text[start + length :]
    try:
        read_bif(damaged)
    except ModelError as error:
        assert str(error)


def test_pgmpy_is_imported_only_when_asked() -> None:
    """Importing the module does not import pgmpy, which takes seconds."""
    code = "import sys, benchodds.infer.exchange; sys.exit('pgmpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
