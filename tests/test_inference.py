"""Exact inference: textbook networks, a slow oracle on random ones, laws, and extremes."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import oracle
from benchodds.basics.errors import EvidenceError
from benchodds.basics.tables import Network, Special, Table, Variable
from benchodds.choose.information import mutual_information
from benchodds.infer.contraction import contract
from benchodds.infer.inference import calibrate, eliminate, posterior, query

REFERENCE = tomllib.loads(
    (Path(__file__).parent / "data" / "reference.toml").read_text(encoding="utf-8")
)
SEEDS = range(40)


def textbook(name: str) -> Network:
    """A network of the reference file."""
    nodes = REFERENCE[name]["nodes"]
    variables = {v: Variable(v, tuple(node["states"])) for v, node in nodes.items()}
    tables = {}
    for v, node in nodes.items():
        scope = (v, *node.get("parents", []))
        shape = [variables[u].size for u in (*scope[1:], v)]
        p = np.array(node["rows"], dtype=float).reshape(shape)
        tables[v] = Table(scope, np.moveaxis(p, -1, 0))
    return Network(variables, tables)


def observed(network: Network, given: dict[str, str]) -> Network:
    """The network with variables fixed to named states."""
    return replace(
        network,
        evidence={v: network.variables[v].states.index(s) for v, s in given.items()},
    )


def checks() -> Iterator[Any]:
    """Every check of the reference file as a test case with a readable name."""
    for name, entry in REFERENCE.items():
        for check in entry["checks"]:
            said = ",".join(f"{v}={s}" for v, s in check.get("given", {}).items())
            asked = ",".join(f"{v}={s}" for v, s in check.get("wanted", {}).items())
            yield pytest.param(name, check, id=f"{name}: {asked or 'evidence'} | {said}")


@pytest.mark.parametrize(("name", "check"), list(checks()))
def test_textbook_posteriors(name: str, check: dict[str, Any]) -> None:
    """Every posterior of the reference file comes out of all three ways of asking."""
    network = observed(textbook(name), check.get("given", {}))
    if "wanted" in check:
        ((v, state),) = check["wanted"].items()
        k = network.variables[v].states.index(state)
        table = query(network, [v])
        answers = [
            calibrate(network, [v]).joint([v])[k],
            posterior(network, [v]).joint([v])[k],
            table.p[k] / table.p.sum(),
        ]
    else:
        answers = [
            math.exp(calibrate(network, []).log_evidence),
            math.exp(posterior(network, []).log_evidence),
            float(query(network, []).p),
        ]
    for answer in answers:
        assert answer == pytest.approx(check["p"], abs=check.get("within", 1e-6), rel=0)
        if "published" in check:
            half = 0.5 * 10.0 ** -len(check["published"].partition(".")[2])
            assert abs(answer - float(check["published"])) <= half


@pytest.mark.parametrize(
    "row", REFERENCE["chest-clinic"]["bits"], ids=lambda r: "-".join(r["between"])
)
def test_textbook_information(row: dict[str, Any]) -> None:
    """Mutual informations of the chest clinic agree with those of the reference file."""
    network = textbook("chest-clinic")
    p = query(network, row["between"]).p
    # I(X;Y) = sum p(x,y) log2 p(x,y)/(p(x) p(y)): Cover and Thomas, 2.3
    by_hand = sum(
        p[i, j] * math.log2(p[i, j] / (p[i].sum() * p[:, j].sum()))
        for i in range(2)
        for j in range(2)
    )
    assert by_hand == pytest.approx(row["bits"], abs=1e-6)
    first = p.sum(axis=1)
    assert mutual_information(first, p / first[:, None]) == pytest.approx(by_hand, abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_posterior_against_the_oracle(seed: int) -> None:
    """Marginals, families and the evidence of random networks are those of plain loops."""
    network = oracle.random_network(np.random.default_rng(seed))
    result = posterior(network, network.variables)
    assert result.log_evidence == pytest.approx(oracle.log_evidence(network), abs=1e-10)
    for v in network.variables:
        p = result.joint([v])
        assert p == pytest.approx(oracle.joint(network, [v]), abs=1e-12)
        assert p.sum() == pytest.approx(1.0, abs=1e-12)
    for table in (*network.tables.values(), *network.findings.values()):
        scope = table.scope[::-1]
        assert result.joint(scope) == pytest.approx(oracle.joint(network, scope), abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_query_against_the_oracle(seed: int) -> None:
    """A query of two variables that may never meet keeps the scale of the evidence."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng, special=False)
    free = [v for v in network.variables if v not in network.evidence]
    names = [str(v) for v in rng.choice(free, size=2, replace=False)]
    scale = math.exp(oracle.log_evidence(network))
    expected = oracle.joint(network, names) * scale
    assert query(network, names).p == pytest.approx(expected, abs=1e-12 * scale)


