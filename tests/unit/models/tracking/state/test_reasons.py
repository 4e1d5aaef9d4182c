"""Why a van is on the list: which facts, in which order, with which numbers."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from data_contracts.weeks import week_number
from models.tracking.baseline import FamilyLevel
from models.tracking.state.record import Judged
from models.tracking.state.states import states_of

QUANTITIES = (
    "idle_g_s",
    "first_peak_g_s",
    "run_up_time_s",
    "lambda_to_rich_time_constant_s",
    "cycle_ripple",
    "lambda_idle",
)
LEVEL = np.log(np.array([3.0, 60.0, 0.7, 0.09, 0.004, 1.0]))


def _row(values: dict[str, float] | None, usual: float) -> np.ndarray:
    return np.array([[(values or {}).get(name, usual) for name in QUANTITIES]])


def _two(row: np.ndarray) -> np.ndarray:
    """The row of the van, and a second van that has nothing."""
    return np.vstack([row, np.zeros((1, len(QUANTITIES)))])


def _standardised(serials: tuple[str | None, ...]) -> SimpleNamespace:
    """One visit of each van, by the recorders of these serial numbers."""
    n = len(QUANTITIES)
    return SimpleNamespace(
        visits=pl.DataFrame(
            {
                "van_id": ["v", "w"],
                "family": "f",
                "depot": "d",
                "week": ["2026-W14", "2026-W13"],
                "recorder_serial": serials,
            },
            schema_overrides={"recorder_serial": pl.String},
        ),
        quantities=QUANTITIES,
        families=("f",),
        family=np.zeros(2, np.int64),
        van=np.arange(2),
        weeks=np.array([14, 13]),
        scatter=np.full((1, n), 0.02),
        levels={(0, q): FamilyLevel(LEVEL[q], 0.0, 0.03, 20.0, 9) for q in range(n)},
    )


def _forecasts(limits: dict[str, float], means: dict[str, str], level: np.ndarray) -> SimpleNamespace:
    """Weeks of the van to its limits, what comes of crossing each, and its levels; what moves goes on."""
    n = len(QUANTITIES)
    weeks = {QUANTITIES.index(name): at for name, at in limits.items()}
    return SimpleNamespace(
        by_quantity={
            q: SimpleNamespace(
                median=np.array([at, np.inf]),
                low=np.array([at / 2, np.inf]),
                high=np.array([at * 2, np.inf]),
                within_next=np.zeros(2),
                within_4=np.zeros(2),
                within_8=np.zeros(2),
                within_13=np.zeros(2),
            )
            for q, at in weeks.items()
        },
        beyond=np.where(np.isin(np.arange(n), list(weeks)), 0.4, np.nan) * np.ones((2, 1)),
        limits=dict.fromkeys(((0, q) for q in range(n)), (np.nan, 0.37)),
        beyond_means={(0, q): ("now", means.get(name, "power")) for q, name in enumerate(QUANTITIES)},
        trim_sum_pct=(35.0,),
        level=level,
        level_u=np.zeros((2, n)),
        moving=np.ones((2, n)),
        stepped=np.zeros((2, n)),
        **{name: _began(week) for name, week in (("onset", 9), ("onset_low", 8), ("onset_high", 11))},
        drift=lambda followed, rows, q: (followed.slope[rows, q], np.sqrt(followed.var_slope[rows, q])),
    )


def _began(week: int) -> np.ndarray:
    """When the first quantity of either van began to move; the others can't be dated."""
    numbers = np.full((2, len(QUANTITIES)), np.nan)
    numbers[:, 0] = week_number(f"2026-W{week:02d}")
    return numbers


def _repeats(unsteady: dict[str, float]) -> SimpleNamespace:
    """Quantities in which the van's repeats disagree, and how many times more than usual."""
    watched = tuple(unsteady)
    return SimpleNamespace(
        quantities=watched,
        alarm=np.array([[True] * len(watched), [False] * len(watched)]).reshape(2, -1),
        times=np.array([list(unsteady.values())] * 2, dtype=np.float64).reshape(2, -1),
        since=np.ones((2, len(watched)), np.int64),
    )


