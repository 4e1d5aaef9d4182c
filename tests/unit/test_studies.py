"""Helpers of the studies: a section of results is replaced alone, a kept table is made once."""

import tomllib
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.causes.table import effect_table, load_effects
from models.work.worth import waiting
from tests.otherfleet.make import FIRST_WEEK
from tests.otherfleet.make import Fault as OtherFault
from tests.studies.causes_fit import CAUSES_FOLDER, Estimated, write
from tests.studies.causes_fit_structures import Shown, as_toml, pooled
from tests.studies.order_of_work import Truth, first_of, pooled_lines
from tests.studies.planning_run import Replay, every
from tests.studies.results import write_section
from tests.studies.sample_readings import ReadFleet, read_fleet
from tests.studies.savings import HORIZON_WEEKS, Statement, expected_cost, would_have_come
from tests.studies.savings_fleets import SampleFleet, SecondFleet, _found
from tests.studies.study_cache import FOLDER, kept
from tests.studies.test_planning import Fault, at_best, count, report, to_spare
from tests.studies.tracking import (
    came_true,
    not_said_crossed,
    not_yet,
    scenario,
    stated_weeks,
    study_fleet,
    trade_off_lines,
)
from tests.studies.tracking import report as tracking_report
from tests.studies.tracking_ceiling import Known, odds, second_last
from tests.studies.tracking_other import _moment
from tests.studies.tracking_run import Share, interval
from tests.studies.true_levels import true_crossings, week_of


def test_section_is_replaced_and_the_rest_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "RESULTS.md"
    file.write_text("# Results\n\nby hand\n", "utf-8")
    write_section("one", ["first"], file)
    write_section("two", ["other"], file)
    write_section("one", ["second"], file)
    text = file.read_text("utf-8")
    assert text.startswith("# Results\n\nby hand\n")
    assert "first" not in text
    assert text.index("second") < text.index("other")
    assert text.count("<!-- one:") == 2


