"""Sufficient statistics: how many jobs are alike, whatever their number.

Jobs with the same machine, shop, complaint, contexts, closings, readings and period weigh as
one with a count. Chunks of rows are counted apart (in any process) and added; what needs more
than its own row (a job listed twice, a come-back that revises an earlier job) is settled from
the fingerprints of the job numbers and a second look at the few rows concerned. The result
does not depend on how the rows were divided.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from benchodds.basics.language import N_, _, ngettext
from benchodds.learn.cases import Case, CaseMaker, Told
from benchodds.learn.written import Done, RowError, SetAside, Written

SHOWN = 20
"""Most bad rows of one source that are kept by number; the rest are counted."""

STORE = N_("the store")
"""What messages call the job store; its jobs cannot be mended, so they are never refused."""

Fingerprints = NDArray[np.uint64]
DAY, MONTH = 10, 7
"""Length of a period as written: 2025-01-31, 2025-01."""

MOST_KINDS = 50_000
"""Kinds of jobs from which on the day of closing is forgotten and only its month kept."""


class Alike(NamedTuple):
    """What jobs that count together have in common."""

    system: str
    variant: str
    shop: str
    complaint: str
    contexts: tuple[str, ...]
    told: tuple[Told, ...]
    readings: tuple[Written, ...]
    period: str  # of closing, "2025-01-31" or "2025-01"
    work: tuple[Done, ...] = ()
    perhaps: tuple[tuple[str, float], ...] = ()  # contexts with their chance
    replaced: tuple[str, ...] = ()  # repairs that somebody did before it came

    @property
    def told_before(self) -> dict[str, float]:
        """Contexts with their chance."""
        return {**dict.fromkeys(self.contexts, 1.0), **dict(self.perhaps)}

    @property
    def said(self) -> tuple[str, ...]:
        """Complaint, and what more likely than not went before."""
        return (self.complaint, *(c for c, p in self.told_before.items() if p >= 0.5))


class Chunk(Protocol):
    """A part of a source: rows, or cases already made, each with its place."""

    @property
    def source(self) -> str:
        """Name of the file or store, for messages."""

    def rows(self) -> Iterator[tuple[int | str, Sequence[Any] | Case | RowError]]:
        """Row number or job name, and the row's values, its case or its mistake."""


@dataclass(frozen=True, slots=True)
class Bad:
    """A row that is not used, and why."""

    source: str
    place: int | str
    reason: str

    def __str__(self) -> str:
        where = (
            _("row {number}").format(number=self.place)
            if isinstance(self.place, int)
            else _("job '{job}'").format(job=self.place)
        )
        return f"{self.source}, {where}: {self.reason}"


@dataclass
class Tally:
    """Jobs counted by what they have in common, and an account of every row.

    ``rows`` are all rows seen. Each is used, one of ``bad`` (of which the first are listed),
    set aside for a reason (``aside``), or joined to a later job that revises it (``revised``).
    """

    counts: Counter[Alike] = field(default_factory=Counter)
    places: dict[Alike, tuple[str, int | str]] = field(default_factory=dict)
    rows: int = 0
    bad: list[Bad] = field(default_factory=list)
    n_bad: int = 0
    revised: int = 0
    aside: Counter[str] = field(default_factory=Counter)
    aside_at: dict[str, int | str] = field(default_factory=dict)  # first place, by reason
    notes: Counter[str] = field(default_factory=Counter)
    length: int = DAY
    sources: list[str] = field(default_factory=list)

    @property
    def jobs(self) -> int:
        """Number of jobs that count."""
        return self.counts.total()

    @property
    def first(self) -> str:
        """Period of the earliest job, '' without any."""
        return min((a.period for a in self.counts), default="")

    @property
    def last(self) -> str:
        """Period of the latest job, '' without any."""
        return max((a.period for a in self.counts), default="")

    def add(self, alike: Alike, n: int, place: tuple[str, int | str]) -> None:
        """Count n more jobs of a kind, the first of them found at a place."""
        self.counts[alike] += n
        self.places.setdefault(alike, place)

    def add_case(self, case: Case, place: tuple[str, int | str]) -> None:
        """Count one job; where the kinds become too many, their days are forgotten."""
        self.add(alike(case, self.length), 1, place)
        self.bound()

    def bound(self, length: int = DAY) -> None:
        """Forget the days where the kinds are too many, or where others did."""
        if self.length == DAY and (length == MONTH or len(self.counts) > MOST_KINDS):
            counts, places = self.counts, self.places
            self.length, self.counts, self.places = MONTH, Counter(), {}
            for kind, n in counts.items():
                self.add(kind._replace(period=kind.period[:MONTH]), n, places[kind])

    def take(self, case: Case) -> None:
        """Count one job less."""
        kind = alike(case, self.length)
        self.counts[kind] -= 1
        if self.counts[kind] <= 0:
            del self.counts[kind]

    def refuse(self, bad: Bad) -> None:
        """Note a row that is not used."""
        self.n_bad += 1
        if len(self.bad) < SHOWN:
            self.bad.append(bad)

    def put_aside(self, reason: str, n: int, place: int | str) -> None:
        """Note jobs that are in order but say nothing here."""
        self.aside[reason] += n
        self.aside_at.setdefault(reason, place)

    def drop(self, alike: Alike, reason: str) -> None:
        """Refuse all jobs of a kind, for a reason found later; those of the store go aside."""
        n = self.counts.pop(alike)
        source, place = self.places[alike]
        if source == STORE:
            self.put_aside(reason, n, place)
            return
        more = (
            " "
            + ngettext("(and {n} jobs like it)", "(and {n} jobs like it)", n - 1).format(n=n - 1)
            if n > 1
            else ""
        )
        self.refuse(Bad(source, place, reason + more))
        self.n_bad += n - 1

    def until(self, period: str) -> Tally:
        """The jobs closed before a period."""
        kept = Counter({a: n for a, n in self.counts.items() if a.period < period})
        return replace(self, counts=kept)

    def within(self, start: str, end: str = "~") -> Tally:
        """The jobs closed from a period on, and before another."""
        kept = Counter({a: n for a, n in self.counts.items() if start <= a.period < end})
        return replace(self, counts=kept)


