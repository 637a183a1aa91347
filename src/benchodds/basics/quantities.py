"""Readings as a technician writes them, units in model files, and what a meter promises.

`to_base` turns "5 kohm" in a model file into a float; `parse_value` turns "4k7", "OL@200" or
"weak 4/10" into a `Value`, and `show_value` back again; `parse_accuracy` and `parse_impedance`
read a meter's data sheet. All pure. A text is taken as written or refused with a remedy, never
changed silently. Written digits go through `decimal`: "4.7k" is exactly the float 4700.0.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Context, Decimal
from functools import lru_cache
from typing import Any, Literal, NamedTuple

from benchodds.basics.errors import ModelError, ReadingError, closest, nearest
from benchodds.basics.language import N_, _
from benchodds.basics.spelling import plainly

Kind = Literal[
    "number", "over-range", "unstable", "sparks", "word", "not-taken", "refused", "impossible"
]
SPARK_WORDS = ("none", "weak", "strong")
MAX_CHARS, MAX_DIGITS, MAX_SIZE, MAX_TRIES = 80, 15, Decimal("1e15"), 200

_ONE, _WIDE = Decimal(1), Context(prec=1000)
_ANY_TEST: dict[str, Kind] = {"not-taken": "not-taken", "refused": "refused"}
_ANY_TEST |= {"impossible": "impossible", "not-possible": "impossible"}
_NAMES = {"V": N_("volts"), "ohm": N_("ohms"), "A": N_("amperes"), "degC": N_("degrees Celsius")}
_NAMES |= {"": N_("no unit"), "mm": N_("millimetres"), "min": N_("minutes"), "s": N_("seconds")}
_NAMES |= {"%": N_("per cent")}
_LADDER = {"V": (-3, 0, 3, 6, 9), "A": (-3, 0, 3), "ohm": (0, 3, 6, 9)}  # powers of ten shown
_LETTER = {-3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_POWER = {"k": 3, "K": 3, "M": 6, "meg": 6, "G": 9, "m": -3, "u": -6, "\u00b5": -6, "\u03bc": -6}
_POWER |= {"R": 0, "r": 0, "L": -3}  # letters of IEC 60062, which stand at the decimal point
_PREFIXED = re.compile(r"((?i:meg)|[kKMGmu\u00b5\u03bc])\s?(.*)")
_SPELT = {"V": "v volt volts", "ohm": "ohm ohms \u03c9 r", "A": "a amp amps", "mm": "mm", "s": "s"}
_SPELT |= {"degC": "degc \u00b0c c", "rpm": "rpm r/min", "min": "min", "%": "%"}
_HOURS = ("h", "hr", "hrs", "hour", "hours")
_UNITS = {spelling: unit for unit, spellings in _SPELT.items() for spelling in spellings.split()}
_RKM = re.compile(r"(?=.?[0-9])([0-9]*)([RrKkLMG])([0-9]*)(?:\s*(?i:ohms?|[\u03a9\u2126]))?")
_NUMBER = re.compile(r"([+-]?)([0-9.,]*[0-9][0-9.,]*)([eE][+-]?[0-9]{1,3})?\s*([^\s0-9].*)?")
_QUANTITY = re.compile(
    r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)"
    r"\s*((?:1/)?[%\u00b0]?[^\W\d_]*(?:[*/\u00b7]\u00b0?[^\W\d_]+)*)"
)
_OVER = re.compile(r"(?i:o\.?l\.?|open|over[- ]?range|overload)\s*(?:@\s*(.+))?")
_UNSTABLE = re.compile(r"(?i:unstable)(?:[\s:]+(.+))?")
_GAP = re.compile(r"[-_\s]+")
_ENDS = re.compile(r"(.+?)\s*(?:(?<!\.)\.\.(?!\.)|…|–|\s+to\s+|(?<=[^-\seE])\s*-)\s*(.+)")
_BETWEEN = re.compile(r"([0-9.,]+\s*(?:m?v(?:olts?)?)?)\s*-\s*([0-9.,]+.*)", re.IGNORECASE)
_COUNT = re.compile(r"([a-z]*)[\s:]*([0-9]+)\s*(?:/|of|out of)\s*([0-9]+)", re.IGNORECASE)
_TRAPS = (
    (re.compile(r"0\.?L\.?", re.I), N_("starts with a zero; write OL for over-range, or 0")),
    (
        re.compile(r"[+-]?(nan|inf.*|\u221e)", re.I),
        N_("is no number a meter shows; write OL or open"),
    ),
    (
        re.compile(r"[>\u2265].*"),
        N_("is not a number; write over-range as OL@200 (top of the range)"),
    ),
)


@lru_cache(maxsize=1)
def _registry() -> Any:
    """Pint's units, with rpm a dimension of its own: left alone, 1 Hz would become 9.55 rpm."""
    from pint import UnitRegistry

    registry: UnitRegistry[Any] = UnitRegistry(on_redefinition="ignore", non_int_type=Decimal)
    registry.define("rpm = [crank_speed]")
    return registry


