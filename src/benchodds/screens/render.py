"""What people read: plain text, aligned, 80 columns, no colour needed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchodds.basics.language import _
from benchodds.basics.words import about, limit_words, percent, wrap
from benchodds.choose.permits import LOOKED
from benchodds.choose.planning import Plan, Ranked
from benchodds.choose.weighing import Weighed
from benchodds.infer import intermittent
from benchodds.infer.assess import Assessment
from benchodds.model.jobs import Action, Job, Reading
from benchodds.model.priors import NONE
from benchodds.model.sources import OPENED, changes, opened_with
from benchodds.model.system import Repair, SystemModel, Test
from benchodds.reasons.clashes import clashes, gear_notes
from benchodds.reasons.sentences import clash_sentences, gear_sentences
from benchodds.screens.told import before_words, complaint_words
from benchodds.screens.weighwords import weighing

LEAST_TOLD = 0.05
"""Chance of a fault that comes and goes from which it is told of."""


def heading(assessment: Assessment) -> list[str]:
    """Who this is about, and what has become of the files that it was opened with."""
    job, model = assessment.job, assessment.machine.model
    parts = [_("Job {job}").format(job=job.id), model.title, model.variants[model.variant].title]
    parts += [complaint_words(model, job), *before_words(model, job)]
    lines = wrap("; ".join(parts))
    for change in changes(opened_with(job), assessment.machine.sources):
        lines += wrap(change.told(OPENED))
    return lines


def reading_line(reading: Reading) -> str:
    """One reading as written, with how it was taken."""
    said = [f"{k} {v}" for k, v in reading.technique.as_data().items()]
    text = f"{reading.id} {reading.test} = {', '.join(reading.values)}"
    text += f"  ({'; '.join(said)})" if said else ""
    return text + (
        "  " + _("STRUCK: {struck}").format(struck=reading.struck) if reading.struck else ""
    )


def action_line(action: Action) -> str:
    """One repair as written down."""
    said = _("{id} old part back: {repair}") if action.back else _("{id} done: {repair}")
    text = said.format(id=action.id, repair=action.repair)
    text += f" ({action.note})" if action.note else ""
    return text + (
        "  " + _("STRUCK: {struck}").format(struck=action.struck) if action.struck else ""
    )


def story(job: Job) -> list[str]:
    """What was read and done, in order."""
    rows = [(r.seq, reading_line(r)) for r in job.readings]
    rows += [(a.seq, action_line(a)) for a in job.actions]
    return [line for _seq, text in sorted(rows) for line in wrap(text, "  ", "     ")]


def record(job: Job) -> list[str]:
    """The whole record of a job."""
    lines = wrap(
        _(
            "Job {job}: {system}, {variant}, {complaint}, opened {opened_at}, model "
            "{model_version}, priors {prior_set} {prior_version}"
        ).format(
            job=job.id,
            system=job.system,
            variant=job.variant,
            complaint=job.complaint,
            opened_at=job.opened_at,
            model_version=job.model_version,
            prior_set=job.prior_set,
            prior_version=job.prior_version,
        )
    )
    if before := before_words(None, job):
        lines += wrap("; ".join(before), "  ", "  ")
    rows = [(r.seq, r.at, reading_line(r), r.note) for r in job.readings]
    rows += [(a.seq, a.at, action_line(a), None) for a in job.actions]
    for _seq, at, text, remark in sorted(rows, key=lambda row: row[0]):
        lines += wrap(f"{at[:16].replace('T', ' ')}  {text}", "  ", "     ")
        lines += wrap(_("note: {note}").format(note=remark), "     ") if remark else []
    for note in job.notes:
        lines += wrap(
            _("{at}  note: {text}").format(at=note.at[:16].replace("T", " "), text=note.text),
            "  ",
            "     ",
        )
    if job.closed is not None:
        verdict = job.closed
        lines += wrap(
            _("{closed_at}  closed: {faults} ({grade})").format(
                closed_at=(job.closed_at or "")[:16].replace("T", " "),
                faults=", ".join(verdict.get("faults", [])) or _("no verdict"),
                grade=verdict.get("grade", _("no grade")),
            ),
            "  ",
            "     ",
        )
    return lines


def odds(assessment: Assessment, top: int = 8) -> str:
    """What leads, how sure, how many faults, and what the gear may have done."""
    model = assessment.machine.model
    lines = heading(assessment)
    if told := story(assessment.job):
        lines += ["", *told]
    mended = assessment.job.live_actions
    lines += ["", _("What leads now") if mended else _("What leads")]
    rows = sorted(assessment.chances.items(), key=lambda row: -row[1])[:top]
    wide = max(14, *(len(name) for name, _ in rows))
    for name, p in rows:
        title = model.title_of(*name.split("."))
        if name == NONE and mended:
            title = _("nothing is left: cured")
        lines += wrap(
            f"{percent(p):>9}  {name:<{wide}} {title}",
            "",
            " " * (12 + wide),
        )
    n = assessment.faults_at_once
    lines += [
        "",
        _("How many faults at once: none {none}, one {one}, more {more}").format(
            none=percent(n["0"]), one=percent(n["1"]), more=percent(n["2+"])
        ),
    ]
    lines += unsteady(assessment)
    lines += cured(assessment)
    lines += gear(assessment)
    lines += clashing(assessment)
    lines += approximate(assessment)
    return "\n".join(lines)


def unsteady(assessment: Assessment) -> list[str]:
    """What may come and go, what brings it out, and how many good tries would clear it."""
    p = {f: q for f, q in assessment.p_comes_and_goes.items() if q >= LEAST_TOLD}
    if not p:
        return []
    machine, found = assessment.machine, intermittent.spells(assessment.machine)
    ranked = sorted(p, key=lambda f: -p[f])[:3]
    tests = [t for t in machine.model.tests if intermittent.brings_out(machine, t, ranked)]
    tries = intermittent.good_tries(found, assessment.p_spells, machine.bench.work.returns)
    lines = [
        _("May come and go: {faults}. One good reading does not clear it.").format(
            faults=", ".join(f"{c}.{m} {percent(p[c, m])}" for c, m in ranked)
        )
    ]
    if assessment.job.live_actions:
        lines.append(
            _("After {n} more good tries in a row it counts as gone (under {p}).").format(
                n=tries, p=percent(machine.bench.work.returns)
            )
        )
    elif tests:
        lines.append(_("To bring it out: {tests}.").format(tests=", ".join(tests[:3])))
    return wrap(" ".join(lines))


def cured(assessment: Assessment) -> list[str]:
    """After a repair: is it cured, will it come back, and what was wrong."""
    if not assessment.job.live_actions:
        return []
    was = sorted(assessment.p_was.items(), key=lambda row: -row[1])[:3]
    lines = wrap(
        _("Cured: {cured}. Back within a week if it is handed out now: {back}.").format(
            cured=percent(assessment.p_cured), back=percent(assessment.p_comes_back)
        )
    )
    named = ", ".join(f"{c}.{m} {percent(p)}" for (c, m), p in was)
    return [*lines, *wrap(_("What was wrong when it came: {faults}.").format(faults=named))]


def approximate(assessment: Assessment) -> list[str]:
    """What the odds stand on, when exact ones would take too much."""
    found = assessment.approximate
    return ["", *wrap(found.why, "", "  ")] if found else []


def gear(assessment: Assessment) -> list[str]:
    """Lines on adapter, meter, hook-ups and cranking when the readings speak against them."""
    lines = gear_sentences(gear_notes(assessment))
    return ["", _("Gear and technique"), *lines] if lines else []


def clashing(assessment: Assessment) -> list[str]:
    """Readings that contradict each other, with the least surprising explanations."""
    lines = clash_sentences(clashes(assessment))
    return ["", _("Readings that clash"), *lines] if lines else []


def fault_words(model: SystemModel, p_mode: Mapping[tuple[str, str], float]) -> str:
    """The leader of a branch in a few words."""
    if not p_mode:
        return _("nothing electrical")
    (component, mode), p = max(p_mode.items(), key=lambda item: item[1])
    return _("{component}.{mode} leads, {chance}").format(
        component=component, mode=mode, chance=percent(p)
    )


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
    if plan.do != "close":
        return []
    lines = wrap(_("hand it out after the closing checks, and close the job."), _("DO: "))
    for step in model.closing:
        lines += wrap(step, "  [ ] ", "      ")
    return [*lines, *cured(assessment)]


def next_step(
    assessment: Assessment, plan: Plan, weighed: Weighed | None = None, top: int = 6
) -> str:
    """What to do next, why, what it costs, what to be careful of, and the runners-up."""
    model = assessment.machine.model
    lines = [*heading(assessment), ""]
    by_name = {r.test: r for r in plan.ranking}
    if plan.do == "repair" and plan.repair:
        act = next(a for a in plan.acts if a.repair == plan.repair)
        spec = model.repairs[plan.repair]
        lines += careful(model, spec)
        lines += wrap(f"{plan.repair} - {spec.title}", _("DO: "))
        lines += wrap(
            _(
                "{about} ({percent}) that it is needed, {p_cures} that it cures alone. "
                "Part {cost:g} plugs, {minutes}"
            ).format(
                about=about(act.p_needed),
                percent=percent(act.p_needed),
                p_cures=percent(act.p_cures),
                cost=spec.cost,
                minutes=spec.minutes,
            )
            + ("." if spec.returnable else _("; cannot go back once fitted.")),
            _("Why: "),
        )
        if act.again:
            lines += wrap(
                _("It was done before: by the odds it did not hold, or the new part is bad.")
            )
    elif step := ending(plan, assessment):
        return "\n".join([*lines, *step, *approximate(assessment)])
    elif plan.test:
        chosen = by_name[plan.test]
        proves, first = plan.do == "prove-gear", chosen is plan.ranking[0]
        lines += _test_lines(model, chosen, proves, first)
    else:
        lines += wrap(_("Stop testing: no test left would tell more than its minutes are worth."))
    if weighed is not None:
        usual, better = weighed.foresight.usual, weighed.better
        if usual is not None and usual is not better:
            lines += wrap(
                _(
                    "Rather than {usual}, the usual step: foreseen to save {saved:.0f} {currency} "
                    "to the end of the job."
                ).format(
                    usual=usual.step.name,
                    saved=usual.cost - better.cost,
                    currency=weighed.shop.currency,
                )
            )
        lines += ["", *weighing(model, weighed)]
    lines += approximate(assessment)
    rest = [r for r in plan.ranking if r.test != plan.test][:top]
    if rest:
        lines += ["", _("Other tests        minutes     bits  bits/min  set-ups to open")]
        for r in rest:
            lines.append(
                f"  {r.test:<16} {r.minutes:>7.0f} {r.bits:>8.2f} {r.bits_per_minute:>9.3f}  "
                f"{' '.join(r.setups) or '-'}"
            )
    likely = [a for a in plan.acts if a.p_needed >= 0.05][:4]
    if likely:
        lines += ["", _("Repairs            needed  cures alone  cost now  before buying")]
        for a in likely:
            lines += wrap(
                f"  {a.repair:<16} {percent(a.p_needed):>7} {percent(a.p_cures):>12} "
                f"{a.expected_cost:>9.1f}  {', '.join(a.permit.waits) or '-'}",
                "",
                " " * 51,
            )
        lines.append(
            "  " + _("(cost in plugs: part, labour, and the part again where it would be wasted)")
        )
    refused = [(x.test, x.reason) for x in plan.left_out if x.reason != _(LOOKED)]
    refused += [(a.repair, a.permit.reason) for a in likely if not a.permit.allowed]
    if refused:
        lines += ["", _("Not offered now")]
        for name, reason in refused:
            lines += wrap(f"{name}: {reason}", "  ", "    ")
    return "\n".join(lines)


def _test_lines(model: SystemModel, r: Ranked, proves: bool, first: bool) -> list[str]:
    test = model.tests[r.test]
    lines = careful(model, test)
    lines += wrap(f"{r.test} - {test.title}", _("DO: "))
    lines += wrap(test.do, "    ")
    if test.limit:
        lines += wrap(
            _("Limit: {limit}").format(limit=limit_words(test.limit.min, test.limit.max))
            + (f" ({test.limit.conditions})" if test.limit.conditions else ""),
            "    ",
        )
    own = model.minutes(r.test)
    text = _("{minutes:.0f} min").format(minutes=r.minutes)
    if r.setups:
        opened = ", ".join(
            f"{s} {model.setups[s].title} {model.setups[s].minutes}" for s in r.setups
        )
        text += _(": {own:.0f} min and, first, {opened}").format(own=own, opened=opened)
    lines += wrap(text, _("Costs: "))
    why = _("{bits:.2f} bit about the machine, {bits_per_minute:.3f} a minute").format(
        bits=r.bits, bits_per_minute=r.bits_per_minute
    )
    why += _(": the most on offer.") if first else "."
    if proves:
        why += _(" It tells whether earlier readings can be believed.")
    lines += wrap(why, _("Why: "))
    for branch in r.branches[:5]:
        lines += wrap(
            f"{branch.label} ({percent(branch.p)}): {fault_words(model, branch.p_mode)}", "  - "
        )
    return lines


def careful(model: SystemModel, step: Test | Repair) -> list[str]:
    """What stands before a step: the harm it can do and every caution."""
    texts = model.warnings(step)
    lines = [_("Careful:")] if texts else []
    for text in texts:
        lines += wrap(text, "  ! ", "    ")
    return lines


def systems(models: Sequence[SystemModel]) -> str:
    """The systems there are, with variants, complaints and contexts."""
    lines: list[str] = []
    for model in models:
        lines += wrap(
            _("{model} - {title} (version {version})").format(
                model=model.id, title=model.title, version=model.version
            )
        )
        lines += wrap(model.notice, "  ")
        for name, variant in model.variants.items():
            lines += wrap(
                _("variant {name}: {title}, {years}").format(
                    name=name, title=variant.title, years=variant.years
                ),
                "  ",
                "    ",
            )
        lines += wrap(_("complaints: ") + ", ".join(model.complaints), "  ", "    ")
        lines += wrap(_("contexts: ") + ", ".join(model.contexts), "  ", "    ")
        lines.append("")
    return "\n".join(lines).rstrip()


def system(model: SystemModel) -> str:
    """One system in full: components, set-ups, tests."""
    lines = systems([model]).splitlines()
    lines += ["", _("Components")]
    for name, c in model.components.items():
        lines += wrap(f"{name:<6} {c.title}: {', '.join(c.modes)}", "  ", " " * 9)
    lines += ["", _("Set-ups")]
    for name, s in model.setups.items():
        lines.append(f"  {name:<6} {s.minutes:>7}  {s.title}")
    lines += ["", _("Tests               minutes  set-ups    limit")]
    for name, t in model.tests.items():
        limit = limit_words(t.limit.min, t.limit.max) if t.limit else ""
        lines.append(
            f"  {name:<16} {t.minutes:>9}  {' '.join(model.setups_of(name)) or '-':<9}  {limit}"
        )
        lines += wrap(t.title, "      ")
    return "\n".join(lines)
