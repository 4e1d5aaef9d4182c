"""Shifts that groups of visits share: told apart, shrunk by what they may be, and their doubt handed on."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.tracking.shared_shifts import FEWEST_TOGETHER, remove_shared_shifts, shared_shift


def test_group_shifts_are_shrunk_by_what_shifts_there_are():
    rng = np.random.default_rng(1)
    true, group = rng.normal(0.0, 1.0, 200), np.repeat(np.arange(200), 10)
    found = shared_shift((true[group] + rng.normal(size=2000)).reshape(-1, 1), group, 200)
    assert found.spread[0] == pytest.approx(1.0, abs=0.15)
    real, noise = found.spread[0] ** 2, 1.57 / 10
    assert found.u[:, 0] == pytest.approx(np.sqrt(real * noise / (real + noise)))
    error = found.shift[:, 0] - true
    assert error.std() == pytest.approx(found.u[0, 0], rel=0.2)
    assert (found.vans == 10).all()


def test_few_vans_or_a_lone_group_share_nothing():
    x = np.array([[8.0]] * FEWEST_TOGETHER + [[-8.0]] * FEWEST_TOGETHER + [[5.0]] * (FEWEST_TOGETHER - 1))
    group = np.repeat([0, 1, 2], [FEWEST_TOGETHER, FEWEST_TOGETHER, FEWEST_TOGETHER - 1])
    found = shared_shift(x, group, 3)
    assert (found.shift[0, 0] > 2.0, found.shift[1, 0] < -2.0) == (True, True)
    assert (found.shift[2, 0], found.u[2, 0]) == (0.0, 0.0)
    assert found.spread[0] == pytest.approx(np.sqrt(9.0 - 1.57 / FEWEST_TOGETHER))  # one group counts for at most three
    alone = shared_shift(x[:FEWEST_TOGETHER], group[:FEWEST_TOGETHER], 1)
    assert (alone.shift[0, 0], alone.spread[0]) == (0.0, 0.0)
    with_gap = np.vstack([x, [[np.nan]]])
    assert (shared_shift(with_gap, np.append(group, 2), 3).vans[:, 0] == [5, 5, 4]).all()


def _weeks_of_vans(*, vans: int = 30, weeks: int = 14, seed: int = 3):
    """Visits of one family at three depots, each with a recorder of its own, in control."""
    rng = np.random.default_rng(seed)
    van, week = np.repeat(np.arange(vans), weeks), np.tile(np.arange(weeks), vans)
    place = van % 3
    visits = pl.DataFrame(
        {
            "depot": [f"depot-{p}" for p in place],
            "recorder_serial": [f"R{p}" for p in place],
            "week": [f"2026-W{w + 1:02d}" for w in week],
            "length_s": 5.0,
            "rate_hz": 2000.0,
            "captured_at": [datetime(2026, 1, 1, tzinfo=UTC) + timedelta(weeks=int(w)) for w in week],
        }
    )
    return visits, rng.normal(size=(van.size, 1)), van, week, place


def _taken_off(visits, x, van, week):
    left, variance = x.copy(), np.ones_like(x)
    moved = remove_shared_shifts(visits, left, variance, np.zeros(van.size, np.int64), van, week, ("idle_g_s",))
    return left, variance, moved


def test_a_depots_week_is_taken_off_its_vans_alone_and_told():
    visits, x, van, week, place = _weeks_of_vans()
    late = (place == 1) & (week >= 11)
    left, variance, moved = _taken_off(visits, np.where(late[:, None], x + 6.0, x), van, week)
    assert {(m.depot, m.recorder_serial, m.quantity) for m in moved} == {("depot-1", "R1", "idle_g_s")}
    assert [m.week for m in moved] == ["2026-W14", "2026-W13", "2026-W12"]  # latest first
    assert all(m.vans == 10 and abs(m.shift) > 3 * m.u for m in moved)
    assert np.abs(left[late].mean() - left[~late].mean()) < 0.4 * 6.0  # most of it, for so large a shift is rare
    assert (variance[late] > 1.0).all()  # what is left of doubt about the shift
    quiet = _taken_off(visits, x, van, week)
    assert quiet[2] == ()
    assert quiet[1].mean() < variance.mean()


def test_a_recorder_nobody_named_adds_what_recorders_differ_by():
    visits, x, van, week, place = _weeks_of_vans()
    apart = x + 4.0 * (place - 1.0)[:, None] * (week % 2)[:, None]
    moving = visits.with_columns(recorder_serial=pl.Series(np.where(week % 2 == 1, [f"R{p}" for p in place], "S")))
    unnamed = moving.with_columns(
        recorder_serial=pl.when(pl.int_range(pl.len()) % 14 == 13).then(None).otherwise("recorder_serial")
    )
    _, known, _ = _taken_off(moving, apart, van, week)
    _, unknown, _ = _taken_off(unnamed, apart, van, week)
    last = week == 13
    assert unknown[last].mean() > known[last].mean() + 1.0
    assert unknown[~last].mean() == pytest.approx(known[~last].mean(), rel=0.3)
