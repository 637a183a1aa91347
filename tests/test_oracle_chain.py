"""From machine to reading by plain Monte Carlo, sharing no code with the fast path.

The physics of peak readings is written out again here, and drawn from: machine, operator,
adapter, hook-up, kicks, displays. Laws and chances are read from the shipped files; formulas
are not, so :data:`FORMULAS` holds the ones that were rewritten, and a test says so when the
file moves on.

Tolerances are four standard errors of the Monte Carlo estimate, and on top of that what the
cells, grids and Gauss points of the fast path were seen to cost (:data:`CELLS`,
:data:`CELLS_RATIO`, :data:`CELLS_P`).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import betainc

from benchodds.basics.tables import Network, State
from benchodds.infer import network as compiler
from benchodds.infer.inference import posterior
from benchodds.infer.machine import FoldedNetwork
from benchodds.keep.files import load_bench, load_priors, load_system
from benchodds.measure.measurement import instrument
from benchodds.model.gear import hookup_node
from benchodds.model.jobs import Technique
from benchodds.model.priors import fault_prior

Floats = NDArray[np.float64]

ROOT = Path(__file__).parents[1]
MODEL: dict[str, Any] = tomllib.loads((ROOT / "models/mag-cdi.toml").read_text(encoding="utf-8"))
BENCH: dict[str, Any] = tomllib.loads((ROOT / "models/bench.toml").read_text(encoding="utf-8"))
PRIORS: dict[str, Any] = tomllib.loads((ROOT / "priors/mag-cdi.toml").read_text(encoding="utf-8"))

CELLS = {1: 0.025, 3: 0.006}
"""Allowed for the grid in a chance of a display: shipped cells, and a third of their width."""
CELLS_RATIO = 0.08
"""Allowed for the grid in a likelihood ratio, as a share of it."""
CELLS_P = 0.015
"""Allowed for the grid in a posterior."""

FORMULAS = {
    "magnet": "field",
    "exciter": "k * magnet * winding * drag",
    "pulse": "k * magnet * winding",
    "fire_rpm": "max(threshold / pulse, start)",
    "con_place": "p",
    "path_loss": "where(step(con_place) * step(1.5 - con_place), c, 1) * g",
    "link_loss": "where(step(con_place - 1.5), c, 1)",
    "feed": "exciter * a * path_loss",
    "module_loss": "left",
    "primary_loss": "link_loss * p",
    "core": "feed * module_loss",
    "primary": "core * primary_loss",
}
SIGNALS = {
    "vexc": "min(exciter * rpm, ceiling)",
    "vpul": "pulse * rpm",
    "vpri": "min(primary * rpm, ceiling) * step(rpm - fire_rpm)",
}


# ---- laws, read and drawn anew -------------------------------------------------------------


def number(text: str) -> float:
    """'10 Mohm' and the like in the unit without a prefix."""
    match = re.fullmatch(r"\s*([-+0-9.eE]+)\s*(k|M)?(?:V/rpm|V|rpm|ohm|uF|s)?\s*", text)
    assert match, text
    return float(match[1]) * {"k": 1e3, "M": 1e6, None: 1.0}[match[2]]


def parts(text: str) -> list[tuple[float, str, list[float]]]:
    """A law as weighted (kind, arguments): '0.6: 0 | 0.4: U(0, 1)'."""
    out = []
    for piece in text.split("|"):
        weight, _, law = piece.rpartition(":")
        call = re.fullmatch(r"\s*(LN|N|U|Exp|Be)\((.*)\)\s*", law)
        kind, args = (call[1], call[2].split(",")) if call else ("const", [law])
        if law.strip() == "open":
            args = ["1e300"]
        out.append((float(weight) if weight else 1.0, kind, [number(a) for a in args]))
    return out


def draw(rng: np.random.Generator, text: str, shape: int | tuple[int, ...]) -> Floats:
    """Draws of a law."""
    laws = parts(text)
    pick = rng.choice(len(laws), size=shape, p=[w for w, _, _ in laws])
    out = np.zeros(shape)
    for i, (_, kind, a) in enumerate(laws):
        match kind:
            case "LN":
                x = a[0] * np.exp(a[1] * rng.standard_normal(shape))
            case "N":
                x = a[0] + a[1] * rng.standard_normal(shape)
            case "U":
                x = rng.uniform(a[0], a[1], shape)
            case "Exp":
                x = rng.exponential(a[0], shape)
            case "Be":
                x = rng.beta(a[0], a[1], shape)
            case _:
                x = np.full(shape, a[0])
        out = np.where(pick == i, x, out)
    return out


def at_most(text: str, x: Floats) -> Floats:
    """P(X <= x) of a law of constants, exponentials and betas."""
    out: Floats = np.zeros(np.shape(x))
    for w, kind, a in parts(text):
        if kind == "Exp":
            f = -np.expm1(-np.maximum(x, 0.0) / a[0])
        elif kind == "Be":
            f = betainc(a[0], a[1], np.clip(x, 0.0, 1.0))
        else:
            f = (x >= a[0]).astype(float)
        out = out + w * f
    return out


# ---- machine, gear and kicks ---------------------------------------------------------------


@dataclass
class Machines:
    """Many machines: the state of each component as text, and what is true of each machine."""

    rng: np.random.Generator
    n: int
    state: dict[str, NDArray[np.str_]]

    def __post_init__(self) -> None:
        self.quantity = {name: MODEL["quantities"][name] for name in FORMULAS}
        magnet = self.modal("magnet", "field")
        self.exciter = (
            self.random("exciter", "k")
            * magnet
            * self.modal("exciter", "winding")
            * self.modal("exciter", "drag")
        )
        self.pulse = self.random("pulse", "k") * magnet * self.modal("pulse", "winding")
        with np.errstate(divide="ignore"):
            self.fire_rpm = np.maximum(
                self.random("fire_rpm", "threshold") / self.pulse, self.random("fire_rpm", "start")
            )
        place = self.modal("con_place", "p")
        before = np.where(place == 1, self.modal("path_loss", "c"), 1.0)
        behind = np.where(place == 2, self.modal("link_loss", "c"), 1.0)
        self.primary = (
            self.exciter
            * self.random("feed", "a")
            * before
            * self.modal("path_loss", "g")
            * self.modal("module_loss", "left")
            * behind
            * self.modal("primary_loss", "p")
        )

    def random(self, quantity: str, key: str) -> Floats:
        """The random input of a quantity, by machine."""
        return draw(self.rng, self.quantity[quantity]["random"][key], self.n)

    def modal(self, quantity: str, key: str) -> Floats:
        """The input of a quantity that depends on a component's mode, by machine."""
        spec = self.quantity[quantity]["modes"][key]
        out = draw(self.rng, spec.get("otherwise", "1"), self.n)
        for mode, law in spec["by"].items():
            out = np.where(self.state[spec["of"]] == mode, draw(self.rng, law, self.n), out)
        return out

    def volts(self, test: str, rpm: Floats) -> Floats:
        """True peak of each kick, axes (machine, kick)."""
        if test == "vpul":
            return self.pulse[:, None] * rpm
        ceiling = draw(self.rng, MODEL["tests"][test]["random"]["ceiling"], self.n)[:, None]
        if test == "vexc":
            return np.minimum(self.exciter[:, None] * rpm, ceiling)
        fires = rpm > self.fire_rpm[:, None]
        return np.minimum(self.primary[:, None] * rpm, ceiling) * fires


