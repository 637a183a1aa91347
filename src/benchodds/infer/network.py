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
from benchodds.basics.formula import Expression, parse_expression
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Network, Special, Table, Variable
from benchodds.measure.grids import SMOOTH, Nodes, make_nodes, reach, rule, share_out
from benchodds.model.gear import Bench, gear_nodes
from benchodds.model.priors import FaultPrior
from benchodds.model.system import MAX_PARENT_STATES, Quantity, SystemModel

BUDGET = 3_000_000
"""Most values of a formula for one combination of states."""

AT_ONCE = 100_000
"""Most of these that are shared out among nodes at once, to bound memory."""

FEWEST, MOST = 6, 600
"""Points of a random input."""

ENOUGH = 4
"""Points of a random input for each node that it moves a quantity over; twice that if alone."""


def component_nodes(model: SystemModel) -> dict[str, Variable]:
    """One variable per component: good, then its modes."""
    return {c: Variable(c, ("good", *spec.modes)) for c, spec in model.components.items()}


def quantity_node(name: str, quantity: Quantity, refine: int = 1) -> tuple[Variable, Nodes | None]:
    """The variable of a quantity and its nodes (None for one of two states).

    Values outside go to the nearest node.
    """
    if quantity.states is not None:
        return Variable(name, quantity.states, np.array([[0.0], [1.0]])), None
    assert quantity.grid is not None
    nodes = make_nodes(quantity.grid, quantity.unit, refine)
    states = ["open" if math.isinf(x) else f"{x:.4g}" for x in nodes.values]
    if len(set(states)) != len(states):
        states = [f"{i}:{s}" for i, s in enumerate(states)]
    return Variable(name, tuple(states), reach(nodes, quantity.grid.sub), quantity.unit), nodes


def quantity_table(
    name: str,
    quantity: Quantity,
    variables: Mapping[str, Variable],
    nodes: Nodes | None,
    refine: int = 1,
) -> Table:
    """P(quantity | components and quantities in its formula).

    Every combination of parent states and points of the random inputs is put through the
    formula and shared out among the nodes. ``refine`` is how much finer these and those of the
    parents are than the model says: random inputs keep their points for all that.
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
    # Where the value jumps, and for a chance, it is the mean over the reach of a node.
    reached = [p for p in numeric if nodes is None or p in expression.jumps]
    modal_parents = [p for p in parents if p not in numeric]
    combos = math.prod(variables[p].size for p in modal_parents)
    room = BUDGET / math.prod(variables[p].size for p in numeric) / combos**0.5
    room *= refine ** len(numeric)
    room /= math.prod(np.asarray(variables[p].points).shape[1] for p in reached)
    table = np.zeros((n_self, *sizes))
    for combo in itertools.product(*[range(variables[p].size) for p in modal_parents]):
        state = dict(zip(modal_parents, combo, strict=True))
        spread = dict(free)
        for key in expression.names:
            if key in quantity.modes:
                spread[key] = _modal(quantity, key, variables, state)
        counts = _counts(expression, spread, [variables[p] for p in numeric], nodes, room)
        inputs = {k: rule(d, counts[k]) for k, d in spread.items()}
        axes = [*numeric, *inputs]
        arrays: dict[str, Array] = {}
        weight: Array = np.ones(())
        for i, key in enumerate(axes):
            shape = [1] * (len(axes) + len(reached))
            if key in inputs:
                x, w = inputs[key]
                shape[i] = len(x)
                weight = weight * w.reshape(shape)
            elif key in reached:
                x = np.asarray(variables[key].points)
                shape[i], shape[len(axes) + reached.index(key)] = x.shape
            else:
                x = variables[key].values
                shape[i] = len(x)
            arrays[key] = x.reshape(shape)
        whole = np.broadcast_shapes(*(a.shape for a in arrays.values()))
        values = np.broadcast_to(expression(arrays), whole)
        slot = (slice(None), *[state.get(p, slice(None)) for p in parents])
        sizes_in = [variables[p].size for p in numeric]
        flat = values.reshape(math.prod(sizes_in), -1)
        w = np.broadcast_to(weight, values.shape).reshape(flat.shape)
        rows = max(1, AT_ONCE // flat.shape[1])
        if np.isnan(flat).any():
            raise ModelError(f"quantities.{name}.formula: " + _("gives no number for some inputs"))
        if nodes is None:
            chance = np.clip((flat * w).sum(1) / w.sum(1), 0.0, 1.0)
            p = np.stack([1 - chance, chance], axis=1)
        else:
            starts = range(0, len(flat), rows)
            p = np.concatenate(
                [share_out(flat[i : i + rows], w[i : i + rows], nodes) for i in starts]
            )
        table[slot] = p.T.reshape(n_self, *sizes_in)
    return Table((name, *parents), table)


def _counts(
    expression: Expression,
    spread: Mapping[str, Distribution],
    parents: Sequence[Variable],
    nodes: Nodes | None,
    room: float,
) -> dict[str, int]:
    """How many points each random input gets, their product about ``room``.

    They are as many as the input moves the quantity over nodes, anywhere among those of the
    parents, the other inputs in the middle: points farther apart than nodes would leave some of
    these empty. An input that moves it little does with few.
    """
    m = len(parents)
    at: dict[str, Array] = {k: np.array(d.mean()) for k, d in spread.items()}
    for i, v in enumerate(parents):
        some = v.values[np.unique(np.linspace(0, v.size - 1, SMOOTH).round().astype(int))]
        at[v.name] = some.reshape([-1 if j == i else 1 for j in range(m + 1)])
    travel = {
        k: _travel(expression({**at, k: rule(law, SMOOTH)[0]}), nodes)
        for k, law in spread.items()
        if law.kind != "const"
    }
    counts = dict.fromkeys(spread, 1)
    left = sorted(travel, key=lambda k: travel[k])
    while left:
        k = left[0]
        even = room ** (1 / len(left))
        share = travel[k] * even / math.prod(travel[j] ** (1 / len(left)) for j in left)
        least = FEWEST if travel[k] < 2 else min(SMOOTH, max(even, FEWEST))
        enough = ENOUGH * (2 if len(travel) == 1 else 1)
        most = max(2 * SMOOTH, int(enough * travel[k]))
        counts[k] = int(np.clip(share, least, min(most, MOST)))
        room /= counts[k]
        left = left[1:]
    return counts


def _travel(values: Array, nodes: Nodes | None) -> float:
    """Most nodes that rows of values go over, at least 0.1; 1 for a quantity of two states."""
    if nodes is None:
        return 1.0
    x = np.clip(values, nodes.values[0], nodes.regular[-1])
    place = np.log(np.maximum(x, nodes.regular[0])) if nodes.is_log else x
    on = np.interp(np.nan_to_num(place), nodes.place, np.arange(len(nodes.place)))
    return max(float(np.ptp(on, axis=-1).max()), 0.1)


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
        variables[name], nodes = quantity_node(name, quantity, refine)
        tables[name] = quantity_table(name, quantity, variables, nodes, refine)
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
