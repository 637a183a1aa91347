"""What the shipped models must allow, and what a reading may say: bands from physics.

Every band was written before the tool was asked. Sources: copper, IEC 60028 (1/58 ohm mm2/m);
conductors, IEC 60228; star windings, law of cosines at 120 degrees; charge and rest volts of lead
cells, acid density plus 0.84 (textbook rule, from memory); two-wire ohms, the sum of all that is
in the loop. What else is common practice is marked "common practice, no published source".
"""

from __future__ import annotations

import math
import re
from functools import lru_cache

import numpy as np
import pytest

from benchodds.basics.errors import ReadingError
from benchodds.infer.assess import Assessment, Machine, assess
from benchodds.keep import session
from benchodds.model.jobs import Technique
from benchodds.reasons.evidence import joint
from benchodds.reasons.explain import explain_reading
from benchodds.reasons.sentences import sentences
from made_jobs import job_of

COPPER = 1 / 58
"""Resistivity at 20 C, ohm mm2/m (IEC 60028)."""


@lru_cache
def machine(system: str) -> Machine:
    """A shipped machine, its default variant."""
    return session.load_machine(system, None, system)


def found(
    system: str, *readings: tuple[str, str], complaint: str | None = None, **said: str
) -> Assessment:
    """What readings come to."""
    m = machine(system)
    how = Technique(**said)  # type: ignore[arg-type]
    return assess(m, job_of(m, [(t, [v], how) for t, v in readings], complaint))


def odds(a: Assessment, fault: str) -> float:
    """Odds of a fault, p / (1 - p)."""
    p = a.chances[fault]
    return p / (1 - p)


def worth(system: str, fault: str, *readings: tuple[str, str], **said: str) -> float:
    """How many times readings multiply the odds of a fault."""
    return odds(found(system, *readings, **said), fault) / odds(found(system), fault)


# ---- an earth path: a drop under load, and a hand meter's ohms ---------------------------------


@pytest.mark.parametrize(
    ("written", "low", "high"),
    [("0.35", 5, math.inf), ("0.35 V", 5, math.inf), ("350 mV", 5, math.inf), ("0.02", 0, 0.15)],
)
def test_a_drop_at_one_ampere_is_read_in_millivolts(written: str, low: float, high: float) -> None:
    """0.35 V at 1 A is 0.35 ohm: 30 cm of 0.5 mm2 copper are 0.01 ohm (IEC 60028), and a good
    path with its joints hundredths; so a bad ground is many times likelier. Read on the volts
    range it is sure to a few millivolts, not to the half ohm of a hand meter's ohms."""
    assert 0.3 / 0.5 * COPPER < 0.011
    assert low < worth("mag-cdi", "gnd.highR", ("gnd-vd", written)) < high


@pytest.mark.parametrize("system", ["mag-cdi", "dc-cdi", "tci"])
@pytest.mark.parametrize("shown", ["0.2", "0.4"])
def test_hand_ohms_on_an_earth_path_say_hardly_anything(system: str, shown: str) -> None:
    """Two-wire ohms are the path, two leads (0.1 to 0.5 ohm) and two contacts, shown in tenths: 0.2
    or 0.4 ohm through leads that were not nulled is any path up to some tenths of an ohm, and a
    contact that gives way under current and shaking is mostly good at rest (judgement). The weight
    may not pass 5 decibans either way (a factor of 3; Good's deciban), and a pass must be worth
    less than a third, in decibans, of the drop under load that passes."""
    hand = worth(system, "gnd.highR", ("gnd-ohm", shown), leads="raw")
    assert 1 / 3.2 < hand < 3.2
    loaded = ("gnd-vd", "0.02") if system == "mag-cdi" else ("gnd-drop", "0.06")
    assert abs(math.log(hand)) < abs(math.log(worth(system, "gnd.highR", loaded))) / 3


def test_hand_ohms_on_a_starter_earth_say_nothing() -> None:
    """0.02 ohm loses 2 V at 100 A (Ohm) and no hand meter shows it behind its leads."""
    hand = worth("starter", "ground.highR", ("gnd-ohm", "0.2"), leads="raw")
    assert 0.8 < hand < 1.25
    assert worth("starter", "ground.highR", ("drop-gnd", "0.10")) < 0.3
    assert odds(found("starter", ("gnd-ohm", "OL"), complaint="no-crank"), "ground.open") > 1, (
        "an open is seen"
    )


@pytest.mark.parametrize(
    ("test", "said", "fault", "low", "high"),
    [
        ("gnd-ohm", "beep", "gnd.highR", 0.8, 1.1),
        ("gnd-ohm", "beep", "gnd.open", 0, 0.1),
        ("gnd-ohm", "no beep", "gnd.open", 30, math.inf),
        ("stop-r", "beep", "stop.switch", 2, math.inf),
    ],
)
def test_a_beeper_has_a_threshold_of_its_own(
    test: str, said: str, fault: str, low: float, high: float
) -> None:
    """Beepers sound below some tens of ohms (common practice, no published source): a ground of
    1 ohm too much beeps like a good one, an open does not; a stop line that beeps is shorted."""
    assert low < worth("mag-cdi", fault, (test, said)) < high


