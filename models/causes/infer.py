"""Which cause: an explicit likelihood over the declared effects, severity integrated out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain

import numpy as np
from scipy.special import logsumexp

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE, NOT_SEPARABLE
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from models.causes.effects import Symptoms, symptoms
from models.causes.evidence import Evidence, gather_evidence
from models.causes.likelihood import (
    CauseSettings,
    Hypotheses,
    Likelihoods,
    gross_errors,
    log_likelihoods,
    place_patterns,
    shown_of,
)
from models.causes.next_test import NextTest, next_tests
from models.causes.pairs import Best, PairProbability, PairTables, pair_tables, with_pairs
from models.causes.signs import told_by_signs
from models.causes.table import EffectTable, load_effects
from models.statistics.arrays import Floats
from models.statistics.side_by_side import side_by_side
from models.tracking.state.residuals import Residuals

_CHUNK = 250
"""Vans whose likelihoods a thread has in memory at once."""
_NONE = CAUSE_CODES.index(NONE)


@dataclass(frozen=True)
class CausePosterior:
    """Probabilities of the causes of each van, with their evidence.

    Attributes
    ----------
    van_ids, codes : tuple of str
        Rows and columns.
    probability : ndarray of shape (vans, codes)
        Probability that the code is the main cause; rows sum to one. [1]
    leading : tuple of str
        The likeliest code; not_separable below the set probability, or where it rests on one reading of few visits.
    likeliest : tuple of str
        The likeliest code, whatever its probability.
    leading_probability : ndarray of shape (vans,)
        Probability of the likeliest code. [1]
    severities : ndarray of shape (vans, codes)
        Mean severity of every cause, given that it is there, alone or as one of two; NaN for none. [1]
    prior : ndarray of shape (vans, codes)
        Probability of the code before readings and fault codes; rows sum to one. [1]
    evidence_for : tuple of tuple of Fact
        What supports the likeliest cause, strongest first.
    next_test : tuple of NextTest or None
        The test with most information per minute; None where no test is informative.
    pairs : tuple of tuple of PairProbability
        Two causes at once, likeliest first.
    """

    van_ids: tuple[str, ...]
    codes: tuple[str, ...]
    probability: Floats
    leading: tuple[str, ...]
    likeliest: tuple[str, ...]
    leading_probability: Floats
    severities: Floats
    prior: Floats
    evidence_for: tuple[tuple[Fact, ...], ...]
    next_test: tuple[NextTest | None, ...]
    pairs: tuple[tuple[PairProbability, ...], ...]

    @cached_property
    def severity(self) -> Floats:
        """Of the likeliest cause of each van; NaN for none. [1]"""
        columns = np.array([self.codes.index(code) for code in self.likeliest], np.int64)
        return np.asarray(self.severities[np.arange(columns.size), columns])


def _fault_code_log_weights(fault_codes: Sequence[tuple[str, ...]], table: EffectTable) -> Floats:
    """Log factor of the fault codes on each cause; the strongest code of each cause counts in full."""
    weights = np.zeros((len(fault_codes), len(CAUSE_CODES)))
    for van, codes in enumerate(fault_codes):
        for code in codes:
            for cause, raises in table.fault_codes.get(code.strip().upper(), {}).items():
                column = CAUSE_CODES.index(cause)
                weights[van, column] = max(weights[van, column], np.log(raises))
    return weights


def _log_priors(families: Sequence[Family], priors: Floats | None, settings: CauseSettings) -> Floats:
    """Log prior of every code for every van; naturally aspirated engines can't have turbo causes, those
    without an air-mass sensor none of that sensor."""
    vans, none = len(families), CAUSE_CODES.index(NONE)
    if priors is None:
        common = [CAUSES[code].common if code in CAUSES else 0.0 for code in CAUSE_CODES]
        prior = np.tile(common, (vans, 1))
    else:
        prior = np.array(np.broadcast_to(np.asarray(priors, dtype=np.float64), (vans, len(CAUSE_CODES))))
        if np.any(prior < 0) or not np.all(np.isfinite(prior)):
            raise InputError("priors of causes must be finite and not negative: correct them in the settings")
    turbo_only = np.array([code in CAUSES and CAUSES[code].turbo_only for code in CAUSE_CODES])
    natural = np.array([family.aspiration == "natural" for family in families], dtype=bool)
    prior[np.ix_(natural, turbo_only)] = 0.0
    metered_only = np.array([code in CAUSES and CAUSES[code].metered_only for code in CAUSE_CODES])
    by_pressure = np.array([not family.airflow_sensor.metered for family in families], dtype=bool)
    prior[np.ix_(by_pressure, metered_only)] = 0.0
    given_none = prior[:, none].copy() if priors is not None else np.full(vans, settings.prior_none)
    prior[:, none] = 0.0
    prior *= ((1.0 - given_none) / np.maximum(prior.sum(axis=1), 1e-300))[:, None]
    prior[:, none] = given_none
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(prior))


def infer_causes(
    residuals: Residuals,
    families: Sequence[Family],
    fault_codes: Sequence[tuple[str, ...]],
    *,
    settings: CauseSettings | None = None,
    priors: Floats | None = None,
    table: EffectTable | None = None,
    threads: int = 1,
) -> CausePosterior:
    """Probabilities of the causes of each van's movements, with their evidence.

    Parameters
    ----------
    residuals : Residuals
        Present level against expectation; NaN where not read, which is no evidence.
    families : sequence of Family
        One per van.
    fault_codes : sequence of tuple of str
        SAE J2012 codes of each van; may be empty.
    settings : CauseSettings, optional
    priors : ndarray of shape (codes,) or (vans, codes), optional
        Prior of every code of `CAUSE_CODES`; rows sum to one. Default: as common as their records say.
    table : EffectTable, optional
        Declared effects; default: the table shipped with the software.
    threads : int
        How many share the vans; what is found is the same with any number.

    Returns
    -------
    CausePosterior

    Raises
    ------
    InputError
        If the numbers of vans differ, or a prior is negative or not finite.

    Notes
    -----
    =====================================  =====================================================================
    assumption                             why
    =====================================  =====================================================================
    quantities independent given a cause   readable; what they share is discounted by their weights
    t-distributed distance                 one outlying quantity must not decide
    any reading may be a gross error       likelier the fewer visits it rests on
    any sign may show otherwise            engines differ in kind: it speaks against a cause only so far
    all may be what another cause does     likelier the fewer signs support the likeliest: one keeps it at 0.95
    movement proportional to severity      as the scale of severity is defined
    engines differ in what they show       in all quantities at once: the gain of a pattern
    engines differ in kind                 patterns pooled over several structures stand beside the others
    no reading, no contribution            missing is not zero
    =====================================  =====================================================================
    """
    settings = settings or CauseSettings()
    table = table or load_effects()
    vans = len(residuals.van_ids)
    if len(families) != vans or len(fault_codes) != vans:
        raise InputError(
            f"{vans} vans, {len(families)} families and {len(fault_codes)} lists of fault codes: give one of each per van"
        )
    space = _hypothesised(residuals, families, table, settings)
    before = _log_priors(families, priors, settings)
    log_prior = before + _fault_code_log_weights(fault_codes, table)
    chunks = (slice(start, min(start + _CHUNK, vans)) for start in range(0, vans, _CHUNK))
    judged = side_by_side(lambda rows: list(_judge(rows, residuals, space, log_prior)), chunks, threads)
    return _posterior(residuals, list(chain.from_iterable(judged)), before, settings)


@dataclass(frozen=True)
class _Hypothesised:
    """What all vans share: movements, hypotheses, tables of pairs, and the prior of the severities that engines
    show."""

    moved: Symptoms
    hypotheses: Hypotheses
    pairs: PairTables
    shown: Floats
    settings: CauseSettings


def _hypothesised(
    residuals: Residuals, families: Sequence[Family], table: EffectTable, settings: CauseSettings
) -> _Hypothesised:
    sensors = [family.lambda_sensor for family in families]
    rich_low = np.array([s.polarity == "rich_low" and s.kind == "narrowband" for s in sensors], dtype=bool)
    moved = symptoms(residuals, tuple(s.kind for s in sensors), rich_low, table)
    hypotheses = place_patterns(moved, table)
    shown = shown_of(hypotheses, settings.severities)
    return _Hypothesised(moved, hypotheses, pair_tables(moved, hypotheses, settings), shown, settings)


@dataclass(frozen=True)
class _Judged:
    """One van: probability and mean severity of every code, evidence of the likeliest, and pairs of causes."""

    probability: Floats
    severities: Floats
    evidence: Evidence
    pairs: tuple[PairProbability, ...]


def _posterior(
    residuals: Residuals, judged: Sequence[_Judged], log_prior: Floats, settings: CauseSettings
) -> CausePosterior:
    """Every van's judgement as one table, with the code that may be named."""
    probability = np.array([one.probability for one in judged]).reshape(len(judged), len(CAUSE_CODES))
    leading_probability = probability.max(axis=1, initial=0.0)
    likeliest = tuple(CAUSE_CODES[number] for number in np.argmax(probability, axis=1))
    return CausePosterior(
        van_ids=residuals.van_ids,
        codes=CAUSE_CODES,
        probability=probability,
        leading=tuple(
            code if _may_be_named(code, p, one.evidence, seen, settings) else NOT_SEPARABLE
            for code, p, one, seen in zip(likeliest, leading_probability, judged, residuals.visits, strict=True)
        ),
        likeliest=likeliest,
        leading_probability=leading_probability,
        severities=np.array([one.severities for one in judged]).reshape(probability.shape),
        prior=np.exp(log_prior),
        evidence_for=tuple(one.evidence.supporting for one in judged),
        next_test=next_tests(probability, CAUSE_CODES),
        pairs=tuple(one.pairs for one in judged),
    )


