"""Where baselines start again: the visit after a repair, in what it touched; and where new software puts them in doubt."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.tables import REPAIRS, polars_schema
from models.tracking.restarts import CHANGED, NO_RESTART, REPAIRED, restarts_of

QUANTITIES = ("main_peak_reference_g_s", "lambda_idle", "run_up_time_s")
START = datetime(2026, 3, 2, 10, tzinfo=UTC)


def _restarts(
    repairs: list[tuple[str, datetime, str, str | None]], software: list[str | None] | None = None
) -> np.ndarray:
    """Of two vans of four weekly visits each."""
    visits = pl.DataFrame(
        {
            "van_id": ["a"] * 4 + ["b"] * 4,
            "captured_at": [START + timedelta(weeks=n) for n in range(4)] * 2,
            "ecu_software": software or ["1"] * 8,
        },
        schema_overrides={"captured_at": pl.Datetime("us", "UTC"), "ecu_software": pl.String},
    )
    rows = [
        dict.fromkeys(polars_schema(REPAIRS)) | {"van_id": van, "done_at": at, "work": work, "parts": parts}
        for van, at, work, parts in repairs
    ]
    return restarts_of(visits, QUANTITIES, pl.DataFrame(rows, schema=polars_schema(REPAIRS)), np.array([0, 4, 8]))


def test_a_repair_restarts_the_next_visit_of_its_van_and_no_other():
    restart = _restarts([("b", START + timedelta(days=8), "engine replaced", None)])
    assert np.argwhere(restart).tolist() == [[6, 0], [6, 1], [6, 2]]
    assert set(restart[6]) == {REPAIRED}


@pytest.mark.parametrize(
    ("done", "row"),
    [
        (START + timedelta(weeks=1, seconds=-1), 1),
        (START + timedelta(weeks=1), 2),  # a visit at its very moment was before it
        (START - timedelta(days=3), None),  # before the first visit there is nothing to start again
        (START + timedelta(weeks=3, seconds=1), None),  # no visit since
    ],
)
def test_the_visit_after_the_moment_of_a_repair(done, row):
    restart = _restarts([("a", done, "engine replaced", None)])
    assert np.unique(np.argwhere(restart)[:, 0]).tolist() == ([] if row is None else [row])


def test_repairs_of_strangers_and_none_at_all_restart_nothing():
    assert not _restarts([("c", START + timedelta(days=8), "engine replaced", None)]).any()
    assert not _restarts([]).any()


def test_work_and_parts_name_what_was_touched_and_several_repairs_all_count():
    at = START + timedelta(days=8)
    restart = _restarts([("a", at, "replaced", "Lambda sensor"), ("a", at + timedelta(weeks=1), "throttle body", None)])
    assert restart[2].tolist() == [NO_RESTART, REPAIRED, NO_RESTART]
    assert restart[3].tolist() == [REPAIRED, NO_RESTART, REPAIRED]


@pytest.mark.parametrize("work", ["tyres", "serviced", "Bremsbeläge", "flux capacitor"])
def test_work_elsewhere_and_unknown_words_restart_nothing(work):
    assert not _restarts([("a", START + timedelta(days=8), work, None)]).any()


def test_what_a_repair_is_said_to_touch_counts_and_not_its_words():
    repairs = pl.DataFrame(
        [{"van_id": "a", "done_at": START + timedelta(days=8), "touches": ["run_up_time_s"]}],
        schema_overrides={"done_at": pl.Datetime("us", "UTC")},
    )
    visits = pl.DataFrame(
        {"van_id": ["a"] * 3, "captured_at": [START + timedelta(weeks=n) for n in range(3)], "ecu_software": ["1"] * 3},
        schema_overrides={"captured_at": pl.Datetime("us", "UTC")},
    )
    assert np.argwhere(restarts_of(visits, QUANTITIES, repairs, np.array([0, 3]))).tolist() == [[2, 2]]


def test_new_software_puts_all_of_a_van_in_doubt_where_it_is_first_seen_and_a_gap_tells_nothing():
    restart = _restarts([], ["1", None, "1", "2", None, "1", "2", "2"])
    assert [row.tolist() for row in restart] == [[NO_RESTART] * 3] * 3 + [[CHANGED] * 3] + [[NO_RESTART] * 3] * 2 + [
        [CHANGED] * 3,
        [NO_RESTART] * 3,
    ]
    assert not _restarts([], ["1"] * 4 + ["2"] * 4).any()  # another van's software is no update


def test_a_repair_outweighs_an_update_at_the_same_visit():
    restart = _restarts([("a", START + timedelta(days=8), "oxygen sensor", None)], ["1", "1", "2", "2"] + ["1"] * 4)
    assert restart[2].tolist() == [CHANGED, REPAIRED, CHANGED]
