"""What every shipped model and prior file keeps to, whatever the system.

A new file in models/ or priors/ is taken up without a change here.
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

import numpy as np
import pytest

from benchodds.author.doubts import LEAST_DB
from benchodds.author.priorcheck import names_in, prior_doubts, prior_mistakes
from benchodds.author.separability import expected_decibans, folded, usual_technique
from benchodds.basics.distributions import parse_distribution
from benchodds.basics.formula import FUNCTIONS, parse_expression
from benchodds.basics.quantities import to_base
from benchodds.basics.tables import Network
from benchodds.infer.assess import Machine, network_of, understand
from benchodds.infer.exchange import to_pgmpy
from benchodds.infer.inference import calibrate, posterior
from benchodds.infer.network import physics, quantity_node
from benchodds.keep.files import available, find, load_bench, load_priors, load_system, read_toml
from benchodds.learn.likelihoods import job_of
from benchodds.learn.written import Written
from benchodds.model.dimensions import (
    ALIKE,
    OF,
    SIGNATURES,
    UnitError,
    unit_doubts,
    unit_of,
    written,
)
from benchodds.model.priors import NONE, fault_prior
from benchodds.model.system import Quantity, SystemModel, build_system

SYSTEMS = sorted(available("models"))
VARIANTS = [(s, v) for s in SYSTEMS for v in load_system(s).variants]
Floats = np.ndarray[Any, np.dtype[np.float64]]

systems = pytest.mark.parametrize("system", SYSTEMS)
variants = pytest.mark.parametrize(("system", "variant"), VARIANTS)


@cache
def model(system: str, variant: str | None = None) -> SystemModel:
    return load_system(system, variant)


@cache
def compiled(system: str) -> Machine:
    """The default variant, compiled."""
    spec, priors = model(system), load_priors(system)
    bench = load_bench(spec.bench)
    return Machine(spec, bench, priors, *physics(spec, bench))


# ---- files and priors -------------------------------------------------------------------------


@systems
def test_priors_fit_their_system(system: str) -> None:
    """A row for every fault and complaint, nothing unknown, shares that add up."""
    priors = load_priors(system)
    assert not list(prior_mistakes(priors, names_in(read_toml(find("models", system)))))
    assert not list(prior_doubts(priors, [model(s, v) for s, v in VARIANTS if s == system]))


@variants
def test_priors_make_a_distribution(system: str, variant: str) -> None:
    """For every complaint and context: odds that are finite, shares of none and several as said."""
    spec, priors = model(system, variant), load_priors(system)
    for complaint in spec.complaints:
        for contexts in ((), *((c,) for c in spec.contexts)):
            prior = fault_prior(priors, spec, complaint, contexts)
            odds = [prior.odds[c] for c in spec.components]
            assert all(np.isfinite(o).all() and (o >= 0).all() for o in odds)
            every = float(np.prod([1 + o.sum() for o in odds])) - 1
            single = sum(float(o.sum()) for o in odds)
            assert 1 - single / every == pytest.approx(priors.together.two_or_more, abs=1e-6)
            assert 0 < prior.leak < 1


@systems
def test_every_fault_can_be_found(system: str) -> None:
    """Every fault has a share of some complaint, a repair, and a test that sees it."""
    spec, priors = model(system), load_priors(system)
    shares = {r.fault: max(r.share.values()) for r in priors.rows}
    cleared = {c for r in spec.repairs.values() for c in r.clears}
    for component, mode in spec.faults():
        fault = f"{component}.{mode}"
        assert shares[fault] > 0, fault
        assert cleared & {fault, f"{component}.*"}, fault
    assert shares[NONE] > 0
    assert not unseen(compiled(system))


def unseen(machine: Machine) -> set[str]:
    """Faults that no test is expected to tell from a good machine; the quick tests come first."""
    network, names = folded(machine)
    left = set(range(1, len(names)))
    order = ("look", "meter", "spark", "peak")
    for name, _ in sorted(machine.model.tests.items(), key=lambda t: order.index(t[1].kind)):
        if not left:
            break
        _, predictive = machine.predictive(name, usual_technique(machine))
        p = network.outcomes(predictive)
        db = expected_decibans(p / p.sum(axis=1, keepdims=True))
        left -= {i for i in left if max(db[i, 0], db[0, i]) > LEAST_DB}
    return {names[i] for i in left}


@variants
def test_every_number_has_a_provenance(system: str, variant: str) -> None:
    """Quantities, set-ups, tests, repairs, and every row, context and link of the priors."""
    spec, priors = model(system, variant), load_priors(system)
    parts: list[tuple[str, str]] = []
    for section in ("quantities", "setups", "tests", "repairs"):
        parts += [(f"{section}.{n}", x.provenance) for n, x in getattr(spec, section).items()]
    parts += [(f"row {r.fault}", r.provenance) for r in priors.rows]
    parts += [(f"context {n}", c.provenance) for n, c in priors.contexts.items()]
    parts += [(f"link {x.given} {x.raises}", x.provenance) for x in priors.links]
    parts.append(("together", priors.together.provenance))
    assert not [name for name, said in parts if len(said.strip()) < 5]


@variants
def test_every_limit_has_a_source_and_its_conditions(system: str, variant: str) -> None:
    """A limit names its source; limits of invented machines say that they are invented."""
    spec = model(system, variant)
    assert "invented" in spec.notice.lower()
    for name, test in spec.tests.items():
        if test.limit is not None:
            assert "invented" in test.limit.source, name
            assert test.limit.min or test.limit.max, name
            judged_by_eye = test.kind == "look"  # its limit is told; what is read are words
            assert test.limit.measurand or test.limit.displayed or judged_by_eye, name
            assert to_base(test.limit.min or test.limit.max or "", test.unit) is not None


def test_a_machine_is_turned_in_its_own_way() -> None:
    """Where nothing is said, an electric start is no kick: it catches pulses more steadily."""
    kicked, started = compiled("mag-cdi"), compiled("dc-cdi")
    assert usual_technique(kicked).how == "firm-kick"
    assert usual_technique(started).how == "starter"
    assert started.bench.cranking["firm-kick"].share == 0
    assert started.bench.capture == kicked.bench.capture, "the rest of the bench stays"


# ---- units ------------------------------------------------------------------------------------


@variants
def test_every_formula_keeps_its_units(system: str, variant: str) -> None:
    """Dimensional analysis: volts over ohms are amperes, and nothing adds volts to ohms."""
    assert set(SIGNATURES) | {*ALIKE, "where", "divider"} == set(FUNCTIONS)
    assert not list(unit_doubts(model(system, variant)))


def test_units_are_looked_at() -> None:
    """The analysis does refuse: a volt plus an ohm, a current without its resistance."""
    names = {"v": OF["V"], "r": OF["ohm"], "i": OF["A"]}
    for text in ("v + r", "current(v, 0, i)", "min(v, i)", "series(r, v)", "i * r + i"):
        with pytest.raises(UnitError):
            unit_of(ast.parse(text, mode="eval").body, names)
    assert unit_of(ast.parse("i * r + v / 2", mode="eval").body, names) == OF["V"]
    assert unit_of(ast.parse("v / r / i", mode="eval").body, names) == OF[""]
    for text, unit in (
        ("LN(3 ohm, 0.8)", "ohm"),
        ("0.4: 5 kV | 0.6: 0 V", "V"),
        ("band(0.2 ohm, 0.4 ohm)", "ohm"),
        ("0.5", ""),
        ("N(45 mA, 1 mA)", "A"),
    ):
        assert written(text) == OF[unit]
    assert written("open") is None and written("0 V") is None
    raw = read_toml(find("models", "starter"))
    raw["quantities"]["load_volt"]["modes"]["v"]["by"]["worn"] = "U(5 ohm, 9 ohm)"
    raw["quantities"]["r_pc"]["formula"] = "r_plus * r_cable"
    said = list(unit_doubts(build_system(raw)))
    assert any(s.startswith("quantities.load_volt.modes.v: V and ohm") for s in said), said
    assert any(s.startswith("quantities.r_pc.formula") for s in said), said


# ---- hazards ----------------------------------------------------------------------------------

HAZARDS = (
    (
        "the engine is cranked",
        r"(?<!cold-)\bcrank(s|ed|ing)?\b|helper|start button",
        r"neutral|kick|turns",
    ),
    (
        "the engine runs",
        r"engine (warm|running|at (?!rest))|rpm\b|idle|half speed",
        r"[Ee]xhaust|[Rr]unning",
    ),
    ("battery posts", r"\bposts?\b", r"[Aa]cid|hydrogen"),
    ("a load tester", r"load tester", r"red-hot"),
    ("a booster", r"[Bb]ooster", r"polarity"),
    ("an interlock is bridged", r"[Bb]ridge the|bypass", r"bench only|for the bench"),
    ("spark over a gap", r"gap tester", r"[Ff]uel|vapour|mist"),
)


@variants
def test_every_hazard_has_a_caution(system: str, variant: str) -> None:
    """What a test does to people or parts stands in its cautions or those of its set-ups."""
    spec = model(system, variant)
    missing = []
    for name, test in spec.tests.items():
        setups = [spec.setups[s] for s in spec.setups_of(name)]
        said = " ".join(
            spec.cautions[c] for c in (*test.cautions, *(c for s in setups for c in s.cautions))
        )
        told = f"{test.title} {test.do} " + " ".join(s.title for s in setups)
        for what, done, caution in HAZARDS:
            if re.search(done, told) and not re.search(caution, said):
                missing.append(f"{name}: {what}")
        if test.kind in ("peak", "spark") and not test.battery:
            for word in ("[Hh]undreds of volts|[Tt]ens of thousands", "heart device"):
                if not re.search(word, said):
                    missing.append(f"{name}: {word}")
    assert not missing
    assert "literature" in spec.cautions


# ---- monotone ---------------------------------------------------------------------------------

N_DRAWN = 400
SEVERITIES = (0.1, 0.5, 0.9)
"""Quantiles of a fault's own distribution, mild to bad."""


