"""Which vans are listed, whose limits count, and the order of the states."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.tracking.baseline import FamilyLevel
from models.tracking.state.record import Judged
from models.tracking.state.states import _trims_together, states_of


def _states(vans: dict[str, dict[str, float]], *, call: str = "now", means: str = "power") -> pl.DataFrame:
    """States of vans with one visit each of one quantity; what is not given is that of a van in alarm without a limit."""
    n, none = len(vans), np.zeros((len(vans), 1))

    def told(name: str, usual: float) -> np.ndarray:
        return np.array([van.get(name, usual) for van in vans.values()])

    std = SimpleNamespace(
        visits=pl.DataFrame(
            {"van_id": list(vans), "family": "f", "depot": "d", "week": "2026-W14", "recorder_serial": "R1"}
        ),
        quantities=("main_peak_reference_g_s",),
        families=("f",),
        family=np.zeros(n, np.int64),
        scatter=np.full((1, 1), 0.02),
        levels={(0, 0): FamilyLevel(np.log(60.0), 0.01, 0.03, 20.0, n)},
        van=np.arange(n),
        weeks=np.zeros(n, np.int64),
    )
    followed = SimpleNamespace(
        ewma=none + 3.0, level=none - 5.0, baseline=none.copy(), slope=none.copy(), var_slope=none + 1.0
    )
    own = told("own", 1.0)[:, None] > 0
    alarms = SimpleNamespace(
        any=own,
        own=own,
        peer=own & False,
        peer_z=none,
        level_z=told("level_z", -5.0)[:, None],
        ewma_limit=none + 1.0,
        since=np.zeros((n, 1), np.int64),
    )
    unsteady = SimpleNamespace(alarm=np.zeros((n, 0), bool), quantities=(), times=none[:, :0], since=none[:, :0])
    forecast = SimpleNamespace(
        median=told("weeks", np.inf),
        low=told("weeks", np.inf),
        high=told("weeks", np.inf),
        within_next=told("next", 0.0),
        within_4=told("within_13", 0.0),
        within_8=told("within_13", 0.0),
        within_13=told("within_13", 0.0),
    )
    forecasts = SimpleNamespace(
        by_quantity={0: forecast},
        beyond=told("beyond", 0.0)[:, None],
        limits={(0, 0): (54.0, np.nan)},
        beyond_means={(0, 0): (call, means)},
        trim_sum_pct=(35.0,),
        level=none - 5.0,
        level_u=none,
        moving=none + 1.0,
        stepped=none,
        onset=none * np.nan,
        onset_low=none * np.nan,
        onset_high=none * np.nan,
        drift=lambda followed, rows, q: (followed.slope[rows, q], np.sqrt(followed.var_slope[rows, q])),
    )
    anomaly = SimpleNamespace(
        flagged=told("anomaly", 0.0) > 0,
        score=told("score", 1.0),
        p=told("p", 0.5),
        contributions=none + 1.0,
        names=("main_peak_reference_g_s",),
        cards=(),
        models={},
    )
    judged = Judged(std, followed, alarms, forecasts, unsteady, {})  # type: ignore[arg-type]
    return states_of(judged, anomaly, np.arange(n))  # type: ignore[arg-type]


def test_listed_vans_first_then_the_nearest_limit_then_the_least_likely_then_the_name():
    states = _states(
        {
            "z-healthy": {"own": 0.0, "p": 1e-9},
            "b": {"weeks": 60.0},
            "a": {"weeks": 60.0},
            "odd": {"weeks": 60.0, "p": 1e-4},
            "near": {"weeks": 40.0},
            "planned": {"weeks": 8.0, "within_13": 0.5},
            "crossed": {"weeks": 0.0},
            "soon": {"weeks": 0.5, "next": 0.5},
            "no limit": {"weeks": 0.0, "beyond": np.nan, "p": 1e-9},
        }
    )
    assert states["van_id"].to_list() == [
        "crossed",
        "soon",
        "planned",
        "near",
        "odd",
        "a",
        "b",
        "no limit",
        "z-healthy",
    ]
    assert states["listed"].to_list() == [True] * 8 + [False]
    assert states["limit_crossed"].to_list() == [True] + [False] * 8
    assert states["weeks_to_limit"][-2] is None
    assert states.row(by_predicate=pl.col("van_id") == "z-healthy", named=True)["reason_facts"] == []


@pytest.mark.parametrize(
    ("van", "counts"),
    [
        ({"weeks": 0.0, "level_z": -2.0}, True),
        ({"weeks": 0.0, "level_z": 2.0}, True),
        ({"weeks": 0.0, "level_z": -1.99}, False),  # crossed, but where the family's other vans are
        ({"weeks": 5.0, "within_13": 0.6, "level_z": -1.0}, True),  # in alarm itself
        ({"weeks": 5.0, "within_13": 0.6, "level_z": -2.0, "own": 0.0, "anomaly": 1.0}, True),  # apart from the family
        ({"weeks": 5.0, "within_13": 0.6, "level_z": -1.0, "own": 0.0, "anomaly": 1.0}, False),
    ],
)
def test_only_the_limit_of_a_quantity_that_speaks_counts(van, counts):
    row = _states({"v": van}).row(0, named=True)
    assert row["listed"]
    expected = (van["weeks"], van["weeks"], van.get("within_13", 0.0)) if counts else (None, None, None)
    assert (row["weeks_to_limit"], row["weeks_to_pressing_limit"], row["cross_within_13"]) == expected
    assert row["limit_crossed"] == (counts and van["weeks"] == 0.0)


def test_a_limit_ahead_alone_lists_no_van():
    row = _states({"v": {"weeks": 5.0, "next": 0.6, "own": 0.0}}).row(0, named=True)
    assert (row["listed"], row["reason_facts"]) == (False, [])


def test_an_anomaly_alone_lists_a_van_and_an_unknown_score_is_none():
    row = _states({"v": {"own": 0.0, "anomaly": 1.0, "p": 0.001}, "w": {"own": 0.0, "score": np.nan}}).to_dicts()
    assert [one["listed"] for one in row] == [True, False]
    assert [fact["code"] for fact in row[0]["reason_facts"]] == ["unlike_healthy"]
    assert (row[0]["alarm"], row[0]["anomaly"], row[0]["anomaly_p"]) == (False, True, 0.001)
    assert (row[1]["anomaly_score"], row[1]["anomaly_p"]) == (None, None)


@pytest.mark.parametrize("weeks", [0.0, 8.0])
def test_a_limit_that_costs_fuel_and_the_periodic_test_never_presses_however_far_beyond(weeks):
    van = {"weeks": weeks, "within_13": 1.0, "next": 1.0}
    row = _states({"v": van}, call="plan", means="emission_test").row(0, named=True)
    assert (row["listed"], row["limit_crossed"], row["cross_before_next"]) == (True, False, None)
    assert (row["weeks_to_limit"], row["weeks_to_pressing_limit"], row["cross_within_13"]) == (weeks, None, 1.0)
    row = _states({"v": van}).row(0, named=True)
    assert (row["limit_crossed"], row["cross_before_next"]) == (weeks == 0.0, 1.0)
    assert row["weeks_to_pressing_limit"] == weeks


@pytest.mark.parametrize(
    ("idle", "raised", "level_z", "told"),
    [
        (20.0, 15.0, (2.0, 2.0), 35.0),
        (20.0, 14.9, (2.0, 2.0), None),
        (-20.0, -15.0, (-2.0, -2.0), -35.0),
        (40.0, -15.0, (3.0, -3.0), None),  # what one adds the other takes away
        (20.0, 15.0, (1.99, 2.0), None),  # one is where the family's other vans are
        (20.0, 15.0, (2.0, 1.99), None),
    ],
)
def test_both_trims_together_at_the_familys_limit(idle, raised, level_z, told):
    trims = ("trim_idle_pct", "trim_2500_pct")
    level = np.array([[idle, raised]])
    std = SimpleNamespace(
        quantities=trims,
        family=np.zeros(1, np.int64),
        families=("f",),
        scatter=np.ones((1, 2)),
        levels={(0, q): FamilyLevel(0.0, 0.1, 1.0, 20.0, 9) for q in (0, 1)},
    )
    forecasts = SimpleNamespace(trim_sum_pct=(35.0,), level=level)
    alarms = SimpleNamespace(level_z=np.array([level_z]))
    judged = Judged(std, None, alarms, forecasts, None, {})  # type: ignore[arg-type]
    fact = _trims_together(judged, 0)
    assert (fact is None) if told is None else (fact is not None and fact.numbers == {"level": told, "limit": 35.0})
