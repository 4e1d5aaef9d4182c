"""The table of effects behind the likelihood: what each cause does to each quantity, and on which engines."""

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

from data_contracts.causes import CAUSES, NONE
from data_contracts.causes.record import Ambiguity, Cause, Shows
from data_contracts.errors import InputError
from data_contracts.features import FEATURES, Feature
from data_contracts.signals import QUANTITIES
from models.causes.one_correction import SHARE as LEARN_ONE
from models.causes.one_correction import with_one_correction
from models.causes.unmet_at_idle import SHARE as UNMET
from models.causes.unmet_at_idle import unmet_at_idle


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
    structures: Mapping[str, Any] | None = None,
    *,
    causes: Mapping[str, Cause] = CAUSES,
    features: Mapping[str, Feature] = FEATURES,
) -> EffectTable:
    """The table of effects: the trade's patterns of every cause, together with the fitted ones and those that engines of other structures show.

    Parameters
    ----------
    fitted : mapping, optional
        cause_effects.toml as a TOML reader gives it. A pattern in it holds for all engines but a share `trade_share`, of which
        some have a control unit that learns one fuel correction for all loads, or none at idle; a pattern missing from it is the trade's alone.
    structures : mapping, optional
        structure_effects.toml likewise. A pattern in it holds for a share `structures_share` of all engines, the rest goes on as before.
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
    fitted, structures = fitted or {}, structures or {}
    found, elsewhere = _found(fitted), _found(structures)
    faults = _faults_of(fitted, found, causes, features) + _faults_of(structures, elsewhere, causes, features)
    if faults:
        raise InputError("; ".join(faults))
    discrepancy = fitted.get("discrepancy", {})
    patterns: list[Pattern] = []
    for cause in causes.values():
        total = sum(way.share for way in cause.shows)
        for way in cause.shows:
            here = _shown(cause.code, way, way.share / total, fitted, found, features)
            if there := elsewhere.get((cause.code, way.name)):
                others = float(structures["structures_share"])
                here = [replace(one, share=(1.0 - others) * one.share) for one in here]
                name, effects = f"{way.name}, as other structures show it", _with_sums(there["effects"], features)
                share = others * way.share / total
                here.append(_pattern(cause.code, name, share, way.banks == "one", there["gain"], effects))
            patterns += here
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


def _found(fitted: Mapping[str, Any]) -> dict[tuple[str, str], Mapping[str, Any]]:
    """Fitted patterns by cause and name."""
    return {(code, one["shows"]): one for code, ways in fitted.get("causes", {}).items() for one in ways}


def _shown(
    code: str,
    way: Shows,
    share: float,
    fitted: Mapping[str, Any],
    found: Mapping[tuple[str, str], Mapping[str, Any]],
    features: Mapping[str, Feature],
) -> list[Pattern]:
    """One of the trade's patterns as the fit and the trade have it, by their shares of all engines."""
    one_bank = way.banks == "one"
    one, trade = found.get((code, way.name)), _with_sums(way.effects, features)
    if one is None:
        return [_pattern(code, way.name, share, one_bank, way.gain, trade)]
    trades = float(fitted.get("trade_share", 1.0))
    effects = _with_sums({**_unread(way.effects, fitted), **one["effects"]}, features)
    as_trade = f"{way.name}, as the trade has it"
    return [
        _pattern(code, way.name, (1.0 - trades) * share, one_bank, one["gain"], effects),
        *(
            _pattern(code, as_trade + corrected, part * trades * share, one_bank, way.gain, shown)
            for corrected, part, shown in _as_corrected(trade)
        ),
    ]


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
    shipped = (
        tomllib.loads(resources.files("models.causes").joinpath(name).read_text("utf-8"))
        for name in ("cause_effects.toml", "structure_effects.toml")
    )
    return effect_table(*shipped)
