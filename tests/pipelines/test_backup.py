"""A warehouse that is gone or old costs nothing: nothing is deleted, and a backup brings everything back."""

import json
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from data_contracts.errors import InputError, WorkspaceBusyError, WorkspaceError
from pipelines import cli
from pipelines.commands.backup import back_up, list_backups, restore
from pipelines.commands.check import check_workspace
from pipelines.intake.corrections import FOLDER as MENDS
from pipelines.storage.backups import BackupPlace
from pipelines.storage.unreferenced import UNREFERENCED, chunks_aside
from pipelines.storage.warehouse import open_warehouse
from pipelines.workspace.log import note
from pipelines.workspace.workspace import Workspace
from tests.deliveries import ask, deliver, make_home, recording, row, run_intake

AT = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    made = make_home(tmp_path / "home")
    take_one(made, "first", 1)
    return made


def take_one(home: Workspace, name: str, seed: int) -> None:
    """Deliver one recording and take it in."""
    deliver(home.inbox / name, [row("w.csv", at=f"2026-03-02T09:{seed:02d}:00Z")], {"w.csv": recording(seed)})
    with home.held(), open_warehouse(home):
        pass  # it may be opened: nothing is missing
    run_intake(home)


def chunks(home: Workspace) -> set[str]:
    return {path.name for path in home.waveforms.glob("*.parquet")}


def files(root: Path) -> dict[str, bytes]:
    """Every file of a workspace that a backup holds."""
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in root.rglob("*")
        if path.is_file() and path.name != ".lock" and "orchestrator" not in path.parts
    }


