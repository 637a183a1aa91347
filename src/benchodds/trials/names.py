"""Names of the ways to choose and of the natures that a trial may have; cheap to import."""

from __future__ import annotations

POLICIES = (
    "look-ahead",
    "bits-per-minute",
    "best-fixed",
    "common-practice",
    "by-limits",
    "p-over-c",
    "random",
)
NATURES = ("none", "priors", "spreads", "operator", "meter")
"""How nature differs from the model, not at all first."""