def _may_be_named(code: str, probability: float, evidence: Evidence, visits: int, settings: CauseSettings) -> bool:
    """Whether the likeliest code is likely enough, and rests on more than one reading of few visits, or one of many that lasts."""
    enough = code == NONE or evidence.readings >= 2 or (visits >= settings.alone_visits and evidence.lasts)
    return bool(probability >= settings.minimum_probability and enough)


def _judge(rows: slice, residuals: Residuals, space: _Hypothesised, log_prior: Floats) -> Iterator[_Judged]:
    """Judge a chunk of vans, whose likelihoods are in memory at once."""
    moved, hypotheses, settings = space.moved, space.hypotheses, space.settings
    severity = np.array(settings.severities)
    errors = gross_errors(moved, rows, residuals.visits, settings)
    likely = log_likelihoods(moved, rows, errors, hypotheses, settings)
    two_banks = np.asarray(np.isfinite(moved.moved[rows][:, moved.bank2]).any(axis=1))
    share = np.where(two_banks[:, None], hypotheses.log_share, hypotheses.log_share_one)
    placed = _placed(likely.under, share, space.shown)
    log_joint = _log_joint(placed, hypotheses, likely, log_prior[rows], settings)
    placements = _best_placements(placed, share, hypotheses)
    for van, number in enumerate(range(rows.start, rows.stop)):
        best = placements[van]
        probability, pairs = with_pairs(
            moved.moved[number],
            moved.u[number],
            errors.of(van),
            likely.otherwise[:, van],
            log_joint[van],
            log_prior[number],
            share[van],
            best,
            hypotheses,
            space.pairs,
            settings,
        )
        paired = pairs
        lead = int(np.argmax(probability))
        if lead != _NONE:
            signs = int(likely.supporting[van][best[lead].row, best[lead].column])
            probability, stays = told_by_signs(probability, np.exp(log_prior[number]), _NONE, signs, settings.otherwise)
            pairs = tuple(replace(pair, probability=stays * pair.probability) for pair in pairs)
            lead = int(np.argmax(probability))
        severities = np.full(len(CAUSE_CODES), np.nan)
        for cause in best:
            mine = hypotheses.cause == cause
            severities[cause] = _mean_severity(placed[van][mine], space.shown[mine], severity)
        severities = _with_pairs_severities(severities, log_joint[van], paired)
        shown = _runner_up(probability) if lead == _NONE else lead
        place, at, _ = best[shown]
        effect, spread = hypotheses.effect[place], hypotheses.spread[place]
        evidence = gather_evidence(
            residuals, number, moved, effect, spread, float(severity[at]), CAUSE_CODES[shown], settings.tail
        )
        yield _Judged(probability, severities, evidence, pairs)


