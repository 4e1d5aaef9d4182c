"""Who is told what after a run: each matter once, in the reader's language, of the reader's depots, from the record of the list."""

import json
import re
import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render, sentence, sentences
from pipelines.cli import run
from pipelines.commands.status import status_document, status_text
from pipelines.notify import after_run
from pipelines.notify.after_run import tell_now
from pipelines.notify.outbox import read_boxes, what_waits
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.read_side.van_card import in_short_of
from pipelines.workspace.last_runs import note_failure, note_success
from pipelines.workspace.log import log_path
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.pdf_text import text_of
from tests.pipelines.mail_server import Hook, MailServer, serving
from tests.pipelines.told_home import AT, DAY, Post, change, name, sql, vans_in
from tests.published_sample import make_workspace as made_up

ANN, NILS = (
    '{ mail = "ann@example.org", digest = false }',
    '{ mail = "nils@example.org", depots = ["north"], language = "de" }',
)


@pytest.fixture
def post(monkeypatch: pytest.MonkeyPatch) -> Post:
    made = Post()
    monkeypatch.setattr(after_run, "send", made)
    return made


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("told") / "home"
    made_up(home, finished_at=AT - timedelta(minutes=1), vans_per_depot=3)
    (home / "reports").mkdir()
    return home


@pytest.fixture
def home(published: Path, tmp_path: Path) -> Workspace:
    shutil.copytree(published, tmp_path / "home")
    workspace = Workspace(tmp_path / "home")
    note_success(workspace, "2026-W49", now=AT)
    change(workspace, f"UPDATE deliveries SET taken_in_at = '{AT.isoformat()}'")
    return workspace


def test_each_matter_is_told_once_until_it_changes(home: Workspace, post: Post) -> None:
    name(home, ANN)
    tell_now(home, now=AT)
    (first,) = post.texts()
    assert vans_in(first) == ["N-02", "S-03", "N-01"]
    assert "of which new: 2" in first
    tell_now(home, now=AT + DAY)
    tell_now(home, now=AT + 2 * DAY)
    assert post.texts() == []
    change(home, "UPDATE watchlist SET urgency = 'plan' WHERE van_id = 'N-01'")
    tell_now(home, now=AT + 3 * DAY)
    assert post.texts() == []
    change(home, "UPDATE watchlist SET urgency = 'now' WHERE van_id = 'N-01'")
    tell_now(home, now=AT + 4 * DAY)
    (again,) = post.texts()
    assert vans_in(again) == ["N-01"]
    assert "Quarantine" not in again


def test_a_message_says_what_list_and_order_say(home: Workspace, post: Post) -> None:
    name(home, '{ mail = "nils@example.org", language = "de", units = "imperial" }')
    tell_now(home, now=AT)
    (text,) = post.texts()
    week = "2026-W49"
    rows = queries.watchlist(
        open_published(home.root), week, queries.ListFilter(urgencies=("now",)), limit=9
    ).to_dicts()
    assert len(rows) == 3
    short = in_short_of(open_published(home.root), rows, week)
    for row in rows:
        for told in (render(short[row["van_id"]], "de", "imperial"), sentences(row, "reasons", "de", "imperial")[0]):
            assert told in text
        assert f"Erster Schritt: {sentence(row, 'action', 'de', 'imperial')}" in text
        assert f"Auftrag {row['order_id']}, fällig am {row['due_by']:%Y-%m-%d}." in text
    assert "Vor jeder Arbeit:" in text
    assert "http" not in text  # no address of the board is set


def test_links_lead_to_the_board_where_it_has_an_address(home: Workspace, post: Post) -> None:
    name(home, ANN, head='[board]\npublic_url = "https://vans.example.org"\n')
    tell_now(home, now=AT)
    (text,) = post.texts()
    assert "https://vans.example.org/van?van=N-02&week=2026-W49" in text