@dataclass
class Part:
    """One chunk, counted: what can be added up, and what must wait for all the others."""

    tally: Tally
    prints: Fingerprints
    links: list[tuple[str, int | str, Case]]


def alike(case: Case, length: int = DAY) -> Alike:
    """The kind of a case."""
    return Alike(
        case.system,
        case.variant,
        case.shop,
        case.complaint,
        case.contexts,
        case.told,
        case.readings,
        case.closed[:length],
        case.work,
        case.perhaps,
        case.replaced,
    )


def fingerprint(job: str) -> int:
    """64 bits that stand for a job's number."""
    return int.from_bytes(hashlib.blake2b(job.encode(), digest_size=8).digest(), "big")


def cases_of(chunk: Chunk, maker: CaseMaker) -> Iterator[tuple[int | str, Case | RowError]]:
    """Every row of a chunk as a case or as its mistake."""
    for place, row in chunk.rows():
        if isinstance(row, Case | RowError):
            yield place, row
            continue
        try:
            made: Case | RowError = maker.make(row)
        except RowError as error:
            made = error
        yield place, made


def count(chunk: Chunk, maker: CaseMaker) -> Part:
    """Count a chunk: one pass, one row in memory at a time."""
    tally, links = Tally(), []
    prints: list[int] = []
    source = chunk.source
    for place, case in cases_of(chunk, maker):
        tally.rows += 1
        if isinstance(case, SetAside):
            tally.put_aside(str(case), 1, place)
            continue
        if isinstance(case, RowError):
            tally.refuse(Bad(source, place, str(case)))
            continue
        prints.append(fingerprint(case.job))
        if case.revises:
            links.append((source, place, case))
        else:
            tally.add_case(case, (source, place))
    return Part(tally, np.array(prints, dtype=np.uint64), links)


def merge(parts: Iterable[Part]) -> Part:
    """Parts added up, in their order."""
    whole = Part(Tally(), np.zeros(0, dtype=np.uint64), [])
    prints = []
    for part in parts:
        tally = part.tally
        length = min(tally.length, whole.tally.length)
        tally.bound(length)
        whole.tally.bound(length)
        for kind, n in tally.counts.items():
            whole.tally.add(kind, n, tally.places[kind])
        whole.tally.bound()
        whole.tally.rows += tally.rows
        whole.tally.bad = [*whole.tally.bad, *tally.bad][:SHOWN]
        whole.tally.n_bad += tally.n_bad
        for reason, n in tally.aside.items():
            whole.tally.put_aside(reason, n, tally.aside_at[reason])
        prints.append(part.prints)
        whole.links += part.links
    whole.prints = np.concatenate(prints) if prints else whole.prints
    return whole


Found = tuple[str, int | str, Case]
"""Source, place and case of a row."""


def pick(chunk: Chunk, maker: CaseMaker, wanted: Fingerprints) -> list[Found]:
    """The rows of a chunk whose job numbers have the given fingerprints, in order."""
    look = set(wanted.tolist())
    return [
        (chunk.source, place, case)
        for place, case in cases_of(chunk, maker)
        if not isinstance(case, RowError) and fingerprint(case.job) in look
    ]


def wanted(part: Part) -> Fingerprints:
    """Fingerprints that need a second look: jobs listed twice, and jobs that others revise."""
    values, times = np.unique(part.prints, return_counts=True)
    linked = [fingerprint(c) for _, _, case in part.links for c in (case.job, case.revises)]
    return np.union1d(values[times > 1], np.array(linked, dtype=np.uint64))


Run = Callable[[Callable[[Chunk], Any], Sequence[Chunk]], Iterable[Any]]
"""Applies a function to every chunk; results in the order of the chunks."""


@dataclass(frozen=True)
class Counting:
    """:func:`count` with its settings, as something that can be sent to another process."""

    maker: Callable[[], CaseMaker]

    def __call__(self, chunk: Chunk) -> Part:
        return count(chunk, self.maker())


@dataclass(frozen=True)
class Picking:
    """:func:`pick` with its settings, as something that can be sent to another process."""

    maker: Callable[[], CaseMaker]
    look: Fingerprints

    def __call__(self, chunk: Chunk) -> list[Found]:
        return pick(chunk, self.maker(), self.look)
