"""`vansnap read --van` of recordings that are on file already, alone, among new ones, of two visits, and from before a repair."""

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest

from pipelines.read_side.published import open_published
from pipelines.workspace.workspace import Workspace
from tests.pipelines.visits import LAST, LEAN, REPAIRED, home_repaired, recorded_anew, recordings, said


def days_of(home: Workspace, week: str) -> list[str]:
    """ISO days of the lean van's visits in a week."""
    return (
        open_published(home.root)
        .ask(
            """SELECT strftime(min(captured_at) AT TIME ZONE 'UTC', '%Y-%m-%d') AS day
            FROM captures WHERE van_id = $van AND week = $week GROUP BY visit""",
            {"van": LEAN, "week": week},
        )["day"]
        .to_list()
    )


def test_recordings_on_file_are_no_new_visit_and_are_held_against_what_came_before(
    judged_small: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The visit that put a van on the list is not taken for another one that confirms it, nor for a part of its own past."""
    (day,) = days_of(judged_small, LAST)
    path = recordings(LEAN, LAST)[0]
    given = ("--van", LEAN, "--home", judged_small.root)
    told = json.loads(said(capsys, path, *given, "--json")[0])["against"]
    assert told["on_file"] == {"day": day, "recordings": 1}
    (against,) = [fact for fact in told["facts"] if fact["code"] == "held_against_past"]
    assert against["words"]["since"] < LAST
    line = f"  On file already: this recording of the visit on {day}. No new visit: compared with what came before it."
    assert line in said(capsys, path, *given)
    new = recorded_anew(path, tmp_path)
    told = json.loads(said(capsys, new, *given, "--json")[0])["against"]
    assert told["on_file"] is None
    (against,) = [fact for fact in told["facts"] if fact["code"] == "held_against_past"]
    assert against["words"]["since"] == LAST


def test_recordings_on_file_among_new_ones_are_named_and_left_out(
    judged_small: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The new ones are a visit like any other, with or without them."""
    (day,) = days_of(judged_small, LAST)
    filed, *others = recordings(LEAN, LAST)
    alone = tmp_path / "alone"
    alone.mkdir()
    new = [recorded_anew(path, alone) for path in (filed, *others[:1])]
    mixed = shutil.copytree(alone, tmp_path / "mixed")
    shutil.copy(filed, mixed)
    given = ("--van", LEAN, "--home", judged_small.root)
    told, without = (json.loads(said(capsys, folder, *given, "--json")[0]) for folder in (mixed, alone))
    assert told["left_out"] == [{"file": filed.name, "day": day}]
    assert without["left_out"] == []
    assert told["against"]["on_file"] is None
    assert {capture["file"] for capture in told["captures"]} == {path.name for path in new}
    assert told["captures"] == without["captures"]
    read, alone_read = (
        [(one["quantity"], one["value"], one["snaps"], one["verdict"]) for one in each["against"]["quantities"]]
        for each in (told, without)
    )
    assert read == alone_read
    assert told["against"]["verdict"] == without["against"]["verdict"]
    lines = said(capsys, mixed, *given)
    assert f"{filed.name} is left out: on file already, of the visit on {day}." in lines
    assert not any("On file already: " in line for line in lines)


def test_recordings_of_two_visits_on_file_are_not_told_as_one(
    judged_small: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The newest of them is judged, and the other left out by name."""
    (before,), (day,) = (days_of(judged_small, week) for week in (REPAIRED, LAST))
    old, newest = recordings(LEAN, REPAIRED)[0], recordings(LEAN, LAST)
    for path in (old, *newest):
        shutil.copy(path, tmp_path)
    told = json.loads(said(capsys, tmp_path, "--van", LEAN, "--home", judged_small.root, "--json")[0])
    assert told["left_out"] == [{"file": old.name, "day": before}]
    assert told["against"]["on_file"] == {"day": day, "recordings": len(newest)}
    assert {capture["file"] for capture in told["captures"]} == {path.name for path in newest}


def test_a_recording_on_file_from_before_a_repair_says_nothing_of_it(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nor does one of the day of the repair; one on file from after it does."""
    (day,) = days_of(judged_small, REPAIRED)
    for shift, code in ((1, "proof_here_before"), (0, "proof_here_before"), (-1, "proof_here")):
        repaired_on = (date.fromisoformat(day) + timedelta(days=shift)).isoformat()
        home = home_repaired(judged_small, tmp_path / str(shift), repaired_on)
        given = (recordings(LEAN, REPAIRED)[0], "--van", LEAN, "--home", home.root)
        for repaired in ((), ("--repaired", "airflow_under_reading")):
            against = json.loads(said(capsys, *given, *repaired, "--json")[0])["against"]
            assert against["on_file"] == {"day": day, "recordings": 1}
            assert against["proof"]["facts"][0]["code"] == code
            assert (against["proof"]["verdict"] == "unknown") == (shift >= 0)
            assert against["proof"]["day"] == repaired_on
