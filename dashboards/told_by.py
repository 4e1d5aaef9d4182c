"""What tells a cause, in the plain words of its quantities, and what it is easily taken for: made of what the contracts declare."""

from collections.abc import Mapping

from dashboards import text
from dashboards.display import language
from dashboards.text import message
from data_contracts.causes import EVERY_CAUSE, NONE
from data_contracts.features import FEATURES, Feature
from data_contracts.jobs import TESTS
from data_contracts.moved_by import clearness
from data_contracts.pages_de import PAGES_DE
from data_contracts.signals import QUANTITIES

_MOST = 2
"""Signs told of a cause. Of our choosing."""
_LEAST_BESIDE_FIRST = 0.4
"""How clear the second sign must be beside the first. Of our choosing. [1]"""


def signs(code: str) -> str:
    """The clearest signs of a cause, such as "fuel taken off at idle"; empty where nothing that is read shows it.

    Parameters
    ----------
    code : str
        Cause.

    Returns
    -------
    str
        Of the likeliest way it shows; where another way moves the same reading the other way round, both, each with its way.
    """
    first, *others = EVERY_CAUSE[code].shows
    told = _of_way(first.effects)
    turned = next((way for way in others if _turned(first.effects, way.effects)), None)
    if turned is None:
        return "; ".join(told)
    ways = [(first, told), (turned, [sign for sign in _of_way(turned.effects) if sign not in told])]
    return "; ".join(f"{', '.join(signs)} ({_named(way.name)})" for way, signs in ways if signs)


def _turned(first: Mapping[str, tuple[float, float]], other: Mapping[str, tuple[float, float]]) -> bool:
    """Whether the reading that tells one way most clearly moves the other way round in another."""
    told = [name for name in first if _sign(FEATURES[name], first[name][0])]
    name = max(told, key=lambda name: abs(clearness(name, first)), default="")
    return name in other and first[name][0] * other[name][0] < 0


def _named(way: str) -> str:
    return way if language() == "en" else PAGES_DE[way]


def _of_way(effects: Mapping[str, tuple[float, float]]) -> list[str]:
    clear = {name: abs(clearness(name, effects)) for name in effects}
    told: dict[str, float] = {}
    for name in sorted(clear, key=lambda name: -clear[name]):
        words = _sign(FEATURES[name], effects[name][0])
        if words and (not told or clear[name] >= _LEAST_BESIDE_FIRST * max(told.values())):
            told.setdefault(words, clear[name])
    return list(told)[:_MOST]


def _sign(feature: Feature, moved: float) -> str:
    """What a quantity does, in its plain words; empty where these would not say it: a difference to another, volts alone."""
    if feature.scale == "scatter":
        return message("meaning.scatter")
    plainly = QUANTITIES[feature.quantity].plainly
    narrowband = ("narrowband",) in (feature.kinds, QUANTITIES[feature.quantity].need.kinds)
    if plainly is None or feature.against or feature.plus or narrowband:
        return ""
    up = moved > 0 if feature.scale != "inverse" else moved < 0  # more of 1/lambda is less lambda
    return (plainly.high if up else plainly.low).in_language(language())


def taken_for(code: str) -> tuple[str, ...]:
    """Causes that a snap does not tell from one, whichever of the two declares it.

    Parameters
    ----------
    code : str
        Cause.
    """
    own = [hard.other for hard in EVERY_CAUSE[code].ambiguities]
    others = [c.code for c in EVERY_CAUSE.values() if code in (hard.other for hard in c.ambiguities)]
    return tuple(other for other in dict.fromkeys((*own, *others)) if other in EVERY_CAUSE)


def in_short(code: str) -> list[str]:
    """What stands below a cause's picture: its signs, whether it is judged, and all it looks like: what looks like it says so too."""
    said = signs(code)
    told = [f"{text.sentence(said)}."] if said else _found_by(code)
    if said and EVERY_CAUSE[code].unjudged is not None:
        told.append(message("meaning.unjudged"))
    alike = [text.cause(other) for other in taken_for(code)]
    if NONE in (hard.other for hard in EVERY_CAUSE[code].ambiguities):
        alike.append(text.cause(NONE))
    if alike:
        told.append(message("meaning.like", others=", ".join(alike)))
    elif said:
        told.append(message("meaning.like_none"))
    return told


def lines(code: str) -> list[str]:
    """What heads a cause's page: its signs, the test that finds what is not judged, and how people may come to harm."""
    cause, said = EVERY_CAUSE[code], signs(code)
    told = [message("meaning.told_by", signs=said)] if said else []
    told += _found_by(code)
    if cause.danger is not None:
        told.append(message("meaning.danger", danger=text.contract(cause.danger)))
    return told


def _found_by(code: str) -> list[str]:
    """That a cause is not judged from snaps, and the test that finds it; nothing of one that is."""
    cause = EVERY_CAUSE[code]
    if cause.unjudged is None:
        return []
    test = TESTS[cause.first_test].title
    inside = test.en[:1].lower() + test.en[1:] if language() == "en" else text.contract(test)
    return [message("meaning.found_by", test=inside)]
