"""Bad input: one clear line and one row in quarantine each, never a traceback, and nothing lost."""

import io
import os
import shutil
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.commands.check import audit
from pipelines.decisions.quarantine_decisions import (
    ItemDecision,
    check_item_decision,
    record_item,
    take_in_item_decisions,
    waiting_place,
)
from pipelines.intake import delivery as delivery_module
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace
from tests.deliveries import VANS, ask, counts, deliver, make_home, recording, row, run_intake

BROKEN = Path(__file__).parents[1] / "reference" / "broken"


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def only_item(home: Workspace, delivery: str | None = None) -> tuple[str, str, int]:
    """Rule, reason and rows of the one item in quarantine, of a delivery or at all; the reason is one line, the account sound."""
    of = f"AND delivery = '{delivery}'" if delivery else ""
    ((rule, reason, rows),) = ask(
        home, f"SELECT rule, reason, rows FROM quarantine WHERE state = 'waiting' {of}"
    ).rows()
    assert "\n" not in reason
    assert "Traceback" not in reason
    with Warehouse(home.warehouse_path) as warehouse:
        assert audit(home, warehouse) == []
    return rule, reason, rows


def account_of(home: Workspace, delivery: str) -> tuple[int, ...]:
    """As `counts`, from what is stored."""
    columns = "rows, held, superseded, duplicates, quarantined"
    return ask(home, f"SELECT {columns} FROM deliveries WHERE delivery = '{delivery}'").row(0)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """All that may be wrong with one recording, archive, path or value of a manifest, after one intake."""
    home = make_home(tmp_path_factory.mktemp("faulty") / "home")
    for number, (name, _, _) in enumerate(BROKEN_RECORDINGS):
        files = {"waveforms/" + name: (BROKEN / name).read_bytes(), "good.csv": recording(number)}
        deliver(home.inbox / Path(name).name, [row("waveforms/" + name), row("good.csv")], files)
    for name in BROKEN_ARCHIVES:
        shutil.copy(BROKEN / name, home.inbox / name)
    (home.inbox / "outside.csv.part").write_text("time_s,airflow_v\n")
    for number, path in enumerate(PATHS):
        deliver(home.inbox / f"path-{number}", [row(path)], {})
    for number, (change, _) in enumerate(BROKEN_VALUES):
        deliver(home.inbox / f"value-{number}", [row("w.csv") | change], {"w.csv": recording(100 + number)})
    run_intake(home)
    return home


def test_what_was_refused_waits_in_quarantine_and_is_not_tried_again(faulty: Workspace) -> None:
    assert [path.name for path in faulty.inbox.iterdir()] == ["outside.csv.part"]
    assert run_intake(faulty) == []


BROKEN_RECORDINGS = [
    ("empty.csv", "empty_file", "empty"),
    ("header_only.csv", "empty_file", "no samples"),
    ("truncated.parquet", "unreadable_file", "cut short"),
    ("not_parquet.parquet", "unreadable_file", "Parquet"),
    ("text_in_number.csv", "bad_waveform", "row 700 holds 'n/a'"),
    ("falling_time.csv", "bad_time", "sample 501"),
    ("standing_time.csv", "bad_time", "sample 501"),
    ("missing_time.csv", "bad_time", "sample 300"),
    ("no_airflow.csv", "bad_waveform", "air-mass"),
    ("all_missing.csv", "bad_waveform", "no value"),
    ("too_short.csv", "bad_waveform", "0.499 s"),
    ("too_slow.csv", "bad_time", "0.1 Hz"),
    ("ragged.csv", "unreadable_file", "table"),
    ("binary.csv", "unreadable_file", "not text"),
    ("recording.mf4", "unreadable_file", "MDF 4"),
]


@pytest.mark.parametrize(("name", "rule", "says"), BROKEN_RECORDINGS)
def test_broken_recording(faulty: Workspace, name: str, rule: str, says: str) -> None:
    assert account_of(faulty, name) == (2, 1, 0, 0, 1)  # the others of the delivery are taken in
    found, reason, rows = only_item(faulty, name)
    assert (found, rows) == (rule, 1)
    assert says in reason
    assert name in reason


BROKEN_ARCHIVES = ["absolute_path.zip", "dotdot.zip", "link.zip", "two_members.zip", "truncated.zip"]


@pytest.mark.parametrize("name", BROKEN_ARCHIVES)
def test_broken_archive(faulty: Workspace, name: str) -> None:
    assert account_of(faulty, Path(name).stem) == (0, 0, 0, 0, 0)
    rule, reason, rows = only_item(faulty, Path(name).stem)
    assert rule == ("unreadable_archive" if name == "truncated.zip" else "unsafe_archive")
    assert name in reason
    assert rows == 0
    assert (faulty.quarantine / name).exists()


