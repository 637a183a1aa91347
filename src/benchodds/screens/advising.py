"""The edge between commands and the look-ahead: which shop, how deep."""

from __future__ import annotations

from benchodds.choose.lookahead import Depth
from benchodds.choose.planning import Plan, plan
from benchodds.choose.weighing import Weighed, proposed, weigh
from benchodds.infer.assess import Assessment
from benchodds.keep.shopfile import load_shop


def advise(
    assessment: Assessment, shop: str = "shop", steps: int | None = None, *, ahead: bool = False
) -> tuple[Plan, Weighed]:
    """What to do next, and what each choice would cost to the end of the job.

    The proposal goes by bits per minute and the thresholds for mending; with ``ahead`` it is
    left for what is foreseen to save more than the shop's margin. Without ``steps`` as many are
    looked ahead as fit in about a second.
    """
    costs = load_shop(shop)
    greedy = plan(assessment, costs)
    weighed = weigh(assessment, greedy, costs, Depth(steps) if steps else None)
    return (proposed(assessment, greedy, weighed) if ahead else greedy), weighed


def greedily(assessment: Assessment, shop: str = "shop") -> tuple[Plan, None]:
    """What to do next by bits per minute and the thresholds for mending, nothing weighed."""
    return plan(assessment, load_shop(shop)), None
