"""What stands on order and list, word by word, against the rows of the published file."""

from datetime import UTC, datetime
from typing import Any, get_args

import pytest

from data_contracts.causes import CAUSES
from data_contracts.cautions import cautions_for
from data_contracts.due import Due
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import capital, render, sentences
from data_contracts.jobs import JOBS, TESTS, steps_of
from data_contracts.likelihood import likely, ranked
from models.work.in_short import left_alone
from pipelines.read_side.published import families, open_published
from pipelines.read_side.van_card import also_of, hurts_most, in_short_of
from pipelines.reports import list_pdf, order_pdf
from pipelines.reports.list_pdf import _weeks
from pipelines.reports.orders import open_orders
from pipelines.reports.paper import typeset
from pipelines.reports.paper_words_en import WORDS
from tests.sample_papers import VAN, WEEK, Paper, title, urgency


def _headed(paper: Paper, listed: dict[str, Any]) -> str:
    """What heads the page of a van on the board, and the order on paper."""
    published = open_published(paper.home)
    first = in_short_of(published, [listed], WEEK)[VAN]
    also, hurts = also_of(published, listed, WEEK, first), hurts_most(listed)
    told = [render(first), *([f"Also: {render(also)}"] if also else []), *([render(hurts)] if hurts else [])]
    return typeset(" ".join(told))


SHAPES = (
    "INSERT INTO shapes SELECT capture_id, list_transform(range(4), lambda x: 1.0::FLOAT), "
    f"list_transform(range(4), lambda x: 2.0::FLOAT) FROM captures WHERE van_id = '{VAN}'"
)


def test_an_order_says_what_its_row_says(paper: Paper, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order_pdf, "draw_against_past", lambda snaps, family: b"<svg")
    paper.change(
        SHAPES,
        f"UPDATE captures SET odometer_km = 81234.4, fault_codes = ['P0171', 'P0101'] WHERE van_id = '{VAN}' AND week = '{WEEK}'",
        f"UPDATE work_orders SET hours = 1.25, due_by = DATE '2026-04-10' WHERE van_id = '{VAN}'",
    )
    (row,) = paper.rows(f"SELECT * FROM work_orders WHERE van_id = '{VAN}'")
    (listed,) = paper.rows(f"SELECT * FROM watchlist WHERE van_id = '{VAN}' AND week = '{WEEK}'")
    pages = paper.orders()
    ranks = [one["rank"] for one in paper.rows("SELECT rank FROM work_orders ORDER BY rank")]
    assert [page["qr"] for page in pages] == [f"qr-{n}.svg" for n in range(len(ranks))]
    number = next(n for n, one in enumerate(pages) if one["van_id"] == VAN)
    page, drawings = pages[number], paper.given[-1][2]
    assert page["drawing"] == f"traces-{number}.svg"
    assert set(drawings) == {f"qr-{n}.svg" for n in range(len(ranks))} | {f"traces-{number}.svg"}
    assert page["facts"] == [
        ("Family", "brook-20"),
        ("Depot", "south"),
        ("Due by", "2026-04-10"),
        ("Odometer", "81,234 km"),
        ("Fault codes", "P0101, P0171"),
        ("State", "proposed"),
    ]
    assert page["order_id"] == row["order_id"]
    assert page["rank"] == f"No. {listed['rank']} on the list of week {WEEK} · order of week {row['week']}"
    assert (page["urgency"], page["now"]) == (urgency(listed["urgency"]), listed["urgency"] == "now")
    minutes = TESTS["fuel_pressure"].minutes  # the test that the order asks for
    assert page["times"] == [("Time for the test", "0.5 h"), ("Time for the repair", "0.8 h")]
    assert minutes == 30.0
    causes = ranked(listed["causes"], count=3)
    assert page["causes"] == [(title(code), likely(probability, "en")) for code, probability in causes]
    assert page["reason"] == _headed(paper, listed)
    assert page["action"] == row["action"]
    assert page["place"] == row["plan_note"][:1].upper() + row["plan_note"][1:]
    assert page["warranty"] == row["warranty"] == "Warranty: until 2027-03-01 by date, no mileage limit on record."
    assert page["steps"] == [capital(step.en) for step in steps_of(row["cause"])]
    parts = JOBS[row["cause"]].parts
    assert page["parts"] == ("none expected" if parts is None else parts.en)
    family = families(paper.home)["brook-20"]
    assert page["cautions"] == [caution.text.en for caution in cautions_for(row["cause"], family)]
    paper.change(
        "UPDATE work_orders SET hours = NULL, due_by = NULL, cause = 'not_separable', "
        "warranty = NULL, warranty_facts = NULL, reason_facts = NULL, reason = repeat('word ', 400)",
        "UPDATE captures SET odometer_km = NULL, fault_codes = []",
        f"DELETE FROM watchlist WHERE van_id = '{VAN}'",
    )
    page = paper.orders()[number]
    assert [value for _, value in page["facts"]][2:] == ["–", "–", "none", "proposed"]
    paper.change("UPDATE captures SET fault_codes = NULL")
    page = paper.orders()[number]
    assert [value for _, value in page["facts"]][2:] == ["–", "–", "not read", "proposed"]
    assert (page["times"], page["warranty"]) == ([("Hours", "–")], "")
    assert page["reason"].endswith("word …")
    assert 690 <= len(page["reason"]) <= 700
    assert len(page["steps"]) == 2  # what is open, and the proof
    paper.speak('units = "imperial"\nlanguage = "de"')
    paper.change("UPDATE captures SET odometer_km = 81234.4", "UPDATE work_orders SET hours = 1.5")
    page = paper.orders()[number]
    assert "50.477 mi" in [value for _, value in page["facts"]]
    assert page["times"] == [("Zeit für die Prüfung", "0,5 h"), ("Zeit für die Reparatur", "1,0 h")]
    paper.change("UPDATE work_orders SET hours = 0.5")
    assert paper.orders()[number]["times"][1] == ("Zeit für die Reparatur", "nach der Prüfung bekannt")


