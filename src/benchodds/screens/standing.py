"""How a job stands, in sentences: cured or not, what comes and goes, gear, clashes, slips."""

from __future__ import annotations

from benchodds.basics.language import _
from benchodds.basics.words import about, percent, wrap, wrapped
from benchodds.choose.planning import Plan
from benchodds.infer import intermittent
from benchodds.infer.assess import Assessment
from benchodds.model.priors import NONE
from benchodds.model.system import SystemModel
from benchodds.reasons.clashes import DOUBTFUL, EVEN, gear_notes
from benchodds.reasons.sentences import gear_sentences

LEAST_TOLD = 0.05
"""Chance of a fault that comes and goes from which it is told of."""


def fault_words(model: SystemModel, fault: str, *, mended: bool = False) -> str:
    """A fault, 'stop.switch', in words; after a repair that nothing is left, which is cured."""
    if fault == NONE and mended:
        return _("nothing is left, cured")
    return model.title_of(*fault.split("."))


def unsteady(assessment: Assessment) -> list[str]:
    """What may come and go, what brings it out, how many good tries would clear it; a sentence."""
    p = {f: q for f, q in assessment.p_comes_and_goes.items() if q >= LEAST_TOLD}
    if not p:
        return []
    machine, found = assessment.machine, intermittent.spells(assessment.machine)
    ranked = sorted(p, key=lambda f: -p[f])[:3]
    tests = [t for t in machine.model.tests if intermittent.brings_out(machine, t, ranked)]
    tries = intermittent.good_tries(found, assessment.p_spells, machine.bench.work.returns)
    lines = [
        _("May come and go: {faults}. One good reading does not clear it.").format(
            faults=", ".join(f"{machine.model.title_of(*f)} {percent(p[f])}" for f in ranked)
        )
    ]
    if assessment.job.live_actions:
        lines.append(
            _("After {n} more good tries in a row it counts as gone (under {p}).").format(
                n=tries, p=percent(machine.bench.work.returns)
            )
        )
    elif tests:
        titles = (machine.model.tests[t].title for t in tests[:2])
        lines.append(_("To bring it out: {tests}.").format(tests="; ".join(titles)))
    return [" ".join(lines)]


def cured(assessment: Assessment) -> list[str]:
    """After a repair, in sentences: is it cured, will it come back, and what was wrong."""
    if not assessment.job.live_actions:
        return []
    model = assessment.machine.model
    was = sorted(assessment.p_was.items(), key=lambda row: -row[1])
    named = [f"{model.title_of(*f)} {percent(p)}" for f, p in was[:3] if p >= 0.01]
    said = _("Cured: {cured}. Back within a week if it is handed out now: {back}.").format(
        cured=percent(assessment.p_cured), back=percent(assessment.p_comes_back)
    )
    if not named:
        return [said]
    words = _("What was wrong when it came: {faults}.")
    return [said, words.format(faults=", ".join(named))]


def approximate(assessment: Assessment) -> list[str]:
    """What the odds stand on, when exact ones would take too much."""
    found = assessment.approximate
    return wrap(found.why, "", "  ") if found else []


def gear(assessment: Assessment) -> list[str]:
    """Lines on adapter, meter, hook-ups and cranking when the readings speak against them."""
    return gear_sentences(gear_notes(assessment))


def clash(assessment: Assessment) -> str:
    """That the readings contradict each other, in a sentence; empty where they do not."""
    slips, model = assessment.slips, assessment.machine.model
    doubted = [r for r in sorted(slips, key=lambda r: -slips[r])[:3] if slips[r] > DOUBTFUL]
    p_slip = min(1.0, sum(slips[r] for r in doubted))
    if p_slip > EVEN:
        if len(doubted) == 1:
            return slip(assessment, doubted[0])
        words = _("Readings clash: {readings} may be slips ({p}). Take them again.")
        return words.format(readings=", ".join(doubted), p=percent(p_slip))
    if assessment.faults_at_once["2+"] <= EVEN:
        return ""
    state, p = assessment.states()[0]
    told = _(" with ").join(model.title_of(*f) for f in state)
    return _("No single fault explains this: {faults}, {chance}.").format(
        faults=told, chance=about(p)
    )


def slip(assessment: Assessment, reading: str) -> str:
    """That a reading is taken as a slip, with what to look at; empty where it is not."""
    p = assessment.slips.get(reading, 0.0)
    if p <= EVEN:
        return ""
    taken = next(t for t in assessment.taken if t.reading.id == reading)
    test = assessment.machine.model.tests[taken.reading.test]
    if test.unplug and not taken.technique.unplugged:
        words = _(
            "Taken as a slip ({p}), {reading} does next to nothing to the odds: was "
            "{unplug} unplugged? Take it again, or strike it."
        )
    else:
        words = _(
            "Taken as a slip ({p}), {reading} does next to nothing to the odds: a wrong terminal, "
            "or the unit off by a thousand? Take it again, or strike it."
        )
    return words.format(p=percent(p), reading=reading, unplug=test.unplug)


def ending(plan: Plan, assessment: Assessment) -> list[str]:
    """What to do when it is neither a test nor a repair: change gear, or hand the machine out."""
    job, model = assessment.job, assessment.machine.model
    if plan.gear:
        return wrap(
            _(
                "mend or change the {gear}, then say so: benchodds gear {job} --changed {gear}. "
                "It failed its proof; what was read through it stays, and is judged so."
            ).format(gear=plan.gear, job=job.id),
            _("DO: "),
        )
    if plan.do == "close":
        lines = wrap(_("hand it out after the closing checks, and close the job."), _("DO: "))
        return [*lines, *checks(model), *wrapped(*cured(assessment))]
    return []


def checks(model: SystemModel) -> list[str]:
    """The closing checks, each with a box to tick."""
    return [line for step in model.closing for line in wrap(step, "  [ ] ", "      ")]