def test_table_is_made_once_per_request(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def make() -> pl.DataFrame:
        made.append(1)
        return pl.DataFrame({"x": [1.5]})

    monkeypatch.setenv(FOLDER, str(tmp_path))
    assert kept(("a", 1), make).equals(kept(("a", 1), make))
    assert len(made) == 1
    kept(("a", 2), make)
    assert len(made) == 2
    monkeypatch.delenv(FOLDER)
    kept(("a", 1), make)
    assert len(made) == 3


def test_what_was_fitted_is_written_as_it_is_read() -> None:
    """The shipped table, taken apart and written by the study, is the shipped table."""
    shipped = CAUSES_FOLDER / "cause_effects.toml"
    document = tomllib.loads(shipped.read_text("utf-8"))
    entries = [(code, one) for code, ways in document["causes"].items() for one in ways]
    result = {
        (code, one["shows"]): {
            name: Estimated(effect, spread, one["cases"]) for name, (effect, spread) in one["effects"].items()
        }
        for code, one in entries
    }
    gains = {(code, one["shows"]): one["gain"] for code, one in entries}
    written = write(load_effects("trade"), result, gains, document["discrepancy"], ["made here"])
    assert tomllib.loads(written) == document


def test_effects_of_other_structures_are_found_with_the_spread_between_them() -> None:
    """Engines of five structures that differ by a tenth of the flow: the effect is theirs in the mean, and the spread that of all."""
    rng = np.random.default_rng(2)
    way = ("intake_restricted", "restriction at high flow")
    shown = [
        Shown(
            f"s{s}",
            way,
            severity,
            {"main_peak": (severity * off + 0.004 * float(rng.standard_normal()), 0.006), "needles": (0.0, 0.25)},
        )
        for s, off in enumerate((-0.10, -0.15, -0.20, -0.25, -0.30))
        for severity in (0.3, 0.6, 1.0, 1.0)
    ]
    document = tomllib.loads(as_toml(pooled(shown, effect_table()), ["made here"]))
    (one,) = document["causes"]["intake_restricted"]
    effect, spread = one["effects"]["main_peak"]
    assert effect == pytest.approx(-0.20, abs=0.02)
    assert spread == pytest.approx(0.07, abs=0.03)
    assert "needles" not in one["effects"]  # the trade does not name it, and it did not move
    table = effect_table({}, document)
    shares: dict[str, float] = {}
    for pattern in table.patterns:
        shares[pattern.cause] = shares.get(pattern.cause, 0.0) + pattern.share
    assert all(share == pytest.approx(1.0) for share in shares.values())
    (other,) = [p for p in table.patterns if p.name.endswith("as other structures show it")]
    assert other.share == document["structures_share"]


def a_replay(visits: dict[str, list[str]], caught: dict[str, str]) -> Replay:
    nothing = pl.DataFrame()
    truth = pl.DataFrame({"van_id": ["a", "b", "c"]})
    weeks = tuple(f"2026-W{number:02d}" for number in range(1, 7))
    return Replay(ReadFleet(nothing, nothing, nothing, {}, truth, nothing, weeks), nothing, visits, caught)


def test_fixed_tests_take_each_van_in_its_turn() -> None:
    run = a_replay({}, {})
    assert [sorted(every(2)(run, week)) for week in run.fleet.weeks[:3]] == [["a", "c"], ["b"], ["a", "c"]]
    assert all(sorted(every(1)(run, week)) == ["a", "b", "c"] for week in run.fleet.weeks)


def test_a_fault_is_in_time_until_the_end_of_the_week_of_its_mark() -> None:
    at_mark = Fault(
        "lambda_slow", datetime(2026, 1, 6, tzinfo=UTC), datetime(2026, 1, 21, tzinfo=UTC), at_once=False
    )  # weeks 2 and 4
    at_once = Fault("unmetered_air", datetime(2026, 1, 6, tzinfo=UTC), datetime(2026, 1, 20, tzinfo=UTC), at_once=True)
    faults = {"a": at_mark, "b": at_mark, "c": at_once}
    weekly = count(
        [(a_replay({"a": ["2026-W01"] * 6, "b": ["2026-W01"] * 4}, {"a": "2026-W04", "c": "2026-W04"}), faults)]
    )
    assert (weekly.visits, weekly.in_time, weekly.growing, weekly.delays) == (
        10,
        [True, False, True],
        [True, False],
        [2, 2],
    )
    plan = count([(a_replay({"a": ["2026-W01"] * 5}, {"a": "2026-W04", "b": "2026-W05", "c": "2026-W04"}), faults)])
    assert plan.in_time == [True, False, True]
    assert report({"weekly": weekly, "plan": plan}, 3).endswith("with at most half of the visits: met.")
    late = count([(a_replay({"a": ["2026-W01"] * 5}, {}), faults)])
    assert late.delays == []
    assert report({"weekly": weekly, "plan": late}, 3).endswith("with at most half of the visits: NOT met.")
    dear = count([(a_replay({"a": ["2026-W01"] * 6}, {"a": "2026-W03", "c": "2026-W03"}), faults)])
    assert "NOT met" in report({"weekly": weekly, "plan": dear}, 3)


def test_what_weekly_tests_have_to_spare_bounds_rarer_ones() -> None:
    mark = datetime(2026, 1, 21, tzinfo=UTC)  # week 4
    faults = {van: Fault("lambda_slow", datetime(2026, 1, 6, tzinfo=UTC), mark, at_once=False) for van in "abc"}
    assert to_spare([(a_replay({}, {"a": "2026-W04", "b": "2026-W03"}), faults)]) == [0, 1, -1]
    assert at_best([0, 1, -1], 1) == pytest.approx(2 / 3)
    assert at_best([0, 1, -1], 2) == pytest.approx((1 / 2 + 1) / 3)
    assert at_best([0, 1, -1], 3) == pytest.approx((1 / 3 + 2 / 3) / 3)


def test_orders_are_held_against_what_whoever_knew_would_say() -> None:
    truth = {"a": Truth("unmetered_air", 0.9), "b": Truth("lambda_slow", 0.8), "c": Truth("none", 0.0)}
    orders = pl.DataFrame(
        {
            "van_id": ["a", "b", "c"],
            "week": "2026-W10",
            "cause": ["unmetered_air", "lambda_offset", "lambda_slow"],
            "expected_cost_avoided": [100.0, 900.0, -5.0],
            "warranty_until": [None, None, None],
        },
        schema_overrides={"warranty_until": pl.Date},
    )
    first = first_of(orders, truth)
    assert first["true"].to_list() == ["unmetered_air", "lambda_slow", "none"]
    assert first["cost"][0] > first["cost"][1] > first["cost"][2] == 0.0
    assert first["knows_misses"].to_list() == [100.0, *first["true_worth"][1:].to_list()]
    assert first["knows_right"].to_list() == [first["true_worth"][0], 900.0, -5.0]
    told = pooled_lines("fleet", [first, first])
    assert told[0] == "### fleet: 2 fleets, 6 orders, 2 of healthy vans"
    assert "| what the orders say | true cost | 0.50 (0.50 to 0.50) | 0 of 2 |" in told
    assert any(line.startswith("| lambda_slow | 2 | 0 |") for line in told)


def test_weeks_hold_what_came_never_among_it() -> None:
    rows = [
        ("a", 1.0, 3.0, 6.0, 4.0, 0.8),
        ("b", 1.0, 3.0, 6.0, np.inf, 0.8),
        ("c", 1.0, 3.0, np.inf, np.inf, 0.6),
        ("d", 1.0, 3.0, np.inf, 0.5, 0.6),
        ("e", 0.0, 3.0, 6.0, -2.0, 0.9),  # truly beyond: crosses at once
        ("f", 5.0, np.inf, np.inf, np.inf, 0.2),
    ]
    names = ["van_id", "weeks_to_limit_low", "weeks_to_limit", "weeks_to_limit_high", "true_weeks", "cross_within_13"]
    forecast = pl.DataFrame(rows, schema=names, orient="row").with_columns(
        seed=pl.lit(1), quantity=pl.lit("idle_g_s"), alarm=pl.lit(True)
    )
    assert stated_weeks(forecast)["inside"].to_list() == [True, False, True, False, True]
    least, told = trade_off_lines(forecast)[2:4][0], trade_off_lines(forecast)[-1]
    assert least.startswith("| 0.1 | nan")  # nobody has two visits before a crossing
    assert "| 6 |" in least
    assert "| 3 | 0.833 | 0.667 " in told


def test_the_tracking_study_runs_from_the_simulator_to_its_tables() -> None:
    """On a few vans and weeks, one of them repaired, so that a column that moves does not stop it months later."""
    tiny = scenario(vans=10, weeks=14, fault_share=0.5, repair_share=1.0)
    fleet = read_fleet(tiny, 3)
    assert fleet.repairs.height
    states, forecast = study_fleet(fleet, true_crossings(tiny, 3), seed=3, every=5)
    assert forecast.height
    assert "Healthy van-weeks on the list" in tracking_report(states, forecast, 5)


def test_odds_are_judged_by_what_a_reader_sees_and_visits_of_one_movement_are_not_many_cases() -> None:
    rows = [
        ("a", 3.0, 0.4, -2.0),  # truly beyond, but nobody knows: the odds of being beyond came true
        ("a", 3.0, 0.4, -3.0),
        ("b", 5.0, 0.4, 2.0),
        ("c", 9.0, 0.4, np.inf),
        ("d", 0.0, 0.9, -1.0),  # said to be crossed
    ]
    forecast = pl.DataFrame(
        rows, schema=["van_id", "weeks_to_limit", "cross_within_4", "true_weeks"], orient="row"
    ).with_columns(seed=pl.lit(1), quantity=pl.lit("idle_g_s"))
    met = not_said_crossed(forecast)
    assert met["van_id"].to_list() == ["a", "a", "b", "c"]
    assert not_yet(forecast)["van_id"].to_list() == ["b", "c"]
    came, low, high = came_true(met, 4)
    assert came == 0.75
    assert (low, high) == pytest.approx(interval(0.75, 16 / 6))  # three movements, one of them seen twice
    assert interval(0.75, 4)[0] > low


def a_known_van(x: list[float]) -> Known:
    n = len(x)
    std = SimpleNamespace(
        van=np.zeros(n, np.int64),
        starts=np.array([0, n]),
        family=np.zeros(n, np.int64),
        x=np.array(x)[:, None],
        variance=np.ones((n, 1)),
        quantities=("idle_g_s",),
        levels={(0, 0): SimpleNamespace(spread=1.0)},
        scatter=np.ones((1, 1)),
        visits=pl.DataFrame({"van_id": ["a"] * n}),
    )
    crossings = pl.DataFrame(
        {
            "van_id": "a",
            "quantity": "idle_g_s",
            "low": np.nan,
            "high": 9.0,
            "healthy": 1.0,
            "worst": 2.0,
            "crossing": 9.5,
        }
    )
    return Known(std, np.arange(n, dtype=float), crossings, {}, np.array([[[np.nan, 10.0]]]))  # type: ignore[arg-type]


def test_one_who_knows_the_generator_is_as_sure_as_the_readings_allow() -> None:
    course = {"idle_g_s": np.linspace(0.0, 20.0, 5)}
    calm = [0.1, -0.4, 0.3, 0.0, -0.2, 0.5]

    def said(x: list[float], course: dict[str, np.ndarray] = course) -> float:
        return odds(a_known_van(x), [course], len(x) - 1, 0, 1.0, {"idle_g_s": 1.0}, ["idle_g_s"])

    assert said([*calm, 2.0, 4.5, 6.0]) > 0.9
    assert said([*calm, 0.2, -0.1, 0.4]) < 0.4
    assert (
        said([*calm, 2.0, 4.5, 6.0], {"idle_g_s": np.linspace(0.0, 8.0, 5)}) < 0.3
    )  # this fault ends short of the limit
    assert second_last(a_known_van([0.0] * 12)) == [(8, 0, 1.0)]
    assert second_last(a_known_van([0.0])) == []


def test_a_fault_of_the_second_fleet_crosses_in_the_week_that_reaches_the_severity() -> None:
    fault = OtherFault("lambda_slow", 0.8, onset=4, ramp_weeks=8.0, profile="ramp")
    start = week_of(FIRST_WEEK)
    assert _moment(fault, 0.5) - start == pytest.approx(7.0)
    assert _moment(fault, np.inf) == np.inf
    assert np.isnan(_moment(fault, np.nan))
    late = OtherFault("lambda_slow", 0.8, onset=20, ramp_weeks=12.0, profile="ramp")
    assert _moment(late, 1.0) == np.inf  # after the last week


@pytest.mark.parametrize("of", [7, 177, 189])
def test_no_share_is_below_none_or_above_all(of: int) -> None:
    assert Share(0, of).interval[0] == 0.0
    assert 0.9 * of / (of + 4) < Share(of, of).interval[1] <= 1.0
    assert "-" not in str(Share(0, of))


def test_savings_are_held_against_what_leaving_the_mended_faults_would_have_cost() -> None:
    rows = pl.DataFrame(
        {
            "cause": ["fuel_delivery_weak", "unmetered_air", "none"],
            "severity": [0.8, 0.5, 0.0],
            "mended": [True, True, False],
        }
    )
    known = sum(
        waiting(cause, size, HORIZON_WEEKS).cost
        for cause, size in (("fuel_delivery_weak", 0.8), ("unmetered_air", 0.5))
    )
    assert expected_cost(rows) == pytest.approx(known)
    came = would_have_come(rows, np.random.default_rng(1))
    assert came.mean() == pytest.approx(known, abs=4 * came.std() / np.sqrt(came.size))
    right = Statement("a fleet 1", "", 3, 2, 900.0, 1000.0, 500.0, 2000.0, known, came, 1, known)
    assert right.holds_expected == (500.0 <= known <= 2000.0)
    assert right.holds_what_came == pytest.approx(np.mean((came >= 500.0) & (came <= 2000.0)))


@pytest.mark.parametrize("kind", [SampleFleet, SecondFleet])
def test_a_repaired_van_has_no_fault_from_then_on(kind: type[SampleFleet] | type[SecondFleet]) -> None:
    fleet = kind(5, 12, 14)
    names = fleet.vans if isinstance(fleet, SampleFleet) else [f"OV{n + 1:03d}" for n in range(12)]
    van_id = next(van for van in names if fleet.fault(van, 13)[1] > 0.0)
    fleet.repair(van_id, 13)
    assert fleet.fault(van_id, 13) == ("none", 0.0)
    assert len(fleet.weeks) == 14
    assert fleet.weeks[0] == "2026-W02"


@pytest.mark.parametrize(
    ("words", "cause", "outcome"),
    [
        ({"cause": "unmetered_air"}, "unmetered_air", ("unmetered_air", True)),
        ({"cause": "lambda_slow", "second_cause": "unmetered_air"}, "unmetered_air", ("unmetered_air", True)),
        ({"cause": "lambda_slow"}, "unmetered_air", ("lambda_slow", False)),
        ({"cause": "lambda_slow"}, "none", ("lambda_slow", False)),
        ({"test": "intake_smoke"}, "lambda_slow", ("none", False)),
        ({"test": "intake_smoke"}, "none", ("none", False)),
    ],
)
def test_the_workshop_does_what_the_order_says(words: dict[str, str], cause: str, outcome: tuple[str, bool]) -> None:
    order = {"action_facts": [{"code": "do_job", "words": words}]}
    assert _found(order, cause, np.random.default_rng(0)) == outcome
