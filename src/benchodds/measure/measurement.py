"""The measurement model: an instrument for every test of a machine."""

from __future__ import annotations

from collections.abc import Mapping

from benchodds.basics.tables import Variable
from benchodds.measure.instrument import OUTCOME, Instrument, Outcome
from benchodds.measure.looks import LookInstrument, SparkInstrument
from benchodds.measure.meter import MeterInstrument
from benchodds.measure.peak import PeakInstrument, droop
from benchodds.model.gear import Bench
from benchodds.model.system import Test

__all__ = ["OUTCOME", "Instrument", "Outcome", "droop", "instrument"]

_KINDS: Mapping[str, type[Instrument]] = {
    "look": LookInstrument,
    "meter": MeterInstrument,
    "peak": PeakInstrument,
    "spark": SparkInstrument,
}


def instrument(
    name: str, test: Test, bench: Bench, variables: Mapping[str, Variable]
) -> Instrument:
    """The reading model of one test on one machine variant and bench."""
    return _KINDS[test.kind](name, test, bench, variables)
