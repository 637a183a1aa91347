"""What was told of a machine when it came in, and of how it was measured, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchodds.basics.language import N_, _
from benchodds.basics.words import percent
from benchodds.model.jobs import Job
from benchodds.model.joinnames import alone
from benchodds.model.technique import Technique

if TYPE_CHECKING:
    from benchodds.model.system import SystemModel

GRADES: Mapping[str, str] = {
    "bench-bad": N_("the part was tested bad on the bench"),
    "swap-confirmed": N_("a known-good part cured it and the old part brought the fault back"),
    "came-good": N_("it came good with the repair; the old part was not proved bad"),
    "gave-up": N_("the cause was not found"),
    "came-back": N_("the fault came back"),
}
"""How sure a verdict is: the word that is typed, and what it says."""


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


def technique_words(technique: Technique) -> str:
    """How a reading was taken, as far as it was said."""
    said = technique.as_data()
    words = {
        "unplugged": _("unplugged") if said.get("unplugged") else _("not unplugged"),
        "same_hookup": _("probes not moved"),
        "range_top": _("range {top:g}"),
        "temp_c": _("{c:g} °C"),
        "kicks": _("best of {n}"),
    }
    fill = {"top": said.get("range_top"), "c": said.get("temp_c"), "n": said.get("kicks")}
    told = (words[k].format(**fill) if k in words else f"{k} {v}" for k, v in said.items())
    return "; ".join(told)
