"""Whatever the delivery format calls optional may be left out, be empty or half filled: the week is published all the same."""

import json
import tomllib
from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.family import parse_family
from data_contracts.recorder import parse_profile
from data_contracts.tables import REPAIRS, polars_schema
from pipelines.intake.manifest import COLUMNS, REQUIRED
from pipelines.storage.models import keep_models
from pipelines.weekly import steps
from pipelines.workspace.register import load_register
from pipelines.workspace.workspace import Workspace
from tests.deliveries import FAMILIES, VANS, ask, deliver, make_home, recording, row, run_intake
from tests.pipelines.judged_home import fleet_of_readings, judge, judged_home, put_captures, toml_of
from tests.pipelines.small_home import run_steps, small_home
from tests.readings_fleet import FAMILIES_TABLE, ReadingsFleet

OPTIONAL = tuple(name for name in COLUMNS if name not in REQUIRED)
WITH_CAPTURES = tuple(name for name in OPTIONAL if name not in ("visit", "recorder"))
FILLED = {
    "visit": "morning",
    "odometer_km": 61200,
    "coolant_c": 88,
    "intake_air_c": 21.5,
    "barometer_kpa": 99.1,
    "humidity_pct": 60,
    "altitude_m": 180,
    "closed_loop": "true",
    "trim_idle_pct": 2.3,
    "trim_2500_pct": 1.6,
    "fault_codes": "P0171;P0101",
    "fuel": "E10",
    "recorder": "canonical",
    "recorder_serial": "R1",
    "ecu_software": "A1",
    "note": "first snap",
}


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return fleet_of_readings()


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory, fleet: ReadingsFleet) -> Workspace:
    return judged_home(tmp_path_factory.mktemp("left-out") / "home", fleet)


def in_flow_alarm(home: Workspace) -> int:
    """Listed vans with a flow in alarm at the last visit."""
    return int(
        ask(
            home,
            "SELECT count(DISTINCT w.van_id) FROM watchlist w JOIN trends t USING (van_id, week) "
            "WHERE t.alarm AND t.quantity IN ('idle_g_s', 'first_peak_g_s', 'main_peak_reference_g_s')",
        ).item()
    )