def test_an_order_that_is_past_its_day_is_overdue_on_paper_as_on_the_board(paper: Paper) -> None:
    def told() -> list[tuple[str, str]]:
        page = next(page for page in paper.orders() if page["van_id"] == VAN)
        return [fact for fact in page["facts"] if fact[0] in [WORDS[f"due.{word}"] for word in get_args(Due)]]

    def listed() -> str:
        return next(str(row[6]) for row in paper.of_week()["orders"] if row[1].startswith(VAN))

    of_van = f"UPDATE work_orders SET {{}} WHERE van_id = '{VAN}'"
    paper.change(of_van.format("due_by = DATE '2026-03-27'"))  # the day of the run
    assert (told(), listed()) == ([("Due by", "2026-03-27")], "2026-03-27")
    paper.change(of_van.format("due_by = DATE '2026-03-26'"))
    assert (told(), listed()) == ([("Overdue since", "2026-03-26")], "2026-03-26\noverdue")
    paper.change(of_van.format("state = 'postponed', until = DATE '2026-05-01'"))
    assert (told(), listed()) == ([("Postponed until", "2026-05-01")], "2026-05-01")
    paper.change(of_van.format("state = 'booked', until = DATE '2026-03-27'"))
    assert (told(), listed()) == ([("Booked for", "2026-03-27")], "2026-03-27")
    paper.change(of_van.format("until = DATE '2026-03-25'"))
    assert (told(), listed()) == ([("Was booked for", "2026-03-25")], "2026-03-25\npast")
    for closed in ("done", "declined"):
        paper.change(of_van.format(f"state = '{closed}', until = NULL"))
        assert (told(), listed()) == ([("Due by", "2026-03-26")], "2026-03-26")


def test_plate_and_identification_number_stand_on_an_order_where_the_register_has_them(paper: Paper) -> None:
    def told() -> list[tuple[str, str]]:
        page = next(page for page in paper.orders() if page["van_id"] == VAN)
        return [fact for fact in page["facts"] if fact[0] in ("Plate", "VIN")]

    assert told() == []
    paper.change(f"UPDATE vans SET plate = 'N-UK 77' WHERE van_id = '{VAN}'")
    assert told() == [("Plate", "N-UK 77")]  # half filled in
    paper.change(f"UPDATE vans SET vin = 'ZZZ00000000000077' WHERE van_id = '{VAN}'")
    assert told() == [("Plate", "N-UK 77"), ("VIN", "ZZZ00000000000077")]


