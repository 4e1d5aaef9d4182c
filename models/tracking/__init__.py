"""Readings of a fleet in, the state of every van out.

Start at assess.py, which calls the steps in order: visits, covariates, baselines, standardised residuals, charts,
anomaly, state."""
