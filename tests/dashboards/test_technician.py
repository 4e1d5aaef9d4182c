"""The technician's screen: a label's link, conditions kept for the hour, several recordings, and what must not be accepted."""

import io
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest

from dashboards import visit_conditions
from dashboards.unbroken import plainly
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from tests.dashboards.conftest import View
from tests.dashboards.technician import Given, document, hand_over, number, told
from tests.deliveries import make_home


def test_a_labels_link_lands_on_its_van(view: View, reads: Given) -> None:
    app = view("read_one_now", van="N-02")
    assert not app.exception
    assert app.title[0].value == "Read one now: N\\-02"
    assert "tarn\\-15 · depot north" in told(app)
    recorder = next(box for box in app.selectbox if box.label == "Recorder profile")
    assert recorder.value == "canonical"
    assert "Engine family" not in [box.label for box in app.selectbox]
    app = hand_over(app, ("1.csv", b"x"))
    assert reads[0]["target"].van_id == "N-02"
    assert reads[0]["family_name"] == ""
    assert app.success[0].value.startswith("## Snap")
    assert "The van: same" in app.success[1].value
    assert "61.2 ± 0.4 g/s" in told(app).replace("\\", "")
    assert "± 1.5 g/s (this visit)" in told(app).replace("\\", "")
    assert "Wear hearing protection" in app.info[0].value


def test_without_a_label_the_van_is_chosen_and_stands_in_the_address(view: View) -> None:
    app = view("read_one_now")
    assert app.title[0].value == "Read one now"
    app = app.selectbox(key="read-van of ").set_value("S-03").run()
    assert not app.exception
    assert app.query_params["van"] in ("S-03", ["S-03"])
    assert app.title[0].value == "Read one now: S\\-03"
    app = app.selectbox(key="read-van of S-03").set_value("N-01").run()
    assert app.title[0].value == "Read one now: N\\-01"
    app = app.selectbox(key="read-van of N-01").set_value(None).run()
    assert app.title[0].value == "Read one now"


def test_a_van_nobody_published_and_a_hostile_name_are_said(view: View, reads: Given) -> None:
    app = view("read_one_now", van="<b>X</b> [a](https://example.org)")
    assert not app.exception
    assert "is in the register" in app.warning[0].value
    assert "<b>" not in app.warning[0].value
    assert "[a](" not in app.warning[0].value
    assert not app.file_uploader
    assert app.selectbox[0].label == "Van"


