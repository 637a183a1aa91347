"""The edge between commands and the pure core: the store, the clock, the files.

What a record alone needs is imported here; models and inference by what works with them.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from benchodds.basics.errors import ReadingError, UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.keep.store import Store, default_path
from benchodds.model import jobs
from benchodds.model.events import Event, check_file
from benchodds.model.jobs import Job, Reading, Technique

if TYPE_CHECKING:
    from benchodds.infer.assess import Assessment, Machine
    from benchodds.model.gear import Bench
    from benchodds.model.priors import PriorSet
    from benchodds.model.system import SystemModel


def now() -> str:
    """The present moment, ISO 8601, UTC, in seconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def token() -> str:
    """A fresh token for one event."""
    return uuid.uuid4().hex


@lru_cache(maxsize=8)
def load_machine(system: str, variant: str | None, prior_set: str) -> Machine:
    """Read model, bench and priors, and compile the machine or fetch it compiled."""
    model, bench, priors = _read(system, variant, prior_set)
    thin = model.thinned()
    choosing = _compiled(thin, bench, priors) if thin is not model else None
    return _compiled(model, bench, priors, choosing)


def load_coarse(system: str, variant: str | None, prior_set: str) -> Machine:
    """The same on the nodes on which tests are chosen alone."""
    model, bench, priors = _read(system, variant, prior_set)
    return _compiled(model.thinned(), bench, priors)


def _read(system: str, variant: str | None, prior_set: str) -> tuple[SystemModel, Bench, PriorSet]:
    from benchodds.keep import files
    from benchodds.model.laws import applied

    model = files.load_system(system, variant)
    priors = files.load_priors(prior_set)
    return *applied(model, files.load_bench(model.bench), priors.spreads), priors


def _compiled(
    model: SystemModel, bench: Bench, priors: PriorSet, choosing: Machine | None = None
) -> Machine:
    from benchodds.basics.forms import as_data
    from benchodds.infer.compiled import Machine
    from benchodds.infer.network import physics
    from benchodds.keep.cache import TableCache, pack, unpack
    from benchodds.keep.kept import content_key

    shelf = TableCache(content_key(as_data(model), as_data(bench)))
    kept = shelf.get("physics")
    compiled = unpack(*kept) if kept is not None else None
    if compiled is None:
        compiled = physics(model, bench)
        shelf.put("physics", *pack(*compiled))
        shelf.prune()
    return Machine(model, bench, priors, *compiled, shelf=shelf, choosing=choosing)


def said(
    system: str | None, others: Sequence[str], variant: str | None, complaints: Sequence[str]
) -> tuple[str, str]:
    """Systems and complaints in one name each; whoever left one out is told what there is.

    Raises
    ------
    UnknownNameError
        When no system is named, or no complaint.
    """
    from benchodds.keep import files

    if not system:
        known = ", ".join(files.available("models"))
        raise UnknownNameError(_("say which system, with --system: {known}").format(known=known))
    joined = "+".join((system, *others))
    if not complaints:
        words = files.load_system(joined, variant).complaints.items()
        known = ", ".join(f"{name} ({what})" for name, what in words)
        raise UnknownNameError(
            _("say what the customer says, with --complaint: {known}").format(known=known)
        )
    return joined, "+".join(complaints)


def opening(
    system: str,
    complaint: str | None,
    contexts: Sequence[str],
    variant: str | None,
    prior_set: str | None,
    name: str | None,
    replaced: Sequence[str] = (),
) -> tuple[Event, SystemModel]:
    """The event that opens a job, and the model it is about; every name is checked first.

    Without a complaint it is the first of the model. A context may have its chance with it,
    'washed=0.5'; ``replaced`` are repairs that somebody did before.
    """
    from benchodds.keep import files
    from benchodds.model.join import JoinedModel, complaint_name
    from benchodds.model.joinnames import PLUS, alone
    from benchodds.model.priors import context_of
    from benchodds.model.sources import sources

    check_file(system)
    model = files.load_system(system, variant)
    if complaint and (isinstance(model, JoinedModel) or PLUS in complaint):
        complaint = complaint_name(getattr(model, "parts", (model,)), complaint)
    prior_set = check_file(prior_set or files.default_priors(model.id))
    priors = files.load_priors(prior_set)
    said = complaint or next(iter(model.complaints))
    told: dict[str, float] = {}
    for context, chance in map(context_of, contexts):
        told[context] = max(chance, told.get(context, 0.0))
    names: list[tuple[str, Iterable[str], str]] = [
        *((c, model.complaints, _("complaint")) for c in alone(model, said)),
        *((c, model.contexts, _("context")) for c in told),
        *((r, model.repairs, _("repair")) for r in replaced),
    ]
    for given, known, what in names:
        if given not in known:
            raise UnknownNameError(
                _("'{given}' is not a {what} of {model}{hint}").format(
                    given=given, what=what, model=model.id, hint=nearest(given, known)
                )
            )
    event = jobs.open_event(
        at=now(),
        uid=token(),
        system=system,
        variant=model.variant,
        complaint=said,
        contexts=[c for c, w in told.items() if w == 1],
        perhaps={c: w for c, w in told.items() if w < 1},
        replaced=list(dict.fromkeys(replaced)),
        model_version=model.version,
        prior_set=prior_set,
        prior_version=priors.version,
        name=name,
        files=sources(model, files.load_bench(model.bench), priors),
    )
    return event, model


