"""The likelihood of each cause, placed on its banks, over a grid of severities."""

from dataclasses import dataclass

import numpy as np

from data_contracts.causes import CAUSE_CODES
from data_contracts.features import Feature
from data_contracts.signals import QUANTITIES
from models.causes.effects import EffectTable, Symptoms, effect_at
from models.statistics.arrays import Codes, Floats

ERROR_FLOORS = 20.0
"""Standard deviation of a gross error, in floors of its feature. [1]"""

INDEFINITE = 1.0
"""An effect no larger than this many of its spreads between engines is indefinite: some engines may not show it. [1]"""

UNAFFECTED = 0.05
"""Share of engines on which a declared effect does not show. A judgement, no source. [1]"""

UNKNOWN_DISCREPANCIES = 4.0
"""Symptoms under an unknown cause, in discrepancies of the feature: wider than the undeclared ones of a known cause. [1]"""


@dataclass(frozen=True)
class CauseSettings:
    """Settings of the cause engine; the defaults are calibrated by tests/studies/causes.py.

    Attributes
    ----------
    minimum_probability : float
        Below it the decision is not_separable and no job names a part. [1]
    prior_none : float
        Prior probability that a van has none of the causes. [1]
    prior_unknown : float
        Prior share of an unknown cause; its evidence counts for all causes alike. [1]
    prior_pair : float
        Prior share of two causes at once among the faulty. [1]
    temper : float
        Power of the likelihood, in (0, 1]: neighbouring quantities are partly redundant. [1]
    tail : float
        Degrees of freedom of each quantity's t distribution; few tolerate outliers. [1]
    gross_error_share : float
        Prior share of gross errors in the quantities of one visit, under any cause. It is divided by the number of
        visits the level rests on: a lasting fault is read again, a gross error is not. [1]
    alone_visits : int
        Fewest visits from which a single step of the reading may name a part; with fewer, two must support the cause.
    severities : tuple of float
        Grid of severities over which the likelihood is averaged. [1]
    """

    minimum_probability: float = 0.45
    prior_none: float = 0.25
    prior_unknown: float = 0.03
    prior_pair: float = 0.03
    temper: float = 1.0
    tail: float = 6.0
    gross_error_share: float = 0.03
    alone_visits: int = 2
    severities: tuple[float, ...] = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.3)


@dataclass(frozen=True)
class Hypotheses:
    """Patterns placed on banks, with what each does to every column of the movements.

    Attributes
    ----------
    cause : ndarray of shape (hypotheses,), int
        Position in `CAUSE_CODES`.
    log_share, log_share_one : ndarray of shape (hypotheses,)
        Log prior share within the cause, on an engine with two banks and with one. [nat]
    gain : ndarray of shape (hypotheses,)
        Standard deviation of the logarithm of shown over true severity. [1]
    effect, spread : ndarray of shape (hypotheses, columns)
        Effect at severity 1 and its spread. [scale of the feature]
    """

    cause: Codes
    log_share: Floats
    log_share_one: Floats
    gain: Floats
    effect: Floats
    spread: Floats


def place_patterns(moved: Symptoms, table: EffectTable) -> Hypotheses:
    """Place every pattern on both banks, and, where it may affect a single one, on either.

    Parameters
    ----------
    moved : Symptoms
        For its columns.
    table : EffectTable
        For its patterns.

    Returns
    -------
    Hypotheses
    """
    cause, share, share_one, gain, effect, spread = [], [], [], [], [], []
    for pattern in table.patterns:
        for bank in ("both", "first", "second") if pattern.one_bank and moved.bank2.any() else ("both",):
            rows = np.zeros((2, len(moved.features)))
            for number, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
                elsewhere = QUANTITIES[feature.quantity].banked and (
                    (bank == "first" and second) or (bank == "second" and not second)
                )
                if not elsewhere:
                    rows[0, number] = pattern.effect.get(feature.name, 0.0)
                    rows[1, number] = pattern.spread.get(feature.name, 0.0)
            cause.append(CAUSE_CODES.index(pattern.cause))
            share.append(pattern.share / (3.0 if pattern.one_bank and moved.bank2.any() else 1.0))
            share_one.append(pattern.share if bank == "both" else 0.0)
            gain.append(pattern.gain)
            effect.append(rows[0])
            spread.append(rows[1])
    with np.errstate(divide="ignore"):
        return Hypotheses(
            np.array(cause), np.log(share), np.log(share_one), np.array(gain), np.array(effect), np.array(spread)
        )


