"""Movements on the scales that causes are judged by, and what a cause at a severity does on them."""

from dataclasses import dataclass

import numpy as np

from data_contracts.features import SOFT, Feature, FeatureScale
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.causes.table import EffectTable
from models.statistics.arrays import Flags, Floats
from models.tracking.state.residuals import Residuals

PROPORTIONS = (0.3, 1.5)
"""Least and most of one flow over another by which their movements are compared: of engines in order, rounded outwards. [1]"""
# Least factor on the log scale. [1]
_SMALLEST_FACTOR = 0.02


def _to_scale(scale: FeatureScale, expected: Floats, shift: Floats, u: Floats) -> tuple[Floats, Floats]:
    """Symptom and its standard uncertainty on a feature's scale, linearised."""
    present = expected + shift
    with np.errstate(divide="ignore", invalid="ignore"):
        if scale == "absolute":
            moved, moved_u = shift, u
        elif scale == "soft":
            moved, moved_u = SOFT * np.arcsinh(shift / SOFT), u / np.hypot(1.0, shift / SOFT)
        elif scale == "relative":
            size = np.where(np.abs(expected) > 0, np.abs(expected), np.nan)
            moved, moved_u = shift / size, u / size
        elif scale == "log":
            positive = np.where(expected > 0, expected, np.nan)
            factor = np.maximum(present / positive, _SMALLEST_FACTOR)
            moved, moved_u = np.log(factor), u / positive / np.maximum(np.sqrt(factor), 0.3)
        elif scale == "inverse":
            both = np.where((expected > 0) & (present > 0), expected * present, np.nan)
            moved, moved_u = -shift / both, u / both
        else:
            before, now = np.sqrt(np.maximum(expected, 0.0)), np.sqrt(np.maximum(present, 0.0))
            moved = np.where(np.isfinite(shift), now - before, np.nan)
            moved_u = u / np.maximum(before + now, 1.0)
    return moved, moved_u


def _proportion(first: Floats, second: Floats, feature: Feature) -> Floats:
    """Share of the second quantity's movement that is taken off the first's, by their expected levels. [1]"""
    if not feature.in_proportion:
        return np.ones_like(first)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.clip(first / second, *PROPORTIONS))


@dataclass(frozen=True)
class Symptoms:
    """Every feature of every van, on both banks.

    Attributes
    ----------
    features : tuple of Feature
        Columns.
    bank2 : ndarray of shape (columns,), bool
        The column is the second bank's.
    moved : ndarray of shape (vans, columns)
        NaN where not read or not for the van's sensors. [scale of the feature]
    u : ndarray of shape (vans, columns)
        Standard uncertainty, the feature's floor included. [scale of the feature]
    """

    features: tuple[Feature, ...]
    bank2: Flags
    moved: Floats
    u: Floats