@lru_cache(maxsize=256)
def _factor(found: str, wanted: str) -> Decimal | None:
    """How many `wanted` one `found` is; None when it is another kind of unit or none at all."""
    if found == wanted or (wanted == "degC" and found == "\u00b0C"):
        return _ONE
    if found in ("", "%") or wanted in ("", "%", "degC"):  # pint would mix ratios and angles
        return Decimal("0.01") if (found, wanted) == ("%", "") else None
    plain = found[1:] if found[:1] in ("k", "M", "m") and found[1:] in _LADDER else found
    if plain in _LADDER and wanted in _LADDER:  # the everyday ones, without importing pint
        return _ONE.scaleb(_POWER[found[0]]) if plain == wanted else None
    ureg = _registry()
    try:
        there = ureg.parse_units(wanted)
        one, zero = (ureg.Quantity(Decimal(n), ureg.parse_units(found)).to(there) for n in (1, 0))
        return Decimal(one.magnitude) if zero.magnitude == 0 else None  # no offset units
    except Exception:  # pint lets its own, Python's and decimal's errors out
        return None


def to_base(text: str, unit: str) -> float:
    """Read a quantity of a model file, such as "5 kohm", as a finite number of the unit asked.

    `text` is a number and its unit: "0.30 V/rpm", "12 min", "50 %", "20 degC"; `unit` is the unit
    of the answer, "" for a plain ratio ("50 %" gives 0.5). Degrees Celsius are a plain number on
    that scale and convert to nothing else; rpm converts to neither Hz nor rad/s. Raises
    `ModelError` when the text is no number, has no unit, or one of another kind.
    """
    kind = (
        _("a number of {unit}").format(unit=_(_NAMES.get(unit, unit)))
        if unit
        else _("a plain number")
    )
    tidy = text.strip() if isinstance(text, str) else repr(text)  # a bare TOML number, say
    match = _QUANTITY.fullmatch(tidy) if len(tidy) <= MAX_CHARS else None
    factor = _factor(match[2], unit) if match else None
    number = float(Decimal(match[1]) * factor) if match and factor else math.nan
    if not math.isfinite(number):
        example = f"'10 {unit}'" if unit else _("'0.5' or '50 %'")
        raise ModelError(
            _("{text} found where {kind} is expected; write it like {example}").format(
                text=_quoted(tidy), kind=kind, example=example
            )
        )
    return number


@dataclass(frozen=True, slots=True)
class Value:
    """One reading, understood. Numbers are in `unit`; what does not apply is None."""

    kind: Kind
    text: str  # as written, stripped
    number: float | None = None
    step: float | None = None  # worth of the last written digit (the finer one, when unstable)
    unit: str = ""  # base unit: "V", "ohm", "A", "mm", "rpm", "degC"; "" for words and sparks
    range_top: float | None = None  # "OL@20k" -> 20000.0
    low: float | None = None  # ends of an unstable reading, when noted; of a drop "12.4-12.1"
    high: float | None = None
    hits: int | None = None  # sparks seen ...
    tries: int | None = None  # ... out of how many
    word: str | None = None  # "none", "weak", "strong", or a look test's outcome
    rough: bool = False  # "~110": no finer than its second figure


SILENT = ("not-taken", "refused", "impossible")
"""Kinds of value that say nothing of the machine."""


@dataclass(frozen=True, slots=True)
class Expect:
    """What a test can show."""

    name: str  # test id, for messages
    unit: str  # base unit; "" for sparks and words
    words: tuple[str, ...] = ()  # legal outcome words
    sparks: bool = False  # counts sparks: "none 0/10", "7/10", "strong"
    span: tuple[float, float] | None = None  # smallest and largest sensible value, in `unit`
    signed: bool = False  # negative values allowed
    between: bool = False  # reads the drop between two places: "12.4-12.1" is 0.3
    through: float | None = None  # ohms read as a drop at this current, so volts are taken too