def machines(rng: np.random.Generator, n: int, faults: Mapping[str, str]) -> Machines:
    """Machines with the given faults and no others."""
    state = {c: np.full(n, faults.get(c, "good"), dtype="<U12") for c in MODEL["components"]}
    return Machines(rng, n, state)


def droop(hold_uf: Floats, input_ohm: float) -> Floats:
    """Mean over the gate time T of exp(-t / RC), as the meter averages a draining capacitor."""
    gate = number(BENCH["adapter"]["gate"])
    tau = input_ohm * hold_uf * 1e-6
    return np.asarray(tau / gate * (1.0 - np.exp(-gate / tau)))


class Session:
    """Operator, adapter and meter of each machine's session, and the hook-ups."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        self.rng, self.n = rng, n
        self.speed = draw(rng, BENCH["operator"]["speed"], n)
        self.dead = rng.random(n) < BENCH["adapter"]["dead"]
        self.share = droop(draw(rng, BENCH["adapter"]["hold"], n), 10e6)
        self.off = rng.random(n) < BENCH["meter"]["bad"]

    def rpm(self, how: str, kicks: int) -> Floats:
        """Crank speed of each kick; 0 where the kick did not turn the engine."""
        method = BENCH["cranking"][how]
        rpm = self.speed[:, None] * draw(self.rng, method["rpm"], (self.n, kicks))
        return np.where(self.rng.random((self.n, kicks)) < method["no_turn"], 0.0, rpm)

    def hookup(self) -> Floats:
        """Share of the peak that a placing of the probes lets through: 1, a part, or none."""
        spec = BENCH["hookup"]
        x = self.rng.random(self.n)
        part = draw(self.rng, spec["poor_share"], self.n)
        return np.where(x < spec["bad"], 0.0, np.where(x < spec["bad"] + spec["poor"], part, 1.0))

    def uncertainty(self, y: Floats) -> Floats:
        """Of a display: half-width over sqrt(3) (JCGM 100:2008, 4.3.7), more if the meter is off.

        The first axis of ``y`` runs over sessions.
        """
        percent, counts = re.findall(r"[0-9.]+", BENCH["meter"]["dc_volts"])
        tops = np.array([number(r) for r in BENCH["meter"]["volt_ranges"]])
        step = tops[np.minimum(np.searchsorted(tops, y), len(tops) - 1)] / BENCH["meter"]["counts"]
        u = (float(percent) / 100 * y + float(counts) * step) / np.sqrt(3.0)
        off = self.off.reshape([-1] + [1] * (y.ndim - 1))
        gains = {float(g): w for g, w in BENCH["meter"]["gains"].items()}
        wide = sum(w * (g - 1) ** 2 for g, w in gains.items()) / sum(gains.values())
        wide = np.sqrt(wide + BENCH["meter"]["gain_spread"] ** 2)
        return np.asarray(np.where(off, np.hypot(u, wide * y), u))


def caught(rng: np.random.Generator, how: str, shape: tuple[int, ...]) -> Floats:
    """Share of each kick's peak that is caught, through an adapter."""
    weight = BENCH["capture"]["weight"][BENCH["cranking"][how]["capture"]]
    good, poor = (draw(rng, BENCH["capture"][key], shape) for key in ("good", "poor"))
    return np.where(rng.random(shape) < weight, good, poor)