# ---- a drop from the volts at both ends --------------------------------------------------------


def test_a_drop_is_taken_from_the_volts_at_both_ends() -> None:
    """12.4 V and 12.1 V to ground are a drop of 0.3 V (Kirchhoff), but no drop read in one: each
    is shown in hundredths with three counts of error (0.017 V, JCGM 100, 4.3.7), and the battery's
    volts move by 0.08 V between the two looks. So the difference is sure to
    sqrt(2 (0.017^2 + 0.08^2)) = 0.116 V at best, and must weigh less than 0.30 V read in one."""
    tool = machine("starter").instrument("drop-pos")
    (value,) = tool.parse(["12.4-12.1"])
    assert value.number == pytest.approx(0.3)
    u, _step = tool.display_uncertainty(value, Technique())
    assert 0.11 < u < 0.13
    direct = abs(math.log(worth("starter", "cable.highR", ("drop-pos", "1.10"))))
    ends = abs(math.log(worth("starter", "cable.highR", ("drop-pos", "11.2 V - 10.1 V"))))
    assert 0.2 * direct < ends < direct


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (["12.1-12.4"], "write the volts nearer the source first, 12.4-12.1"),
        (["12.4", "12.1"], "write 12.4-12.1 when they are the volts at the two ends"),
    ],
)
def test_volts_that_are_no_drop_are_asked_about(values: list[str], words: str) -> None:
    """A sentence says how two absolute values are written; two drops of 12 V would be an open."""
    with pytest.raises(ReadingError) as error:
        machine("starter").instrument("drop-pos").parse(values)
    assert words in str(error.value)
    assert machine("starter").instrument("drop-pos").parse(["12.4 V", "12.1 V"])


# ---- a winding with shorted turns --------------------------------------------------------------


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.75])
def test_a_shorted_leg_falls_as_far_as_it_likes(share: float) -> None:
    """One leg of a star at a share x of its volts leaves its two pairs at
    sqrt((1 + x + x^2) / 3) of a sound pair (law of cosines at 120 degrees), 0.59 at x = 0.05; the
    third pair is right. Every x from a dead short to three quarters is one fault, no matter for the
    meter; nearer to 1 the speed, held by hand to 2.5 %, hides it."""
    pair = math.sqrt((1 + share + share**2) / 3)
    low, high = f"{58 * pair:.0f}", "58"
    a = found("charging", ("vac-ab", low), ("vac-bc", high), ("vac-ca", low))
    rivals = sorted(a.chances, key=a.chances.__getitem__)
    assert rivals[-1] == "stator.shorted"
    assert a.chances["stator.shorted"] > 0.8
    assert max(p for item, state, p in a.gear if item == "meter" and state != "ok") < 0.1


def _amps(*readings: tuple[str, str]) -> float:
    """Mean of the current that reaches the rectifier, share of all, given readings."""
    a = found("charging", *readings)
    return float(joint(a.network, ("stator_share",)) @ a.network.variables["stator_share"].values)


def test_the_rectifier_is_fed_by_the_same_damage() -> None:
    """The deeper a leg has fallen, the less current the rectifier gets: with x = 0.1 two of three
    pairs give 0.61 of their volts, with x = 0.85 they give 0.93; mean of the three pairs 0.74 and
    0.95. The stator's share must follow, by at least half of that difference."""
    deep = _amps(("vac-ab", "35.4"), ("vac-bc", "58"), ("vac-ca", "35.4"))
    slight = _amps(("vac-ab", "54"), ("vac-bc", "58"), ("vac-ca", "54"))
    assert slight - deep > 0.1


# ---- cables ------------------------------------------------------------------------------------


def _ends(system: str, quantity: str, component: str) -> tuple[float, float]:
    """5 and 95 % points of a quantity on a machine whose component is sound."""
    m = machine(system)
    table, variable = m.tables[quantity], m.variables[quantity]
    p = table.p[(slice(None), *[0] * (table.p.ndim - 1))]
    assert component in table.scope
    cum = np.cumsum(p)
    return tuple(float(variable.values[np.searchsorted(cum, q)]) for q in (0.05, 0.95))  # type: ignore[return-value]


def test_cables_of_real_lengths_and_sections() -> None:
    """Starter cables are 0.9 to 1.4 m of 16 mm2, now and then of 10 mm2 (common practice, no
    published source); flexible cores have up to 1.12 times the ohms (IEC 60228), lugs and crimps
    add 0.3 to 1.2 milliohm. So from 0.9 m of 16 mm2 with the best lugs, 1.4 milliohm, to 1.4 m of
    10 mm2 with the worst, 3.9: the middle 90 % must span a factor of 1.8 at least, within that."""
    best = 0.9 / 16 * COPPER * 1.12 + 0.3e-3
    worst = 1.4 / 10 * COPPER * 1.12 + 1.2e-3
    low, high = _ends("starter", "r_cable", "cable")
    assert best < low < high < worst
    assert high / low > 1.8


