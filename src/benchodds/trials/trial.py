"""What a simulation takes from its data file: routines of common practice, and perturbations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from benchodds.basics.distributions import parse_distribution
from benchodds.basics.errors import ModelError
from benchodds.basics.forms import Form, Provenance, Within, checked
from benchodds.model.system import SystemModel


class RoutineStep(Form):
    """One test of a routine, and the repairs that it condemns when it ``when``."""

    test: str
    when: Literal["fails", "passes"] = "fails"
    condemns: tuple[str, ...] = ()


class Routine(Form):
    """An order of work for one system, the same for all machines.

    ``elimination`` are the repairs that follow when no test has condemned anything.
    """

    steps: Annotated[tuple[RoutineStep, ...], Within(min_length=1)]
    elimination: tuple[str, ...]
    provenance: Provenance

    @property
    def order(self) -> tuple[str, ...]:
        """Its tests."""
        return tuple(s.test for s in self.steps)

    def fitting(self, model: SystemModel) -> Routine:
        """The routine without what this variant has not; ModelError for what no variant has."""
        return self.model_copy(
            update={"steps": tuple(s for s in self.steps if s.test in model.tests)}
        )


class Factor(Form):
    """A number that something is multiplied with."""

    factor: Annotated[float, Within(gt=1)]
    provenance: Provenance


class OtherOperator(Form):
    """The speed factor of someone else."""

    speed: str
    provenance: Provenance


class OtherMeter(Form):
    """A meter that is not what the bench file expects, and of which nothing is said."""

    input: dict[str, float]
    dc_volts: str
    ohms: str
    provenance: Provenance


class Perturbations(Form):
    """How nature may differ from the model."""

    priors: Factor
    spreads: Factor
    operator: OtherOperator
    meter: OtherMeter


class PastJobs(Form):
    """How an invented shop works and closes its jobs.

    ``grades`` are shares of closings; of those with a verdict a share ``wrong`` names another
    fault, ``found_out`` of these come back. ``guesses`` is the share of jobs given up that name
    a fault all the same. ``unsaid`` is the share of jobs that do not say how readings were
    taken, or how long it took; ``contexts`` that of jobs that say what went before, ``others``
    that of other variants and complaints than the first. The shop's own machines differ from
    the prior file by ``factor``, either way. ``operators`` are its people with the law of their
    speed factor, ``drill`` the share of jobs cranked by drill, ``more`` the tests done on the
    average after the first that condemns a part. ``slower`` is the log-sd of minutes about the
    book's.
    """

    grades: dict[str, float]
    wrong: Annotated[float, Within(ge=0, lt=1)]
    found_out: Annotated[float, Within(ge=0, le=1)]
    guesses: Annotated[float, Within(ge=0, le=1)]
    unsaid: Annotated[float, Within(ge=0, le=1)]
    contexts: Annotated[float, Within(ge=0, le=1)]
    others: Annotated[float, Within(ge=0, le=1)]
    factor: Annotated[float, Within(ge=1)]
    operators: Annotated[dict[str, str], Within(min_length=1)]
    drill: Annotated[float, Within(ge=0, le=1)]
    more: Annotated[float, Within(ge=0, le=20)]
    slower: Annotated[float, Within(ge=0, le=2)]
    meter: str
    provenance: Provenance


class Trial(Form):
    """All of one trial file."""

    schema: Literal[1]
    id: str
    version: str
    title: str
    notice: str
    perturb: Perturbations
    past: PastJobs
    routines: dict[str, Routine]


def build_trial(raw: Mapping[str, Any]) -> Trial:
    """Check a parsed trial file; ModelError names key, finding and remedy."""
    trial = checked(Trial, raw)
    try:
        parse_distribution(trial.perturb.operator.speed)
    except ModelError as error:
        raise ModelError(f"perturb.operator.speed: {error}") from None
    return trial