def test_with_the_warehouse_gone_nothing_runs_and_nothing_is_deleted(
    home: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = chunks(home)
    home.warehouse_path.rename(home.root.parent / "aside.duckdb")
    for command in (["weekly"], ["check"]):
        assert cli.run([*command, "--home", str(home.root)]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
        assert "warehouse.duckdb is missing" in said
        assert f"`vansnap restore --from PLACE --home {home.root}`" in said
        assert f"`vansnap rebuild --home {home.root}`" in said
        assert not home.warehouse_path.exists()
    assert chunks(home) == kept
    (home.root.parent / "aside.duckdb").rename(home.warehouse_path)
    assert check_workspace(home) == []


def test_a_new_workspace_needs_no_warehouse(tmp_path: Path) -> None:
    with open_warehouse(make_home(tmp_path / "new")) as warehouse:
        assert warehouse.query("SELECT count(*) FROM waveforms").item() == 0


def test_with_an_older_warehouse_chunks_are_set_aside_and_return_with_the_newer_one(home: Workspace) -> None:
    older = home.root.parent / "older.duckdb"
    shutil.copy2(home.warehouse_path, older)
    take_one(home, "second", 2)
    newer = home.root.parent / "newer.duckdb"
    shutil.copy2(home.warehouse_path, newer)
    whole = chunks(home)
    content = {name: (home.waveforms / name).read_bytes() for name in whole}

    shutil.copy2(older, home.warehouse_path)
    take_one(home, "third", 3)
    (aside,) = chunks_aside(home.waveforms)
    assert {aside.name} == whole - chunks(home)
    assert aside.read_bytes() == content[aside.name]
    findings = check_workspace(home)
    assert any(f"{UNREFERENCED}/ holds 1 chunk " in line and "vansnap restore" in line for line in findings)
    assert any("second belongs to no delivery" in line for line in findings)

    shutil.copy2(newer, home.warehouse_path)
    run_intake(home)
    assert whole <= chunks(home) | {path.name for path in chunks_aside(home.waveforms)}
    assert {name: (home.waveforms / name).read_bytes() for name in whole} == content
    assert ask(home, "SELECT count(*) FROM waveforms").item() == 2


def test_a_draft_of_a_run_that_was_cut_off_goes_and_other_files_stay(home: Workspace) -> None:
    (home.waveforms / ".abc.parquet.77.part").write_bytes(b"half")
    (home.waveforms / "note.txt").write_text("ours", encoding="utf-8")
    run_intake(home)
    assert not (home.waveforms / ".abc.parquet.77.part").exists()
    assert (home.waveforms / "note.txt").exists()
    assert not (home.waveforms / UNREFERENCED).exists()


def test_a_backup_brings_every_file_back(home: Workspace, tmp_path: Path) -> None:
    place = str(tmp_path / "backups")
    home.settings_path.chmod(0o600)
    manifest = home.delivered / "first" / "manifest.csv"
    os.utime(manifest, (AT.timestamp(), AT.timestamp()))
    assert "read back and right" in back_up(home, place)
    before = files(home.root)
    shutil.rmtree(home.root)
    said = restore(home.root, place)
    assert "vansnap check" in said
    assert files(home.root) == before
    assert manifest.stat().st_mtime == AT.timestamp()  # by it, which of two manifests was written later
    assert home.settings_path.stat().st_mode & 0o777 == 0o600
    assert check_workspace(home) == []


def test_a_second_backup_copies_only_what_changed(home: Workspace, tmp_path: Path) -> None:
    there = BackupPlace(str(tmp_path / "backups"))
    first, copied = there.write(home, "1", AT)
    assert 0 < copied <= first.size
    again, copied = there.write(home, "1", AT.replace(hour=9))
    assert copied == 0
    assert again.files == first.files
    take_one(home, "second", 2)
    third, copied = there.write(home, "1", AT.replace(hour=10))
    old = {path for path, (digest, _, _) in third.files.items() if first.files.get(path, ("",))[0] == digest}
    assert copied == sum(size for path, (_, size, _) in third.files.items() if path not in old)
    assert [one.name for one in there.backups()] == [first.name, again.name, third.name]


def test_older_backups_are_forgotten_and_their_bytes_with_them(home: Workspace, tmp_path: Path) -> None:
    place = tmp_path / "backups"
    there = BackupPlace(str(place))
    first, _ = there.write(home, "1", AT)
    take_one(home, "second", 2)
    second, _ = there.write(home, "1", AT.replace(hour=9))
    assert there.forget(2) == []
    assert there.forget(1) == [first.name]
    assert [one.name for one in there.backups()] == [second.name]
    held = {path.name for path in (place / "objects").rglob("*") if path.is_file()}
    assert held == {digest for digest, _, _ in second.files.values()}
    assert there.damaged(second) == []


def test_what_came_in_since_the_backup_is_taken_in_again(home: Workspace, tmp_path: Path) -> None:
    place = str(tmp_path / "backups")
    back_up(home, place)
    take_one(home, "second", 2)
    deliver(home.inbox / "third", [row("w.csv", at="2026-03-04T09:00:00Z")], {"w.csv": recording(3)}, zipped=True)
    order, item = {"order_id": "o"}, {"item_id": "i"}
    for folder, name, document in (
        ("", "waits.json", order),
        ("taken", "order.json", order),
        ("taken", "item.json", item),
        (MENDS, "mend.json", {"cells": {}}),
    ):
        (home.decisions / folder).mkdir(exist_ok=True)
        (home.decisions / folder / name).write_text(json.dumps(document | {"name": name}), encoding="utf-8")
    with (home.register / "vans.csv").open("a", encoding="utf-8") as register:
        register.write("\n")
    former = files(home.root)

    said = restore(home.root, place)
    assert "deliveries 2, decisions 4" in said
    assert "register or settings were changed" in said
    (kept,) = home.root.parent.glob("home.before-*")
    assert files(kept) == former
    found = {str(path.relative_to(home.decisions)) for path in home.decisions.rglob("*.json")}
    assert found == {"waits.json", "order.json", "quarantine/item.json", f"{MENDS}/mend.json"}
    shutil.rmtree(home.decisions)
    home.decisions.mkdir()
    run_intake(home)
    assert ask(home, "SELECT count(*) FROM recordings WHERE state = 'held'").item() == 3
    assert check_workspace(home) == []


def test_a_damaged_backup_changes_nothing(home: Workspace, tmp_path: Path) -> None:
    place = tmp_path / "backups"
    there = BackupPlace(str(place))
    backup, _ = there.write(home, "1", AT)
    digest = backup.files["warehouse.duckdb"][0]
    damaged = place / "objects" / digest[:2] / digest
    damaged.write_bytes(damaged.read_bytes()[:-1] + b"?")
    assert there.damaged(backup) == ["warehouse.duckdb"]
    before = files(home.root)
    with pytest.raises(WorkspaceError, match=r"warehouse\.duckdb of backup .* is missing or damaged"):
        restore(home.root, str(place))
    assert files(home.root) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["backups", "home"]
    damaged.unlink()
    with pytest.raises(WorkspaceError, match="is missing or damaged"):
        restore(home.root, str(place))


def test_a_backup_waits_for_a_run(home: Workspace, tmp_path: Path) -> None:
    with home.held(), pytest.raises(WorkspaceBusyError):
        back_up(home, str(tmp_path / "backups"), wait_s=0.0)
    assert list((tmp_path / "backups").glob("backups/*")) == []


def test_any_place_that_fsspec_knows(home: Workspace) -> None:
    there = BackupPlace("memory://vansnap-backups")
    backup, copied = there.write(home, "1", AT)
    assert copied > 0
    assert there.backups() == [backup]
    assert there.damaged(backup) == []
    there.put_back(backup, home.root.parent / "back")
    assert files(home.root.parent / "back") == files(home.root)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["backup"], "--out"),
        (["backup", "--out", "nowhere://x"], "can't be kept at nowhere://x"),
        (["backup", "--out", "{home}/waveforms"], "within the workspace"),
        (["restore", "--from", "{empty}"], "there is none"),
        (["restore", "--from", "{empty}", "--list"], "there is no backup"),
        (["restore", "--from", "{empty}", "--backup", "x"], "no backup x"),
    ],
)
def test_wrong_calls_are_one_line(
    home: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], says: str
) -> None:
    words = [word.format(home=home.root, empty=tmp_path / "empty") for word in given]
    assert cli.run([*words, "--home", str(home.root)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert says in said


def test_a_list_of_files_that_leads_outside_is_refused(home: Workspace, tmp_path: Path) -> None:
    place = tmp_path / "backups"
    there = BackupPlace(str(place))
    backup, _ = there.write(home, "1", AT)
    (listed,) = (place / "backups").iterdir()
    document = json.loads(listed.read_text())
    document["files"]["../outside.txt"] = document["files"]["settings.toml"]
    listed.write_text(json.dumps(document))
    with pytest.raises(WorkspaceError, match="outside a workspace"):
        restore(tmp_path / "new", str(place))
    assert not (tmp_path / "outside.txt").exists()
    assert not (tmp_path / "new").exists()
    listed.write_text("{")
    with pytest.raises(WorkspaceError, match="can't be read"):
        list_backups(str(place))
    assert backup.name in listed.name


def test_the_restored_tables_are_the_lost_ones(home: Workspace, tmp_path: Path) -> None:
    tables = ("deliveries", "manifest_rows", "recordings", "waveforms", "quarantine")

    def content() -> dict[str, pl.DataFrame]:
        return {table: ask(home, f"SELECT * FROM {table} ORDER BY ALL") for table in tables}

    before = content()
    back_up(home, str(tmp_path / "backups"), keep=1)
    home.warehouse_path.write_bytes(b"not a warehouse")
    with pytest.raises(WorkspaceError, match="vansnap restore"):
        check_workspace(home)
    restore(home.root, str(tmp_path / "backups"))
    for table, rows in content().items():
        assert rows.equals(before[table]), table


def test_what_a_link_leads_to_is_backed_up(home: Workspace, tmp_path: Path) -> None:
    """Waveforms on a disk of their own are usual."""
    elsewhere = tmp_path / "big-disk"
    home.waveforms.rename(elsewhere)
    home.waveforms.symlink_to(elsewhere)
    (elsewhere / "loop").symlink_to(elsewhere)
    kept = {path.name: path.read_bytes() for path in elsewhere.glob("*.parquet")}
    assert kept
    back_up(home, str(tmp_path / "backups"))
    restore(tmp_path / "new", str(tmp_path / "backups"))
    assert {path.name: path.read_bytes() for path in (tmp_path / "new" / "waveforms").glob("*.parquet")} == kept


def test_deliveries_of_one_name_are_told_by_what_they_hold(home: Workspace, tmp_path: Path) -> None:
    place = str(tmp_path / "backups")
    deliver(home.inbox / "export", [row("w.csv", at="2026-03-03T09:00:00Z")], {"w.csv": recording(5)}, zipped=True)
    back_up(home, place)
    run_intake(home)
    deliver(home.inbox / "export", [row("w.csv", at="2026-03-04T09:00:00Z")], {"w.csv": recording(6)}, zipped=True)
    assert "deliveries 1, decisions 0" in restore(home.root, place)
    assert sorted(path.name for path in home.inbox.iterdir()) == ["export.zip", "export~2.zip"]
    run_intake(home)
    assert ask(home, "SELECT count(*) FROM recordings WHERE state = 'held'").item() == 3


def test_a_place_belongs_to_one_workspace(home: Workspace, tmp_path: Path) -> None:
    place = str(tmp_path / "backups")
    back_up(home, place)
    with pytest.raises(InputError, match="another workspace"):
        back_up(make_home(tmp_path / "other"), place, keep=1)
    assert len(BackupPlace(place).backups()) == 1
    restore(tmp_path / "again", place)
    back_up(Workspace(tmp_path / "again"), place)  # a restored one goes on
    assert len(BackupPlace(place).backups()) == 2


def test_damaged_bytes_are_renewed_by_the_next_backup(home: Workspace, tmp_path: Path) -> None:
    there = BackupPlace(str(tmp_path / "backups"))
    first, _ = there.write(home, "1", AT)
    digest, size, _ = first.files["warehouse.duckdb"]
    held = tmp_path / "backups" / "objects" / digest[:2] / digest
    held.write_bytes(bytes(size))
    second, copied = there.write(home, "1", AT.replace(hour=9))
    assert copied == size
    assert there.damaged(first) == there.damaged(second) == []


@pytest.mark.parametrize("cut", [1, 2])
def test_a_restore_cut_off_between_its_renames_is_taken_up_again(
    home: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int
) -> None:
    place = str(tmp_path / "backups")
    back_up(home, place)
    take_one(home, "second", 2)
    rename, calls = Path.rename, iter(range(9))

    def stop(self: Path, target: Path) -> Path:
        if "home" in self.name and not self.name.endswith(".part") and next(calls) == cut - 1:
            raise KeyboardInterrupt
        return rename(self, target)

    with monkeypatch.context() as killed:
        killed.setattr(Path, "rename", stop)
        with pytest.raises(KeyboardInterrupt):
            restore(home.root, place)
    assert "deliveries 1, decisions 0" in restore(home.root, place)
    run_intake(home)
    assert ask(home, "SELECT count(*) FROM recordings WHERE state = 'held'").item() == 2


def test_an_upload_in_progress_fails_no_backup(
    home: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (home.inbox / "week.zip.part").write_bytes(b"half")
    (home.inbox / "growing").mkdir()
    growing = home.inbox / "growing" / "w.csv"
    growing.write_bytes(b"a")
    name = os.fsdecode(os.fsencode(home.inbox) + b"/\xff.txt")
    Path(name).write_bytes(b"x")
    sound = BackupPlace._is_sound

    def grows(self: BackupPlace, digest: str) -> bool:
        growing.write_bytes(growing.read_bytes() + b"b")
        note(home, "step")  # a run that has ended tells people while the backup holds the workspace
        return sound(self, digest)

    monkeypatch.setattr(BackupPlace, "_is_sound", grows)
    there = BackupPlace(str(tmp_path / "backups"))
    backup, _ = there.write(home, "1", AT)
    assert "inbox/week.zip.part" not in backup.files
    assert "inbox/growing/w.csv" not in backup.files
    assert "reports/logs/vansnap.jsonl" not in backup.files
    assert "warehouse.duckdb" in backup.files
    monkeypatch.setattr(BackupPlace, "_is_sound", sound)
    restore(tmp_path / "new", str(tmp_path / "backups"))
    assert (tmp_path / "new" / "inbox" / os.fsdecode(b"\xff.txt")).read_bytes() == b"x"


def test_a_folder_that_is_no_workspace_is_left_alone(home: Workspace, tmp_path: Path) -> None:
    back_up(home, str(tmp_path / "backups"))
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "a.txt").write_text("ours", encoding="utf-8")
    with pytest.raises(InputError, match="something else than a workspace"):
        restore(tmp_path / "letters", str(tmp_path / "backups"))
    assert (tmp_path / "letters" / "a.txt").exists()


def test_a_restore_during_a_run_changes_nothing(home: Workspace, tmp_path: Path) -> None:
    back_up(home, str(tmp_path / "backups"))
    with home.held(), pytest.raises(WorkspaceBusyError):
        restore(home.root, str(tmp_path / "backups"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["backups", "home"]
