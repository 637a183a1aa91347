"""The edge between commands and the look-ahead: which shop, how deep."""

from __future__ import annotations

from benchodds.assess import Assessment
from benchodds.lookahead import Depth
from benchodds.planning import Plan, plan
from benchodds.shopfile import load_shop
from benchodds.weighing import Weighed, proposed, weigh


def advise(
    assessment: Assessment, shop: str = "shop", steps: int | None = None
) -> tuple[Plan, Weighed]:
    """What to do next by the cost to the end of the job, ``steps`` of it looked ahead.

    Without ``steps`` it is as many as can be looked at in about a second.
    """
    greedy = plan(assessment)
    weighed = weigh(assessment, greedy, load_shop(shop), Depth(steps) if steps else None)
    return proposed(assessment, greedy, weighed), weighed


def greedily(assessment: Assessment) -> tuple[Plan, None]:
    """What to do next by bits per minute and the model's own thresholds."""
    return plan(assessment), None
