"""The likelihood of each cause, placed on its banks, over a grid of severities."""

from dataclasses import dataclass, field

import numpy as np

from data_contracts.causes import CAUSE_CODES
from data_contracts.features import Feature
from data_contracts.signals import QUANTITIES
from models.causes.effects import Symptoms, effect_at
from models.causes.signs import SUPPORTS, Otherwise, shown_otherwise, sign_groups
from models.causes.table import EffectTable
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
        Power of each sign's likelihood, after the weights of its features, which discount neighbours already; above 1,
        since the probabilities were too low without it. What a sign can tell is bounded by `otherwise`. [1]
    tail : float
        Degrees of freedom of each quantity's t distribution; few tolerate outliers. [1]
    gross_error_share : float
        Prior share of gross errors in the quantities of one visit, under any cause. It is divided by the number of
        visits the level rests on: a lasting fault is read again, a gross error is not. [1]
    alone_visits : int
        Fewest visits from which a single step of the reading may name a part, if each visit reads it anew; else two must support the cause.
    otherwise : Otherwise
        Probability that an engine shows a sign otherwise than the table says of its cause.
    severities : tuple of float
        Grid of severities over which the likelihood is averaged. [1]
    """

    minimum_probability: float = 0.45
    prior_none: float = 0.17
    prior_unknown: float = 0.03
    prior_pair: float = 0.03
    temper: float = 1.5
    tail: float = 6.0
    gross_error_share: float = 0.03
    alone_visits: int = 2
    otherwise: Otherwise = field(default_factory=Otherwise)
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


@dataclass(frozen=True)
class Likelihoods:
    """Tempered log likelihoods of a chunk of vans.

    Attributes
    ----------
    under : ndarray of shape (vans, hypotheses, severities)
        [nat]
    none, unknown : ndarray of shape (vans,)
        Of no cause, and of an unknown one. [nat]
    supporting : ndarray of shape (vans, hypotheses, severities), int
        How many signs each explains far better than no cause does.
    otherwise : ndarray of shape (signs, vans)
        Log density of each sign on an engine that shows it otherwise than the table says, times the probability of that.
        [nat]
    """

    under: Floats
    none: Floats
    unknown: Floats
    supporting: Codes
    otherwise: Floats


def reach_of(moved: Symptoms, hypotheses: Hypotheses) -> Floats:
    """How far faults move each column: root mean square of the effects that stand out. [scale of the feature]

    Parameters
    ----------
    moved : Symptoms
    hypotheses : Hypotheses

    Returns
    -------
    ndarray of shape (columns,)
    """
    reach = np.zeros(len(moved.features))
    for column, feature in enumerate(moved.features):
        effect = np.hypot(hypotheses.effect[:, column], hypotheses.spread[:, column])
        far = effect[effect > 2.0 * feature.floor]
        reach[column] = np.sqrt(np.mean(far**2)) if far.size else 2.0 * feature.floor
    return reach


def _column_densities(
    x: Floats, u2: Floats, feature: Feature, effect: Floats, spread: Floats, settings: CauseSettings
) -> Floats:
    """Log density of one quantity under every hypothesis, of shape (vans, hypotheses, severities)."""
    severity = np.array(settings.severities)
    kinds, which = np.unique(np.column_stack([effect, spread]), axis=0, return_inverse=True)
    mean = np.stack([effect_at(feature, one, severity) for one in kinds[:, 0]])
    variance = (np.hypot(kinds[:, 1], feature.discrepancy)[:, None] * severity) ** 2
    each = log_t(x[:, None, None] - mean, u2[:, None, None] + variance, settings.tail)
    unaffected = unaffected_share(feature, kinds[:, 0], kinds[:, 1])[:, None]
    at_rest = log_t(x[:, None], u2[:, None] + (feature.discrepancy * severity) ** 2, settings.tail)[:, None, :]
    each = np.logaddexp(each + np.log1p(-unaffected), at_rest + np.log(unaffected))
    return np.asarray(each[:, which.reshape(-1), :])


def _densities_of_sign(
    sign: list[list[int]],
    moved: Symptoms,
    rows: slice,
    errors: GrossErrors,
    hypotheses: Hypotheses,
    reach: Floats,
    settings: CauseSettings,
) -> tuple[Floats, Floats]:
    """Log densities of one sign: under every hypothesis, of shape (vans, hypotheses, severities), and plain ones, of shape
    (3, vans): if nothing moved, if something unknown did, and if anything might."""
    vans = moved.moved[rows].shape[0]
    under = np.zeros((vans, hypotheses.cause.size, len(settings.severities)))
    plain = np.zeros((3, vans))
    for group in sign:
        sound, gross, sound_plain = np.zeros_like(under), np.zeros(vans), np.zeros_like(plain)
        for column in group:
            feature = moved.features[column]
            x, u2 = moved.moved[rows, column], moved.u[rows, column] ** 2
            read = np.isfinite(x)
            x, u2 = x[read], u2[read]
            weight = settings.temper * feature.weight
            gross[read] += weight * errors.density[read, column]
            for row, wide in enumerate((0.0, UNKNOWN_DISCREPANCIES * feature.discrepancy, reach[column])):
                sound_plain[row, read] += weight * log_t(x, u2 + wide**2, settings.tail)
            sound[read] += weight * _column_densities(
                x, u2, feature, hypotheses.effect[:, column], hypotheses.spread[:, column], settings
            )
        some = np.flatnonzero(np.isfinite(moved.moved[rows][:, group]).any(axis=1))
        error, fine = errors.log_error[some, group[0]] + gross[some], errors.log_sound[some, group[0]]
        under[some] += np.logaddexp(fine[:, None, None] + sound[some], error[:, None, None])
        plain[:, some] += np.logaddexp(fine + sound_plain[:, some], error)
    return under, plain


def log_likelihoods(
    moved: Symptoms,
    rows: slice,
    errors: GrossErrors,
    hypotheses: Hypotheses,
    settings: CauseSettings,
) -> Likelihoods:
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
    Likelihoods
    """
    vans = moved.moved[rows].shape[0]
    reach, signs = reach_of(moved, hypotheses), sign_groups(moved)
    under = np.zeros((vans, hypotheses.cause.size, len(settings.severities)))
    none, unknown, otherwise = np.zeros(vans), np.zeros(vans), np.zeros((len(signs), vans))
    supporting = np.zeros(under.shape, np.int64)
    stays = np.log1p(-settings.otherwise.in_all)
    for number, sign in enumerate(signs):
        of_sign, plain = _densities_of_sign(sign, moved, rows, errors, hypotheses, reach, settings)
        otherwise[number] = shown_otherwise(plain[0], plain[2], settings.otherwise)
        under += np.logaddexp(stays + of_sign, otherwise[number][:, None, None])
        supporting += of_sign - plain[0][:, None, None] > SUPPORTS
        none += plain[0]
        unknown += plain[1]
    return Likelihoods(under, none, unknown, supporting, otherwise)
