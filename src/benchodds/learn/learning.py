"""What may be learned from past jobs, and how fast: the numbers of ``priors/tuning``.

Grades of closings, strengths of what is known beforehand, and when a tuned set may take
another's place. All of them are data; here is only what the file may say.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from benchodds.basics.errors import ModelError, UnknownNameError, nearest
from benchodds.basics.language import _
from benchodds.basics.validation import told


class Strict(BaseModel):
    """A table of a data file: unknown keys are mistakes, nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Grade(Strict):
    """How far a closing can be trusted.

    ``right`` and ``part`` are shares of the closings of this grade: fault named rightly, and
    right part but another mode; the rest names another part.
    """

    title: str
    right: float = Field(gt=0, lt=1)
    part: float = Field(ge=0, lt=1)
    proof: bool
    provenance: str = Field(min_length=3)

    @model_validator(mode="after")
    def _leaves_room(self) -> Self:
        if self.right + self.part >= 1:
            raise ValueError(
                _("right and part leave nothing for a wrong part; no closing is certain")
            )
        return self


class Words(Strict):
    """Words that say something."""

    words: tuple[str, ...]
    provenance: str = Field(min_length=3)


class Pooling(Strict):
    """Prior of the strength that holds groups together: lognormal, median and factor."""

    title: str
    typical: float = Field(gt=0)
    factor: float = Field(gt=1)
    provenance: str = Field(min_length=3)


class Together(Strict):
    """Pseudo-jobs behind the share of machines with two faults or more."""

    strength: float = Field(gt=0)
    provenance: str = Field(min_length=3)


class Work(Strict):
    """Trials behind a stated share of repairs that hold, of duds, or of come-backs."""

    strength: float = Field(gt=0)
    provenance: str = Field(min_length=3)


class Suspicion(Strict):
    """Share of wrong closings that fall on what the readings left open; the rest heeds none."""

    heeds: float = Field(ge=0, le=1)
    provenance: str = Field(min_length=3)


class Floor(Strict):
    """Least share of a fault that a closing names."""

    share: float = Field(gt=0, lt=0.1)
    provenance: str = Field(min_length=3)


class Check(Strict):
    """How a tuned set is tried before it is taken up."""

    origins: int = Field(ge=1, le=50)
    first_share: float = Field(gt=0, lt=1)
    least_scored: int = Field(ge=1)
    level: float = Field(gt=0.5, lt=1)
    draws: int = Field(ge=100, le=20_000)
    provenance: str = Field(min_length=3)


class Drift(Strict):
    """When recent jobs count as unlike the priors."""

    recent_days: float = Field(gt=0)
    least_jobs: int = Field(ge=1)
    most_read: int = Field(ge=1)
    alarm: float = Field(gt=0, lt=0.5)
    provenance: str = Field(min_length=3)


class Replaying(Strict):
    """When a part stands out in a job done over, and how many jobs are done over at most."""

    sure: float = Field(gt=0.5, lt=1)
    most_jobs: int = Field(ge=1)
    provenance: str = Field(min_length=3)


PoolingName = Literal["fleet", "variant", "shop", "context"]


class Learning(Strict):
    """All of the file."""

    schema_: Literal[1] = Field(alias="schema")
    id: str
    version: str
    grades: dict[str, Grade] = Field(min_length=1)
    came_back: Words = Field(alias="came-back")
    pooling: dict[PoolingName, Pooling]
    together: Together
    work: Work
    suspicion: Suspicion
    floor: Floor
    check: Check
    drift: Drift
    replay: Replaying

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = {"fleet", "variant", "shop", "context"} - set(self.pooling)
        if missing:
            raise ValueError(
                "pooling: " + _("no table for {missing}").format(missing=", ".join(sorted(missing)))
            )
        if "came-back" not in self.grades:
            raise ValueError(
                "grades: " + _("'came-back' is needed; a come-back gives it to the closing")
            )
        return self

    def grade(self, name: str) -> Grade:
        """A grade by name; UnknownNameError with the nearest."""
        if name not in self.grades:
            raise UnknownNameError(
                _("'{name}' is not a grade of a closing{hint}").format(
                    name=name, hint=nearest(name, self.grades)
                )
            )
        return self.grades[name]

    def is_come_back(self, reason: str | None) -> bool:
        """Whether the reason for opening a job again says that the fault is back."""
        text = (reason or "").casefold()
        return any(word.casefold() in text for word in self.came_back.words)


def checked(kind: type[Any], raw: Mapping[str, Any]) -> Any:
    """A data file as its model; ModelError names every key that is wrong."""
    try:
        return kind.model_validate(raw)
    except ValidationError as error:
        raise ModelError("\n".join(told(error, kind))) from None
