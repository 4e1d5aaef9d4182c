"""Who is told what after a run: each matter once, in the reader's language, of the reader's depots, from the record of the list."""

import json
import re
from datetime import timedelta
from pathlib import Path
from unittest.mock import Mock

import pytest

from data_contracts.facts.rendering import render, sentence, sentences
from pipelines.commands.status import status_document, status_text
from pipelines.notify import after_run
from pipelines.notify.after_run import tell_now
from pipelines.notify.outbox import what_waits
from pipelines.notify.recipients import recipients
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.read_side.van_card import in_short_of
from pipelines.workspace.last_runs import note_failure, note_success
from pipelines.workspace.log import log_path
from pipelines.workspace.settings import Settings
from pipelines.workspace.workspace import Workspace
from tests.pdf_text import text_of
from tests.pipelines.told_home import ANN, AT, DAY, NILS, Post, change, copied, name, vans_in

SERVER = {"mail_server": "127.0.0.1", "mail_security": "none", "mail_from": "v@example.org"}
LOGIN = {
    "claim": "login",
    "known": [{"who": "vera", "role": "viewer", "depots": ["south"]}, {"who": "ann", "role": "viewer"}],
}


@pytest.fixture
def home(told_sample: Path, tmp_path: Path) -> Workspace:
    return copied(told_sample, tmp_path / "home")


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


def test_a_long_list_is_cut_and_says_so(home: Workspace, post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipelines.notify.letter._MOST_VANS", 1)
    name(home, ANN)
    tell_now(home, now=AT)
    (text,) = post.texts()
    assert vans_in(text) == ["N-02"]
    assert "More vans on the list as now: 2." in text


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
    with pytest.raises(ValueError, match="claim is 'login'"):
        Settings.model_validate({"people": LOGIN, "notify": {**SERVER, "told": [{"mail": "vera@example.org"}]}})
    for who, depots in (("Vera", ("south",)), ("ann", ())):
        (one,) = recipients(
            Settings.model_validate(
                {"people": LOGIN, "notify": {**SERVER, "told": [{"mail": "v@example.org", "who": who}]}}
            )
        )
        assert (one.depots, one.everything) == (depots, not depots)


def test_what_waits_is_dropped_where_a_person_may_see_it_no_longer(home: Workspace, post: Post) -> None:
    name(home, ANN)
    post.why = "down"
    tell_now(home, now=AT)
    name(home, '{ mail = "ann@example.org", depots = ["north"] }')
    tell_now(home, now=AT)
    name(home, '{ mail = "ann@example.org", depots = ["north"], about = ["van", "run"], digest = false }')
    post.why = ""
    tell_now(home, now=AT + DAY)
    (sent,) = post.sent
    assert vans_in(sent.letter.text) == ["N-02", "N-01"]
    assert "S-03" not in sent.letter.text
    assert "quarantine" not in sent.letter.text
    assert {one["matter"] for one in sent.letter.document["matters"]} == {"van"}


def test_no_flood_and_what_is_held_back_comes_in_the_next_one(home: Workspace, post: Post) -> None:
    name(home, ANN, more="most_a_day = 2\n")
    for minutes, van in enumerate(["N-01", "N-02", "S-03"]):
        where = f"WHERE van_id = '{van}' AND week = '2026-W49'"
        change(home, "UPDATE watchlist SET urgency = 'plan'", f"UPDATE watchlist SET urgency = 'now' {where}")
        told = tell_now(home, now=AT + timedelta(minutes=minutes))
        assert bool(told.held_back) == (minutes >= 2)
    assert [vans_in(text) for text in post.texts()] == [["N-01"], ["N-02"]]
    assert (what_waits(home).unsent, what_waits(home).held_back) == (0, 1)
    assert "held back: 1 (most_a_day); sent from tomorrow" in status_text(home)
    change(home, "UPDATE watchlist SET urgency = 'now' WHERE van_id = 'N-01'")
    tell_now(home, now=AT + timedelta(minutes=3))
    change(home, "UPDATE watchlist SET urgency = 'plan' WHERE van_id = 'N-01'")
    with pytest.MonkeyPatch.context() as cut:
        cut.setattr(after_run, "send", Mock(side_effect=KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            tell_now(home, now=AT + DAY)
    assert (what_waits(home).unsent, what_waits(home).held_back) == (1, 0)  # cut short, no longer held back
    tell_now(home, now=AT + DAY)
    subject = post.sent[0].letter.subject
    (text,) = post.texts()
    assert vans_in(text) == ["S-03", "N-01"]
    assert subject == "Vansnap: vans now: 1"  # what is over is not counted
    assert "(noticed 2026-11-30 05:04 UTC; no longer so)" in text.partition("Van N-01 ")[2]
    assert what_waits(home).held_back == 0


def test_what_could_not_be_sent_is_kept_told_in_status_and_sent_with_the_next_run(home: Workspace, post: Post) -> None:
    name(home, ANN, '{ mail = "bob@example.org", digest = false, about = ["run"] }')
    post.why = "127.0.0.1:1 refused the connection"
    told = tell_now(home, now=AT)
    assert told.unsent == {"mail 1": post.why}
    change(home, "UPDATE watchlist SET leading_cause_probability = 0.52 WHERE van_id = 'N-02'")
    tell_now(home, now=AT + DAY)
    assert status_text(home).splitlines()[-1] == (
        "messages that could not be sent: 1 since 2026-11-30 05:01 UTC (127.0.0.1:1 refused the connection); "
        "tried again with the next run, by `vansnap serve` every hour, or by `vansnap notify`"
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
    assert (
        "'lambda sensor slow' is possible. (noticed 2026-11-30 05:01 UTC)" in text
    )  # noticed then, said as it stands now
    assert "messages" not in status_text(home)
    assert "example.org" not in log_path(home).read_text()
