"""How unlike healthy vans a van's week is: one score, a calibrated p-value, and what each quantity adds to the score.

A scikit-learn pipeline per family judges vans it was not trained on. Scores of all families are put on a common scale.
The p-value is the share of healthy van-weeks with at least that score, continued by an exponential tail beyond the
highest of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.conformal import conformal_p

VIEWS = ("against the family", "against its own baseline", "of the visit")
"""Views of each quantity: its level against the family, its average and its latest visit against the own baseline."""
BLOCKS = len(VIEWS)
FOLDS = 3
FEATURE_CLIP = 8.0
FEWEST_ROWS, FEWEST_VANS = 150, 8
"""A family with fewer is judged by the model of all families pooled. Common practice, no source (2026-11-25)."""
POOLED_PENALTY = 1.5
"""Factor on a p-value from the pooled model. Common practice, no source (2026-11-25). [1]"""
MOST_ROWS = 4096
"""Most rows a model is trained on, evenly chosen."""
TAIL_SHARE = 0.05
"""Share of the calibration scores that the tail is fitted to. [1]"""


def features(peer: Floats, own: Floats, latest: Floats) -> Floats:
    """Standardised readings as the models see them.

    Parameters
    ----------
    peer : ndarray of shape (rows, quantities)
        Level against the family. [standard deviations]
    own : ndarray of shape (rows, quantities)
        Moving average against the van's own baseline. [standard deviations]
    latest : ndarray of shape (rows, quantities)
        The visit itself against the van's own baseline. [standard deviations]

    Returns
    -------
    ndarray of shape (rows, 3 * quantities)
        Clipped; 0 where a quantity was not read: an unread quantity is no evidence. [standard deviations]
    """
    joined = np.concatenate([peer, own, latest], axis=1)
    return np.clip(np.where(np.isfinite(joined), joined, 0.0), -FEATURE_CLIP, FEATURE_CLIP)


def make_model(seed: int) -> Any:
    """An untrained pipeline.

    Parameters
    ----------
    seed : int
        Seed of its trees.

    Returns
    -------
    sklearn.pipeline.Pipeline
    """
    from sklearn.ensemble import IsolationForest
    from sklearn.pipeline import Pipeline
    from sklearn.preprocessing import RobustScaler

    return Pipeline(
        [
            ("scale", RobustScaler(quantile_range=(10.0, 90.0), unit_variance=True)),
            ("forest", IsolationForest(n_estimators=64, max_samples="auto", random_state=seed)),
        ]
    )


def score_of(model: Any, f: Floats) -> Floats:
    """Anomaly score of an isolation forest; higher is more abnormal.

    Parameters
    ----------
    model : sklearn.pipeline.Pipeline
        Trained.
    f : ndarray of shape (rows, features)
        As `features` returns. [standard deviations]

    Returns
    -------
    ndarray of shape (rows,)
        [1]
    """
    return np.asarray(-model.score_samples(f), dtype=np.float64) if len(f) else np.empty(0)


def distance_of(f: Floats) -> Floats:
    """Distance of a van's week from healthy; higher is more abnormal.

    Parameters
    ----------
    f : ndarray of shape (rows, BLOCKS * quantities)
        As `features` returns. [standard deviations]

    Returns
    -------
    ndarray of shape (rows,)
        Logarithm of 1 plus the sum, over quantities, of the largest square among its views. It complements the forest,
        which isolates unusual combinations well but barely separates one quantity far outside from several. [1]
    """
    blocks = f.reshape(len(f), BLOCKS, -1)
    return np.asarray(np.log1p(np.sum(np.max(blocks**2, axis=1), axis=1)), dtype=np.float64)


def folds_of(vans: Sequence[str]) -> Codes:
    """Cross-validation fold of each van, from its name alone, so that the order of the fleet does not matter.

    Parameters
    ----------
    vans : sequence of str
        Their names.

    Returns
    -------
    ndarray of shape (vans,), int
    """
    order = np.argsort(np.argsort(np.array(vans)))
    return np.asarray(order % FOLDS, dtype=np.int64)


@dataclass(frozen=True)
class Calibration:
    """Scores of healthy vans that their model has not seen, and the tail beyond them.

    Attributes
    ----------
    scores : ndarray of shape (n,)
        Sorted. [1]
    threshold, excess : float
        Where the exponential tail starts, and its mean excess. [1]
    """

    scores: Floats
    threshold: float
    excess: float


def calibrate(scores: Floats) -> Calibration:
    """Calibration from healthy scores.

    Parameters
    ----------
    scores : ndarray of shape (n,)
        Finite.

    Returns
    -------
    Calibration
        The mean excess is raised by its standard error, so that the tail errs towards larger p-values.
    """
    known = np.sort(scores[np.isfinite(scores)])
    if known.size < 40:
        return Calibration(known, np.inf, 0.0)
    start = int(np.ceil(known.size * (1.0 - TAIL_SHARE))) - 1
    above = known[start + 1 :] - known[start]
    return Calibration(known, float(known[start]), float(above.mean() * (1.0 + 1.0 / np.sqrt(above.size))))


def p_values(scores: Floats, calibration: Calibration) -> Floats:
    """Calibrated p-values of scores.

    Parameters
    ----------
    scores : ndarray of shape (n,)
        Higher is more abnormal. [1]
    calibration : Calibration
        Scores of healthy vans.

    Returns
    -------
    ndarray of shape (n,)
        Conformal; beyond the highest calibration score the exponential tail, but at least a tenth of the smallest
        conformal p-value. [1]
    """
    if not calibration.scores.size:
        return np.ones(scores.shape)
    rank = conformal_p(scores, calibration.scores)
    if not np.isfinite(calibration.threshold):
        return rank
    tail = TAIL_SHARE * np.exp(-np.maximum(scores - calibration.threshold, 0.0) / max(calibration.excess, 1e-12))
    beyond = scores > calibration.scores[-1]
    return np.where(
        beyond, np.minimum(tail, rank), np.maximum(rank, np.where(scores > calibration.threshold, tail, 0.0))
    )


def flag(p: Floats, *, false_discovery: float, most: float) -> Flags:
    """Which of many p-values stand out: by false-discovery control, and within the accepted false alarms.

    Parameters
    ----------
    p : ndarray of shape (n,)
        p-values, no NaN. [1]
    false_discovery : float
        Accepted share of healthy vans among the flagged. [1]
    most : float
        Accepted false anomalies per van, whatever the false-discovery control allows. [1]

    Returns
    -------
    ndarray of shape (n,), bool

    References
    ----------
    Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300, DOI 10.1111/j.2517-6161.1995.tb02031.x (reference
    test: their 15 p-values).
    """
    from scipy.stats import (
        false_discovery_control,
    )  # it takes half a second to import, and a week with nothing new needs none

    return np.asarray((false_discovery_control(p) <= false_discovery) & (p <= most))
