"""The files of tuning: what may be learned, standing jobs, and tuned sets taken up or undone.

A tuned set is a new file ``SYSTEM-tuned-N.toml`` beside the user's own prior sets; jobs are
opened with the newest one. Undoing moves that file into ``undone``, where jobs opened with it
still find it. No file is ever changed, and no number is used twice.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TypeVar

import tomli_w
from pydantic import BaseModel

from benchodds.basics.errors import ModelError, UnknownNameError
from benchodds.basics.forms import as_data
from benchodds.basics.language import _
from benchodds.keep import files
from benchodds.keep.outputs import write
from benchodds.learn.learning import Learning, checked
from benchodds.learn.spreads import Laws
from benchodds.learn.standing import Standing
from benchodds.model.priors import PriorSet

FOLDER = "tuning"

T = TypeVar("T", bound=BaseModel)


def find(name: str) -> Path:
    """A file of ``priors/tuning``: the user's own goes before the shipped one."""
    for folder in files.folders("priors"):
        path = folder / FOLDER / name
        if path.is_file():
            return path
    raise ModelError(
        _("priors/{folder}/{name} is missing; reinstall").format(folder=FOLDER, name=name)
    )


def _load(kind: type[T], name: str) -> T:
    path = find(name)
    try:
        found: T = checked(kind, files.read_toml(path))
    except ModelError as error:
        raise ModelError(f"{path}: {error}") from None
    return found


def load_learning() -> Learning:
    """Read and check what past jobs may teach."""
    return _load(Learning, "learning.toml")


def load_standing() -> Standing:
    """Read and check the standing jobs."""
    return _load(Standing, "standing.toml")


def load_laws() -> Laws:
    """Read and check which laws of the measurement side may be learned."""
    return _load(Laws, "spreads.toml")


def numbered(folder: Path, system: str) -> dict[int, Path]:
    """Tuned sets of a system in a folder, by number."""
    name = re.compile(re.escape(system) + r"-tuned-(\d{1,6})")
    found = {}
    for path in folder.glob(f"{system}-tuned-*.toml"):
        if match := name.fullmatch(path.stem):
            found[int(match[1])] = path
    return found


def own_folder() -> Path:
    """Where the user's own prior sets are kept."""
    return files.own_places("priors")[0]


def next_name(system: str) -> str:
    """Name of the next tuned set; numbers of undone ones are not used again."""
    taken = [0]
    for folder in files.own_places("priors"):
        taken += [*numbered(folder, system), *numbered(folder / files.UNDONE, system)]
    return f"{system}-tuned-{max(taken) + 1}"


def take_up(priors: PriorSet) -> Path:
    """Write a tuned set as a new file; jobs opened from now on begin with it."""
    path = own_folder() / f"{priors.id}.toml"
    write(path, [as_toml(priors)], folders=True)
    return path


def undo(system: str) -> tuple[Path, str]:
    """Move the newest tuned set of a system away; where to, and what is used from now on."""
    newest = files.default_priors(system)
    if not newest.startswith(f"{system}-tuned-"):  # none, or that of an overlay's base
        raise UnknownNameError(
            _("no tuned set of '{system}' is in use; there is nothing to undo").format(
                system=system
            )
        )
    path = files.find("priors", newest)
    target = path.parent / files.UNDONE / path.name
    try:
        target.parent.mkdir(exist_ok=True)
        path.rename(target)
    except OSError as error:
        raise ModelError(
            f"{path}: " + _("cannot be moved ({reason})").format(reason=error.strerror)
        ) from None
    return target, files.default_priors(system)


def as_toml(priors: PriorSet) -> str:
    """The text of a prior file; reading it gives the same set."""
    data = {key: value for key, value in as_data(priors).items() if key != "digest"}
    head = (
        "# Learned from past jobs by 'benchodds tune', put away by 'tune --undo'. Shares are\n"
        "# per hundred machines with one fault; interval and expected jobs stand beside them.\n"
    )
    return head + tomli_w.dumps({"schema": 1, **data})
