"""What a meter's data sheet says of it: accuracy and input resistance."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from benchodds.basics.errors import ReadingError
from benchodds.basics.language import _
from benchodds.basics.quantities import MAX_CHARS, Expect, _measure, _quoted, _refuse

_ACCURACY = re.compile(  # percent of reading, percent of range, counts; @ stands for a number
    r"(?i)(?:\u00b1|\+/?-)?\s*\(?(?:@\s*%(?:\s*(?:of )?(?:rdg|reading))?)?"
    r"(?:[\s+]*@\s*%\s*(?:of )?(?:fs|full[- ]?scale|range))?"
    r"(?:\s*\+\s*@\s*(?:counts?|digits?|dgts?|d)?)?\)?".replace("@", r"([0-9]+(?:\.[0-9]+)?)")
)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A data sheet's limits: +/-(percent of reading + counts of the last digit + % of range)."""

    percent: float
    counts: float
    full_scale_percent: float = 0.0

    def half_width(self, reading: float, step: float, range_top: float | None = None) -> float:
        """Largest error the maker allows, in the unit of `reading`, `step` and `range_top`.

        Raises `ReadingError` for an accuracy in % of full scale when no range is given.
        """
        if self.full_scale_percent and range_top is None:
            raise ReadingError(_("an accuracy in % of full scale needs the meter's range; name it"))
        full_scale = self.full_scale_percent * abs(range_top or 0.0)
        return (self.percent * abs(reading) + full_scale) / 100 + self.counts * step

    def standard_uncertainty(
        self, reading: float, step: float, range_top: float | None = None
    ) -> float:
        """Half-width / sqrt(3), for a rectangular law (JCGM 100:2008, 4.3.7)."""
        return self.half_width(reading, step, range_top) / math.sqrt(3)


def parse_accuracy(text: str) -> Accuracy:
    """Read "0.8%+3", "1 % + 5 digits" or "3 % fs"; raises `ReadingError` on anything else."""
    match = _ACCURACY.fullmatch(text.strip().replace(",", ".")) if len(text) <= MAX_CHARS else None
    percent, full_scale, counts = (float(n or 0) for n in (match.groups() if match else "000"))
    if not 0 < percent + full_scale <= 100:
        raise ReadingError(
            _("{text} is no meter accuracy; write '0.8 % + 3' or '3 % fs'").format(
                text=_quoted(text)
            )
        )
    return Accuracy(percent, counts, full_scale)


@dataclass(frozen=True, slots=True)
class Impedance:
    """What a voltmeter loads its source with: fixed (ohm), or growing with the range (ohm/V)."""

    ohm: float | None = None
    ohm_per_volt: float | None = None

    def at(self, range_top: float | None) -> float | None:
        """Input resistance in ohm on a range of `range_top` volts; None when it takes the range."""
        if self.ohm is not None or self.ohm_per_volt is None or range_top is None:
            return self.ohm
        return self.ohm_per_volt * range_top


def parse_impedance(text: str) -> Impedance:
    """Read "10M" (ohm) or "20k/V" (ohm per volt); raises `ReadingError` on anything else."""
    fixed = re.sub(r"(?i)\s*(?:/|per)\s*v(?:olt)?$", "", text.strip())
    expect = Expect(_("the meter's input resistance"), "ohm")
    wrong = _refuse(text, expect, _("cannot be that of a voltmeter; write 10M, 1M or 20k/V"))
    try:
        size = _measure(fixed, text, expect).number if len(text) <= MAX_CHARS else Decimal(0)
    except ReadingError:
        raise wrong from None
    per_volt = fixed != text.strip()
    if size < (100 if per_volt else 1000):
        raise wrong
    return Impedance(None, float(size)) if per_volt else Impedance(float(size))
