"""What each cause does to each quantity: the readable table behind the likelihood, and its scales."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.causes import CAUSE_CODES, CAUSES
from data_contracts.errors import InputError
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.tracking.state.residuals import Residuals

Scale = Literal["relative", "log", "absolute", "soft", "inverse", "root", "scatter"]
SCALES: tuple[str, ...] = ("relative", "log", "absolute", "soft", "inverse", "root", "scatter")

# Trims run into limits that differ between control units: on the soft scale what lies well beyond this counts little more.
SOFT = 10.0

# Gain of a pattern that states none: engines show a fault of one size by a quarter more or less. A judgement, no source.
GAIN = 0.25

# A relative figure is no evidence where the expectation itself is next to nothing.
_SMALLEST_FACTOR = 0.02


@dataclass(frozen=True)
class Feature:
    """One quantity on a scale on which engines of any size are alike.

    Attributes
    ----------
    name, title : str
        Key in the table; name for people.
    quantity : str
        Name in data_contracts/signals.py.
    scale : str
        One of `SCALES`; see the head of cause_effects_trade.toml.
    floor : float
        Healthy movement that the stated uncertainty does not cover, a standard deviation. [scale]
    stray : float
        Movement at severity 1 of any cause besides what is declared, a standard deviation. [scale]
    weight : float
        Share of its evidence that counts, in (0, 1].
    kinds : tuple of str
        Lambda-sensor kinds that use it; empty is any.
    plus : str
        A second quantity added to the first; empty for none.
    against : str
        A second quantity whose own movement is taken off; empty for none.
    slips_with : str
        Features of one name come from one step of the reading: where that slips, all of them are wrong. Default: its own.
    slips : float
        How often its reading slips, over the share set for all: a mean level hardly does, a fit of an edge does. [1]
    """

    name: str
    title: str
    quantity: str
    scale: Scale
    floor: float
    stray: float
    weight: float
    kinds: tuple[str, ...]
    plus: str = ""
    against: str = ""
    slips_with: str = ""
    slips: float = 1.0


@dataclass(frozen=True)
class Inseparable:
    """Two codes that a free snap does not separate.

    Attributes
    ----------
    because : str
        Why, for people.
    told_by : tuple of str
        Features that would tell them apart, where all of them are read; empty where nothing does.
    """

    because: str
    told_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class Pattern:
    """One way a cause shows.

    Attributes
    ----------
    cause : str
        Code of data_contracts/causes.py.
    name : str
        What tells this pattern from the cause's others.
    share : float
        Prior share among the patterns of the cause.
    one_bank : bool
        May sit on a single bank of an engine with two.
    gain : float
        How much more or less engines show of one severity in everything at once, standard deviation of ln(factor).
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
    inseparable : mapping of frozenset of str to Inseparable
        Pairs of codes that no free snap separates, or none that lacks what would tell.
    fault_codes : mapping of str to (tuple of str, float)
        SAE J2012 code: the causes it raises, and how many times.
    """

    features: tuple[Feature, ...]
    patterns: tuple[Pattern, ...]
    inseparable: Mapping[frozenset[str], Inseparable]
    fault_codes: Mapping[str, tuple[tuple[str, ...], float]]


def parse_effects(document: Mapping[str, Any]) -> EffectTable:
    """Check a table of effects and turn it into an `EffectTable`.

    Parameters
    ----------
    document : mapping
        As a TOML reader gives it.

    Returns
    -------
    EffectTable

    Raises
    ------
    InputError
        Naming every unknown feature, quantity, scale or cause, and every cause without a pattern.
    """
    faults: list[str] = []
    features = []
    for name, entry in document["features"].items():
        faults.extend(
            f"feature {name}: {quantity} is no quantity: use a name of signals.py"
            for quantity in (entry["quantity"], entry.get("plus"), entry.get("against"))
            if quantity is not None and quantity not in QUANTITIES
        )
        if entry["scale"] not in SCALES:
            faults.append(f"feature {name}: scale {entry['scale']} is unknown: use one of {', '.join(SCALES)}")
        features.append(
            Feature(
                name,
                entry["title"],
                entry["quantity"],
                entry["scale"],
                float(entry["floor"]),
                float(entry["stray"]),
                float(entry["weight"]),
                tuple(entry.get("kinds", ())),
                str(entry.get("plus", "")),
                str(entry.get("against", "")),
                str(entry.get("slips_with", name)),
                float(entry.get("slips", 1.0)),
            )
        )
    known = {feature.name for feature in features}
    patterns = []
    for cause, entries in document["causes"].items():
        if cause not in CAUSES:
            faults.append(f"cause {cause} is unknown: add it to data_contracts/causes.py")
        total = sum(entry["share"] for entry in entries)
        for entry in entries:
            unknown = sorted(set(entry["effects"]) - known)
            if unknown:
                faults.append(f"cause {cause}: no feature {', '.join(unknown)}: declare it under [features]")
            patterns.append(
                Pattern(
                    cause,
                    entry["pattern"],
                    entry["share"] / total,
                    entry["banks"] == "one",
                    float(entry.get("gain", GAIN)),
                    {name: float(pair[0]) for name, pair in entry["effects"].items()},
                    {name: float(pair[1]) for name, pair in entry["effects"].items()},
                )
            )
    missing = [code for code in CAUSES if code not in document["causes"]]
    if missing:
        faults.append(f"no effects for {', '.join(missing)}: add a [[causes.…]] entry")
    pairs = {
        frozenset(entry["causes"]): Inseparable(str(entry["because"]), tuple(entry.get("told_by", ())))
        for entry in document.get("inseparable", ())
    }
    asked = sorted({name for pair in pairs.values() for name in pair.told_by} - known)
    if asked:
        faults.append(f"inseparable: no feature {', '.join(asked)}: declare it under [features]")
    codes = {
        code: (tuple(entry["causes"]), float(entry["raises"]))
        for code, entry in document.get("fault_codes", {}).items()
    }
    named = {code for causes, _ in codes.values() for code in causes} | set().union(*pairs)
    if named - set(CAUSE_CODES):
        faults.append(f"unknown causes {', '.join(sorted(named - set(CAUSE_CODES)))}: use the codes of causes.py")
    if faults:
        raise InputError("; ".join(faults))
    return EffectTable(tuple(features), tuple(patterns), pairs, codes)


@lru_cache(maxsize=2)
def load_effects(name: str = "cause_effects") -> EffectTable:
    """The table shipped with the software.

    Parameters
    ----------
    name : {"cause_effects", "cause_effects_trade"}
        The table in use, or the trade's own before any fitting.

    Returns
    -------
    EffectTable
    """
    return parse_effects(tomllib.loads(resources.files("models.causes").joinpath(f"{name}.toml").read_text("utf-8")))


def _to_scale(
    scale: Scale, expected: NDArray[np.float64], shift: NDArray[np.float64], u: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Movement and its standard uncertainty on a feature's scale, linearised."""
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