def displays(rng: np.random.Generator, crowd: Machines, test: str, how: str, kicks: int) -> Floats:
    """Best of some kicks as written down, one for each machine, through adapter and slips."""
    session = Session(rng, crowd.n)
    v = crowd.volts(test, session.rpm(how, kicks)) * caught(rng, how, (crowd.n, kicks))
    arriving = session.hookup()[:, None] * v
    y = session.share[:, None] * np.maximum(0.0, arriving - number(BENCH["adapter"]["diode"]))
    y = y + np.where(y > 0, session.uncertainty(y) * rng.standard_normal(y.shape), 0.0)
    y = np.where(session.dead[:, None], 0.0, y)
    y = np.maximum(y, draw(rng, MODEL["tests"][test]["residual"], y.shape)).max(axis=1)
    low, high = (number(end) for end in MODEL["tests"][test]["span"])
    slipped = low * (high / low) ** rng.random(crowd.n)
    slipped = np.where(rng.random(crowd.n) < BENCH["slip"]["zero"], 0.0, slipped)
    return np.where(rng.random(crowd.n) < BENCH["slip"]["chance"], slipped, y)


# ---- the fast path -------------------------------------------------------------------------


@cache
def fast(refine: int = 1) -> tuple[Any, Any, Network]:
    """Model, bench and network of the shipped machine, early variant, cells cut in ``refine``.

    Of the quantities, only those that the three peak tests read.
    """
    model, bench = load_system("mag-cdi", "early"), load_bench("bench")
    needed = {*FORMULAS, "stop_factor"}
    chain = {k: q for k, q in model.quantities.items() if k in needed}
    model = model.model_copy(update={"quantities": chain})
    variables, tables = compiler.physics(model, bench, refine)
    prior = fault_prior(load_priors("mag-cdi"), model, "no-spark", ())
    return model, bench, compiler.assemble(model, prior, variables, tables)


