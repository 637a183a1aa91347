"""Very many, contradictory and extreme readings: finite, normalised, right in log space."""

from __future__ import annotations

import os

import numpy as np
import pytest
from scipy.special import logsumexp

from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.keep.session import load_machine
from benchodds.model.gear import hookup_shares
from benchodds.model.jobs import Job, Technique
from benchodds.reasons.evidence import joint
from made_jobs import job_of

MANY = int(os.environ.get("BENCHODDS_TEST_READINGS", "1000"))


@pytest.fixture(scope="module")
def machine() -> Machine:
    """A magneto machine."""
    return load_machine("mag-cdi", None, "mag-cdi")


def job_with(machine: Machine, readings: list[tuple[str, str]]) -> Job:
    """A job with many readings, each with its own placing of the probes."""
    return job_of(machine, [(test, [value], Technique()) for test, value in readings], "no-spark")


def is_sound(found: Assessment) -> None:
    """All chances are finite and add up."""
    p = np.array(list(found.p_mode.values()))
    assert np.isfinite(p).all()
    assert (p >= 0).all()
    assert np.isfinite(found.posterior.log_evidence)
    for component in found.machine.model.components:
        assert found.posterior.joint([component]).sum() == pytest.approx(1.0, abs=1e-9)


def test_very_many_readings_against_log_space(machine: Machine) -> None:
    """The same reading thousands of times over, against sums of logs done apart.

    Given what a reading depends on, n readings weigh ``n log sum_h P(h) L(x, h)``; the chance of
    a component is the sum over x of ``P(component, x)`` times that, by ``logsumexp``.
    """
    test, value = "vexc", "60"
    found = assess(machine, job_with(machine, [(test, value)] * MANY)).steady
    is_sound(found)
    table = found.taken[0].table
    assert table is not None
    name = found.taken[0].hookup
    axis = table.scope.index(name)
    scope = tuple(v for v in table.scope if v != name)
    log_l = MANY * np.log(np.moveaxis(table.p, axis, -1) @ hookup_shares(machine.bench))
    plain = assess(machine, job_with(machine, [])).steady
    total = plain.posterior.log_evidence
    with np.errstate(divide="ignore"):
        expected = total + logsumexp(np.log(joint(plain.network, scope)) + log_l)
    assert found.posterior.log_evidence == pytest.approx(expected, rel=1e-9)
    # The exciter is what the reading is about; others follow from it alone.
    with np.errstate(divide="ignore"):
        both = np.log(joint(plain.network, ("exc", *scope))) + log_l
    weights = logsumexp(both.reshape(len(both), -1), axis=1)
    expected_p = np.exp(weights - logsumexp(weights))
    assert np.allclose(found.posterior.joint(["exc"]), expected_p, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize(
    "readings",
    [
        [("vexc", "112"), ("vexc", "0")] * 100,
        [("gap", "strong 10/10"), ("gap", "none 0/10")] * 100,
        [("rsec", "OL"), ("rsec", "0.0"), ("rsec", "9.8k")] * 60,
        [("vexc", "0.001 V"), ("vexc", "9000 V"), ("rsec", "0.001 ohm"), ("rsec", "900 Mohm")],
        [("gap", "none 0/200"), ("gap", "strong 200/200")],
    ],
    ids=["peaks", "sparks", "ohms", "tiny and huge", "long counts"],
)
def test_contradictory_and_extreme_readings(
    machine: Machine, readings: list[tuple[str, str]]
) -> None:
    """Whatever is written down, the odds stay odds."""
    is_sound(assess(machine, job_with(machine, readings)))