def symptoms(residuals: Residuals, lambda_kinds: tuple[str, ...], rich_low: Flags, table: EffectTable) -> Symptoms:
    """Bring residuals onto the scales of the table.

    Parameters
    ----------
    residuals : Residuals
        Shifts against expectation.
    lambda_kinds : tuple of str
        Lambda-sensor kind of each van.
    rich_low : ndarray of shape (vans,), bool
        The lambda signal falls when rich: features in volts change sign, so that up is richer.
    table : EffectTable

    Returns
    -------
    Symptoms
        Columns in which no van was read are left out.
    """
    column = {name: number for number, name in enumerate(residuals.quantities)}
    kept: list[tuple[Feature, bool]] = []
    moved_all: list[Floats] = []
    u_all: list[Floats] = []
    for feature in table.features:
        fits = np.array([not feature.kinds or kind in feature.kinds for kind in lambda_kinds], dtype=bool)
        for prefix in ("", BANK2_PREFIX):
            number = column.get(prefix + feature.quantity)
            if number is None:
                continue
            expected, shift, u = (part[:, number] for part in (residuals.expected, residuals.shift, residuals.shift_u))
            if feature.plus:
                other = column.get(prefix + feature.plus)
                if other is None:
                    continue
                expected, shift = expected + residuals.expected[:, other], shift + residuals.shift[:, other]
                u = np.hypot(u, residuals.shift_u[:, other])
            if feature.scale == "scatter":
                with np.errstate(divide="ignore", invalid="ignore"):
                    ratio = residuals.scatter[:, number]
                    moved = np.where(np.isfinite(ratio) & (ratio > 0), np.log(np.maximum(ratio, 0.1)), np.nan)
                moved_u = np.zeros_like(moved)  # the floor covers the uncertainty of a scatter of few repeats
            else:
                moved, moved_u = _to_scale(feature.scale, expected, shift, u)
                full = 1.0 + np.maximum(moved, 0.0) / feature.most
                moved, moved_u = moved / full, moved_u / full**2
            if feature.against:
                other = column.get(prefix + feature.against)
                if other is None:
                    continue
                off, off_u = _to_scale(
                    feature.scale,
                    *(part[:, other] for part in (residuals.expected, residuals.shift, residuals.shift_u)),
                )
                part = _proportion(residuals.expected[:, number], residuals.expected[:, other], feature)
                moved, moved_u = moved - part * off, np.hypot(moved_u, part * off_u)
            if QUANTITIES[feature.quantity].group == "lambda" and QUANTITIES[feature.quantity].unit == "V":
                moved = np.where(rich_low, -moved, moved)
            low, high = feature.healthy
            volts = QUANTITIES[feature.quantity].unit == "V"
            healthy = ((expected >= low) & (expected <= high)) | (rich_low & volts)
            read = fits & healthy & np.isfinite(moved) & np.isfinite(moved_u)
            certain = np.hypot(moved_u, feature.floor)
            if feature.made_of:
                read = _in_place_of(feature, bool(prefix), read, certain, kept, moved_all, u_all)
            if read.any():
                kept.append((feature, bool(prefix)))
                moved_all.append(np.where(read, moved, np.nan))
                u_all.append(np.where(read, certain, np.nan))
    vans = len(residuals.van_ids)
    empty = np.empty((vans, 0))
    return Symptoms(
        tuple(feature for feature, _ in kept),
        np.array([second for _, second in kept], dtype=bool),
        np.column_stack(moved_all) if kept else empty,
        np.column_stack(u_all) if kept else empty,
    )


def _in_place_of(
    feature: Feature,
    second: bool,
    read: Flags,
    certain: Floats,
    kept: list[tuple[Feature, bool]],
    moved: list[Floats],
    u: list[Floats],
) -> Flags:
    """Where a feature that follows from another counts: where that was not read, or is less certain by `surer`.

    There all that rests on the other's quantity is dropped.
    """
    names = [(one.name, bank) for one, bank in kept]
    if (feature.made_of[0][0], second) not in names:
        return read
    first = names.index((feature.made_of[0][0], second))
    weaker = read & (u[first] > feature.surer * certain)
    unread, rests_on = read & np.isnan(u[first]), kept[first][0].quantity
    for place, (one, bank) in enumerate(kept):
        if bank == second and rests_on in (one.quantity, one.plus):
            moved[place][weaker] = u[place][weaker] = np.nan
    counts: Flags = unread | weaker
    return counts


def inseparable_pairs(moved: Symptoms, van: int, table: EffectTable) -> dict[frozenset[str], str]:
    """Pairs of codes that this van's reading cannot separate, and why.

    Parameters
    ----------
    moved : Symptoms
    van : int
        Row.
    table : EffectTable

    Returns
    -------
    dict of frozenset of str to str
    """
    read = {f.name for f, x in zip(moved.features, moved.moved[van], strict=True) if np.isfinite(x)}
    return {
        pair: why.because.en
        for pair, why in table.ambiguities.items()
        if not why.resolved_by or not read.issuperset(why.resolved_by)
    }


def effect_at(feature: Feature, effect: float, severity: Floats) -> Floats:
    """Effect on a feature at a severity.

    Linear in severity. On a log scale the factor is linear (a time constant ×4 at severity 1 is ×2.5 at one half), on
    the soft scale the quantity itself.

    Parameters
    ----------
    feature : Feature
    effect : float
        Effect at severity 1. [scale of the feature]
    severity : ndarray
        From 0 up. [1]

    Returns
    -------
    ndarray
        [scale of the feature]
    """
    if feature.scale == "log":
        return np.asarray(np.log(np.maximum(1.0 + np.expm1(effect) * severity, _SMALLEST_FACTOR)))
    if feature.scale == "soft":
        return np.asarray(SOFT * np.arcsinh(np.sinh(effect / SOFT) * severity))
    return effect * severity