def with_readings(readings: Mapping[str, tuple[str, ...]], technique: Technique) -> Network:
    """The network with one reading of each test, every one through its own hook-up."""
    model, bench, network = fast()
    variables, tables = dict(network.variables), dict(network.tables)
    findings = dict(network.findings)
    for test, values in readings.items():
        tool = instrument(test, model.tests[test], bench, variables)
        hookup = f"hookup {test}"
        variables[hookup], tables[hookup] = hookup_node(hookup, bench)
        finding = tool.likelihood(tool.parse(values), technique, hookup)
        assert finding is not None
        findings[test] = finding
    return replace(network, variables=variables, tables=tables, findings=findings)


# ---- the rewritten formulas are those of the files -----------------------------------------


def test_the_formulas_written_here_are_those_of_the_model() -> None:
    """The formulas that this file writes out again are the ones the model file has."""
    assert {k: MODEL["quantities"][k]["formula"] for k in FORMULAS} == FORMULAS
    assert {k: MODEL["tests"][k]["signal"] for k in SIGNALS} == SIGNALS


@pytest.mark.parametrize(
    ("how", "fault", "adapter", "anchors"),
    [
        # Bench physics of this project, 1.5: P(best of N >= 100 V), N = 1, 3, 5, 8; simulated
        # there with speed and capture alone, 20 000 runs, +-0.02.
        ("soft-kick", 1.0, False, (0.03, 0.07, 0.10, 0.14)),
        ("firm-kick", 1.0, False, (0.23, 0.50, 0.64, 0.75)),
        ("firm-kick", 1.0, True, (0.40, 0.69, 0.79, 0.86)),
        ("drill", 1.0, True, (0.81, 0.95, 0.97, 0.97)),
        ("firm-kick", 0.45, True, (0.02, 0.04, 0.05, 0.07)),
        ("drill", 0.45, True, (0.09, 0.15, 0.18, 0.20)),
    ],
)
def test_anchors_of_capture_and_speed(
    how: str, fault: float, adapter: bool, anchors: tuple[float, ...]
) -> None:
    """Speed and capture alone give the anchors of the physics, to 0.02 and four errors."""
    rng, n = np.random.default_rng(1), 40_000
    speed = draw(rng, BENCH["operator"]["speed"], n)
    k = draw(rng, MODEL["quantities"]["exciter"]["random"]["k"], n) * fault
    rpm = speed[:, None] * draw(rng, BENCH["cranking"][how]["rpm"], (n, 8))
    turned = rng.random((n, 8)) >= BENCH["cranking"][how]["no_turn"]
    # Without an adapter on a kick the physics takes 0.30: the meter's own max-hold.
    key = BENCH["cranking"][how]["capture"] if adapter else "max-hold"
    good, poor = (draw(rng, BENCH["capture"][x], (n, 8)) for x in ("good", "poor"))
    share = np.where(rng.random((n, 8)) < BENCH["capture"]["weight"][key], good, poor)
    y = k[:, None] * rpm * turned * share
    for kicks, anchor in zip((1, 3, 5, 8), anchors, strict=True):
        p = float((y[:, :kicks].max(axis=1) >= 100).mean())
        assert p == pytest.approx(anchor, abs=0.02 + 4 * np.sqrt(p * (1 - p) / n))


# ---- one display ---------------------------------------------------------------------------


