"""Two causes at once: pairs of the likeliest causes with any other compete with single causes."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from data_contracts.causes import CAUSE_CODES, NONE
from models.causes.effects import Symptoms, effect_at
from models.causes.likelihood import CauseSettings, GrossErrors, Hypotheses, log_t
from models.causes.signs import sign_groups
from models.statistics.arrays import Codes, Floats

# Severities of each of the two, coarser than for a single cause; number of first causes tried; least probability
# reported. [1]
_GRID = np.array([0.25, 0.5, 0.75, 1.0])
_FIRSTS = 2
_LEAST = 0.01


class Best(NamedTuple):
    """The likeliest placed pattern of a cause.

    Attributes
    ----------
    row, column : int
        Of the hypotheses, and of its likeliest severity.
    log_share : float
        Log of what all patterns of the cause say together, each by its prior share, over what this one says: a cause of
        which one pattern of four fits is believed a quarter as much. [nat]
    """

    row: int
    column: int
    log_share: float


@dataclass(frozen=True)
class PairProbability:
    """Two causes at once, and the probability of that. [1]

    Attributes
    ----------
    codes : tuple of str
    probability : float
        [1]
    severities : tuple of float
        Mean severity of each of the two, given both. [1]
    """

    codes: tuple[str, str]
    probability: float
    severities: tuple[float, float]


@dataclass(frozen=True)
class PairTables:
    """Symptoms of every placed pattern as one of two causes, on a grid of both severities.

    Attributes
    ----------
    first, second : ndarray of shape (grid,)
        Severities of the two. [1]
    one, other : ndarray of shape (hypotheses, columns, grid)
        Effect as the first and as the second of the two. [scale of the feature]
    one_variance, other_variance : ndarray of shape (hypotheses, columns, grid)
        Variance between engines. [scale of the feature, squared]
    discrepancy_variance : ndarray of shape (columns, grid)
        Variance of movements that are not declared, by the larger severity. [scale of the feature, squared]
    weight : ndarray of shape (groups, columns)
        Tempered weight of each column's evidence, in the row of its error group. [1]
    lead : ndarray of shape (groups,), int
        One column of each group.
    sign : ndarray of shape (groups,), int
        Sign of each group, counted from 0.
    """

    first: Floats
    second: Floats
    one: Floats
    other: Floats
    one_variance: Floats
    other_variance: Floats
    discrepancy_variance: Floats
    weight: Floats
    lead: Codes
    sign: Codes


def pair_tables(moved: Symptoms, hypotheses: Hypotheses, settings: CauseSettings) -> PairTables:
    """Prepare the tables that `with_pairs` uses for every van.

    Parameters
    ----------
    moved : Symptoms
    hypotheses : Hypotheses
    settings : CauseSettings

    Returns
    -------
    PairTables
    """
    first, second = (grid.ravel() for grid in np.meshgrid(_GRID, _GRID, indexing="ij"))
    shape = (*hypotheses.effect.shape, first.size)
    one, other = np.zeros(shape), np.zeros(shape)
    for number, feature in enumerate(moved.features):
        for place, effect in enumerate(hypotheses.effect[:, number]):
            if effect != 0.0:
                one[place, number] = effect_at(feature, float(effect), first)
                other[place, number] = effect_at(feature, float(effect), second)
    signs = sign_groups(moved)
    groups = [group for sign in signs for group in sign]
    weight = np.zeros((len(groups), len(moved.features)))
    for row, group in enumerate(groups):
        weight[row, group] = [settings.temper * moved.features[column].weight for column in group]
    spread2 = hypotheses.spread[:, :, None] ** 2
    discrepancy = np.array([feature.discrepancy for feature in moved.features]).reshape(-1, 1)
    return PairTables(
        first,
        second,
        one,
        other,
        spread2 * first**2,
        spread2 * second**2,
        (discrepancy * np.maximum(first, second)) ** 2,
        weight,
        np.array([group[0] for group in groups], dtype=np.int64),
        np.repeat(np.arange(len(signs)), [len(sign) for sign in signs]),
    )


def _log_likelihoods(
    x: Floats,
    u: Floats,
    place: int,
    errors: GrossErrors,
    otherwise: Floats,
    tables: PairTables,
    settings: CauseSettings,
) -> Floats:
    """Tempered log likelihood of one pattern together with each, of shape (hypotheses, grid); arguments as `with_pairs`."""
    read = np.isfinite(x)
    groups = tables.weight[:, read].any(axis=1)
    weight, lead, sign = tables.weight[np.ix_(groups, read)], tables.lead[groups], tables.sign[groups]
    distance = (x[:, None] - tables.one[place] - tables.other)[:, read]
    variance = u[:, None] ** 2 + tables.discrepancy_variance + tables.one_variance[place] + tables.other_variance
    sound = errors.log_sound[lead, None] + np.matmul(weight, log_t(distance, variance[:, read], settings.tail))
    as_error = errors.log_error[lead] + weight @ errors.density[read]
    begins = np.flatnonzero(np.diff(sign, prepend=-1))
    of_sign = np.add.reduceat(np.logaddexp(sound, as_error[:, None]), begins, axis=1)
    stays = np.log1p(-settings.otherwise.in_all)
    return np.asarray(np.logaddexp(stays + of_sign, otherwise[sign[begins], None]).sum(axis=1))


def _mean_severities(total: Floats, tables: PairTables) -> tuple[float, float]:
    """Mean severity of the first and of the second of two causes, over log weights of shape (hypotheses, grid)."""
    weight = np.exp(total - total.max()).sum(axis=0)
    first, second = (float(weight @ grid / weight.sum()) for grid in (tables.first, tables.second))
    return first, second


def with_pairs(
    x: Floats,
    u: Floats,
    errors: GrossErrors,
    otherwise: Floats,
    log_joint: Floats,
    log_prior: Floats,
    log_share: Floats,
    best: dict[int, Best],
    hypotheses: Hypotheses,
    tables: PairTables,
    settings: CauseSettings,
) -> tuple[Floats, tuple[PairProbability, ...]]:
    """Probabilities of the codes of one van, with pairs competing.

    Parameters
    ----------
    x, u : ndarray of shape (columns,)
        Symptoms and their standard uncertainty; NaN where not read. [scale of the feature]
    errors : GrossErrors
        Of this van.
    otherwise : ndarray of shape (signs,)
        As `Likelihoods` has it, of this van. [nat]
    log_joint, log_prior : ndarray of shape (codes,)
        Log of prior times likelihood of the single causes and of none; log prior. [nat]
    log_share : ndarray of shape (hypotheses,)
        Log prior share of each placed pattern within its cause. [nat]
    best : dict of int to Best
        Likeliest placed pattern of each cause; it stands for all of them, by the share they have together.
    hypotheses : Hypotheses
    tables : PairTables
    settings : CauseSettings

    Returns
    -------
    probability : ndarray of shape (codes,)
        Sums to one; the share of a pair counts for the cause that explains more by itself. [1]
    pairs : tuple of PairProbability
        Likeliest first.
    """
    none = CAUSE_CODES.index(NONE)
    single = np.exp(log_joint - np.logaddexp.reduce(log_joint))
    if settings.prior_pair <= 0 or single[none] > 0.95 or not np.isfinite(x).any():
        return single, ()
    causes = np.where(np.arange(log_joint.size) == none, -np.inf, log_joint)
    firsts = [int(code) for code in np.argsort(-causes)[:_FIRSTS] if np.isfinite(causes[code])]
    faulty = float(np.logaddexp.reduce(np.delete(log_prior, none)))
    log_pair: dict[tuple[int, int], float] = {}
    sizes: dict[tuple[int, int], tuple[float, float]] = {}
    for a in firsts:
        place = best[a].row
        total = _log_likelihoods(x, u, place, errors, otherwise, tables, settings) + log_share[:, None]
        of_place = np.logaddexp.reduce(total, axis=1) - np.log(total.shape[1])
        of_cause = np.full(log_joint.size, -np.inf)
        np.logaddexp.at(of_cause, hypotheses.cause, of_place)
        for b in np.flatnonzero(np.isfinite(of_cause) & np.isfinite(log_prior)).tolist():
            pair = (min(a, b), max(a, b))
            if b not in (a, none) and pair not in log_pair:
                log_pair[pair] = (
                    of_cause[b]
                    + best[a].log_share
                    + np.log(2.0 * settings.prior_pair)
                    + float(log_prior[a] + log_prior[b])
                    - faulty
                )
                mine = _mean_severities(total[hypotheses.cause == b], tables)
                sizes[pair] = mine if a < b else mine[::-1]
    if not log_pair:
        return single, ()
    logs = np.array(list(log_pair.values()))
    everything = float(np.logaddexp(np.logaddexp.reduce(log_joint), np.logaddexp.reduce(logs)))
    out = np.exp(log_joint - everything)
    named = []
    for (a, b), p in zip(log_pair, np.exp(logs - everything), strict=True):
        out[a if single[a] >= single[b] else b] += p
        if p >= _LEAST:
            named.append(PairProbability((CAUSE_CODES[a], CAUSE_CODES[b]), float(p), sizes[a, b]))
    return out / out.sum(), tuple(sorted(named, key=lambda pair: -pair.probability))
