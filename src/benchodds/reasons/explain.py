"""What one reading is worth: conformance, uncertainty, weight of evidence, what would change it.

:func:`explain_reading` gathers the numbers of one reading of an assessed job in a :class:`Why`;
:func:`sentences.sentences` says them to people, :func:`to_dict` gives them to scripts.
Pure: the same job gives the same answer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchodds.basics.errors import JobError, TooLargeError, UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.basics.quantities import show_value
from benchodds.infer.assess import Assessment, Machine, Taken
from benchodds.model.system import SystemModel
from benchodds.reasons.budget import Budget, budget
from benchodds.reasons.clashes import clashes, gear_notes
from benchodds.reasons.evidence import Ledger, joint, ledger, marginals, only, without
from benchodds.reasons.limits import LEVEL, Curve, conformance, curve, measurand, one_sided
from benchodds.reasons.sentences import NEVER, clash_sentences, sentences
from benchodds.reasons.sweep import Sweep, shown_number, sweep
from benchodds.reasons.whatif import folded_without, learning, turn
from benchodds.reasons.why import Bare, LimitSaid, Reading, Spread, Weight, Why, to_dict


def explain_reading(
    assessment: Assessment, reading_id: str, kept: Ledger | None = None, level: float = LEVEL
) -> Why:
    """What one reading of a job is worth.

    Parameters
    ----------
    kept
        The job's ledger, if it was worked out before.
    level
        Conformance probability that acceptance and rejection should have.

    Raises
    ------
    UnknownNameError
        The job has no such live reading.
    JobError
        The reading says nothing (not taken, refused, not possible).
    """
    steady = assessment.steady
    try:
        why = _explained(steady, reading_id, kept, level)
    except TooLargeError:
        why = _explained(steady.narrowed(), reading_id, None, level)
    return replace(why, comes_and_goes=assessment.p_unsteady)


def _explained(assessment: Assessment, reading_id: str, kept: Ledger | None, level: float) -> Why:
    taken = _find(assessment, reading_id)
    machine, name = assessment.machine, taken.reading.id
    book = ledger(assessment) if kept is None else kept
    shared = sum(t.hookup == taken.hookup and t.table is not None for t in assessment.taken) > 1
    # Every reading that could have been, and whole states: on the nodes on which tests are chosen.
    coarse = assessment.coarse
    seen = _find(coarse, reading_id)
    swept = sweep(coarse.machine, seen, shared)
    about = measurand(coarse.machine, taken.reading.test)
    before = curve(only(coarse.network, None), about, swept) if about else None
    folded = folded_without(coarse, name)
    return Why(
        reading=_reading(machine, taken),
        limit=_limit(machine, taken),
        conformance=conformance(coarse.network, name, about, before, swept, level)
        if about and before
        else None,
        budget=_budget(assessment, taken),
        weights=_weights(assessment, book, name),
        ledger=book,
        turn=turn(assessment, folded, swept),
        learning=learning(coarse, seen),
        one_sided=one_sided(coarse, seen, swept),
        spread=_spread(before, swept),
        p_slip=assessment.slips.get(taken.reading.id, 0.0),
        gear=gear_notes(assessment, book),
        tests={t.reading.id: t.reading.test for t in assessment.taken},
        titles=_titles(machine.model),
        approximate=assessment.approximate,
    )


def _find(assessment: Assessment, reading_id: str) -> Taken:
    for taken in assessment.taken:
        if taken.reading.id == reading_id.strip().upper():
            if taken.table is None:
                raise JobError(
                    _(
                        "{reading} ({test}) was not taken; a reading that is not there has "
                        "no weight"
                    ).format(reading=taken.reading.id, test=taken.reading.test)
                )
            return taken
    known = [t.reading.id for t in assessment.taken]
    raise UnknownNameError(
        _("job '{job}' has no reading '{reading}'{hint}").format(
            job=assessment.job.id, reading=reading_id, hint=nearest(reading_id, known)
        )
    )


def _titles(model: SystemModel) -> dict[str, str]:
    out = {c: spec.title for c, spec in model.components.items()}
    return out | {f"{c}.{m}": model.title_of(c, m) for c, m in model.faults()}


def _reading(machine: Machine, taken: Taken) -> Reading:
    test = machine.model.tests[taken.reading.test]
    return Reading(
        taken.reading.id,
        taken.reading.test,
        test.title,
        tuple(show_value(v) for v in taken.values),
        shown_number(taken.values),
        test.unit if test.kind in ("peak", "meter") else "",
        taken.technique.as_data(),
    )


def _limit(machine: Machine, taken: Taken) -> LimitSaid | None:
    tool = machine.instrument(taken.reading.test)
    limit = tool.test.limit if tool.test.kind != "look" else None  # a look is no number
    if limit is None:
        return None
    signs = [tool.sign(v) for v in taken.values]
    best = max(signs) if tool.test.kind == "peak" else min(signs)
    bare: Bare = "within" if best > 0 else "outside" if best < 0 else "cannot say"
    return LimitSaid(
        tool.limit_min, tool.limit_max, limit.displayed, limit.conditions, limit.source, bare
    )


def typical(assessment: Assessment, names: tuple[str, ...]) -> dict[str, float]:
    """Median of quantities in a machine with nothing at fault."""
    prior = only(assessment.network, None)
    sound = replace(prior, evidence=dict.fromkeys(prior.components, 0), special=())
    out = {}
    for name in names:
        p, values = joint(sound, [name]), assessment.machine.variables[name].values
        order = np.argsort(values)
        middle = int(np.searchsorted(np.cumsum(p[order]), 0.5))
        out[name] = float(values[order][middle])
    return out


def _budget(assessment: Assessment, taken: Taken) -> Budget | None:
    tool = assessment.machine.instrument(taken.reading.test)
    gear_names = ("operator", "adapter", "input", "leads", "meter", taken.hookup)
    called = {name: taken.names.get(name, name) for name in gear_names}
    there = {name: v for name, v in called.items() if v in assessment.network.tables}
    found = assessment.marginals(there.values())
    gear = {name: found[v] for name, v in there.items()}
    about = measurand(assessment.machine, taken.reading.test)
    names = dict.fromkeys((*tool.quantities, *(about.names if about else ())))
    return budget(assessment.machine, taken, typical(assessment, tuple(names)), gear)


def _weights(assessment: Assessment, book: Ledger, name: str) -> tuple[Weight, ...]:
    """Weights of the reading, the largest first within components, gear and technique."""
    k = book.readings.index(name)
    others = marginals(without(assessment.network, [name]), book.suspects)
    in_order = book.weights(name)
    rows = []
    for i, s in enumerate(book.suspects):
        left_out = float(book.odds[-1, i]) - s.odds_db(others[s.variable])
        p = book.p(s)
        rows.append(
            Weight(s.name, s.kind, float(in_order[i]), left_out, float(p[k]), float(p[k + 1]))
        )
    return tuple(sorted(rows, key=lambda w: -abs(w.taken)))


def _spread(before: Curve | None, swept: Sweep) -> Spread | None:
    if before is None or not swept.n_numbers:
        return None
    n = swept.n_numbers
    all_good, all_bad = float(before.good.sum()), float(before.bad.sum())
    if min(all_good, all_bad) < NEVER:  # there are no two spreads to compare
        return None
    return Spread(swept.edges, before.good[:n] / all_good, before.bad[:n] / all_bad)


__all__ = [
    "Why",
    "clash_sentences",
    "clashes",
    "explain_reading",
    "gear_notes",
    "ledger",
    "sentences",
    "to_dict",
]
