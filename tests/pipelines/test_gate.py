"""The gate: contract suites as data, checked a table at a time."""

import json
from importlib import resources

import polars as pl
import pytest

from data_contracts.errors import InputError
from data_contracts.reasons import QUARANTINE_RULES
from data_contracts.tables import RECORDINGS
from pipelines.contract_suites import check, load_suite
from pipelines.intake.manifest import COLUMNS

SUITES = sorted(f.name.removesuffix(".json") for f in (resources.files("data_contracts") / "suites").iterdir())


@pytest.mark.parametrize("name", SUITES)
def test_suite_is_well_formed(name: str) -> None:
    suite = load_suite(name)
    assert suite["name"] == name
    assert suite["about"]
    for entry in suite["expectations"]:
        assert entry["meta"]["rule"] in QUARANTINE_RULES
        assert entry["meta"]["must"]
    assert json.loads(json.dumps(suite)) == suite


def test_suites_speak_of_columns_that_exist() -> None:
    known = {c.name for c in RECORDINGS.columns} | set(COLUMNS)
    for name in ("manifest_text", "manifest_values"):
        assert {e["kwargs"]["column"] for e in load_suite(name)["expectations"]} <= known


def test_failing_rows_are_named_with_value_and_remedy() -> None:
    frame = pl.DataFrame({"humidity_pct": [50.0, None, 120.0, -3.0, 100.0]})
    faults = check(frame, "manifest_values")
    assert [(f.index, f.rule) for f in faults] == [(2, "bad_value"), (3, "bad_value")]
    assert "humidity_pct is 120" in faults[0].reason
    assert "correct the value" in faults[0].reason


def test_nothing_to_check() -> None:
    assert check(pl.DataFrame({"humidity_pct": []}, schema={"humidity_pct": pl.Float64}), "manifest_values") == []
    assert check(pl.DataFrame({"other": [1.0]}), "manifest_values") == []


def test_unknown_suite() -> None:
    with pytest.raises(InputError, match="no contract suite"):
        load_suite("none")