class _Measured(NamedTuple):
    """A written number: size and last digit in the base unit, and how it was written."""

    number: Decimal
    step: Decimal
    digits: str
    mark: str  # unit or prefix; "" for a bare number
    scale: Decimal


def _quoted(text: str) -> str:
    """The text in quotes, on one line and never too much of it."""
    text = text if len(text) <= MAX_CHARS else text[:20] + "..."
    return f"'{text}'" if text.isprintable() else ascii(text)


def _refuse(text: str, expect: Expect, why: str) -> ReadingError:
    """The error for this text: what was found, for which test, and why it cannot stand."""
    return ReadingError(
        # Translators: {why} is one of the texts that begin with 'is', 'has', 'can'.
        _("{text} for {test} {why}").format(text=_quoted(text), test=expect.name, why=why)
    )


def _unit(mark: str, unit: str) -> tuple[str, Decimal] | None:
    """The base unit and scale that a written unit or prefix stands for; None if unknown."""
    if mark in ("", unit):
        return unit, _ONE
    if mark.lower() in _UNITS:
        return _UNITS[mark.lower()], _ONE
    if unit == "min" and mark.lower() in _HOURS:
        return unit, Decimal(60)
    match = _PREFIXED.fullmatch(mark)
    base = None if match is None else _UNITS.get(match[2].lower()) if match[2] else unit
    if match is None or base not in _LADDER:
        return None
    return base, _ONE.scaleb(_POWER[match[1] if len(match[1]) == 1 else "meg"])


def _measure(part: str, text: str, expect: Expect) -> _Measured:
    """Read one number with its unit; `text` is the whole reading, for messages."""
    unit, sign, exponent = expect.unit, "", ""
    words = _("this test reads in {unit}, such as {value}").format(
        unit=_(_NAMES.get(unit, unit)), value=show(12, unit)
    )
    if unit == "ohm" and (code := _RKM.fullmatch(part)):
        digits, mark = f"{code[1] or '0'}.{code[3]}".rstrip("."), code[2]
        scale = _ONE.scaleb(_POWER[mark])
    elif match := _NUMBER.fullmatch(part):
        sign, digits, exponent, mark = (match[i] or "" for i in (1, 2, 3, 4))
        found, through = _unit(mark.strip(), unit), expect.through
        in_volts = through is not None and found is not None and found[0] == "V"
        if found is not None and in_volts:
            found = unit, found[1]
        if found is None or found[0] != unit:
            odd = _("has an unknown unit {mark}").format(mark=_quoted(mark.strip()))
            what = (
                _("is in {unit}").format(unit=_(_NAMES.get(found[0], found[0]))) if found else odd
            )
            raise _refuse(text, expect, f"{what}; {words}")
        scale = found[1] / Decimal(str(through)) if in_volts else found[1]
    else:
        marks = ("OL", "open", "unstable", *_ANY_TEST)
        if part[:1].isalpha() and closest(part, marks):
            hint = nearest(part, marks)
        else:
            hint = _("; {wanted}, or OL or unstable").format(wanted=words)
        raise _refuse(text, expect, _("is not a reading{hint}").format(hint=hint))
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", digits):
        one, other = (digits.replace(",", point) + mark for point in ("", "."))
        raise _refuse(
            text,
            expect,
            _("can be read two ways; write {one} or {other}").format(one=one, other=other),
        )
    if not re.fullmatch(r"[0-9]+\.?|[0-9]*[.,][0-9]+", digits):
        raise _refuse(text, expect, _("is not one number; {wanted}").format(wanted=words))
    written = Decimal(digits.replace(",", ".") + exponent)
    step = _WIDE.multiply(_ONE.scaleb(int(written.as_tuple().exponent)), scale)
    number = _WIDE.multiply(-written if sign == "-" and written else written, scale)
    if max(abs(number), step, 1 / step) > MAX_SIZE or len(digits) > MAX_DIGITS + 1:
        raise _refuse(text, expect, _("is beyond any meter; write what the display shows"))
    if number < 0 and not expect.signed:
        what = _("a resistance") if unit == "ohm" else _("this reading")
        raise _refuse(
            text,
            expect,
            _("is below zero: {what} cannot be negative; read it again").format(what=what),
        )
    return _Measured(number, step, sign + digits.replace(",", ".") + exponent, mark.strip(), scale)


