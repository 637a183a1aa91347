"""Readings, units and meter data as people write them."""

import contextlib
import math
import subprocess
import sys

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchodds.basics.errors import BenchoddsError, ModelError, ReadingError
from benchodds.basics.meterdata import Accuracy, Impedance, parse_accuracy, parse_impedance
from benchodds.basics.quantities import Expect, Value, parse_value, show, show_value, to_base

OHM = Expect("rexc", "ohm")
RSEC = Expect("rsec", "ohm", span=(3e3, 30e3))
VOLT = Expect("vexc", "V")
VPUL = Expect("vpul", "V", span=(0.1, 20.0))
SIGNED = Expect("vdrop", "V", signed=True)
GAP = Expect("pickup_gap", "mm", span=(0.2, 2.0))
SPEED = Expect("crank_speed", "rpm")
HEAT = Expect("stator_temp", "degC", signed=True)
SPARK = Expect("gap_spark", "", sparks=True)
LOOK = Expect("plug_look", "", words=("clean", "oil_fouled", "worn", "cracked"))
ALL = (OHM, RSEC, VOLT, VPUL, SIGNED, GAP, SPEED, HEAT, SPARK, LOOK)
few = settings(max_examples=150, deadline=None)


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("100 V", "V", 100.0),
        ("100V", "V", 100.0),
        ("7 kV", "V", 7000.0),
        ("45 mV", "V", 0.045),
        ("12 min", "min", 12.0),
        ("2 h", "min", 120.0),
        ("90 s", "min", 1.5),
        ("5 kohm", "ohm", 5000.0),
        ("4.7 k\u03a9", "ohm", 4700.0),
        ("0.22 uF", "F", 0.22e-6),
        ("0.30 V/rpm", "V/rpm", 0.30),
        ("6 mV/rpm", "V/rpm", 0.006),
        ("0.7 mm", "mm", 0.7),
        ("400 rpm", "rpm", 400.0),
        ("20 degC", "degC", 20.0),
        ("-5 degC", "degC", -5.0),
        ("20 \u00b0C", "degC", 20.0),
        ("50 %", "", 0.5),
        ("0.393 %/K", "1/K", 0.00393),
        ("0.5", "", 0.5),
        (" 1e3 V ", "V", 1000.0),
    ],
)
def test_model_quantities(text: str, unit: str, number: float) -> None:
    """A model file's quantity becomes the exact decimal number of the unit asked."""
    assert to_base(text, unit) == number


@pytest.mark.parametrize(
    ("text", "unit", "named"),
    [
        ("12 min", "V", "volts"),
        ("100", "V", "volts"),
        ("50 %", "V", "volts"),
        ("50 %", "deg", "deg"),
        ("10 deg", "", "plain number"),
        ("5 furlongz", "mm", "millimetres"),
        ("", "V", "volts"),
        ("V", "V", "volts"),
        ("nan V", "V", "volts"),
        ("1e999 V", "V", "volts"),
        ("4,7 kohm", "ohm", "ohms"),
        ("5 V V", "V", "volts"),
        ("3 ** 9 ** 9 V", "V", "volts"),  # hangs pint when handed over unread
        ("5 V/", "V", "volts"),
        ("20 K", "degC", "degrees Celsius"),
        ("68 degF", "degC", "degrees Celsius"),
        ("20 degC", "K", "K"),  # an offset, not a factor
        ("100 Hz", "rpm", "rpm"),  # pint alone makes 955 rpm of it
        ("0.3 V*s", "V/rpm", "V/rpm"),
        ("4 dB", "V", "volts"),
        ("9" * 500 + " V", "V", "volts"),
        ("5 V\n5 V", "V", "volts"),
    ],
)
def test_model_quantities_refused(text: str, unit: str, named: str) -> None:
    """A quantity of the wrong kind, or none, is refused in one line that names what is wanted."""
    with pytest.raises(ModelError) as caught:
        to_base(text, unit)
    assert named in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


def test_bare_toml_number_is_refused() -> None:
    """A number that TOML already read has lost its unit, and the message says so."""
    with pytest.raises(ModelError, match="'100' found where a number of volts"):
        to_base(100, "V")  # type: ignore[arg-type]


