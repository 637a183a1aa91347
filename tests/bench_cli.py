"""Drive the command line in tests: a job, its readings, its odds and advice."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from benchodds.cli.main import main


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
        result = CliRunner().invoke(main, [*args, "--store", self.store])
        assert result.exit_code == 0, result.output
        return result.output

    def json(self, *args: str) -> dict[str, Any]:
        """The JSON a command prints."""
        return json.loads(self.run(*args, "--json"))

    def record(self, test: str, *values: str, **technique: str) -> dict[str, Any]:
        """Record a reading."""
        options = [f"--{k.replace('_', '-')}={v}" for k, v in technique.items()]
        return self.json("record", self.id, test, *values, *options)

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

    def order(self, n: int = 5) -> list[str]:
        """The likeliest modes, best first."""
        return [f"{r['component']}.{r['mode']}" for r in self.data["machine"][:n]]

    def suspect_gear(self) -> float:
        """Probability of the likeliest gear trouble."""
        return max((p for (_, state), p in self.gear.items() if state != "ok"), default=0.0)
