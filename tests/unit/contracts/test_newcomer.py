"""A quantity and a cause are each one record: what a newcomer adds is seen everywhere without another edit.

The recipes of DEVELOPERS.md, taken in a copy of the contracts and models: one record each, and a feature so that causes can be
judged by the quantity.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[3]

QUANTITY = """
    Quantity(
        "idle_wobble_g_s",
        "g/s",
        "airflow",
        Words("wobble of the idle flow", "Schwanken des Leerlaufstroms"),
        Words("slow wobble of the flow at idle before the opening", "langsames Schwanken des Stroms im Leerlauf"),
        Need("airflow", before_s=2.0, snap=False),
        Method("Scatter of half-second means.", "That of a standard deviation of so few."),
        tracking=Tracking("log", 0.05, ("throttle", "inlet_leak")),
    ),
"""
FEATURE = """
        Feature("idle_wobble", "idle_wobble_g_s", "log", floor=0.1, discrepancy=0.03, weight=0.8),
"""
CAUSE = """
    Cause(
        "breather_stuck",
        Words("breather valve stuck", "Entlüftungsventil klemmt"),
        "idle flow wobbles three times as much",
        cautions=("running",),
        job=Job(
            Words("Check the breather valve", "Entlüftungsventil prüfen"),
            (Words("hold the breather valve open", "Entlüftungsventil offen halten"),),
            None,
            hours=0.6,
            parts_cost=30.0,
            touches=("idle_wobble_g_s", "trim_idle_pct"),
        ),
        if_left=(Consequence("power", 3.0),),
        found_by={"intake_smoke": 0.5},
        shows=(Shows("wobbles", 1.0, "both", {"idle_wobble": (1.1, 0.2), "trim_idle": (6.0, 1.5), "trim_fade": (-6.0, 1.5)}),),
        fault_codes={"P1234": 5.0},
    ),
"""


def add(path: Path, record: str, last: str) -> None:
    text = path.read_text("utf-8")
    assert text.endswith(last)
    path.write_text(text.removesuffix(last) + record + last, "utf-8")


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    copy = tmp_path_factory.mktemp("newcomer")
    for package in ("data_contracts", "models"):
        shutil.copytree(ROOT / package, copy / package, ignore=shutil.ignore_patterns("__pycache__"))
    add(copy / "data_contracts/quantities/airflow.py", QUANTITY, ")\n")
    add(copy / "data_contracts/causes/air_path.py", CAUSE, ")\n")
    add(copy / "data_contracts/features.py", FEATURE, "    )\n}\n")
    script = Path(__file__).with_name("newcomer.py")
    ran = subprocess.run(
        [sys.executable, str(script)],
        cwd=copy,
        env=os.environ | {"PYTHONPATH": str(copy)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    found: dict[str, Any] = json.loads(ran.stdout)
    assert found["from"].startswith(str(copy))
    return found


def test_a_record_of_a_quantity_is_all_that_tables_words_pages_and_tracking_need(seen: dict[str, Any]) -> None:
    of = seen["quantity"]
    assert of["columns"] == ["idle_wobble_g_s", "idle_wobble_g_s_u"]
    assert of["in_ddl"]
    assert of["tracked"]
    assert of["words"] == ["wobble of the idle flow", "Schwanken des Leerlaufstroms"]
    assert of["page"]
    assert of["scaled"] == [0.0, 1.0]
    assert of["least"] == 0.05
    assert of["repaired"] == [True, False, False]


def test_what_is_read_must_be_what_is_declared(seen: dict[str, Any]) -> None:
    of = seen["quantity"]
    assert of["read"] == [0.4, 0.4]
    assert "declared but not computed: idle_wobble_g_s." in of["forgotten"]
    assert "computed but not declared: none" in of["forgotten"]
    assert "computed but not declared: idle_wobbel_g_s; declared but not computed: idle_wobble_g_s." in of["misspelt"]


def test_a_record_of_a_cause_is_judged_by_what_the_trade_says_at_once(seen: dict[str, Any]) -> None:
    of = seen["cause"]
    assert of["patterns"] == [["wobbles", 1.0]]
    assert of["likeliest"] == "breather_stuck"
    assert of["named"]
    assert of["probability"] > 0.5
    assert of["code_raises"]
    assert any(sentence.startswith("Wobble of the idle flow is 3.0 times expected") for sentence in of["for"])


def test_a_record_of_a_cause_is_all_that_jobs_orders_cautions_words_and_pages_need(seen: dict[str, Any]) -> None:
    of = seen["cause"]
    assert of["order"]["cause"] == "breather_stuck"
    assert "heck the breather valve" in of["order"]["action"]
    assert of["job"] == 0.6
    assert of["found_by"] == 0.5
    assert of["cautions"] == [
        "qualified",
        "brakes",
        "exhaust_gas",
        "hot_and_moving",
        "high_voltage",
        "hearing",
        "no_limiter",
        "no_misfire",
        "snaps_a_visit",
    ]
    assert of["german"] == "Entlüftungsventil klemmt"
    assert of["in_words"]
    assert of["page"]