@pytest.mark.parametrize("kicks", [1, 3])
@pytest.mark.parametrize(
    ("test", "how", "faults", "edges"),
    [
        ("vexc", "firm-kick", {}, (20.0, 60.0, 100.0, 160.0)),
        ("vexc", "drill", {}, (60.0, 100.0, 160.0, 230.0)),
        ("vexc", "firm-kick", {"exc": "shorted"}, (5.0, 20.0, 60.0, 100.0)),
        ("vexc", "firm-kick", {"exc": "open"}, (0.5, 2.0, 20.0, 100.0)),
        ("vexc", "drill", {"fly": "mag"}, (20.0, 60.0, 100.0, 160.0)),
        ("vpul", "drill", {}, (0.25, 0.75, 1.5, 3.0)),
        ("vpul", "firm-kick", {"pul": "gap"}, (0.05, 0.25, 0.75, 1.5)),
        ("vpri", "drill", {}, (20.0, 60.0, 100.0, 160.0)),
        ("vpri", "firm-kick", {"pul": "gap"}, (5.0, 20.0, 60.0, 100.0)),
        ("vpri", "drill", {"con": "highR"}, (5.0, 20.0, 60.0, 100.0)),
    ],
)
def test_display_of_a_known_machine(
    test: str, how: str, faults: dict[str, str], edges: tuple[float, ...], kicks: int
) -> None:
    """The chance of each range of displays, P(best of N >= 100 V) among them, is the drawn one."""
    n = 100_000
    rng = np.random.default_rng(7)
    y = displays(rng, machines(rng, n, faults), test, how, kicks)
    drawn = np.histogram(y, [-np.inf, *edges, np.inf])[0] / n
    error = np.sqrt(drawn * (1 - drawn) / n)
    technique = Technique(how=how, meter="10M", kicks=kicks, unplugged=True)
    state: State = tuple(faults.items())
    for refine, allowed in CELLS.items():
        if refine > 1 and test == "vpri":  # five quantities and gear at once: too large
            continue
        model, bench, network = fast(refine)
        tool = instrument(test, model.tests[test], bench, network.variables)
        _, table = tool.predictive(technique, np.array(edges))
        p = FoldedNetwork(network, [state]).outcomes(table)[0]
        assert np.all(np.abs(p - drawn) <= 4 * error + allowed), (refine, p, drawn)


# ---- several kicks by one operator ---------------------------------------------------------


def cell(text: str, tops: list[str]) -> tuple[float, float]:
    """Ends of the rounding cell of a written number: its last digit, or the range's step."""
    _, _, decimals = text.partition(".")
    top = next(t for t in map(number, tops) if t >= float(text))
    half = max(10.0 ** -len(decimals), top / BENCH["meter"]["counts"]) / 2
    return float(text) - half, float(text) + half


def chance_below(
    edge: float, z: Floats, v: Floats, through: Floats, session: Session, how: str, residual: str
) -> Floats:
    """P(display of a kick <= edge), capture and residual summed by hand; axes of ``v``.

    max(h (w c V - V_d), residual) <= edge  means  c <= (edge / h + V_d) / (w V)  and
    residual <= edge, with the display's own error, ``z`` standard deviations, shifting the edge.
    """
    t = edge + z * session.uncertainty(np.full(v.shape, max(edge, 0.0)))
    weight = BENCH["capture"]["weight"][BENCH["cranking"][how]["capture"]]
    grid = np.linspace(0.0, 1.0, 4001)
    good, poor = (at_most(BENCH["capture"][key], grid) for key in ("good", "poor"))
    need = t / session.share[:, None] + number(BENCH["adapter"]["diode"])
    with np.errstate(divide="ignore", invalid="ignore"):
        c = np.where(v > 0, need / (through[:, None] * v), np.inf)
    f = np.interp(np.clip(c, 0.0, 1.0), grid, weight * good + (1 - weight) * poor)
    f = np.where(c >= 1.0, 1.0, f)
    f = np.where(session.dead[:, None] | (through[:, None] == 0.0), 1.0, np.where(t < 0, 0.0, f))
    rest = at_most(residual, np.array(edge)) if edge >= 0 else np.array(0.0)
    return np.asarray(f * rest)


