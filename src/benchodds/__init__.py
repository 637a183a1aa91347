"""Bayesian fault probabilities for the ignition bench."""

__version__ = "0.1.0"
