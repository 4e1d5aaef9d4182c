"""What board and monitor are told of the runs: failures on every view, health without a login, metrics to who may."""

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from dashboards.gate import Bounds, Gate, bounds
from pipelines.notify.monitor import health, metrics
from pipelines.workspace.last_runs import note_failure, note_success
from pipelines.workspace.step_times import timed
from pipelines.workspace.workspace import Workspace, open_workspace
from tests.dashboards.conftest import View
from tests.published_sample import make_workspace

NEAR = bounds("127.0.0.1", "", "", login=False)
LOGIN = bounds("127.0.0.1", "https://vans.example.org", "https://vans.example.org/oauth2callback", login=True)
FLEET = ("N-0", "S-0", "north", "south", "brook", "tarn", "example.org")


@pytest.fixture
def home(sample_home: Path, tmp_path: Path) -> Path:
    shutil.copytree(sample_home, tmp_path / "home")
    return open_workspace(tmp_path / "home").root


def asked(home: Path, told: Bounds, host: str = "127.0.0.1", peer: str = "127.0.0.1") -> TestClient:
    async def board(_scope: object, _receive: object, _send: object) -> None:
        raise AssertionError("the board itself was asked")

    gate = Gate(board, home=home, told=lambda: told, secret=lambda: "0" * 64)
    return TestClient(gate, base_url=f"https://{host}", client=(peer, 5000))


def test_health_is_told_to_whoever_asks_without_a_word_of_the_fleet(home: Path) -> None:
    workspace, at = Workspace(home), datetime.now(UTC)
    note_failure(workspace, "van N-01 of north is odd: mend it", now=at - timedelta(hours=1))
    answer = asked(home, LOGIN, "vans.example.org", "192.0.2.7").get("/health")
    assert answer.status_code == 503
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.json()["status"] == "failing"
    assert [word for word in FLEET if word in answer.text] == []
    note_success(workspace, "2026-W49", now=at)
    client = asked(home, LOGIN, "vans.example.org", "192.0.2.7")
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["status"]) == (200, "well")
    assert answer.json()["last_good"] == at.isoformat()
    assert answer.json()["next_run"] > at.isoformat()
    assert set(answer.json()) == {"status", "last_good", "failing_since", "next_run"}
    assert client.head("/health").content == b""
    assert client.post("/health").status_code == 405
    note_failure(workspace, "odd", now=at)
    assert client.get("/health").status_code == 200  # kept for two seconds, so that asking makes no work
    assert asked(home, LOGIN, "elsewhere.example.org").get("/health").status_code == 421


def test_health_knows_every_way_of_not_being_well(home: Path) -> None:
    at = datetime.now(UTC)
    assert health(home, now=at) == (False, {**health(home)[1], "status": "never", "last_good": None})
    note_success(Workspace(home), "2026-W49", now=at)
    assert health(home, now=at)[0]
    assert health(home, now=at + timedelta(days=11))[1]["status"] == "stale"
    (home / "published.duckdb").write_bytes(b"not a database")
    assert health(home, now=at)[1]["status"] == "unreadable"
    (home / "published.duckdb").unlink()
    assert health(home, now=at)[1]["status"] == "unreadable"
    (home / "settings.toml").write_text("[board\n")
    assert health(home, now=at)[1]["status"] == "settings"
    assert health(home / "nowhere")[0] is False


def test_metrics_are_what_their_parser_reads_and_name_nobody(home: Path) -> None:
    workspace, at = Workspace(home), datetime(2026, 11, 30, 5, tzinfo=UTC)
    note_success(workspace, "2026-W49", now=at)
    with timed(workspace, "intake"):
        pass
    text = metrics(home).decode()
    found = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert found["vansnap_last_good_run_timestamp_seconds",] == at.timestamp()
    assert found["vansnap_run_failing",] == 0
    assert found["vansnap_vans_listed", "now"] == 3
    assert found["vansnap_vans_listed", "watch"] == 0
    assert found["vansnap_quarantine_items",] == 2
    assert found["vansnap_messages_unsent",] == 0
    assert 0 <= found["vansnap_step_duration_seconds", "intake"] < 5
    assert found["vansnap_captures", "good"] > 50
    assert ("vansnap_delivered_rows", "quarantined") in found
    assert [word for word in FLEET if word in text] == []
    assert text.endswith("\n")
    (home / "published.duckdb").write_bytes(b"not a database")
    assert "vansnap_published_readable 0.0" in metrics(home).decode()
    (home / "published.duckdb").unlink()
    assert "vansnap_published_readable" not in metrics(home).decode()


def test_metrics_are_for_this_machine_or_who_has_the_token(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert asked(home, NEAR).get("/metrics").status_code == 200
    assert "version=0.0.4" in asked(home, NEAR).get("/metrics").headers["content-type"]
    assert asked(home, NEAR, peer="192.0.2.7").get("/metrics").status_code == 403
    behind = asked(home, LOGIN, "vans.example.org")  # a proxy asks from this machine for whoever asks it
    assert behind.get("/metrics").status_code == 403
    (home / "settings.toml").write_text('[board]\nmetrics_token = "env:METRICS_WORD"\n')
    assert behind.get("/metrics").status_code == 503  # names a token that is not there: nobody is let in
    monkeypatch.setenv("METRICS_WORD", "s3cret")
    for given, status in (("", 403), ("Bearer s3cre", 403), ("Bearer s3cret", 200), ("s3cret", 403), ("Bearer ß", 403)):
        answer = behind.get("/metrics", headers={"authorization": given.encode()})
        assert answer.status_code == status
        assert "s3cret" not in answer.text
    assert asked(home, NEAR).get("/metrics").status_code == 403  # with a token set, on this machine too


def test_runs_that_fail_are_said_and_one_that_succeeds_ends_it(
    view: View, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9)
    at = datetime(2026, 4, 1, 6, tzinfo=UTC)
    note_failure(open_workspace(tmp_path), "no room on the disk: free some", now=at)
    shown = view("this_week", tmp_path).warning[0].value.replace("\\", "")
    assert "failed since 2026-04-01 06:00 UTC (attempts: 1): no room on the disk: free some." in shown
    assert "No run has succeeded yet." in shown
    assert "The schedule starts the next run on" in shown
    (tmp_path / "published.duckdb").rename(tmp_path / "aside")
    assert (
        "no room on the disk" in view("this_week", tmp_path).warning[0].value
    )  # also where nothing was ever published
    (tmp_path / "aside").rename(tmp_path / "published.duckdb")
    note_success(open_workspace(tmp_path), "2026-W14", now=at)
    assert not any("failed since" in box.value for box in view("this_week", tmp_path).warning)