@pytest.mark.parametrize("unit", ["V", "A", "ohm"])
@pytest.mark.parametrize("prefix", ["k", "M", "m"])
def test_short_cut_agrees_with_pint(prefix: str, unit: str) -> None:
    """The prefixes handled without pint mean what pint means by them."""
    import pint

    known = pint.UnitRegistry().Quantity(3, f"{prefix}{unit}").to(unit).magnitude
    assert to_base(f"3 {prefix}{unit}", unit) == pytest.approx(known, rel=1e-15)


def test_everyday_units_do_not_import_pint() -> None:
    """Neither importing the module nor an everyday unit pays for pint."""
    code = (
        "import sys; from benchodds.basics.quantities import to_base; "
        "to_base('5 kohm', 'ohm'); sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@few
@given(st.text(max_size=100), st.sampled_from(["V", "ohm", "V/rpm", "degC", "", "min"]))
@example("1/0 V", "V")
@example("1 1/V", "V")
def test_any_model_text_is_a_number_or_a_model_error(text: str, unit: str) -> None:
    """Whatever stands in a model file, no other kind of error gets out."""
    with contextlib.suppress(ModelError):
        assert math.isfinite(to_base(text, unit))


# IEC 60062:2016 code examples: R47 to 4M7 as listed in an encyclopaedia article on the code,
# 6L8 in a dictionary of units; both read. The standard itself was not read. R010: a maker's table.
RKM = [
    ("R47", 0.47, 0.01),
    ("4R7", 4.7, 0.1),
    ("470R", 470.0, 1.0),
    ("4K7", 4.7e3, 100.0),
    ("47K", 47e3, 1e3),
    ("47K3", 47.3e3, 100.0),
    ("470K", 470e3, 1e3),
    ("4M7", 4.7e6, 1e5),
    ("6L8", 0.0068, 0.0001),
    ("R010", 0.010, 0.001),
    # From here on the same rule, not listed there.
    ("0R3", 0.3, 0.1),
    ("2M2", 2.2e6, 1e5),
    ("1K5", 1.5e3, 100.0),
    ("4k7", 4.7e3, 100.0),
    ("4r7", 4.7, 0.1),
    ("4k7 ohm", 4.7e3, 100.0),
    ("K47", 470.0, 10.0),
    ("470 R", 470.0, 1.0),
]


@pytest.mark.parametrize(("text", "number", "step"), RKM)
def test_letter_and_digit_code(text: str, number: float, step: float) -> None:
    """The letter of a resistance code is both multiplier and decimal point."""
    assert parse_value(text, OHM) == Value("number", text, number, step, "ohm")


@pytest.mark.parametrize(
    ("text", "expect", "number", "step"),
    [
        ("14", OHM, 14.0, 1.0),
        ("14.0", OHM, 14.0, 0.1),
        (" 0.3 ohm ", OHM, 0.3, 0.1),
        ("0.30 ohms", OHM, 0.3, 0.01),
        ("0.3\u03a9", OHM, 0.3, 0.1),  # Greek letter
        ("0.3\u2126", OHM, 0.3, 0.1),  # ohm sign
        (".3", OHM, 0.3, 0.1),
        ("3.", OHM, 3.0, 1.0),
        ("+3", OHM, 3.0, 1.0),
        ("4.7k", OHM, 4700.0, 100.0),
        ("4.7 K", OHM, 4700.0, 100.0),
        ("4.70kohm", OHM, 4700.0, 10.0),
        ("4,7k", OHM, 4700.0, 100.0),
        ("0,300", OHM, 0.3, 0.001),
        ("12,5", OHM, 12.5, 0.1),
        ("1,0000", OHM, 1.0, 0.0001),
        ("2.2M", OHM, 2.2e6, 1e5),
        ("2.2 Mohm", OHM, 2.2e6, 1e5),
        ("10 megohm", OHM, 1e7, 1e6),
        ("22 mohm", OHM, 0.022, 0.001),
        ("1e3", OHM, 1000.0, 1000.0),
        ("1.5e-3 ohm", OHM, 0.0015, 0.0001),
        ("0", OHM, 0.0, 1.0),
        ("-0.0", OHM, 0.0, 0.1),
        ("112 V", VOLT, 112.0, 1.0),
        ("112V", VOLT, 112.0, 1.0),
        ("112 volts", VOLT, 112.0, 1.0),
        ("1.2kV", VOLT, 1200.0, 100.0),
        ("300mV", VOLT, 0.3, 0.001),
        ("300 m", VOLT, 0.3, 0.001),
        ("-0.25", SIGNED, -0.25, 0.01),
        ("\u22120.25 V", SIGNED, -0.25, 0.01),
        ("0.7", GAP, 0.7, 0.1),
        ("0.7 MM", GAP, 0.7, 0.1),
        ("550 r/min", SPEED, 550.0, 1.0),
        ("-5 C", HEAT, -5.0, 1.0),
        ("20\u00b0C", HEAT, 20.0, 1.0),
        ("11.8k", RSEC, 11800.0, 100.0),
        ("11.8 ohm", RSEC, 11.8, 0.1),  # explicit: as written, though far outside the span
        ("50M", RSEC, 50e6, 1e6),
        ("0", RSEC, 0.0, 1.0),
        ("50", RSEC, 50.0, 1.0),  # 50 k is outside too: nothing to ask
        ("11800", RSEC, 11800.0, 1.0),
    ],
)
def test_numbers(text: str, expect: Expect, number: float, step: float) -> None:
    """A written number keeps its size, its last digit and its base unit."""
    assert parse_value(text, expect) == Value("number", text.strip(), number, step, expect.unit)


@pytest.mark.parametrize(
    ("text", "expect", "says"),
    [
        ("", OHM, "is empty"),
        ("   ", LOOK, "not-taken"),
        ("abc", OHM, "reads in ohms, such as 12 ohm"),
        ("opne", OHM, "did you mean 'open'"),
        ("unstabel", VOLT, "did you mean 'unstable'"),
        ("nan", OHM, "write OL"),
        ("inf", VOLT, "write OL"),
        ("-INF", SIGNED, "write OL"),
        ("0L", OHM, "write OL"),
        ("0.L", VOLT, "write OL"),
        (">lots", OHM, "OL@200"),
        ("-5", OHM, "a resistance cannot be negative"),
        ("-5 V", VOLT, "cannot be negative"),
        ("12 V", OHM, "is in volts; this test reads in ohms"),
        ("12 ohm", VOLT, "is in ohms; this test reads in volts"),
        ("4k7", VOLT, "this test reads in volts"),
        ("4.7k", GAP, "this test reads in millimetres"),
        ("0.028 in", GAP, "this test reads in millimetres"),
        ("12 foo", OHM, "unknown unit 'foo'"),
        ("2m2", OHM, "unknown unit"),  # milli or mega: not in the code
        ("3-40", VOLT, "this test reads in volts"),
        ("1,000", OHM, "write 1000 or 1.000"),
        ("1,000 V", VOLT, "write 1000V or 1.000V"),
        ("1,000,000", OHM, "is not one number"),
        ("1.000,5", OHM, "is not one number"),
        ("1 000", OHM, "is not a reading"),
        ("R", OHM, "is not a reading"),
        ("\u0664", OHM, "is not a reading"),  # a digit, but no meter's
        ("1.2345678901234567", OHM, "beyond any meter"),
        ("2e15", OHM, "beyond any meter"),
        ("1e-99", OHM, "beyond any meter"),
        ("0e999", OHM, "beyond any meter"),
        ("7" * 81, OHM, "81 characters"),
        ("OL@", OHM, "is not a reading"),
        ("OL@0", OHM, "top of the range"),
        ("OL@20 V", OHM, "is in volts"),
        ("unstable 3", OHM, "unstable 3..40"),
        ("unstable 3..", OHM, "unstable 3..40"),
        ("unstable 40..3", OHM, "smaller number"),
        ("unstable 3..3", OHM, "smaller number"),
        ("unstable 3...40", OHM, "unstable 3..40"),
        ("unstable 3..40k", OHM, "both ends"),  # 3 ohm or 3 kohm
        ("unstable 3k..40", OHM, "both ends"),
        ("unstable 3..OL", OHM, "is not a reading"),
        ("unstable 3..12", RSEC, "12k or 12 ohm"),
        ("fouled", LOOK, "did you mean 'oil_fouled'"),
        ("14", LOOK, "known: clean, cracked"),
        ("OL", LOOK, "not an outcome"),
        ("7", SPARK, "7/10"),
        ("blue", SPARK, "known: "),
        ("strogn 9/10", SPARK, "did you mean 'strong'"),
        ("none 3/10", SPARK, "contradicts itself"),
        ("strong 2/10", SPARK, "contradicts itself; that is 'weak 2/10'"),
        ("weak 0/10", SPARK, "contradicts itself; that is 'none 0/10'"),
        ("11/10", SPARK, "is no count"),
        ("0/0", SPARK, "is no count"),
        ("5/201", SPARK, "1 to 200"),
    ],
)
def test_refused(text: str, expect: Expect, says: str) -> None:
    """A text that cannot stand is refused in one line with the test's name and a remedy."""
    with pytest.raises(ReadingError) as caught:
        parse_value(text, expect)
    message = str(caught.value)
    assert says in message
    assert expect.name in message
    assert "\n" not in message
    assert len(message) < 250


def test_question_about_a_forgotten_prefix() -> None:
    """A bare number that a factor of 1000 would explain is asked about, not guessed."""
    with pytest.raises(ReadingError) as caught:
        parse_value("11.8", RSEC)
    assert str(caught.value) == (
        "'11.8' for rsec would be 11.8 ohm, far below anything it can show "
        "(3 kohm to 30 kohm): write the unit, 11.8k or 11.8 ohm"
    )
    with pytest.raises(ReadingError, match=r"far above .* write the unit, 0.3 V or 300 V"):
        parse_value("300", VPUL)
    with pytest.raises(ReadingError, match=r"write the unit, 0.7 mm or 700 mm"):
        parse_value("700", GAP)


@pytest.mark.parametrize(("text", "spoken"), [("11.8", ("11.8k", "11.8 ohm")), ("4,7", ("4.7k",))])
def test_remedies_work(text: str, spoken: tuple[str, ...]) -> None:
    """What a refusal tells one to write is accepted."""
    with pytest.raises(ReadingError) as caught:
        parse_value(text, RSEC)
    for remedy in spoken:
        assert remedy in str(caught.value)
        assert parse_value(remedy, RSEC).kind == "number"


@pytest.mark.parametrize(
    ("text", "top"),
    [
        ("OL", None),
        ("ol", None),
        ("O.L", None),
        ("O.L.", None),
        ("open", None),
        ("over-range", None),
        ("OL@200", 200.0),
        ("OL@20k", 20e3),
        ("ol @ 2 Mohm", 2e6),
        ("OL@4k7", 4700.0),
        ("open@200R", 200.0),
    ],
)
def test_over_range(text: str, top: float | None) -> None:
    """Over-range keeps the top of the range when it was noted, and needs no span."""
    assert parse_value(text, RSEC) == Value("over-range", text, unit="ohm", range_top=top)


@pytest.mark.parametrize(
    ("text", "expect", "low", "high", "step"),
    [
        ("unstable", OHM, None, None, None),
        ("unstable 3..40", OHM, 3.0, 40.0, 1.0),
        ("unstable 3-40 V", VOLT, 3.0, 40.0, 1.0),
        ("Unstable: 3 to 40.5", OHM, 3.0, 40.5, 0.1),
        ("unstable 3 - 40", OHM, 3.0, 40.0, 1.0),
        ("unstable 3\u201340", OHM, 3.0, 40.0, 1.0),
        ("unstable 0..40k", OHM, 0.0, 40e3, 1.0),
        ("unstable 0R3..4k7", OHM, 0.3, 4700.0, 0.1),
        ("unstable 3k..40k", RSEC, 3e3, 40e3, 1e3),
        ("unstable -3..-1", SIGNED, -3.0, -1.0, 1.0),
        ("unstable -3--1", SIGNED, -3.0, -1.0, 1.0),
        ("unstable 1e-3..2", OHM, 0.001, 2.0, 0.001),
        ("unstable 1e-3-2", OHM, 0.001, 2.0, 0.001),
    ],
)
def test_unstable(
    text: str, expect: Expect, low: float | None, high: float | None, step: float | None
) -> None:
    """A wandering reading keeps its two ends and the finer last digit."""
    wanted = Value("unstable", text, step=step, unit=expect.unit, low=low, high=high)
    assert parse_value(text, expect) == wanted


@pytest.mark.parametrize(
    ("text", "word", "hits", "tries"),
    [
        ("none 0/10", "none", 0, 10),
        ("strong 10/10", "strong", 10, 10),
        ("weak 4/10", "weak", 4, 10),
        ("0/10", "none", 0, 10),
        ("7/10", "weak", 7, 10),
        ("8/10", "weak", 8, 10),
        ("9/10", "strong", 9, 10),
        ("18 of 20", "strong", 18, 20),
        ("179/199", "weak", 179, 199),  # 89.95 %
        ("180/200", "strong", 180, 200),
        ("weak 10/10", "weak", 10, 10),  # a thin spark, every time
        ("Strong: 3/3", "strong", 3, 3),
        ("none", "none", None, None),
        ("WEAK", "weak", None, None),
        ("strong", "strong", None, None),
    ],
)
def test_sparks(text: str, word: str, hits: int | None, tries: int | None) -> None:
    """Sparks are counted out of tries; the word follows from the count when not given."""
    assert parse_value(text, SPARK) == Value("sparks", text, hits=hits, tries=tries, word=word)


@pytest.mark.parametrize("text", ["oil_fouled", "oil fouled", "Oil-Fouled", " OIL  FOULED "])
def test_look_words(text: str) -> None:
    """Case, spaces, hyphens and underscores do not matter in a look test's outcome."""
    assert parse_value(text, LOOK) == Value("word", text.strip(), word="oil_fouled")


def test_a_ratio_has_no_unit_to_ask_for() -> None:
    """A plain number outside its span is accepted, as there is no unit to write."""
    assert parse_value("0.5", Expect("ratio", "", span=(1.0, 1000.0))).number == 0.5


def test_a_test_may_have_words_and_numbers() -> None:
    """A test with a unit and words takes either, its own words first."""
    both = Expect("stop_switch", "ohm", words=("open", "closed"))
    assert parse_value("open", both).kind == "word"
    assert parse_value("1.5", both).number == 1.5
    assert parse_value("OL", both).kind == "over-range"


@pytest.mark.parametrize("expect", ALL)
@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("not-taken", "not-taken"),
        ("not taken", "not-taken"),
        ("NOT_TAKEN", "not-taken"),
        ("refused", "refused"),
        ("impossible", "impossible"),
        ("not-possible", "impossible"),
    ],
)
def test_states_of_every_test(text: str, kind: str, expect: Expect) -> None:
    """Every test can be not taken, refused, or impossible."""
    assert (parse_value(text, expect).kind, parse_value(text, expect).text) == (kind, text)