def test_an_order_names_the_present_place_and_reason_of_its_van(paper: Paper) -> None:
    """What was decided stays, but why the van is called in is told as the list tells it now."""
    paper.change(f"UPDATE work_orders SET state = 'accepted', week = '2026-W11', rank = 1 WHERE van_id = '{VAN}'")
    (listed,) = paper.rows(f"SELECT * FROM watchlist WHERE van_id = '{VAN}' AND week = '{WEEK}'")
    page = next(page for page in paper.orders() if page["van_id"] == VAN)
    assert page["rank"] == f"No. {listed['rank']} on the list of week {WEEK} · order of week 2026-W11"
    assert page["reason"] == _headed(paper, listed)
    paper.change(f"DELETE FROM watchlist WHERE van_id = '{VAN}' AND week = '{WEEK}'")
    page = next(page for page in paper.orders() if page["van_id"] == VAN)
    assert page["rank"] == f"Not on the list of week {WEEK} · order of week 2026-W11"
    assert page["reason"].startswith("As of week 2026-W11: ")
    ranks = [page["rank"].split(" ·")[0] for page in paper.orders()]
    assert len([rank for rank in ranks if rank.startswith("No. ")]) == len({r for r in ranks if r.startswith("No. ")})


def test_the_drawing_on_an_order_is_of_the_latest_snap_over_those_before_the_change(
    paper: Paper, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Any] = []
    monkeypatch.setattr(order_pdf, "draw_against_past", lambda snaps, family: drawn.append((snaps, family)) or b"<svg")
    visits = paper.rows(
        f"SELECT capture_id, captured_at, week FROM captures WHERE van_id = '{VAN}' AND representative ORDER BY captured_at"
    )
    paper.change(
        SHAPES,
        f"UPDATE trends SET alarm = quantity = 'idle_g_s' AND week >= '2026-W10', alarm_since = '2026-W10' WHERE van_id = '{VAN}'",
    )
    pages = paper.orders()
    caption = next(page["caption"] for page in pages if page["van_id"] == VAN)
    before = [row for row in visits if row["week"] < "2026-W10"]
    days = [f"{row['captured_at'].astimezone(UTC):%Y-%m-%d}" for row in (visits[-1], before[0], before[-1])]
    assert all(day in caption for day in days)
    assert str(len(before)) in caption
    snaps, family = next(one for one in drawn if one[0].airflow.shape[0] == len(before))
    assert snaps.lambda_signal.shape == (len(before), 4)
    assert snaps.hold_s == pytest.approx(1.1)
    assert snaps.raw is not None
    assert family.name == "brook-20"
    paper.change(f"UPDATE trends SET onset_low = '2025-W01' WHERE van_id = '{VAN}'")  # fewer than three before it
    caption = next(page["caption"] for page in paper.orders() if page["van_id"] == VAN)
    assert str(len(visits) - 1) in caption
    paper.change(f"UPDATE captures SET grade = 'repeat' WHERE van_id = '{VAN}' AND week < '{WEEK}'")
    caption = next(page["caption"] for page in paper.orders() if page["van_id"] == VAN)
    assert days[0] in caption
    assert days[1] not in caption