def _placed(under: Floats, share: Floats, shown_together: Floats) -> Floats:
    """Log weight of every hypothesis at every severity, of shape (vans, hypotheses, severities)."""
    with np.errstate(divide="ignore"):
        return np.asarray(under + share[:, :, None] + np.log(shown_together.sum(axis=1)))


def _log_joint(
    placed: Floats,
    hypotheses: Hypotheses,
    likely: Likelihoods,
    log_prior: Floats,
    settings: CauseSettings,
) -> Floats:
    """Log of prior times likelihood of every code, including the share of something unknown that counts for it."""
    codes = len(CAUSE_CODES)
    log_joint = np.full((len(placed), codes), -np.inf)
    for code in range(codes):
        mine = hypotheses.cause == code
        if mine.any():
            log_joint[:, code] = logsumexp(placed[:, mine, :], axis=(1, 2))
    log_joint[:, _NONE] = likely.none
    log_joint += log_prior
    faults = np.arange(codes) != _NONE
    unknown = likely.unknown[:, None] + np.log(settings.prior_unknown) + log_prior
    log_joint[:, faults] = np.logaddexp(log_joint[:, faults], unknown[:, faults])
    return log_joint


def _best_placements(placed: Floats, share: Floats, hypotheses: Hypotheses) -> list[dict[int, Best]]:
    """The likeliest hypothesis of each cause, and its likeliest severity.

    Parameters
    ----------
    placed : ndarray of shape (vans, hypotheses, severities)
        Log weight of every hypothesis at every severity. [nat]
    share : ndarray of shape (vans, hypotheses)
        Log prior share of every hypothesis within its cause, which the weight holds. [nat]
    hypotheses : Hypotheses
        The same hypotheses.

    Returns
    -------
    list of dict of int to Best
        Of each van, by cause.
    """
    best: list[dict[int, Best]] = [{} for _ in placed]
    peak, at, each = placed.max(axis=2), placed.argmax(axis=2), logsumexp(placed, axis=2)
    vans = np.arange(len(placed))
    for cause in np.unique(hypotheses.cause).tolist():
        mine = np.flatnonzero(hypotheses.cause == cause)
        row = mine[peak[:, mine].argmax(axis=1)]
        together = logsumexp(each[:, mine], axis=1) - each[vans, row] + share[vans, row]
        for van, found in enumerate(zip(row.tolist(), at[vans, row].tolist(), together.tolist(), strict=True)):
            best[van][cause] = Best(*found)
    return best


