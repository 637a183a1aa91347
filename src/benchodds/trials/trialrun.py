"""Simulations in a folder: resumable, over several processes, with the same rows however run.

``manifest.json`` says what was asked; ``rows.jsonl`` takes a line for each job and policy as
it is done. A run that was cut off goes on where it was; a folder of another run is refused.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from benchodds import __version__
from benchodds.basics.errors import BenchoddsError, ModelError, UnknownNameError, nearest
from benchodds.basics.forms import as_data
from benchodds.basics.language import _
from benchodds.choose.lookahead import Depth
from benchodds.infer.assess import Machine
from benchodds.keep.outputs import write
from benchodds.trials.draws import Nature
from benchodds.trials.names import POLICIES
from benchodds.trials.perturb import KINDS, perturbed
from benchodds.trials.places import World
from benchodds.trials.policies import (
    AtRandom,
    BitsPerMinute,
    ByLimits,
    ChanceOverCost,
    FixedOrder,
    LookAhead,
    Policy,
)
from benchodds.trials.simulate import Row, natures, row_from, run_job
from benchodds.trials.training import trained_order

SCHEMA = 2
TRAINING_JOBS = 300
TRIES = 300
LOT = 5
"""Jobs that a process does before it reports."""

PERTURBED = 2_000_000
"""Stream of random numbers of a perturbation."""


class RunError(BenchoddsError):
    """A folder that cannot take this run."""


@dataclass(frozen=True)
class Setting:
    """All that rows depend on, but for the files named."""

    system: str
    variant: str
    complaint: str
    contexts: tuple[str, ...]
    priors: str
    shop: str
    trial: str
    seed: int
    steps: int
    floor: float
    told_apart: int
    crowd: int
    order: tuple[str, ...] = ()


@lru_cache(maxsize=2)
def world_of(setting: Setting) -> World:
    """The policies' world of a setting, made once in a process."""
    from benchodds.keep.session import load_coarse
    from benchodds.keep.shopfile import load_shop

    machine = load_coarse(setting.system, setting.variant, setting.priors)
    shop = load_shop(setting.shop)
    return World(
        machine, setting.complaint, setting.contexts, shop, setting.told_apart, setting.crowd
    )


@lru_cache(maxsize=8)
def nature_of(setting: Setting, kind: str) -> tuple[Machine, Nature]:
    """Nature as a perturbation has it, made once in a process."""
    from benchodds.trials.trialfile import load_trial

    world = world_of(setting)
    rng = np.random.default_rng([setting.seed, PERTURBED])
    machine = perturbed(world.machine, kind, load_trial(setting.trial).perturb, rng)
    return machine, natures(machine, world)


def policy_of(setting: Setting, name: str) -> Policy:
    """A policy by name."""
    from benchodds.trials.trialfile import load_trial

    if name == "look-ahead":
        return LookAhead(Depth(steps=setting.steps, floor=setting.floor))
    if name == "bits-per-minute":
        return BitsPerMinute()
    if name == "p-over-c":
        return ChanceOverCost()
    if name == "random":
        return AtRandom()
    if name == "best-fixed":
        return FixedOrder(name, setting.order)
    if name in ("common-practice", "by-limits"):
        routines = load_trial(setting.trial).routines
        if setting.system not in routines:
            raise ModelError(
                _(
                    "the trial file '{trial}' has no routine for {system}; add "
                    "[routines.{system}] or leave out the policy '{name}'"
                ).format(trial=setting.trial, system=setting.system, name=name)
            )
        routine = routines[setting.system].fitting(world_of(setting).machine.model)
        return FixedOrder(name, routine.order) if name == "common-practice" else ByLimits(routine)
    raise UnknownNameError(
        _("'{name}' is not a policy known here{hint}").format(
            name=name, hint=nearest(name, POLICIES)
        )
    )


def best_fixed(setting: Setting) -> tuple[str, ...]:
    """The best fixed order that training finds for a setting."""
    world = world_of(setting)
    starts = []
    try:
        common = policy_of(setting, "common-practice")
        assert isinstance(common, FixedOrder)
        starts.append(common.order)
    except ModelError:
        pass
    return trained_order(
        world, nature_of(setting, "none")[1], setting.seed, TRAINING_JOBS, starts, TRIES
    )


Lot = tuple[str, int, int]
"""Nature, first job, end."""


def work(setting: Setting, policies: Sequence[str], lot: Lot) -> list[tuple[str, Row]]:
    """The rows of some jobs; runs in any process."""
    kind, first, end = lot
    machine, nature = nature_of(setting, kind)
    world = world_of(setting)
    chosen = [policy_of(setting, p) for p in policies]
    return [
        (kind, row)
        for job in range(first, end)
        for row in run_job(setting.seed, job, machine, nature, world, chosen)
    ]


