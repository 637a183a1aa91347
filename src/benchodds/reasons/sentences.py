"""What a reading is worth, in plain sentences: the most important first, 80 columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from benchodds.basics.language import N_, _
from benchodds.basics.quantities import Expect, parse_value, show, show_exact
from benchodds.basics.words import about, percent, wrap
from benchodds.reasons.budget import Budget
from benchodds.reasons.clashes import EVEN, Clash, GearNote
from benchodds.reasons.conformance import Side
from benchodds.reasons.limits import Conformance, Guard, OneSided
from benchodds.reasons.whatif import Crossing, Learning, Turn
from benchodds.reasons.why import LimitSaid, Weight, Why

NAMES = (
    *(N_("speed"), N_("voltage"), N_("capture"), N_("droop"), N_("diode"), N_("leads")),
    *(N_("adapter or hook-up"), N_("meter accuracy"), N_("rounding"), N_("contact")),
    *(N_("temperature"), N_("parallel path"), N_("gap spread"), N_("eye"), N_("counting")),
    *(N_("either way"), N_("can only lower"), N_("can only raise")),
    *(N_("within"), N_("outside"), N_("cannot say")),
    *(N_("no fault"), N_("single fault"), N_("two faults"), N_("other slip")),
    *(N_("factor 1000"), N_("wrong terminal"), N_("intermittent")),
    *(N_("adapter"), N_("meter"), N_("operator"), N_("input"), N_("slow cranking")),
    *(N_("dead"), N_("off"), N_("not sound")),
)
"""What the numbers are called in English; told in the language of who reads."""
FAINT_DB = 1.0
"""The smallest evidence a person notices (Good 1950, after Turing); less is not told."""
NEVER = 1e-9
"""Share of machines that is told as none: what rounding leaves of zero is less."""
TOLD = 0.1
"""Chance of a fault that comes and goes from which it is said that it is left out."""
FAINT_BITS = 0.01
"""Information that is told as none."""


def sentences(why: Why) -> list[str]:
    """A reading explained with all its numbers, as lines of at most 80 columns; about twenty."""
    r = why.reading
    parts = [f"{r.id} {r.test} = {', '.join(r.written)}: {r.title}."]
    if why.limit:
        parts.append(_limit(why.limit, r.unit))
    if why.conformance:
        parts.append(_conforms(why.conformance))
    parts += [_slip(why), _suspect(why)]
    if why.one_sided:
        parts.append(_one_sided(why.one_sided, why))
    parts.append(_weights(why))
    parts.append(_turn(why.turn, why))
    if why.conformance:
        parts.append(_guards(why.conformance, why))
    if why.budget:
        parts.append(_budget(why.budget))
    parts += [_learning(why.learning), _spells(why)]
    if why.approximate:
        parts.append(why.approximate.why)
    return [line for part in parts if part for line in wrap(part, "", "  ")]


def briefly(why: Why) -> list[str]:
    """What a reading is worth in a few sentences without figures of evidence, as lines of at
    most 80 columns; what it showed, how that compares and whether it is a slip is said before."""
    parts = [_truly(why.conformance) if why.conformance else "", _suspect(why)]
    if why.one_sided:
        parts.append(_one_sided(why.one_sided, why))
    parts += [_spoke(why), _turn(why.turn, why), _spells(why)]
    if why.approximate:
        parts.append(why.approximate.why)
    return [line for part in parts if part for line in wrap(part, "", "  ")]


def _truly(c: Conformance) -> str:
    return _(
        "It truly meets the limit: {job} ({about}) by all readings, {prior} before any."
    ).format(job=percent(c.job), about=about(c.job), prior=percent(c.prior))


def _slip(why: Why) -> str:
    if why.p_slip <= EVEN:
        return ""
    return _(
        "It fits no likely state: {about} ({percent}) a slip, such as a wrong "
        "terminal or a factor of 1000. Take it again."
    ).format(about=about(why.p_slip), percent=percent(why.p_slip))


def _suspect(why: Why) -> str:
    return next((_gear(n) for n in why.gear if why.reading.id in n.readings), "")


def _spells(why: Why) -> str:
    if why.comes_and_goes < TOLD:
        return ""
    words = _("Taken for granted here: no fault comes and goes ({p} that one does).")
    return words.format(p=percent(why.comes_and_goes))


def clash_sentences(found: Sequence[Clash]) -> list[str]:
    """Contradictions between readings, with their likeliest explanations."""
    lines: list[str] = []
    for clash in found:
        if clash.kind == "no state":
            text = _("{reading} fits no likely state of the machine").format(
                reading=clash.readings[0]
            )
        else:
            text = _("No single fault explains these readings")
        lines += wrap(
            _("{text} ({about}, {percent}). Least surprising first:").format(
                text=text, about=about(clash.p), percent=percent(clash.p)
            )
        )
        for e in clash.explanations[:4]:
            if e.p >= 0.01:
                lines += wrap(f"{percent(e.p):>9}  {_(e.reason)}: {e.detail}", "", " " * 11)
        if clash.approximate:
            lines += wrap(_("Approximate: over the likeliest combinations of faults alone."))
    return lines


def gear_sentences(notes: Sequence[GearNote]) -> list[str]:
    """Gear and technique under suspicion, and how each is proved."""
    return [line for note in notes for line in wrap(_gear(note), "", "  ")]


def _limit(limit: LimitSaid, unit: str) -> str:
    ends = []
    if limit.lower is not None:
        ends.append(_("at least {lower}").format(lower=show_exact(limit.lower, unit)))
    if limit.upper is not None:
        ends.append(_("at most {upper}").format(upper=show_exact(limit.upper, unit)))
    told = f" ({limit.conditions})" if limit.conditions else ""
    return _("Limit: {ends}{told}. A bare comparison says: {bare}.").format(
        ends=", ".join(ends), told=told, bare=_(limit.bare)
    )


def _conforms(c: Conformance) -> str:
    return _(
        "The true value meets the limit: {job} ({about}) by the whole job; {alone} "
        "({about_alone}) by this reading alone, {prior} before any."
    ).format(
        job=percent(c.job),
        about=about(c.job),
        alone=percent(c.alone),
        about_alone=about(c.alone),
        prior=percent(c.prior),
    )


def _one_sided(rule: OneSided, why: Why) -> str:
    if not (rule.passed or rule.cleared_by):
        return _(
            "A low peak is weak evidence: slow cranking, a missed peak, droop and poor "
            "contact can only lower it. By this technique a sound machine clears the "
            "limit {about} times ({percent})."
        ).format(about=about(rule.p_sound), percent=percent(rule.p_sound))
    text = (
        _(
            "Once over the minimum, the source is good at that speed and temperature; later low "
            "readings do not undo it."
        )
        if rule.passed
        else _(
            "Once over the minimum, the source is good at that speed and temperature. {reading} "
            "did that. Later low readings do not undo it."
        ).format(reading=rule.cleared_by)
    )
    hot = [why.titles[f] for f in rule.unseen if f.endswith(".hot")]
    past = [f"{why.titles[f]} {about(p)}" for f, p in rule.slips_past if p < rule.p_sound][:2]
    if hot:
        text += " " + _("Blind to what fails only hot: {hot}.").format(hot=", ".join(hot))
    if past:
        text += " " + _("Can still pass: {past}.").format(past=", ".join(past))
    return text


def _names(rows: Iterable[Weight], why: Why) -> str:
    told = []
    for w in rows:
        name = why.titles.get(w.name) or _called(w.name)
        told.append(
            _("{name} {taken:+.0f} ({before} to {after})").format(
                name=name, taken=w.taken, before=percent(w.before), after=percent(w.after)
            )
        )
    return ", ".join(told)


def _strong(why: Why) -> list[Weight]:
    return [w for w in why.weights if abs(w.taken) >= FAINT_DB and max(w.before, w.after) > 0.01]


def _sides(why: Why) -> list[tuple[str, list[Weight]]]:
    """What a reading speaks for and against: parts, and gear or technique."""
    strong = _strong(why)
    mine = [w for w in strong if w.kind == "component"]
    others = [w for w in strong if w.kind != "component" and w.taken > 0][:1]
    return [
        (_("For"), [w for w in mine if w.taken > 0][:2]),
        (_("Against"), [w for w in mine if w.taken < 0][:2]),
        (_("Gear, technique"), others),
    ]


def _spoke(why: Why) -> str:
    """What a reading speaks for and against, by how likely that was before and is after."""
    told = []
    for head, group in _sides(why):
        named = (
            _("{name} ({before} to {after})").format(
                name=(why.titles.get(w.name) or _called(w.name)),
                before=percent(w.before),
                after=percent(w.after),
            )
            for w in group
        )
        told += [f"{head}: {', '.join(named)}."] if group else []
    return " ".join(told) or _("It speaks for nothing, and against nothing.")


def _weights(why: Why) -> str:
    if not _strong(why):
        return _("Evidence: none to speak of, for or against anything.")
    text = _("Evidence, in decibans (+10: odds times ten).")
    for head, group in _sides(why):
        if group:
            text += f" {head}: {_names(group, why)}."
    mine = (w for w in _strong(why) if w.kind == "component")
    for w in [w for w in mine if abs(w.taken - w.left_out) > 3][:1]:
        name = why.titles.get(w.name) or _called(w.name)
        text += " " + _("Beside all other readings it is worth {left_out:+.0f} on {name}.").format(
            left_out=w.left_out, name=name
        )
    return text


def _at(crossing: Crossing, why: Why) -> str:
    """Where a reading would turn what leads, as finely as the limit is written."""
    at, unit, limit = crossing.at, why.reading.unit, why.limit
    if isinstance(at, str):
        return at
    end = None if limit is None else limit.upper if limit.lower is None else limit.lower
    if end:
        step = parse_value(show_exact(end, unit), Expect(why.reading.test, unit)).step
        if step and at >= step:
            return show(at, unit, step)
    return show(_round(at), unit)


def _round(x: float, digits: int = 2) -> float:
    return float(f"{x:.{digits}g}")


def _turn(turn: Turn, why: Why) -> str:
    title = why.titles[turn.lead.component]
    lead = _("{part} leads ({chance})").format(
        part=title[0].upper() + title[1:], chance=percent(turn.lead.p)
    )
    by: dict[str, list[str]] = {}
    for words, c in (
        # Translators: begins '{ways} would put {part} ahead'.
        (_("about {value} or less"), turn.lower),
        (_("about {value} or more"), turn.higher),
    ):
        if c is not None:
            by.setdefault(c.lead.component, []).append(words.format(value=_at(c, why)))
    for c in turn.named:
        by.setdefault(c.lead.component, []).append(f"'{c.at}'")
    if not by:
        return _("{lead}; no other outcome of this reading alone would turn that.").format(
            lead=lead
        )
    told = [
        _("{ways} would put {part} ahead").format(ways=_(" or ").join(ways), part=why.titles[c])
        for c, ways in by.items()
    ]
    return f"{lead}; {'; '.join(told)}."


def _digits(c: Conformance) -> int:
    """Digits that guarded limits are told with: two, or as many as tell accept from reject."""
    pairs = [(c.accept[side].at, c.reject[side].at) for side in c.accept]
    both = [(a, b) for a, b in pairs if a is not None and b is not None and a != b]
    enough = (n for n in range(2, 15) if all(_round(a, n) != _round(b, n) for a, b in both))
    return next(enough, 15)


def _guard(guards: Mapping[Side, Guard], unit: str, words: Mapping[Side, str], digits: int) -> str:
    told = []
    for side, guard in guards.items():
        if guard.kind == "at" and guard.at is not None:
            told.append(f"{words[side]} {show_exact(_round(guard.at, digits), unit)}")
        elif guard.kind == "every":
            # Translators: {accept} or {reject} of 'accept {accept}; reject {reject}'.
            told.append(_("whatever it shows"))
    return ", ".join(told) or _("never by this reading alone")


def _guards(c: Conformance, why: Why) -> str:
    unit = why.reading.unit
    digits = _digits(c)
    accept = _guard(c.accept, unit, {"lower": _("from"), "upper": _("up to")}, digits)
    reject = _guard(c.reject, unit, {"lower": _("below"), "upper": _("above")}, digits)
    text = _("To be right {level:.0f} times in 100, accept {accept}; reject {reject}.").format(
        level=100 * c.level, accept=accept, reject=reject
    )
    risks = c.risks
    if risks.conforming < NEVER:
        said = _("By the model no machine can meet this limit: limit and spread disagree.")
    elif risks.conforming > 1 - NEVER:
        said = _("By the model no machine can miss this limit: limit and spread disagree.")
    else:
        said = _(
            "The bare limit, so read, rejects {producer} of good parts and accepts {consumer} of "
            "bad ones."
        ).format(
            producer=percent(risks.producer / risks.conforming),
            consumer=percent(risks.consumer / (1 - risks.conforming)),
        )
    return f"{text} {said}"


def _budget(b: Budget) -> str:
    told = []
    unit = b.unit if b.unit != "sparks" else ""
    for c in b.contributions[:3]:
        shift = f"{_round(c.shift):+g} " if abs(c.shift) > 0.2 * c.u else ""
        told.append(f"{_(c.name)} {shift}±{show(_round(c.u), unit)}, {_(c.direction)}")
    return _("Uncertainty of {of}, ideally {nominal}: {told}.").format(
        of=b.of, nominal=show_exact(b.nominal, unit), told="; ".join(told)
    )


def _learning(learning: Learning) -> str:
    best = learning.unknowns[0] if learning.unknowns else None
    if best is None or max(best.bits, learning.repeat_bits) < FAINT_BITS:
        return ""
    told, again = _("{bits:.2g} bit").format(bits=best.bits), f"{learning.repeat_bits:.2g}"
    if best.bits > learning.repeat_bits:
        return _("Telling me {what} is worth more than {repeat} ({told}; {again}).").format(
            what=best.words, repeat=learning.repeat, told=told, again=again
        )
    if best.bits >= FAINT_BITS:
        return _("{repeat} is worth more ({again} bit) than telling me {what} ({told}).").format(
            repeat=learning.repeat.capitalize(), again=again, what=best.words, told=told
        )
    return ""


def _called(name: str) -> str:
    """Gear or technique in words: the hook-up of a reading, gear that was changed since."""
    if name.startswith("hookup "):
        return _("hook-up of {reading}").format(reading=name.removeprefix("hookup "))
    item, _hash, number = name.partition(" #")
    return _("former {item}").format(item=_(item)) if number else _(item)


def _gear(note: GearNote) -> str:
    # Translators: {how} in 'The {what} is {how}'.
    how = _("the likelier culprit") if note.likelier else _("under suspicion")
    what = _called(note.item)
    text = _("The {what} is {how}: {about} ({percent})").format(
        what=what, how=how, about=about(note.p), percent=percent(note.p)
    )
    if note.proof and note.minutes is not None:
        test = f" [{note.test}]" if note.test else ""
        text += _(". Prove it in {minutes:.0f} min: {proof}{test}").format(
            minutes=note.minutes, proof=note.proof, test=test
        )
    return text + "."
