"""What a reading is worth, in plain sentences: the most important first, 80 columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from benchodds.basics.quantities import show
from benchodds.basics.words import about, percent, wrap
from benchodds.reasons.budget import Budget
from benchodds.reasons.clashes import Clash, GearNote
from benchodds.reasons.conformance import Side
from benchodds.reasons.limits import Conformance, Guard, OneSided
from benchodds.reasons.whatif import Crossing, Learning, Turn
from benchodds.reasons.why import LimitSaid, Weight, Why

FAINT_DB = 1.0
"""The smallest evidence a person notices (Good 1950, after Turing); less is not told."""
FAINT_BITS = 0.01
"""Information that is told as none."""


def sentences(why: Why) -> list[str]:
    """A reading explained, as lines of at most 80 columns; about twenty of them."""
    r = why.reading
    parts = [f"{r.id} {r.test} = {', '.join(r.written)}: {r.title}."]
    if why.limit:
        parts.append(_limit(why.limit, r.unit))
    if why.conformance:
        parts.append(_conforms(why.conformance))
    if why.p_slip > 0.5:
        parts.append(
            f"It fits no likely state: {about(why.p_slip)} ({percent(why.p_slip)}) a slip, such as "
            "a wrong terminal or a factor of 1000. Take it again."
        )
    parts += [_gear(n) for n in why.gear if r.id in n.readings][:1]
    if why.one_sided:
        parts.append(_one_sided(why.one_sided, why))
    parts.append(_weights(why.weights, why))
    parts.append(_turn(why.turn, why))
    if why.conformance:
        parts.append(_guards(why.conformance, why))
    if why.budget:
        parts.append(_budget(why.budget))
    parts.append(_learning(why.learning))
    return [line for part in parts if part for line in wrap(part, "", "  ")]


def clash_sentences(found: Sequence[Clash]) -> list[str]:
    """Contradictions between readings, with their likeliest explanations."""
    lines: list[str] = []
    for clash in found:
        if clash.kind == "no state":
            text = f"{clash.readings[0]} fits no likely state of the machine"
        else:
            text = "No single fault explains these readings"
        lines += wrap(f"{text} ({about(clash.p)}, {percent(clash.p)}). Least surprising first:")
        for e in clash.explanations[:4]:
            if e.p >= 0.01:
                lines += wrap(f"{percent(e.p):>9}  {e.reason}: {e.detail}", "", " " * 11)
    return lines


def gear_sentences(notes: Sequence[GearNote]) -> list[str]:
    """Gear and technique under suspicion, and how each is proved."""
    return [line for note in notes for line in wrap(_gear(note), "  ", "    ")]


def _limit(limit: LimitSaid, unit: str) -> str:
    ends = []
    if limit.lower is not None:
        ends.append(f"at least {show(limit.lower, unit)}")
    if limit.upper is not None:
        ends.append(f"at most {show(limit.upper, unit)}")
    told = f" ({limit.conditions})" if limit.conditions else ""
    return f"Limit: {', '.join(ends)}{told}. A bare comparison says: {limit.bare}."


def _conforms(c: Conformance) -> str:
    return (
        f"The true value meets the limit: {percent(c.job)} ({about(c.job)}) by the whole job; "
        f"{percent(c.alone)} ({about(c.alone)}) by this reading alone, "
        f"{percent(c.prior)} before any."
    )


def _one_sided(rule: OneSided, why: Why) -> str:
    if not (rule.passed or rule.cleared_by):
        return (
            "A low peak is weak evidence: slow cranking, a missed peak, droop and poor contact can "
            f"only lower it. By this technique a sound machine clears the limit "
            f"{about(rule.p_sound)} times ({percent(rule.p_sound)})."
        )
    by = "" if rule.passed else f" {rule.cleared_by} did that."
    text = (
        f"Once over the minimum, the source is good at that speed and temperature;{by} later low "
        "readings do not undo it."
    )
    hot = [f for f in rule.unseen if f.endswith(".hot")]
    past = [f"{f} {about(p)}" for f, p in rule.slips_past if p < rule.p_sound][:2]
    if hot:
        text += f" Blind to what fails only hot: {', '.join(hot)}."
    if past:
        text += f" Can still pass: {', '.join(past)}."
    return text.replace(f";{by} later", f".{by} Later") if by else text


def _names(rows: Iterable[Weight], why: Why) -> str:
    told = []
    for w in rows:
        name = why.titles.get(w.name, w.name)
        told.append(f"{name} {w.taken:+.0f} ({percent(w.before)} to {percent(w.after)})")
    return ", ".join(told)


def _weights(rows: Sequence[Weight], why: Why) -> str:
    strong = [w for w in rows if abs(w.taken) >= FAINT_DB and max(w.before, w.after) > 0.01]
    mine = [w for w in strong if w.kind == "component"]
    speaks_for = [w for w in mine if w.taken > 0][:2]
    against = [w for w in mine if w.taken < 0][:2]
    others = [w for w in strong if w.kind != "component" and w.taken > 0][:1]
    if not strong:
        return "Evidence: none to speak of, for or against anything."
    text = "Evidence, in decibans (+10: odds times ten)."
    for head, group in (("For", speaks_for), ("Against", against), ("Gear, technique", others)):
        if group:
            text += f" {head}: {_names(group, why)}."
    for w in [w for w in mine if abs(w.taken - w.left_out) > 3][:1]:
        name = why.titles.get(w.name, w.name)
        text += f" Beside all other readings it is worth {w.left_out:+.0f} on {name}."
    return text


def _at(crossing: Crossing, unit: str) -> str:
    return crossing.at if isinstance(crossing.at, str) else show(_round(crossing.at), unit)


def _round(x: float) -> float:
    return float(f"{x:.2g}")


def _turn(turn: Turn, why: Why) -> str:
    unit = why.reading.unit
    title = why.titles[turn.lead.component]
    lead = f"{title[0].upper()}{title[1:]} leads ({percent(turn.lead.p)})"
    by: dict[str, list[str]] = {}
    for word, c in (("or less", turn.lower), ("or more", turn.higher)):
        if c is not None:
            by.setdefault(c.lead.component, []).append(f"about {_at(c, unit)} {word}")
    for c in turn.named:
        by.setdefault(c.lead.component, []).append(f"'{c.at}'")
    if not by:
        return f"{lead}; no other outcome of this reading alone would turn that."
    told = [f"{' or '.join(ways)} would put {why.titles[c]} ahead" for c, ways in by.items()]
    return f"{lead}; {'; '.join(told)}."


def _guard(guards: Mapping[Side, Guard], unit: str, words: Mapping[Side, str]) -> str:
    told = []
    for side, guard in guards.items():
        if guard.kind == "at" and guard.at is not None:
            told.append(f"{words[side]} {show(_round(guard.at), unit)}")
        elif guard.kind == "every":
            told.append("whatever it shows")
    return ", ".join(told) or "never by this reading alone"


def _guards(c: Conformance, why: Why) -> str:
    unit = why.reading.unit
    accept = _guard(c.accept, unit, {"lower": "from", "upper": "up to"})
    reject = _guard(c.reject, unit, {"lower": "below", "upper": "above"})
    return (
        f"To be right {100 * c.level:.0f} times in 100, accept {accept}; reject {reject}. The bare "
        f"limit, so read, rejects {percent(c.risks.producer / c.risks.conforming)} of good parts "
        f"and accepts {percent(c.risks.consumer / (1 - c.risks.conforming))} of bad ones."
    )


def _budget(b: Budget) -> str:
    told = []
    unit = b.unit if b.unit != "sparks" else ""
    for c in b.contributions[:3]:
        shift = f"{_round(c.shift):+g} " if abs(c.shift) > 0.2 * c.u else ""
        told.append(f"{c.name} {shift}±{show(_round(c.u), unit)}, {c.direction}")
    return f"Uncertainty of {b.of}, ideally {show(b.nominal, unit)}: {'; '.join(told)}."


def _learning(learning: Learning) -> str:
    best = learning.unknowns[0] if learning.unknowns else None
    if best is None or max(best.bits, learning.repeat_bits) < FAINT_BITS:
        return ""
    told, again = f"{best.bits:.2g} bit", f"{learning.repeat_bits:.2g}"
    if best.bits > learning.repeat_bits:
        return f"Telling me {best.words} is worth more than {learning.repeat} ({told}; {again})."
    if best.bits >= FAINT_BITS:
        return (
            f"{learning.repeat.capitalize()} is worth more ({again} bit) than telling me "
            f"{best.words} ({told})."
        )
    return ""


def _gear(note: GearNote) -> str:
    how = "the likelier culprit" if note.likelier else "under suspicion"
    what = note.item
    if what.startswith("hookup "):
        what = f"hook-up of {what.removeprefix('hookup ')}"
    text = f"The {what} is {how}: {about(note.p)} ({percent(note.p)})"
    if note.proof and note.minutes is not None:
        test = f" ({note.test})" if note.test else ""
        text += f". Prove it in {note.minutes:.0f} min: {note.proof}{test}"
    return text + "."
