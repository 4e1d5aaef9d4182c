"""Which cause: an explicit likelihood over the declared effects, severity integrated out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE, NOT_SEPARABLE
from data_contracts.errors import InputError
from data_contracts.family import Family
from models.causes.effects import EffectTable, inseparable_pairs, load_effects, movements
from models.causes.evidence import Evidence, gather_evidence
from models.causes.likelihood import (
    CauseSettings,
    best_placements,
    log_likelihoods,
    odd_readings,
    place_patterns,
    shown_of,
)
from models.causes.next_test import NextTest, next_tests
from models.causes.pairs import PairProbability, pair_tables, with_pairs
from models.tracking.state.residuals import Residuals

_CHUNK = 1000


@dataclass(frozen=True)
class CausePosterior:
    """What the evidence says about each van.

    Attributes
    ----------
    van_ids, codes : tuple of str
        Rows and columns.
    probability : ndarray of shape (vans, codes)
        Probability that the code is the main cause; rows sum to one.
    leading : tuple of str
        The likeliest code, or not_separable below the set probability or where it rests on one reading of few visits.
    likeliest : tuple of str
        The likeliest code, whatever its probability.
    leading_probability : ndarray of shape (vans,)
        Probability of the likeliest code.
    severity, severity_low, severity_high : ndarray of shape (vans,)
        Mean and 90 % interval of the likeliest cause's severity, if it is that; NaN for none. [1]
    evidence_for, evidence_against : tuple of tuple of str
        Sentences about the likeliest cause, strongest first.
    next_test : tuple of NextTest or None
        Most information per minute; None where no test tells anything.
    pairs : tuple of tuple of PairProbability
        Two causes at once, likeliest first.
    said : tuple of tuple of str
        Pairs near the top that no free snap separates, in words.
    """

    van_ids: tuple[str, ...]
    codes: tuple[str, ...]
    probability: NDArray[np.float64]
    leading: tuple[str, ...]
    likeliest: tuple[str, ...]
    leading_probability: NDArray[np.float64]
    severity: NDArray[np.float64]
    severity_low: NDArray[np.float64]
    severity_high: NDArray[np.float64]
    evidence_for: tuple[tuple[str, ...], ...]
    evidence_against: tuple[tuple[str, ...], ...]
    next_test: tuple[NextTest | None, ...]
    pairs: tuple[tuple[PairProbability, ...], ...]
    said: tuple[tuple[str, ...], ...]


def _fault_code_log_weights(fault_codes: Sequence[tuple[str, ...]], table: EffectTable) -> NDArray[np.float64]:
    """Log of how much the fault codes raise each cause; the strongest code of each cause counts in full."""
    weights = np.zeros((len(fault_codes), len(CAUSE_CODES)))
    for van, codes in enumerate(fault_codes):
        for code in codes:
            causes, raises = table.fault_codes.get(code.strip().upper(), ((), 1.0))
            for cause in causes:
                column = CAUSE_CODES.index(cause)
                weights[van, column] = max(weights[van, column], np.log(raises))
    return weights


def _log_priors(
    families: Sequence[Family], priors: NDArray[np.float64] | None, settings: CauseSettings
) -> NDArray[np.float64]:
    """Log prior of every code for every van; turbo causes are not for natural engines."""
    vans, none = len(families), CAUSE_CODES.index(NONE)
    if priors is None:
        prior = np.ones((vans, len(CAUSE_CODES)))
        prior[:, none] = 0.0
    else:
        prior = np.array(np.broadcast_to(np.asarray(priors, dtype=np.float64), (vans, len(CAUSE_CODES))))
        if np.any(prior < 0) or not np.all(np.isfinite(prior)):
            raise InputError("priors of causes must be finite and not negative: correct them in the settings")
    turbo_only = np.array([code in CAUSES and CAUSES[code].turbo_only for code in CAUSE_CODES])
    natural = np.array([family.aspiration == "natural" for family in families], dtype=bool)
    prior[np.ix_(natural, turbo_only)] = 0.0
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
    priors: NDArray[np.float64] | None = None,
    table: EffectTable | None = None,
) -> CausePosterior:
    """Probabilities of the causes of each van's movements, with what speaks for and against.

    Parameters
    ----------
    residuals : Residuals
        Present level against expectation; what was not read is NaN and tells nothing.
    families : sequence of Family
        One per van.
    fault_codes : sequence of tuple of str
        SAE J2012 codes of each van; may be empty, are never needed.
    settings : CauseSettings, optional
    priors : ndarray of shape (codes,) or (vans, codes), optional
        Prior of every code of `CAUSE_CODES`; rows sum to one. Default: all causes alike.
    table : EffectTable, optional
        Declared effects; default: the table shipped with the software.

    Returns
    -------
    CausePosterior

    Raises
    ------
    InputError
        If the numbers of vans differ, or a prior is negative or not finite.

    Notes
    -----
    =====================================  =====================================================
    assumption                             why
    =====================================  =====================================================
    quantities independent given a cause   readable; what they share is discounted by `temper`
    t-distributed distance                 one odd quantity must not decide
    any one reading may be a slip          likelier the fewer visits it rests on
    movement proportional to severity      as the scale of severity is defined
    engines show more or less of it        in all quantities at once: the gain of a pattern
    no reading, no contribution            missing is not zero
    =====================================  =====================================================
    """
    settings = settings or CauseSettings()
    table = table or load_effects()
    vans = len(residuals.van_ids)
    if len(families) != vans or len(fault_codes) != vans:
        raise InputError(
            f"{vans} vans, {len(families)} families and {len(fault_codes)} lists of fault codes: give one of each per van"
        )
    kinds = tuple(family.lambda_sensor.kind for family in families)
    rich_low = np.array(
        [
            family.lambda_sensor.polarity == "rich_low" and family.lambda_sensor.kind == "narrowband"
            for family in families
        ],
        dtype=bool,
    )
    moved = movements(residuals, kinds, rich_low, table)
    hypotheses = place_patterns(moved, table)
    log_prior = _log_priors(families, priors, settings) + _fault_code_log_weights(fault_codes, table)
    two_banks = np.asarray(np.isfinite(moved.moved[:, moved.bank2]).any(axis=1))
    severity = np.array(settings.severities)
    shown_together = shown_of(hypotheses, settings.severities)
    with np.errstate(divide="ignore"):
        log_shown = np.log(shown_together.sum(axis=1))
    tables = pair_tables(moved, hypotheses, settings)

    none, codes = CAUSE_CODES.index(NONE), len(CAUSE_CODES)
    probability = np.zeros((vans, codes))
    level = np.full((3, vans), np.nan)
    evidence: list[Evidence] = []
    pairs: list[tuple[PairProbability, ...]] = []
    for start in range(0, vans, _CHUNK):
        rows = slice(start, min(start + _CHUNK, vans))
        slips = odd_readings(moved, rows, residuals.visits, settings)
        under, of_none, of_unknown = log_likelihoods(moved, rows, slips, hypotheses, settings)
        share = np.where(two_banks[rows, None], hypotheses.log_share, hypotheses.log_share_one)
        placed = under + share[:, :, None] + log_shown
        log_joint = np.full((under.shape[0], codes), -np.inf)
        for code in range(codes):
            mine = hypotheses.cause == code
            if mine.any():
                log_joint[:, code] = logsumexp(placed[:, mine, :], axis=(1, 2))
        log_joint[:, none] = of_none
        log_joint += log_prior[rows]
        faults = np.arange(codes) != none
        unknown = of_unknown[:, None] + np.log(settings.prior_unknown) + log_prior[rows]
        log_joint[:, faults] = np.logaddexp(log_joint[:, faults], unknown[:, faults])
        for van in range(under.shape[0]):
            number = start + van
            best = best_placements(placed[van], hypotheses)
            single, both = with_pairs(
                moved.moved[number],
                moved.u[number],
                slips.of(van),
                log_joint[van],
                log_prior[number],
                share[van],
                best,
                hypotheses,
                tables,
                settings,
            )
            probability[number] = single
            pairs.append(both)
            lead = int(np.argmax(single))
            shown = lead if lead != none else _runner_up(single, none)
            mine = hypotheses.cause == shown
            if lead != none:
                weight = np.exp(placed[van][mine] - placed[van][mine].max())
                of_each = shown_together[mine] / shown_together[mine].sum(axis=1, keepdims=True)
                weight = np.einsum("hk,hsk->s", weight, of_each)
                level[:, number] = _interval(severity, weight / weight.sum())
            place, at = best[shown]
            evidence.append(
                gather_evidence(
                    residuals, number, moved, hypotheses.effect[place], hypotheses.spread[place],
                    float(severity[at]), CAUSE_CODES[shown], settings.tail,
                )
            )  # fmt: skip
    top = np.argmax(probability, axis=1)
    leading_probability = probability[np.arange(vans), top]
    likeliest = tuple(CAUSE_CODES[number] for number in top)
    return CausePosterior(
        van_ids=residuals.van_ids,
        codes=CAUSE_CODES,
        probability=probability,
        leading=tuple(
            code
            if p >= settings.minimum_probability and (code == NONE or e.readings >= 2 or seen >= settings.alone_visits)
            else NOT_SEPARABLE
            for code, p, e, seen in zip(likeliest, leading_probability, evidence, residuals.visits, strict=True)
        ),
        likeliest=likeliest,
        leading_probability=leading_probability,
        severity=level[0],
        severity_low=level[1],
        severity_high=level[2],
        evidence_for=tuple(e.speaks_for for e in evidence),
        evidence_against=tuple(e.speaks_against for e in evidence),
        next_test=next_tests(probability, CAUSE_CODES),
        pairs=tuple(pairs),
        said=tuple(_said(row, inseparable_pairs(moved, van, table)) for van, row in enumerate(probability)),
    )


def _runner_up(single: NDArray[np.float64], none: int) -> int:
    without = single.copy()
    without[none] = -1.0
    return int(np.argmax(without))


def _interval(severity: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean and 90 % interval of a severity known on a grid."""
    below = np.cumsum(weight)
    edges = np.concatenate([[0.0], below])
    halfway = np.concatenate([[0.0], 0.5 * (severity[1:] + severity[:-1]), [severity[-1]]])
    low, high = np.interp([0.05, 0.95], edges, halfway)
    return np.array([float(weight @ severity), low, high])


def _said(row: NDArray[np.float64], inseparable: dict[frozenset[str], str]) -> tuple[str, ...]:
    """Inseparable pairs among the two likeliest codes, in words."""
    first, second = (CAUSE_CODES[number] for number in np.argsort(-row)[:2])
    because = inseparable.get(frozenset((first, second)))
    if because is None or row.max() > 0.9:
        return ()
    titles = [CAUSES[code].title if code in CAUSES else "nothing wrong" for code in (first, second)]
    return (f"A free snap does not surely separate '{titles[0]}' from '{titles[1]}': {because}.",)