def test_long_text_is_not_echoed() -> None:
    """A pasted page is refused without being printed."""
    with pytest.raises(ReadingError) as caught:
        parse_value("x" * 100_000, OHM)
    assert "100000 characters" in str(caught.value)
    assert len(str(caught.value)) < 150


@few
@given(st.text(max_size=200), st.sampled_from(ALL))
@example("O.L@", OHM)
@example("unstable -", VOLT)
@example("K", SPEED)
@example("\ud800", OHM)
def test_any_text_parses_or_is_refused(text: str, expect: Expect) -> None:
    """Whatever is typed, the answer is a value or a reading error in one printable line."""
    try:
        assert parse_value(text, expect).text == text.strip()
    except ReadingError as error:
        assert str(error).isprintable()


PIECES = [*"013,.-+ekKMmRLV\u03a9@/%( ", "..", "4.7", "10", "ohm", "OL", "unstable", "weak", "none"]


@few
@given(st.lists(st.sampled_from(PIECES), max_size=8), st.sampled_from(ALL))
def test_any_near_miss_parses_or_is_refused(pieces: list[str], expect: Expect) -> None:
    """Texts made of the right pieces in the wrong order are never another kind of error."""
    text = "".join(pieces)
    for read in (lambda: parse_value(text, expect), lambda: parse_accuracy(text)):
        try:
            read()
        except ReadingError as error:
            assert str(error).isprintable()
    try:
        parse_impedance(text)
        to_base(text, expect.unit)
    except BenchoddsError as error:
        assert str(error).isprintable()


