"""``python tests/witness [SYSTEM...] [--error E] [--most N]``: the tool beside the witness.

One line for each job: greatest difference of a posterior with its standard error, difference in
log evidence with its own; below it what is beyond the goal (.003, or three standard errors).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from witness.compare import report
from witness.jobs import told

SYSTEMS = ("mag-cdi", "dc-cdi", "tci", "charging", "starter")


def main() -> None:
    """All jobs of some systems, and how many are beyond the goal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("systems", nargs="*", default=SYSTEMS)
    parser.add_argument("--error", type=float, default=1e-3)
    parser.add_argument("--most", type=int, default=2000)
    parser.add_argument("--jobs", type=int, nargs="*")
    args = parser.parse_args()
    for system in args.systems:
        print(system, flush=True)
        jobs = [j for i, j in enumerate(told(system)) if args.jobs is None or i in args.jobs]
        found = [report(job, args.error, args.most) for job in jobs]
        most = max(found, key=lambda d: abs(d.by))
        over = sum(bool(d.over) for d in found)
        nats = sum(abs(d.nats) > max(0.02, 3 * d.nats_error) for d in found)
        print(
            f"{system}: greatest {most.by:+.4f} +- {most.error:.4f} ({most.worst}); beyond the "
            f"goal {over} of {len(found)} posteriors, {nats} log evidences"
        )


if __name__ == "__main__":
    main()