def forward(
    spec: SystemModel, inputs: Mapping[tuple[str, str], str | float], rng: np.random.Generator
) -> dict[str, Floats]:
    """Quantities of many machines, straight through the formulas: no grid, no network.

    ``inputs`` gives (quantity, input): a distribution, or one number for all.
    """
    values: dict[str, Floats] = {}
    for name, q in spec.quantities.items():
        here: dict[str, Any] = dict(values)
        for key, text in {**q.random, **{k: m.otherwise for k, m in q.modes.items()}}.items():
            said = inputs.get((name, key), text)
            u = rng.random(N_DRAWN)  # the same draws whatever the fault
            here[key] = np.full(N_DRAWN, said) if isinstance(said, float) else drawn(said, u)
        out = np.broadcast_to(parse_expression(q.formula)(here), (N_DRAWN,))
        values[name] = rng.random(N_DRAWN) < out if q.states is not None else out
    return {k: np.asarray(v, dtype=float) for k, v in values.items()}


def drawn(text: str, u: Floats) -> Floats:
    """Values of a distribution at given places of its distribution function."""
    d = parse_distribution(text)
    if d.kind == "const":
        return np.full(len(u), d.args[0])
    if d.kind != "mix":
        return d.quantile(u)
    out, start = np.zeros(len(u)), 0.0
    for weight, part in d.parts:
        inside = (u >= start) & (u <= start + weight)
        place = np.clip((u[inside] - start) / weight, 1e-9, 1 - 1e-9)
        out[inside] = part.quantile(place) if part.kind != "const" else part.args[0]
        start += weight
    return out