@pytest.mark.parametrize(
    ("number", "unit", "step", "text"),
    [
        (4700, "ohm", None, "4.7 kohm"),
        (4700, "ohm", 10, "4.70 kohm"),
        (112, "V", None, "112 V"),
        (112.0, "V", 1.0, "112 V"),
        (0.3, "ohm", 0.01, "0.30 ohm"),
        (0.3, "ohm", None, "0.3 ohm"),
        (0.022, "ohm", None, "0.022 ohm"),  # never mohm, too close to Mohm
        (999.6, "ohm", None, "1 kohm"),
        (999.96, "ohm", 0.1, "1.0000 kohm"),
        (470, "ohm", 10, "0.47 kohm"),
        (2.2e6, "ohm", None, "2.2 Mohm"),
        (1234.5, "V", None, "1.23 kV"),
        (0.045, "V", None, "45 mV"),
        (0.05, "V", 0.01, "0.05 V"),
        (0.7, "V", None, "0.7 V"),
        (0, "V", None, "0 V"),
        (-0.0, "V", 0.1, "0.0 V"),
        (-0.045, "V", None, "-45 mV"),
        (1500, "rpm", None, "1500 rpm"),
        (0.7, "mm", 0.01, "0.70 mm"),
        (20, "degC", None, "20 degC"),
        (0.25, "", None, "0.25"),
        (math.inf, "ohm", None, "inf ohm"),
    ],
)
def test_show(number: float, unit: str, step: float | None, text: str) -> None:
    """Numbers are shown with the prefix and digits a technician expects."""
    assert show(number, unit, step) == text


