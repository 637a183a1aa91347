"""Jobs made in memory, as tests want them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchodds.infer.assess import Machine
from benchodds.model import jobs
from benchodds.model.jobs import Job, Technique

AT = "2031-01-01T00:00:00Z"


def job_of(
    machine: Machine,
    readings: Iterable[tuple[str, Sequence[str], Technique] | str],
    complaint: str | None = None,
    contexts: Sequence[str] = (),
) -> Job:
    """A job on a machine with some readings: test, values, technique.

    A bare text among them is a repair that was done, with a < before it its old part put back.
    Without a complaint it is the first of the model.
    """
    model = machine.model
    opened = jobs.open_event(
        at=AT,
        uid="0",
        system=model.id,
        variant=model.variant,
        complaint=complaint or next(iter(model.complaints)),
        contexts=list(contexts),
        model_version="1",
        prior_set=machine.priors.id,
        prior_version="1",
    )
    job = jobs.fold("made", [opened])
    for k, row in enumerate(readings):
        if isinstance(row, str):
            name, back = row.removeprefix("<"), row.startswith("<")
            job = jobs.amend(job, jobs.action_event(job, name, at=AT, uid=f"r{k}", back=back))
            continue
        test, values, technique = row
        said = jobs.reading_event(
            job, at=AT, uid=f"r{k}", test=test, values=list(values), technique=technique
        )
        job = jobs.amend(job, said)
    return job