def _odd(anomaly: dict[str, float] | None) -> SimpleNamespace:
    """How unlike the healthy the van is, by what each quantity contributes."""
    parts = anomaly or {"idle_g_s": 0.0}
    return SimpleNamespace(
        flagged=np.array([bool(anomaly), False]),
        score=np.ones(2),
        p=np.array([0.0004, 0.9]),
        names=tuple(parts),
        contributions=np.array([list(parts.values())] * 2),
        cards=(),
        models={},
    )


def _told(
    *,
    own: dict[str, float] | None = None,
    peer: dict[str, float] | None = None,
    limits: dict[str, float] | None = None,
    unsteady: dict[str, float] | None = None,
    anomaly: dict[str, float] | None = None,
    serials: tuple[str | None, ...] = ("R1", "R1"),
    means: dict[str, str] | None = None,
    **followed: dict[str, float],
) -> list[dict[str, Any]]:
    """Facts of a van whose own charts, family comparison and limits say so: how far off, or weeks to the limit.

    A second van of the fleet has nothing; its recorder is the second of `serials`.
    """
    std = _standardised(serials)
    is_own, is_peer = _row(own, 0.0) != 0, _row(peer, 0.0) != 0
    alarms = SimpleNamespace(
        own=_two(is_own) > 0,
        peer=_two(is_peer) > 0,
        any=_two(is_own | is_peer) > 0,
        peer_z=_two(_row(peer, 0.0)),
        level_z=_two(_row(None, 5.0)),
        ewma_limit=np.ones((2, len(QUANTITIES))),
        since=np.ones((2, len(QUANTITIES)), np.int64),
    )
    of = {"level": 0.0, "baseline": 0.0, "slope": 0.0, "var_slope": 1.0}
    table = SimpleNamespace(
        ewma=_two(_row(own, np.nan)), **{name: _two(_row(followed.get(name), usual)) for name, usual in of.items()}
    )
    forecasts = _forecasts(limits or {}, means or {}, table.level)
    judged = Judged(std, table, alarms, forecasts, _repeats(unsteady or {}), {})  # type: ignore[arg-type]
    states = states_of(judged, _odd(anomaly), np.arange(2))  # type: ignore[arg-type]
    return states.row(by_predicate=pl.col("van_id") == "v", named=True)["reason_facts"]


def _codes(facts: list[dict[str, Any]]) -> list[tuple[str, str | None]]:
    return [(fact["code"], fact["quantity"]) for fact in facts]


def test_own_movements_come_the_strongest_first_and_three_at_most() -> None:
    facts = _told(
        own={"run_up_time_s": -2.0, "cycle_ripple": 9.0, "lambda_idle": -4.0, "lambda_to_rich_time_constant_s": 3.0}
    )
    assert _codes(facts) == [
        ("own_movement", "cycle_ripple"),
        ("own_movement", "lambda_idle"),
        ("own_movement", "lambda_to_rich_time_constant_s"),
        ("one_more_outside", None),
    ]


def test_the_family_tells_what_the_own_past_does_not_two_at_most() -> None:
    peer = {"run_up_time_s": -5.0, "lambda_to_rich_time_constant_s": 6.0, "lambda_idle": -7.0, "cycle_ripple": 4.0}
    facts = _told(own={"cycle_ripple": 2.0}, peer=peer)
    assert _codes(facts) == [
        ("own_movement", "cycle_ripple"),
        ("peer_difference", "lambda_idle"),
        ("peer_difference", "lambda_to_rich_time_constant_s"),
        ("one_more_outside", None),
    ]
    more = _told(own=dict.fromkeys(QUANTITIES[2:], 3.0), peer=peer)
    assert _codes(more)[-1] in (("more_outside", None), ("one_more_outside", None))
    assert _told(peer=peer | {"run_up_time_s": -9.0})[-1]["numbers"] == _told(peer=peer)[-1]["numbers"]