def likelihood(
    crowd: Machines, session: Session, test: str, how: str, written: tuple[str, ...], kicks: int
) -> Floats:
    """Likelihood of what was written, for each drawn machine and session (not for the captures).

    One number and several kicks: the best of them. Several numbers: one kick each.
    """
    tops = BENCH["meter"]["volt_ranges"]
    residual = MODEL["tests"][test]["residual"]
    v = crowd.volts(test, session.rpm(how, max(kicks, len(written))))
    through = session.hookup()
    low, high = (number(end) for end in MODEL["tests"][test]["span"])
    out, slip = np.ones(crowd.n), 1.0
    for i, text in enumerate(written):
        ends = cell(text, tops)
        mine = v if len(written) == 1 else v[:, [i]]
        z = session.rng.standard_normal(mine.shape)
        below = [chance_below(e, z, mine, through, session, how, residual) for e in ends]
        f = [b.prod(axis=1) for b in below]
        out = out * np.maximum(f[1] - f[0], 0.0)
        bottom, top = (min(max(e, low), high) for e in ends)
        share = (1 - BENCH["slip"]["zero"]) * np.log(top / bottom) / np.log(high / low)
        slip *= share + (BENCH["slip"]["zero"] if ends[0] <= 0 <= ends[1] else 0.0)
    chance = BENCH["slip"]["chance"]
    return np.asarray((1 - chance) * out + chance * slip)


@cache
def fault_odds() -> tuple[dict[str, dict[str, float]], float]:
    """Prior odds of every mode and the leak, worked out again from the prior file.

    Odds are s times the single-fault shares, s such that P(two or more | any) is the file's;
    the leak gives the state without faults its own share.
    """
    share = {row["fault"]: row["share"]["no-spark"] for row in PRIORS["rows"]}
    mine = [
        (c, m)
        for c, spec in MODEL["components"].items()
        for m in spec["modes"]
        if not spec.get("only") or "early" in spec["only"]
    ]
    total = sum(share[f"{c}.{m}"] for c, m in mine) + share["none.elec"]
    by: dict[str, dict[str, float]] = {}
    for c, m in mine:
        by.setdefault(c, {})[m] = share[f"{c}.{m}"] / total
    none = share["none.elec"] / total
    low, high = 1e-4, 1e3
    sums = np.array([sum(modes.values()) for modes in by.values()])
    for _ in range(200):  # bisection
        s = np.sqrt(low * high)
        every = np.prod(1 + s * sums) - 1
        if (every - s * sums.sum()) / every < PRIORS["together"]["two_or_more"]:
            low = s
        else:
            high = s
    odds = {c: {m: float(s * x) for m, x in modes.items()} for c, modes in by.items()}
    return odds, float(none / (1 - none) * (np.prod(1 + s * sums) - 1))


@pytest.mark.parametrize(
    ("written", "kicks"), [(("87",), 3), (("40",), 3), (("131",), 1), (("20", "34", "18"), 3)]
)
def test_exciter_after_kicks_by_one_operator(written: tuple[str, ...], kicks: int) -> None:
    """The odds of good and shorted after a few kicks that share operator and winding agree."""
    odds, leak = fault_odds()
    n = 80_000
    modes = ["good", *odds["exc"]]
    like, error = np.zeros(len(modes)), np.zeros(len(modes))
    for i, mode in enumerate(modes):
        rng = np.random.default_rng([3, i])
        crowd = machines(rng, n, {"exc": mode})
        w = likelihood(crowd, Session(rng, n), "vexc", "firm-kick", written, kicks)
        like[i], error[i] = w.mean(), w.std() / np.sqrt(n)
    prior = np.array([leak, *odds["exc"].values()])
    drawn = prior * like
    network = with_readings({"vexc": written}, Technique(how="firm-kick", meter="10M", kicks=kicks))
    others = {c: 0 for c in network.roots if c != "exc"}
    p = posterior(replace(network, evidence=others), ["exc"]).joint(["exc"])
    # The ratio of two estimates has the root of the sum of their relative errors squared.
    short = modes.index("shorted")
    spread = np.hypot(error[0] / like[0], error[short] / like[short])
    assert p[short] / p[0] == pytest.approx(drawn[short] / drawn[0], rel=4 * spread + CELLS_RATIO)
    shift = drawn / drawn.sum()
    rough = 4 * np.abs(error / like).max() * shift * (1 - shift) + CELLS_P
    assert np.all(np.abs(p - shift) <= rough), (p, shift)


