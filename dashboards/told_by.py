"""What tells a cause, in the plain words of its quantities, and what it is easily taken for: made of what the contracts declare."""

import re
from collections.abc import Mapping

from dashboards import text
from dashboards.display import language
from dashboards.text import message
from data_contracts.causes import EVERY_CAUSE, NONE, hard_to_tell
from data_contracts.features import FEATURES, Feature
from data_contracts.jobs import TESTS
from data_contracts.moved_by import clearness, rises
from data_contracts.pages_de import PAGES_DE
from data_contracts.signals import BANK2_PREFIX, QUANTITIES

_MOST = 3
"""Signs told of a cause beside its picture. Of our choosing."""
LARGE = 1.0
"""From how clear a movement a sign is told, or from `_BESIDE` of a cause's clearest. Of our choosing. [as `clearness`]"""
_BESIDE = 0.4

Told = dict[str, float]
"""Signs of one or more ways a cause shows, each with how clear it is, the clearest first."""


def signs(code: str, most: int | None = None) -> str:
    """The signs of a cause, such as "fuel taken off at idle"; empty where nothing that is read shows it.

    Parameters
    ----------
    code : str
        Cause.
    most : int, optional
        So many at most, the clearest; of ways that stand apart one less each. Else every clear one.

    Returns
    -------
    str
        Of all its ways together; ways that show otherwise stand apart, each after its name.
    """
    groups = _groups(code)
    clearest = max((max(told.values(), default=0.0) for _, told, _ in groups), default=0.0)
    least = min(LARGE, _BESIDE * clearest)
    pieces, said = [], set[str]()
    each = most if most is None or len(groups) == 1 else most - 1
    for way, told, only in groups:
        clear = [sign for sign in _clearest_first(told) if told[sign] >= least and sign not in said][:each]
        said.update(clear)
        if clear:
            alone = [f"{sign} ({_named(only[sign])})" if sign in only else sign for sign in clear]
            pieces.append("; ".join(alone) if len(groups) == 1 else f"{_named(way)}: {', '.join(clear)}")
    return "; ".join(pieces)


def names(code: str, does: str) -> bool:
    """Whether what a quantity does, in its plain words, is among the signs of a cause."""
    return _of_part(does) in re.split(r"; |, |: | \(", signs(code))


def shows(code: str, quantity: str) -> bool:
    """Whether a cause moves a quantity clearly in one of its ways; of no one cause nothing is known that speaks against it."""
    cause = EVERY_CAUSE.get(code)
    if cause is None:
        return True
    clear: Told = {}
    for name, effect in (each for way in cause.shows for each in way.effects.items()):
        feature = FEATURES[name]
        clear[feature.quantity] = max(clear.get(feature.quantity, 0.0), abs(clearness(feature, effect)))
    least = min(LARGE, _BESIDE * max(clear.values(), default=0.0))
    return clear.get(quantity.removeprefix(BANK2_PREFIX), 0.0) >= least


def _groups(code: str) -> list[tuple[str, Told, dict[str, str]]]:
    """Ways a cause shows, those that show alike together: name of the first, their signs, and the way of a sign whose opposite
    another of them shows, however weakly: it holds of that way alone."""
    groups: list[tuple[str, Told, Told]] = []
    ways = [(way.name, *_of_way(way.effects)) for way in EVERY_CAUSE[code].shows]
    for name, told, opposite in ways:
        if not told:
            continue
        first = next(iter(told))
        for _, others, against in groups:
            if others.get(first, 0.0) >= min(LARGE, told[first]) and not any(
                against.get(sign, 0.0) >= LARGE <= told[sign] for sign in told
            ):
                _join(others, told)
                _join(against, opposite)
                break
        else:
            groups.append((name, dict(told), dict(opposite)))
    only = {
        sign: name
        for name, told, _ in ways
        for sign in told
        if sum(sign in other for _, other, _ in ways) == 1
        and any(sign in against and sign not in other for _, other, against in ways)
    }
    return [(name, told, only) for name, told, _ in groups]


def _join(into: Told, more: Told) -> None:
    for sign, clear in more.items():
        into[sign] = max(clear, into.get(sign, 0.0))


def _clearest_first(told: Told) -> list[str]:
    return sorted(told, key=lambda sign: -told[sign])


def _named(way: str) -> str:
    return way if language() == "en" else PAGES_DE[way]


def _of_way(effects: Mapping[str, tuple[float, float]]) -> tuple[Told, Told]:
    """Signs of one way, the clearest first, and what each would be the other way round."""
    clear = {name: abs(clearness(FEATURES[name], effect)) for name, effect in effects.items()}
    told: Told = {}
    opposite: Told = {}
    for name in sorted(clear, key=lambda name: -clear[name]):
        if words := _of_part(_sign(FEATURES[name], effects[name][0])):
            told.setdefault(words, clear[name])
            opposite.setdefault(_of_part(_sign(FEATURES[name], -effects[name][0])), clear[name])
    return told, opposite


def _of_part(sign: str) -> str:
    """A sign without the part of the trace it is read from, so that it is told once."""
    return sign.partition(" (")[0]


def _sign(feature: Feature, moved: float) -> str:
    """What a quantity does, in its plain words; empty where these would not say it: a difference to another, volts alone."""
    if feature.scale == "scatter":
        return message("meaning.scatter")
    plainly = QUANTITIES[feature.quantity].plainly
    narrowband = ("narrowband",) in (feature.kinds, QUANTITIES[feature.quantity].need.kinds)
    if plainly is None or feature.against or feature.plus or narrowband:
        return ""
    return (plainly.high if rises(feature, moved) else plainly.low).in_language(language())


def in_short(code: str) -> list[str]:
    """What stands below a cause's picture: its signs, whether it is judged, and all it looks like: what looks like it says so too."""
    cause, said = EVERY_CAUSE[code], signs(code, _MOST)
    if cause.unjudged is None:
        told = [f"{text.sentence(said)}."]
    else:
        told = [
            _headed("meaning.can_show", code, _MOST) if said else message("meaning.shows_nothing"),
            *_found_by(code),
        ]
    alike = [text.cause(other) for other in hard_to_tell(code)]
    hidden = NONE in (hard.other for hard in cause.ambiguities)
    if alike:
        told.append(message("meaning.like", others=", ".join(alike)))
    if hidden:
        told.append(message("meaning.like_healthy"))
    if not alike and not hidden and cause.unjudged is None:
        told.append(message("meaning.like_none"))
    return told


def lines(code: str) -> list[str]:
    """What heads a cause's page: its signs, the test that finds what is not judged, and how people may come to harm."""
    cause, said = EVERY_CAUSE[code], signs(code)
    told = []
    if said:
        told.append(_headed("meaning.told_by" if cause.unjudged is None else "meaning.can_show", code))
    told += _found_by(code)
    if cause.danger is not None:
        told.append(message("meaning.danger", danger=text.contract(cause.danger)))
    return told


def _headed(head: str, code: str, most: int | None = None) -> str:
    """The signs of a cause below a heading; of ways that stand apart below another, for each has its name. Parameters as `signs`."""
    said = signs(code, most)
    return message(head, signs=said) if len(_groups(code)) == 1 else message(f"{head}_ways", signs=text.sentence(said))


def _found_by(code: str) -> list[str]:
    """That a cause is not named from snaps, and the test that tells; nothing of one that is."""
    cause = EVERY_CAUSE[code]
    if cause.unjudged is None:
        return []
    test = TESTS[cause.first_test].title
    inside = test.en[:1].lower() + test.en[1:] if language() == "en" else text.contract(test)
    return [message("meaning.found_by", test=inside)]
