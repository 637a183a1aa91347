"""Past jobs read and brought together: doubles, and come-backs joined to what they revise."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace

from benchodds.basics.language import _
from benchodds.learn.cases import CaseMaker, Told
from benchodds.learn.tally import (
    Bad,
    Chunk,
    Counting,
    Found,
    Part,
    Picking,
    Run,
    Tally,
    merge,
    wanted,
)


def settle(part: Part, second: Sequence[Found]) -> Tally:
    """The tally with doubled jobs refused and revised jobs joined to those that revise them."""
    tally = part.tally
    by_job: defaultdict[str, list[Found]] = defaultdict(list)
    for found in second:
        by_job[found[2].job].append(found)
    only: dict[str, Found] = {}
    for job, rows in by_job.items():
        only[job] = rows[0]
        for source, place, case in rows[1:]:
            first_source, first, first_case = rows[0]
            where = (
                _("row {number}").format(number=first)
                if isinstance(first, int)
                else _("job '{job}'").format(job=first)
            )
            if first_source != source:
                where = _("{row} of {file}").format(row=where, file=first_source)
            same = replace(case, job=first_case.job) == first_case
            what = _("the same") if same else _("but closed or written otherwise there")
            tally.refuse(
                Bad(
                    source,
                    place,
                    _("job '{job}' is listed in {where} already, {what}").format(
                        job=job, where=where, what=what
                    ),
                )
            )
            if not case.revises:
                tally.take(case)
    _in_line(only)
    for job in sorted(j for j, (_source, _place, c) in only.items() if c.revises):
        _check_link(tally, only, job)
    followed = {c.revises for _source, _place, c in only.values() if c.revises}
    for job in sorted(
        j for j, (_source, _place, c) in only.items() if c.revises and j not in followed
    ):
        _join(tally, only, job)
    return tally


def _in_line(only: dict[str, Found]) -> None:
    """Where several jobs revise one, each later one revises the one before it."""
    following: defaultdict[str, list[Found]] = defaultdict(list)
    for found in only.values():
        if found[2].revises:
            following[found[2].revises].append(found)
    for rows in following.values():
        rows.sort(key=lambda f: (f[2].closed, f[2].job))
        for (_source, _place, before), (source, place, case) in itertools.pairwise(rows):
            only[case.job] = (source, place, replace(case, revises=before.job))


def _check_link(tally: Tally, only: dict[str, Found], job: str) -> None:
    """Refuse a come-back that cannot be one, and cut it off from what it names."""
    source, place, case = only[job]
    earlier = only.get(case.revises)
    if earlier is None:
        tally.notes[f"revises a job that is not in the list (such as '{case.revises}')"] += 1
        alone = replace(case, revises="")
        only[job] = (source, place, alone)
        tally.add_case(alone, (source, place))
        return
    before = earlier[2]
    if before.job == case.job:
        said = _("job '{job}' revises itself").format(job=job)
    elif (before.system, before.variant) != (case.system, case.variant):
        said = _("job '{job}' revises '{other}', which is about another machine").format(
            job=job, other=before.job
        )
    elif before.closed > case.closed:
        said = _("job '{job}' revises '{other}', which was closed later").format(
            job=job, other=before.job
        )
    elif _loops(only, job):
        said = _("job '{job}' revises a job that revises it").format(job=job)
    else:
        return
    tally.refuse(Bad(source, place, said))
    del only[job]


def _loops(only: dict[str, Found], job: str) -> bool:
    seen = {job}
    at = only[job][2].revises
    while at in only and only[at][2].revises:
        if at in seen:
            return True
        seen.add(at)
        at = only[at][2].revises
    return at in seen


def _join(tally: Tally, only: dict[str, Found], job: str) -> None:
    """One case out of a last come-back and all that it revises, the earlier closings doubted."""
    source, place, last = only[job]
    told = last.told
    taken = last.readings, last.work
    at = last.revises
    while at in only:
        before = only[at][2]
        told = (*(Told(t.faults, "came-back") for t in before.told), *told)
        taken = taken if any(taken) else (before.readings, before.work)
        if not before.revises:
            tally.take(before)
        tally.revised += 1
        at = before.revises
    whole = replace(last, told=told, readings=taken[0], work=taken[1], revises="")
    tally.add_case(whole, (source, place))


def read(
    chunks: Sequence[Chunk],
    maker: Callable[[], CaseMaker],
    run: Run = map,
) -> Tally:
    """Count all chunks and settle what crosses them.

    ``run`` applies a function to every chunk and returns the results in order: ``map`` here, a
    cluster's map elsewhere. ``maker`` makes a maker of cases for a chunk.
    """
    whole = merge(run(Counting(maker), chunks))
    look = wanted(whole)
    second: list[Found] = []
    if len(look):
        for found in run(Picking(maker, look), chunks):
            second += found
    tally = settle(whole, second)
    tally.sources = list(dict.fromkeys(c.source for c in chunks))
    return tally
