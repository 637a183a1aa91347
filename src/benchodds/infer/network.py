"""Compile a system model, priors and context to the discrete network.

Nodes: one per component (state 0 ``good``, then its fault modes), one per physical quantity on
its cells, and the gear. Links between faults and readings join as findings.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np

from benchodds.basics.distributions import Distribution, parse_distribution
from benchodds.basics.errors import ModelError
from benchodds.basics.formula import parse_expression
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, Special, Table, Variable
from benchodds.model.gear import Bench, gear_nodes
from benchodds.model.priors import FaultPrior
from benchodds.model.system import MAX_PARENT_STATES, Quantity, SystemModel

BUDGET = 4_000_000
"""Most formula values worked out at once for one table."""


def component_nodes(model: SystemModel) -> dict[str, Variable]:
    """One variable per component: good, then its modes."""
    return {c: Variable(c, ("good", *spec.modes)) for c, spec in model.components.items()}


def quantity_node(name: str, quantity: Quantity, refine: int = 1) -> tuple[Variable, Array]:
    """The variable of a quantity and the edges that sort values into its states.

    Cells between ``low`` and ``high`` (times ``refine``), and exact atoms. Values outside go
    to the nearest cell or atom. Returns edges (n_cells + 1,) of the cells alone.
    """
    if quantity.states is not None:
        points = np.array([[0.0], [1.0]])
        return Variable(name, quantity.states, points), np.zeros(0)
    grid = quantity.grid
    assert grid is not None
    low = _number(grid.low, quantity.unit)
    high = _number(grid.high, quantity.unit)
    spaced = np.geomspace if grid.spacing == "log" else np.linspace
    pieces = [(low, high, grid.cells * refine)]
    if grid.knee:
        knee = _number(grid.knee, quantity.unit)
        pieces = [(low, knee, grid.below * refine), (knee, high, grid.cells * refine)]
    edges = np.concatenate([spaced(a, b, n + 1)[(i > 0) :] for i, (a, b, n) in enumerate(pieces)])
    inner = np.concatenate(
        [spaced(a, b, 2 * n * grid.sub + 1)[1::2].reshape(n, grid.sub) for a, b, n in pieces]
    )
    atoms = [_number(a, quantity.unit) for a in grid.atoms]
    points = np.concatenate([np.repeat([[a]], grid.sub, axis=1) for a in atoms] + [inner])
    states = [f"={a:g}" for a in atoms] + [f"{x:.4g}" for x in inner.mean(axis=1)]
    if len(set(states)) != len(states):
        states = [f"{i}:{s}" for i, s in enumerate(states)]
    return Variable(name, tuple(states), points, quantity.unit), edges


def _number(text: str, unit: str) -> float:
    d = parse_distribution(text, unit)
    return d.args[0]


def _sort_in(values: Array, quantity: Quantity, edges: Array) -> Array:
    """Index of the state each value belongs to (atoms first, then cells)."""
    assert quantity.grid is not None
    atoms = [_number(a, quantity.unit) for a in quantity.grid.atoms]
    n_atoms = len(atoms)
    index = np.searchsorted(edges, values, side="right") - 1
    index = np.clip(index, 0, len(edges) - 2) + n_atoms
    for i, atom in enumerate(atoms):
        if math.isinf(atom):
            index[np.isinf(values)] = i
        elif atom == 0.0:
            index[values < edges[0]] = i
        else:
            index[np.isclose(values, atom, rtol=1e-9, atol=0)] = i
    return np.asarray(index)


def quantity_table(
    name: str,
    quantity: Quantity,
    variables: Mapping[str, Variable],
    edges: Array,
) -> Table:
    """P(quantity | components and quantities in its formula), by weighted histogram.

    Every combination of parent states, their sub-points, and points of the random inputs is
    put through the formula and sorted into the states.
    """
    expression = parse_expression(quantity.formula)
    parents: list[str] = []
    for used in expression.names:
        modal = quantity.modes.get(used)
        parent = modal.of if modal is not None else used
        if parent in variables and parent not in parents and parent != name:
            parents.append(parent)
    sizes = [variables[p].size for p in parents]
    n_self = variables[name].size
    if math.prod(sizes) * n_self > MAX_PARENT_STATES:
        raise ModelError(
            f"quantities.{name}: "
            + _(
                "its table would have {n:,} entries, more than {most:,}; "
                "combine parents pairwise through a quantity between"
            ).format(n=math.prod(sizes) * n_self, most=MAX_PARENT_STATES)
        )
    numeric = [p for p in parents if variables[p].points is not None]
    free = {
        k: parse_distribution(quantity.random[k]) for k in expression.names if k in quantity.random
    }
    modal_parents = [p for p in parents if p not in numeric]
    combos = math.prod(variables[p].size for p in modal_parents)
    room = BUDGET / math.prod(_points(variables[p]).size for p in numeric) / combos**0.5
    table = np.zeros((n_self, *sizes))
    for combo in itertools.product(*[range(variables[p].size) for p in modal_parents]):
        state = dict(zip(modal_parents, combo, strict=True))
        spread = dict(free)
        for key in expression.names:
            if key in quantity.modes:
                spread[key] = _modal(quantity, key, variables, state)
        moving = sum(d.kind != "const" for d in spread.values())
        n_points = int(np.clip(room ** (1 / max(moving, 1)), 6, 4000 if moving == 1 else 200))
        inputs = {k: d.points(n_points) for k, d in spread.items()}
        axes = [*numeric, *inputs]
        arrays: dict[str, Array] = {}
        weight: Array = np.ones(())
        for i, key in enumerate(axes):
            if key in inputs:
                x, w = inputs[key]
            else:
                points = _points(variables[key])
                x, w = points.ravel(), np.full(points.size, 1.0)
            shape = [1] * len(axes)
            shape[i] = len(x)
            arrays[key] = x.reshape(shape)
            weight = weight * w.reshape(shape) if key in inputs else weight
        values = np.broadcast_to(
            expression(arrays), [a.shape[i] for i, a in enumerate(arrays.values())]
        )
        slot = (slice(None), *[state.get(p, slice(None)) for p in parents])
        table[slot] = _histogram(
            values, np.broadcast_to(weight, values.shape), numeric, variables, name, quantity, edges
        )
    return Table((name, *parents), table)


def _histogram(
    values: Array,
    weight: Array,
    numeric: Sequence[str],
    variables: Mapping[str, Variable],
    name: str,
    quantity: Quantity,
    edges: Array,
) -> Array:
    """Share of weight in each state, axes (state, numeric parents)."""
    n_self = variables[name].size
    sizes = [variables[p].size for p in numeric]
    rows = math.prod(sizes)
    subs = [_points(variables[p]).shape[1] for p in numeric]
    split: list[int] = []
    for n, k in zip(sizes, subs, strict=True):
        split += [n, k]
    shape = (*split, -1)
    order = [*range(0, 2 * len(sizes), 2), *range(1, 2 * len(sizes), 2), 2 * len(sizes)]
    flat = values.reshape(shape).transpose(order).reshape(rows, -1)
    w = np.broadcast_to(weight, values.shape).reshape(shape).transpose(order).reshape(rows, -1)
    if np.isnan(flat).any():
        raise ModelError(f"quantities.{name}.formula: " + _("gives no number for some inputs"))
    if quantity.states is not None:
        chance = np.clip((flat * w).sum(1) / w.sum(1), 0.0, 1.0)
        return np.stack([1 - chance, chance]).reshape(2, *sizes)
    index = _sort_in(flat, quantity, edges) + n_self * np.arange(rows)[:, None]
    counts = np.bincount(index.ravel(), weights=w.ravel(), minlength=rows * n_self)
    p = counts.reshape(rows, n_self)
    return np.asarray((p / p.sum(1, keepdims=True)).T.reshape(n_self, *sizes))


def _points(variable: Variable) -> Array:
    assert variable.points is not None
    return variable.points


def _modal(
    quantity: Quantity, key: str, variables: Mapping[str, Variable], state: Mapping[str, int]
) -> Distribution:
    """Distribution of an input under the mode that its component is in."""
    modal = quantity.modes[key]
    if modal.of not in variables:
        return parse_distribution(modal.otherwise)
    mode = variables[modal.of].states[state[modal.of]]
    return parse_distribution(modal.by.get(mode, modal.otherwise))


def fault_nodes(
    model: SystemModel, prior: FaultPrior
) -> tuple[dict[str, Variable], dict[str, Table], dict[str, Table], tuple[Special, ...]]:
    """Components, their prior tables, link findings, and the special whole states.

    The prior of a whole state is proportional to the product of the odds of its faults, times
    the links between them; the state without any fault is weighted by the leak. A link from
    'any' multiplies the odds of its fault, and the state with that fault alone is divided by
    it again.
    """
    variables = component_nodes(model)
    odds = {c: prior.odds[c].copy() for c in variables}
    findings: dict[str, Table] = dict(prior.findings)
    special = list(prior.special) or [Special((), prior.leak)]
    for link in prior.links:
        raised, mode = link.raises.split(".")
        if raised not in variables or mode not in model.components[raised].modes:
            continue
        if link.given == "any":
            odds[raised][list(model.components[raised].modes).index(mode)] *= link.times
            special.append(Special(((raised, mode),), 1 / link.times))
            continue
        given, given_mode = link.given.split(".")
        if given == raised:
            raise ModelError(
                "links: "
                + _(
                    "'{given}' and '{raises}' are modes of one component, which has one mode at "
                    "a time; link faults of different components"
                ).format(given=link.given, raises=link.raises)
            )
        if given not in variables or given_mode not in model.components[given].modes:
            continue
        p = np.ones((variables[given].size, variables[raised].size))
        p[variables[given].states.index(given_mode), variables[raised].states.index(mode)] = (
            link.times
        )
        findings[f"link {link.given} {link.raises}"] = Table((given, raised), p)
    tables = {}
    for c in variables:
        weights = np.concatenate([[1.0], odds[c]])
        tables[c] = Table((c,), weights / weights.sum())
    return variables, tables, findings, tuple(special)


def physics(
    model: SystemModel, bench: Bench, refine: int = 1
) -> tuple[dict[str, Variable], dict[str, Table]]:
    """Quantities and gear: everything that does not depend on complaint, context or readings.

    ``refine`` multiplies the number of cells of every grid, to see what discretisation costs.
    """
    variables = {**component_nodes(model)}
    tables: dict[str, Table] = {}
    for name, quantity in model.quantities.items():
        variables[name], edges = quantity_node(name, quantity, refine)
        tables[name] = quantity_table(name, quantity, variables, edges)
    gear_variables, gear_tables = gear_nodes(bench)
    clash = set(gear_variables) & set(variables)
    if clash:
        raise ModelError(
            _("the names {names} belong to the gear; choose others").format(
                names=", ".join(sorted(clash))
            )
        )
    return {**variables, **gear_variables}, {**tables, **gear_tables}


def assemble(
    model: SystemModel,
    prior: FaultPrior,
    variables: Mapping[str, Variable],
    tables: Mapping[str, Table],
) -> Network:
    """The whole network of one machine given its complaint, with no readings yet."""
    nodes, priors, links, special = fault_nodes(model, prior)
    every = {**nodes, **{k: v for k, v in variables.items() if k not in nodes}}
    return Network(every, {**priors, **tables}, {}, links, special, tuple(nodes))