def test_a_label_of_another_depot_shows_nothing(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipelines.workspace.people import SOLE

    class OfNorth:
        role, depots, name = SOLE.role, ("north",), "N"

    monkeypatch.setattr("dashboards.read_one_now.me", OfNorth)
    app = view("read_one_now", van="S-03")
    assert not app.exception
    assert app.title[0].value == "Read one now"
    assert "not among the vans you may see" in app.warning[0].value
    monkeypatch.setattr("dashboards.read_one_now._vans", lambda published: [])  # a fleet longer than what is offered
    assert view("read_one_now", van="N-01").title[0].value == "Read one now: N\\-01"


def test_conditions_are_asked_once_and_the_place_is_kept_for_the_next_van(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = view("read_one_now", van="N-01")
    for label, value in (("Coolant", 88.0), ("Intake air", 21.0), ("Station", 99.5)):
        app = number(app, label).set_value(value).run()
    app = hand_over(app, ("1.csv", b"x"))
    app = hand_over(app, ("2.csv", b"y"))
    first, second = (given["conditions"] for given in reads)
    assert (first.coolant_c, first.intake_air_c, first.barometer_kpa) == (88.0, 21.0, 99.5)
    assert first == second
    app.query_params["van"] = "N-02"
    app = app.run()
    assert number(app, "Coolant").value is None
    assert number(app, "Intake air").value == 21.0
    assert "carried over from N\\-01, 1 min ago" in told(app)
    app = hand_over(app, ("3.csv", b"z"))
    third = reads[2]["conditions"]
    assert (third.coolant_c, third.intake_air_c, third.barometer_kpa) == (None, 21.0, 99.5)
    later = time.time() + visit_conditions.KEPT_S + 60.0
    monkeypatch.setattr(visit_conditions.time, "time", lambda: later)
    app.query_params["van"] = "N-03"
    app = app.run()
    assert number(app, "Intake air").value is None
    assert "carried over" not in told(app)


def test_several_recordings_are_one_visit_and_read_once(view: View, reads: Given) -> None:
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("visit/3.csv", "z")
    app = view("read_one_now", van="N-01")
    app = hand_over(app, ("1.csv", b"x"), ("2.csv", b"y"), ("visit.zip", archive.getvalue()))
    assert [given["names"] for given in reads] == [["1.csv", "2.csv", "3.csv"]]
    app = app.run()
    assert len(reads) == 1
    assert "## Snaps kept" in app.success[0].value
    app.query_params["van"] = "N-02"
    app = app.run()
    assert len(reads) == 1  # another van's recordings are not this one's
    assert not app.success


def test_another_family_is_a_warning_and_nothing_is_kept(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now

    far = Fact.of(
        "far_from_family",
        "main_peak_reference_g_s",
        level=20.0,
        expected_low=40.0,
        expected_high=80.0,
        family="brook-20",
    )
    doubted = document(["1.csv"], verdict="unknown", check_family=True, facts=[far.row()])
    doubted["captures"][0]["verdict"] = "check"
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: doubted)
    app = hand_over(view("read_one_now"), ("1.csv", b"x"))
    assert not app.success
    assert app.warning[0].value.startswith("## Check the family")
    assert "40 to 80 g/s" in app.warning[0].value.replace("\\", "")
    assert "## Snaps kept" not in told(app)


def test_a_van_beyond_its_family_is_judged_with_the_doubt_first(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now

    doubted = document(["1.csv"], verdict="worse", check_van=True)
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: doubted)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    assert not app.exception
    assert app.warning[0].value.startswith("## Check van and recorder")
    assert app.success[0].value.startswith("## Snap")
    assert len(app.error) == 1


@pytest.mark.parametrize(
    ("verdict", "box"), [("same", "info"), ("better", "info"), ("few", "warning"), ("worse", "error")]
)
def test_a_listed_van_is_never_green_and_leads_to_its_page(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch, verdict: str, box: str
) -> None:
    from dashboards import read_one_now

    fact = Fact.of("van_on_list", van="N-01", week="2026-W20", urgency="now", cause="fuel_delivery_weak")
    listed = {"week": "2026-W20", "urgency": "now", "cause": "fuel_delivery_weak"}
    listed |= {"to_mind": "fuel_delivery_weak", "facts": [fact.row()]}
    heard = document(["1.csv"], van="N-01", verdict=verdict, on_list=listed)
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: heard)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    assert not app.exception
    assert [shown.value.split("\n")[0] for shown in app.success] == ["## Snap kept: good"]
    assert any("The van: " in shown.value for shown in getattr(app, box))
    assert "on the list of 2026-W20, now: [weak fuel delivery](" in told(app).replace("\\", "")
    assert "Why N\\-01 is on the list" in told(app)


def test_where_petrol_may_escape_that_stands_above_the_verdict_and_no_snap_is_asked_for_before(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now

    fact = Fact.of("van_on_list", van="N-01", week="2026-W20", urgency="now", cause="injector_leaking")
    apart = Fact.of("listed_apart", "lambda_idle", visit_spread=0.003, count=3, usual_spread=0.002)
    listed = {"week": "2026-W20", "urgency": "now", "cause": "not_separable"}
    listed |= {"to_mind": "injector_leaking", "facts": [fact.row(), apart.row()]}
    heard = document(["1.csv"], van="N-01", verdict="few", on_list=listed)
    heard["captures"][0] |= {"grade": "usable", "shown_grade": "usable"}
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: heard)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    assert not app.exception
    assert app.info[0].value.startswith("## Snap kept. Once nothing leaks, record one more.")
    first = app.error[0].value.replace("\\", "")
    kinds = [node.type for node in app.main]
    assert kinds.index("error") < kinds.index("info")
    assert first.startswith("**Petrol may escape: no further snap until")
    assert any(f"(#{header.anchor})" in first for header in app.header)
    assert "now: the snaps of this visit (3) differ by ± 0.003, usually ± 0.002" in plainly(told(app)).replace("\\", "")
    heard["against"]["on_list"] = None
    app = hand_over(view("read_one_now", van="N-02"), ("1.csv", b"x"))
    assert "no further snap" not in told(app)
    assert "Neutral or park" in told(app)


def test_a_reason_says_in_how_many_snaps_it_holds(view: View, reads: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    from dashboards import read_one_now

    heard = document(["1.csv", "2.csv", "3.csv"])
    for k, capture in enumerate(heard["captures"]):
        why = {"code": "gap", "sentence": "samples are missing where the snap is", "remedy": "record again"}
        capture |= {"grade": "usable", "shown_grade": "usable", "grade_reasons": [why] if k else []}
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: heard)
    app = hand_over(view("read_one_now", van="N-01"), *((f"{n}.csv", b"x") for n in "123"))
    assert "Samples are missing where the snap is (2 of 3): record again" in app.info[0].value.replace("\\", "")


def test_where_no_snap_is_good_the_head_says_that_something_is_missing(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now

    usable = document(["1.csv", "2.csv"])
    for capture in usable["captures"]:
        capture |= {"grade": "usable", "shown_grade": "usable"}
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: usable)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"), ("2.csv", b"y"))
    assert any(shown.value.startswith("## Snaps kept. One more would be better.") for shown in app.info)
    assert not any(shown.value.startswith("## Snap") for shown in app.success)


def test_too_few_quantities_are_not_green_of_a_van_that_is_not_listed_either(
    view: View, reads: Given, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboards import read_one_now

    few = document(["1.csv"], verdict="few", facts=[Fact.of("van_few_own", count=2, out_of=9).row()])
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: few)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    assert len(app.success) == 1
    assert "## The van: too few quantities to say" in app.warning[0].value
    assert "in 2 of 9 quantities" in app.warning[0].value
    assert "on the list" not in told(app)


def test_a_snap_to_repeat_says_why_in_one_line(view: View, reads: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    from dashboards import read_one_now

    none_kept = document(["1.csv"], verdict=None, sent_back=True, facts=[Fact.of("representative_none").row()])
    none_kept["captures"][0] |= {
        "verdict": "repeat",
        "grade": "repeat",
        "shown_grade": "repeat",
        "grade_reasons": [{"code": "x", "sentence": "the pedal came late", "remedy": "wait for idle"}],
    }
    none_kept["refused"] = [{"file": "2.csv", "reason": "2.csv: the file is empty"}]
    monkeypatch.setattr(read_one_now, "read_apart", lambda path, **told: none_kept)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"), ("2.csv", b""))
    assert app.warning[0].value.split("\n\n")[:2] == ["## Record again", "The pedal came late: wait for idle"]
    assert not app.success
    assert "the file is empty" in told(app).replace("\\", "")


@pytest.mark.parametrize(
    ("files", "named"),
    [
        ([(f"{k}.csv", b"x") for k in range(25)], "more than 24 recordings"),
        ([("visit.zip", b"no archive")], "can't be unpacked"),
    ],
)
def test_too_much_is_one_line(files: list[tuple[str, bytes]], named: str, view: View, reads: Given) -> None:
    app = hand_over(view("read_one_now", van="N-01"), *files)
    assert not app.exception
    assert named in app.error[0].value.replace("\\", "")
    assert reads == []


def test_what_the_reading_refuses_is_one_line(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path, **told: Any) -> dict[str, Any]:
        raise InputError("it takes more than 120 s to read: record less around the snap")

    monkeypatch.setattr("dashboards.read_one_now.read_apart", refuse)
    app = hand_over(view("read_one_now", van="N-01"), ("1.csv", b"x"))
    assert not app.exception
    assert "more than 120 s" in app.error[0].value


def test_before_any_run_a_van_is_read_by_the_register(view: View, reads: Given, tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    app = view("read_one_now", home.root, van="V001")
    assert not app.exception
    assert "not in the published run" in app.warning[0].value
    app = hand_over(app, ("1.csv", b"x"))
    assert reads[0]["target"].van_id == "V001"
    assert app.success
