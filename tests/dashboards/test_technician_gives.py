"""What the technician gives beside recordings, where it goes, and what is said of a listed fault that shows again."""

from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboards import visit_conditions
from dashboards.unbroken import plainly
from data_contracts.facts.fact import Fact
from tests.dashboards.conftest import View
from tests.dashboards.technician import Given, document, hand_over, number, told


def codes(app: AppTest) -> Any:
    return next(field for field in app.text_input if field.label == "Fault codes")


def test_trims_and_codes_are_asked_kept_for_the_visit_and_read_with_it(view: View, reads: Given) -> None:
    app = view("read_one_now", van="N-01")
    app = number(app, "Idle, short").set_value(-3.5).run()
    assert "“Idle, long” is missing, so this trim is not used" in told(app)
    app = hand_over(app, ("1.csv", b"x"))
    assert reads[0]["conditions"].trim_idle_pct is None
    app = number(app, "Idle, long").set_value(14.0).run()
    app = codes(app).set_value("p0171, P30; P0300").run()
    assert "“P30” is no fault code" in told(app)
    conditions = reads[-1]["conditions"]
    assert (conditions.trim_idle_pct, conditions.trim_2500_pct) == (10.5, None)
    assert conditions.fault_codes == ("P0171", "P0300")
    assert "trim at idle +10.5" in told(app)
    app.query_params["van"] = "N-02"
    app = app.run()
    assert number(app, "Idle, long").value is None  # another van's
    assert codes(app).value == ""
    app.query_params["van"] = "N-01"
    app = app.run()
    assert (number(app, "Idle, short").value, number(app, "Idle, long").value) == (-3.5, 14.0)
    assert codes(app).value == "P0171; P0300"


def test_that_nothing_is_stored_is_said_before_and_after_and_a_delivery_is_offered(view: View, reads: Given) -> None:
    app = view("read_one_now", van="N-01")
    assert "Only read here, not stored." in told(app)
    app = hand_over(app, ("1.csv", b"x"))
    assert "Only read here" not in told(app)
    assert "These recordings are not stored yet." in told(app)
    assert [button.label for button in app.get("download_button")] == ["Download the delivery", "Print the set-up card"]
    app = hand_over(view("read_one_now"), ("1.csv", b"x"))
    assert "Download the delivery" not in [button.label for button in app.get("download_button")]


def test_recordings_on_file_are_said_to_be_and_confirm_nothing(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The visit that the list rests on is no second one: its fault does not show again."""
    from dashboards import read_one_now

    apart = Fact.of("listed_apart_filed", "lambda_idle", visit_spread=0.061, count=3, usual_spread=0.002)
    listed = {"week": "2026-W20", "urgency": "now", "cause": "unmetered_air", "to_mind": "unmetered_air"}
    listed |= {"facts": [apart.row()]}
    on_file = {"day": "2026-05-12", "recordings": 3}
    heard = document(["1.csv"], van="N-01", verdict="few", on_list=listed, on_file=on_file)
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: heard)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    assert not app.exception
    first = plainly(app.info[0].value).replace("\\", "")
    assert first.startswith("On file already: these 3 recordings of the visit on 2026-05-12. No new visit")
    assert any("it shows what it is listed for" in each.value for each in app.error)
    assert "again" not in plainly(" ".join(each.value for each in app.error))


def test_of_new_recordings_and_some_on_file_the_new_ones_are_handed_on(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now
    from pipelines.commands import visit_delivery

    packed: dict[str, Any] = {}
    monkeypatch.setattr(visit_delivery, "delivery_of", lambda given, **more: packed.update(more) or b"zip")
    heard = document(["2.csv"], van="N-01") | {"refused": [{"file": "3.csv", "reason": "3.csv: empty"}]}
    heard |= {"left_out": [{"file": "1.csv", "day": "2026-05-12"}]}
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: heard)
    offered: dict[str, Any] = {}
    drawn = st.download_button

    def offer(label: str, data: Any, **more: Any) -> bool:
        offered[label] = data
        return drawn(label, data, **more)

    monkeypatch.setattr(st, "download_button", offer)
    app = hand_over(view("read_one_now", van="N-01"), *((f"{n}.csv", b"x") for n in (1, 2, 3)))
    assert not app.exception
    said = plainly(app.info[0].value).replace("\\", "")
    assert said == "1.csv is left out: on file already, of the visit on 2026-05-12."
    assert offered["Download the delivery"]() == b"zip"
    assert packed["left_out"] == {"1.csv", "3.csv"}


def test_a_fault_that_shows_again_is_told_with_what_shows_it_and_only_there(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now

    on = Fact.of("van_on_list", van="N-01", week="2026-W20", urgency="now", cause="unmetered_air")
    apart = Fact.of("listed_apart_again", "lambda_idle", visit_spread=0.061, count=3, usual_spread=0.002)
    few = Fact.of("van_few_again", count=2, out_of=9)
    past = Fact.of("held_against_past", count=11, vans=10, since="2026-W26", family="tarn-15")
    listed = {"week": "2026-W20", "urgency": "now", "cause": "unmetered_air", "to_mind": "unmetered_air"}
    listed |= {"facts": [on.row(), apart.row()]}
    heard = document(["1.csv"], van="N-01", verdict="few", on_list=listed, facts=[few.row(), past.row()])
    heard["captures"][0]["unread"] = {"trim_idle_pct": "unmeasured_condition"}
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: heard)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    box = next(each.value for each in app.error if "shows again" in each.value).replace("\\", "")
    told_apart = "the snaps of this visit (3) differ by ± 0.061, usually ± 0.002"
    assert told_apart in plainly(box)
    assert "2 of 9" not in box
    said = told(app).replace("\\", "")
    assert plainly(said).count(told_apart) == 1
    assert said.count("Too few quantities to clear the van: 2 of 9 could be compared. Enough to see its fault.") == 1
    assert f"[Give the missing conditions](#{visit_conditions.PLACE})" in said
    assert visit_conditions.PLACE in [header.anchor for header in app.header]
