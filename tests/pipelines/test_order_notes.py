"""Notes and photos at an order: on disk before they count, in every copy, out of sight once taken back, and asked for in a claim."""

import errno
import hashlib
import json
import shutil
import stat
from collections.abc import Sequence
from pathlib import Path

import polars as pl
import pytest

from data_contracts.errors import InputError, NoRoomError
from models.work.order_states import TAKEN_BACK, TAKES_BACK
from pipelines.cli import run
from pipelines.commands.check_kept import kept_findings
from pipelines.commands.decide import LONGEST_NOTE, MOST_PHOTOS, decide_orders
from pipelines.commands.rebuild import rebuild
from pipelines.decisions.inbox import TAKEN
from pipelines.decisions.photos import keep_photos, photo_path, photos_there
from pipelines.intake.journal import note_intake, read_journal
from pipelines.intake.readers.picture import plain_photo
from pipelines.read_side import order_queries
from pipelines.read_side.published import open_published
from pipelines.read_side.restricted import restricted
from pipelines.storage import atomic_files
from pipelines.storage.backups import BackupPlace
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.log import AUDIT, log_path
from pipelines.workspace.workspace import Workspace
from tests.deciding_home import deciding_home
from tests.deliveries import NOW
from tests.pictures import picture

REMARK = "bucks when the tank is nearly empty"


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return deciding_home(tmp_path_factory.mktemp("notes") / "home")


