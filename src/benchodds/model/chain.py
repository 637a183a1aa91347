"""The chain over a job's events: each has a hash that covers it, all before it and the job's id.

``hash(n) = SHA-256(canonical JSON of [hash(n - 1), seq, at, kind, uid, data])`` and ``hash(0)`` is
that of the job's id, so that nothing can change, go missing from the middle or move to another
job without breaking the chain from there on. That the end is missing no chain can tell: for that
the number of events and the last hash, the job's *head*, are kept beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from benchodds.basics.digest import digest
from benchodds.basics.errors import JobError
from benchodds.basics.language import N_, _
from benchodds.model.events import Event

ALTERED = N_("it is not as it was written down")
MISSING = N_("it is missing")

Choices = Mapping[int, Sequence[tuple[Event, str | None]]]
"""By its number, what may be an event and its hash: one each, unless a store is searched."""


@dataclass(frozen=True, slots=True)
class Head:
    """How many events a job has, and the hash of the last."""

    events: int
    hash: str


@dataclass(frozen=True, slots=True)
class Followed:
    """A chain followed from its beginning: the events that are whole, and where they end."""

    events: tuple[Event, ...]
    head: Head
    broken: str = ""
    """What is wrong with the event after them; empty where the chain is whole."""
    flawed: bool = False
    """Whether an event is whole, by the hash of the next or the head, though its own is not."""


def start(job_id: str) -> str:
    """The hash before a job's first event."""
    return digest(["benchodds job", job_id])


def link(before: str, event: Event) -> str:
    """The hash of an event, given the one before."""
    return digest([before, event.seq, event.at, event.kind, event.uid, event.data])


def hashes(before: str, events: Iterable[Event]) -> list[str]:
    """The hashes of events that follow one another."""
    out = []
    for event in events:
        out.append(before := link(before, event))
    return out


def check(job_id: str, events: Sequence[Event], kept: Sequence[str]) -> None:
    """Raise JobError, naming the event, where one does not fit the hash kept with it."""
    made = hashes(start(job_id), events)
    for n, pair in enumerate(zip(made, kept, strict=True), start=1):
        if pair[0] != pair[1]:
            raise JobError(_("event {n}: {what}").format(n=n, what=_(ALTERED)))


def follow(job_id: str, choices: Choices, head: Head | None, *, hashed: bool = True) -> Followed:
    """Follow a job's chain as far as it is whole; without hashes, as far as there are events."""
    events: list[Event] = []
    before, flawed = start(job_id), False
    while found := choices.get(n := len(events) + 1):
        links = [(event, kept, link(before, event)) for event, kept in found]
        fits = [(e, h) for e, kept, h in links if not hashed or h == kept]
        if not fits:
            later = choices.get(n + 1, ())
            fits = [
                (e, h)
                for e, _, h in links
                if head == Head(n, h) or any(link(h, x) == kept for x, kept in later)
            ]
            flawed |= bool(fits)
        if not fits:
            return Followed(tuple(events), Head(n - 1, before), ALTERED, flawed)
        event, before = fits[0]
        events.append(event)
    last = Head(len(events), before)
    longer = head is not None and isinstance(head.events, int) and head.events > len(events)
    lost = MISSING if longer or len(choices) > len(events) else ""
    return Followed(tuple(events), last, ALTERED if n in choices else lost, flawed)
