"""The likelihood of each cause, placed on its banks, over a grid of severities."""

from dataclasses import dataclass

import numpy as np

from data_contracts.causes import CAUSE_CODES
from data_contracts.features import Feature
from data_contracts.signals import QUANTITIES
from models.causes.effects import EffectTable, Movements, effect_at
from models.statistics.arrays import Codes, Floats

ODD_FLOORS = 20.0
"""How wide a slip of the reading scatters, in healthy movements of its quantity."""

LOOSE = 1.0
"""An effect no larger than this many of its own spreads between engines may as well be absent."""

RESTS = 0.05
"""Share of engines on which a declared effect does not show. A judgement, no source."""

UNKNOWN_STRAYS = 4.0
"""How much wider than any known cause something unknown moves what is not declared."""


@dataclass(frozen=True)
class CauseSettings:
    """Settings of the cause engine; the defaults are calibrated by tests/studies/causes.py.

    Attributes
    ----------
    minimum_probability : float
        Below it the decision is not_separable and no job names a part.
    prior_none : float
        Prior probability that a van has none of the causes.
    prior_unknown : float
        Prior share of something the table does not know; its evidence goes to all causes alike.
    prior_pair : float
        Prior share of two causes at once among the faulty.
    temper : float
        Power of the likelihood, in (0, 1]: neighbouring quantities tell partly the same.
    tail : float
        Degrees of freedom of each quantity's t distribution; few are forgiving.
    odd : float
        Prior share of quantities that one visit's reading gets wrong under any cause; shared out over the visits the
        level rests on, for a fault that stays is read again and a slip is not.
    alone_visits : int
        Visits from which a single step of the reading may name a part; below it two must speak for the cause.
    severities : tuple of float
        Grid of severities over which the likelihood is averaged.
    """

    minimum_probability: float = 0.45
    prior_none: float = 0.25
    prior_unknown: float = 0.03
    prior_pair: float = 0.03
    temper: float = 1.0
    tail: float = 6.0
    odd: float = 0.03
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
        Log prior share within the cause, on an engine with two banks and with one.
    gain : ndarray of shape (hypotheses,)
        Standard deviation of ln of how much of a severity an engine shows.
    effect, spread : ndarray of shape (hypotheses, columns)
        Movement at severity 1 and its spread. [scale of the feature]
    """

    cause: Codes
    log_share: Floats
    log_share_one: Floats
    gain: Floats
    effect: Floats
    spread: Floats


def place_patterns(moved: Movements, table: EffectTable) -> Hypotheses:
    """Place every pattern: on both banks, and where it may sit on one, on either.

    Parameters
    ----------
    moved : Movements
    table : EffectTable

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
    """Prior probability of each severity together with how much of it the engine shows, on one grid.

    Engines differ in how much they show of one fault, in everything at once: half a plate takes a tenth of the flow
    from one and a third from another, and the pattern is the same.

    Parameters
    ----------
    hypotheses : Hypotheses
    severities : tuple of float
        The grid, all alike before anything is read.

    Returns
    -------
    ndarray of shape (hypotheses, severities, shown severities)
        Each hypothesis sums to 1.
    """
    position = np.log(severities)
    distance = (position - position[:, None]) / np.maximum(hypotheses.gain, 1e-3)[:, None, None]
    density = np.exp(-0.5 * distance**2) * np.gradient(position)
    return np.asarray(density / density.sum(axis=2, keepdims=True) / position.size)


def log_t(distance: Floats, scale2: Floats, tail: float) -> Floats:
    """Log density of a t distribution but for its constant."""
    return np.asarray(-0.5 * np.log(scale2) - 0.5 * (tail + 1.0) * np.log1p(distance * distance / scale2 / tail))


def slip_groups(moved: Movements) -> list[list[int]]:
    """Columns that one slip of the reading spoils together.

    Parameters
    ----------
    moved : Movements

    Returns
    -------
    list of list of int
    """
    groups: dict[tuple[str, bool], list[int]] = {}
    for column, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        groups.setdefault((feature.fit, bool(second)), []).append(column)
    return list(groups.values())


@dataclass(frozen=True)
class Slips:
    """A slip of the reading as an explanation, whatever the cause.

    Attributes
    ----------
    density : ndarray of shape (vans, columns)
        Log density of each movement as a slip; NaN where not read.
    slip, sound : ndarray of shape (vans, columns)
        Log prior share of a slip, and of a sound reading.
    """

    density: Floats
    slip: Floats
    sound: Floats

    def of(self, van: int) -> "Slips":
        """Those of one van, each of shape (columns,)."""
        return Slips(self.density[van], self.slip[van], self.sound[van])


