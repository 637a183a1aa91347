"""What must be heeded before a step, as far as it must still be said in full.

A caution is told in full until a step that it belongs to is on record in the job, and from then
on by its name; what a step can do to parts is always told in full. The record alone decides, so
that whoever takes a job up sees the same, on whatever screen, and nothing is ever left out.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchodds.basics.language import _
from benchodds.basics.words import wrap, wrapped
from benchodds.choose.benchstate import was_done
from benchodds.model.jobs import Job
from benchodds.model.system import Repair, SystemModel, Test, harm_of


@dataclass(frozen=True)
class Care:
    """What stands before a step: texts in full, and the names of those met before in the job."""

    full: tuple[str, ...]
    again: tuple[str, ...]


def care(model: SystemModel, job: Job, step: Test | Repair) -> Care:
    """What must be heeded before a step of a job."""
    met = _met(model, job)
    names = model.cautions_of(step)
    return Care(
        (*harm_of(step), *(model.cautions[c] for c in names if c not in met)),
        tuple(dict.fromkeys(short_name(model, c) for c in names if c in met)),
    )


def _met(model: SystemModel, job: Job) -> frozenset[str]:
    """Cautions of the steps that a job's record says were done."""
    done: list[Test | Repair] = [
        model.tests[r.test] for r in job.readings if r.test in model.tests and was_done(r.values)
    ]
    done += [model.repairs[a.repair] for a in job.actions if a.repair in model.repairs]
    return frozenset(c for step in done for c in model.cautions_of(step))


def short_name(model: SystemModel, caution: str) -> str:
    """A caution by its name, in words; of joined systems without the system's."""
    for part in model.id.split("+"):
        caution = caution.removeprefix(f"{part}-")
    return caution.replace("-", " ")


def care_lines(found: Care) -> list[str]:
    """The lines before a step: in full what is new, by name what was there before."""
    lines = [_("Careful:")] if found.full else []
    for text in found.full:
        lines += wrap(text, "  ! ", "    ")
    if found.again:
        lines += wrapped(_("Careful, as before: {names}.").format(names="; ".join(found.again)))
    return lines