def _mean_severity(placed: Floats, shown_together: Floats, severity: Floats) -> float:
    """Mean severity over the hypotheses of one cause, averaged over the severity the engine shows."""
    weight = np.exp(placed - placed.max())
    of_each = shown_together / shown_together.sum(axis=1, keepdims=True)
    weight = np.einsum("hk,hsk->s", weight, of_each)
    return float(weight / weight.sum() @ severity)


def _with_pairs_severities(alone: Floats, log_joint: Floats, pairs: Sequence[PairProbability]) -> Floats:
    """Mean severity of every cause over all that may hold with it there: that it is alone, and that it is one of two.

    Of two at once each explains a part only. By itself a cause that can't explain all the rest would be put at the largest there is.

    Parameters
    ----------
    alone : ndarray of shape (codes,)
        Given that it is the only one; NaN for none. [1]
    log_joint : ndarray of shape (codes,)
        Log of prior times likelihood of the single causes and of none. [nat]
    pairs : sequence of PairProbability
        Against the single causes.

    Returns
    -------
    ndarray of shape (codes,)
        [1]
    """
    weight = np.exp(log_joint - logsumexp(log_joint)) * max(1.0 - sum(pair.probability for pair in pairs), 0.0)
    total = np.where(weight > 0.0, weight * alone, 0.0)
    for pair in pairs:
        for code, size in zip(pair.codes, pair.severities, strict=True):
            column = CAUSE_CODES.index(code)
            weight[column] += pair.probability
            total[column] += pair.probability * size
    return np.divide(total, weight, out=alone.copy(), where=(weight > 1e-12) & np.isfinite(total))


def _runner_up(single: Floats) -> int:
    without = single.copy()
    without[_NONE] = -1.0
    return int(np.argmax(without))
