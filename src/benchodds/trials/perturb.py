"""Nature off the model: machines, gear and readings that are not quite as the files expect.

A perturbed machine is compiled from changed files by the same code; whoever chooses and states
odds keeps the files as they are.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from benchodds.basics.forms import as_data, checked
from benchodds.infer.assess import Machine
from benchodds.infer.network import physics
from benchodds.model.gear import Bench, build_bench
from benchodds.model.priors import PriorSet, Row
from benchodds.model.system import SystemModel
from benchodds.trials.names import NATURES
from benchodds.trials.trial import Perturbations

NONE = "none"

_NUMBER = r"[-+0-9.eE]+"
_SPREAD = re.compile(rf"\b(LN|N)\(([^,()]+),\s*({_NUMBER})([^,()]*)\)")
_BAND = re.compile(rf"\bband\(\s*({_NUMBER})([^,()]*),\s*({_NUMBER})([^,()]*)\)")


def wider(text: str, factor: float) -> str:
    """A distribution as written with its spread times a factor.

    The log-sd of ``LN``, the sd of ``N``, the width of ``band`` about its middle; uniform and
    exponential laws, and bare numbers, stay.
    """

    def band(m: re.Match[str]) -> str:
        low, high = float(m[1]), float(m[3])
        middle, half = (low + high) / 2, (high - low) / 2 * factor
        low = max(middle - half, low * 1e-3)  # a resistance stays above zero
        return f"band({low:.6g}{m[2]}, {middle + half:.6g}{m[4]})"

    text = _SPREAD.sub(lambda m: f"{m[1]}({m[2]}, {float(m[3]) * factor:.6g}{m[4]})", text)
    return _BAND.sub(band, text)


def _walk(data: Any, change: Callable[[str], str]) -> Any:
    """A parsed file with every text changed."""
    if isinstance(data, str):
        return change(data)
    if isinstance(data, dict):
        return {
            k: v if k in ("title", "provenance", "do") else _walk(v, change)
            for k, v in data.items()
        }
    if isinstance(data, list | tuple):
        return [_walk(v, change) for v in data]
    return data


def wide_model(model: SystemModel, factor: float) -> SystemModel:
    """The model with every spread of quantities and of readings times a factor."""
    data = as_data(model)
    for section in ("quantities", "tests"):
        data[section] = _walk(data[section], lambda text: wider(text, factor))
    return checked(SystemModel, data)


def wide_bench(bench: Bench, factor: float) -> Bench:
    """The bench with every spread times a factor."""
    data = as_data(bench)
    return build_bench(_walk(data, lambda text: wider(text, factor)))


def other_priors(priors: PriorSet, factor: float, rng: np.random.Generator) -> PriorSet:
    """Every row's shares times or over a factor, by a toss for each row."""
    rows = []
    for row in priors.rows:
        times = factor if rng.random() < 0.5 else 1 / factor

        def scaled(shares: Mapping[str, float], times: float = times) -> dict[str, float]:
            return {k: v * times for k, v in shares.items()}

        rows.append(
            Row(
                fault=row.fault,
                share=scaled(row.share),
                variants={v: scaled(s) for v, s in row.variants.items()},
                provenance=row.provenance,
            )
        )
    return priors.model_copy(update={"rows": tuple(rows)})


def perturbed(
    machine: Machine, kind: str, spec: Perturbations, rng: np.random.Generator
) -> Machine:
    """The machine as nature has it: ``none``, ``priors``, ``spreads``, ``operator``, ``meter``."""
    model, bench, priors = machine.model, machine.bench, machine.priors
    if kind == NONE:
        return machine
    if kind == "priors":
        priors = other_priors(priors, spec.priors.factor, rng)
        return Machine(model, bench, priors, machine.variables, machine.tables, machine.shelf)
    if kind == "spreads":
        model, bench = (
            wide_model(model, spec.spreads.factor),
            wide_bench(bench, spec.spreads.factor),
        )
    elif kind == "operator":
        operator = bench.operator.model_copy(update={"speed": spec.operator.speed})
        bench = bench.model_copy(update={"operator": operator})
    elif kind == "meter":
        said = {"input": spec.meter.input, "dc_volts": spec.meter.dc_volts, "ohms": spec.meter.ohms}
        bench = bench.model_copy(update={"meter": bench.meter.model_copy(update=said)})
    else:
        raise ValueError(kind)
    return Machine(model, bench, priors, *physics(model, bench))


KINDS = NATURES
