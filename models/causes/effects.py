"""The table of effects behind the likelihood: what each cause does to each quantity, and on which scale."""

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

import numpy as np

from data_contracts.causes import CAUSES, NONE
from data_contracts.causes.record import Ambiguity, Cause
from data_contracts.errors import InputError
from data_contracts.features import FEATURES, SOFT, Feature, FeatureScale
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.causes.one_correction import SHARE as LEARN_ONE
from models.causes.one_correction import with_one_correction
from models.causes.unmet_at_idle import SHARE as UNMET
from models.causes.unmet_at_idle import unmet_at_idle
from models.statistics.arrays import Flags, Floats
from models.tracking.state.residuals import Residuals

PROPORTIONS = (0.3, 1.5)
"""Least and most of one flow over another by which their movements are compared: of engines in order, rounded outwards. [1]"""
# Least factor on the log scale. [1]
_SMALLEST_FACTOR = 0.02


@dataclass(frozen=True)
class Pattern:
    """One pattern in which a cause shows.

    Attributes
    ----------
    cause : str
        Code of a record in data_contracts/causes.
    name : str
        Distinguishes it from the cause's other patterns.
    share : float
        Prior share among the patterns of the cause. [1]
    one_bank : bool
        May affect a single bank of an engine with two.
    gain : float
        Spread between engines of how strongly they show one severity, in all quantities at once: standard deviation of
        ln(factor). [1]
    effect, spread : mapping of str to float
        Per feature: movement at severity 1, and its spread between engines beyond the gain. [scale of the feature]
    """

    cause: str
    name: str
    share: float
    one_bank: bool
    gain: float
    effect: Mapping[str, float]
    spread: Mapping[str, float]


@dataclass(frozen=True)
class EffectTable:
    """The whole table.

    Attributes
    ----------
    features : tuple of Feature
    patterns : tuple of Pattern
        Every cause has at least one.
    ambiguities : mapping of frozenset of str to Ambiguity
        Pairs of codes that no free snap separates, or that need a quantity not every recording gives.
    fault_codes : mapping of str to mapping of str to float
        SAE J2012 code to the causes it makes likelier, and the factor on their odds. [1]
    """

    features: tuple[Feature, ...]
    patterns: tuple[Pattern, ...]
    ambiguities: Mapping[frozenset[str], Ambiguity]
    fault_codes: Mapping[str, Mapping[str, float]]


def effect_table(
    fitted: Mapping[str, Any] | None = None,
    *,
    causes: Mapping[str, Cause] = CAUSES,
    features: Mapping[str, Feature] = FEATURES,
) -> EffectTable:
    """The table of effects: the trade's patterns of every cause, together with the fitted ones.

    Parameters
    ----------
    fitted : mapping, optional
        cause_effects.toml as a TOML reader gives it. A pattern in it holds for all engines but a share `trade_share`, of which
        some have a control unit that learns one fuel correction for all loads, or none; a pattern missing from it is the trade's alone.
    causes : mapping of str to Cause
        By code.
    features : mapping of str to Feature
        By name.

    Returns
    -------
    EffectTable

    Raises
    ------
    InputError
        Naming every unknown feature, cause, pattern of a cause or quantity.
    """
    fitted = fitted or {}
    found = {(code, one["shows"]): one for code, ways in fitted.get("causes", {}).items() for one in ways}
    faults = _faults_of(fitted, found, causes, features)
    if faults:
        raise InputError("; ".join(faults))
    trades = float(fitted.get("trade_share", 1.0))
    discrepancy = fitted.get("discrepancy", {})
    patterns: list[Pattern] = []
    for cause in causes.values():
        total = sum(way.share for way in cause.shows)
        for way in cause.shows:
            share, one_bank = way.share / total, way.banks == "one"
            one, trade = found.get((cause.code, way.name)), _with_sums(way.effects, features)
            if one is None:
                patterns.append(_pattern(cause.code, way.name, share, one_bank, way.gain, trade))
                continue
            effects = _with_sums({**_unread(way.effects, fitted), **one["effects"]}, features)
            patterns.append(_pattern(cause.code, way.name, (1.0 - trades) * share, one_bank, one["gain"], effects))
            for kind, part, shown in _as_corrected(trade):
                name = f"{way.name}, as the trade has it{kind}"
                patterns.append(_pattern(cause.code, name, part * trades * share, one_bank, way.gain, shown))
    pairs = {frozenset((code, hard.other)): hard for code, cause in causes.items() for hard in cause.ambiguities}
    codes: dict[str, dict[str, float]] = {}
    for cause in causes.values():
        for code, raises in cause.fault_codes.items():
            codes.setdefault(code, {})[cause.code] = raises
    listed = tuple(
        replace(feature, discrepancy=float(discrepancy.get(name, feature.discrepancy)))
        for name, feature in features.items()
    )
    return EffectTable(listed, tuple(patterns), pairs, codes)


