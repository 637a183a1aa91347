"""Shop priors and spreads from past jobs, and whether they forecast."""