@pytest.fixture(scope="module")
def lived(fresh: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """An order accepted with a note and a photo, a note with two photos, and a third that was taken back."""
    folder = tmp_path_factory.mktemp("lived")
    shutil.copytree(fresh.root, folder / "home")
    workspace, order = Workspace(folder / "home"), order_of(fresh)
    for shade in (10, 90, 170):
        (folder / f"{shade}.jpg").write_bytes(picture(shade=shade))
    one, two, three = (["--photo", str(folder / f"{shade}.jpg")] for shade in (10, 90, 170))
    assert decide(workspace, order, "accepted", "--note", REMARK, *one) == 0
    assert decide(workspace, order, "--note", "hose chafed", *one, *two) == 0
    assert decide(workspace, order, "--note", "the wrong van", *three) == 0
    assert decide(workspace, order, "undo") == 0
    return workspace


@pytest.fixture
def home(lived: Workspace, tmp_path: Path) -> Workspace:
    shutil.copytree(lived.root, tmp_path / "home")
    return Workspace(tmp_path / "home")


def order_of(workspace: Workspace) -> str:
    return str(
        order_queries.orders(open_published(workspace.root), [], ["proposed", "accepted"], limit=1)["order_id"][0]
    )


def decide(workspace: Workspace, order: str, *options: str) -> int:
    return run(["decide", order, *options, "--person", "a. fitter", "--home", str(workspace.root)])


def events(workspace: Workspace) -> pl.DataFrame:
    return open_published(workspace.root).ask('SELECT * FROM order_events ORDER BY "at"')


def digest(shade: int) -> str:
    return hashlib.sha256(plain_photo("it", picture(shade=shade))).hexdigest()


def photo_findings(workspace: Workspace) -> list[str]:
    with workspace.held(), Warehouse(workspace.warehouse_path) as warehouse:
        return [line for line in kept_findings(workspace, warehouse) if "photos/" in line]


def test_every_decision_is_on_record_with_who_made_it(lived: Workspace) -> None:
    told = [json.loads(line) for line in log_path(lived, AUDIT).read_text(encoding="utf-8").splitlines()]
    assert [(one["event"], one["person"], one["state"]) for one in told] == [
        ("decided", "a. fitter", state) for state in ("accepted", "noted", "noted", "accepted")
    ]
    assert {one["decision"] for one in told} == {path.stem for path in (lived.decisions / TAKEN).glob("*.json")}


def test_notes_are_kept_with_their_photos_and_leave_the_order_where_it_stands(home: Workspace) -> None:
    told = events(home)
    assert told["state"].to_list() == ["accepted", "noted", "noted", "accepted"]
    assert told["photos"].to_list() == [[digest(10)], [digest(10), digest(90)], [digest(170)], []]
    assert [why.split()[:2] if why else None for why in told["refused"]] == [
        None,
        None,
        TAKEN_BACK.split(),
        TAKES_BACK.split(),
    ]
    assert told["note"].to_list()[:3] == [REMARK, "hose chafed", "the wrong van"]
    published = open_published(home.root)
    assert (
        published.ask("SELECT state FROM work_orders WHERE order_id = $o", {"o": order_of(home)}).item() == "accepted"
    )
    for path in photos_there(home):
        assert hashlib.sha256(path.read_bytes()).hexdigest() == path.stem
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert {path.stem for path in photos_there(home)} == {digest(shade) for shade in (10, 90, 170)}
    assert photo_findings(home) == []


def test_what_is_noted_is_read_by_those_who_may_see_the_order_and_not_once_it_is_taken_back(home: Workspace) -> None:
    published, order = open_published(home.root), order_of(home)
    shown = order_queries.noted(published, [order])[order]
    assert [(row["note"], row["photos"]) for row in shown] == [
        ("hose chafed", [digest(10), digest(90)]),
        (REMARK, [digest(10)]),
    ]
    depot = published.ask("SELECT depot FROM work_orders WHERE order_id = $o", {"o": order}).item()
    other = {"north": "south", "south": "north"}[depot]
    assert order_queries.noted(restricted(published, [depot]), [order]) == {order: shown}
    assert order_queries.noted(restricted(published, [other]), [order]) == {}
    assert restricted(published, [other]).ask("SELECT photos FROM order_events").is_empty()


def test_a_decision_is_taken_back_over_a_note_that_came_after_it(home: Workspace) -> None:
    first = events(home).row(0, named=True)
    undone = decide_orders(
        home, [{"order_id": first["order_id"], "state": "undo", "undoes": first["event_id"], "person": "a. fitter"}]
    )[0]
    assert undone.undone is not None
    assert (undone.undone.note, undone.event.state) == (REMARK, "proposed")
    shown = order_queries.noted(open_published(home.root), [first["order_id"]])[first["order_id"]]
    assert [row["note"] for row in shown] == ["hose chafed"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--photo", "none.jpg"], "is not there"),
        (["--photo", "."], "is no file"),
        (["--photo", "text.jpg"], "no JPEG, PNG or WebP"),
        (["--photo", "ok.jpg"] * (MOST_PHOTOS + 1), f"at most {MOST_PHOTOS}"),
        (["--note", "x" * (LONGEST_NOTE + 1)], f"at most {LONGEST_NOTE}"),
        (["--note", " "], "nothing is noted"),
        (["noted"], "nothing is noted"),
        (["--note", "done", "--found", "lambda_slow"], "record it as done"),
        (["undo", "--photo", "ok.jpg"], "takes no photos"),
        (["proven", "--photo", "ok.jpg"], "can't become proven"),
    ],
)
def test_what_does_not_fit_is_one_line_and_leaves_nothing(
    fresh: Workspace,
    options: Sequence[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("text.jpg").write_text("no picture", encoding="utf-8")
    Path("ok.jpg").write_bytes(picture())
    assert decide(fresh, order_of(fresh), *options) == 2
    told = capsys.readouterr().err.strip()
    assert said in told
    assert "\n" not in told
    assert photos_there(fresh) == []
    assert not list(fresh.decisions.rglob("*.json"))


def test_without_room_for_a_photo_nothing_is_decided(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(draft: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(atomic_files, "_sync", full)
    before = events(home)
    with pytest.raises(NoRoomError, match=r"no room on the disk to write .*jpg"):
        decide_orders(
            home, [{"order_id": order_of(home), "state": "noted", "person": "b", "photos": [("p", picture(shade=200))]}]
        )
    assert len(photos_there(home)) == 3
    assert not list(home.decisions.glob("*.json"))
    assert events(home).equals(before)


def test_check_names_photos_that_are_gone_changed_or_nobodys(home: Workspace) -> None:
    photo_path(home, digest(10)).unlink()
    photo_path(home, digest(170)).write_bytes(b"something else")
    keep_photos(home, [b"of a decision that was cut off"])
    cut_off = hashlib.sha256(b"of a decision that was cut off").hexdigest()
    assert sorted(photo_findings(home)) == sorted(
        [
            f"decisions/photos/{digest(10)}.jpg is missing: put it back from a backup (`vansnap restore`)",
            f"decisions/photos/{digest(170)}.jpg is no longer the photo that was given: put it back from a backup "
            "(`vansnap restore`)",
            f"decisions/photos/{cut_off}.jpg belongs to no decision (one that was cut off, or the warehouse is an older one): "
            "give it again with `vansnap decide`, then remove it",
        ]
    )
    keep_photos(home, [plain_photo("again", picture(shade=10)), plain_photo("again", picture(shade=170))])
    assert len(photo_findings(home)) == 1  # given again, they are whole


def test_the_journal_names_photos_and_a_lost_warehouse_is_made_again_with_them(home: Workspace) -> None:
    with home.held(), Warehouse(home.warehouse_path) as warehouse:
        note_intake(home, warehouse, [], now=NOW)
    named = {name for entry in read_journal(home) for name in entry.decisions}
    assert {f"photos/{digest(shade)}.jpg" for shade in (10, 90, 170)} <= named
    before = events(home)
    home.warehouse_path.unlink()
    rebuild(home)
    with home.held(), Warehouse(home.warehouse_path) as warehouse:
        again = warehouse.query('SELECT * FROM order_events ORDER BY "at"')
    assert again["photos"].to_list() == before["photos"].to_list()
    assert len(photos_there(home)) == 3
    shutil.rmtree(home.decisions)
    assert sum("is missing" in line for line in photo_findings(home)) == 3


def test_a_backup_brings_photos_back(home: Workspace, tmp_path: Path) -> None:
    place = BackupPlace(str(tmp_path / "copies"))
    backup, _ = place.write(home, "test", NOW)
    place.put_back(backup, tmp_path / "again")
    again = Workspace(tmp_path / "again")
    assert [path.read_bytes() for path in photos_there(again)] == [path.read_bytes() for path in photos_there(home)]
    assert photo_findings(again) == []


def test_a_decision_that_names_a_path_is_none(home: Workspace) -> None:
    told = {"order_id": "o", "state": "noted", "at": NOW.isoformat(), "person": "a", "photos": ["../../settings"]}
    (home.decisions / "bad.json").write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(InputError, match="name each by its SHA-256"):
        from_file(home.decisions / "bad.json")


def from_file(path: Path) -> object:
    from pipelines.decisions.order_decisions import event_from

    return event_from(json.loads(path.read_text(encoding="utf-8")))
