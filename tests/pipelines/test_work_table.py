"""Repairs of the register: read by the table of work and by the fleet's own words; what is unknown is asked about."""

from pathlib import Path

import polars as pl
import pytest

from data_contracts.tables import READ_FROM_WORDS, REGISTER_COLUMNS, REPAIRS, polars_schema
from data_contracts.work_done import WORKS
from models.tracking.work_words import quantities_of, quantities_of_cause
from pipelines.commands.check import audit
from pipelines.decisions.repairs import repairs_of, unknown_work, with_touched
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.register import Register, load_register
from pipelines.workspace.workspace import Workspace, make_workspace

HEADER = "van_id,done_at,work,parts,work_order,note\n"
OWN_WORK = """
source = "the foreman"
[tank_module]
words = ["tank module"]
part_numbers = ["TM-20*"]
like = ["fuel_supply"]
[shelf]
words = ["shelf"]
"""


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_workspace(tmp_path / "home", EXAMPLE_FILES)


def repairs(home: Workspace, rows: str, works: str | None = None) -> tuple[Register, pl.DataFrame]:
    (home.register / "repairs.csv").write_text(HEADER + rows, encoding="utf-8")
    path = home.register / "work.toml"
    path.unlink(missing_ok=True)
    if works is not None:
        path.write_text(works, encoding="utf-8")
    register = load_register(home.register)
    with Warehouse(home.warehouse_path) as warehouse:
        return register, repairs_of(register, warehouse).sort("done_at")


def test_the_example_register_says_how_and_holds_no_fault(home: Workspace) -> None:
    assert load_register(home.register).faults == ()
    told = EXAMPLE_FILES["register/README.md"]
    assert "## work.toml" in told
    assert all(f"| {key} |" in told for key in ("words", "part_numbers", "like", "causes", "touches"))
    uncommented = EXAMPLE_FILES["register/work.toml"].replace("\n# [", "\n[").replace("\n# words", "\nwords")
    uncommented = uncommented.replace("\n# part_numbers", "\npart_numbers").replace("\n# like", "\nlike")
    register, _ = repairs(home, "", uncommented)
    assert register.faults == ()
    assert set(register.works) == {"tank-unit", "load-area"}
    assert not {column.name for column in REGISTER_COLUMNS["repairs.csv"]} & set(READ_FROM_WORDS)


def test_what_each_repair_touched_is_kept_with_it(home: Workspace) -> None:
    rows = (
        "v1,2026-03-01,Reifen gewechselt,,,\n"
        "v1,2026-03-02,Lambdasonde ersetzt,,,\n"
        "v1,2026-03-03,tank module fitted,,,\n"
        "v1,2026-03-04,see parts,TM-2077,,\n"
        "v1,2026-03-05,shelf,,,\n"
        "v1,2026-03-06,flux capacitor,,,\n"
    )
    register, found = repairs(home, rows, OWN_WORK)
    assert register.faults == ()
    assert found.schema == polars_schema(REPAIRS)
    assert found["works"].to_list() == [["wheels"], ["lambda_sensor"], ["tank_module"], ["tank_module"], ["shelf"], []]
    fuel = sorted(quantities_of(WORKS["fuel_supply"]))
    assert found["touches"].to_list() == [[], sorted(quantities_of(WORKS["lambda_sensor"])), fuel, fuel, [], []]
    assert found["unknown"].to_list() == [[]] * 5 + [["flux capacitor"]]
    assert set(found["brings_back"].explode().drop_nulls()) <= set(found["touches"].explode().drop_nulls())


def test_check_asks_what_unknown_work_touched_once_per_wording(home: Workspace) -> None:
    rows = "v1,2026-03-06,flux capacitor,,,\nv2,2026-03-01,flux capacitor,,,\nv1,2026-03-07,tyres and Gurkenglas,,,\n"
    _, found = repairs(home, rows)
    first, second = unknown_work(found)
    assert "'flux capacitor' touch (van v2, 2026-03-01, and 1 more)? It counts as touching nothing" in first
    assert "'Gurkenglas'" in second
    assert all("register/work.toml" in line and "\n" not in line for line in (first, second))
    with Warehouse(home.warehouse_path) as warehouse:
        assert [line for line in audit(home, warehouse) if "touch" in line] == [first, second]
    repairs(home, rows, '[glass]\nwords = ["Gurkenglas", "flux capacitor"]\n')
    with Warehouse(home.warehouse_path) as warehouse:
        assert [line for line in audit(home, warehouse) if "touch" in line] == []


def test_check_asks_about_a_repair_of_a_van_nobody_knows(home: Workspace) -> None:
    repairs(
        home,
        "V0I3,2026-03-06,lambda sensor replaced,,,\nV0I3,2026-03-09,oil change,,,\n",
    )
    with Warehouse(home.warehouse_path) as warehouse:
        (line,) = [line for line in audit(home, warehouse) if "vans.csv" in line]
    assert line == (
        "repairs.csv: van 'V0I3' (repaired 2026-03-06) is not in register/vans.csv and was never recorded: mend van_id, or add the van; "
        "until then the repair counts for no van"
    )


def test_the_cause_that_an_order_names_stands_in_for_unknown_words() -> None:
    told = {"repair_id": "r", "van_id": "v1", "work": "flux capacitor", "work_order": " ABCD12 "}
    row = pl.DataFrame([told], schema=polars_schema(REPAIRS))
    (named,) = with_touched(row, {"abcd12": "lambda_slow"}, {})["touches"].to_list()
    assert named == sorted(quantities_of_cause("lambda_slow"))
    (line,) = unknown_work(
        with_touched(row, {"abcd12": "lambda_slow"}, {}).with_columns(done_at=pl.lit("2026-03-01").str.to_datetime())
    )
    assert "The cause its order names stands in for it" in line
    for causes in ({}, {"abcd12": "not_separable"}, {"ffff": "lambda_slow"}):
        assert with_touched(row, causes, {})["touches"].to_list() == [[]]


@pytest.mark.parametrize(
    ("works", "fault"),
    [
        ('[a]\nwords = ["x y"]\nlike = ["fuel"]\n', "like"),
        ("a = 3\n", "make it a table"),
        ("[a\n", "is not TOML"),
        ('[wheels]\nwords = ["x y"]\n', "another name"),
    ],
)
def test_a_wrong_work_stops_only_itself(home: Workspace, works: str, fault: str) -> None:
    register, found = repairs(home, "v1,2026-03-02,Lambdasonde ersetzt,,,\n", works)
    (told,) = register.faults
    assert (told.file, fault in told.reason, "\n" in told.reason) == ("work.toml", True, False)
    assert register.works == {}
    assert found["works"].to_list() == [["lambda_sensor"]]
    assert not repairs(home, "")[1].height
