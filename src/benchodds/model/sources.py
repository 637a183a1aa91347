"""Which files a job's odds come from, and what has become of them since it was opened."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchodds.basics.digest import SHORT
from benchodds.basics.language import N_, _
from benchodds.model.jobs import Job
from benchodds.model.joinnames import PLUS

if TYPE_CHECKING:
    from benchodds.model.gear import Bench
    from benchodds.model.priors import PriorSet
    from benchodds.model.system import SystemModel

Sources = Mapping[str, Mapping[str, str]]
"""Version and content hash of each file, by its kind and name: ``models/bench``."""

OPENED = N_("Opened with {name} {then}, worked out with {now}.")
CLOSED = N_("Closed with {name} {then}, worked out with {now}.")


def sources(model: SystemModel, bench: Bench, priors: PriorSet) -> dict[str, dict[str, str]]:
    """The files that a machine was made of."""
    models, sets = getattr(model, "parts", (model,)), getattr(priors, "parts", (priors,))
    files: list[tuple[str, SystemModel | Bench | PriorSet]] = [
        *((f"models/{m.id}", m) for m in models),
        (f"models/{bench.id}", bench),
        *((f"priors/{p.id}", p) for p in sets),
    ]
    return {name: {"version": file.version, "hash": file.digest} for name, file in files}


@dataclass(frozen=True)
class Change:
    """A file that is another now than it was."""

    name: str
    then: Mapping[str, str]
    now: Mapping[str, str]

    def told(self, words: str) -> str:
        """It in a sentence, such as :data:`OPENED`."""
        return _(words).format(name=self.name, then=brief(self.then), now=brief(self.now))


def brief(file: Mapping[str, str]) -> str:
    """Version and the beginning of the hash, as people are shown them."""
    short = file.get("hash", "")[:SHORT]
    return " ".join([file.get("version", _("none")), *([f"({short})"] if short else [])])


def changes(then: Sources, now: Sources) -> Iterator[Change]:
    """The files that differ; what was not recorded is no difference."""
    hashed = any(file.get("hash") for file in then.values())
    for name in dict.fromkeys([*then, *(now if hashed else ())]):
        a, b = then.get(name, {}), now.get(name, {})
        hashes = {f["hash"] for f in (a, b) if f.get("hash")}
        if a.get("version") != b.get("version") or len(hashes) > 1:
            yield Change(name, a, b)


def opened_with(job: Job) -> dict[str, Any]:
    """What a job was opened with; of jobs from before hashes were kept, the versions."""
    if job.files:
        return dict(job.files)
    said = (("models", job.system, job.model_version), ("priors", job.prior_set, job.prior_version))
    return {
        f"{kind}/{name}": {"version": version}
        for kind, names, versions in said
        for name, version in zip(names.split(PLUS), versions.split(PLUS), strict=False)
    }
