"""A slip in the register empties no list: what the last run knew stands, and the week says so."""

import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from data_contracts.facts.rendering import render
from data_contracts.tables import ORDER_EVENTS, polars_schema
from pipelines.commands.check import check_workspace
from pipelines.storage.standing_register import keep_families, standing_register
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.register import Register, load_register
from pipelines.workspace.workspace import Workspace
from tests.pipelines.small_home import small_home


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A workspace whose warehouse knows its register, without a capture."""
    home = small_home(tmp_path_factory.mktemp("kept") / "home")
    with Warehouse(home.warehouse_path) as warehouse:
        register = load_register(home.register)
        assert register.repairs
        keep_families(home, warehouse, register)
        with warehouse.transaction():
            warehouse.replace("vans", register.vans_frame())
            warehouse.replace("repairs", register.repairs_frame())
    return home


@pytest.fixture
def home(kept: Workspace, tmp_path: Path) -> Workspace:
    return Workspace(shutil.copytree(kept.root, tmp_path / "home"))


def standing(home: Workspace) -> tuple[Register, dict[str, int], list[str]]:
    with Warehouse(home.warehouse_path) as warehouse:
        found = standing_register(home, warehouse)
    return found.register, dict(found.standing), [render(fact) for fact in found.facts()]


def utf_16(path: Path) -> None:
    path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))


def header_only(path: Path) -> None:
    path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")


def half_a_file(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2] + b"\xff\xfe")


SPOILT: dict[str, tuple[str, Callable[[Path], object]]] = {
    "vans in UTF-16": ("vans.csv", utf_16),
    "vans missing": ("vans.csv", Path.unlink),
    "vans empty": ("vans.csv", lambda path: path.write_bytes(b"")),
    "vans with a header only": ("vans.csv", header_only),
    "vans cut off": ("vans.csv", half_a_file),
    "one bad line in families": ("families.toml", lambda path: path.write_text(path.read_text() + "\nunit = = 3\n")),
    "families missing": ("families.toml", Path.unlink),
    "families empty": ("families.toml", lambda path: path.write_bytes(b"")),
    "repairs in UTF-16": ("repairs.csv", utf_16),
    "repairs without a column": ("repairs.csv", lambda path: path.write_text("van,day\nV001,2026-03-01\n")),
}


@pytest.mark.parametrize("what", SPOILT)
def test_a_file_that_cannot_be_used_leaves_the_register_as_it_was(home: Workspace, what: str) -> None:
    before = load_register(home.register)
    file, spoil = SPOILT[what]
    spoil(home.register / file)
    register, count, said = standing(home)
    assert register.vans == before.vans
    assert repr(sorted(register.families.items())) == repr(sorted(before.families.items()))
    assert set(register.repairs) == set(before.repairs)
    entries = {"vans.csv": before.vans, "families.toml": before.families, "repairs.csv": before.repairs}[file]
    assert count == {file: len(entries)}
    (line,) = said
    assert f"register/{file}" in line
    assert f"({len(entries)} {'entry' if len(entries) == 1 else 'entries'})" in line
    assert any(fault.file == file for fault in register.faults)


def test_what_is_taken_out_of_a_sound_file_is_gone(home: Workspace) -> None:
    vans = home.register / "vans.csv"
    lines = vans.read_text(encoding="utf-8").splitlines()
    gone = lines[-1].split(",")[0]
    vans.write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")
    register, count, said = standing(home)
    assert gone not in register.vans
    assert (count, said) == ({}, [])


def test_a_van_whose_row_has_a_slip_stands_as_it_was(home: Workspace) -> None:
    vans = home.register / "vans.csv"
    before = load_register(home.register)
    frame = pl.read_csv(vans, infer_schema=False)
    first = frame["van_id"][0]
    frame.with_columns(
        depot=pl.when(pl.col("van_id") == first).then(pl.lit("")).otherwise(pl.lit("elsewhere"))
    ).write_csv(vans)
    register, count, _ = standing(home)
    assert count == {"vans.csv": 1}
    assert register.vans[first] == before.vans[first]
    assert {van.depot for name, van in register.vans.items() if name != first} == {"elsewhere"}


def test_a_family_with_a_slip_stands_as_it_was_and_the_others_are_todays(home: Workspace) -> None:
    path = home.register / "families.toml"
    before = load_register(home.register)
    name = next(iter(before.families))
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(f"[{name}]", f"[{name}]\ndisplacment_l = 2", 1), encoding="utf-8")
    assert name in load_register(home.register).broken_families
    register, count, _ = standing(home)
    assert repr(sorted(register.families.items())) == repr(sorted(before.families.items()))
    assert count == {"families.toml": 1}
    assert register.broken_families == {}
    assert any(name in fault.reason for fault in register.faults)


def test_what_stands_stands_for_weeks(home: Workspace) -> None:
    before = load_register(home.register)
    (home.register / "families.toml").write_bytes(b"")
    (home.register / "vans.csv").unlink()
    for _ in range(3):
        with Warehouse(home.warehouse_path) as warehouse:
            register = standing_register(home, warehouse).register
            keep_families(home, warehouse, register)
            with warehouse.transaction():
                warehouse.replace("vans", register.vans_frame())
    assert register.vans == before.vans
    assert repr(sorted(register.families.items())) == repr(sorted(before.families.items()))


def test_a_new_workspace_has_nothing_that_stands(tmp_path: Path) -> None:
    home = small_home(tmp_path / "home")
    (home.register / "vans.csv").unlink()
    register, count, _ = standing(home)
    assert (register.vans, count) == ({}, {})


def test_the_week_is_published_with_its_list_and_says_so(judged_small: Workspace, tmp_path: Path) -> None:
    home = Workspace(shutil.copytree(judged_small.root, tmp_path / "home"))
    week = steps.resolve_week(home.root, None)
    with Warehouse(home.warehouse_path) as warehouse:
        before = warehouse.query("SELECT van_id, urgency FROM watchlist WHERE week = ? ORDER BY rank", [week])
    assert before.height
    steps.intake(home.root)  # a run of this version: families are kept from here
    for file in ("vans.csv", "families.toml"):
        utf_16(home.register / file)
    steps.intake(home.root)
    steps.read_captures(home.root)
    tracked = steps.track(home.root, week)
    with Warehouse(home.warehouse_path) as warehouse:
        after = warehouse.query("SELECT van_id, urgency FROM watchlist WHERE week = ? ORDER BY rank", [week])
        notices = warehouse.query("SELECT text FROM notices WHERE week = ? ORDER BY number", [week])["text"].to_list()
        waiting = warehouse.query("SELECT file FROM quarantine WHERE rule = 'bad_register' AND state = 'waiting'")
    assert after.equals(before)
    assert tracked.changed
    assert ["families.toml" in notices[0], "vans.csv" in notices[1]] == [True, True]
    assert {"families.toml", "vans.csv"} <= set(waiting["file"])
    assert any("vans.csv" in line for line in check_workspace(home))


def test_a_repair_recorded_on_an_order_is_the_orders_own(home: Workspace) -> None:
    """A finding that is corrected must not stand on in the register's place."""
    with Warehouse(home.warehouse_path) as warehouse, warehouse.transaction():
        row = warehouse.query("SELECT * FROM repairs LIMIT 1").with_columns(repair_id=pl.lit("event"))
        warehouse.append("repairs", row)
        event = {"event_id": "event", "order_id": "o", "at": row["done_at"][0], "state": "done", "person": "p"}
        schema = polars_schema(ORDER_EVENTS)
        known = {name: [event.get(name)] for name in schema}
        warehouse.append("order_events", pl.DataFrame(known, schema=schema))
    (home.register / "repairs.csv").write_text("van,day\nV001,2026-03-01\n", encoding="utf-8")
    register, _, _ = standing(home)
    assert register.repairs
    assert "event" not in {repair.repair_id for repair in register.repairs}


def test_a_column_that_is_not_used_makes_nothing_stand(home: Workspace) -> None:
    path = home.register / "repairs.csv"
    path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + ",cost\n", encoding="utf-8")
    register, count, said = standing(home)
    assert any("cost" in fault.reason for fault in register.faults)
    assert (register.repairs, count, said) == ((), {}, [])


def test_a_repair_whose_row_has_a_slip_stands(home: Workspace) -> None:
    path = home.register / "repairs.csv"
    before = load_register(home.register)
    frame = pl.read_csv(path, infer_schema=False)
    day = pl.when(pl.int_range(pl.len()) == 0).then(pl.lit("2026-13-40")).otherwise(pl.col("done_at"))
    frame.with_columns(done_at=day).write_csv(path)
    register, count, _ = standing(home)
    assert set(register.repairs) == set(before.repairs)
    assert count == {"repairs.csv": 1}
