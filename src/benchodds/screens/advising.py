"""The edge between commands and what chooses: which shop, how deep."""

from __future__ import annotations

from benchodds.choose.choosing import decision_of
from benchodds.choose.lookahead import Depth
from benchodds.choose.planning import Plan, laid_out
from benchodds.choose.policies import ahead, usual
from benchodds.choose.weighing import Weighed, weigh
from benchodds.infer.assess import Assessment
from benchodds.keep.shopfile import load_shop


def advise(
    assessment: Assessment,
    shop: str = "shop",
    steps: int | None = None,
    *,
    foresee: bool = False,
    greedy: bool = False,
) -> tuple[Plan, Weighed | None]:
    """What to do next, and what each choice would cost to the end of the job.

    The usual step, by bits per minute and the thresholds for mending; with ``foresee`` it is left
    for another that is foreseen to save more than the shop's margin. Without ``steps`` as many are
    looked ahead as fit in about a second. Nothing is weighed where ``greedy``, where a step is due
    before any weighing, nor where the look-ahead would argue for another step than the proposed.
    """
    prices = load_shop(shop)
    decision = decision_of(assessment.machine, assessment.job, assessment, prices)
    if greedy:
        return laid_out(assessment, decision, usual(decision), prices), None
    step, seen = ahead(decision, prices.foresight.margin, Depth(steps) if steps else None)
    if not foresee and step != (plain := usual(decision)):
        step, seen = plain, None
    weighed = weigh(decision, seen, prices) if seen else None
    return laid_out(assessment, decision, step, prices), weighed