def graded(spec: SystemModel) -> Iterator[tuple[str, str, str, str, list[float]]]:
    """Inputs whose fault comes in degrees: quantity, input, part, mode, values mild to bad."""
    for name, q in spec.quantities.items():
        for key, modal in q.modes.items():
            good = parse_distribution(modal.otherwise)
            for mode, text in modal.by.items():
                bad = parse_distribution(text)
                if bad.kind in ("U", "LN", "N") and good.kind != "mix":
                    at = good.args[0] if good.kind == "const" else float(good.quantile(0.5))
                    levels = [float(bad.quantile(s)) for s in SEVERITIES]
                    if np.isfinite(at) and (min(levels) > at or max(levels) < at):
                        levels.sort(key=lambda x: abs(x - at))
                        yield name, key, modal.of, mode, levels


@variants
def test_a_worse_fault_never_reads_better(system: str, variant: str) -> None:
    """Good, mild, middling, bad: the expected reading of each test moves one way, or not at all.

    The same machines with the same luck, the fault set to a mild, middling and bad value of its
    own range: whatever way a test's mean reading goes from the good machine to the bad one, it
    never turns back on the way. Random inputs of the test stand at their medians.
    """
    seen, turned = turning(model(system, variant))
    assert seen > 100
    assert not turned