decades = st.integers(-6, 6)
numbers = st.floats(1e-6, 1e9) | st.floats(-1e9, -1e-6) | st.just(0.0)


@few
@given(numbers, st.sampled_from(["V", "A", "ohm", "mm", "rpm", "degC"]), st.integers(-3, 3))
def test_show_then_parse_keeps_the_number(number: float, unit: str, decade: int) -> None:
    """What is shown to a step is read back within half that step, and as that same step."""
    read = parse_value(show(number, unit, 10.0**decade), Expect("x", unit, signed=True))
    assert read.number is not None
    assert abs(read.number - number) <= 0.5 * 10.0**decade * (1 + 1e-9) + 1e-15 * abs(number)
    if unit in ("V", "A", "ohm"):
        assert read.step == pytest.approx(10.0**decade, rel=1e-12)


@few
@given(numbers, st.sampled_from(["V", "A", "ohm", "mm", "rpm", "degC"]))
def test_show_without_step_keeps_three_figures(number: float, unit: str) -> None:
    """Without a step, what is shown is read back within half of the third figure."""
    read = parse_value(show(number, unit), Expect("x", unit, signed=True))
    assert read.number == pytest.approx(number, rel=0.00501)


@pytest.mark.parametrize(
    ("text", "expect", "shown"),
    [
        ("4k7", OHM, "4.7 kohm"),
        ("0.30", OHM, "0.30 ohm"),
        ("112V", VOLT, "112 V"),
        ("ol", OHM, "OL"),
        ("OL@1999", OHM, "OL@1.999 kohm"),
        ("OL@20k", OHM, "OL@20 kohm"),
        ("unstable", OHM, "unstable"),
        ("unstable 3-40", VOLT, "unstable 3..40 V"),
        ("unstable 3k..40k", OHM, "unstable 3 kohm..40 kohm"),
        ("unstable 0R3..4k7", OHM, "unstable 0.3 ohm..4.7000 kohm"),
        ("unstable -3--1", SIGNED, "unstable -3..-1 V"),
        ("7/10", SPARK, "weak 7/10"),
        ("none", SPARK, "none"),
        ("Oil Fouled", LOOK, "oil_fouled"),
        ("not taken", LOOK, "not-taken"),
        ("not-possible", OHM, "impossible"),
    ],
)
def test_show_value_is_canonical(text: str, expect: Expect, shown: str) -> None:
    """Every kind of value has one way to be shown, which reads back as the same value."""
    value = parse_value(text, expect)
    assert show_value(value) == shown
    again = parse_value(shown, expect)
    assert show_value(again) == shown
    assert all(
        getattr(value, field) == getattr(again, field)
        for field in Value.__slots__
        if field != "text"
    )