def test_a_depot_gets_only_its_vans_in_text_data_and_list(home: Workspace, post: Post) -> None:
    note_failure(home, "vans.csv row 3: van S-03 is odd: mend it", now=AT)
    name(home, NILS, '{ hook = "https://hooks.example.org/x", depots = ["south"] }')
    tell_now(home, now=AT)
    assert not any("S-03" in text for text in post.texts())
    note_success(home, "2026-W49", now=AT)
    tell_now(home, now=AT + DAY)
    mail, hook = post.sent
    assert mail.letter.subject == "Vansnap: Fahrzeuge jetzt: 2, der Lauf gelingt wieder, die Woche 2026-W49"
    on_paper = text_of(mail.attached)
    for told in (mail.letter.text, json.dumps(mail.letter.document), on_paper):
        assert re.findall(r"\bS-\d\d|south", told) == []
        assert "N-02" in told
    assert "Woche 2026-W49" in on_paper
    assert mail.file_name == "vansnap-2026-W49.pdf"
    assert re.findall(r"\bN-\d\d|north", json.dumps(hook.letter.document)) == []
    assert [one["topic"] for one in hook.letter.document["matters"]] == ["run", "van S-03", "digest"]
    assert hook.attached == b""


def test_people_restricted_on_the_board_are_told_no_more(home: Workspace, post: Post) -> None:
    known = '[people]\nknown = [{ who = "Ann@example.org", role = "viewer", depots = ["south"] }]\n'
    name(home, ANN, head=known)
    tell_now(home, now=AT)
    (text,) = post.texts()
    assert vans_in(text) == ["S-03"]
    name(home, '{ mail = "ann@example.org", depots = ["north"] }', head=known)
    tell_now(home, now=AT + 7 * DAY)
    (sent,) = post.sent  # no depot in common: no van, and no list
    assert [one["topic"] for one in sent.letter.document["matters"]] == ["delivery"]
    assert not sent.attached


def test_what_waits_is_dropped_where_a_person_may_see_it_no_longer(home: Workspace, post: Post) -> None:
    name(home, ANN)
    post.why = "down"
    tell_now(home, now=AT)
    name(home, '{ mail = "ann@example.org", depots = ["north"] }')
    post.why = ""
    tell_now(home, now=AT + DAY)
    (text,) = post.texts()
    assert vans_in(text) == ["N-02", "N-01"]
    assert "S-03" not in text
    assert "quarantine" not in text


def test_no_flood_and_what_is_held_back_comes_in_the_next_one(home: Workspace, post: Post) -> None:
    name(home, ANN, more="most_a_day = 2\n")
    for minutes, van in enumerate(["N-01", "N-02", "S-03"]):
        where = f"WHERE van_id = '{van}' AND week = '2026-W49'"
        change(home, "UPDATE watchlist SET urgency = 'plan'", f"UPDATE watchlist SET urgency = 'now' {where}")
        told = tell_now(home, now=AT + timedelta(minutes=minutes))
        assert bool(told.held_back) == (minutes >= 2)
    assert [vans_in(text) for text in post.texts()] == [["N-01"], ["N-02"]]
    assert (what_waits(home).unsent, what_waits(home).held_back) == (0, 1)
    assert "held back until tomorrow: 1" in status_text(home)
    change(home, "UPDATE watchlist SET urgency = 'now' WHERE van_id = 'N-01'")
    tell_now(home, now=AT + timedelta(minutes=3))
    change(home, "UPDATE watchlist SET urgency = 'plan' WHERE van_id = 'N-01'")
    tell_now(home, now=AT + DAY)
    (text,) = post.texts()
    assert vans_in(text) == ["S-03", "N-01"]
    assert "(noticed 2026-11-30 05:04 UTC; no longer so)" in text.partition("Van N-01 ")[2]
    assert what_waits(home).held_back == 0