def _ask_if_slipped(read: _Measured, text: str, expect: Expect) -> None:
    """Refuse a bare number outside the span that a factor of 1000 would put inside."""
    if read.mark or not expect.unit or expect.span is None or not read.number:
        return
    (low, high), unit = (Decimal(end) for end in expect.span), expect.unit
    for power, words in (
        (3, _("would be {number}, far below anything it can show ({low} to {high})")),
        (-3, _("would be {number}, far above anything it can show ({low} to {high})")),
    ):
        meant = read.number.scaleb(power)
        if low <= meant <= high and not low <= read.number <= high:
            least, most = (show(end, unit) for end in expect.span)
            why = words.format(number=show_exact(read.number, unit), low=least, high=most)
            other = f"{read.digits}k" if power > 0 and unit in _LADDER else show_exact(meant, unit)
            raise _refuse(
                text,
                expect,
                f"{why}: "
                + _("write the unit, {other} or {digits} {unit}").format(
                    other=other, digits=read.digits, unit=unit
                ),
            )


def _read_unstable(rest: str | None, text: str, expect: Expect) -> Value:
    """Read the two ends of a wandering reading, if they were noted."""
    if rest is None:
        return Value("unstable", text, unit=expect.unit)
    match = _ENDS.fullmatch(rest)
    if match is None:
        raise _refuse(
            text, expect, _("has no two ends; write 'unstable 3..40', or 'unstable' alone")
        )
    low, high = (_measure(match[i].strip(), text, expect) for i in (1, 2))
    for one, other in ((low, high), (high, low)):
        if not one.mark and one.number and other.scale != 1:
            raise _refuse(text, expect, _("has its unit at one end only; write it at both ends"))
    if low.number >= high.number:
        raise _refuse(text, expect, _("must go from the smaller number to a larger one"))
    _ask_if_slipped(high, text, expect)
    step, ends = float(min(low.step, high.step)), (float(low.number), float(high.number))
    return Value("unstable", text, step=step, unit=expect.unit, low=ends[0], high=ends[1])


def _read_between(first: str, last: str, text: str, expect: Expect) -> Value:
    """Read volts at the two ends of a path, the end nearer the source first, as the drop."""
    high, low = (_measure(part, text, expect) for part in (first, last))
    drop = high.number - low.number
    if drop < 0:
        why = _("falls below zero; write the volts nearer the source first, {last}-{first}")
        raise _refuse(text, expect, why.format(last=last, first=first))
    ends, step = (float(low.number), float(high.number)), float(max(high.step, low.step))
    return Value("number", text, float(drop), step, expect.unit, low=ends[0], high=ends[1])


def _read_sparks(said: str, text: str, expect: Expect) -> Value:
    """Read a spark count, a spark word, or both when they agree."""
    words = expect.words or SPARK_WORDS
    match = _COUNT.fullmatch(said)
    word = (match[1] if match else said).lower()
    if word not in words and not (match and not word):
        hint = nearest(word, [*words, *_ANY_TEST])
        raise _refuse(
            text,
            expect,
            _("is not a spark count such as 'weak 4/10' or '7/10'{hint}").format(hint=hint),
        )
    if match is None:
        return Value("sparks", text, word=word)
    hits, tries = int(match[2]), int(match[3])
    if not 1 <= tries <= MAX_TRIES or hits > tries:
        raise _refuse(
            text,
            expect,
            _("is no count; write sparks/tries, with 1 to {most} tries").format(most=MAX_TRIES),
        )
    derived = "none" if hits == 0 else "strong" if 10 * hits >= 9 * tries else "weak"
    if word and word != derived and (word != "weak" or hits == 0):  # weak 10/10: thin every time
        raise _refuse(
            text,
            expect,
            _("contradicts itself; that is '{derived} {hits}/{tries}'").format(
                derived=derived, hits=hits, tries=tries
            ),
        )
    return Value("sparks", text, hits=hits, tries=tries, word=word or derived)


