"""The gate: contract suites as data, checked a table at a time."""

import json
from importlib import resources

import polars as pl
import pytest

from data_contracts.errors import InputError
from data_contracts.reasons import QUARANTINE_RULES
from data_contracts.tables import RECORDINGS
from pipelines import contract_suites
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


def test_a_table_is_checked_again_once_anything_of_it_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    runs: list[int] = []
    real = contract_suites.validate
    monkeypatch.setattr(
        contract_suites, "validate", lambda frame, *told: runs.append(frame.height) or real(frame, *told)
    )
    monkeypatch.setattr(contract_suites, "_KEPT", {})
    frame = pl.DataFrame({"humidity_pct": [50.0, 120.0]})
    first = check(frame, "manifest_values")
    first.clear()
    assert [fault.index for fault in check(pl.DataFrame({"humidity_pct": [50.0, 120.0]}), "manifest_values")] == [1]
    assert len(runs) == 1
    changes = [
        pl.DataFrame({"humidity_pct": [120.0, 50.0]}),
        pl.DataFrame({"humidity_pct": [50.0, 120.5]}),
        pl.DataFrame({"humidity_pct": [50.0, None]}, schema={"humidity_pct": pl.Float64}),
        pl.DataFrame({"altitude_m": [50.0, 120.0]}),
    ]
    found = [[fault.index for fault in check(one, "manifest_values")] for one in changes]
    assert found == [[0], [1], [], []]
    assert len(runs) == 5
    suite = load_suite("manifest_values")
    monkeypatch.setattr(contract_suites, "load_suite", lambda name: suite | {"expectations": suite["expectations"][:1]})
    check(frame, "manifest_values")
    assert len(runs) == 5 + any(e["kwargs"]["column"] == "humidity_pct" for e in suite["expectations"][:1])
    monkeypatch.undo()
    monkeypatch.setattr(contract_suites, "_LARGEST_KEPT", 1)
    assert [fault.index for fault in check(frame, "manifest_values")] == [1]
    for number in range(40):
        check(pl.DataFrame({"humidity_pct": [number + 200.0]}), "manifest_values")
    assert len(contract_suites._KEPT) <= 16


def test_nothing_to_check() -> None:
    assert check(pl.DataFrame({"humidity_pct": []}, schema={"humidity_pct": pl.Float64}), "manifest_values") == []
    assert check(pl.DataFrame({"other": [1.0]}), "manifest_values") == []


def test_unknown_suite() -> None:
    with pytest.raises(InputError, match="no contract suite"):
        load_suite("none")
