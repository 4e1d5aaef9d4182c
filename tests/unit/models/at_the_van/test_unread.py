"""What a visit did not read, and what became of the quantities its van is on the list for."""

import numpy as np
import pytest

from data_contracts.facts.rendering import render
from models.at_the_van.expected import Band, Expectation, VanPast
from models.at_the_van.judge import Judged
from models.at_the_van.repeats import Repeated
from models.at_the_van.unread import listed_now, missing
from models.tracking.baseline import FamilyLevel

NAN = float("nan")


def expectation() -> Expectation:
    return Expectation(1.0, 0.001, FamilyLevel(1.0, 0.001, 0.01, 9.0, 9), 0.002, 0.0015, 0.001, 1.0, 0.001)


PAST = VanPast(
    "V1", "moor-30", 9, "2026-W20", 10, {n: expectation() for n in ("lambda_idle", "cycle_ripple", "idle_g_s")}
)


def judged(quantity: str, value: float, word: str, source: str = "visit") -> Judged:
    band = Band(1.0, 0.99, 1.01, 0.0)
    return Judged(quantity, Repeated(value, 0.001, 0.03, source, 0.002, 3), band, None, word, None, 1.0, False, NAN, "")


@pytest.mark.parametrize(
    ("read", "source", "said"),
    [
        (
            [0.996, 1.046, 1.003],
            "visit",  # of these snaps, not widened for few: as the list has it
            "Lambda at idle jumps again: the snaps of this visit (3) differ by ± 0.027, usually ± 0.0015.",
        ),
        (
            [1.001, 1.003, 1.004],
            "van",  # that would be of other visits
            "Lambda at idle now: the snaps of this visit (3) differ by ± 0.0015, usually ± 0.0015.",
        ),
        ([0.996, NAN, NAN], "visit", "Lambda at idle now: 1.00; whether snaps differ, one alone does not show."),
    ],
)
def test_repeats_that_disagree_are_told_as_they_lie(read: list[float], source: str, said: str) -> None:
    values = {"lambda_idle": np.array(read)}
    known = [judged("lambda_idle", 1.003, "same", source)]
    (fact,) = listed_now({"lambda_idle": True}, known, values, [{}] * 3, PAST)
    assert render(fact) == said


def test_a_level_is_told_unless_the_verdict_tells_it_already() -> None:
    values = {"lambda_idle": np.array([1.003])}
    (fact,) = listed_now({"lambda_idle": False}, [judged("lambda_idle", 1.003, "same")], values, [{}], PAST)
    assert render(fact) == "Lambda at idle now: 1.00; expected 0.99 to 1.01, by its own past."
    assert listed_now({"lambda_idle": False}, [judged("lambda_idle", 1.1, "worse")], values, [{}], PAST) == []


def test_what_was_not_read_says_why_and_alike_is_told_together() -> None:
    names = ("trim_idle_pct", "trim_2500_pct")
    values = {name: np.full(3, NAN) for name in names}
    unread = [
        dict.fromkeys(names, "unmeasured_condition"),
        dict.fromkeys(names, "unmeasured_condition"),
        dict.fromkeys(names, "cold"),
    ]
    (fact,) = listed_now(dict.fromkeys(names, False), [], values, unread, PAST)
    assert (
        render(fact)
        == "Fuel trim at idle, fuel trim at 2,500 rpm: not read now (a condition it needs was not measured): "
        "write down coolant and intake air temperature, station pressure and trims."
    )


def test_what_was_not_read_is_counted_alone_where_the_leading_quantity_was() -> None:
    values = {"lambda_idle": np.array([1.003]), "trim_idle_pct": np.array([NAN])}
    known = [judged("lambda_idle", 1.003, "same")]
    unread = [{"trim_idle_pct": "unmeasured_condition"}]
    led = listed_now({"lambda_idle": False, "trim_idle_pct": False}, known, values, unread, PAST)
    assert [fact.code for fact in led] == ["listed_now"]
    blind = listed_now({"trim_idle_pct": False, "lambda_idle": False}, known, values, unread, PAST)
    assert [fact.code for fact in blind] == ["listed_now", "listed_unread"]


def test_what_is_missing_is_counted_by_reason_and_says_what_brings_back_most() -> None:
    unread = [{"lambda_idle": "hold_too_short", "cycle_ripple": "hold_too_short", "idle_g_s": "noise"}]
    told = missing((), unread, PAST)
    assert told is not None
    assert render(told).startswith(
        "Quantities not read: 2 (the pedal was released too soon), 1 (noise hides it). What helps: hold the pedal to the "
        "floor about a second, no longer than to the limiter (2); "
    )
    assert render(told).endswith(" (1).")
    few = missing((), [{"lambda_idle": "noise"}], PAST)
    assert few is not None
    assert "1 (noise hides it), 2 (other reasons)" in render(few)
    assert missing(("lambda_idle", "cycle_ripple", "idle_g_s"), unread, PAST) is None
    assert missing((), unread, None) is None
    assert missing((), [{"lambda_idle": "not_for_this_family"}], PAST) is None