def without(frame: pl.DataFrame, names: tuple[str, ...], *, half: bool = False) -> pl.DataFrame:
    """Captures without what some manifest columns say; half of it: each column in other rows."""
    schema, changed = frame.schema, {}
    for number, name in enumerate(names):
        nothing = pl.lit(None, dtype=schema[name])
        emptied = (pl.int_range(pl.len()) // 2 + number) % 2 == 0 if half else pl.lit(True)
        for column in (name, f"{name}_u"):
            if column in schema:
                changed[column] = pl.when(emptied).then(nothing).otherwise(pl.col(column)).alias(column)
    return frame.with_columns(**changed)


def test_the_fleet_has_what_is_left_out(home: Workspace, fleet: ReadingsFleet) -> None:
    put_captures(home, fleet.frame)
    assert sum(judge(home).listed.values()) >= 5
    assert in_flow_alarm(home) >= 3


@pytest.mark.parametrize("half", [False, True])
def test_no_optional_column_at_all_stops_no_week(home: Workspace, fleet: ReadingsFleet, half: bool) -> None:
    put_captures(home, without(fleet.frame, WITH_CAPTURES, half=half))
    assert sum(judge(home).listed.values()) >= 3
    assert in_flow_alarm(home) >= 1


def test_the_only_van_of_a_recorder_is_told_apart_only_where_it_is_named(home: Workspace, fleet: ReadingsFleet) -> None:
    own = fleet.frame.with_columns(recorder_serial=pl.lit("of ") + pl.col("van_id"))

    def told() -> set[str]:
        judge(home)
        said = ask(home, "SELECT van_id, unnest(reasons) AS reason FROM watchlist").iter_rows()
        return {
            van_id for van_id, reason in said if reason == render(Fact.of("lone_recorder", recorder=f"of {van_id}"))
        }

    put_captures(home, own)
    named = told()
    assert len(named) >= 3
    last = own.group_by("van_id").agg(pl.col("visit").last())["visit"]
    unnamed = pl.col("visit").is_in(last.to_list()) & pl.col("van_id").is_in(sorted(named)[:1])
    put_captures(home, own.with_columns(recorder_serial=pl.when(~unnamed).then("recorder_serial")))
    assert told() == named - set(sorted(named)[:1])


def test_manifests_without_optional_columns_are_taken_in_and_read(tmp_path: Path) -> None:
    """Left out, empty, filled in one row of two; each column alone and all of them, one delivery each."""
    home = make_home(tmp_path / "home")
    cases = [(name,) for name in OPTIONAL] + [OPTIONAL]
    number = 0
    for case in cases:
        for way in ("left-out", "empty", "half"):
            rows, files = [], {}
            for place in range(2):
                number += 1
                filled = dict(FILLED) if way != "left-out" else {k: v for k, v in FILLED.items() if k not in case}
                if way == "empty" or (way == "half" and place == 0):
                    filled |= dict.fromkeys(case, "")
                at = f"2026-03-{1 + number // 60:02d}T{8 + number % 60 // 6:02d}:{number % 6}0:00Z"
                rows.append(row(f"{number}.csv", van=f"V00{1 + place}", at=at, **filled))
                files[f"{number}.csv"] = recording(number, samples=1001)
            deliver(home.inbox / f"{'-'.join(case)[:40]}-{way}", rows, files)
    accounts = run_intake(home)
    assert sum(account.held for account in accounts) == number == 2 * 3 * len(cases)
    assert steps.read_captures(home.root) == number
    week = steps.resolve_week(home.root, None)
    assert steps.publish_week(home.root, week, steps.track(home.root, week))


VAN_COLUMNS = {
    "in_service_on": "2024-01-01",
    "warranty_until": "2026-06-01",
    "odometer_km": "1000",
    "lambda_banks": "1",
    "note": "new",
    "vin": "",
    "plate": "AB 1",
    "warranty_until_km": "100000",
    "duty": "parcels",
    "fuel_station": "yard",
    "workshop": "north",
    "batch": "25-B",
    "fuel": "E10",
    "part_airflow_sensor": "A-1",
}


def in_pairs(names: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Each name with the one half a list further on, so that none goes with a neighbour it has to do with."""
    names = tuple(names)
    half = -(-len(names) // 2)
    return tuple(names[n::half] for n in range(half))


VAN_CASES = (*in_pairs(VAN_COLUMNS), ("all",), ("all empty",), ("half",))
REPAIR_CASES = ("parts", "work_order", "note", "all", "all empty", "half", "no file")


def vans_without(vans: pl.DataFrame, case: tuple[str, ...]) -> pl.DataFrame:
    """The register's vans with every optional column but what a case leaves out or empties."""
    filled = vans.with_columns(pl.lit(value).alias(name) for name, value in VAN_COLUMNS.items())
    if case == ("all empty",):
        return vans.with_columns(pl.lit("").alias(name) for name in VAN_COLUMNS)
    if case == ("half",):
        return vans.with_columns(
            pl.when((pl.int_range(pl.len()) + n) % 2 == 0).then(pl.lit(value)).alias(name)
            for n, (name, value) in enumerate(VAN_COLUMNS.items())
        )
    return filled.drop(VAN_COLUMNS if case == ("all",) else case)


def repairs_without(case: str) -> pl.DataFrame:
    """Two repairs with every optional column but what a case leaves out or empties."""
    optional = ("parts", "work_order", "note")
    repairs = pl.DataFrame(
        {
            "van_id": ["van-00007", "van-00013"],
            "done_at": ["2026-02-20", "2026-03-01T10:00:00+01:00"],
            "work": ["air-mass sensor replaced", "injectors cleaned"],
            "parts": ["A-1", "B-2"],
            "work_order": ["1", "2"],
            "note": ["late", "early"],
        }
    )
    if case == "all empty":
        return repairs.with_columns(pl.lit("").alias(name) for name in optional)
    if case == "half":
        return repairs.with_columns(
            pl.when(pl.int_range(2) == n % 2).then(pl.col(name)).alias(name) for n, name in enumerate(optional)
        )
    return repairs.drop(optional if case == "all" else case)


FAMILY_KEYS = (
    "throttle_open_pct",
    "lambda_banks",
    "warranty_km",
    "airflow_sensor.range_v",
    "main_peak.expected_v",
    "main_peak.low_limit_v",
    "main_peak.high_limit_v",
    "main_peak.reference_intake_air_c",
    "main_peak.reference_barometer_kpa",
    "main_peak",
    "lambda_response.expected_time_constant_s",
    "lambda_response.time_constant_limit_s",
    "lambda_response",
)


def leave_out(table: dict[str, object], *keys: str) -> dict[str, object]:
    """A family's table without some keys."""
    left = {key: dict(value) if isinstance(value, dict) else value for key, value in table.items()}
    for key in keys:
        name, _, inner = key.partition(".")
        if not inner:
            left.pop(name, None)
        elif isinstance(part := left.get(name), dict):
            part.pop(inner, None)
    return left


KEYS_IN_FLOW = tuple(k.replace("_v", "_g_s") if "main_peak." in k else k for k in FAMILY_KEYS)
FAMILY_CASES = (*in_pairs(KEYS_IN_FLOW), KEYS_IN_FLOW)
CAPTURE_CASES = in_pairs(WITH_CAPTURES)
RUNS = max(map(len, (CAPTURE_CASES, VAN_CASES, REPAIR_CASES, FAMILY_CASES)))


def families_without(keys: tuple[str, ...]) -> dict[str, object]:
    """The families with every optional key but some."""
    full = {
        "throttle_open_pct": 85,
        "lambda_banks": 1,
        "warranty_km": 100_000,
        "main_peak": {"reference_intake_air_c": 20.0, "reference_barometer_kpa": 98.0},
    }
    tables: dict[str, object] = {}
    for name, table in FAMILIES_TABLE.items():
        whole = {**full, **table, "main_peak": {**full["main_peak"], **table["main_peak"]}}  # type: ignore[dict-item]
        tables[name] = leave_out(whole, *keys)
    return tables


@pytest.mark.parametrize("run", range(RUNS))
def test_what_is_left_out_of_captures_vans_repairs_and_families_stops_no_week(
    tmp_path: Path, fleet: ReadingsFleet, run: int
) -> None:
    """Two columns or keys of each at a time, every one of them in some run: a judgement takes a second."""
    home = judged_home(tmp_path / "home", fleet, families_without(FAMILY_CASES[run % len(FAMILY_CASES)]))
    put_captures(home, without(fleet.frame, CAPTURE_CASES[run % len(CAPTURE_CASES)]))
    van, repair = VAN_CASES[run % len(VAN_CASES)], REPAIR_CASES[run % len(REPAIR_CASES)]
    path = home.register / "vans.csv"
    vans_without(pl.read_csv(path, infer_schema=False).select("van_id", "family", "depot"), van).write_csv(path)
    if repair != "no file":
        repairs_without(repair).write_csv(home.register / "repairs.csv")
    register = load_register(home.register)
    assert not register.faults
    assert register.repairs_frame().schema == polars_schema(REPAIRS)
    assert len(register.repairs) == (0 if repair == "no file" else 2)
    assert sum(judge(home).listed.values()) >= 5
    assert in_flow_alarm(home) >= 3


def test_recordings_of_families_without_optional_keys_are_read(tmp_path: Path) -> None:
    """The small fleet's families, each with one optional key less, another with all less: none stops the others."""
    home = small_home(tmp_path / "home")
    path = home.register / "families.toml"
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    names = sorted(tables)
    cut = {
        name: leave_out(tables[name], *(FAMILY_KEYS if number == 0 else FAMILY_KEYS[number :: len(names)]))
        for number, name in enumerate(names)
    }
    for name, table in cut.items():
        parse_family(name, table)
    path.write_text("".join(toml_of(name, table) for name, table in cut.items()), encoding="utf-8")
    run_steps(home)
    assert ask(home, "SELECT count(*) FROM readings WHERE main_peak_g_s IS NOT NULL").item() >= 20


PROFILE = """\
source = "made for this test"
[profile]
delimiter = ";"
decimal = ","
encoding = "utf-8"
skip_rows = 0
comment = "#"
missing_text = ["overflow"]
empty_cell = "missing"
bits = 12
range_v = 5.0
offset_u_v = 0.0028
gain_u = 0.00056
[time]
column = "T"
unit = "s"
[channels.airflow_v]
column = "A"
scale = 1.0
offset = 0.0
unit = "V"
"""


def test_optional_keys_of_recorder_profiles_stop_no_week(tmp_path: Path) -> None:
    lines = PROFILE.splitlines()
    needed = ("[time]", "[channels", "column", "delimiter", "decimal")
    optional = [n for n, line in enumerate(lines) if not line.startswith((*needed, "[profile]"))]
    cases = [{n} for n in optional] + [set(optional)]
    home = make_home(tmp_path / "home")
    (home.register / "recorders").mkdir()
    rows, files = [], {}
    for number, left in enumerate(cases):
        text = "\n".join(line for n, line in enumerate(lines) if n not in left)
        parse_profile(f"box{number}", tomllib.loads(text))
        (home.register / "recorders" / f"box{number}.toml").write_text(text)
        samples = recording(1000 + number, samples=1001)
        body = "\n".join(f"{t:.3f};{v:.5f}".replace(".", ",") for t, v in samples.iter_rows())
        files[f"{number}.csv"] = f"T;A\n{body}\n".encode()
        rows.append(row(f"{number}.csv", at=f"2026-03-02T09:{number:02d}:00Z", recorder=f"box{number}"))
    deliver(home.inbox / "boxes", rows, files)
    assert [account.held for account in run_intake(home)] == [len(cases)]
    assert run_steps(home) == "2026-W10"


def test_a_list_without_a_visit_of_late_says_so(home: Workspace, fleet: ReadingsFleet) -> None:
    put_captures(home, fleet.frame)
    last = fleet.weeks[-1]
    end = date.fromisocalendar(int(last[:4]), int(last[6:]), 7)

    def told(weeks: int) -> list[str]:
        year, number, _ = (end + timedelta(weeks=weeks)).isocalendar()
        return [
            str(row["text"]) for row in judge(home, f"{year}-W{number:02d}").notices if "was seen" in str(row["text"])
        ]

    said = f"No van was seen since {last}: that no van is listed tells nothing of how they are. Deliver recordings, then run again."
    assert told(3) == []
    assert told(4) == told(30) == [said]


def test_names_of_families_are_no_names_of_files(tmp_path: Path, fleet: ReadingsFleet) -> None:
    """Many pooled families, long names, and one that leads out of the workspace."""
    vans = sorted(fleet.frame["van_id"].unique())
    names = {van_id: f"../../{'x' * 60}/{n // 2:02d} of the fleet's engines" for n, van_id in enumerate(vans)}
    frame = fleet.frame.with_columns(family=pl.col("van_id").replace_strict(names))
    tables = {f'"{name}"': FAMILIES_TABLE["heron-16"] for name in sorted(set(names.values()))}
    there = ReadingsFleet(frame, fleet.truth, fleet.weeks)
    home = judged_home(tmp_path / "deep" / "er" / "home", there, tables)
    assert not load_register(home.register).faults
    judge(home)
    kept = list(home.models.glob("*.skops"))
    assert len(kept) == 1
    assert {path.name for path in (tmp_path / "deep" / "er").iterdir()} == {"home"}
    assert {path.name for path in (tmp_path / "deep").iterdir()} == {"er"}
    (card,) = (c for c in json.loads((home.models / "cards.json").read_text()) if "judges" in c)
    assert card["file"] == kept[0].name
    assert card["judges"] == sorted(set(names.values()))


def test_models_of_families_that_went_are_not_kept(tmp_path: Path) -> None:
    from sklearn.preprocessing import StandardScaler

    for names in (("a", "b+" * 400), ("../b",)):
        keep_models(tmp_path, {n: StandardScaler() for n in names}, [{"family": n} for n in names])
        cards = json.loads((tmp_path / "cards.json").read_text())
        assert {p.name for p in tmp_path.iterdir()} == {"cards.json", *(c["file"] for c in cards)}
        assert [card["family"] for card in cards] == list(names)


def test_spaces_around_a_columns_name_do_not_matter_and_another_name_is_no_column(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home", vans=VANS.replace("depot", " depot "), families=FAMILIES)
    deliver(
        home.inbox / "one",
        [row("1.csv", **{" coolant_c ": 88, "Barometer_kPa": 99.0, "colour": "blue"})],
        {"1.csv": recording(5)},
    )
    assert [account.held for account in run_intake(home)] == [1]
    held = ask(home, "SELECT coolant_c, barometer_kpa FROM recordings").row(0)
    assert held == (88.0, None)