def test_what_could_not_be_sent_is_kept_told_in_status_and_sent_with_the_next_run(home: Workspace, post: Post) -> None:
    name(home, ANN, '{ mail = "bob@example.org", digest = false, about = ["run"] }')
    post.why = "127.0.0.1:1 refused the connection"
    told = tell_now(home, now=AT)
    assert told.unsent == {"mail 1": post.why}
    tell_now(home, now=AT + DAY)
    assert status_text(home).splitlines()[-1] == (
        "messages that could not be sent: 1 since 2026-11-30 05:01 UTC (127.0.0.1:1 refused the connection); "
        "tried again with the next run, or by `vansnap notify`"
    )
    assert status_document(home)["messages"] == {
        "unsent": 1,
        "held_back": 0,
        "since": AT,
        "why": "127.0.0.1:1 refused the connection",
    }
    post.why = ""
    tell_now(home, now=AT + 2 * DAY)
    (text,) = post.texts()
    assert vans_in(text) == ["N-02", "S-03", "N-01"]
    assert "(noticed 2026-11-30 05:01 UTC)" in text
    assert "messages" not in status_text(home)
    assert "example.org" not in log_path(home).read_text()


def test_a_failing_run_is_told_once_for_each_reason_and_its_end_too(home: Workspace, post: Post) -> None:
    name(
        home,
        '{ mail = "ann@example.org", about = ["run"], digest = false }',
        '{ mail = "n@example.org", depots = ["north"] }',
    )
    tell_now(home, now=AT)
    post.texts()
    note_failure(home, "no room on the disk: free some", now=AT + DAY)
    tell_now(home, now=AT + DAY)
    whole, part = post.texts()
    assert "has failed since 2026-12-01 05:01 UTC (attempts: 1): no room on the disk: free some." in whole
    assert "The last good run was on 2026-11-30 05:01 UTC, of week 2026-W49." in whole
    assert "The schedule starts the next run on 2026-12-07 05:00 UTC" in whole
    assert "has failed since 2026-12-01 05:01 UTC (attempts: 1)." in part
    assert "no room" not in part
    note_failure(home, "no room on the disk: free some", now=AT + 2 * DAY)
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


def test_nothing_delivered_and_a_depot_that_falls_silent(home: Workspace, post: Post) -> None:
    name(home, '{ mail = "ann@example.org", about = ["delivery", "depot"], digest = false }', NILS)
    tell_now(home, now=AT)
    post.texts()
    tell_now(home, now=AT + 5 * DAY)  # by hand, between two deliveries
    assert post.texts() == []
    tell_now(home, now=AT + 7 * DAY)
    told = post.texts()
    assert "nothing delivered; the last delivery was taken in on 2026-11-30." in told[0]
    assert "nichts geliefert; die letzte Lieferung wurde am 2026-11-30 übernommen." in told[1]
    tell_now(home, now=AT + 8 * DAY)
    assert post.texts() == []
    change(home, f"UPDATE deliveries SET taken_in_at = '{(AT + 9 * DAY).isoformat()}'")
    change(home, "DELETE FROM captures WHERE van_id LIKE 'S-%' AND week > '2026-W44'")
    tell_now(home, now=AT + 9 * DAY)
    (told,) = post.texts()  # not to Nils, of north
    assert "Depot south has fallen silent: none of its vans has been seen since 2026-W44." in told
    assert "nothing delivered" not in told


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
    for days in (0, 6, 7):
        tell_now(home, now=AT + days * DAY)
    assert [one.letter.subject for one in post.sent] == ["Vansnap: the week 2026-W49"] * 2
    assert "3 now, 0 plan, 0 watch; 6 vans in the register" in post.sent[0].letter.text
    assert "N-02" in text_of(post.sent[1].attached)
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


def test_a_broken_settings_file_is_told_by_what_it_was(home: Workspace, post: Post) -> None:
    name(home, ANN)
    tell_now(home, now=AT)
    post.texts()
    home.settings_path.write_text("[notify\n")
    note_failure(home, "settings.toml can't be read: mend it", now=AT + DAY)
    tell_now(home, now=AT + DAY)
    assert "settings.toml can't be read" in post.texts()[0]
    shutil.rmtree(home.reports / "notify")
    after_run.tell(home)  # nobody known: nothing to do, and no error
    assert post.texts() == []


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
    assert tell_now(home, now=AT).sent == ()
    assert not (home.reports / "notify").exists()


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


def test_facts_of_messages_are_of_the_vocabulary() -> None:
    assert render(Fact.of("order_due", orders="x"), "de") == "Auftrag x."