def parse_value(text: str, expect: Expect) -> Value:
    """Understand a reading as a technician writes it, or refuse it with a remedy.

    `text` is a number ("14", "0.3 ohm", "4.7k", "4k7", "4,7k", "112 V"), "OL" or "OL@200",
    "unstable" or "unstable 3..40 V", "weak 4/10", a look test's outcome, or for every test
    "not-taken", "refused" or "impossible"; resistances also in the letter-and-digit code of
    IEC 60062:2016. A bare number outside `expect.span` that a factor of 1000 would put inside is
    asked about; one with a unit or prefix is taken as written. Raises `ReadingError`, saying what
    was found, for which test, and what would be right.
    """
    text = text.strip()
    if not text or len(text) > MAX_CHARS:
        why = _("is {n} characters long; a reading has at most {most}").format(
            n=len(text), most=MAX_CHARS
        )
        raise _refuse(text, expect, why if text else _("is empty; write a reading or not-taken"))
    said, rough = plainly(text, expect.unit, expect.words, expect.sparks)
    name, plain = _GAP.sub("_", said.lower()), said.replace("\u2212", "-")
    if kind := _ANY_TEST.get(name.replace("_", "-")):
        return Value(kind, text)
    if expect.sparks:
        return _read_sparks(said, text, expect)
    for word in expect.words:
        if name == _GAP.sub("_", word.lower()):
            return Value("word", text, word=word)
    if expect.words and not expect.unit:
        known = [*expect.words, *_ANY_TEST]
        hint = nearest(name, known) or _("; known: ") + ", ".join(sorted(known))
        raise _refuse(text, expect, _("is not an outcome of this test{hint}").format(hint=hint))
    if match := _OVER.fullmatch(plain):
        top = float(_measure(match[1], text, expect).number) if match[1] else None
        if top is not None and top <= 0:
            raise _refuse(text, expect, _("has no range; write the top of the range, as in OL@200"))
        return Value("over-range", text, unit=expect.unit, range_top=top)
    if match := _UNSTABLE.fullmatch(plain):
        return _read_unstable(match[1], text, expect)
    if why := next((why for trap, why in _TRAPS if trap.fullmatch(plain)), ""):
        raise _refuse(text, expect, _(why))
    if expect.between and (ends := _BETWEEN.fullmatch(plain)):
        return _read_between(ends[1], ends[2], text, expect)
    read = _measure(plain, text, expect)
    _ask_if_slipped(read, text, expect)
    step = max(read.step, _second(read.number)) if rough else read.step
    return Value("number", text, float(read.number), float(step), expect.unit, rough=rough)


def _second(number: Decimal) -> Decimal:
    """The worth of a number's second figure: 10 for 110, 0.1 for 1.4."""
    return _ONE.scaleb(number.adjusted() - 1) if number else Decimal(0)


def _laid_out(number: Decimal, unit: str, last: int | None) -> str:
    """A number with prefix and unit; its last digit is worth 10**last, or zeros are dropped."""
    number = _WIDE.normalize(number) if last is None else _WIDE.quantize(number, _ONE.scaleb(last))
    powers, size = _LADDER.get(unit, (0,)), abs(number)
    power = -3 if -3 in powers and 0 < size < Decimal("0.1") else 0
    for larger in powers:
        too_coarse = last is not None and last > power
        if larger > power and (size >= _ONE.scaleb(larger) or too_coarse):
            power = larger
    digits = (number if number else size).scaleb(-power, _WIDE)  # size has no minus zero
    return f"{digits:f} {_LETTER[power]}{unit}".strip()


def show_exact(number: float | Decimal, unit: str) -> str:
    """As `show`, with all the digits that a number has and none added: a limit of 12.45 V."""
    return _laid_out(Decimal(str(number)), unit, None)


def show(number: float, unit: str, step: float | None = None) -> str:
    """Write a number as the bench reads it: "4.7 kohm", "112 V", "0.30 ohm", "45 mV".

    `number` is in `unit`; ohms, volts and amperes take k and M from 1000 up, volts and amperes m
    below 0.1. `step` is the worth of the last digit to show, in `unit`; without it there are up
    to three significant figures.
    """
    if not math.isfinite(number):
        return f"{number:g} {unit}".strip()
    exponent = Decimal(repr(float(step))).adjusted() if step else None
    return _laid_out(Decimal(repr(float(number)) if step else f"{number:.2e}"), unit, exponent)


def show_value(value: Value) -> str:
    """Write any reading in one canonical way, which `parse_value` reads back unchanged."""
    if value.kind == "number" and value.number is not None:
        if value.rough:
            return f"about {show_exact(value.number, value.unit)}"
        return show(value.number, value.unit, value.step)
    if value.kind == "over-range":
        return "OL" if value.range_top is None else f"OL@{show_exact(value.range_top, value.unit)}"
    if value.kind == "unstable" and value.low is not None and value.high is not None:
        low, high = (show(end, value.unit, value.step) for end in (value.low, value.high))
        shared = f" {value.unit}" if high.endswith(f" {value.unit}") else ""
        return f"unstable {low.removesuffix(shared)}..{high}"
    count = "" if value.tries is None else f" {value.hits}/{value.tries}"
    return f"{value.word}{count}" if value.word else value.kind
