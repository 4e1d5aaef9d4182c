"""The gate: contract suites as data, checked a table at a time."""

import json
from importlib import resources
from typing import Any

import polars as pl
import pytest

from data_contracts.errors import InputError
from data_contracts.reasons import QUARANTINE_RULES
from data_contracts.tables import RECORDINGS
from pipelines import contract_suites
from pipelines.contract_suites import Fault, check, load_suite
from pipelines.intake.manifest import COLUMNS
from pipelines.sound_tables import plainly_sound

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
    real = contract_suites._checked

    def counting(frame: pl.DataFrame, *told: Any) -> list[Fault]:
        runs.append(frame.height)
        return real(frame, *told)

    monkeypatch.setattr(contract_suites, "_checked", counting)
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


HOSTILE_TEXT = [
    *("V001", "", " ", "2026-03-02T09:15:00Z", "2026-03-02", "2026-03-02T09:15:00+01:00", "2026-13-02T09:15:00Z"),
    *("true", "FALSE", "fal\u017fe", "P0171", "p0171; P0300", "P0171;", "P 0171", "1", "2", "3", "1\n", "\n1", "\x0b1"),
    *("12.5", "\u0661\u0662", "\u00a012", "12\u2003", "1e5", "+.5", "nan", "inf", "-", "None", "\x00", "\u00e4", "1\r"),
    None,
]
HOSTILE_NUMBERS = [
    None,
    float("nan"),
    float("inf"),
    -float("inf"),
    -0.0,
    40.0,
    39.999999,
    115.0,
    115.0000001,
    1e300,
    -60.0,
]


@pytest.mark.parametrize("name", SUITES)
def test_what_is_plainly_sound_great_expectations_passes(name: str) -> None:
    suite = load_suite(name)
    values = HOSTILE_NUMBERS if name == "manifest_values" else HOSTILE_TEXT
    columns = dict.fromkeys(e["kwargs"]["column"] for e in suite["expectations"])
    kind = pl.Float64 if name == "manifest_values" else pl.String
    frame = pl.DataFrame(dict.fromkeys(columns, values), schema=dict.fromkeys(columns, kind))
    outcome = contract_suites.validate(frame, name, suite["expectations"])
    failing = contract_suites._failing_rows(outcome, len(suite["expectations"]))
    passed = 0
    for entry, rows in zip(suite["expectations"], failing, strict=True):
        for index in range(frame.height):
            sound = plainly_sound(frame[index : index + 1], [entry])
            assert not (sound and index in rows), (entry["kwargs"], values[index])
            passed += sound
    assert passed > len(columns)  # an answer of no to everything would hold too
    twice = pl.DataFrame({"van_id": ["V001", None, "V001"]})
    assert not plainly_sound(twice, [{"type": "expect_column_values_to_be_unique", "kwargs": {"column": "van_id"}}])


def test_a_sound_table_needs_no_great_expectations(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    real = contract_suites.validate

    def noted(frame: pl.DataFrame, name: str, *more: Any) -> Any:
        asked.append(name)
        return real(frame, name, *more)

    monkeypatch.setattr(contract_suites, "validate", noted)
    assert check(pl.DataFrame({"humidity_pct": [50.25, None, 100.0]}), "manifest_values") == []
    assert asked == []
    assert [fault.index for fault in check(pl.DataFrame({"humidity_pct": [50.25, 100.5]}), "manifest_values")] == [1]
    assert asked == ["manifest_values"]
    frame, column = pl.DataFrame({"humidity_pct": [50.0]}), {"column": "humidity_pct"}
    assert not plainly_sound(frame, [{"type": "expect_column_values_to_be_increasing", "kwargs": column}])
    least = {
        "type": "expect_column_values_to_be_between",
        "kwargs": column | {"min_value": 0, "max_value": 100, "mostly": 0.5},
    }
    assert not plainly_sound(frame, [least])


def test_nothing_to_check() -> None:
    assert check(pl.DataFrame({"humidity_pct": []}, schema={"humidity_pct": pl.Float64}), "manifest_values") == []
    assert check(pl.DataFrame({"other": [1.0]}), "manifest_values") == []


def test_unknown_suite() -> None:
    with pytest.raises(InputError, match="no contract suite"):
        load_suite("none")