def test_more_than_one_left_over_is_counted() -> None:
    facts = _told(
        peer={"run_up_time_s": 5.0, "lambda_to_rich_time_constant_s": 6.0, "lambda_idle": 7.0, "cycle_ripple": 4.0}
    )
    assert _codes(facts)[-1] == ("more_outside", None)
    assert _numbers(facts[-1]) == {"count": 2.0}


def _numbers(fact: dict[str, Any]) -> dict[str, float]:
    told = fact["numbers"]
    return told if isinstance(told, dict) else {one["key"]: one["value"] for one in told}


def _words(fact: dict[str, Any]) -> dict[str, str]:
    told = fact["words"]
    return told if isinstance(told, dict) else {one["key"]: one["value"] for one in told}


def test_a_movement_tells_its_levels_its_weeks_and_a_slope_that_is_sure() -> None:
    (fact,) = _told(
        own={"idle_g_s": 3.0},
        level={"idle_g_s": 5.0},
        baseline={"idle_g_s": -1.0},
        slope={"idle_g_s": 0.5},
        var_slope={"idle_g_s": 0.06},
        serials=(None, None),
    )
    numbers, words = _numbers(fact), _words(fact)
    assert numbers["level"] == pytest.approx(3.0 * np.exp(0.02 * 5))
    assert numbers["baseline"] == pytest.approx(3.0 * np.exp(-0.02))
    assert numbers["slope_per_week"] == pytest.approx(0.5 * 0.02 * numbers["level"])  # at the level that is told
    assert (words["since"], words["onset"]) == ("2026-W13", "2026-W09")
    assert (words["onset_low"], words["onset_high"]) == ("2026-W08", "2026-W11")
    (unsure,) = _told(
        own={"idle_g_s": 3.0},
        level={"idle_g_s": -5.0},
        slope={"idle_g_s": -0.5},
        var_slope={"idle_g_s": 0.0651},
        serials=(None, None),
    )
    assert _words(unsure)["movement"] == "unclear"
    assert _numbers(unsure).get("slope_per_week") is None
    falling_off = {"slope": {"lambda_idle": -0.5}, "var_slope": {"lambda_idle": 0.06}}
    (falling,) = _told(own={"lambda_idle": 3.0}, level={"lambda_idle": -5.0}, **falling_off)
    assert _numbers(falling)["slope_per_week"] < 0
    assert _words(falling).get("onset") is None
    (back,) = _told(own={"lambda_idle": 3.0}, level={"lambda_idle": 5.0}, **falling_off)
    assert _words(back)["movement"] == "returning"
    assert "slope_per_week" not in _numbers(back)  # nothing is foretold of what comes back


def test_limits_come_first_crossed_or_ahead_and_only_within_sight() -> None:
    facts = _told(own={"run_up_time_s": 3.0}, limits={"run_up_time_s": 0.0})
    assert _codes(facts) == [("limit_crossed", "run_up_time_s"), ("own_movement", "run_up_time_s")]
    facts = _told(own={"run_up_time_s": 3.0}, limits={"run_up_time_s": 8.0})
    assert _codes(facts)[0] == ("limit_ahead", "run_up_time_s")
    assert _numbers(facts[0]) == {"weeks": 8.0, "weeks_low": 4.0, "weeks_high": 16.0, "horizon": 52.0}
    assert _codes(_told(own={"run_up_time_s": 3.0}, limits={"run_up_time_s": 52.0}))[0][0] == "limit_ahead"
    assert _codes(_told(own={"run_up_time_s": 3.0}, limits={"run_up_time_s": 52.1}))[0][0] == "own_movement"
    quiet = _told(own={"cycle_ripple": 3.0}, limits={"run_up_time_s": 8.0})  # its quantity is not in alarm
    assert _codes(quiet) == [("own_movement", "cycle_ripple")]


