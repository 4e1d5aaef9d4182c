"""Raw waveforms that are kept no longer: what goes, what stays, and that nothing else changes, killed in between or not."""

import shutil
import subprocess
import sys
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from models.reading import read as reading
from pipelines.commands.backup import back_up, restore
from pipelines.commands.check import check_workspace
from pipelines.commands.rebuild import rebuild
from pipelines.commands.retention import retention
from pipelines.intake.corrections import Mend, record_mend
from pipelines.intake.journal import kept_deliveries, read_journal
from pipelines.read_side.published import open_published
from pipelines.read_side.traces import removed_on
from pipelines.reports.evidence import write_evidence
from pipelines.retention.due import kept_since
from pipelines.retention.emptied import emptied, empty
from pipelines.retention.step import retain
from pipelines.storage.packed_folder import pack, read_from, unpack
from pipelines.weekly import steps
from pipelines.workspace.log import log_path
from pipelines.workspace.workspace import Workspace
from tests.deliveries import NOW, ask, deliver, make_home, recording, row
from tests.killed_keeping import REMOVING
from tests.pipelines.small_home import copied_home

ROOT = Path(__file__).parents[2]

AT = datetime(2026, 6, 4, 6, tzinfo=UTC)
MONTHS = 2
CUT = datetime(2026, 4, 1, tzinfo=UTC)
READ = ("captures", "readings", "shapes", "recordings", "manifest_rows", "trends", "watchlist", "work_orders")


def keep(home: Workspace, months: int = MONTHS) -> None:
    settings = home.settings_path.read_text(encoding="utf-8").replace("raw_months = 0", f"raw_months = {months}")
    if "raw_months" not in settings:
        settings += f"\n[retention]\nraw_months = {months}\n"
    home.settings_path.write_text(settings, encoding="utf-8")


def table(home: Workspace, name: str) -> pl.DataFrame:
    return ask(home, f"SELECT * FROM {name} ORDER BY ALL")


def size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


@pytest.fixture(scope="module")
def old_home(judged_small: Workspace, tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, Workspace]:
    """The small fleet, judged; and a copy whose older samples are gone."""
    before = copied_home(judged_small, tmp_path_factory.mktemp("kept") / "home")
    keep(before)
    after = copied_home(before, tmp_path_factory.mktemp("gone") / "home")
    assert retain(after.root, now=AT) > 100
    return before, after


@pytest.fixture
def gone_home(old_home: tuple[Workspace, Workspace], tmp_path: Path) -> Workspace:
    return copied_home(old_home[1], tmp_path / "home")


def test_months_are_whole_ones() -> None:
    assert kept_since(2, datetime(2026, 3, 31, 23, tzinfo=UTC)) == datetime(2026, 1, 1, tzinfo=UTC)
    assert kept_since(3, datetime(2026, 3, 1, tzinfo=UTC)) == datetime(2025, 12, 1, tzinfo=UTC)
    assert kept_since(24, datetime(2026, 12, 5, tzinfo=UTC)) == datetime(2024, 12, 1, tzinfo=UTC)


def test_everything_read_from_them_stays_and_the_bytes_go(old_home: tuple[Workspace, Workspace]) -> None:
    before, after = old_home
    for name in READ:
        assert table(before, name).equals(table(after, name)), name
    was, now = (table(home, "waveforms").sort("waveform_id") for home in old_home)
    assert was["waveform_id"].equals(now["waveform_id"])
    gone = now.filter(pl.col("removed_on").is_not_null())
    assert set(gone["removed_on"]) == {AT.date()}
    chunks = {path.name for path in after.waveforms.glob("*.parquet")}
    assert chunks == set(now["chunk"]) - {""}
    share = gone["samples"].sum() / now["samples"].sum()
    assert size(after.waveforms) < (1 - 0.7 * share) * size(before.waveforms)
    assert check_workspace(after) == check_workspace(before)
    assert read_journal(after) == read_journal(before)