def test_gum_digital_voltmeter() -> None:
    """The GUM's digital voltmeter example comes out through the text form of its accuracy."""
    # JCGM 100:2008, 4.3.7 example 2 (from memory): 0.928571 V read on the 1 V range, accuracy
    # 14e-6 of reading + 2e-6 of range; a = 15 uV, u = 8.7 uV. Recomputed: 15.000, 8.660 uV.
    meter = parse_accuracy("0.0014 % of reading + 0.0002 % of range")
    assert meter == Accuracy(percent=0.0014, counts=0.0, full_scale_percent=0.0002)
    assert meter.half_width(0.928571, 1e-6, 1.0) == pytest.approx(15.000e-6, abs=0.0005e-6)
    assert meter.standard_uncertainty(0.928571, 1e-6, 1.0) == pytest.approx(8.66e-6, abs=0.001e-6)


def test_small_ohms_are_lost_in_the_counts() -> None:
    """A handheld's 1 % + 5 counts of 0.1 ohm leave a 0.3 ohm primary unreadable."""
    # By hand: (0.01 * 0.3 + 5 * 0.1) / sqrt(3) = 0.503 / 1.73205 = 0.2904 ohm.
    meter = parse_accuracy("1 % + 5")
    assert meter.standard_uncertainty(0.3, 0.1) == pytest.approx(0.2904, abs=5e-5)
    assert meter.half_width(-0.3, 0.1) == meter.half_width(0.3, 0.1)