def test_a_reading_that_turns_is_seen() -> None:
    """The check does fail: a ground drop that falls again for the worst of grounds."""
    raw = read_toml(find("models", "starter"))
    raw["tests"]["drop-gnd"]["signal"] = "1 + clip(r_ground * (0.04 - r_ground) * 2500, -1, 1)"
    _, turned = turning(build_system(raw))
    assert any(line.startswith("ground.highR") for line in turned)


def turning(spec: SystemModel) -> tuple[int, list[str]]:
    """How many (fault, test) were looked at, and those whose mean reading turns back."""
    numeric = {n: t for n, t in spec.tests.items() if t.kind in ("meter", "peak") and not t.battery}
    turned, seen = [], 0

    def means(inputs: Mapping[tuple[str, str], str | float]) -> dict[str, float]:
        values = forward(spec, inputs, np.random.default_rng(7))
        out = {}
        for name, test in numeric.items():
            random = {k: drawn(d, np.array([0.5])) for k, d in test.random.items()}
            y = parse_expression(test.signal)({**values, **random, "rpm": 450.0, "temp_c": 20.0})
            low, high = (to_base(s, test.unit) for s in test.span or ())
            out[name] = float(np.clip(y, low, high).mean())
        return out

    good = means({})
    for quantity, key, part, mode, levels in graded(spec):
        others = {  # the other inputs that the same fault changes
            (n, k): m.by[mode]
            for n, q in spec.quantities.items()
            for k, m in q.modes.items()
            if m.of == part and mode in m.by and (n, k) != (quantity, key)
        }
        rows = [means({**others, (quantity, key): x}) for x in levels]
        for name in numeric:
            seen += 1
            y = [r[name] for r in rows] if others else [good[name], *(r[name] for r in rows)]
            steps, slack = np.diff(y), 1e-6 + 0.002 * max(abs(v) for v in y)
            if (steps > slack).any() and (steps < -slack).any():
                turned.append(f"{part}.{mode} ({quantity}) in {name}: {y}")
    return seen, turned


def cell_width(name: str, quantity: Quantity, values: Floats) -> float:
    """Mean width of the cells, or distance to the atoms, that stand for values."""
    variable, nodes = quantity_node(name, quantity)
    if nodes is None:
        return 0.02
    edges = nodes.regular
    inside = (values >= edges[0]) & (values <= edges[-1])
    place = np.clip(np.searchsorted(edges, values) - 1, 0, len(edges) - 2)
    atoms = variable.values[np.isfinite(variable.values)]
    near = np.abs(values[:, None] - atoms).min(axis=1)
    return float(np.where(inside, np.diff(edges)[place], near).mean())


