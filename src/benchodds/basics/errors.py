"""Every error a user can cause, under one base class.

A message says what was found, where, and what would be right. The command line
prints it as one sentence and exits with code 2.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from benchodds.basics.language import _


class BenchoddsError(Exception):
    """Base of all errors that a user can cause and mend."""


class ReadingError(BenchoddsError):
    """A reading, or how it was said to be taken, cannot be understood or cannot be right."""


class ModelError(BenchoddsError):
    """A system model or prior file is broken; the message names file, key and remedy."""


class TooLargeError(ModelError):
    """Exact odds would take more memory or time than is spent; see ``infer.belief``."""


class UnknownNameError(BenchoddsError):
    """A name (job, test, variant, component, ...) that does not exist here."""


class UnknownJobError(UnknownNameError):
    """A job that is not in the store."""


class TextError(BenchoddsError):
    """A text that cannot be kept: control characters, half characters, or far too long."""


class FileError(BenchoddsError):
    """A file that cannot be read or written as asked."""


class JobError(BenchoddsError):
    """An action that the job's own record does not allow."""


class ClosedJobError(JobError):
    """An action on a closed job; it is possible once the job has been re-opened."""


class StoreError(BenchoddsError):
    """The job store cannot be read or written."""


class EvidenceError(BenchoddsError):
    """The evidence has probability zero, or is not finite, under the model."""


def nearest(name: str, known: Iterable[str]) -> str:
    """Return '; did you mean X?' for the closest known name, or a list of all when few."""
    names = list(known)
    if best := closest(name, names):
        # Translators: the end of a sentence that told what was not found; it is {hint} there.
        return _("; did you mean '{best}'?").format(best=best)
    if names and len(names) <= 12:
        # Translators: the end of a sentence, before a list of names; {hint} there.
        return _("; known: ") + ", ".join(sorted(names))
    return ""


def closest(name: str, known: Iterable[str]) -> str | None:
    """The known name that is most like this one, if any is."""
    names = list(known)
    close = difflib.get_close_matches(name.lower(), [n.lower() for n in names], n=1, cutoff=0.5)
    return next(n for n in names if n.lower() == close[0]) if close else None
