"""Part lives, and depots and families compared: from the warehouse's record to their tables; every column left out or half filled."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from data_contracts.tables import CAPTURES, REPAIRS, TABLES, WATCHLIST, WORK_ORDERS, polars_schema
from data_contracts.weeks import week_of
from pipelines.decisions.repairs import with_touched
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.programme import Programme, programme_of_week
from pipelines.workspace.register import Register, Van

WEEK = "2026-W27"
MONDAY = date(2026, 6, 29)
VAN_IDS = [f"v{n:02}" for n in range(24)]


def register(**left_out: object) -> Register:
    rows = [
        {
            "van_id": van_id,
            "family": "brook-20" if n % 2 else "heath-12",
            "depot": ("north", "south", "hill")[n % 3],
            "in_service_on": date(2020, 1, 6) + timedelta(days=30 * n),
            "warranty_until": None,
            "odometer_km": None,
            "lambda_banks": None,
            "note": None,
        }
        | left_out
        for n, van_id in enumerate(VAN_IDS)
    ]
    return Register(vans={str(row["van_id"]): Van(**row) for row in rows})  # type: ignore[arg-type]


def captures(*, odometer: bool = True) -> pl.DataFrame:
    """A visit in every fourth week of the last year."""
    rows = [
        {
            "van_id": van_id,
            "captured_at": datetime(2026, 6, 30, 9, tzinfo=UTC) - timedelta(weeks=back),
            "odometer_km": 90_000.0 - 2000.0 * n - 300.0 * back if odometer else None,
        }
        for n, van_id in enumerate(VAN_IDS)
        for back in range(0, 52, 4)
    ]
    wanted = {name: polars_schema(CAPTURES)[name] for name in ("van_id", "captured_at", "odometer_km")}
    return pl.DataFrame(rows, schema=wanted)


def repairs(count: int, *, work: str = "lambda sensor replaced") -> pl.DataFrame:
    rows = [
        {
            "repair_id": f"r{n}",
            "van_id": VAN_IDS[n],
            "done_at": datetime(2023, 1, 9, 10, tzinfo=UTC) + timedelta(days=45 * n),
            "work": work,
        }
        for n in range(count)
    ]
    return with_touched(pl.DataFrame(rows, schema=polars_schema(REPAIRS)), {}, {})


def listed(week: str, van_ids: list[str]) -> pl.DataFrame:
    rows = [
        {"week": week, "rank": n, "van_id": van_id, "family": "brook-20", "depot": "north", "urgency": "plan"}
        | {"leading_cause": "none", "causes": [], "reasons": [], "new": False}
        for n, van_id in enumerate(van_ids)
    ]
    return pl.DataFrame(rows, schema=polars_schema(WATCHLIST))


def found(order_id: str, week: str, van_id: str, cause: str | None) -> dict[str, object]:
    order = {"order_id": order_id, "week": week, "rank": 1, "van_id": van_id, "family": "brook-20", "depot": "north"}
    return order | {
        "urgency": "plan",
        "cause": "ignition_weak",
        "action": "",
        "reason": "",
        "state": "done",
        "found": cause,
    }


@pytest.fixture
def warehouse(tmp_path: Path) -> Warehouse:
    made = Warehouse(tmp_path / "warehouse.duckdb")
    made.append("watchlist", listed("2026-W26", VAN_IDS[:3]))
    made.append("watchlist", listed("2024-W20", VAN_IDS[5:9]))  # more than a year ago
    orders = [
        found("o1", "2026-W20", "v00", "ignition_weak"),
        found("o2", "2026-W21", "v03", "none"),
        found("o3", "2026-W21", "v01", None),
        found("o4", "2024-W21", "v04", "none"),
    ]
    made.append("work_orders", pl.DataFrame(orders, schema=polars_schema(WORK_ORDERS)))
    return made


def made_of(
    warehouse: Warehouse,
    *,
    of: Register | None = None,
    frame: pl.DataFrame | None = None,
    on_list: list[str] | None = None,
    done: pl.DataFrame | None = None,
) -> Programme:
    found = programme_of_week(
        warehouse,
        of or register(),
        WEEK,
        captures() if frame is None else frame,
        listed(WEEK, ["v01", "v04"] if on_list is None else on_list),
        repairs(8) if done is None else done,
    )
    for name, rows in found.tables().items():
        assert rows.schema == pl.Schema(polars_schema(TABLES[name])), name
        warehouse.append(name, rows)  # what the contract forbids is refused
    return found


def counted(rows: pl.DataFrame, of: str) -> dict[str, dict[str, int]]:
    told: dict[str, dict[str, int]] = {}
    for row in rows.filter(pl.col("count") > 0).iter_rows(named=True):
        told.setdefault(row["measure"], {})[row[of]] = row["count"]
    return told


def test_what_a_year_brought_is_counted_where_its_vans_are(warehouse: Warehouse) -> None:
    with warehouse:
        programme = made_of(warehouse)
    assert counted(programme.depots, "depot") == {
        "listed": {"north": 1, "south": 2, "hill": 1},  # v01 stayed on the list; v00, v02 and v04 came once
        "confirmed": {"north": 1},
        "false_alarms": {"north": 1},
    }
    assert counted(programme.families, "family")["listed"] == {"brook-20": 1, "heath-12": 3}
    assert programme.depots["vans"].unique().to_list() == [8]
    assert programme.depots["months"].to_list() == pytest.approx([8 * 49 * 7 / 30.4375] * 9)
    assert (programme.depots["week"] == WEEK).all()


def test_part_lives_rest_on_all_work_up_to_the_week(warehouse: Warehouse) -> None:
    with warehouse:
        programme = made_of(warehouse)
        assert programme.part_lives["part"].unique().to_list() == ["lambda_sensor"]
        km, months = programme.part_lives.iter_rows(named=True)
        assert (months["removals"], months["running"], months["since"]) == (7, 24, date(2023, 1, 9))
        assert months["early"] == 23  # all but v00, whose sensor was the first work on record: it was never at risk
        assert months["weibull_half_low"] < months["weibull_half"] < months["weibull_half_high"]
        assert km["removals"] == 7
        warehouse.execute("DELETE FROM part_lives")
        warehouse.execute("DELETE FROM depots_compared")
        warehouse.execute("DELETE FROM families_compared")
        later = made_of(warehouse, done=repairs(8).with_columns(pl.col("done_at") + timedelta(weeks=600)))
        assert later.part_lives.is_empty()  # of days after the week


@pytest.mark.parametrize(
    "case", ["no odometer", "no first day", "nothing seen", "nothing done", "no van", "brakes", "no list"]
)
def test_a_record_with_gaps_is_told_as_far_as_it_goes(warehouse: Warehouse, case: str) -> None:
    with warehouse:
        programme = made_of(
            warehouse,
            of=Register() if case == "no van" else register(in_service_on=None) if case == "no first day" else None,
            frame=captures().clear()
            if case in ("nothing seen", "no van")
            else captures(odometer=False)
            if case == "no odometer"
            else None,
            on_list=[] if case == "no list" else None,
            done=repairs(0)
            if case == "nothing done"
            else repairs(8, work="brake pads replaced")
            if case == "brakes"
            else None,
        )
    lives, depots = programme.part_lives, programme.depots
    assert lives.is_empty() == (case in ("nothing done", "no van", "brakes"))
    assert depots.is_empty() == (case in ("nothing seen", "no van"))
    if case in ("no odometer", "nothing seen"):
        assert lives.filter(pl.col("unit") == "km")["removals"].to_list() == [0]
        assert lives.filter(pl.col("unit") == "months")["weibull_half"].null_count() == 0
    if case == "no first day":
        assert lives["removals"].to_list() == [0, 0]  # only what began with work on record counts
        assert lives.filter(pl.col("unit") == "months")["running"].to_list() == [8]
    if case == "no list":
        assert counted(depots, "depot")["listed"] == {"north": 1, "south": 1, "hill": 1}


def test_half_of_the_first_days_left_out(warehouse: Warehouse) -> None:
    whole = register()
    half = Register(
        vans={
            v: van if n % 2 else Van(**{**vars(van), "in_service_on": None})
            for n, (v, van) in enumerate(whole.vans.items())
        }
    )
    with warehouse:
        lives = made_of(warehouse, of=half, done=repairs(16)).part_lives
    months = lives.filter(pl.col("unit") == "months").row(0, named=True)
    assert months["removals"] == 8
    assert months["weibull_half"] is not None


def test_the_year_ends_with_the_week(warehouse: Warehouse) -> None:
    """53 weeks ago is out, 51 weeks ago is in."""
    with warehouse:
        for back, van_id in ((52, "v10"), (51, "v11")):
            warehouse.append("watchlist", listed(week_of(MONDAY - timedelta(weeks=back)), [van_id]))
        told = made_of(warehouse, on_list=[]).depots
    assert counted(told, "depot")["listed"] == {"north": 1, "south": 1, "hill": 2}
