"""What people are told of the runs themselves, and that telling them ends and delays none."""

import json
import pickle
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest

from data_contracts.errors import InputError, NoRoomError, WorkspaceBusyError
from pipelines.cli import run
from pipelines.commands.notify import send_again
from pipelines.commands.status import status_text
from pipelines.notify import after_run, outbox
from pipelines.notify.after_run import tell_now
from pipelines.notify.letter import Letter
from pipelines.notify.monitor import health
from pipelines.notify.outbox import held_outbox, read_boxes, what_waits
from pipelines.notify.tell import tell, tell_again
from pipelines.weekly import on_schedule
from pipelines.weekly.flows import run_weekly
from pipelines.weekly.on_schedule import _hold, scheduled_run
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.workspace.last_runs import last_runs, note_failure, note_start, note_success
from pipelines.workspace.log import log_path
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.pdf_text import text_of
from tests.pipelines.mail_server import Hook, MailServer, serving
from tests.pipelines.told_home import ANN, AT, DAY, NILS, Post, change, copied, name, sql, vans_in


@pytest.fixture
def home(told_sample: Path, tmp_path: Path) -> Workspace:
    return copied(told_sample, tmp_path / "home")


def test_a_failing_run_is_told_once_for_each_reason_and_its_end_too(home: Workspace, post: Post) -> None:
    name(
        home,
        '{ mail = "ann@example.org", about = ["run"], digest = false }',
        '{ mail = "n@example.org", depots = ["north"] }',
    )
    tell_now(home, now=AT)
    post.texts()
    note_failure(home, "no room on the disk: free some, 12 MB are left", now=AT + DAY)
    tell_now(home, now=AT + DAY)
    whole, part = post.texts()
    assert (
        "has failed since 2026-12-01 05:01 UTC (attempts: 1): no room on the disk: free some, 12 MB are left." in whole
    )
    assert "The last good run was on 2026-11-30 05:01 UTC, of week 2026-W49." in whole
    assert "The schedule starts the next run on 2026-12-07 05:00 UTC" in whole
    assert "has failed since 2026-12-01 05:01 UTC (attempts: 1)." in part
    assert "no room" not in part
    note_failure(home, "no room on the disk: free some, 7 MB are left", now=AT + 2 * DAY)
    tell_now(home, now=AT + 2 * DAY)
    assert post.texts() == []
    note_failure(home, "the register is gone: put it back", now=AT + 3 * DAY)
    tell_now(home, now=AT + 3 * DAY)
    (whole,) = post.texts()
    assert "the register is gone" in whole
    note_success(home, "2026-W49", now=AT + 4 * DAY)
    tell_now(home, now=AT + 4 * DAY)
    whole, part = post.texts()
    assert "The run succeeds again: on 2026-12-04 05:01 UTC, for week 2026-W49." in whole
    tell_now(home, now=AT + 5 * DAY)
    assert post.texts() == []


def test_a_failure_nobody_could_be_told_of_is_told_with_its_end(home: Workspace, post: Post) -> None:
    name(home, '{ mail = "ann@example.org", about = ["run"], digest = false }')
    note_failure(home, "odd: mend it", now=AT)
    post.why = "down"
    tell_now(home, now=AT)
    note_success(home, "2026-W49", now=AT + DAY)
    post.why = ""
    tell_now(home, now=AT + DAY)
    (text,) = post.texts()
    assert text.index("has failed since") < text.index("succeeds again")
    post.why = "down"
    note_failure(home, "van S-03 is odd: mend it", now=AT + 2 * DAY)
    tell_now(home, now=AT + 2 * DAY)
    name(home, '{ mail = "ann@example.org", about = ["run"], digest = false, depots = ["north"] }')
    note_success(home, "2026-W49", now=AT + 3 * DAY)
    post.why = ""
    tell_now(home, now=AT + 3 * DAY)
    (text,) = post.texts()
    assert "S-03" not in text  # the reason is no longer for this reader
    assert "succeeds again" in text