@pytest.mark.parametrize(
    ("text", "accuracy"),
    [
        ("0.8%+3", Accuracy(0.8, 3)),
        ("1 % + 5", Accuracy(1, 5)),
        ("\u00b1(0.5 % rdg + 2 digits)", Accuracy(0.5, 2)),
        ("+/-1%", Accuracy(1, 0)),
        ("0,8 % + 3", Accuracy(0.8, 3)),
        ("3% fs", Accuracy(0, 0, 3)),
        ("3 % of full scale", Accuracy(0, 0, 3)),
        ("1% + 0.5% fs + 2", Accuracy(1, 2, 0.5)),
    ],
)
def test_accuracy_texts(text: str, accuracy: Accuracy) -> None:
    """The usual ways to print a meter's accuracy are understood."""
    assert parse_accuracy(text) == accuracy


@pytest.mark.parametrize("text", ["", "good", "3", "0.8", "-1%", "120%", "1.2.3%", "0%", "1%" * 99])
def test_accuracy_refused(text: str) -> None:
    """A text without a per cent figure, or an impossible one, is no accuracy."""
    with pytest.raises(ReadingError, match=r"write '0\.8 % \+ 3'"):
        parse_accuracy(text)


def test_full_scale_accuracy_needs_the_range() -> None:
    """A full-scale accuracy says nothing until the range is known."""
    analogue = parse_accuracy("3 % fs")
    assert analogue.half_width(100.0, 1.0, 250.0) == pytest.approx(7.5)  # 0.03 * 250
    with pytest.raises(ReadingError, match="needs the meter's range"):
        analogue.half_width(100.0, 1.0)


@pytest.mark.parametrize(
    ("text", "impedance"),
    [
        ("10M", Impedance(1e7)),
        ("10 Mohm", Impedance(1e7)),
        ("1M", Impedance(1e6)),
        ("10000000", Impedance(1e7)),
        ("20k/V", Impedance(ohm_per_volt=20e3)),
        ("20 kohm/V", Impedance(ohm_per_volt=20e3)),
        ("2k\u03a9 per volt", Impedance(ohm_per_volt=2e3)),
    ],
)
def test_impedance_texts(text: str, impedance: Impedance) -> None:
    """A voltmeter's input is a resistance, or ohms per volt of range."""
    assert parse_impedance(text) == impedance


@pytest.mark.parametrize("text", ["", "10", "10m", "20/V", "10 V", "/V", "-10M", "big", "9" * 99])
def test_impedance_refused(text: str) -> None:
    """A resistance that no voltmeter has is refused rather than scaled."""
    with pytest.raises(ReadingError):
        parse_impedance(text)


def test_impedance_on_a_range() -> None:
    """Ohms per volt become ohms on a range only, a fixed input on any."""
    moving_coil = parse_impedance("20k/V")
    assert moving_coil.at(250.0) == 5e6  # 20 kohm/V * 250 V
    assert moving_coil.at(10.0) == 200e3
    assert moving_coil.at(None) is None
    assert parse_impedance("10M").at(None) == 1e7