@pytest.mark.parametrize("seed", SEEDS)
def test_only_what_is_wanted(seed: int) -> None:
    """Asking for one variable, so that others are left out as barren, changes nothing."""
    network = oracle.random_network(np.random.default_rng(seed))
    everything = posterior(network, network.variables)
    for v in network.variables:
        alone = posterior(network, [v])
        assert alone.joint([v]) == pytest.approx(everything.joint([v]), abs=1e-12)
        assert alone.log_evidence == pytest.approx(everything.log_evidence, abs=1e-10)


@pytest.mark.parametrize("seed", range(12))
def test_order_of_findings_and_nodes(seed: int) -> None:
    """The order in which readings and variables stand does not matter."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    base = posterior(network, network.variables)
    for _ in range(3):
        names = [str(v) for v in rng.permutation(list(network.variables))]
        found = [str(v) for v in rng.permutation(list(network.findings))]
        shuffled = replace(
            network,
            variables={v: network.variables[v] for v in names},
            findings={k: network.findings[k] for k in found},
        )
        result = posterior(shuffled, shuffled.variables)
        assert result.log_evidence == pytest.approx(base.log_evidence, abs=1e-10)
        for v in names:
            assert result.joint([v]) == pytest.approx(base.joint([v]), abs=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_flat_findings_and_scales(seed: int) -> None:
    """A flat finding changes nothing; a constant on a finding moves the evidence alone."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    base = posterior(network, network.variables)
    scope = tuple(str(v) for v in rng.choice(list(network.variables), size=2, replace=False))
    flat = Table(scope, np.full([network.variables[v].size for v in scope], 1.0))
    times = Table((), np.array(1e-5))
    for extra, shift in ((flat, 0.0), (times, math.log(1e-5))):
        result = posterior(
            replace(network, findings={**network.findings, "extra": extra}), network.variables
        )
        assert result.log_evidence == pytest.approx(base.log_evidence + shift, abs=1e-10)
        for v in network.variables:
            assert result.joint([v]) == pytest.approx(base.joint([v]), abs=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_two_findings_of_one_scope_are_their_product(seed: int) -> None:
    """Two readings that share all their variables equal one with their product."""
    rng = np.random.default_rng(seed)
    network = oracle.random_network(rng)
    scope = tuple(str(v) for v in rng.choice(list(network.variables), size=2, replace=False))
    shape = [network.variables[v].size for v in scope]
    one, two = rng.random(shape) + 0.01, rng.random(shape) + 0.01
    apart = {"a": Table(scope, one), "b": Table(scope[::-1], two.T)}
    together = {"ab": Table(scope, one * two)}
    results = [
        posterior(replace(network, findings={**network.findings, **f}), network.variables)
        for f in (apart, together)
    ]
    assert results[0].log_evidence == pytest.approx(results[1].log_evidence, abs=1e-10)
    for v in network.variables:
        assert results[0].joint([v]) == pytest.approx(results[1].joint([v]), abs=1e-12)


def one_fault() -> Network:
    """Two components and a reading of the first; hand calculations below."""
    variables = {
        "plug": Variable("plug", ("good", "fouled")),
        "exc": Variable("exc", ("good", "open")),
        "peak": Variable("peak", ("low", "high")),
    }
    tables = {
        "plug": Table(("plug",), np.array([0.8, 0.2])),
        "exc": Table(("exc",), np.array([0.9, 0.1])),
        "peak": Table(("peak", "exc"), np.array([[0.25, 1.0], [0.75, 0.0]])),
    }
    return Network(variables, tables, roots=("plug", "exc"))


def test_no_fault_weighted_down() -> None:
    """The complaint removes the state without faults, by its leak: a hand calculation."""
    network = replace(one_fault(), special=(Special((), 0.1),))
    # Weights: none 0.72 * 0.1, plug 0.18, exc 0.08, both 0.02; sum 0.352.
    result = posterior(network, network.roots)
    assert math.exp(result.log_evidence) == pytest.approx(0.352, abs=1e-14)
    assert result.joint(["plug"])[1] == pytest.approx(0.20 / 0.352, abs=1e-14)
    assert result.joint(["exc"])[1] == pytest.approx(0.10 / 0.352, abs=1e-14)


def test_two_ratios_of_one_state_multiply() -> None:
    """Two links that both divide one state count twice, not as a sum."""
    single = (("plug", "fouled"),)
    twice = replace(one_fault(), special=(Special(single, 0.5), Special(single, 0.25)))
    once = replace(one_fault(), special=(Special(single, 0.125),))
    assert oracle.log_evidence(twice) == pytest.approx(oracle.log_evidence(once), abs=1e-14)
    for v in twice.roots:
        expected = posterior(once, once.roots).joint([v])
        assert posterior(twice, twice.roots).joint([v]) == pytest.approx(expected, abs=1e-14)


def test_special_state_that_cannot_be() -> None:
    """A special state whose prior share is zero plays no part, and is no error."""
    network = one_fault()
    tables = {**network.tables, "plug": Table(("plug",), np.array([1.0, 0.0]))}
    network = replace(
        network, tables=tables, special=(Special((), 0.1), Special((("plug", "fouled"),), 0.3))
    )
    result = posterior(network, network.roots)
    # Weights: none 0.9 * 0.1, exc 0.1.
    assert result.joint(["exc"])[1] == pytest.approx(0.1 / 0.19, abs=1e-14)


def test_special_states_and_fixed_components() -> None:
    """A special state that the evidence rules out plays no part."""
    network = replace(one_fault(), special=(Special((), 0.1),), evidence={"exc": 1})
    result = posterior(network, network.roots)
    assert math.exp(result.log_evidence) == pytest.approx(0.1, abs=1e-14)
    assert result.joint(["plug"]) == pytest.approx([0.8, 0.2], abs=1e-14)
    assert result.joint(["exc"]) == pytest.approx([0.0, 1.0], abs=0)


def test_impossible_evidence_is_an_error() -> None:
    """Evidence of probability zero, or not a number, is refused and never becomes NaN."""
    network = one_fault()
    impossible = [
        replace(network, evidence={"exc": 1, "peak": 1}),
        replace(network, findings={"R1": Table(("exc",), np.zeros(2))}),
        replace(network, findings={"R1": Table(("exc",), np.array([np.nan, 1.0]))}),
        replace(network, findings={"R1": Table(("exc",), np.array([np.inf, 1.0]))}),
        replace(network, findings={"R1": Table((), np.array(0.0))}),
        replace(
            network,
            findings={
                "R1": Table(("exc",), np.array([1.0, 0.0])),
                "R2": Table(("exc",), np.array([0.0, 1.0])),
            },
        ),
    ]
    for case in impossible:
        with pytest.raises(EvidenceError, match="probability zero"):
            calibrate(case, case.variables)
        with pytest.raises(EvidenceError, match="probability zero"):
            posterior(case, case.variables)
    # Every state but the one without faults is ruled out, and the complaint rules out that.
    sound = replace(
        network,
        special=(Special((), 0.0),),
        findings={
            "R1": Table(("exc",), np.array([1.0, 0.0])),
            "R2": Table(("plug",), np.array([1.0, 0.0])),
        },
    )
    with pytest.raises(EvidenceError, match="probability zero"):
        posterior(sound, sound.roots)


def test_what_a_calibrated_tree_does_not_hold() -> None:
    """Asking for a variable that was left out, or for two that never meet, names them."""
    network = textbook("chest-clinic")
    beliefs = calibrate(network, ["tub"])
    assert beliefs.has("tub") and not beliefs.has("dysp")
    with pytest.raises(EvidenceError, match="'dysp' is not part"):
        beliefs.joint(["dysp"])
    with pytest.raises(EvidenceError, match="asia, dysp"):
        calibrate(network, network.variables).joint(["asia", "dysp"])


@pytest.mark.parametrize("scale", [1e-300, 1e-150, 1e150, 1e300])
def test_findings_of_extreme_scale(scale: float) -> None:
    """Likelihoods near the ends of the number range give the oracle's posteriors."""
    rng = np.random.default_rng(5)
    for seed in range(6):
        network = oracle.random_network(np.random.default_rng(seed), findings=False)
        names = list(network.variables)
        findings = {}
        for i in range(6):
            scope = tuple(str(v) for v in rng.choice(names, size=1 + i % 2, replace=False))
            shape = [network.variables[v].size for v in scope]
            findings[f"R{i}"] = Table(scope, scale * (0.01 + rng.random(shape)))
        network = replace(network, findings=findings)
        result = posterior(network, names)
        assert math.isfinite(result.log_evidence)
        assert result.log_evidence == pytest.approx(oracle.log_evidence(network), rel=1e-12)
        for v in names:
            assert result.joint([v]) == pytest.approx(oracle.joint(network, [v]), abs=1e-10)


def test_ten_thousand_findings_on_one_variable() -> None:
    """Ten thousand readings of one quantity, over 300 decades each, are summed in logs."""
    rng = np.random.default_rng(11)
    network = one_fault()
    first = 10.0 ** rng.uniform(-300, 0, size=10_000)
    second = rng.permutation(first)  # the two products are the same number, far below 1e-308
    second[0] *= 3.0
    findings = {
        f"R{i}": Table(("exc",), np.array([a, b]))
        for i, (a, b) in enumerate(zip(first, second, strict=True))
    }
    network = replace(network, findings=findings)
    result = posterior(network, network.roots)
    # Prior odds 1:9, likelihood ratio 3; the sums of logs are about 3.5e6, so 1e-8 is asked.
    assert result.joint(["exc"])[1] == pytest.approx(0.3 / 1.2, abs=1e-8)
    assert result.joint(["exc"]) == pytest.approx(oracle.joint(network, ["exc"]), abs=1e-8)
    assert result.log_evidence == pytest.approx(oracle.log_evidence(network), rel=1e-12)


def test_many_readings_with_a_hookup_each() -> None:
    """Sixty readings of one quantity, each through its own hook-up, multiply as mixtures."""
    rng = np.random.default_rng(3)
    network = one_fault()
    variables, tables = dict(network.variables), dict(network.tables)
    findings = {}
    logs = np.log(network.tables["exc"].p)
    for i in range(60):
        hookup = f"hookup {i}"
        variables[hookup] = Variable(hookup, ("ok", "bad"))
        tables[hookup] = Table((hookup,), np.array([0.94, 0.06]))
        good, bad = rng.uniform(1e-4, 1e-2, size=2), rng.uniform(1e-4, 1e-2)
        findings[f"R{i}"] = Table(("exc", hookup), np.stack([good, [bad, bad]], axis=1))
        logs = logs + np.log(0.94 * good + 0.06 * bad)
    network = replace(network, variables=variables, tables=tables, findings=findings)
    result = posterior(network, ["exc"])
    assert result.log_evidence == pytest.approx(oracle.log_sum(logs.tolist()), rel=1e-12)
    expected = np.exp(logs - oracle.log_sum(logs.tolist()))
    assert result.joint(["exc"]) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_contract_against_einsum(seed: int) -> None:
    """A contraction of random tables, some of one scope, is NumPy's einsum."""
    rng = np.random.default_rng(seed)
    size = {v: int(rng.integers(1, 4)) for v in "abcde"}
    scopes = [
        tuple(str(v) for v in rng.permutation(list("abcde"))[: int(rng.integers(1, 4))])
        for _ in range(5)
    ]
    scopes.append(scopes[0][::-1])
    tables = [Table(s, rng.random([size[v] for v in s])) for s in scopes]
    here = sorted({v for s in scopes for v in s})
    keep = here[: int(rng.integers(0, len(here) + 1))]
    expected = np.einsum(
        ",".join("".join(s) for s in scopes) + "->" + "".join(keep), *[t.p for t in tables]
    )
    result = contract(tables, keep)
    p = result.p.transpose([result.scope.index(v) for v in keep])
    assert p == pytest.approx(expected, rel=1e-12)
    assert eliminate(tables, keep, {v: size[v] for v in here}).p == pytest.approx(
        expected, rel=1e-12
    )