def test_nothing_delivered_and_a_depot_that_falls_silent(home: Workspace, post: Post) -> None:
    name(home, '{ mail = "ann@example.org", about = ["delivery", "depot"], digest = false }', NILS)
    tell_now(home, now=AT)
    post.texts()
    tell_now(home, now=AT + 5 * DAY)  # by hand, between two deliveries
    assert post.texts() == []
    tell_now(home, now=AT + 7 * DAY)
    told = post.texts()
    assert "no new delivery; the last one was taken in on 2026-11-30." in told[0]
    assert "keine neue Lieferung vor; die letzte wurde am 2026-11-30 übernommen." in told[1]
    tell_now(home, now=AT + 8 * DAY)
    assert post.texts() == []
    change(
        home,
        f"UPDATE deliveries SET taken_in_at = '{(AT + 9 * DAY).isoformat()}'",
        "DELETE FROM captures WHERE van_id LIKE 'S-%' AND week > '2026-W44'",
    )
    tell_now(home, now=AT + 9 * DAY)
    (told,) = post.texts()  # not to Nils, of north
    assert "Depot south has fallen silent: none of its vans has been seen since 2026-W44." in told
    assert "no new delivery" not in told
    change(home, "DELETE FROM captures")
    tell_now(home, now=AT + 9 * DAY)
    whole, north = post.sent
    assert "Depot south is silent: none of its vans has been seen yet." in whole.letter.text
    assert "Der Standort north ist stumm: noch wurde keines seiner Fahrzeuge gesehen." in north.letter.text
    assert (whole.letter.subject, north.letter.subject) == (
        "Vansnap: 2 depots are silent",
        "Vansnap: ein Standort ist verstummt",
    )


def test_quarantine_is_told_as_it_grows_and_sums_what_was_not_sent(home: Workspace, post: Post) -> None:
    name(home, '{ mail = "ann@example.org", about = ["quarantine"], digest = false }')
    tell_now(home, now=AT)
    assert "wait in quarantine: 2, of which new: 2." in post.texts()[0]
    post.why = "down"
    for more in ("x", "y"):
        change(home, f"INSERT INTO quarantine SELECT '{more}' || item_id, * EXCLUDE (item_id) FROM quarantine LIMIT 1")
        tell_now(home, now=AT + DAY)
    post.why = ""
    tell_now(home, now=AT + 2 * DAY)
    assert "wait in quarantine: 4, of which new: 2." in post.texts()[0]
    change(home, "DELETE FROM quarantine WHERE item_id LIKE 'x%' OR item_id LIKE 'y%'")
    tell_now(home, now=AT + 3 * DAY)
    assert post.texts() == []


def test_one_digest_a_week_with_the_list(home: Workspace, post: Post) -> None:
    name(home, '{ mail = "ann@example.org", about = [] }')
    for days, patience in ((0, 0), (6, None), (7, None)):
        tell_now(home, now=AT + days * DAY, patience=patience)
    assert [one.letter.subject for one in post.sent] == ["Vansnap: the week 2026-W49"] * 2
    assert "3 now, 0 plan, 0 watch; 6 vans in the register" in post.sent[0].letter.text
    assert "N-02" in text_of(post.sent[1].attached)
    assert post.sent[0].attached == b""  # no time was left to set it
    assert "could not be made, or not in time" in post.sent[0].letter.text
    assert post.sent[0].identity != post.sent[1].identity


def test_an_earlier_week_published_again_is_no_news(home: Workspace, post: Post) -> None:
    name(home, ANN)
    tell_now(home, now=AT)
    post.texts()
    change(
        home,
        "UPDATE runs SET week = '2026-W48'",
        "DELETE FROM watchlist WHERE week = '2026-W49'",
        "UPDATE watchlist SET urgency = 'now'",
        "UPDATE deliveries SET taken_in_at = '2026-01-01'",
    )
    tell_now(home, now=AT + DAY)
    assert post.texts() == []
    box = next(iter(read_boxes(home).values()))
    assert {key for key in box.seen if key.startswith("van ")} == {"van N-01", "van N-02", "van S-03"}


def test_a_broken_settings_file_is_told_by_what_it_was(
    home: Workspace, post: Post, capsys: pytest.CaptureFixture[str]
) -> None:
    name(home, ANN)
    tell_now(home, now=AT)
    post.texts()
    home.settings_path.write_text("[notify\n")
    note_failure(home, "settings.toml can't be read: mend it", now=AT + DAY)
    tell_now(home, now=AT + DAY)
    assert "settings.toml can't be read" in post.texts()[0]
    shutil.rmtree(home.reports / "notify")
    tell(home)  # nobody is known: no error but a line
    assert post.texts() == []
    assert "nobody could be told of this run: settings.toml can't be read" in capsys.readouterr().err


