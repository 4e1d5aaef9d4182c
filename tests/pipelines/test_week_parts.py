"""Parts of a week by themselves: which captures are one visit, what is read again, what stands where on the list, whose codes count."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from data_contracts.capture import Conditions
from data_contracts.family import parse_family
from data_contracts.states import URGENCIES
from pipelines.weekly import read_captures
from pipelines.weekly.assign_visits import visits
from pipelines.weekly.captures_judged import fault_codes
from pipelines.weekly.judging import _silence
from pipelines.weekly.left_standing import _put_behind
from pipelines.weekly.read_captures import _Batch, _conditions, _parted, _read_apart
from pipelines.weekly.reading_due import READ_BY, _plain, family_print, read_id
from tests.readings_fleet import FAMILIES_TABLE

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def visits_of(*captures: tuple[str, float, str | None]) -> list[str]:
    """Visits of captures: van, hours after nine, delivered word; in the order given."""
    frame = pl.DataFrame(
        {
            "capture_id": [str(n) for n in range(len(captures))],
            "van_id": [van for van, _, _ in captures],
            "captured_at": [AT + timedelta(hours=hours) for _, hours, _ in captures],
            "delivered_visit": [word for _, _, word in captures],
        },
        schema_overrides={"delivered_visit": pl.String},
    )
    return visits(frame).sort("capture_id")["visit"].to_list()


def test_captures_less_than_two_hours_apart_are_one_visit() -> None:
    first, second = "2026-03-02T09:00Z", "2026-03-02T12:59Z"
    assert visits_of(("a", 0, None), ("a", 1.99, None), ("a", 3.983334, None)) == [first, first, first]
    assert visits_of(("a", 0, None), ("a", 2.0, None)) == [first, "2026-03-02T11:00Z"]
    assert visits_of(("a", 3.983334, ""), ("a", 0, None), ("b", 0.5, None)) == [second, first, "2026-03-02T09:30Z"]


def test_a_delivered_word_holds_for_a_day() -> None:
    assert visits_of(("a", 0, "x"), ("a", 5, "x"), ("a", 28.9, "x")) == ["x", "x", "x"]
    assert visits_of(("a", 0, "x"), ("a", 24, "x")) == ["x", "x 2026-03-03T09:00Z"]
    assert visits_of(("a", 0, "x"), ("b", 1, "x"), ("a", 1, "y"), ("a", 1, None)) == [
        "x",
        "x",
        "y",
        "2026-03-02T10:00Z",
    ]


ROW: dict[str, Any] = dict.fromkeys(READ_BY) | {
    "waveform_id": "w",
    "van_id": "a",
    "captured_at": AT,
    "delivery": "d",
    "row": 1,
}


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("waveform_id", "v"),
        ("van_id", "b"),
        ("captured_at", AT + timedelta(seconds=1)),
        ("coolant_c", 88.0),
        ("intake_air_c", 0.0),
        ("barometer_kpa", 99.0),
        ("humidity_pct", 0.0),
        ("altitude_m", 1.0),
        ("closed_loop", False),
        ("trim_idle_pct", 0.0),
        ("trim_2500_pct", -1.0),
        ("fault_codes", []),
        ("fuel", "E10"),
        ("recorder_offset_u_v", 0.01),
        ("recorder_gain_u", 0.01),
        ("delivery", "e"),
        ("row", 2),
    ],
)
def test_a_recording_is_read_again_once_anything_it_rests_on_changed(column: str, value: object) -> None:
    before = read_id(ROW, "family", "method")
    assert read_id(dict(ROW), "family", "method") == before
    assert read_id(ROW | {column: value}, "family", "method") != before
    assert read_id(ROW, "other", "method") != before
    assert read_id(ROW, "family", "other") != before
    assert read_id(ROW | {"note": "x", "visit": "y"}, "family", "method") == before


def test_a_family_is_known_by_every_figure_a_reading_rests_on() -> None:
    name, table = next(iter(FAMILIES_TABLE.items()))
    before = family_print(parse_family(name, table))
    assert family_print(parse_family(name, table)) == before
    changed = dict(table)
    for key, value in (("displacement_l", 9.5), ("cylinders", 6), ("max_free_rpm", 5111), ("lambda_banks", 2)):
        assert family_print(parse_family(name, changed | {key: value})) != before, key
    for inner in ("airflow_sensor", "main_peak"):
        assert isinstance(table[inner], dict)
    peak = dict(table["main_peak"]) | {"expected_g_s": 1.0 + table["main_peak"]["expected_g_s"]}  # type: ignore[index]
    assert family_print(parse_family(name, changed | {"main_peak": peak})) != before
    assert family_print(parse_family(name, changed | {"hybrid": "full"})) == before  # says nothing of a reading
    assert _plain({"a": pl.Series([1.5]).to_numpy()}) == {"a": [1.5]}


def test_conditions_reach_the_reading_under_their_own_names() -> None:
    told = {
        name: float(n)
        for n, name in enumerate(vars(Conditions()))
        if name not in ("closed_loop", "fault_codes", "fuel")
    }
    row = told | {"closed_loop": False, "fault_codes": ["P0171"], "fuel": "E10"}
    assert vars(_conditions(row)) == told | {"closed_loop": False, "fault_codes": ("P0171",), "fuel": "E10"}
    assert _conditions(row | {"fault_codes": None}).fault_codes == ()


def test_batches_are_bounded_in_recordings_and_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    def sizes(*samples: int, processes: int = 1, most: int = 6) -> list[int]:
        spans = list(_parted(samples, processes, most))
        assert [number for span in spans for number in range(*span)] == list(range(len(samples)))
        return [stop - first for first, stop in spans]

    monkeypatch.setattr(read_captures, "_LEAST_RECORDINGS", 2)
    monkeypatch.setattr(read_captures, "_MOST_SAMPLES", 100)
    assert sizes() == []
    assert sizes(*[1] * 7) == [2, 2, 2, 1]  # the least
    assert sizes(*[1] * 16) == [4] * 4  # some for each process
    assert sizes(*[1] * 16, processes=2) == [2] * 8
    assert sizes(*[1] * 50) == [6] * 8 + [2]  # the most
    assert sizes(*[1] * 50, most=2) == [2] * 25  # for workers of a cluster, however many they are
    assert sizes(*[40] * 7) == [2, 2, 2, 1]
    assert sizes(200, 1, 99, 1, 300) == [1, 2, 1, 1]  # one that is larger is a batch of its own


def test_of_a_batch_only_the_recordings_at_fault_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []

    def read(batch: _Batch) -> Any:
        numbers = [row["n"] for row in batch.recordings]
        tried.append(len(numbers))
        if {3, 10} & set(numbers):
            raise ZeroDivisionError("no")
        return numbers

    monkeypatch.setattr(read_captures, "_read_batch", read)
    rows = [{"n": n, "file": f"{n}.csv", "delivery": "d"} for n in range(16)]
    result = _read_apart(_Batch(Path(), rows, {}))
    assert sorted(n for part in result.tables for n in part) == [n for n in range(16) if n not in (3, 10)]  # type: ignore[attr-defined]
    assert [told.splitlines()[0] for told in result.failed] == ["3.csv of delivery d", "10.csv of delivery d"]
    assert all("ZeroDivisionError: no" in told for told in result.failed)
    assert len(tried) < 20
    monkeypatch.setattr(read_captures, "_read_batch", lambda batch: (_ for _ in ()).throw(OSError("disk")))
    with pytest.raises(OSError, match="disk"):  # the workspace, not a recording
        _read_apart(_Batch(Path(), rows, {}))


def test_a_van_that_stands_from_before_is_put_behind_those_as_urgent() -> None:
    now, plan, watch = URGENCIES

    def frame(*rows: tuple[str, str]) -> pl.DataFrame:
        return pl.DataFrame(rows, schema=["van_id", "urgency"], orient="row")

    listed = frame(("a", now), ("b", plan), ("c", plan), ("d", watch))
    put = _put_behind(listed, frame(("x", watch), ("y", plan), ("z", now)))
    assert put["van_id"].to_list() == ["a", "z", "b", "c", "y", "d", "x"]
    assert _put_behind(listed[3:], frame(("z", now)))["van_id"].to_list() == ["z", "d"]
    assert _put_behind(listed[:0], frame(("y", plan)))["van_id"].to_list() == ["y"]
    assert _put_behind(listed, listed[:0]).equals(listed)


def test_codes_of_the_last_nine_captures_since_the_repair_count() -> None:
    def captures(van: str, *codes: list[str] | None) -> pl.DataFrame:
        at = [AT + timedelta(days=n) for n in range(len(codes))]
        rows = {"van_id": van, "captured_at": at, "fault_codes": list(codes)}
        return pl.DataFrame(rows, schema_overrides={"fault_codes": pl.List(pl.String)})

    frame = pl.concat(
        [
            captures("a", ["P0300"], ["P0171"], *[None] * 7, ["P0101", "P0171"]),
            captures("b", ["P0300"], ["P0171"], []),
            captures("c", ["P0420"]),
        ]
    )
    repairs = pl.DataFrame({"van_id": ["b", "b"], "done_at": [AT - timedelta(days=9), AT]})
    assert fault_codes(frame, ("a", "b", "d"), repairs) == [("P0101", "P0171"), ("P0171",), ()]
    assert fault_codes(frame[::-1], ("b",), repairs[:0]) == [("P0171", "P0300")]


def test_a_silent_list_says_since_when() -> None:
    def told(last: list[str], week: str) -> list[tuple[str, object]]:
        found = _silence(pl.DataFrame({"week": last}, schema={"week": pl.String}), week)
        return [(fact.code, fact.row()["words"]) for fact in found]

    assert told(["2026-W05", "2026-W09"], "2026-W12") == []
    ((code, words),) = told(["2026-W09", "2026-W05"], "2026-W13")
    assert (code, dict(words)) == ("no_visit_since", {"since": "2026-W09"})  # type: ignore[call-overload]
    ((code, words),) = told([], "2026-W13")
    assert (code, dict(words)) == ("no_visit_until", {"week": "2026-W13"})  # type: ignore[call-overload]
    assert date.fromisocalendar(2026, 13, 1) - date.fromisocalendar(2026, 9, 1) == timedelta(weeks=4)
