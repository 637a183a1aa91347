"""Machines: whole states with their weights, and draws of what is true of each."""

from __future__ import annotations

import itertools
import tomllib
import zlib
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from witness.laws import Floats, law, names, worked

ROOT = Path(__file__).parents[2]
State = tuple[tuple[str, str], ...]
"""A whole state: the faults that are there as (component, mode)."""


def read(path: str) -> dict[str, Any]:
    """A data file of the project."""
    return tomllib.loads((ROOT / path).read_text(encoding="utf-8"))


class System:
    """One variant of a shipped system, its bench and its priors, as the files say."""

    def __init__(self, name: str, variant: str = "") -> None:
        raw = read(f"models/{name}.toml")
        self.variant = variant or raw["default_variant"]
        raw = deepcopy(raw)
        for path, value in raw["variants"][self.variant].get("set", {}).items():
            *keys, last = path.split(".")
            place = raw
            for key in keys:
                place = place[key]
            place[last] = value
        for section in ("components", "quantities", "tests", "repairs"):
            raw[section] = {
                k: v
                for k, v in raw.get(section, {}).items()
                if self.variant in v.get("only", [self.variant])
            }
        self.raw = raw
        self.bench = read(f"models/{raw['bench']}.toml")
        self.priors = read(f"priors/{name}.toml")
        self.components: dict[str, list[str]] = {
            c: list(spec["modes"]) for c, spec in raw["components"].items()
        }
        self.quantities: dict[str, Any] = raw["quantities"]
        self.tests: dict[str, Any] = raw["tests"]
        ways = self.bench["cranking"]
        if turned := raw.get("cranking"):
            for way, spec in ways.items():
                spec["share"] = turned.get(way, 0.0)

    @cached_property
    def relevant(self) -> dict[str, frozenset[str]]:
        """Components that each quantity depends on."""
        out: dict[str, frozenset[str]] = {}
        for name, q in self.quantities.items():
            used = names(q["formula"])
            own = {q["modes"][k]["of"] for k in used if k in q.get("modes", {})}
            out[name] = frozenset(own & self.components.keys()).union(
                *(out[k] for k in used if k in self.quantities)
            )
        return out

    # ---- whole states ------------------------------------------------------------------------

    def shares(self, complaint: str, contexts: Sequence[str]) -> dict[str, float]:
        """Share of each fault, and of none, among machines with at most one."""
        faults = {f"{c}.{m}" for c, modes in self.components.items() for m in modes}
        out = {}
        for row in self.priors["rows"]:
            own = row.get("variants", {}).get(self.variant, {})
            share = own.get(complaint, row["share"].get(complaint, 0.0))
            if row["fault"] in faults or row["fault"] == "none.elec":
                out[row["fault"]] = float(share)
        for context in contexts:
            times = self.priors["contexts"].get(context, {}).get("multiply", {})
            for fault in out:
                c, m = fault.split(".")
                keys = [k for k in (fault, f"{c}.*", f"*.{m}", "*") if k in times]
                out[fault] *= times[keys[0]] if keys else 1.0
        total = sum(out.values())
        return {f: x / total for f, x in out.items()}

    def odds(self, complaint: str, contexts: Sequence[str]) -> tuple[dict[str, float], float]:
        """Odds of each fault, and the leak: the weight of a machine without any.

        Odds are s times the shares, s such that two faults or more have their share among
        faulty machines; the leak is such that none has its own.
        """
        share = self.shares(complaint, contexts)
        none = share.pop("none.elec")
        sums = np.array([sum(share[f"{c}.{m}"] for m in ms) for c, ms in self.components.items()])
        low, high = -12.0, 12.0
        for _ in range(200):
            s = np.exp((low + high) / 2)
            every = np.prod(1 + s * sums) - 1
            several = (every - s * sums.sum()) / every
            low, high = (
                ((low + high) / 2, high)
                if several < self.priors["together"]["two_or_more"]
                else (low, (low + high) / 2)
            )
        leak = min(none / (1 - none) * every, 1.0)
        return {f: float(s * x) for f, x in share.items()}, float(leak)

    def states(
        self, complaint: str, contexts: Sequence[str], most: int = 3
    ) -> Iterator[tuple[State, float]]:
        """Whole states of up to ``most`` faults, with weights that sum to 1 over all there are."""
        odds, leak = self.odds(complaint, contexts)
        both: dict[frozenset[str], float] = {}
        alone: dict[str, float] = {}
        for link in self.priors.get("links", []):
            if link["raises"] not in odds:
                continue
            if link["given"] == "any":
                odds[link["raises"]] *= link["times"]
                alone[link["raises"]] = 1 / link["times"]
            elif link["given"] in odds:
                both[frozenset((link["given"], link["raises"]))] = link["times"]
        parts = {c: [(m, odds[f"{c}.{m}"]) for m in ms] for c, ms in self.components.items()}
        total = _total(parts, both) - (1 - leak)
        total -= sum((1 - r) * odds[f] for f, r in alone.items())
        for n in range(most + 1):
            for group in itertools.combinations(parts, n):
                for modes in itertools.product(*(parts[c] for c in group)):
                    state = tuple((c, m) for c, (m, _) in zip(group, modes, strict=True))
                    told = [f"{c}.{m}" for c, m in state]
                    w = float(np.prod([o for _, o in modes]))
                    if n == 0:
                        w = leak
                    elif n == 1:
                        w *= alone.get(told[0], 1.0)
                    for two in itertools.combinations(told, 2) if both else ():
                        w *= both.get(frozenset(two), 1.0)
                    if w > 0:
                        yield state, w / total