def test_the_list_says_what_its_rows_say(paper: Paper) -> None:
    listed = paper.rows(f"SELECT * FROM watchlist WHERE week = '{WEEK}' ORDER BY rank")
    paper.change(f"UPDATE watchlist SET new = true WHERE van_id = '{VAN}' AND week = '{WEEK}'")
    document = paper.of_week()
    template, _, drawings, at = paper.given[-1]
    assert (template, drawings, at) == ("list.typ", {}, datetime(2026, 3, 27, 6, tzinfo=UTC))
    assert set(document) == {"week", "counts", "notices", "rows", "orders", "foot"}
    assert WEEK in document["week"]
    seen = paper.rows(f"SELECT count(DISTINCT van_id) AS n FROM captures WHERE week = '{WEEK}'")[0]["n"]
    for number in (8, seen, *(sum(row["urgency"] == word for row in listed) for word in ("now", "plan", "watch"))):
        assert str(number) in document["counts"]
    noticed = [row["text"] for row in paper.rows(f"SELECT * FROM notices WHERE week = '{WEEK}'")]
    assert document["notices"] == [
        *noticed,
        "Likelihoods weigh only causes that a snap can show, and no finding has confirmed one yet: test before a part is ordered.",
    ]
    assert [row["rank"] for row in document["rows"]] == [row["rank"] for row in listed]
    for told, row in zip(document["rows"], listed, strict=True):
        assert told["van_id"] == row["van_id"]
        assert told["place"].startswith(f"{row['family']} · {row['depot']}")
        assert told["place"].endswith("new") == (row["new"] or row["van_id"] == VAN)
        assert (told["urgency"], told["now"]) == (urgency(row["urgency"]), row["urgency"] == "now")
        facts = [Fact.from_row(fact) for fact in row["reason_facts"] or []]
        if not facts:  # as an older version stored it
            assert (told["reading"], told["left_alone"]) == (next(iter(row["reasons"]), ""), "")
        else:
            short = in_short_of(open_published(paper.home), [row], WEEK).get(row["van_id"])
            assert told["reading"] == typeset(render(short) if short else sentences(row, "reasons")[0])
            assert told["left_alone"] == typeset(render(hurts) if (hurts := left_alone(facts)) else "")
        certain = (
            "" if row["leading_cause"] == "not_separable" else f": {likely(row['leading_cause_probability'], 'en')}"
        )
        assert told["cause"] == title(row["leading_cause"]) + certain
        assert told["limit"] == ("2 weeks" if row["weeks_to_limit"] and row["urgency"] != "now" else "–")
    orders = paper.rows("SELECT * FROM work_orders ORDER BY rank")
    assert document["orders"] == [
        (
            "–",
            f"{row['van_id']}\n{row['order_id']}",
            row["depot"],
            row["action"],
            "1.5",
            "–",
            f"{row['due_by']:%Y-%m-%d}",
            "proposed",
        )
        for row in orders
    ]
    list_pdf.list_pdf(open_published(paper.home), open_orders(open_published(paper.home)))
    numbers = [row[0] for row in paper.given[-1][1]["orders"]]
    rank_of = {row["van_id"]: row["rank"] for row in listed}
    assert numbers == [str(rank_of[row[1].split("\n")[0]]) for row in paper.given[-1][1]["orders"]]
    assert numbers == sorted(numbers, key=int)
    paper.change(
        "UPDATE work_orders SET hours = NULL, due_by = NULL", "UPDATE watchlist SET leading_cause_probability = NULL"
    )
    document = paper.of_week()
    assert all((row[4], row[6]) == ("–", "–") for row in document["orders"])
    assert not any("%" in row["cause"] for row in document["rows"])


@pytest.mark.parametrize(
    ("weeks", "said"),
    [
        (None, "–"),
        (float("nan"), "–"),
        (float("inf"), "none in sight"),
        (-1.0, "crossed"),
        (0.0, "crossed"),
        (0.3, "1 week"),  # still ahead
        (1.2, "1 week"),
        (1.6, "2 weeks"),
        (12.0, "12 weeks"),
    ],
)
def test_weeks_to_a_limit_are_told_as_on_the_board(weeks: float | None, said: str) -> None:
    assert _weeks(weeks, told=True) == said
    no_forecast = said in ("crossed", "none in sight")
    assert _weeks(weeks, told=False) == (said if no_forecast else "–")  # what is to be done now needs none


def test_a_job_with_a_test_beside_it_shows_the_minutes_of_both() -> None:
    words = [("cause", "ignition_weak"), ("test", "clear_line")]
    order = {"hours": 2.0, "cause": "ignition_weak", "action_facts": [{"words": words}]}
    minutes = TESTS[CAUSES["ignition_weak"].first_test].minutes + TESTS["clear_line"].minutes
    times = order_pdf._times(order)
    assert times == [
        ("Time for the test", f"{minutes / 60:.1f} h"),
        ("Time for the repair", f"{2 - minutes / 60:.1f} h"),
    ]
    alone = order_pdf._times(order | {"action_facts": [{"words": words[:1]}]})
    assert alone[0] == ("Time for the test", f"{(minutes - TESTS['clear_line'].minutes) / 60:.1f} h")