def test_odd_names_and_files_do_no_harm(home: Workspace, post: Post) -> None:
    odd = "N-02\r\nBcc: eve@example.org\x1b[2J"
    change(home, *(f"UPDATE {table} SET van_id = {sql(odd)} WHERE van_id = 'N-02'" for table in ("watchlist", "vans")))
    name(home, ANN)
    (home.reports / "notify").mkdir()
    (home.reports / "notify" / "outbox.json").write_text('{"x": {"seen": 3}}')
    tell_now(home, now=AT)
    (sent,) = post.sent
    assert "\x1b" not in sent.letter.text
    assert not any(line.startswith("Bcc") for line in sent.letter.text.splitlines())
    assert sent.letter.subject.isprintable()


def test_nobody_named_keeps_nothing(home: Workspace, post: Post) -> None:
    home.settings_path.write_text("")
    tell(home)
    assert not (home.reports / "notify").exists()
    name(home, ANN)
    post.why = "down"
    tell(home)
    assert what_waits(home).unsent == 1
    home.settings_path.write_text("")
    tell(home)
    assert what_waits(home).unsent == 0  # nobody waits for what is meant for nobody
    post.why = ""
    home.settings_path.write_text("[notify\n")
    note_failure(home, "settings.toml can't be read: mend it", now=AT + DAY)
    tell(home)
    assert post.texts() == []  # nor is anybody told who was named before


