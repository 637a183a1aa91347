"""Laws as they are written in bench and model files: moved, widened, put in another's place."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from benchodds.basics.errors import ModelError
from benchodds.basics.forms import Form
from benchodds.basics.language import _
from benchodds.basics.tables import Table, Variable
from benchodds.model.gear import Bench
from benchodds.model.priors import Spread
from benchodds.model.system import SystemModel

_NUMBER = r"\s*([0-9.eE+-]+)\s*([^,()0-9]*)"
_LAW = re.compile(rf"(LN|N|band)\({_NUMBER},{_NUMBER}\)")


def moved(text: str, shift: float, widen: float) -> str:
    """A law with its median times exp(shift) and its spread times exp(widen).

    A band becomes the normal law it stands for; a share moves by ``shift`` in log-odds.
    Raises ModelError for a law of another kind.
    """
    found = _LAW.fullmatch(text.strip())
    if found is None:
        try:
            p = float(text)
        except ValueError:
            raise ModelError(
                _("'{text}' is neither LN, N, band nor a share").format(text=text)
            ) from None
        return f"{1 / (1 + (1 - p) / p * math.exp(-shift)):.5g}"
    kind, a, unit, b, unit_b = found[1], float(found[2]), found[3], float(found[4]), found[5]
    factor, wider = math.exp(shift), math.exp(widen)
    if kind == "band":
        kind, a, b = "N", (a + b) / 2, (b - a) / 4
    unit = f" {unit.strip()}" if unit.strip() else ""
    unit_b = f" {unit_b.strip()}" if unit_b.strip() else ""
    return f"{kind}({a * factor:.5g}{unit}, {b * wider:.5g}{unit_b})"


def stated(where: Any, key: str) -> str:
    """The text that stands under a dotted key of a model or bench."""
    for part in key.split("."):
        if isinstance(where, Mapping):
            if part not in where:
                raise ModelError("spreads: " + _("'{key}' names nothing").format(key=key))
            where = where[part]
        else:
            where = getattr(where, part, None)
        if where is None:
            raise ModelError("spreads: " + _("'{key}' names nothing").format(key=key))
    return str(where)


def changed(where: Any, path: Sequence[str], text: str) -> Any:
    """A copy of a model or bench with another text under a path."""
    if not path:
        return type(where)(text)
    if isinstance(where, Form):
        inner = changed(getattr(where, path[0]), path[1:], text)
        return where.model_copy(update={path[0]: inner})
    return {**where, path[0]: changed(where[path[0]], path[1:], text)}


def applied(
    model: SystemModel, bench: Bench, spreads: Sequence[Spread]
) -> tuple[SystemModel, Bench]:
    """Model and bench with learned laws; those of single operators are left to the job."""
    for s in spreads:
        if s.operator or (s.variant and s.variant != model.variant):
            continue
        kind, _dot, name = s.key.partition(".")
        if s.system and kind == "repairs" and name.partition(".")[0] not in model.repairs:
            continue  # of another variant
        if s.system:
            model = changed(model, s.key.split("."), s.law)
        else:
            bench = changed(bench, s.key.split("."), s.law)
    return model, bench


def operator_table(spreads: Sequence[Spread], name: str, variable: Variable, plain: Table) -> Table:
    """The prior of the operator's speed for someone known by name, on the points of the bench's.

    The points are reweighed by the ratio of the two lognormal laws; without a law of theirs the
    table stays as it is.
    """
    known = [s for s in spreads if s.operator == name and s.key == "operator.speed"]
    if not known:
        return plain
    x = np.log(variable.values)
    own, bench = (_LAW.fullmatch(text) for text in (known[-1].law, _current(spreads, known[-1])))
    assert own is not None and bench is not None
    logs = [
        -0.5 * ((x - math.log(float(m[2]))) / float(m[4])) ** 2 - math.log(float(m[4]))
        for m in (own, bench)
    ]
    p = plain.p * np.exp(logs[0] - logs[1])
    return Table(plain.scope, p / p.sum())


def _current(spreads: Sequence[Spread], own: Spread) -> str:
    """The law that the bench has for everybody else."""
    return next((s.law for s in spreads if s.key == own.key and not s.operator), own.was)