# ---- three zeros through one adapter -------------------------------------------------------


def test_three_zeros_through_one_adapter() -> None:
    """Three zeros are one fact about the adapter, and leave the machine nearly as it was."""
    odds, leak = fault_odds()
    n = 250_000
    rng = np.random.default_rng(17)
    state = {c: np.full(n, "good", dtype="<U12") for c in MODEL["components"]}
    weight = np.ones(n)
    any_fault = [link for link in PRIORS["links"] if link["given"] == "any"]
    times = {link["raises"]: link["times"] for link in any_fault}
    # Half of the machines are drawn with more faults, so that double faults are not rare.
    for c, modes in odds.items():
        o = np.array([1.0, *[x * times.get(f"{c}.{m}", 1.0) for m, x in modes.items()]])
        p, q = o / o.sum(), o * np.array([1.0] + [2.0] * len(modes))
        q = q / q.sum()
        pick = rng.choice(len(o), size=n, p=q)
        state[c] = np.array(["good", *modes])[pick]
        weight *= np.divide(p, q, out=np.zeros(len(o)), where=q > 0)[pick]
    n_faults = np.sum([state[c] != "good" for c in odds], axis=0)
    weight = np.where(n_faults == 0, weight * leak, weight)
    for fault, t in times.items():  # 'any' means any other: alone, the fault is not raised
        c, m = fault.split(".")
        weight = np.where((n_faults == 1) & (state[c] == m), weight / t, weight)
    for link in PRIORS["links"]:
        if link["given"] != "any":
            (a, am), (b, bm) = (link[k].split(".") for k in ("given", "raises"))
            weight = np.where((state[a] == am) & (state[b] == bm), weight * link["times"], weight)
    before = weight / weight.sum()
    crowd, session = Machines(rng, n, state), Session(rng, n)
    for test in ("vexc", "vpul", "vpri"):
        weight = weight * likelihood(crowd, session, test, "firm-kick", ("0.0",), 3)
    after = weight / weight.sum()

    network = with_readings(
        {"vexc": ("0.0",), "vpul": ("0.0",), "vpri": ("0.0",)},
        Technique(how="firm-kick", meter="10M", kicks=3, unplugged=True),
    )
    names = [*network.roots, "adapter"]
    result, prior = posterior(network, names), posterior(fast()[2], names)

    def check(hit: NDArray[np.bool_], p: float, w: Floats, label: str) -> None:
        drawn = float(w[hit].sum())
        # Standard error of a self-normalised weighted mean (Owen, Monte Carlo, 9.2).
        error = float(np.sqrt(np.sum(w**2 * (hit - drawn) ** 2)))
        assert abs(p - drawn) <= 4 * error + CELLS_P, (label, p, drawn, error)

    p_dead = result.joint(["adapter"])[-1]
    check(session.dead, p_dead, after, "adapter dead")
    for c in odds:
        check(state[c] != "good", 1 - prior.joint([c])[0], before, f"{c} before")
        check(state[c] != "good", 1 - result.joint([c])[0], after, f"{c} after")
    # One fact, not three: dead adapter or not, the machine stays within a factor of two.
    assert p_dead > 0.5
    for c in ("exc", "pul", "mod"):
        assert 0.5 < (1 - result.joint([c])[0]) / (1 - prior.joint([c])[0]) < 2.0, c
