"""A hostile model file is refused with its size before memory is spent on it."""

from __future__ import annotations

import resource
import tomllib
from pathlib import Path

import pytest

from benchodds.basics.errors import BenchoddsError, ModelError
from benchodds.infer.assess import Machine, assess
from benchodds.infer.network import physics
from benchodds.keep import files
from benchodds.model.jobs import Technique
from benchodds.model.priors import build_priors
from benchodds.model.system import build_system
from fuzz_seeds import ROOT, small_model
from made_jobs import job_of

PRIORS = (ROOT / "src" / "benchodds" / "templates" / "new" / "priors.toml").read_text("utf-8")
MOST_MB = 400


def quantity(name: str, formula: str, cells: int) -> str:
    """A quantity; without a formula it is a random input."""
    random = "" if formula != "u" else 'random = { u = "U(1 V, 100 V)" }\n'
    return (
        f'\n[quantities.{name}]\ntitle = "t"\nunit = "V"\nformula = "{formula}"\n{random}'
        f'grid = {{ low = "1 V", high = "100 V", cells = {cells}, sub = 4 }}\n'
        'provenance = "judgement"\n'
    )


def meter(name: str, signal: str) -> str:
    """A test that shows volts."""
    return (
        f'\n[tests.{name}]\ntitle = "t"\ndo = "d"\nkind = "meter"\nminutes = "1 min"\nunit = "V"\n'
        f'signal = "{signal}"\nspan = ["1 V", "900 V"]\nprovenance = "judgement"\n'
    )


SIX = "".join(quantity(f"x{k}", "u", 300) for k in range(6))
MESH = "".join(quantity(f"x{k}", "u", 40) for k in range(12)) + "".join(
    quantity(f"y{a}_{b}", f"x{a}+x{b}", 12) for a in range(12) for b in range(a)
)
PAIRS = [(a, b) for a in range(12) for b in range(a)]

HOSTILE = {
    "a million states": ("cells = 16", "cells = 1000000", "at most 300"),
    "a million points": ("cells = 16", "cells = 16, sub = 1000000", "at most 16"),
    "a long formula": ('formula = "v"', f'formula = "{"+".join(["v"] * 9999)}"', "at most 400"),
    "a deep formula": ('formula = "v"', f'formula = "{"(" * 199}v{")" * 199}"', ""),
    "a power tower": ('formula = "v"', 'formula = "9**9**9**9"', "something other"),
    "many modes": (
        'modes = { flat = "discharged" }',
        "modes = { " + ", ".join(f'm{i} = "x"' for i in range(10_000)) + " }",
        "at most 40",
    ),
    "many parents": ("", quantity("z", "+".join(f"x{k}" for k in range(6)), 12), "entries, more"),
    "a signal of six": ("", meter("zz", "+".join(f"x{k}" for k in range(6))), "points, more than"),
}


def refused(text: str, readings: list[str]) -> str:
    """What a model file is refused with, at the latest when a job's odds are asked for."""
    try:
        model, bench = build_system(tomllib.loads(text), None), files.load_bench("bench")
        priors = build_priors(tomllib.loads(PRIORS.replace("@NAME@", "mine")))
        machine = Machine(model, bench, priors, *physics(model, bench))
        job = job_of(machine, [(test, ["12"], Technique()) for test in readings], "dark")
        assess(machine, job)
    except ModelError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("name", HOSTILE)
def test_refused_with_its_size(name: str) -> None:
    """In a sentence, and without the memory that it asks for."""
    old, new, words = HOSTILE[name]
    text = small_model().decode()
    if old:
        assert old in text
        text = text.replace(old, new, 1)
    else:
        text += SIX + new
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    said = refused(text, ["zz"] if "tests.zz" in text else [])
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert words in said
    assert words == "" or said
    assert (after - before) / 1e3 < MOST_MB


def test_readings_that_tie_everything_together_are_refused() -> None:
    """Twelve quantities, every two of them read together: exact odds are out of reach."""
    tests = "".join(meter(f"t{a}-{b}", f"y{a}_{b}") for a, b in PAIRS)
    text = small_model().decode() + MESH + tests
    assert "tie too much together" in refused(text, [f"t{a}-{b}" for a, b in PAIRS])


def test_a_file_that_is_deep_or_large_is_refused(tmp_path: Path) -> None:
    """Before it is parsed whole."""
    path = tmp_path / "deep.toml"
    path.write_text("x = " + "[" * 50_000 + "]" * 50_000, encoding="utf-8")
    with pytest.raises(ModelError, match="nested too deeply"):
        files.read_toml(path)
    path.write_bytes(b"#" * (files.MAX_BYTES + 1))
    with pytest.raises(BenchoddsError, match="at most"):
        files.read_toml(path)