def test_charge_wires_of_real_lengths_and_sections() -> None:
    """Regulator to battery: 0.5 to 1.5 m of 1.5 to 4 mm2 is 2 to 17 milliohm (IEC 60028), with a
    fuse, its holder and two joints of 0.5 to 1 each: the middle 90 % spans a factor of 3 to 7."""
    low, high = _ends("charging", "r_pos", "wire")
    assert 0.5 / 4 * COPPER < low < high < 1.5 / 1.5 * COPPER + 4e-3
    assert 3 < high / low < 7


# ---- volts of a good battery at rest -----------------------------------------------------------


def _fit(charge: float, kind: float, surface: float) -> float:
    """Volts of six cells: density 1.12 empty to 1.28 full (flooded, 20 C), plus 0.84 each."""
    return 6 * (0.84 + 1.12 + 0.16 * charge) + kind + surface


@pytest.mark.parametrize(
    ("system", "test", "fault"),
    [
        ("dc-cdi", "vbat-rest", "battery.flat"),
        ("tci", "vbat-rest", "battery.flat"),
        ("starter", "vbat-rest", "battery.flat"),
    ],
)
def test_rest_volts_of_a_good_battery(system: str, test: str, fault: str) -> None:
    """A sound battery stands at 60 to 100 % of its charge; gel and AGM stand 0.1 to 0.15 V above
    flooded ones, a surface charge adds up to 0.15 V in the first hour, 20 K move it by 0.03 V. So
    12.3 V (60 %, flooded, rested) to 13.0 V (full, AGM, fresh from the charger): neither end may
    count more than 2.5 to one against a good battery (4 decibans; drawn tighter than the ten to
    one first written, which the narrow spread of before met too), and 11.6 V must."""
    assert _fit(0.6, 0, 0) == pytest.approx(12.34, abs=0.01)
    assert _fit(1.0, 0.12, 0.15) == pytest.approx(13.0, abs=0.05)
    good = [
        sum(
            found(system, (test, v)).chances[f"battery.{m}"]
            for m in machine(system).modes["battery"]
        )
        for v in ("12.35", "13.0")
    ]
    prior = sum(found(system).chances[f"battery.{m}"] for m in machine(system).modes["battery"])
    for p in good:
        assert p / (1 - p) < 2.5 * prior / (1 - prior)
    assert worth(system, fault, (test, "11.6")) > 5


def test_a_battery_just_charged_may_stand_high() -> None:
    """An hour after the charger a sound battery shows 12.6 (flooded) to 13.0 V (AGM with some
    surface charge): neither may accuse the battery three to one."""
    for volts in ("12.62", "13.0"):
        for mode in ("worn", "cell", "link"):
            assert worth("charging", f"battery.{mode}", ("vbat-charged", volts)) < 3


# ---- limits as they are printed ----------------------------------------------------------------


def test_limits_print_with_the_digits_they_have() -> None:
    """12.45 V is not 12.4 V, in the sentence of `why` and in the names of outcomes."""
    a = found("dc-cdi", ("vbat-rest", "12.6"))
    text = "\n".join(sentences(explain_reading(a, a.taken[0].reading.id)))
    assert "12.45 V" in text
    outcomes, _table = machine("dc-cdi").instrument("vbat-rest").predictive(Technique())
    assert sum("12.45 V" in o.label for o in outcomes) == 2


@pytest.mark.parametrize(
    ("system", "test", "shown"),
    [
        ("dc-cdi", "vbat-rest", "12.6"),
        ("tci", "vbat-rest", "12.4"),
        ("charging", "vdc-fast", "14.1"),
        ("charging", "vac-ab", "51"),
        ("starter", "vbat-crank", "9.8"),
        ("mag-cdi", "gnd-vd", "0.09"),
    ],
)
def test_accept_and_reject_never_print_one_figure(system: str, test: str, shown: str) -> None:
    """From 12.4 on it is accepted with 95 %, below 12.3 rejected: the two differ, however close."""
    a = found(system, (test, shown))
    text = " ".join(" ".join(sentences(explain_reading(a, a.taken[0].reading.id))).split())
    (words,) = re.findall(r"times in 100, accept (.*?); reject (.*?)\. The bare", text)
    accept, reject = (
        dict(re.findall(r"(from|below|up to|above) ([0-9.]+ \S+?)(?:,|$)", w)) for w in words
    )
    for one, other in (("from", "below"), ("up to", "above")):
        if one in accept and other in reject:
            assert accept[one] != reject[other], words
    assert accept or reject, words