def test_what_a_run_could_not_tell_is_told_between_runs(
    home: Workspace, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    name(home, '{ mail = "ann@example.org" }')
    tell_again(home)
    assert post.texts() == []  # what is new is told after a run
    monkeypatch.setattr(after_run, "send", crash := Mock(side_effect=KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        tell_now(home, patience=0)
    assert crash.called
    assert (what_waits(home).unsent, what_waits(home).held_back) == (1, 0)  # cut short, not held back
    assert status_text(home).splitlines()[-1].startswith("messages that could not be sent: 1; tried again")
    monkeypatch.setattr(after_run, "send", post)
    note_failure(home, "odd: mend it")
    note_failure(home, "odd: mend it")
    tell_again(home)
    (text,) = post.texts()
    assert "(attempts: 2): odd" in text
    tell_again(home)
    assert post.texts() == []


def test_a_mistake_of_ours_ends_no_run_and_is_kept_for_whoever_mends_it(
    home: Workspace, post: Post, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = after_run.compose

    def not_of_ann(*given: Any, **named: Any) -> Letter:
        return whole(*given, **named) if given[2].told.mail != "ann@example.org" else {}["odd"]

    name(home, ANN, '{ mail = "bob@example.org" }')
    monkeypatch.setattr(after_run, "compose", not_of_ann)
    monkeypatch.setattr(after_run, "list_pdf", not_of_ann)
    tell(home)
    (to_bob,) = post.texts()  # the others get theirs, without the list where that can't be set
    assert "The list could not be made" in to_bob
    assert "KeyError, see " in status_text(home)
    assert len(list((home.reports / "failures").iterdir())) == 2
    monkeypatch.setattr(after_run, "compose", whole)
    tell(home)
    assert vans_in(post.texts()[0]) == ["N-02", "S-03", "N-01"]
    monkeypatch.setattr(after_run, "read_boxes", None)
    tell(home)
    said = capsys.readouterr().err
    assert "nobody could be told of this run (TypeError" in said
    assert "Traceback" in Path(said.rsplit("report it with ", 1)[1].strip()).read_text()


def test_what_another_version_left_and_another_process_does_are_no_trouble(
    home: Workspace, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    name(home, ANN)
    post.why = "down"
    tell_now(home, now=AT)
    kept = home.reports / "notify" / "outbox.json"
    kept.write_text(kept.read_text().replace('"van_now"', '"said_by_a_later_version"', 1))
    post.why = ""
    with held_outbox(home, until=0) as ours:
        assert ours
        monkeypatch.setattr("pipelines.commands.notify.tell_now", partial(tell_now, patience=0))
        assert list(send_again(home)) == ["a run is telling people just now: look at `vansnap status` in a minute"]
        assert '"why": "busy"' in log_path(home).read_text()
    tell_now(home, now=AT)
    assert vans_in(post.texts()[0]) == ["S-03", "N-01"]


def test_a_full_disk_is_told_again_rather_than_not(
    home: Workspace, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise NoRoomError("no room on the disk: make room")

    name(home, ANN)  # anew: what the settings say can't be kept either, nor the lock be made
    for owner, what in ((after_run, "write_boxes"), (after_run, "write_atomically"), (outbox, "folder")):
        monkeypatch.setattr(owner, what, full)
    for megabytes in (12, 11):
        note_failure(home, f"no room on the disk for a run: {megabytes} MB are free: make room", now=AT)
        tell_now(home, now=AT)
    assert ["no room on the disk" in text for text in post.texts()] == [True, True]


def test_a_run_by_hand_that_fails_is_told_by_mail_and_delayed_no_longer_than_it_may(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace = make_workspace(tmp_path / "home", {"settings.toml": ""})
    server, hook = MailServer(), Hook(500)
    with serving(server), serving(hook):
        name(workspace, ANN, f'{{ hook = "{hook.url}" }}', port=server.port)
        assert run(["weekly", "--home", str(workspace.root)]) == 2
        capsys.readouterr()
        assert run(["status", "--home", str(workspace.root)]) == 0
        assert "could not be sent: 1" in capsys.readouterr().out
        hook.status = 204
        assert run(["notify", "--home", str(workspace.root)]) == 0
        assert capsys.readouterr().out == "hook 2: sent\n"
        assert run(["notify", "--test", "--home", str(workspace.root)]) == 0
        assert "mail 1: the test message was sent" in capsys.readouterr().out
        hook.status = 404
        assert run(["notify", "--test", "--home", str(workspace.root)]) == 2
        assert "hook 2: not sent, the webhook answered 404" in capsys.readouterr().err
    (_, mail), (_, trial), _ = server.received
    assert mail["Subject"] == "Vansnap: the run failed"
    body = mail.get_body()
    assert body is not None
    assert "there is no capture yet" in body.get_content().replace("\r\n", " ")
    assert trial["Subject"] == "Vansnap: a test message"
    log = [json.loads(line) for line in log_path(workspace).read_text().splitlines()]
    assert [one["event"] for one in log if one["event"] != "step"][:3] == ["run", "message", "message"]
    assert "s3cret" not in log_path(workspace).read_text()


def test_a_run_by_the_schedule_tells_once_the_workspace_is_free(
    home: Workspace, post: Post, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`after` must be a function of a module: the scheduled run is in a process of its own, to which it goes by its name."""
    assert pickle.loads(pickle.dumps(tell)) is tell
    name(home, ANN)

    def after(workspace: Workspace) -> None:
        with workspace.held():  # it is free
            tell(workspace)

    def fails() -> WeeklySummary:
        raise InputError("the register is gone: put it back")

    with pytest.raises(InputError):
        scheduled_run(home.root, _hold, fails, after)
    assert "the register is gone" in post.texts()[0]
    summary = WeeklySummary("2026-W49", (), 0, {}, 0, (), False)
    scheduled_run(home.root, _hold, lambda: summary, after)
    assert "The run succeeds again" in post.texts()[0]
    assert "weekly run of 2026-W49 done" in capsys.readouterr().out
    with home.held():
        with pytest.raises(WorkspaceBusyError):
            run_weekly(home, None, quiet=True, after=after)  # nothing ran, and whoever started it sees that
        assert post.texts() == []
        monkeypatch.setattr(on_schedule, "_HELD_S", 0.0)
        for _ in range(2):
            with pytest.raises(WorkspaceBusyError):
                scheduled_run(home.root, _hold, lambda: summary, tell)
    (text,) = post.texts()  # once
    assert f"did not start: workspace {home.root} is held by another run" in text


def test_a_run_that_was_killed_has_failed_and_is_told(
    home: Workspace, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    name(home, '{ mail = "ann@example.org", about = ["run"], digest = false }')
    holds = "import os; from pathlib import Path; from pipelines.workspace.workspace import Workspace\n"
    holds += f"with Workspace(Path({str(home.root)!r})).held(): os.write(1, b'!'); input()"
    with subprocess.Popen([sys.executable, "-c", holds], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.read(1) == b"!"
        with monkeypatch.context() as patched:
            patched.setattr("pipelines.workspace.last_runs.os.getpid", lambda: process.pid)
            note_start(home)
        assert not last_runs(home.root).failing  # it is running
        process.kill()
    well, told = health(home.root, now=AT)
    assert (well, told["status"]) == (False, "failing")
    assert "has not said how it ended" in status_text(home)
    tell_again(home)
    (text,) = post.texts()
    assert "has not said how it ended (killed, machine stopped or disk full): run `vansnap weekly`." in text
    assert last_runs(home.root).failures == 1
    with home.held():
        note_start(home)
        assert last_runs(home.root).failures == 1  # on record, and a new one runs
        note_failure(home, "odd: mend it")
    assert last_runs(home.root).failures == 2
    with home.held():
        note_start(home)
        note_success(home, "2026-W49")
    assert not last_runs(home.root).failing
