"""Two causes at once: the likeliest ones, each with any other, compete with the single causes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from data_contracts.causes import CAUSE_CODES, NONE
from models.cause_effects import Movements, effect_at
from models.cause_likelihood import CauseSettings, Hypotheses, log_t

# Severities of each of the two, coarser than for a single cause; first causes tried; least worth reporting.
_GRID = np.array([0.25, 0.5, 0.75, 1.0])
_FIRSTS = 2
_LEAST = 0.01


@dataclass(frozen=True)
class PairProbability:
    """Two causes at once, with the probability that both are there."""

    codes: tuple[str, str]
    probability: float


def with_pairs(
    van: int,
    log_joint: NDArray[np.float64],
    log_prior: NDArray[np.float64],
    log_share: NDArray[np.float64],
    best: dict[int, tuple[int, int]],
    moved: Movements,
    hypotheses: Hypotheses,
    settings: CauseSettings,
) -> tuple[NDArray[np.float64], tuple[PairProbability, ...]]:
    """Probabilities of the codes with pairs competing.

    Parameters
    ----------
    van : int
        Row of `moved`.
    log_joint, log_prior : ndarray of shape (codes,)
        Log of prior times likelihood of the single causes and of none; log prior.
    log_share : ndarray of shape (hypotheses,)
        Log prior share of each placed pattern within its cause.
    best : dict of int to (int, int)
        Likeliest placed pattern of each cause.
    moved : Movements
    hypotheses : Hypotheses
    settings : CauseSettings

    Returns
    -------
    probability : ndarray of shape (codes,)
        Sums to one; a pair's share goes to whichever of the two explains more alone.
    pairs : tuple of PairProbability
        Likeliest first.
    """
    none = CAUSE_CODES.index(NONE)
    single = np.exp(log_joint - logsumexp(log_joint))
    if settings.prior_pair <= 0 or single[none] > 0.95:
        return single, ()
    causes = log_joint.copy()
    causes[none] = -np.inf
    firsts = [int(code) for code in np.argsort(-causes)[:_FIRSTS] if np.isfinite(causes[code])]
    faulty = float(logsumexp(np.delete(log_prior, none)))
    columns = np.flatnonzero(np.isfinite(moved.moved[van]))
    one, other = (grid.ravel() for grid in np.meshgrid(_GRID, _GRID, indexing="ij"))
    larger = np.maximum(one, other)
    log_pair: dict[tuple[int, int], float] = {}
    for a in firsts:
        total = np.zeros((hypotheses.cause.size, one.size))
        for column in columns:
            feature = moved.features[column]
            kinds, which = np.unique(
                np.column_stack([hypotheses.effect[:, column], hypotheses.spread[:, column]]),
                axis=0,
                return_inverse=True,
            )
            place = best[a][0]
            mean = effect_at(feature, float(hypotheses.effect[place, column]), one) + np.stack(
                [effect_at(feature, effect, other) for effect in kinds[:, 0]]
            )
            variance = (
                (hypotheses.spread[place, column] * one) ** 2
                + (kinds[:, 1][:, None] * other) ** 2
                + (feature.stray * larger) ** 2
            )
            distance = moved.moved[van, column] - mean
            each = log_t(distance, moved.u[van, column] ** 2 + variance, settings.tail)
            total += settings.temper * feature.weight * each[which.reshape(-1)]
        for b in range(len(CAUSE_CODES)):
            mine = hypotheses.cause == b
            pair = (min(a, b), max(a, b))
            if b in (a, none) or pair in log_pair or not np.isfinite(log_prior[b]):
                continue
            likelihood = float(logsumexp(total[mine] + log_share[mine][:, None])) - np.log(one.size)
            log_pair[pair] = (
                likelihood + np.log(2.0 * settings.prior_pair) + float(log_prior[a] + log_prior[b]) - faulty
            )
    logs = np.array(list(log_pair.values()))
    everything = float(np.logaddexp(logsumexp(log_joint), logsumexp(logs)))
    out = np.exp(log_joint - everything)
    named = []
    for (a, b), p in zip(log_pair, np.exp(logs - everything), strict=True):
        out[a if single[a] >= single[b] else b] += p
        if p >= _LEAST:
            named.append(PairProbability((CAUSE_CODES[a], CAUSE_CODES[b]), float(p)))
    return out / out.sum(), tuple(sorted(named, key=lambda pair: -pair.probability))