def shown_of(hypotheses: Hypotheses, severities: tuple[float, ...]) -> Floats:
    """Prior probability of each severity together with the severity an engine shows, on one grid.

    Engines differ in how strongly they show the same fault, and in all quantities at once: a throttle that opens half
    way costs one engine a tenth of its flow and another a third, with the same pattern.

    Parameters
    ----------
    hypotheses : Hypotheses
        With the gain of each.
    severities : tuple of float
        The grid; every severity is equally likely before anything is read. [1]

    Returns
    -------
    ndarray of shape (hypotheses, severities, shown severities)
        Sums to 1 for each hypothesis. [1]
    """
    position = np.log(severities)
    distance = (position - position[:, None]) / np.maximum(hypotheses.gain, 1e-3)[:, None, None]
    density = np.exp(-0.5 * distance**2) * np.gradient(position)
    return np.asarray(density / density.sum(axis=2, keepdims=True) / position.size)


def log_t(distance: Floats, scale2: Floats, tail: float) -> Floats:
    """Log density of Student's t distribution, without its constant.

    Parameters
    ----------
    distance : ndarray
        Distance from the centre. [any unit]
    scale2 : ndarray
        Square of the scale. [unit of distance, squared]
    tail : float
        Degrees of freedom. [1]

    Returns
    -------
    ndarray
        Of the shape the two arrays broadcast to. [nat]
    """
    return np.asarray(-0.5 * np.log(scale2) - 0.5 * (tail + 1.0) * np.log1p(distance * distance / scale2 / tail))


def error_groups(moved: Symptoms) -> list[list[int]]:
    """Columns that one gross error of the reading spoils together.

    Parameters
    ----------
    moved : Symptoms
        Features of every van.

    Returns
    -------
    list of list of int
    """
    groups: dict[tuple[str, bool], list[int]] = {}
    for column, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        groups.setdefault((feature.reading_step, bool(second)), []).append(column)
    return list(groups.values())


@dataclass(frozen=True)
class GrossErrors:
    """The alternative that a reading is a gross error, under any cause.

    Attributes
    ----------
    density : ndarray of shape (vans, columns)
        Log density of each movement if it is a gross error; NaN where not read. [nat]
    log_error, log_sound : ndarray of shape (vans, columns)
        Log prior share of gross errors, and of sound readings. [nat]
    """

    density: Floats
    log_error: Floats
    log_sound: Floats

    def of(self, van: int) -> "GrossErrors":
        """Those of one van, each of shape (columns,).

        Parameters
        ----------
        van : int
            Its row.

        Returns
        -------
        GrossErrors
        """
        return GrossErrors(self.density[van], self.log_error[van], self.log_sound[van])


def gross_errors(moved: Symptoms, rows: slice, visits: Codes, settings: CauseSettings) -> GrossErrors:
    """How likely each movement is as a gross error of the reading.

    Parameters
    ----------
    moved : Symptoms
        Features of every van.
    rows : slice
        Vans to look at.
    visits : ndarray of shape (vans,), int
        Visits the level rests on.
    settings : CauseSettings
        Share of gross errors, and the tail.

    Returns
    -------
    GrossErrors
        Of the vans of the slice.
    """
    usual_share = settings.gross_error_share * np.array([feature.error_factor for feature in moved.features])
    share = np.minimum(usual_share / np.maximum(visits[rows], 1)[:, None], 0.5)
    wide = ERROR_FLOORS * np.array([feature.floor for feature in moved.features])
    density = log_t(moved.moved[rows], moved.u[rows] ** 2 + wide**2, settings.tail)
    with np.errstate(divide="ignore"):
        return GrossErrors(density, np.log(share), np.log1p(-share))


