"""What a check found, as text for people and as a JSON shape."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from benchodds.author.firsthour import FirstHour
from benchodds.author.modelcheck import Checked, Remark
from benchodds.author.ownmachine import Own
from benchodds.author.separability import Separability
from benchodds.basics.language import _
from benchodds.basics.words import percent, wrap

COLUMNS = 50
"""Columns of the matrix side by side; more go below."""
STEP_DB = 3.0
"""Decibans of one step of a digit: 10 log10(2) = 3.01."""
HARDEST = 6
"""How many of the pairs that are hardest to tell apart are named."""


def text(checked: Checked, variant: str | None = None) -> str:
    """The whole report: mistakes, doubts, the matrix of one variant, and a first hour."""
    lines = [checked.title, *(f"  {_short(p)}" for p in checked.paths), ""]
    if checked.mistakes:
        lines += [_("Mistakes: {n}").format(n=len(checked.mistakes)), *_remarks(checked.mistakes)]
    else:
        lines.append(_("Mistakes: none"))
    if checked.doubts:
        lines += [
            "",
            _("Legal, but doubtful: {n}").format(n=len(checked.doubts)),
            *_remarks(checked.doubts),
        ]
    elif not checked.mistakes:
        lines.append(_("Doubts: none"))
    if checked.own:
        lines += ["", *_own(checked.own)]
    if checked.apart:
        chosen = variant if variant in checked.apart else None
        chosen = chosen or next(iter(checked.apart))
        lines += ["", *_matrix(checked.apart[chosen], chosen)]
    for complaint, hour in checked.hours:
        lines += ["", *_hour(complaint, hour)]
    return "\n".join(lines)


def _own(own: Own) -> Iterator[str]:
    """What follows from the limits of a machine of one's own, and what is still the base's."""
    if own.followed:
        yield _("Follows from your limits; write a key in your file to say otherwise")
    nodes: dict[str, list[str]] = {}
    for f in own.followed:
        where, end = f.key.rpartition(".")[::2]
        if end in ("grid", "span"):
            nodes.setdefault(f.test, []).append(where.partition(".")[2])
        else:
            yield f"  {f.test}: {f.key} = {f.value}"
    for test, names in nodes.items():
        yield from wrap(
            _("{test}: nodes and spans of {names}").format(test=test, names=", ".join(names)), "  "
        )
    if own.unstated:
        yield from wrap(
            _("Not from your manual, still as in {base}: the limits of {tests}.").format(
                base=own.base, tests=", ".join(own.unstated)
            )
        )


def _short(path: Path) -> str:
    """A path as seen from here where that is shorter."""
    near = os.path.relpath(path)
    return near if len(near) < len(str(path)) else str(path)


def _remarks(remarks: tuple[Remark, ...]) -> Iterator[str]:
    for r in remarks:
        where = f"{_short(r.path)}{f':{r.line}' if r.line else ''}"
        key = f" {r.key}" if r.key else ""
        only = (
            " " + _("(variant {variants})").format(variants=", ".join(r.variants))
            if r.variants
            else ""
        )
        yield f"  {where}:{key}"
        yield from wrap(f"{r.text}{only}", "      ")


def _matrix(found: Separability, variant: str) -> Iterator[str]:
    yield _("What the best single test is expected to say, in decibans (variant {variant})").format(
        variant=variant
    )
    yield from wrap(
        _(
            "For the fault of the row, when it is there, against that of the column. "
            "Each digit is {step_db:g} decibans, a doubling of the odds; 0 is hardly "
            "told apart, 9 is {most:g} decibans or more."
        ).format(step_db=STEP_DB, most=9 * STEP_DB)
    )
    best = found.best_db
    n = len(found.states)
    for start in range(0, n, COLUMNS):
        columns = range(start, min(start + COLUMNS, n))
        yield ""
        yield " " * 21 + "".join(str(j // 10) if j % 10 == 0 else " " for j in columns)
        yield " " * 21 + "".join(str(j % 10) for j in columns)
        for i, name in enumerate(found.states):
            cells = "".join(
                "-" if i == j else str(int(min(best[i, j] / STEP_DB, 9))) for j in columns
            )
            yield f"{i:>3} {name[:16]:<16} {cells}"
    yield ""
    yield _("Hardest to tell apart, and the test that does it best")
    for a, b, db, test in hardest(found):
        yield f"  {a} / {b}: " + _("{db:.1f} dB by {test}").format(db=db, test=test)


def hardest(found: Separability, n: int = HARDEST) -> list[tuple[str, str, float, str]]:
    """The pairs of states with the least decibans: (a, b, decibans, best test)."""
    both = np.maximum(found.best_db, found.best_db.T)
    pairs = sorted(itertools.combinations(range(len(found.states)), 2), key=lambda pair: both[pair])
    out = []
    for i, j in pairs[:n]:
        a, b = found.states[i], found.states[j]
        if found.best_db[j, i] > found.best_db[i, j]:
            a, b = b, a
        out.append((a, b, float(both[i, j]), found.best_test(a, b)))
    return out


def _hour(complaint: str, hour: FirstHour) -> Iterator[str]:
    yield _(
        "A good first hour for '{complaint}', if each test shows what it most likely will"
    ).format(complaint=complaint)
    for step in hour.steps:
        opened = (
            " " + _("with set-up {setups}").format(setups=", ".join(step.setups))
            if step.setups
            else ""
        )
        yield "  " + _("{minutes:>3.0f} min  {test}{opened}: {shows}").format(
            minutes=step.minutes, test=step.test, opened=opened, shows=step.shows
        )
        yield "           " + _("leads: {leader} {chance}").format(
            leader=step.leader, chance=percent(step.p_leader)
        )
    yield "  " + _("then: {then}").format(then=hour.then)


def to_dict(checked: Checked) -> dict[str, Any]:
    """``check --json``: files, remarks, separability by variant, first hours."""
    return {
        "schema": 1,
        "files": [str(p) for p in checked.paths],
        "title": checked.title,
        "remarks": [
            {
                "level": r.level,
                "file": str(r.path),
                "line": r.line,
                "key": r.key,
                "text": r.text,
                "variants": list(r.variants),
            }
            for r in checked.remarks
        ],
        "follows": [
            {"key": f.key, "value": f.value, "test": f.test}
            for f in (checked.own.followed if checked.own else ())
        ],
        "separability": {
            variant: {
                "states": list(found.states),
                "decibans": np.round(found.best_db, 3).tolist(),
                "tests": [[found.tests[t] for t in row] for row in found.weight_db.argmax(axis=0)],
            }
            for variant, found in checked.apart.items()
        },
        "first_hour": [
            {
                "complaint": complaint,
                "steps": [
                    {
                        "test": s.test,
                        "minutes": s.minutes,
                        "setups": list(s.setups),
                        "shows": s.shows,
                        "leader": s.leader,
                        "p_leader": s.p_leader,
                    }
                    for s in hour.steps
                ],
                "then": hour.then,
            }
            for complaint, hour in checked.hours
        ],
    }