def _as_corrected(
    trade: Mapping[str, Sequence[float]],
) -> Iterator[tuple[str, float, Mapping[str, Sequence[float]]]]:
    """What the trade's pattern shows by how the control unit corrects for it: name, share and effects of each way."""
    others = [
        (", one correction learned", LEARN_ONE, with_one_correction(trade)),
        (", not made up for at idle", UNMET, unmet_at_idle(trade)),
    ]
    differ = [(name, share, effects) for name, share, effects in others if effects is not None]
    yield "", 1.0 - sum(share for _, share, _ in differ), trade
    yield from differ


def _with_sums(effects: Mapping[str, Sequence[float]], features: Mapping[str, Feature]) -> dict[str, Sequence[float]]:
    """Effects and spreads, with those of features that are sums of others; parts of a sum spread by themselves."""
    summed: dict[str, Sequence[float]] = {}
    for name, feature in features.items():
        parts = [(factor, effects[part]) for part, factor in feature.made_of if part in effects]
        if parts:
            spread = math.hypot(*(factor * one[1] for factor, one in parts))
            summed[name] = (sum(factor * one[0] for factor, one in parts), spread)
    return {**summed, **effects}


def _unread(trade: Mapping[str, Sequence[float]], fitted: Mapping[str, Any]) -> dict[str, Sequence[float]]:
    """The trade's effects on features that no engine of the fit showed."""
    shown = {name for ways in fitted["causes"].values() for one in ways for name in one["effects"]}
    return {name: effect for name, effect in trade.items() if name not in shown.union(fitted.get("discrepancy", {}))}


def _pattern(
    cause: str, name: str, share: float, one_bank: bool, gain: float, effects: Mapping[str, Sequence[float]]
) -> Pattern:
    effect, spread = ({name: float(pair[k]) for name, pair in effects.items()} for k in (0, 1))
    return Pattern(cause, name, share, one_bank, float(gain), effect, spread)


def _faults_of(
    fitted: Mapping[str, Any],
    found: Mapping[tuple[str, str], Mapping[str, Any]],
    causes: Mapping[str, Cause],
    features: Mapping[str, Feature],
) -> list[str]:
    """Names in the table that are not declared."""
    faults = [
        f"feature {feature.name}: {quantity} is no quantity: use a name of signals.py"
        for feature in features.values()
        for quantity in (feature.quantity, feature.plus, feature.against)
        if quantity and quantity not in QUANTITIES
    ]
    named = [(f"cause {c.code}", name) for c in causes.values() for way in c.shows for name in way.effects]
    named += [(f"cause {c.code}", name) for c in causes.values() for hard in c.ambiguities for name in hard.resolved_by]
    named += [(f"fitted {code}", name) for (code, _), one in found.items() for name in one["effects"]]
    named += [("fitted discrepancy", name) for name in fitted.get("discrepancy", {})]
    faults += [f"{who}: no feature {name}: declare it in features.py" for who, name in named if name not in features]
    ways = {(cause.code, way.name) for cause in causes.values() for way in cause.shows}
    faults += [
        f"fitted {code}: shows no '{way}': fit the table again" for code, way in found if (code, way) not in ways
    ]
    faults += [
        f"cause {cause.code}: {hard.other} is no cause: use a code of data_contracts/causes"
        for cause in causes.values()
        for hard in cause.ambiguities
        if hard.other not in (*causes, NONE)
    ]
    return faults


@lru_cache(maxsize=2)
def load_effects(which: Literal["fitted", "trade"] = "fitted") -> EffectTable:
    """The table shipped with the software.

    Parameters
    ----------
    which : {"fitted", "trade"}
        The table in use, or the trade's table before any fitting.

    Returns
    -------
    EffectTable
    """
    if which == "trade":
        return effect_table()
    shipped = resources.files("models.causes").joinpath("cause_effects.toml")
    return effect_table(tomllib.loads(shipped.read_text("utf-8")))


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
    moved_all, u_all, seen = [], [], dict[tuple[str, str], Flags]()
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
            if feature.made_of:
                read &= ~seen.get((prefix, feature.made_of[0][0]), np.zeros_like(read))
            seen[prefix, feature.name] = read
            if read.any():
                kept.append((feature, bool(prefix)))
                moved_all.append(np.where(read, moved, np.nan))
                u_all.append(np.where(read, np.hypot(moved_u, feature.floor), np.nan))
    vans = len(residuals.van_ids)
    empty = np.empty((vans, 0))
    return Symptoms(
        tuple(feature for feature, _ in kept),
        np.array([second for _, second in kept], dtype=bool),
        np.column_stack(moved_all) if kept else empty,
        np.column_stack(u_all) if kept else empty,
    )


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
