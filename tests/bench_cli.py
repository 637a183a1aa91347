"""Drive the command line in tests: a job, its readings, its odds and advice."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from benchodds.cli.main import main
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.keep.session import Session
from benchodds.model.jobs import Job, Reading
from benchodds.screens.readings import SHEET_KEYS, Noted, checked_reading, make_technique


class Asked:
    """A machine and a job with readings as if taken, alike when their contents are."""

    def __init__(self, machine: Machine, job: Job, as_if: Sequence[Reading]):
        self.what = machine, job, as_if
        self._key = id(machine), job.id, tuple(e.uid for e in job.events), tuple(as_if)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Asked) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)


@lru_cache(maxsize=1)
def _assessed(asked: Asked) -> Assessment:
    return assess(*asked.what)


def assessed(machine: Machine, job: Job, as_if: Sequence[Reading] = ()) -> Assessment:
    """The assessment of a job, made once for commands that follow each other."""
    return _assessed(Asked(machine, job, as_if))


class BenchJob:
    """One job in a store of its own, worked through the real commands."""

    def __init__(self, store: Path, complaint: str = "no-spark", *contexts: str, **opts: str):
        self.store = str(store)
        args = ["open", "--system", opts.pop("system", "mag-cdi"), "--complaint", complaint]
        for context in contexts:
            args += ["--context", context]
        for key, value in opts.items():
            args += [f"--{key}", value]
        self.id = self.json(*args)["job"]

    def run(self, *args: str) -> str:
        """Output of a command that must succeed."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("benchodds.infer.assess.assess", assessed)
            result = CliRunner().invoke(main, [*args, "--store", self.store])
        assert result.exit_code == 0, result.output
        return result.output

    def json(self, *args: str) -> dict[str, Any]:
        """The JSON a command prints."""
        return json.loads(self.run(*args, "--json"))

    def record(self, test: str, *values: str, note: str | None = None, **technique: str) -> str:
        """Record a reading as ``record`` does, without asking what it moved; its name."""
        session = Session(self.store)
        how = {name: make(technique[k]) for k, (name, make) in SHEET_KEYS.items() if k in technique}
        assert len(how) == len(technique), technique
        job = session.store.job(self.id)
        said = Noted(test, values, make_technique(how), note)
        noted = checked_reading(session.machine(job), job, said)
        return session.append(self.id, noted.event, noted.uid).readings[-1].id

    def told(self, test: str, *values: str) -> dict[str, Any]:
        """Record a reading by the command, which says what it moved."""
        return self.json("record", self.id, test, *values)

    def odds(self) -> Odds:
        """The odds now."""
        return Odds(self.json("odds", self.id))

    def next(self) -> dict[str, Any]:
        """The advice now."""
        return self.json("next", self.id)

    def best(self, n: int = 1) -> list[str]:
        """What is advised first, then the best ranked tests."""
        data = self.next()
        advised = data["advice"]["test"] or data["advice"]["repair"]
        rest = [r["test"] for r in data["ranking"] if r["test"] != advised]
        return [advised, *rest][:n]


class Was(dict[str, float]):
    """What was wrong when the machine came: by mode, or by component written 'exc.*'."""

    def __missing__(self, fault: str) -> float:
        assert fault.endswith(".*"), fault
        return sum(p for f, p in self.items() if f.startswith(fault[:-1]))


class Odds:
    """Posterior of one moment."""

    def __init__(self, data: dict[str, Any]):
        self.data = data
        self.modes = {f"{r['component']}.{r['mode']}": r["p"] for r in data["machine"]}
        self.components = {r["component"]: r["p_fault"] for r in data["components"]}
        self.gear = {(r["item"], r["state"]): r["p"] for r in data["gear"]}
        self.was = Was({f"{r['component']}.{r['mode']}": r["p"] for r in data["was"]})
        self.cured: float = data["cured"]
        self.comes_back: float = data["comes_back"]

    def __getitem__(self, fault: str) -> float:
        """Probability of a mode, or of a whole component written 'exc.*' or '*.hot'."""
        if fault.endswith(".*"):
            return self.components[fault[:-2]]
        if fault.startswith("*."):
            return sum(p for f, p in self.modes.items() if f.endswith(fault[1:]))
        return self.modes[fault]

    def always(self, fault: str) -> float:
        """Probability that a mode is there at every try."""
        unsteady = {f"{r['component']}.{r['mode']}": r["p"] for r in self.data["comes_and_goes"]}
        return self.modes[fault] - unsteady.get(fault, 0.0)

    def order(self, n: int = 5) -> list[str]:
        """The likeliest modes, best first."""
        return [f"{r['component']}.{r['mode']}" for r in self.data["machine"][:n]]

    def suspect_gear(self) -> float:
        """Probability of the likeliest gear trouble."""
        return max((p for (_, state), p in self.gear.items() if state != "ok"), default=0.0)