@dataclass(frozen=True)
class Movements:
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
    bank2: NDArray[np.bool_]
    moved: NDArray[np.float64]
    u: NDArray[np.float64]


def movements(
    residuals: Residuals, lambda_kinds: tuple[str, ...], rich_low: NDArray[np.bool_], table: EffectTable
) -> Movements:
    """Bring residuals onto the scales of the table.

    Parameters
    ----------
    residuals : Residuals
        Shifts against expectation.
    lambda_kinds : tuple of str
        Lambda-sensor kind of each van.
    rich_low : ndarray of shape (vans,), bool
        The lambda signal falls when rich: volt features change sign, so that up is richer.
    table : EffectTable

    Returns
    -------
    Movements
        Columns in which no van was read are left out.
    """
    column = {name: number for number, name in enumerate(residuals.quantities)}
    kept: list[tuple[Feature, bool]] = []
    moved_all, u_all = [], []
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
                moved_u = np.zeros_like(moved)  # that few repeats scatter unevenly is in the floor
            else:
                moved, moved_u = _to_scale(feature.scale, expected, shift, u)
            if feature.against:
                other = column.get(prefix + feature.against)
                if other is None:
                    continue
                off, off_u = _to_scale(
                    feature.scale,
                    *(part[:, other] for part in (residuals.expected, residuals.shift, residuals.shift_u)),
                )
                moved, moved_u = moved - off, np.hypot(moved_u, off_u)
            if feature.quantity.endswith("_v"):
                moved = np.where(rich_low, -moved, moved)
            read = fits & np.isfinite(moved) & np.isfinite(moved_u)
            if read.any():
                kept.append((feature, bool(prefix)))
                moved_all.append(np.where(read, moved, np.nan))
                u_all.append(np.where(read, np.hypot(moved_u, feature.floor), np.nan))
    vans = len(residuals.van_ids)
    empty = np.empty((vans, 0))
    return Movements(
        tuple(feature for feature, _ in kept),
        np.array([second for _, second in kept], dtype=bool),
        np.column_stack(moved_all) if kept else empty,
        np.column_stack(u_all) if kept else empty,
    )


def inseparable_pairs(moved: Movements, van: int, table: EffectTable) -> dict[frozenset[str], str]:
    """Pairs of codes that this van's reading cannot separate, and why.

    Parameters
    ----------
    moved : Movements
    van : int
        Row.
    table : EffectTable

    Returns
    -------
    dict of frozenset of str to str
    """
    read = {f.name for f, x in zip(moved.features, moved.moved[van], strict=True) if np.isfinite(x)}
    return {
        pair: why.because
        for pair, why in table.inseparable.items()
        if not why.told_by or not read.issuperset(why.told_by)
    }


def effect_at(feature: Feature, effect: float, severity: NDArray[np.float64]) -> NDArray[np.float64]:
    """Movement of a feature at a severity.

    Linear in severity; on a log scale the factor is linear, since severity counts in factors
    (time constant ×4 at severity 1 is ×2.5 at one half), and on the soft scale the quantity itself.

    Parameters
    ----------
    feature : Feature
    effect : float
        Movement at severity 1. [scale of the feature]
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