def unaffected_share(feature: Feature, effect: Floats, spread: Floats) -> Floats:
    """Share of engines on which a cause leaves a quantity unaffected.

    Without it a single quantity that did not move would rule a cause out. The share is one half where the cause moves
    the quantity either way, or not at all, depending on the engine; otherwise it is `UNAFFECTED`, since no table knows
    every engine.

    Parameters
    ----------
    feature : Feature
        The quantity on its scale.
    effect, spread : ndarray of shape (n,)
        Effect at severity 1, and its spread between engines. [scale of the feature]

    Returns
    -------
    ndarray of shape (n,)
        [1]
    """
    indefinite = (np.abs(effect) <= INDEFINITE * spread) & (spread > 2.0 * feature.floor)
    return np.where(indefinite, 0.5, UNAFFECTED)


def log_likelihoods(
    moved: Symptoms, rows: slice, errors: GrossErrors, hypotheses: Hypotheses, settings: CauseSettings
) -> tuple[Floats, Floats, Floats]:
    """Tempered log likelihood of every hypothesis and severity, of no cause, and of an unknown one.

    Parameters
    ----------
    moved : Symptoms
    rows : slice
        Vans.
    errors : GrossErrors
        Of the same vans.
    hypotheses : Hypotheses
    settings : CauseSettings

    Returns
    -------
    under : ndarray of shape (vans, hypotheses, severities)
        [nat]
    none, unknown : ndarray of shape (vans,)
        [nat]
    """
    severity = np.array(settings.severities)
    vans = moved.moved[rows].shape[0]
    under = np.zeros((vans, hypotheses.cause.size, severity.size))
    none, unknown = np.zeros(vans), np.zeros(vans)
    for group in error_groups(moved):
        sound, gross = np.zeros_like(under), np.zeros(vans)
        of_none, of_unknown = np.zeros(vans), np.zeros(vans)
        for column in group:
            feature = moved.features[column]
            x, u2 = moved.moved[rows, column], moved.u[rows, column] ** 2
            read = np.isfinite(x)
            x, u2 = x[read], u2[read]
            weight = settings.temper * feature.weight
            gross[read] += weight * errors.density[read, column]
            of_none[read] += weight * log_t(x, u2, settings.tail)
            of_unknown[read] += weight * log_t(
                x, u2 + (UNKNOWN_DISCREPANCIES * feature.discrepancy) ** 2, settings.tail
            )
            kinds, which = np.unique(
                np.column_stack([hypotheses.effect[:, column], hypotheses.spread[:, column]]),
                axis=0,
                return_inverse=True,
            )
            mean = np.stack([effect_at(feature, effect, severity) for effect in kinds[:, 0]])
            variance = (np.hypot(kinds[:, 1], feature.discrepancy)[:, None] * severity) ** 2
            each = log_t(x[:, None, None] - mean, u2[:, None, None] + variance, settings.tail)
            unaffected = unaffected_share(feature, kinds[:, 0], kinds[:, 1])[:, None]
            at_rest = log_t(x[:, None], u2[:, None] + (feature.discrepancy * severity) ** 2, settings.tail)[:, None, :]
            each = np.logaddexp(each + np.log1p(-unaffected), at_rest + np.log(unaffected))
            sound[read] += weight * each[:, which.reshape(-1), :]
        some = np.flatnonzero(np.isfinite(moved.moved[rows][:, group]).any(axis=1))
        error, fine = errors.log_error[some, group[0]] + gross[some], errors.log_sound[some, group[0]]
        under[some] += np.logaddexp(fine[:, None, None] + sound[some], error[:, None, None])
        none[some] += np.logaddexp(fine + of_none[some], error)
        unknown[some] += np.logaddexp(fine + of_unknown[some], error)
    return under, none, unknown


def best_placements(placed: Floats, hypotheses: Hypotheses) -> dict[int, tuple[int, int]]:
    """The likeliest hypothesis of each cause, and its likeliest severity.

    Parameters
    ----------
    placed : ndarray of shape (hypotheses, severities)
        Log weight of every hypothesis at every severity. [nat]
    hypotheses : Hypotheses
        The same hypotheses.

    Returns
    -------
    dict of int to (int, int)
        Cause to the row of the hypothesis and the column of the severity.
    """
    best: dict[int, tuple[int, int]] = {}
    peak, at = placed.max(axis=1), placed.argmax(axis=1)
    for number, cause in enumerate(hypotheses.cause):
        if cause not in best or peak[number] > peak[best[int(cause)][0]]:
            best[int(cause)] = (number, int(at[number]))
    return best
