"""What was delivered is kept once, packed, and comes back bit for bit; a kill between any two steps loses nothing."""

import io
import os
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path
from unittest.mock import patch

import pyarrow as pa
import pytest

from pipelines.commands.backup import back_up, restore
from pipelines.commands.check import check_workspace
from pipelines.intake import filing
from pipelines.intake.filing import digests, file_away, pack_delivered
from pipelines.intake.journal import kept_deliveries, read_journal
from pipelines.storage import packed_folder
from pipelines.storage.packed_folder import Entry, entries_of, pack, unpack
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.deliveries import NOW, ask, deliver, make_home, recording, row, run_intake
from tests.killed_keeping import PACKING

ROOT = Path(__file__).parents[2]


def odd_folder(folder: Path) -> Path:
    """Files, links and folders with names and times of all kinds."""
    (folder / "sub" / "below").mkdir(parents=True)
    (folder / "empty").mkdir()
    (folder / "sub" / "below" / "a.bin").write_bytes(bytes(range(256)) * 700)
    (folder / ("n" * 180)).write_bytes(b"")
    Path(os.fsdecode(os.fsencode(folder) + b"/latin \xe9.csv")).write_bytes(b"x\r\n")
    (folder / "away").symlink_to("./nowhere")
    os.utime(folder / "sub" / "below" / "a.bin", ns=(1, 1_767_225_599_123_456_789))
    return folder


def test_a_packed_folder_comes_back_bit_for_bit(tmp_path: Path) -> None:
    folder, packed = odd_folder(tmp_path / "d"), tmp_path / "d.tar.zst"
    pack(folder, packed)
    unpack(packed, tmp_path / "e")
    assert entries_of(folder) == entries_of(packed) == entries_of(tmp_path / "e")
    for name, entry in entries_of(folder).items():
        if entry.kind == "file":
            assert (tmp_path / "e" / name).read_bytes() == (folder / name).read_bytes()
    again = tmp_path / "again.tar.zst"
    pack(tmp_path / "e", again)
    assert again.read_bytes() == packed.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["again.tar.zst", "d", "d.tar.zst", "e"]


def test_other_programs_read_what_is_packed(tmp_path: Path) -> None:
    """As RFC 8878 has it (3.1.2: a decoder skips skippable frames) and POSIX.1-2001 (pax): by two other readers."""
    folder, packed = odd_folder(tmp_path / "d"), tmp_path / "d.tar.zst"
    pack(folder, packed)
    with tarfile.open(fileobj=io.BytesIO(pa.input_stream(packed, compression="zstd").read())) as archive:
        inner = archive.extractfile("sub/below/a.bin")
        assert inner is not None
        assert inner.read() == bytes(range(256)) * 700
    if shutil.which("tar") and shutil.which("zstd"):
        (tmp_path / "out").mkdir()
        subprocess.run(["tar", "--zstd", "-xf", packed, "-C", tmp_path / "out"], check=True, capture_output=True)
        assert (tmp_path / "out" / "sub" / "below" / "a.bin").read_bytes() == bytes(range(256)) * 700


@pytest.mark.parametrize("name", ["a.csv", "sub/b.parquet", "n" * 100, "n" * 101, "\udce9.csv", "ü"])
@pytest.mark.parametrize("size", [0, 511, 12_345_678_901])
@pytest.mark.parametrize("written_ns", [0, -1, 999_999_999_999_999_999, 1_772_000_000_123_456_789, 10**19])
def test_a_header_is_what_the_standard_library_writes(name: str, size: int, written_ns: int) -> None:
    member = tarfile.TarInfo(name)
    member.size = size
    seconds, rest = divmod(abs(written_ns), 10**9)
    member.pax_headers = {"mtime": f"{'-' if written_ns < 0 else ''}{seconds}.{rest:09d}"}
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT, encoding="utf-8") as archive:
        archive.addfile(member)
        wanted = out.getvalue()
    assert packed_folder._header(name, Entry("file", "", written_ns), size) == wanted


def test_no_bit_and_no_end_of_a_packed_folder_is_lost_unseen(tmp_path: Path) -> None:
    folder, packed = tmp_path / "d", tmp_path / "d.tar.zst"
    folder.mkdir()
    (folder / "w.csv").write_bytes(os.urandom(200))
    pack(folder, packed)
    whole = packed.read_bytes()
    for place in range(len(whole)):
        packed.write_bytes(whole[:place] + bytes([whole[place] ^ 1 << place % 8]) + whole[place + 1 :])
        with pytest.raises(OSError, match="damaged"):
            entries_of(packed)
        packed.write_bytes(whole[:place])
        with pytest.raises(OSError, match="damaged"):
            entries_of(packed)


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    """Two deliveries in the inbox, a folder and a zip."""
    made = make_home(tmp_path / "home")
    deliver(
        made.inbox / "one",
        [row("a/w.csv"), row("x.parquet", at="2026-03-02T10:00:00Z")],
        {"a/w.csv": recording(1), "x.parquet": recording(2)},
    )
    deliver(made.inbox / "two", [row("y.csv", van="V002")], {"y.csv": recording(3)}, zipped=True)
    return made