@dataclass
class Folder:
    """Where a run keeps its manifest and rows."""

    path: Path

    @property
    def rows_file(self) -> Path:
        """The rows."""
        return self.path / "rows.jsonl"

    @property
    def manifest_file(self) -> Path:
        """The manifest."""
        return self.path / "manifest.json"

    def manifest(self) -> dict[str, Any] | None:
        """What a run here was asked, None in a folder without one."""
        if not self.manifest_file.is_file():
            return None
        try:
            found = json.loads(self.manifest_file.read_text(encoding="utf-8"))
        except ValueError:
            raise RunError(
                f"{self.manifest_file}: " + _("is not JSON; take another folder")
            ) from None
        if not isinstance(found, dict) or found.get("schema") != SCHEMA:
            raise RunError(
                f"{self.manifest_file}: " + _("is not of this kind; take another folder")
            )
        return found

    def begin(self, asked: dict[str, Any], key: str) -> None:
        """Take the folder for a run, or find that it is this run's. Raises RunError."""
        found = self.manifest()
        if found is None:
            if self.path.exists() and not self.path.is_dir():
                raise RunError(f"{self.path}: " + _("is not a folder; name one for the results"))
            if self.path.is_dir() and any(self.path.iterdir()):
                raise RunError(
                    f"{self.path}: " + _("holds files that are of no run; take another folder")
                )
            whole = {"schema": SCHEMA, "version": __version__, "content": key, "asked": asked}
            write(self.manifest_file, [json.dumps(whole, indent=1), "\n"], folders=True)
            return
        other = [k for k in asked if found["asked"].get(k) != asked[k]]
        if other or found["content"] != key:
            what = ", ".join(other) if other else _("the files that it was made with")
            raise RunError(
                f"{self.path}: "
                + _("holds another run, which differs in {what}; take another folder").format(
                    what=what
                )
            )

    def order(self) -> tuple[str, ...] | None:
        """The best fixed order, where training is done."""
        file = self.path / "best-fixed.json"
        return tuple(json.loads(file.read_text(encoding="utf-8"))) if file.is_file() else None

    def keep_order(self, order: Sequence[str]) -> None:
        """Keep the best fixed order."""
        write(self.path / "best-fixed.json", [json.dumps(list(order)), "\n"], overwrite=True)

    def rows(self) -> Iterator[tuple[str, Row]]:
        """Rows done; a line that was cut off at the end is dropped from the file."""
        if not self.rows_file.is_file():
            return
        raw = self.rows_file.read_bytes()
        whole = raw.rfind(b"\n") + 1
        if whole < len(raw):
            with self.rows_file.open("r+b") as file:
                file.truncate(whole)
        for number, line in enumerate(raw[:whole].splitlines(), 1):
            try:
                data = json.loads(line)
                yield data.pop("nature"), row_from(data)
            except (ValueError, KeyError, TypeError, AttributeError):
                raise RunError(
                    f"{self.rows_file}: "
                    + _("line {number} is not a row; take another folder").format(number=number)
                ) from None

    def add(self, rows: Sequence[tuple[str, Row]]) -> None:
        """Write rows behind those that are there."""
        lines = [json.dumps({"nature": n, **r.to_dict()}, separators=(",", ":")) for n, r in rows]
        with self.rows_file.open("a", encoding="utf-8") as file:
            file.write("".join(line + "\n" for line in lines))
            file.flush()


def lots(
    jobs: int, kinds: Sequence[str], policies: Sequence[str], done: set[tuple[str, str, int]]
) -> list[tuple[Lot, tuple[str, ...]]]:
    """What is left to do: jobs in lots, with the policies that they lack."""
    out: list[tuple[Lot, tuple[str, ...]]] = []
    for kind in kinds:
        for first in range(0, jobs, LOT):
            end = min(first + LOT, jobs)
            lacking: dict[tuple[str, ...], list[int]] = {}
            for job in range(first, end):
                need = tuple(p for p in policies if (kind, p, job) not in done)
                if need:
                    lacking.setdefault(need, []).append(job)
            for need, mine in lacking.items():
                out += [((kind, a, b), need) for a, b in _runs(mine)]
    return out


def _runs(jobs: Sequence[int]) -> Iterator[tuple[int, int]]:
    first = jobs[0]
    for a, b in zip(jobs, [*jobs[1:], -1], strict=True):
        if b != a + 1:
            yield first, a + 1
            first = b


def play(
    setting: Setting, todo: Sequence[tuple[Lot, tuple[str, ...]]], workers: int
) -> Iterator[list[tuple[str, Row]]]:
    """Do what is left, with so many processes; rows come as they are ready."""
    if workers <= 1:
        for lot, policies in todo:
            yield work(setting, policies, lot)
        return
    with ProcessPoolExecutor(workers) as pool:
        waiting = [pool.submit(work, setting, policies, lot) for lot, policies in todo]
        try:
            for future in waiting:
                yield future.result()
        finally:
            for future in waiting:
                future.cancel()


def content_of(setting: Setting) -> str:
    """Hash of all files that rows depend on: model, bench, priors, shop, trial."""
    from benchodds.trials.trialfile import load_trial

    world = world_of(setting)
    machine = world.machine
    files = (machine.model, machine.bench, machine.priors, world.shop, load_trial(setting.trial))
    text = json.dumps([as_data(f) for f in files], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def asked(setting: Setting) -> dict[str, Any]:
    """A setting as plain data, for the manifest: without the trained order, which follows."""
    data = asdict(setting)
    data.pop("order")
    return {k: list(v) if isinstance(v, tuple) else v for k, v in data.items()}


__all__ = [
    "KINDS",
    "POLICIES",
    "Folder",
    "RunError",
    "Setting",
    "asked",
    "best_fixed",
    "content_of",
    "lots",
    "play",
]