def _total(
    parts: Mapping[str, list[tuple[str, float]]], both: Mapping[frozenset[str], float]
) -> float:
    """Sum of the weights of all states, links among them and no leak: over the states of linked
    components, one by one, times what the others sum to."""
    linked = sorted({fault.split(".")[0] for pair in both for fault in pair})
    rest = np.prod([1 + sum(o for _, o in ms) for c, ms in parts.items() if c not in linked])
    total = 0.0
    for modes in itertools.product(*([("", 1.0), *parts[c]] for c in linked)):
        told = [f"{c}.{m}" for c, (m, _) in zip(linked, modes, strict=True) if m]
        w = float(np.prod([o for _, o in modes]))
        for two in itertools.combinations(told, 2):
            w *= both.get(frozenset(two), 1.0)
        total += w
    return float(total * rest)


# ---- draws -----------------------------------------------------------------------------------

KEPT = 0.25
"""Share of draws that go on as the laws say, whatever was learnt of where they matter; of a few
separate cases the rarer ones get more than that, by the root of their chance."""
ROOMY = 1.3
"""How much wider than what was learnt draws are."""
ENOUGH = 6.0
"""Draws for each unknown, at least, that what is learnt has to stand on."""

Cases = np.ndarray[Any, np.dtype[np.intp]]


@dataclass(frozen=True, eq=False)
class Plan:
    """Where draws of the unknowns of one whole state matter.

    Of separate cases it holds the chances to draw each, of the others (as normal scores) mean and
    root of the covariance of a joint normal law to draw from (adaptive importance sampling with
    a mixture that keeps the law itself; O. Cappe and others, "Adaptive importance sampling in
    general mixture classes", Statistics and Computing 18 (2008) 447).
    """

    cases: Mapping[str, Floats] = field(default_factory=dict)
    keys: tuple[str, ...] = ()
    mean: Floats = field(default_factory=lambda: np.zeros(0))
    root: Floats = field(default_factory=lambda: np.zeros((0, 0)))


