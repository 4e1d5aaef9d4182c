"""Which causes move a quantity, and to which side: computed from the effects that causes declare on features."""

import functools
import math
import re
from collections.abc import Iterator, Mapping
from typing import Literal

from data_contracts.causes import EVERY_CAUSE
from data_contracts.features import FEATURES, LIMITER, Feature
from data_contracts.signals import QUANTITIES

Side = Literal["high", "low", "unsteady"]
Effects = Mapping[str, tuple[float, float]]
CLEAR = 0.4
"""From how clear a movement a cause is named. Of our choosing. [its spread between engines and the healthy scatter together]"""


def clearness(feature: Feature, effect: tuple[float, float]) -> float:
    """How clear a movement of a feature and its spread are, with its sign: in standard deviations of that spread and the healthy scatter."""
    moved, spread = effect
    return moved / math.hypot(spread, feature.floor)


def rises(feature: Feature, moved: float) -> bool:
    """Whether the quantity of a feature rises where the feature moves so: more of 1/lambda is less lambda."""
    return moved > 0 if feature.scale != "inverse" else moved < 0


@functools.cache
def movers(quantity: str) -> Mapping[Side, tuple[str, ...]]:
    """Causes that move a quantity clearly, the clearest first.

    Parameters
    ----------
    quantity : str
        Name in signals.py.

    Returns
    -------
    mapping of {"high", "low", "unsteady"} to tuple of str
        Codes of causes by what the quantity does: it reads high, it reads low, or differs from repeat to repeat. A cause stands on
        both sides where its ways differ.
    """
    found: dict[Side, dict[str, float]] = {"high": {}, "low": {}, "unsteady": {}}
    for code, cause in EVERY_CAUSE.items():
        for way in cause.shows:
            for side, clear in _sides(quantity, way.effects):
                found[side][code] = max(clear, found[side].get(code, 0.0))
    return {
        side: tuple(sorted((code for code in told if told[code] >= CLEAR), key=lambda code: -told[code]))
        for side, told in found.items()
    }


def stands_for(quantity: str) -> str:
    """Name of the quantity whose movers hold for this one: its own, or that of the same landmark that causes are judged by.

    Parameters
    ----------
    quantity : str
        Name in signals.py.

    Returns
    -------
    str
        Empty where no cause moves either.
    """
    same = (name for name in QUANTITIES if _landmark(name) == _landmark(quantity))
    return next((name for name in (quantity, *same) if any(movers(name).values())), "")


def _landmark(name: str) -> str:
    return re.sub(r"(_reference)?_(g_s|v)$", "", name)


def _sides(quantity: str, effects: Effects) -> Iterator[tuple[Side, float]]:
    """Sides to which one way a cause shows moves a quantity, and how clearly, feature by feature."""
    for feature in FEATURES.values():
        if feature.quantity != quantity or feature.plus or feature.healthy == LIMITER:
            continue
        if feature.scale == "scatter":
            if feature.name in effects:
                yield "unsteady", clearness(feature, effects[feature.name])
        elif (told := _alone(feature, effects)) is not None:
            clear = clearness(feature, told)
            yield ("high" if rises(feature, clear) else "low"), abs(clear)


def _alone(feature: Feature, effects: Effects) -> tuple[float, float] | None:
    """Movement of a feature's own quantity and its spread, without what the feature subtracts; None where it can't be told."""
    parts = [(feature.name, 1.0)]
    if feature.made_of and feature.name not in effects:
        parts = list(feature.made_of)
    elif feature.in_proportion:
        return None  # the feature made of it and of the other tells
    elif feature.against:
        parts += [
            (other.name, 1.0)
            for other in FEATURES.values()
            if other.quantity == feature.against and not other.against and other.scale == feature.scale
        ]
    told = [(factor * effects[name][0], factor * effects[name][1]) for name, factor in parts if name in effects]
    return (sum(moved for moved, _ in told), math.hypot(*(spread for _, spread in told))) if told else None