def test_what_is_evidence_stays(old_home: tuple[Workspace, Workspace]) -> None:
    """Worked out again from the tables, recording by recording."""
    before, after = old_home
    gone = set(table(after, "waveforms").filter(pl.col("removed_on").is_not_null())["waveform_id"])
    orders, events, repairs = (table(before, name) for name in ("work_orders", "order_events", "repairs"))
    last = dict(table(before, "captures").group_by("van_id").agg(pl.col("captured_at").max()).iter_rows())
    half = timedelta(weeks=26)
    open_vans = set(orders.filter(pl.col("state").is_in(["proposed", "accepted", "postponed", "booked"]))["van_id"])
    spans = []
    for order in orders.iter_rows(named=True):
        told = events.filter(pl.col("order_id") == order["order_id"])["at"]
        if told.len():
            began = datetime.strptime(order["week"] + "-1", "%G-W%V-%u").replace(tzinfo=UTC)
            spans.append((order["van_id"], began - half, told.max() + half))
    spans += [
        (each["van_id"], each["done_at"] - half, each["done_at"] + half) for each in repairs.iter_rows(named=True)
    ]
    assert open_vans
    assert spans
    waiting = set(
        ask(
            before,
            "SELECT waveform_id FROM manifest_rows JOIN deliveries USING (delivery) WHERE place = 'quarantine' AND waveform_id IS NOT NULL",
        )["waveform_id"]
    )
    expected = set()
    for waveform, rows in table(before, "recordings").group_by("waveform_id"):
        kept = waveform[0] in waiting
        for each in rows.iter_rows(named=True):
            van, at = each["van_id"], each["captured_at"]
            kept = kept or at >= CUT or van in open_vans or (van in last and at >= last[van] - timedelta(days=1))
            kept = kept or any(van == one and since <= at <= until for one, since, until in spans)
        if not kept:
            expected.add(waveform[0])
    assert gone == expected


def test_the_command_only_tells_until_it_is_asked_to(judged_small: Workspace, tmp_path: Path) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    assert "kept for ever" in retention(home, removing=False, now=AT)
    keep(home)
    before = size(home.root)
    said = retention(home, removing=False, now=AT)
    assert "of before 2026-04-01 ([retention] raw_months = 2)" in said
    assert "have an open order" in said.replace("has an open order", "have an open order")
    assert "nothing was changed" in said
    assert size(home.waveforms) <= before
    assert table(home, "waveforms")["removed_on"].null_count() == table(home, "waveforms").height
    assert "removed: the samples of" in retention(home, removing=True, now=AT)
    assert "0 go" in retention(home, removing=False, now=AT).replace("samples of 0 go", "0 go")
    assert retain(home.root, now=AT) == 0


