"""What no way of choosing can better: jobs on which every test has been read, for nothing.

A way that has seen less knows less (information relaxation: Brown, Smith and Sun, Operations
Research 58, 2010). With all readings in, repairs that cost no part, or whose part goes back,
come first, then those whose part does not, likeliest first: for one fault and checks that miss
nothing the order of fewest parts bought in vain (Kadane and Simon 1977 with a cost of one each).
So the wrong parts printed here are about the fewest that readings of this kind allow, whatever
the order of tests; half of what another way buys in vain may lie below them.

    python tests/bounds.py mag-cdi --jobs 500 --seed 2026
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from benchodds.choose.decision import Step
from benchodds.keep.session import opening
from benchodds.trials import trialrun
from benchodds.trials.places import Place
from benchodds.trials.policies import BitsPerMinute
from benchodds.trials.scores import estimate
from benchodds.trials.simulate import run_job


@dataclass(frozen=True)
class EverythingFirst:
    """All tests, proofs of gear first, then the repairs that waste least."""

    name: str = "everything-first"

    def choose(self, place: Place, luck: int) -> Step:
        """The next test not yet read, else the repair that wastes least, else the end."""
        flags, world = place.flags, place.world
        for check in sorted(flags.checks, key=lambda c: not c.proves):
            if check.name not in flags.spent:
                return Step("test", check.name)
        belief, repairs = place.belief, world.machine.model.repairs
        left = [r for r in flags.remedies if r.name not in flags.mended]
        if not left or belief.none > max(belief.needed[r.name] for r in left):
            return Step("end", flags.finals[0].name)

        def wastes(name: str) -> bool:
            price = world.shop.price(world.machine.model.id, name, repairs[name])
            return price > 0 and not repairs[name].returnable

        return Step(
            "repair", min(left, key=lambda r: (wastes(r.name), -belief.needed[r.name])).name
        )


def main() -> None:
    """Print wrong parts with everything read, beside those of bits per minute."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("system")
    parser.add_argument("--jobs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=2026)
    asked = parser.parse_args()
    event, model = opening(asked.system, None, (), None, None, None)
    setting = trialrun.Setting(
        model.id, model.variant, event.data["complaint"], (), event.data["prior_set"],
        "shop", "trial", asked.seed, 2, 0.03, 4, 400,
    )  # fmt: skip
    world = trialrun.world_of(setting)
    machine, nature = trialrun.nature_of(setting, "none")
    ways = [EverythingFirst(), BitsPerMinute()]
    rows = [
        row
        for job in range(asked.jobs)
        for row in run_job(asked.seed, job, machine, nature, world, ways)
    ]
    for way in ways:
        mine = [r for r in rows if r.policy == way.name]
        wrong = estimate(lambda x: float(x.mean()), np.array([r.wrong_parts for r in mine], float))
        solved = np.mean([r.correct for r in mine])
        print(
            f"{way.name:<18} wrong parts {wrong.value:.3f} ({wrong.low:.3f} to {wrong.high:.3f})  "
            f"correct in the end {solved:.3f}"
        )


if __name__ == "__main__":
    main()