def intake(home: Workspace) -> None:
    steps.intake(home.root, now=NOW)


def kept(home: Workspace) -> dict[str, bytes]:
    return {str(p.relative_to(home.root)): p.read_bytes() for p in sorted(home.waveforms.rglob("*")) if p.is_file()}


def test_a_delivery_is_kept_once_and_its_zip_as_it_came(home: Workspace) -> None:
    came, zipped = entries_of(home.inbox / "one"), (home.inbox / "two.zip").read_bytes()
    intake(home)
    assert sorted(path.name for path in home.delivered.iterdir()) == ["one.tar.zst", "two.zip"]
    assert entries_of(home.delivered / "one.tar.zst") == came
    assert (home.delivered / "two.zip").read_bytes() == zipped
    known = kept_deliveries(read_journal(home))["one"].files
    assert known == {name: entry.told for name, entry in came.items() if entry.kind == "file"}
    assert check_workspace(home) == []


def test_a_run_killed_at_any_step_of_packing_is_finished_by_the_next(home: Workspace, tmp_path: Path) -> None:
    homes = tmp_path / "homes"
    homes.mkdir()
    command = [sys.executable, "-m", "tests.killed_keeping", "packing", str(home.root), str(homes)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    wanted = kept(Workspace(homes / "undisturbed"))
    assert "waveforms/delivered/one.tar.zst" in wanted
    for step in PACKING:
        assert kept(Workspace(homes / step)) == wanted, step
        assert check_workspace(Workspace(homes / step)) == [], step


def test_what_can_not_be_packed_stays_as_it_is(home: Workspace) -> None:
    os.mkfifo(home.inbox / "one" / "pipe")
    intake(home)
    assert (home.delivered / "one" / "x.parquet").is_file()
    assert sorted(path.name for path in home.delivered.iterdir()) == ["one", "two.zip"]


def test_what_an_older_version_kept_is_packed_some_at_a_time(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    deliver(home.inbox / "three", [row("z.csv", van="V003")], {"z.csv": recording(4)})
    run_intake(home)  # without packing, as before
    before = {name: digests(home.delivered / name) for name in ("one", "three")}
    assert all(before.values())
    monkeypatch.setattr(filing, "_PACKED_A_RUN", 1)
    for left in (1, 0):
        intake(home)
        assert sum(path.is_dir() for path in home.delivered.iterdir()) == left
    assert {name: digests(home.delivered / f"{name}.tar.zst") for name in before} == before
    assert check_workspace(home) == []


def test_what_somebody_put_beside_a_packed_delivery_stays_and_is_told(home: Workspace) -> None:
    intake(home)
    (home.delivered / "one").mkdir()
    (home.delivered / "one" / "new.csv").write_text("x")
    intake(home)
    assert (home.delivered / "one" / "new.csv").read_text() == "x"


@pytest.mark.parametrize("cut_off", [False, True])
def test_a_delivery_that_waits_again_is_unpacked(home: Workspace, *, cut_off: bool) -> None:
    intake(home)
    was = entries_of(home.delivered / "one.tar.zst")
    with Warehouse(home.warehouse_path) as warehouse:
        told = "INSERT INTO quarantine VALUES ('i', 'one', 'a/w.csv', 1, 'bad_time', 'why', ?, 'waiting', 1)"
        warehouse.execute(told, [NOW])
        if cut_off:
            with patch("pipelines.intake.filing.Path.unlink", side_effect=OSError("cut off")):
                file_away(home, warehouse)
            assert (home.delivered / "one.tar.zst").is_file()
            assert ask_place(warehouse) == "delivered"
        file_away(home, warehouse)
        assert ask_place(warehouse) == "quarantine"
        assert entries_of(home.quarantine / "one") == was
        assert [path.name for path in home.delivered.iterdir()] == ["two.zip"]
        warehouse.execute("DELETE FROM quarantine WHERE item_id = 'i'")
        file_away(home, warehouse)
        pack_delivered(home, warehouse)
        assert ask_place(warehouse) == "delivered"
    assert entries_of(home.delivered / "one.tar.zst") == was


def ask_place(warehouse: Warehouse) -> str:
    return str(warehouse.query("SELECT place FROM deliveries WHERE delivery = 'one'").item())


def test_a_backup_of_before_holds_what_is_packed_since(home: Workspace, tmp_path: Path) -> None:
    run_intake(home)
    back_up(home, str(tmp_path / "backups"))
    intake(home)
    assert (home.delivered / "one.tar.zst").is_file()
    assert "deliveries 0, decisions 0" in restore(home.root, str(tmp_path / "backups"))


def test_what_was_packed_since_the_backup_is_delivered_again(home: Workspace, tmp_path: Path) -> None:
    aside = shutil.move(home.inbox / "one", tmp_path / "one")
    intake(home)
    back_up(home, str(tmp_path / "backups"))
    came = entries_of(Path(aside))
    shutil.move(aside, home.inbox / "one")
    intake(home)
    assert "deliveries 1, decisions 0" in restore(home.root, str(tmp_path / "backups"))
    assert entries_of(home.inbox / "one") == came
    intake(home)
    assert check_workspace(home) == []


def test_a_delivery_named_like_a_packed_one_is_told_apart(home: Workspace) -> None:
    deliver(home.inbox / "one.tar.zst", [row("z.csv", van="V003")], {"z.csv": recording(4)})
    intake(home)
    names = ask(home, "SELECT delivery FROM deliveries ORDER BY 1")["delivery"].to_list()
    assert names == ["one", "one.tar.zst~2", "two"]
    assert check_workspace(home) == []


def test_what_is_put_into_a_folder_while_it_is_packed_stays(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def meanwhile(folder: Path, packed: Path) -> dict[str, Entry]:
        entries = pack(folder, packed)
        (folder / "late.csv").write_text("late")
        return entries

    with monkeypatch.context() as patched:
        patched.setattr(filing, "pack", meanwhile)
        intake(home)
    assert (home.delivered / "one" / "late.csv").read_text() == "late"
    assert sorted(path.name for path in home.delivered.iterdir()) == ["one", "two.zip"]
    intake(home)
    assert "late.csv" in entries_of(home.delivered / "one.tar.zst")


def test_a_packed_folder_can_be_entered_and_keeps_times_before_1970(tmp_path: Path) -> None:
    folder, packed = odd_folder(tmp_path / "d"), tmp_path / "d.tar.zst"
    os.utime(folder / "sub", ns=(1, -5_300_000_000))
    pack(folder, packed)
    with tarfile.open(fileobj=io.BytesIO(pa.input_stream(packed, compression="zstd").read())) as archive:
        assert archive.getmember("sub").mode == 0o755
        assert archive.getmember("sub").mtime == -5.3
    assert entries_of(packed) == entries_of(folder)


def test_a_file_that_vanishes_ends_no_intake(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(folder: Path, pattern: str) -> list[Path]:
        return [folder / "vanished"]

    monkeypatch.setattr(filing.Path, "rglob", gone)
    assert filing._size(home.inbox / "one") == 0


def test_a_packed_delivery_goes_for_no_other_folder_of_its_name(home: Workspace) -> None:
    intake(home)
    (home.quarantine / "one").mkdir()
    with Warehouse(home.warehouse_path) as warehouse:
        told = "INSERT INTO quarantine VALUES ('i', 'one', 'a/w.csv', 1, 'bad_time', 'why', ?, 'waiting', 1)"
        warehouse.execute(told, [NOW])
        file_away(home, warehouse)
        assert ask_place(warehouse) == "delivered"
    assert (home.delivered / "one.tar.zst").is_file()


def test_hidden_folders_of_cut_off_runs_go(home: Workspace) -> None:
    intake(home)
    for folder in (home.delivered, home.quarantine):
        (folder / ".one.tar.zst.unpacked").mkdir()
    intake(home)
    assert not [path for folder in (home.delivered, home.quarantine) for path in folder.glob(".*")]


@pytest.mark.parametrize("backed_up", [True, False])
def test_a_workspace_with_a_damaged_delivery_is_restored(home: Workspace, tmp_path: Path, *, backed_up: bool) -> None:
    aside = tmp_path / "one"
    if not backed_up:
        shutil.move(home.inbox / "one", aside)
    intake(home)
    back_up(home, str(tmp_path / "backups"))
    if not backed_up:
        shutil.move(aside, home.inbox / "one")
        intake(home)
    packed = home.delivered / "one.tar.zst"
    packed.write_bytes(packed.read_bytes()[:-5])
    said = restore(home.root, str(tmp_path / "backups"))
    assert "deliveries 0, decisions 0" in said
    assert ("left there: one.tar.zst" in said) != backed_up
    assert packed.is_file() == backed_up
    assert not list(home.inbox.iterdir())
    assert check_workspace(home) == []