def test_a_new_method_reads_what_is_there_and_leaves_what_is_gone(
    gone_home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = table(gone_home, "readings")
    monkeypatch.setattr(reading, "METHOD", "another")
    assert steps.read_captures(gone_home.root) > 0
    sql = "SELECT r.*, removed_on IS NOT NULL AS gone FROM readings r JOIN captures USING (capture_id) JOIN waveforms USING (waveform_id)"
    now = ask(gone_home, sql)
    assert now.height == before.height
    kept, gone = now.filter(~pl.col("gone")), now.filter("gone").drop("gone").sort("capture_id")
    assert set(kept["method"]) == {"another"}
    assert gone.equals(before.join(gone, on="capture_id", how="semi").sort("capture_id"))
    assert f"{gone.height} captures of them keep the reading by an older method" in retention(
        gone_home, removing=False, now=AT
    )


def test_a_rebuild_gives_the_same_without_the_samples(gone_home: Workspace) -> None:
    before = {name: table(gone_home, name) for name in (*READ[:5], "waveforms")}
    gone_home.warehouse_path.unlink()
    for chunk in gone_home.waveforms.glob("*.parquet"):
        chunk.unlink()
    assert rebuild(gone_home).absent == ()
    for name, was in before.items():
        assert table(gone_home, name).equals(was), name
    assert not [line for line in check_workspace(gone_home) if "chunk" in line or "delivered" in line]


def test_papers_and_pages_say_what_is_gone(gone_home: Workspace, tmp_path: Path) -> None:
    published = open_published(gone_home.root)
    sql = "SELECT van_id, count(*) FROM captures JOIN waveforms USING (waveform_id) WHERE removed_on IS NOT NULL GROUP BY 1 ORDER BY 2 DESC"
    van, count = published.ask(sql).row(0)
    captures = published.ask("SELECT capture_id FROM captures WHERE van_id = $van", {"van": van})[
        "capture_id"
    ].to_list()
    assert removed_on(published, captures) == (count, AT.date())
    made = write_evidence(gone_home, van, tmp_path / "claim.zip")
    with zipfile.ZipFile(tmp_path / "claim.zip") as archive:
        held = [name for name in archive.namelist() if "/waveforms/" in name and name.endswith(".parquet")]
    assert len(held) == made.recordings < len(captures)


# What follows needs no readings.


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Two vans in winter and spring: a folder, a zip, a duplicate, a correction, and a last visit each."""
    home = make_home(tmp_path_factory.mktemp("small") / "home")
    keep(home, 1)
    winter, spring = "2026-01-10T09:00:00Z", "2026-03-20T09:00:00Z"
    deliver(
        home.inbox / "a",
        [row("w.csv", at=winter), row("x.parquet", at="2026-01-10T09:01:00Z"), row("new.csv", at=spring)],
        {"w.csv": recording(1), "x.parquet": recording(2), "new.csv": recording(3)},
    )
    deliver(home.inbox / "b", [row("y.csv", "V002", winter)], {"y.csv": recording(4)}, zipped=True)
    deliver(
        home.inbox / "c",
        [row("w.csv", at=winter), row("x.parquet", at="2026-01-10T09:01:00Z", coolant_c="85")],
        {"w.csv": recording(1), "x.parquet": recording(2)},
    )
    deliver(home.inbox / "d", [row("z.csv", "V002", spring)], {"z.csv": recording(5)}, zipped=True)
    steps.intake(home.root, now=NOW)
    assert retain(home.root, now=NOW) == 0  # nothing goes that was never read
    steps.read_captures(home.root)
    return home


@pytest.fixture
def home(small: Workspace, tmp_path: Path) -> Workspace:
    """It, to be written into."""
    return copied_home(small, tmp_path / "home")


def kept(home: Workspace) -> dict[str, bytes]:
    return {
        str(path.relative_to(home.root)): path.read_bytes()
        for path in sorted(home.waveforms.rglob("*"))
        if path.is_file()
    }


def test_delivered_files_are_emptied_and_their_hashes_stay(home: Workspace) -> None:
    whole = read_from(home.delivered / "a.tar.zst", "new.csv")
    hashes = kept_deliveries(read_journal(home))
    assert retain(home.root, now=NOW) == 3
    assert emptied(home.delivered / "a.tar.zst") == {"w.csv", "x.parquet"}
    assert emptied(home.delivered / "b.zip") == {"y.csv"}
    assert emptied(home.delivered / "c.tar.zst") == {"w.csv", "x.parquet"}
    assert emptied(home.delivered / "d.zip") == set()
    assert read_from(home.delivered / "a.tar.zst", "new.csv") == whole
    assert kept_deliveries(read_journal(home)) == hashes
    assert check_workspace(home) == []
    assert check_workspace(home, deep=True, told=lambda line: None) == []
    before = kept(home)
    assert retain(home.root, now=NOW) == 0
    assert kept(home) == before


def test_a_run_killed_at_any_step_is_finished_by_the_next(home: Workspace, tmp_path: Path) -> None:
    homes = tmp_path / "homes"
    homes.mkdir()
    command = [sys.executable, "-m", "tests.killed_keeping", "removing", str(home.root), str(homes)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    whole = Workspace(homes / "undisturbed")
    wanted = kept(whole)
    assert "waveforms/removed/000001/finished" in wanted
    for step in REMOVING:
        cut = Workspace(homes / step)
        assert kept(cut) == wanted, step
        assert check_workspace(cut) == [], step
        for name in (*READ[:5], "waveforms"):
            assert table(cut, name).equals(table(whole, name)), (step, name)


def test_a_file_that_is_emptied_by_anything_else_is_told(home: Workspace) -> None:
    empty(home.delivered / "a.tar.zst", {"new.csv"})
    assert any("a.tar.zst/new.csv is no longer what was delivered" in line for line in check_workspace(home))


def test_samples_delivered_again_are_stored_again_and_go_again(home: Workspace) -> None:
    retain(home.root, now=NOW)
    deliver(home.inbox / "again", [row("w.csv", at="2026-01-10T09:00:00Z", coolant_c="70")], {"w.csv": recording(1)})
    steps.intake(home.root, now=NOW + timedelta(hours=1))
    steps.read_captures(home.root)
    state = "SELECT count(*) FROM waveforms WHERE removed_on IS NULL"
    assert ask(home, state).item() == 3
    assert check_workspace(home) == []
    assert retain(home.root, now=NOW + timedelta(hours=2)) == 1
    assert ask(home, state).item() == 2
    before = {name: table(home, name) for name in (*READ[:5], "waveforms")}
    home.warehouse_path.unlink()
    rebuild(home)
    for name, was in before.items():
        assert table(home, name).drop("removed_on", strict=False).equals(was.drop("removed_on", strict=False)), name
    assert check_workspace(home) == []


def test_a_backup_of_before_takes_in_no_emptied_file(home: Workspace, tmp_path: Path) -> None:
    back_up(home, str(tmp_path / "backups"))
    whole = read_from(home.delivered / "a.tar.zst", "w.csv")
    assert retain(home.root, now=NOW) == 3
    assert "deliveries 0, decisions 0" in restore(home.root, str(tmp_path / "backups"))
    assert read_from(home.delivered / "a.tar.zst", "w.csv") == whole
    assert check_workspace(home) == []


def test_a_damaged_delivery_stays_and_ends_no_run(home: Workspace) -> None:
    for path in home.delivered.iterdir():
        path.write_bytes(path.read_bytes()[:-5])
    before = {path.name: path.read_bytes() for path in home.delivered.iterdir()}
    assert retain(home.root, now=NOW) == 3
    assert {path.name: path.read_bytes() for path in home.delivered.iterdir()} == before
    assert retain(home.root, now=NOW) == 0
    assert any("a.tar.zst is no longer what was written" in line for line in check_workspace(home))


def test_a_clock_that_may_be_ahead_removes_nothing(home: Workspace) -> None:
    before = kept(home)
    ahead = datetime(2029, 4, 1, tzinfo=UTC)
    assert retain(home.root, now=ahead) == 0
    assert "this machine's clock says 2029-04-01" in retention(home, removing=True, now=ahead)
    assert kept(home) == before
    assert "no samples are removed" in log_path(home).read_text(encoding="utf-8")
    assert retain(home.root, now=NOW) == 3


def test_a_delivery_that_is_not_packed_yet_is_emptied_later(home: Workspace) -> None:
    packed, folder = home.delivered / "a.tar.zst", home.delivered / "a"
    unpack(packed, folder)
    packed.unlink()
    assert retain(home.root, now=NOW) == 3
    assert "not packed yet or damaged: a;" in retention(home, removing=False, now=NOW)
    pack(folder, packed)
    shutil.rmtree(folder)
    assert retain(home.root, now=NOW) == 0
    assert emptied(packed) == {"w.csv", "x.parquet"}
    assert "not packed yet" not in retention(home, removing=False, now=NOW)


def test_what_a_link_leads_to_is_not_emptied(tmp_path: Path) -> None:
    folder, outside = tmp_path / "d", tmp_path / "outside.csv"
    folder.mkdir()
    outside.write_text("kept")
    (folder / "a.csv").symlink_to(outside)
    pack(folder, tmp_path / "d.tar.zst")
    empty(tmp_path / "d.tar.zst", {"a.csv"})
    assert outside.read_text() == "kept"


def test_a_zip_whose_ending_is_large_is_no_new_delivery_after_a_restore(tmp_path: Path) -> None:
    home = make_home(tmp_path / "large")
    keep(home, 1)
    came = deliver(home.inbox / "b", [row("y.csv", at="2026-01-10T09:00:00Z")], {"y.csv": recording(4)}, zipped=True)
    came.rename(came.with_suffix(".ZIP"))
    deliver(home.inbox / "d", [row("z.csv", at="2026-03-20T09:00:00Z")], {"z.csv": recording(5)})
    steps.intake(home.root, now=NOW)
    steps.read_captures(home.root)
    back_up(home, str(tmp_path / "backups"))
    assert retain(home.root, now=NOW) == 1
    assert "deliveries 0, decisions 0" in restore(home.root, str(tmp_path / "backups"))


def test_a_mended_row_that_was_emptied_is_rebuilt(tmp_path: Path) -> None:
    home = make_home(tmp_path / "mended")
    keep(home, 1)
    rows = [row("w.csv", at="2026-01-10T09:00:00Z"), row("x.csv", "V9", "2026-01-10T09:10:00Z")]
    rows.append(row("z.csv", "V002", "2026-03-20T09:00:00Z"))
    rows.append(row("n.csv", at="2026-03-20T09:00:00Z"))
    deliver(home.inbox / "m", rows, {name: recording(n) for n, name in enumerate(("w.csv", "x.csv", "z.csv", "n.csv"))})
    steps.intake(home.root, now=NOW)
    record_mend(home, Mend("m", 2, {"van_id": "V002"}, NOW, "Ann"))
    steps.intake(home.root, now=NOW + timedelta(hours=1))
    steps.read_captures(home.root)
    assert retain(home.root, now=NOW + timedelta(hours=2)) == 2
    before = {name: table(home, name) for name in ("manifest_rows", "recordings", "captures", "readings")}
    home.warehouse_path.unlink()
    rebuild(home)
    for name, was in before.items():
        assert table(home, name).equals(was), name


def test_nothing_of_a_damaged_chunk_goes(home: Workspace) -> None:
    for chunk in home.waveforms.glob("*.parquet"):
        chunk.write_bytes(chunk.read_bytes()[:-20])
    before = kept(home)
    assert retain(home.root, now=NOW) == 0
    assert {name: one for name, one in kept(home).items() if "removed" not in name} == before


@pytest.mark.parametrize("months", [0, 1])
def test_a_setting_that_is_taken_back_brings_nothing_back_and_breaks_nothing(
    home: Workspace, tmp_path: Path, months: int
) -> None:
    retain(home.root, now=NOW)
    shutil.copytree(home.root, tmp_path / "other")
    other = Workspace(tmp_path / "other")
    other.settings_path.write_text(f"[retention]\nraw_months = {months}\n", encoding="utf-8")
    assert retain(other.root, now=NOW) == 0
    assert kept(other) == kept(home)