@dataclass
class Session:
    """What one command works with: a store and the machines of its jobs."""

    where: str | Path | None = None
    _last: Assessment | None = field(default=None, init=False, repr=False)

    @cached_property
    def store(self) -> Store:
        """The job store, made when there is none."""
        return Store.open(self.where or default_path())

    def machine(self, job: Job) -> Machine:
        """The machine a job is about."""
        return load_machine(job.system, job.variant, job.prior_set)

    def open(
        self,
        system: str,
        complaint: str,
        contexts: Sequence[str],
        variant: str | None,
        prior_set: str | None,
        name: str | None,
        uid: str | None = None,
        replaced: Sequence[str] = (),
    ) -> Job:
        """Open a job; every name is checked first. The same ``uid`` twice is one job."""
        event, _ = opening(system, complaint, contexts, variant, prior_set, name, replaced)
        if uid:
            event = replace(event, uid=uid)
        return self.store.new_job(event, name=name)

    def append(
        self, job_id: str, build: Callable[[Job, str, str], Event], uid: str | None = None
    ) -> Job:
        """Append the event that ``build(job, at, uid)`` makes.

        The token is made once, or is the ``uid`` given: the same one twice is one event.
        """
        return self.append_all(job_id, [(build, uid or token())])

    def append_all(
        self, job_id: str, builds: Sequence[tuple[Callable[[Job, str, str], Event], str]]
    ) -> Job:
        """Append the events that builders make, each with its token; all or nothing."""
        at = now()
        return self.store.append(
            job_id, *(lambda job, b=build, u=uid: b(job, at, u) for build, uid in builds)
        )

    def assess(self, job: Job, as_if: Sequence[str] = ()) -> Assessment:
        """Posterior of a job, with readings written 'TEST=VALUE,VALUE' as if taken.

        The last one without such stays at hand: a view, a tap and the view after it are of one job.
        """
        from benchodds.infer.assess import assess

        machine, last = self.machine(job), self._last
        if as_if:
            return assess(machine, job, [supposed(machine, t, i) for i, t in enumerate(as_if)])
        if last is None or last.machine is not machine or last.job != job:
            self._last = last = None  # two at once would take too much room
            self._last = last = assess(machine, job)
        return last


def supposed(machine: Machine, text: str, number: int) -> Reading:
    """A reading written 'TEST=VALUE[;VALUE...]', not recorded."""
    test, equals, values = text.partition("=")
    if not equals or not values.strip():
        raise ReadingError(
            _("'{text}' should read TEST=VALUE, such as vexc=112 or gap='none 0/10'").format(
                text=text
            )
        )
    name = find_test(machine.model, test)
    written = tuple(v.strip() for v in values.split(";"))
    machine.instrument(name).parse(written)
    return Reading(
        _("as if {number}").format(number=number + 1),
        10**9 + number,
        name,
        written,
        Technique(),
        now(),
    )


def find_test(model: SystemModel, name: str) -> str:
    """A test's id; when only another variant has it, the error says so."""
    try:
        return model.find_test(name)
    except UnknownNameError:
        from benchodds.keep import files

        key = name.strip().lower().replace("_", "-")
        for other in model.variants:
            if other != model.variant and key in files.load_system(model.id, other).tests:
                raise UnknownNameError(
                    _(
                        "'{key}' is a test of the variant '{other}'; this machine is '{variant}'"
                    ).format(key=key, other=other, variant=model.variant)
                ) from None
        raise