@systems
def test_simulated_readings_fall_where_the_network_says(system: str) -> None:
    """Mean of each quantity on good machines: straight through the formulas against the grid.

    The network's cells are coarse: as much as the mean width of the cells that the values fall
    into is allowed. A swapped table or a lost unit is off by far more.
    """
    machine = compiled(system)
    spec = machine.model
    values = forward(spec, {}, np.random.default_rng(3))
    network = machine.prior(next(iter(spec.complaints)), ())
    good = calibrate(
        Network(
            network.variables,
            network.tables,
            dict.fromkeys(network.roots, 0),
            {},
            (),
            network.roots,
        ),
        list(spec.quantities),
    )
    off = []
    for name, q in spec.quantities.items():
        points = machine.variables[name].values
        finite = np.isfinite(points)
        p = good.joint([name])
        there, drawn_there = p[finite].sum(), np.isfinite(values[name])
        if abs(there - drawn_there.mean()) > 0.08:
            off.append(f"{name}: open in {1 - there:.2f}, drawn {1 - drawn_there.mean():.2f}")
        if there < 0.05 or not drawn_there.any():
            continue
        mean = float(p[finite] @ points[finite] / there)
        low, high = (float(x) for x in (points[finite].min(), points[finite].max()))
        seen = values[name][drawn_there]
        slack = cell_width(name, q, seen) + 4 * float(seen.std()) / len(seen) ** 0.5 + 1e-9
        seen = np.clip(seen, low, high)
        if abs(mean - seen.mean()) > slack:
            off.append(f"{name}: network {mean:.4g}, drawn {seen.mean():.4g}")
    assert not off


# ---- the reference ----------------------------------------------------------------------------

SHARE = 12
"""One in so many cells is kept, so that the other library takes a second, not a minute."""

FINDINGS: Mapping[str, tuple[tuple[str, str], ...]] = {
    "mag-cdi": (("rexc", "15"), ("plug-vis", "clean"), ("rsec", "OL")),
    "dc-cdi": (("vbat-crank", "8.4"), ("dash", "dim"), ("rpul", "220")),
    "tci": (("vbat-rest", "12.2"), ("crank-sound", "slow"), ("rpri", "2.9")),
    "charging": (("vdc-fast", "12.9"), ("leg-gnd", "OL"), ("conn-look", "discoloured")),
    "starter": (("vbat-rest", "12.6"), ("drop-gnd", "0.9"), ("listen", "click")),
}
"""Readings that several parts have a say in. A new system is looked at without readings."""


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning")
@systems
def test_posteriors_are_those_of_the_reference(system: str) -> None:
    """Variable elimination by pgmpy gives the same posterior of every part, to 1e-9."""
    from pgmpy.inference import VariableElimination

    raw = read_toml(find("models", system))
    for quantity in raw["quantities"].values():
        grid = quantity.get("grid", {})
        for key in ("cells", "below"):
            if key in grid:
                grid[key] = math.ceil(grid[key] / SHARE)
    spec = build_system(raw)
    bench = load_bench(spec.bench)
    machine = Machine(spec, bench, load_priors(system), *physics(spec, bench))
    job = job_of(
        machine,
        (tuple(Written(test, (value,), ()) for test, value in FINDINGS.get(system, ())), ()),
        next(iter(spec.complaints)),
    )
    network = network_of(machine, job, understand(machine, job))
    parts = list(spec.components)
    ours = posterior(network, parts)
    reference, evidence = to_pgmpy(network, parts)
    engine = VariableElimination(reference)
    for part in parts[:3]:
        theirs = engine.query([part], evidence=evidence, show_progress=False).values
        assert np.asarray(theirs) == pytest.approx(ours.joint([part]), abs=1e-9, rel=0), part
