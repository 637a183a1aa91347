"""What was told of a machine when it came in, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchodds.basics.language import _
from benchodds.basics.words import percent
from benchodds.model.jobs import Job
from benchodds.model.joinnames import alone

if TYPE_CHECKING:
    from benchodds.model.system import SystemModel


def complaint_words(model: SystemModel, job: Job) -> str:
    """What the customer complains of; names that the model no longer has stand as they are."""
    return "; ".join(model.complaints.get(c, c) for c in alone(model, job.complaint))


def before_words(model: SystemModel | None, job: Job) -> tuple[str, ...]:
    """What went before, surely or perhaps, and what was replaced before it came in.

    Without a model, or for what it no longer has, by the names on record."""
    titles = model.contexts if model else {}
    repairs = model.repairs if model else {}
    said = [titles.get(c, c) for c in job.contexts]
    said += [
        _("perhaps ({chance}): {what}").format(chance=percent(w), what=titles.get(c, c))
        for c, w in job.perhaps.items()
    ]
    done = [repairs[r].title if r in repairs else r for r in job.replaced]
    return (*said, *(_("before it came in: {repair}").format(repair=title) for title in done))
