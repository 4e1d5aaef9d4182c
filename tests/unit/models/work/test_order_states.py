"""The life of an order: events, what fits and what does not, and what a status keeps."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.causes import FINDINGS, OTHER
from data_contracts.errors import InputError
from data_contracts.states import NOTED, ORDER_STATES
from models.work.order_states import MOVES, OrderEvent, OrderStatus, account, apply_event, replay

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)


def event(state: str, hours_later: float = 0.0, **more: object) -> OrderEvent:
    needed = {
        "declined": {"reason": "sold"},
        "postponed": {"until": date(2027, 1, 1)},
        "done": {"found": "lambda_slow", "hours": 1.0, "cost": 120.0},
    }.get(state, {})
    return OrderEvent("o1", state, NOON + timedelta(hours=hours_later), "a. fitter", **(needed | more))  # type: ignore[arg-type]


def test_a_whole_life() -> None:
    life = [event(s, n) for n, s in enumerate(["accepted", "postponed", "booked", "done", "proven"])]
    status, refused = replay(life)
    assert not refused
    assert status["o1"].state == "proven"
    assert (status["o1"].found, status["o1"].hours, status["o1"].cost) == ("lambda_slow", 1.0, 120.0)
    assert account(status, ["o1", "o2"]).orders | {"proven": 1, "proposed": 1} == account(status, ["o1", "o2"]).orders
    assert account(status, ["o1", "o2"]).cost == 120.0


@settings(deadline=None)
@given(st.lists(st.sampled_from(ORDER_STATES), max_size=8), st.randoms(use_true_random=False))
def test_replay_needs_no_order_of_arrival_and_forgets_nothing(states: list[str], random: object) -> None:
    events = [event(state, n) for n, state in enumerate(states)]
    shuffled = events * 2
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    status, refused = replay(events)
    assert replay(shuffled)[0] == status
    kept = len(status["o1"].events) if status else 0
    assert kept + len(refused) == len(events)


@given(st.sampled_from(ORDER_STATES), st.sampled_from(ORDER_STATES))
def test_only_the_moves_of_the_table(start: str, end: str) -> None:
    if end in MOVES[start]:
        assert apply_event(OrderStatus(start), event(end)).state == end
    else:
        with pytest.raises(InputError, match="can't become"):
            apply_event(OrderStatus(start), event(end))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (event("declined", reason=" "), "without a reason"),
        (event("postponed", until=date(2026, 4, 1)), "give a day after"),
        (event("done", found="gremlins"), "gremlins"),
        (event("done", hours=-1.0), "hours -1.0"),
        (OrderEvent("o1", "accepted", NOON, " "), "nobody is named"),
        (OrderEvent("o1", "accepted", datetime(2026, 4, 1), "x"), "no UTC offset"),  # noqa: DTZ001
        (OrderEvent("o1", "lost", NOON, "x"), "unknown"),
    ],
)
def test_an_event_that_does_not_fit_says_why(wrong: OrderEvent, words: str) -> None:
    with pytest.raises(InputError, match=words):
        apply_event(OrderStatus("accepted" if wrong.state != "accepted" else "proposed"), wrong)


def test_correcting_a_finding_keeps_both_events() -> None:
    status, _ = replay([event("done"), event("done", 1, found="none", hours=2.0)])
    assert (status["o1"].found, status["o1"].hours, len(status["o1"].events)) == ("none", 2.0, 2)


def test_every_cause_can_be_found() -> None:
    for code in FINDINGS:
        assert apply_event(OrderStatus("booked"), event("done", found=code, note="loose hose")).found == code


def test_something_else_is_found_only_in_words() -> None:
    with pytest.raises(InputError, match="say it in note"):
        apply_event(OrderStatus("booked"), event("done", found=OTHER, note=" "))


def test_a_decision_is_taken_back_within_a_day_and_leaves_both_on_record() -> None:
    accepted = event("accepted")
    postponed = event("postponed", 1, due=date(2026, 4, 9))
    back = replace(event("accepted", 20), undoes=postponed.event_id)
    status, refused = replay([back, postponed, accepted])
    assert (status["o1"].state, status["o1"].until, status["o1"].events) == ("accepted", None, (accepted,))
    assert {one.event.event_id: one.why for one in refused} == {
        postponed.event_id: "taken back by a. fitter on 2026-04-02 08:00 UTC",
        back.event_id: "takes back the decision of 2026-04-01 13:00 UTC",
    }
    first = replace(event("proposed", 21), undoes=accepted.event_id)
    status, refused = replay([accepted, postponed, back, first])
    assert (status["o1"].state, status["o1"].events, len(refused)) == ("proposed", (), 4)
    assert replay([accepted, postponed, back, first, event("declined", 30)])[0]["o1"].state == "declined"


def test_taking_back_a_corrected_finding_brings_the_first_one_again() -> None:
    corrected = event("done", 1, found="none", hours=2.0)
    status, _ = replay([event("done"), corrected, replace(event("done", 2), undoes=corrected.event_id)])
    assert (status["o1"].found, status["o1"].hours) == ("lambda_slow", 1.0)


@pytest.mark.parametrize(
    ("hours", "state", "undoes", "words"),
    [
        (25.0, "proposed", "", "taken back for a day"),
        (2.0, "accepted", "", "it is proposed, not accepted"),
        (2.0, "proposed", "0123", "only its last decision"),
    ],
)
def test_what_can_not_be_taken_back_says_why(hours: float, state: str, undoes: str, words: str) -> None:
    accepted = event("accepted")
    back = replace(event(state, hours), undoes=undoes or accepted.event_id)
    status, refused = replay([accepted, back])
    assert status["o1"].state == "accepted"
    assert [words in one.why for one in refused] == [True]


def test_what_a_visit_showed_is_not_taken_back() -> None:
    proven = event("proven", 1)
    _, refused = replay([event("done"), proven, replace(event("done", 2), undoes=proven.event_id)])
    assert "shown by a visit" in refused[0].why


def test_events_of_before_keep_their_identity() -> None:
    """What is hashed of an event that takes nothing back is what it was before any could."""
    assert event("accepted").event_id == replace(event("accepted"), undoes="", due=date(2026, 4, 2)).event_id
    assert event("accepted").event_id != replace(event("accepted"), undoes="0123").event_id


def test_what_a_status_keeps_and_what_it_lets_go() -> None:
    booked = apply_event(OrderStatus("postponed", until=date(2026, 5, 1)), event("booked", until=date(2026, 4, 9)))
    assert (booked.state, booked.since, booked.until) == ("booked", NOON, date(2026, 4, 9))
    done = apply_event(booked, event("done", 2, parts="pump; hose"))
    assert (done.until, done.found, done.parts, done.hours, done.cost) == (
        None,
        "lambda_slow",
        "pump; hose",
        1.0,
        120.0,
    )
    proven = apply_event(done, event("proven", 3))
    kept = (proven.found, proven.parts, proven.hours, proven.cost, proven.until)
    assert kept == ("lambda_slow", "pump; hose", 1.0, 120.0, None)
    assert [one.state for one in proven.events] == ["booked", "done", "proven"]


@pytest.mark.parametrize(
    ("told", "fits"),
    [
        (event("booked", until=date(2026, 4, 1)), True),  # the same day
        (event("booked", until=date(2026, 3, 31)), False),
        (event("booked"), True),
        (event("postponed", until=date(2026, 4, 2)), True),
        (event("postponed", until=None), False),
        (event("done", hours=0.0, cost=0.0), True),
        (event("done", hours=None, cost=None), True),
        (event("done", cost=1e7), False),
        (event("done", cost=9_999_999.0), True),
        (event("done", cost=float("nan")), False),
        (event("declined", reason="x"), True),
    ],
)
def test_days_and_amounts_at_their_bounds(told: OrderEvent, fits: bool) -> None:
    if fits:
        assert apply_event(OrderStatus("accepted"), told).state == told.state
    else:
        with pytest.raises(InputError, match="order o1: "):
            apply_event(OrderStatus("accepted"), told)


def test_the_same_told_twice_is_one_event_and_any_difference_is_another() -> None:
    one = event("done", parts="pump")
    changes: list[dict[str, Any]] = [
        {"order_id": "o2"},
        {"state": "booked"},
        {"at": NOON + timedelta(seconds=1)},
        {"person": "b. fitter"},
        {"reason": "x"},
        {"until": date(2026, 4, 9)},
        {"found": "none"},
        {"parts": "hose"},
        {"hours": 2.0},
        {"cost": None},
        {"note": "x"},
    ]
    names = {one.event_id, *(replace(one, **change).event_id for change in changes)}
    assert len(names) == 1 + len(changes)
    assert replace(one).event_id == one.event_id


def test_events_without_an_offset_are_refused_and_the_others_counted() -> None:
    naive = replace(event("accepted"), at=datetime(2026, 4, 1, 12))  # noqa: DTZ001
    status, refused = replay([naive, event("booked", 1), event("proven", 2)])
    assert status["o1"].state == "booked"
    assert [one.event.state for one in refused] == ["accepted", "proven"]
    assert "UTC offset" in refused[0].why
    assert "can't become" in refused[1].why


def test_the_account_counts_hours_and_money_and_what_was_not_told() -> None:
    life = [event("done"), event("proven", 1), replace(event("done", hours=None, cost=None), order_id="o2")]
    status, _ = replay([*life, replace(event("accepted"), order_id="o3")])
    told = account(status, ["o1", "o2", "o3", "o4"])
    assert {state: count for state, count in told.orders.items() if count} == {
        "proven": 1,
        "done": 1,
        "accepted": 1,
        "proposed": 1,
    }
    assert (told.hours, told.cost, told.hours_unknown, told.cost_unknown) == (1.0, 120.0, 1, 1)


def test_a_note_changes_nothing_and_stands_in_nobodys_way() -> None:
    life = [event("accepted"), event("booked", 2), event("done", 4), event("proven", 6)]
    notes = [event(NOTED, hour, note=f"at {hour}", photos=("a" * 64,)) for hour in (1, 3, 5, 7)]
    plain, refused = replay(life)
    told, refused_too = replay([*notes, *life])
    assert (refused, refused_too) == ((), ())
    assert replace(told["o1"], notes=()) == plain["o1"]
    assert told["o1"].notes == tuple(notes)
    assert account(told, ["o1"]) == account(plain, ["o1"])
    assert replay(notes)[0]["o1"].state == "proposed"


def test_a_decision_is_taken_back_over_a_note_and_a_note_by_itself() -> None:
    accepted, first, booked, second = (
        event("accepted"),
        event(NOTED, 1, note="a"),
        event("booked", 2),
        event(NOTED, 3, note="b"),
    )
    back = replace(event("accepted", 4), undoes=booked.event_id)
    status, refused = replay([accepted, first, booked, second, back])
    assert (status["o1"].state, status["o1"].notes, status["o1"].last_told) == ("accepted", (first, second), second)
    assert {one.event.event_id for one in refused} == {booked.event_id, back.event_id}
    gone = replace(event("accepted", 5), undoes=first.event_id)
    status, refused = replay([accepted, first, booked, second, back, gone])
    assert (status["o1"].state, status["o1"].notes) == ("accepted", (second,))
    assert next(one.why for one in refused if one.event == gone) == "takes back the note of 2026-04-01 13:00 UTC"
    late = replace(event("accepted", 40), undoes=second.event_id)
    assert "noted on 2026-04-01 15:00, and can be taken back for a day" in replay([accepted, second, late])[1][0].why


def test_photos_are_part_of_what_was_said_and_an_older_event_keeps_its_name() -> None:
    bare = event("accepted", note="x")
    assert bare.event_id == "1307729d9fc31179"
    assert len({bare.event_id, *(replace(bare, photos=(p,)).event_id for p in ("a" * 64, "b" * 64))}) == 3


def test_what_is_refused_names_what_people_may_decide_and_no_more() -> None:
    with pytest.raises(InputError, match=r"use one of accepted, booked, declined, done, postponed, noted$"):
        apply_event(OrderStatus("proposed"), event("fixed"))
    with pytest.raises(InputError, match=r"by the visits after the repair\): it may become accepted$"):
        apply_event(OrderStatus("declined"), event("proven"))
    with pytest.raises(InputError, match="done without what was found: name one of"):
        apply_event(OrderStatus("booked"), event("done", found=""))