def test_a_crossed_limit_tells_level_limit_and_what_comes_of_it_also_of_what_is_not_in_alarm() -> None:
    facts = _told(own={"cycle_ripple": 3.0}, limits={"run_up_time_s": 0.0}, level={"run_up_time_s": 10.0})
    assert _codes(facts) == [("limit_crossed", "run_up_time_s"), ("own_movement", "cycle_ripple")]
    assert _numbers(facts[0]) == {"level": pytest.approx(0.7 * np.exp(0.2)), "limit": 0.37}
    assert _words(facts[0]) == {"means": "power"}


def test_limits_come_crossed_first_then_by_what_hurts_most() -> None:
    four = ("run_up_time_s", "cycle_ripple", "lambda_idle", "idle_g_s")
    facts = _told(
        own=dict.fromkeys(four, 3.0),
        limits=dict(zip(four, (0.0, 0.0, 2.0, 1.0), strict=True)),
        means={"run_up_time_s": "catalyst", "cycle_ripple": "engine", "lambda_idle": "hazard", "idle_g_s": "fuel"},
    )
    assert _codes(facts)[:4] == [
        ("limit_crossed", "cycle_ripple"),
        ("limit_crossed", "run_up_time_s"),
        ("limit_ahead", "lambda_idle"),
        ("limit_ahead", "idle_g_s"),
    ]


def test_a_response_tells_against_what_limit() -> None:
    name = "lambda_to_rich_time_constant_s"
    facts = _told(own={name: 3.0}, limits={name: 0.0})
    assert _codes(facts)[:2] == [("limit_crossed", name), ("limit_translated", name)]
    assert _numbers(facts[1])["limit"] == 0.37
    assert _numbers(facts[1])["level"] == pytest.approx(0.09)
    assert _words(facts[1])["family"] == "f"


def test_a_difference_from_the_family_tells_both_levels() -> None:
    (fact,) = _told(peer={"run_up_time_s": 9.0}, level={"run_up_time_s": 10.0})
    assert _numbers(fact)["level"] == pytest.approx(0.7 * np.exp(0.2))
    assert _numbers(fact)["peer_baseline"] == pytest.approx(0.7)
    assert _words(fact)["family"] == "f"


@pytest.mark.parametrize(
    ("quantity", "serials", "told"),
    [
        ("idle_g_s", ("R1", "R2"), True),
        ("idle_g_s", ("R1", "R1"), False),
        ("idle_g_s", (None, None), False),
        ("lambda_idle", ("R1", "R2"), False),
    ],
)
def test_a_recorder_no_other_van_used_is_named_where_a_flow_is_off(quantity, serials, told) -> None:
    facts = _told(own={quantity: 3.0}, serials=serials)
    assert (("lone_recorder", None) in _codes(facts)) is told
    if told:
        assert _words(facts[-1]) == {"recorder": "R1"}


def test_repeats_that_disagree_most_and_an_anomalys_two_parts_come_last() -> None:
    facts = _told(
        unsteady={"cycle_ripple": 2.0, "lambda_idle": 3.5}, anomaly={"a": 0.1, "idle_g_s": 0.7, "lambda_idle": 0.4}
    )
    assert _codes(facts) == [("repeats_disagree", "lambda_idle"), ("unlike_healthy", "idle_g_s")]
    assert _numbers(facts[0]) == {"times": 3.5}
    assert _words(facts[0]) == {"since": "2026-W13"}
    assert _numbers(facts[1]) == {"p": 0.0004}
    assert _words(facts[1]) == {"second": "lambda_idle"}
    (calm,) = _told(unsteady={"cycle_ripple": 0.4})
    assert _numbers(calm) == {"times": 1.0}  # never said to be steadier than usual