PATHS = ["../outside.csv", "/etc/hostname", "C:\\outside.csv", "waveforms/../../outside.csv", "..\\outside.csv", "."]


@pytest.mark.parametrize(("number", "path"), enumerate(PATHS))
def test_path_that_leaves_the_delivery(faulty: Workspace, number: int, path: str) -> None:
    rule, reason, _ = only_item(faulty, f"path-{number}")
    assert rule == "path_leaves_delivery"
    assert repr(path) in reason


def test_link_that_leaves_the_delivery(home: Workspace, tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    recording(1).write_csv(secret)
    folder = deliver(home.inbox / "one", [row("w.csv"), row("sub/secret.csv")], {})
    (folder / "w.csv").symlink_to(secret)
    (folder / "sub").symlink_to(tmp_path)
    (account,) = run_intake(home)
    assert counts(account) == (2, 0, 0, 0, 2)
    assert ask(home, "SELECT DISTINCT rule FROM quarantine").rows() == [("path_leaves_delivery",)]


def test_pipe_does_not_hold_up_the_run(home: Workspace) -> None:
    folder = deliver(home.inbox / "one", [row("w.csv")], {})
    os.mkfifo(folder / "w.csv")
    run_intake(home)
    assert only_item(home)[0] == "unreadable_file"


def test_missing_file(home: Workspace) -> None:
    deliver(home.inbox / "one", [row("waveforms/none.csv")], {})
    run_intake(home)
    rule, reason, _ = only_item(home)
    assert rule == "missing_file"
    assert "waveforms/none.csv" in reason


def test_file_that_unpacks_past_the_limit(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delivery_module, "LARGEST_FILE_BYTES", 1000)
    monkeypatch.setattr(delivery_module.Delivery.read, "__defaults__", (1000,))
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": b"0" * 5000}, zipped=True)
    deliver(home.inbox / "two", [row("w.csv")], {"w.csv": b"0" * 5000})
    run_intake(home)
    assert ask(home, "SELECT rule FROM quarantine").rows() == [("too_large",), ("too_large",)]


def test_archive_that_lies_about_its_size(home: Workspace) -> None:
    """A member that unpacks to more than its header says is refused, not believed."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("manifest.csv", "file,van_id,captured_at\nw.csv,V001,2026-03-02T09:00:00Z\n")
        archive.writestr("w.csv", b"0" * 100_000)
    size = (100_000).to_bytes(4, "little")
    (home.inbox / "one.zip").write_bytes(buffer.getvalue().replace(size, (10).to_bytes(4, "little")))
    run_intake(home)
    assert only_item(home)[0] in ("unreadable_file", "bad_waveform")


def test_archive_that_unpacks_past_the_limit(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delivery_module, "_LARGEST_ARCHIVE_BYTES", 10_000)
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": b"0" * 50_000}, zipped=True)
    run_intake(home)
    rule, reason, _ = only_item(home)
    assert rule == "unsafe_archive"
    assert "unpack" in reason


@pytest.mark.parametrize(
    ("manifest", "rule", "rows"),
    [
        (None, "missing_manifest", 0),
        (b"", "unreadable_manifest", 0),
        (b"\xff\xfe\x00", "unreadable_manifest", 0),
        (b'file,van_id,captured_at\n"w.csv,V001', "unreadable_manifest", 0),
        (b"file,van_id\nw.csv,V001\nx.csv,V001\n", "missing_column", 2),
        (b"file,van_id,captured_at,note,note\nw.csv,V001,2026-03-02T09:00:00Z,,\n", "unreadable_manifest", 1),
    ],
)
def test_broken_manifest_and_its_mending(home: Workspace, manifest: bytes | None, rule: str, rows: int) -> None:
    folder = deliver(home.inbox / "one", [], {"w.csv": recording(1)})
    (folder / "manifest.csv").unlink()
    if manifest is not None:
        (folder / "manifest.csv").write_bytes(manifest)
    (account,) = run_intake(home)
    assert counts(account) == (rows, 0, 0, 0, rows)
    found, _, stands_for = only_item(home)
    assert (found, stands_for) == (rule, rows)
    # mended where it waits, it is taken in without another delivery
    mended = "file,van_id,captured_at\n" + "w.csv,V001,2026-03-02T09:00:00Z\n" * max(rows, 1)
    (home.quarantine / "one" / "manifest.csv").write_text(mended)
    (account,) = run_intake(home)
    assert counts(account) == (max(rows, 1), 1, 0, max(rows, 1) - 1, 0)
    assert (home.waveforms / "delivered" / "one").is_dir()


BROKEN_VALUES = [
    ({"captured_at": "2026-03-02T09:15:00"}, "bad_value"),
    ({"captured_at": "2026-02-30T09:15:00Z"}, "bad_value"),
    ({"captured_at": "yesterday"}, "bad_value"),
    ({"captured_at": ""}, "missing_value"),
    ({"van_id": ""}, "missing_value"),
    ({"file": ""}, "missing_value"),
    ({"coolant_c": "warm"}, "bad_value"),
    ({"coolant_c": "88,5"}, "bad_value"),
    ({"coolant_c": "nan"}, "bad_value"),
    ({"coolant_c": "880"}, "bad_value"),
    ({"barometer_kpa": "1013"}, "bad_value"),
    ({"humidity_pct": "-1"}, "bad_value"),
    ({"closed_loop": "yes"}, "bad_value"),
    ({"fault_codes": "misfire"}, "bad_value"),
    ({"odometer_km": "-5"}, "bad_value"),
    ({"recorder": "no-such"}, "unknown_recorder"),
]


@pytest.mark.parametrize(("number", "change", "rule"), [(number, *each) for number, each in enumerate(BROKEN_VALUES)])
def test_manifest_value(faulty: Workspace, number: int, change: dict[str, str], rule: str) -> None:
    found, reason, rows = only_item(faulty, f"value-{number}")
    assert (found, rows) == (rule, 1)
    assert next(iter(change)) in reason


def test_row_with_too_many_cells_stops_only_itself(home: Workspace) -> None:
    folder = deliver(home.inbox / "one", [row("1.csv"), row("2.csv")], {"1.csv": recording(1), "2.csv": recording(2)})
    text = (folder / "manifest.csv").read_text().splitlines()
    (folder / "manifest.csv").write_text("\n".join([text[0], text[1] + ",loose, text", text[2]]) + "\n")
    (account,) = run_intake(home)
    assert counts(account) == (2, 1, 0, 0, 1)
    assert "row 1" in only_item(home)[1]


@pytest.mark.parametrize("zipped", [False, True])
@pytest.mark.parametrize("place", ["inner/deep/manifest.csv", "MANIFEST.CSV"])
def test_a_manifest_in_the_wrong_place_is_pointed_at(home: Workspace, place: str, zipped: bool) -> None:
    folder = home.root / "made"
    (folder / place).parent.mkdir(parents=True)
    (folder / place).write_text("file,van_id,captured_at\nw.csv,V001,2026-03-02T09:00:00Z\n")
    if zipped:
        shutil.make_archive(str(home.inbox / "one"), "zip", folder)
    else:
        shutil.move(folder, home.inbox / "one")
    run_intake(home)
    rule, reason, _ = only_item(home)
    assert rule == "missing_manifest"
    assert place in reason


def test_a_manifest_with_semicolons_is_told_what_it_needs(home: Workspace) -> None:
    folder = deliver(home.inbox / "one", [], {"w.csv": recording(1)})
    (folder / "manifest.csv").write_text("file;van_id;captured_at\nw.csv;V001;2026-03-02T09:00:00Z\n")
    run_intake(home)
    assert "with commas" in only_item(home)[1]


def test_loose_file_in_the_inbox(home: Workspace) -> None:
    recording(1).write_csv(home.inbox / "loose.csv")
    run_intake(home)
    rule, reason, _ = only_item(home)
    assert rule == "missing_manifest"
    assert "loose.csv" in reason
    assert (home.quarantine / "loose.csv").is_file()


def test_mended_recording_is_taken_in(home: Workspace) -> None:
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": (BROKEN / "text_in_number.csv").read_bytes()})
    run_intake(home)
    recording(1).write_csv(home.quarantine / "one" / "w.csv")
    (account,) = run_intake(home)
    assert counts(account) == (1, 1, 0, 0, 0)


def test_register_row_stops_only_itself(tmp_path: Path) -> None:
    bad = "V004,brook-20,north,2024-02-31,\nV005,,north,,\nV001,brook-20,south,,\nV006,brook-20,north,,\n"
    home = make_home(tmp_path / "home", vans=VANS + bad)
    deliver(
        home.inbox / "one",
        [row("w.csv", van="V006"), row("x.csv", van="V004")],
        {"w.csv": recording(1), "x.csv": recording(2)},
    )
    (account,) = run_intake(home)
    assert counts(account) == (2, 1, 0, 0, 1)
    faults = ask(home, "SELECT row, reason FROM quarantine WHERE rule = 'bad_register' ORDER BY row").rows()
    assert [f[0] for f in faults] == [1, 4, 5, 6]  # both rows that name V001: nobody can tell which is meant
    (home.register / "vans.csv").write_text(VANS + "V004,brook-20,north,2024-02-28,\nV006,brook-20,north,,\n")
    (account,) = run_intake(home)
    assert counts(account) == (2, 2, 0, 0, 0)
    assert ask(home, "SELECT DISTINCT state FROM quarantine").rows() == [("taken_in",)]


def test_discarded_item_stays_in_the_account(home: Workspace) -> None:
    deliver(
        home.inbox / "one", [row("w.csv", van="V900"), row("x.csv")], {"w.csv": recording(1), "x.csv": recording(2)}
    )
    run_intake(home)
    decide_item(home, "discarded")
    assert ask(home, "SELECT state, person, refused FROM item_events").rows() == [("discarded", "clerk", None)]
    (home.register / "vans.csv").write_text(VANS + "V900,brook-20,south,2025-01-01,2028-01-01\n")
    assert run_intake(home) == []
    assert ask(home, "SELECT rows, held, quarantined FROM deliveries").rows() == [(2, 1, 1)]
    with Warehouse(home.warehouse_path) as warehouse:
        assert audit(home, warehouse) == []


def decide_item(home: Workspace, state: str) -> None:
    """A person decides on the one item that waits."""
    (item,) = ask(home, "SELECT item_id FROM quarantine WHERE state = 'waiting'")["item_id"]
    record_item(home, ItemDecision(item, state, datetime(2026, 3, 9, tzinfo=UTC), "clerk", "as the paper says"))
    with Warehouse(home.warehouse_path) as warehouse:
        assert take_in_item_decisions(home, warehouse) == 1
        assert take_in_item_decisions(home, warehouse) == 0


def test_a_person_lets_a_contradicting_claim_win(home: Workspace) -> None:
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": recording(1)})
    run_intake(home)
    deliver(home.inbox / "two", [row("w.csv", van="V002")], {"w.csv": recording(1)})
    run_intake(home)
    assert ask(home, "SELECT van_id FROM recordings WHERE state = 'held'").item() == "V001"
    decide_item(home, "taken_in")
    run_intake(home)
    assert ask(home, "SELECT van_id FROM recordings WHERE state = 'held'").item() == "V002"
    assert ask(home, "SELECT state FROM quarantine").item() == "taken_in"
    # what lost is told again: it was heard before, so it is a duplicate and no new contradiction
    deliver(home.inbox / "three", [row("w.csv")], {"w.csv": recording(1)})
    (account,) = run_intake(home)
    assert (account.duplicates, account.quarantined) == (1, 0)
    with Warehouse(home.warehouse_path) as warehouse:
        assert audit(home, warehouse) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"state": "mended"}, "use discarded or taken_in"),
        ({"state": "taken_in"}, "mend that and it is taken in"),
        ({"reason": " "}, "no reason"),
        ({"person": ""}, "nobody is named"),
    ],
)
def test_a_decision_on_an_item_that_does_not_fit_says_why(changes: dict[str, str], words: str) -> None:
    item = {"item_id": "a" * 64, "state": "waiting", "rule": "unknown_van"}
    decision = ItemDecision("a" * 64, "discarded", datetime(2026, 3, 9, tzinfo=UTC), "clerk", "why")
    check_item_decision(decision, item)
    with pytest.raises(InputError, match=words):
        check_item_decision(replace(decision, **changes), item)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="not in quarantine"):
        check_item_decision(decision, None)
    with pytest.raises(InputError, match="already"):
        check_item_decision(decision, item | {"state": "discarded"})


def test_audit_finds_what_was_damaged(home: Workspace) -> None:
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": recording(1)})
    run_intake(home)
    (chunk,) = home.waveforms.glob("*.parquet")
    content = chunk.read_bytes()
    chunk.write_bytes(content[:-100])
    with Warehouse(home.warehouse_path) as warehouse:
        (finding,) = audit(home, warehouse)
        assert "is no longer what was written" in finding
        chunk.unlink()
        (finding,) = audit(home, warehouse)
        assert "missing" in finding
        chunk.write_bytes(content)
        (home.waveforms / "unknown.parquet").write_bytes(b"")
        (finding,) = audit(home, warehouse)
        assert "belongs to nothing" in finding
        warehouse.execute("DELETE FROM recordings")
        assert any("ledger" in finding for finding in audit(home, warehouse))


def test_a_decision_that_was_taken_in_would_wait_in_its_own_place(tmp_path: Path) -> None:
    for name, content, place in (
        ("item.json", '{"item_id": "a"}', "quarantine/item.json"),
        ("order.json", '{"order_id": "a"}', "order.json"),
        ("torn.json", '{"item_id": ', "torn.json"),
        ("number.json", "5", "number.json"),
    ):
        (tmp_path / name).write_text(content)
        assert waiting_place(tmp_path / name) == Path(place)
    assert waiting_place(tmp_path / "gone.json") == Path("gone.json")