class Draws:
    """``n`` draws of all unknowns of a job, each under a name of its own, with weights.

    Each unknown is drawn evenly layer by layer (Latin hypercube; McKay, Beckman and Conover,
    Technometrics 21 (1979) 239). Equal names give equal draws, whatever the state.
    """

    def __init__(self, n: int, seed: tuple[int, ...], plan: Plan | None = None) -> None:
        self.n, self.seed, self.plan = n, seed, plan or Plan()
        self.weight: Floats = np.ones(n)
        self.cases: dict[str, tuple[Cases, Floats]] = {}
        self._scores: dict[str, Floats] = {}
        self._coins: dict[str, Floats] = {}
        if self.plan.keys:
            self._drawn_jointly()

    def _drawn_jointly(self) -> None:
        plan, d = self.plan, len(self.plan.keys)
        plain = np.stack([ndtri(self.layers(key)) for key in plan.keys], axis=1)
        own = self.layers("as the laws say") < KEPT
        z = np.where(own[:, None], plain, plan.mean + plain @ plan.root.T)
        inner = np.linalg.solve(plan.root, (z - plan.mean).T)
        ratio = (z**2).sum(axis=1) / 2 - (inner**2).sum(axis=0) / 2
        ratio -= np.log(np.diag(plan.root)).sum()  # log of the joint law over that of the laws
        self.weight = 1 / (KEPT + (1 - KEPT) * np.exp(np.minimum(ratio, 700.0)))
        self._scores = {key: z[:, i] for i, key in enumerate(plan.keys[:d])}

    def layers(self, key: str) -> Floats:
        """Draws between 0 and 1, evenly layer by layer."""
        rng = np.random.default_rng([*self.seed, zlib.crc32(key.encode())])
        return np.asarray((rng.permutation(self.n) + rng.random(self.n)) / self.n)

    def score(self, key: str) -> Floats:
        """Normal scores of one unknown."""
        if key not in self._scores:
            self._scores[key] = ndtri(self.layers(key))
        return self._scores[key]

    def of(self, key: str, text: str) -> Any:
        """Draws of a law; its value where it has only one."""
        what = law(text)
        if (value := what.constant) is not None:
            return value
        smooth = any(kind != "const" for _w, kind, _a in what.parts)
        u = np.clip(ndtr(self.score(key)), 1e-12, 1 - 1e-12) if smooth else np.full(self.n, 0.5)
        if len(what.parts) == 1:
            return what.at(np.zeros(self.n, dtype=np.intp), u)
        return what.at(self.choice(f"{key} part", [w for w, _k, _a in what.parts]), u)

    def choice(self, key: str, shares: Sequence[float]) -> Cases:
        """Draws of which of several, with their shares."""
        if key not in self.cases:
            p = np.array(shares) / sum(shares)
            q = self.plan.cases.get(key, p)
            ends = np.cumsum(q)
            at = np.searchsorted(ends, self.layers(key) * ends[-1], side="right")
            at = np.clip(at, 0, len(p) - 1)
            with np.errstate(divide="ignore", invalid="ignore"):
                self.weight = self.weight * (p / q)[at]
            self.cases[key] = at, p
        return self.cases[key][0]

    def coin(self, key: str, p: Floats) -> Floats:
        """Draws of 0 or 1, the second with chance ``p``; rare sides are drawn more often."""
        if key not in self._coins:
            p = np.broadcast_to(np.clip(p, 0.0, 1.0), (self.n,))
            q = np.where((p > 0) & (p < 1), np.clip(p, 0.25, 0.75), p)
            side = self.layers(key) < q
            with np.errstate(divide="ignore", invalid="ignore"):
                self.weight = self.weight * np.where(side, p / q, (1 - p) / (1 - q))
            self._coins[key] = side.astype(float)
        return self._coins[key]

    def learnt(self, f: Floats) -> Plan:
        """Where draws matter, from their weighted likelihoods (n,).

        Where few draws carry all of the weight a root of it is learnt from.
        """
        if not f.max() > 0:
            return self.plan
        keys = tuple(self._scores)
        for power in (1.0, 0.6, 0.35, 0.2, 0.1, 0.05):
            w = (f / f.max()) ** power
            w /= w.sum()
            if 1 / (w**2).sum() > ENOUGH * (len(keys) + 1):
                break
        cases = {}
        for key, (at, p) in self.cases.items():
            q = self.plan.cases.get(key, p)
            best = np.sqrt(q * np.bincount(at, w**2, len(p)))
            kept = np.sqrt(p)
            cases[key] = (1 - KEPT) * best / best.sum() + KEPT * kept / kept.sum()
        if not keys:
            return Plan(cases)
        z = np.stack([self._scores[key] for key in keys], axis=1)
        mean = w @ z
        spread = ROOMY * ((z - mean).T * w) @ (z - mean) + 1e-4 * np.eye(len(keys))
        return Plan(cases, keys, mean, np.linalg.cholesky(spread))


class View:
    """What is true of drawn machines in one whole state.

    ``anew`` is added to the names of what belongs to a part, for parts that are not the first.
    """

    def __init__(
        self, system: System, draws: Draws, state: State, anew: Mapping[str, str] | None = None
    ) -> None:
        self.system, self.draws, self.state = system, draws, dict(state)
        self._anew, self._known = anew or {}, dict[str, Any]()

    def __getitem__(self, name: str) -> Any:
        """The draws of a quantity."""
        if name not in self._known:
            self._known[name] = self._worked(name)
        return self._known[name]

    def _worked(self, name: str) -> Any:
        q = self.system.quantities[name]
        values = {}
        for used in names(q["formula"]):
            if used in q.get("modes", {}):
                modal = q["modes"][used]
                mode = self.state.get(modal["of"], "")
                text = modal["by"].get(mode, modal.get("otherwise", "1"))
                key = f"{name}.{used}:{mode}{self._anew.get(modal['of'], '')}"
                values[used] = self.draws.of(key, text)
            elif used in q.get("random", {}):
                values[used] = self.draws.of(f"{name}.{used}", q["random"][used])
            else:
                values[used] = self[used]
        value = worked(q["formula"], values)
        return self.draws.coin(name, value) if "states" in q else value