def odd_readings(moved: Movements, rows: slice, visits: Codes, settings: CauseSettings) -> Slips:
    """How likely each movement is as a slip of the reading.

    Parameters
    ----------
    moved : Movements
    rows : slice
        Vans.
    visits : ndarray of shape (vans,), int
        Visits the level rests on.
    settings : CauseSettings

    Returns
    -------
    Slips
        Of the vans of the slice.
    """
    often = settings.odd * np.array([feature.slips for feature in moved.features])
    share = np.minimum(often / np.maximum(visits[rows], 1)[:, None], 0.5)
    wide = ODD_FLOORS * np.array([feature.floor for feature in moved.features])
    density = log_t(moved.moved[rows], moved.u[rows] ** 2 + wide**2, settings.tail)
    with np.errstate(divide="ignore"):
        return Slips(density, np.log(share), np.log1p(-share))


def rest_share(feature: Feature, effect: Floats, spread: Floats) -> Floats:
    """Share of engines on which a cause leaves a quantity alone, lest a quantity at rest speak too much against the
    cause.

    Half of them where the cause moves it on some engines, either way, and not on others; a few of any: no table knows
    every engine."""
    loose = (np.abs(effect) <= LOOSE * spread) & (spread > 2.0 * feature.floor)
    return np.where(loose, 0.5, RESTS)


def log_likelihoods(
    moved: Movements, rows: slice, slips: Slips, hypotheses: Hypotheses, settings: CauseSettings
) -> tuple[Floats, Floats, Floats]:
    """Tempered log likelihood of every hypothesis and severity, of none, and of something unknown.

    Parameters
    ----------
    moved : Movements
    rows : slice
        Vans.
    slips : Slips
        Of the same vans.
    hypotheses : Hypotheses
    settings : CauseSettings

    Returns
    -------
    under : ndarray of shape (vans, hypotheses, severities)
    none, unknown : ndarray of shape (vans,)
    """
    severity = np.array(settings.severities)
    vans = moved.moved[rows].shape[0]
    under = np.zeros((vans, hypotheses.cause.size, severity.size))
    none, unknown = np.zeros(vans), np.zeros(vans)
    for group in slip_groups(moved):
        sound, slip = np.zeros_like(under), np.zeros(vans)
        of_none, of_unknown = np.zeros(vans), np.zeros(vans)
        for column in group:
            feature = moved.features[column]
            x, u2 = moved.moved[rows, column], moved.u[rows, column] ** 2
            read = np.isfinite(x)
            x, u2 = x[read], u2[read]
            weight = settings.temper * feature.weight
            slip[read] += weight * slips.density[read, column]
            of_none[read] += weight * log_t(x, u2, settings.tail)
            of_unknown[read] += weight * log_t(x, u2 + (UNKNOWN_STRAYS * feature.stray) ** 2, settings.tail)
            kinds, which = np.unique(
                np.column_stack([hypotheses.effect[:, column], hypotheses.spread[:, column]]),
                axis=0,
                return_inverse=True,
            )
            mean = np.stack([effect_at(feature, effect, severity) for effect in kinds[:, 0]])
            variance = (np.hypot(kinds[:, 1], feature.stray)[:, None] * severity) ** 2
            each = log_t(x[:, None, None] - mean, u2[:, None, None] + variance, settings.tail)
            rests = rest_share(feature, kinds[:, 0], kinds[:, 1])[:, None]
            resting = log_t(x[:, None], u2[:, None] + (feature.stray * severity) ** 2, settings.tail)[:, None, :]
            each = np.logaddexp(each + np.log1p(-rests), resting + np.log(rests))
            sound[read] += weight * each[:, which.reshape(-1), :]
        some = np.flatnonzero(np.isfinite(moved.moved[rows][:, group]).any(axis=1))
        odd, fine = slips.slip[some, group[0]] + slip[some], slips.sound[some, group[0]]
        under[some] += np.logaddexp(fine[:, None, None] + sound[some], odd[:, None, None])
        none[some] += np.logaddexp(fine + of_none[some], odd)
        unknown[some] += np.logaddexp(fine + of_unknown[some], odd)
    return under, none, unknown


def best_placements(placed: Floats, hypotheses: Hypotheses) -> dict[int, tuple[int, int]]:
    """Per cause the likeliest hypothesis and the position of its severity."""
    best: dict[int, tuple[int, int]] = {}
    peak, at = placed.max(axis=1), placed.argmax(axis=1)
    for number, cause in enumerate(hypotheses.cause):
        if cause not in best or peak[number] > peak[best[int(cause)][0]]:
            best[int(cause)] = (number, int(at[number]))
    return best
