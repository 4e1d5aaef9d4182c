"""Mending in quarantine: what is said is kept beside the delivery, laid over it at every retry, and changes nothing that came."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.commands.retry import retry
from pipelines.decisions.order_decisions import unreadable
from pipelines.intake.corrections import FOLDER, Mend, mended_rows, mends, record_mend, unreadable_mends
from pipelines.intake.manifest import TextRow
from pipelines.workspace.workspace import Workspace
from tests.deliveries import ask, deliver, make_home, recording, row, run_intake

NOW = datetime(2026, 4, 2, 8, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def write_mend(workspace: Workspace, delivery: str, number: int | None, hour: int = 8, **cells: str) -> None:
    record_mend(workspace, Mend(delivery, number, cells, NOW.replace(hour=hour), "Ann"))


def states(workspace: Workspace) -> list[tuple[object, ...]]:
    return ask(workspace, "SELECT row, state FROM manifest_rows ORDER BY row").rows()


def digest(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_a_wrong_van_is_put_right_and_the_delivery_stays_as_it_came(home: Workspace) -> None:
    folder = deliver(
        home.inbox / "d", [row("a.csv"), row("b.csv", van="V9")], {"a.csv": recording(1), "b.csv": recording(2)}
    )
    came = digest(folder)
    run_intake(home)
    assert states(home) == [(1, "held"), (2, "quarantined")]
    write_mend(home, "d", 2, van_id="V002")
    outcome = retry(home, "d")
    assert outcome is not None
    assert (outcome.taken_in, outcome.waiting, outcome.first_reason) == (1, 0, "")
    assert states(home) == [(1, "held"), (2, "held")]
    assert ask(home, "SELECT van_id FROM recordings WHERE row = 2").item() == "V002"
    assert ask(home, "SELECT count(*) FROM captures WHERE van_id = 'V002'").item() == 1
    assert digest(home.waveforms / "delivered" / "d") == came
    assert len(list((home.decisions / FOLDER).glob("*.json"))) == 1
    assert unreadable(home) == []


def test_a_missing_time_column_is_filled_for_the_whole_delivery(home: Workspace) -> None:
    deliver(home.inbox / "d", [{"file": "a.csv", "van_id": "V001"}], {"a.csv": recording(1)})
    run_intake(home)
    assert ask(home, "SELECT rule FROM quarantine WHERE state = 'waiting'").item() == "missing_column"
    write_mend(home, "d", None, captured_at="2026-03-02T09:15:00+01:00")
    run_intake(home)  # the next run lays it over as well
    assert states(home) == [(1, "held")]
    assert ask(home, "SELECT captured_at FROM recordings").item() == datetime(2026, 3, 2, 8, 15, tzinfo=UTC)
    account = ask(home, "SELECT rows, held, quarantined FROM deliveries").rows()
    assert account == [(1, 1, 0)]


def test_the_newest_word_wins_and_an_unfit_one_keeps_waiting_with_its_reason(home: Workspace) -> None:
    at = "2026-13-45T00:00:00Z"
    deliver(home.inbox / "d", [row("a.csv", van="V9", at=at)], {"a.csv": recording(1)})
    run_intake(home)
    write_mend(home, "d", 1, 8, van_id="V003")
    outcome = retry(home, "d")
    assert outcome is not None
    assert (outcome.taken_in, outcome.waiting) == (0, 1)
    assert "captured_at" in outcome.first_reason
    write_mend(home, "d", 1, 9, captured_at="2026-03-02T09:15:00+01:00", van_id="V002")
    assert retry(home, "d") is not None
    assert ask(home, "SELECT van_id FROM recordings").to_series().to_list() == ["V002"]


def test_a_run_in_progress_takes_it_in_later(home: Workspace) -> None:
    with home.held():
        assert retry(home, "d") is None


@pytest.mark.parametrize(
    ("cells", "person", "named"),
    [
        ({"van_id": "V777"}, "Ann", "vans.csv"),
        ({"captured_at": "yesterday"}, "Ann", "2026-03-02T09:15:00"),
        ({"captured_at": "2026-03-02T09:15:00"}, "Ann", "offset"),
        ({"recorder": "nobody"}, "Ann", "register/recorders/nobody.toml"),
        ({"coolant_c": "90"}, "Ann", "deliver again"),
        ({"van_id": "V" * 300}, "Ann", "300 characters"),
        ({}, "Ann", "nothing is mended"),
        ({"van_id": "V001"}, " ", "nobody is named"),
    ],
)
def test_what_can_not_be_right_is_refused_in_one_line(home: Workspace, cells: dict, person: str, named: str) -> None:
    with pytest.raises(InputError) as caught:
        record_mend(home, Mend("d", 1, cells, NOW, person))
    assert named in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not (home.decisions / FOLDER).exists()


def test_a_torn_file_among_the_mends_is_left_out(home: Workspace) -> None:
    write_mend(home, "d", 1, van_id="V001")
    (home.decisions / FOLDER / "torn.json").write_text('{"delivery": "d"', encoding="utf-8")
    assert [mend.cells for mend in mends(home)] == [{"van_id": "V001"}]
    assert unreadable_mends(home) == ["mends/torn.json"]


def test_a_word_on_the_delivery_fills_only_what_is_empty() -> None:
    rows = [
        TextRow(1, {"van_id": "V001", "recorder": None}, None),
        TextRow(2, {"van_id": None, "recorder": None}, None),
    ]
    told = [Mend("d", None, {"van_id": "V002"}, NOW, "Ann"), Mend("d", 1, {"recorder": "r"}, NOW, "Ann")]
    laid = mended_rows(rows, told)
    assert [dict(one.cells) for one in laid] == [
        {"van_id": "V001", "recorder": "r"},
        {"van_id": "V002", "recorder": None},
    ]
