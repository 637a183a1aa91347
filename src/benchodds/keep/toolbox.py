"""The shop's instruments at the edge: their card files, and what past jobs found out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from benchodds.basics.errors import BenchoddsError, ModelError, UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.basics.tables import Array, Variable
from benchodds.basics.words import percent
from benchodds.keep import files
from benchodds.keep.session import Session, now
from benchodds.model import cards, jobs
from benchodds.model.cards import Beliefs, Card
from benchodds.model.jobs import Job

PLACE = "instruments"


def known_cards() -> dict[str, Path]:
    """Card files by name: the user's own, then those of the demo shop."""
    known: dict[str, Path] = {}
    for folder in (*files.own_places(PLACE), files.data_folder("demo") / PLACE):
        for path in sorted(folder.glob("*.toml")):
            known.setdefault(path.stem, path)
    return known


def load_card(name: str) -> Card:
    """Read and check a card. Raises UnknownNameError, ModelError with file and line."""
    known = known_cards()
    if name not in known:
        where = files.own_places(PLACE)[0]
        raise UnknownNameError(
            _("there is no card '{name}'{hint}; write {path}.toml").format(
                name=name, hint=nearest(name, known), path=where / name
            )
        )
    path = known[name]
    card = files.load(path, cards.build_card)
    if card.id != name:
        raise ModelError(
            f"{path}: "
            + _("id is '{id}'; it should be '{name}', as the file").format(id=card.id, name=name)
        )
    return card


@dataclass(frozen=True)
class LastUse:
    """The job before this one that used an instrument, and what it left to believe."""

    job: str
    at: str
    beliefs: Beliefs


def last_use(session: Session, name: str, job: Job, every: Sequence[Job]) -> LastUse | None:
    """What the latest of all jobs that declared the instrument before this one found out of it.

    Jobs pass on what they know along one line, in the order of their first declaration, so
    that no reading counts twice.
    """
    rows = sorted(
        (event.at, n, event.seq, other)
        for n, other in enumerate(every)
        for event in other.events
        if event.kind == "gear" and cards.key(name) in event.data["items"]
    )
    mine = [i for i, row in enumerate(rows) if row[3].id == job.id]
    first: dict[str, int] = {}
    for i, row in enumerate(rows[: mine[0]] if mine else rows):
        first.setdefault(row[3].id, i)
    if not first:
        return None
    at, _n, _seq, before = rows[max(first.values())]
    used = [
        r.at for r in before.live_readings if (r.technique.card or before.gear.get("card")) == name
    ]
    return LastUse(before.id, max(used, default=at), _left(session, before, name))


def _left(session: Session, job: Job, name: str) -> Beliefs:
    """Beliefs about an instrument at the end of a job; those it began with, if it is unreadable."""
    try:
        assessment = session.assess(job)
    except BenchoddsError:
        kept: Mapping[str, Any] = cards.told(job, name).get("beliefs", {})
        return kept
    called = cards.node_names(job, name)
    network = assessment.network
    out: dict[str, Mapping[str, float]] = {}
    for node in cards.NODES:
        variable = called.get(node, node)
        if variable in network.tables:
            out[node] = _belief(network.variables[variable], assessment.marginal(variable))
    return out


def _belief(variable: Variable, p: Array) -> dict[str, float]:
    return dict(zip(variable.states, p.tolist(), strict=True))


def declaration(session: Session, job: Job, card: Card) -> tuple[dict[str, Any], str]:
    """What a job is told of an instrument, and a sentence about it."""
    machine = session.machine(job)
    anew: dict[str, Mapping[str, float]] = {
        n: _belief(machine.variables[n], machine.tables[n].p) for n in cards.NODES
    }
    dead = anew["adapter"]["dead"]
    beliefs, source, at = anew, "", datetime.fromisoformat(now())
    snapshot = session.store.snapshot()
    last = last_use(session, card.id, job, snapshot.jobs)
    if card.proved and (last is None or last.at[:10] < card.proved.isoformat()):
        days = float((at.date() - card.proved).days)
        sure = cards.proved(anew, machine.bench.cards.proved_dead)
        beliefs = {**anew, **cards.faded(sure, anew, days, 0, machine.bench)}
        source = _("proved {proved}, says its card").format(proved=card.proved.isoformat())
    elif last is not None:
        days = (at - datetime.fromisoformat(last.at)).total_seconds() / 86400
        beliefs = {**anew, **cards.faded(last.beliefs, anew, days, 1, machine.bench)}
        source = _("from job {job}, {when}").format(job=last.job, when=_ago(days))
    told = {**cards.facts(card), "beliefs": beliefs, "source": source}
    p = beliefs["adapter"]["dead"]
    line = _("Declared: {title}; adapter dead {chance}").format(title=card.title, chance=percent(p))
    line += (
        " " + _("({source}; any adapter {dead}).").format(source=source, dead=percent(dead))
        if source
        else _(", as any adapter.")
    )
    line += "".join("\n" + _("Left out: {reason}").format(reason=e) for e in snapshot.damaged)
    return told, line


def declare(session: Session, job_id: str, name: str) -> str:
    """Make an instrument a job's own: what its card says, and what earlier jobs found out."""
    card = load_card(name)
    told, line = declaration(session, session.store.job(job_id), card)
    items = {"card": name, cards.key(name): told}
    session.append(job_id, lambda j, at, uid: jobs.gear_event(j, items, at=at, uid=uid))
    return line


def _ago(days: float) -> str:
    if days < 1 / 24:
        return _("within the hour")
    if days < 1:
        return _("{days:.0f} h ago").format(days=days * 24)
    return _("{days:.0f} days ago").format(days=days)
