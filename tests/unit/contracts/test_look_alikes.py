"""What is said of two causes that a snap does not tell apart, against what each does to the readings."""

import re

import pytest

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import Ambiguity, Cause
from data_contracts.features import FEATURES

PAIRS = [
    (cause, EVERY_CAUSE[hard.other], hard)
    for cause in EVERY_CAUSE.values()
    for hard in cause.ambiguities
    if hard.other in EVERY_CAUSE
]
NAMED = [f"{cause.code}-{other.code}" for cause, other, _ in PAIRS]
OF_BOTH = (
    (r"trims add fuel|Trimmwerte im Leerlauf Kraftstoff zu", "trim_idle", +1),
    (r"trims take fuel off at idle for both|nehmen die Trimmwerte bei beiden", "trim_idle", -1),
    (r"fading with flow|mit dem Strom weniger", "trim_fade", -1),
    (r"both are lean|beide sind .*mager", "lambda_full_throttle", +1),
    (r"choke|lower the flow|drosseln|drosselt|mindern", "main_peak", -1),
    (r"slow the run-up|verlangsamen den Hochlauf", "run_up", +1),
    (r"first peak smaller|erste Spitze kleiner", "first_beside_main", -1),
    (r"raise the idle flow|heben den gelesenen Leerlaufstrom", "idle_flow", +1),
    (r"air past the sensor|Falschluft|Luft am Messer vorbei", "trim_idle", +1),
    (r"lean needle|magere Nadel", "needles", +1),
    (r"restricted one at its worst|verengte im schlimmsten Fall", "trim_idle", +1),
    (r"cold sensor|kalte Sonde|two responses|beiden Antworten", "to_rich", +1),
    (r"counts most at low flow|am meisten bei kleinem Strom", "idle_flow", +1),
    (r"cylinder that pulls less|zieht ein Zylinder weniger", "run_up", +1),
)
"""Words of a sentence, and the way in which both causes move a feature by them."""
OF_THE_OTHER = ((r"take fuel off where the sensor reads high|nehmen Kraftstoff weg, wo der Sensor", "trim_idle", -1),)
TELLS = {
    r"the idle flow tells|der Leerlaufstrom unterscheidet": ("idle_flow",),
    r"only the first peak tells|nur die erste Spitze": ("first_beside_main",),
    r"first peak and flow per revolution|erste Spitze und Luft je": ("first_beside_main", "flow_per_revolution"),
    r"restless at idle too|auch im Leerlauf unruhig": ("idle_scatter",),
    r"throttle channel|Drosselklappenkanal": ("throttle_opened",),
}
"""Words that say what tells two causes apart, and the features these are."""
SIGNED = re.compile(
    r"\b(add|adds|take|takes|lean|rich|smaller|larger|raise|lower|slow|choke|nehmen|geben|heben|mager|fett|kleiner|größer|mindern)\b"
)


def moves(cause: Cause, feature: str, sign: int) -> bool:
    """Whether a feature goes that way in some way the cause shows."""
    return any(sign * way.effects.get(feature, (0.0, 0.0))[0] > 0 for way in cause.shows)


def moved_most(cause: Cause, feature: str) -> float:
    """The largest movement of a feature, in its healthy scatter."""
    return (
        max((abs(way.effects.get(feature, (0.0, 0.0))[0]) for way in cause.shows), default=0.0)
        / FEATURES[feature].floor
    )


@pytest.mark.parametrize(("cause", "other", "hard"), PAIRS, ids=NAMED)
def test_the_sentence_on_two_causes_has_the_signs_of_their_effects(cause: Cause, other: Cause, hard: Ambiguity) -> None:
    for sentence in (hard.because.en, hard.because.de):
        said = [(feature, sign) for pattern, feature, sign in OF_BOTH if re.search(pattern, sentence)]
        assert said or not SIGNED.search(sentence), f"no rule reads {sentence!r}: add one"
        for feature, sign in said:
            assert moves(cause, feature, sign), f"{cause.code}, {feature}: {sentence}"
            assert moves(other, feature, sign), f"{other.code}, {feature}: {sentence}"
        for pattern, feature, sign in OF_THE_OTHER:
            if re.search(pattern, sentence):
                assert moves(other, feature, sign)
                assert not moves(cause, feature, sign)


@pytest.mark.parametrize(("cause", "other", "hard"), PAIRS, ids=NAMED)
def test_what_is_said_to_tell_two_causes_apart_differs_between_them(
    cause: Cause, other: Cause, hard: Ambiguity
) -> None:
    for sentence in (hard.because.en, hard.because.de):
        for pattern, features in TELLS.items():
            if re.search(pattern, sentence):
                assert set(features) == set(hard.resolved_by)
                for feature in features:
                    assert abs(moved_most(cause, feature) - moved_most(other, feature)) > 1


@pytest.mark.parametrize(("cause", "other", "hard"), PAIRS, ids=NAMED)
def test_causes_said_to_look_alike_move_a_reading_the_same_way(cause: Cause, other: Cause, hard: Ambiguity) -> None:
    assert any(
        one.effects[name][0] * two.effects[name][0] > 0
        for one in cause.shows
        for two in other.shows
        for name in one.effects.keys() & two.effects.keys()
    )
    assert str(hard.because.en) != str(hard.because.de)
