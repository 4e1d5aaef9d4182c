"""The anomaly of every van of the fleet.

One model per family, trained on other vans than those it judges; p-values calibrated over all families; the
false-discovery rate controlled over the fleet.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np

from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.anomaly.score import (
    BLOCKS,
    FEWEST_ROWS,
    FEWEST_VANS,
    FOLDS,
    MOST_ROWS,
    POOLED_PENALTY,
    VIEWS,
    Calibration,
    calibrate,
    distance_of,
    features,
    flag,
    folds_of,
    make_model,
    p_values,
    score_of,
)
from models.tracking.anomaly.waveform_residual import SHAPES, Waveforms, fit_shape, nonconformity, standard
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.recursion import Followed
from models.tracking.standardise import Standardised

SEED = 20261125
RECENT_VISITS = 26
"""Latest visits of each van that are used for calibration."""
MOST_CALIBRATION = 20_000


@dataclass(frozen=True)
class FleetAnomaly:
    """Anomaly of the vans' latest visits.

    Attributes
    ----------
    p, score : ndarray of shape (vans,)
        Calibrated p-value, and score on the common scale; a higher score is more abnormal. [1]
    flagged : ndarray of shape (vans,), bool
        Flagged at the accepted false-discovery rate and false alarms.
    names : tuple of str
        Contributors to the score: the quantities, and the shapes of the waveforms.
    contributions : ndarray of shape (vans, names)
        Parts of the score, which sum to it; NaN for vans that are not flagged. [1]
    cards : tuple of mapping
        How each model was made.
    models : mapping of str to sklearn.pipeline.Pipeline
        One per family, trained on all its visits without an alarm.
    """

    p: Floats
    score: Floats
    flagged: Flags
    names: tuple[str, ...]
    contributions: Floats
    cards: tuple[Mapping[str, Any], ...]
    models: Mapping[str, Any] = field(default_factory=dict)

    def of(self, vans: slice) -> "FleetAnomaly":
        """Of some vans.

        Parameters
        ----------
        vans : slice
            Their rows.

        Returns
        -------
        FleetAnomaly
        """
        tables = {name: getattr(self, name)[vans] for name in ("p", "score", "flagged", "contributions")}
        return replace(self, **tables)


class Views(NamedTuple):
    """What the models see of each quantity at some visits: `models.tracking.anomaly.score.VIEWS`, each of shape (visits,
    quantities). [standard deviations]"""

    peer: Floats
    own: Floats
    visit: Floats


def views_of(followed: Followed, alarms: Alarms, rows: Codes) -> Views:
    """What the models see of some visits.

    Parameters
    ----------
    followed, alarms
        Charts and alarms.
    rows : ndarray of shape (n,), int
        Visits.

    Returns
    -------
    Views
    """
    with np.errstate(invalid="ignore"):
        average = followed.ewma[rows] / followed.ewma_spread[rows]
    rejoined = alarms.rejoined[rows]  # such a baseline was never the van's own
    return Views(
        np.where(rejoined, alarms.level_z[rows], alarms.peer_z[rows]),
        np.where(rejoined, np.nan, average),
        np.where(rejoined, np.nan, followed.z[rows]),
    )


def judge_fleet(
    std: Standardised,
    views: Views,
    without_alarm: Flags,
    latest: Codes,
    *,
    false_discovery: float,
    most: float,
    waveforms: Waveforms | None = None,
) -> FleetAnomaly:
    """Judge the latest visit of each van.

    Parameters
    ----------
    std : Standardised
        Visits.
    views : Views
        Of the visits that `calibration_rows` names.
    without_alarm : ndarray of shape (visits,), bool
        Visits with an alarm neither train nor calibrate.
    latest : ndarray of shape (vans,), int
        The visits to judge.
    false_discovery : float
        Accepted share of healthy vans among the flagged. [1]
    most : float
        Accepted false anomalies per van and week, whatever the false-discovery control allows. [1]
    waveforms : Waveforms or None
        Of the visits; without them the readings alone are judged.

    Returns
    -------
    FleetAnomaly
    """
    rows = calibration_rows(std, latest)
    family, in_control = std.family[rows], (without_alarm & _of_vans_without_alarm(std, without_alarm))[rows]
    fold = folds_of(std.visits["van_id"].gather(std.starts[:-1]).to_list())[std.van[rows]]
    small = [f for f in range(len(std.families)) if _is_small(family == f, in_control, std.van[rows])]
    groups = [[f] for f in range(len(std.families)) if f not in small] + (
        [list(range(len(std.families)))] if small else []
    )
    peer, own = _nonconformity(std, waveforms, rows, fold, in_control, groups, small)
    all_features = _features_of(views, peer, own)
    scored = _score_groups(std, all_features, family, in_control, fold, groups, small)
    score = scored.score
    calibration = calibrate(score[in_control])
    place = np.searchsorted(rows, latest)
    penalty = np.where(np.isin(family[place], small), POOLED_PENALTY, 1.0)
    p = np.minimum(p_values(score[place], calibration) * penalty, 1.0)
    p = np.where(np.isfinite(score[place]), p, 1.0)
    flagged = flag(p, false_discovery=false_discovery, most=most)
    names = (*std.quantities, *SHAPES)
    parts = np.full((latest.size, len(names)), np.nan)
    for f in np.unique(family[place[flagged]]):
        name = next((m for m in scored.models if std.families[f] == m), "+".join(std.families))
        vans = np.flatnonzero(flagged & (family[place] == f))
        parts[vans] = _contributions(
            scored.models[name], scored.scales[int(f)], all_features[place[vans]], score[place[vans]]
        )
    cards = tuple(_with_calibration(card, calibration) for card in scored.cards)
    return FleetAnomaly(p, score[place], flagged, names, parts, cards, scored.models)


def _features_of(views: Views, peer: Floats, own: Floats) -> Floats:
    """What the models see of some visits: their quantities, and the shapes of their waveforms as further ones."""
    return features(
        np.column_stack([views.peer, peer]),
        np.column_stack([views.own, own]),
        np.column_stack([views.visit, np.full_like(own, np.nan)]),
    )


@dataclass(frozen=True)
class _Scored:
    """Scores on the common scale, of shape (visits,), and what made them."""

    score: Floats
    scales: Mapping[int, "_CommonScale"]
    models: Mapping[str, Any]
    cards: tuple[Mapping[str, Any], ...]


def _score_groups(
    std: Standardised,
    all_features: Floats,
    family: Codes,
    in_control: Flags,
    fold: Codes,
    groups: list[list[int]],
    small: list[int],
) -> _Scored:
    """Score every visit by a model of its family, or of all families pooled, that has not seen its van."""
    score, distance = np.full(family.size, np.nan), distance_of(all_features)
    scales: dict[int, _CommonScale] = {}
    models: dict[str, Any] = {}
    cards: list[Mapping[str, Any]] = []
    for group in groups:
        judged = small if len(group) > 1 else group
        inside = np.isin(family, group)
        for k in range(FOLDS):
            train = np.flatnonzero(inside & in_control & (fold != k))
            test = np.flatnonzero(np.isin(family, judged) & (fold == k))
            if train.size and test.size:
                score[test] = score_of(_trained(all_features, train), all_features[test])
        train = np.flatnonzero(inside & in_control)
        if not train.size:
            continue
        model, name = _trained(all_features, train), "+".join(std.families[f] for f in group)
        models[name] = model
        for f in judged:
            healthy = (family == f) & in_control
            scales[f] = _CommonScale(*_centre_and_spread(score[healthy]), *_centre_and_spread(distance[healthy]))
        cards.append(_card(name, train.size, all_features[train], std, judged))
    for f, common in scales.items():
        score[family == f] = common.of(score[family == f], distance[family == f])
    return _Scored(score, scales, models, tuple(cards))


def _nonconformity(
    std: Standardised,
    waveforms: Waveforms | None,
    rows: Codes,
    fold: Codes,
    in_control: Flags,
    groups: list[list[int]],
    small: list[int],
) -> tuple[Floats, Floats]:
    """Waveform shape against the family, and against the van's first visits; each model has not seen the van it judges.

    Both of shape (rows, shapes); 0 is healthy or unknown. [standard deviations]
    """
    peer, own = np.zeros((rows.size, len(SHAPES))), np.zeros((rows.size, len(SHAPES)))
    if waveforms is None:
        return peer, own
    family, begin, trace = std.family[rows], std.starts[:-1][std.van[rows]], waveforms.row[rows]
    for channel in range(len(SHAPES)):
        for group in groups:
            judged = small if len(group) > 1 else group
            for k in range(FOLDS):
                train = np.flatnonzero(np.isin(family, group) & in_control & (fold != k) & (trace >= 0))
                test = np.flatnonzero(np.isin(family, judged) & (fold == k))
                step = max(1, -(-train.size // MOST_ROWS))
                model = fit_shape(waveforms.traces[trace[train[::step]], channel]) if test.size else None
                if model is None:
                    peer[test, channel] = own[test, channel] = np.nan
                    continue
                peer[test, channel], own[test, channel] = nonconformity(
                    model, waveforms, channel, rows[test], begin[test]
                )
        for f in range(len(std.families)):
            of = np.flatnonzero(family == f)
            peer[of, channel] = standard(peer[of, channel], in_control[of])
            own[of, channel] = standard(own[of, channel], in_control[of])
    return peer, own


def _of_vans_without_alarm(std: Standardised, without_alarm: Flags) -> Flags:
    """Visits of vans without a recent alarm: before its alarm, a fault already shows in the visits."""
    recent = np.arange(std.van.size) >= std.starts[1:][std.van] - RECENT_VISITS
    alarmed = np.bincount(std.van, ~without_alarm & recent, minlength=std.starts.size - 1) > 0
    if alarmed.mean() > 0.5:
        return np.ones(std.van.size, dtype=bool)
    return np.logical_not(alarmed[std.van])


@dataclass(frozen=True)
class _CommonScale:
    """Scale on which a family's scores compare with other families': the mean of forest score and distance, each with
    its median at 0 and its 90 % quantile at 1.
    """

    forest_centre: float
    forest_spread: float
    distance_centre: float
    distance_spread: float

    def of(self, forest: Floats, distance: Floats) -> Floats:
        """Scores on the common scale.

        Parameters
        ----------
        forest, distance : ndarray of shape (rows,)
            Scores of the isolation forest, and distances. [1]

        Returns
        -------
        ndarray of shape (rows,)
            [1]
        """
        first = (forest - self.forest_centre) / self.forest_spread
        return 0.5 * first + 0.5 * (distance - self.distance_centre) / self.distance_spread


def calibration_rows(std: Standardised, latest: Codes) -> Codes:
    """The vans' recent visits, thinned evenly on a large fleet, together with the visits to judge; sorted.

    Parameters
    ----------
    std : Standardised
        Visits.
    latest : ndarray of shape (vans,), int
        The visits to judge.

    Returns
    -------
    ndarray of shape (rows,), int
    """
    ends = std.starts[1:][std.van]
    recent = np.flatnonzero(np.arange(std.van.size) >= ends - RECENT_VISITS)
    step = max(1, -(-recent.size // MOST_CALIBRATION))
    return np.union1d(recent[::step], latest).astype(np.int64)


def _is_small(inside: Flags, in_control: Flags, van: Codes) -> bool:
    return int((inside & in_control).sum()) < FEWEST_ROWS or np.unique(van[inside]).size < FEWEST_VANS


def _trained(f: Floats, rows: Codes) -> Any:
    step = max(1, -(-rows.size // MOST_ROWS))
    return make_model(SEED).fit(f[rows[::step]])


def _centre_and_spread(scores: Floats) -> tuple[float, float]:
    known = scores[np.isfinite(scores)]
    if not known.size:
        return 0.0, 1.0
    centre, upper = np.quantile(known, (0.5, 0.9))
    return float(centre), float(max(upper - centre, 1e-6))


def _contributions(model: Any, scale: _CommonScale, f: Floats, score: Floats) -> Floats:
    """Part of each van's score that each quantity adds.

    Each part is proportional to the fall of the score when that quantity is set to healthy; the parts sum to the score.
    """
    vans, quantities = len(f), f.shape[1] // BLOCKS
    trial = np.repeat(f[:, None, :], quantities + 1, axis=1)
    for q in range(quantities):
        trial[:, q, q::quantities] = 0.0
    flat = trial.reshape(vans * (quantities + 1), -1)
    scores = scale.of(score_of(model, flat), distance_of(flat)).reshape(vans, quantities + 1)
    fall = np.maximum(scores[:, -1:] - scores[:, :-1], 0.0)
    total = fall.sum(axis=1, keepdims=True)
    shares = np.where(total > 0, fall / np.where(total > 0, total, 1.0), 1.0 / quantities)
    return np.asarray(shares * score[:, None], dtype=np.float64)


def _card(name: str, rows: int, trained_on: Floats, std: Standardised, judged: list[int]) -> dict[str, Any]:
    return {
        "family": name,
        "judges": [std.families[f] for f in judged],
        "training_rows": rows,
        "training_rows_hash": hashlib.sha256(np.ascontiguousarray(trained_on, dtype="<f8").tobytes()).hexdigest(),
        "features": [f"{q} {view}" for view in VIEWS for q in (*std.quantities, *SHAPES)],
        "seed": SEED,
        "folds": FOLDS,
    }


def _with_calibration(card: Mapping[str, Any], calibration: Calibration) -> dict[str, Any]:
    shares = (0.5, 0.8, 0.9, 0.95, 0.99, 0.999)
    known = calibration.scores
    quantiles = {f"{s:g}": float(np.quantile(known, s)) for s in shares} if known.size else {}
    return {
        **card,
        "calibration_rows": int(known.size),
        "calibration_quantiles": quantiles,
        "tail_starts_at": calibration.threshold,
        "tail_mean_excess": calibration.excess,
    }
