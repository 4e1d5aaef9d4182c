"""Plots of a van's past on paper by their artists: the latest snap over earlier ones, and a trend in a warranty file."""

from dataclasses import replace
from datetime import date

import matplotlib.dates as mdates
import numpy as np
import polars as pl
import pytest
from matplotlib.figure import Figure

from models.reading.aligned_traces import OPENING_GRID_S, RELEASE_GRID_S
from pipelines.read_side.past_snaps import PastSnaps
from pipelines.read_side.traces import Traces
from pipelines.reports.evidence_pdf import _draw
from pipelines.reports.paper import written_for
from pipelines.reports.snap_against_past import draw_against_past
from pipelines.workspace.settings import DisplaySettings
from tests.analytic import family
from tests.artists import across, regions, said, upright

POUNDS_A_MINUTE = 60.0 / 453.59237
"""1 g/s in lb/min: the pound is exact by definition."""


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """Figures in place of the files they would become."""
    figures: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda self, *_, **__: figures.append(self))
    return figures


GRID = np.concatenate([OPENING_GRID_S, RELEASE_GRID_S])
SPLIT = OPENING_GRID_S.size


def past(raw: Traces | None = None, hold_s: float = 1.0, earlier: int = 3) -> PastSnaps:
    rows = np.stack([np.full(GRID.size, 100.0 + 10.0 * n) for n in range(3)])[:earlier]
    rows = rows if earlier else np.empty((0, GRID.size))
    return PastSnaps(np.full(GRID.size, 50.0), np.full(GRID.size, 0.9), rows, rows / 100.0, raw, hold_s)


def test_the_latest_snap_lies_over_the_range_of_earlier_ones(drawn: list[Figure]) -> None:
    draw_against_past(past(), family("g_s", lambda_sensor={"kind": "ratio"}))
    flow, after, ratio, ratio_after = drawn[-1].axes
    assert (flow.get_ylabel(), ratio.get_ylabel()) == ("air mass flow [g/s]", "lambda")
    assert {"↑ lean", "↓ rich"} <= set(said(ratio))
    lines = dict(zip((label.get_text() for label in ratio.get_yticklabels()), ratio.get_yticks(), strict=True))
    assert lines == {"0.9": pytest.approx(-1 / 0.9), "1": -1.0, "1.1": pytest.approx(-1 / 1.1)}  # numbers rise upwards
    assert (ratio.get_xlabel(), ratio_after.get_xlabel()) == ("from the opening [s]", "from the release [s]")
    for axes, grid, middle, latest in (
        (flow, OPENING_GRID_S, 110.0, 50.0),
        (after, RELEASE_GRID_S, 110.0, 50.0),
        (ratio, OPENING_GRID_S, -1.1, -0.9),  # 1/lambda, turned so that lean is up
        (ratio_after, RELEASE_GRID_S, -1.1, -0.9),
    ):
        curves = [line for line in axes.lines if len(line.get_xdata()) == grid.size]
        assert {float(line.get_ydata()[0]): bool(line.is_dashed()) for line in curves} == {middle: True, latest: False}
        assert all(np.array_equal(line.get_xdata(), grid) for line in curves)
        (region,) = regions(axes)
        low, high = sorted((middle / 1.1, middle / 1.1 * 1.2))
        assert region == pytest.approx((grid[0], grid[-1], low, high), abs=1e-3)
        assert axes.get_xlim() == (grid[0], grid[-1])
        assert upright(axes) == [0.0]  # opening, or release
    assert flow.get_ylim()[0] == 0.0
    assert sorted(across(flow)) == [100.0, 118.0]
    assert across(after) == {}
    words = said(flow)
    assert (words["family expects"][1], words["low limit"][1]) == (118.0, 100.0)
    assert all(OPENING_GRID_S[0] <= words[each][0] < 0.0 for each in ("family expects", "low limit"))  # before it opens
    expected, low = (across(flow)[level] for level in (118.0, 100.0))
    assert expected._dash_pattern != low._dash_pattern  # type: ignore[attr-defined]


def test_stored_samples_are_drawn_as_they_were_recorded(drawn: list[Figure]) -> None:
    time = np.arange(-1000, 3001) / 1000.0
    raw = Traces(time, 10.0 + time, time[::2], 1.0 + 0.1 * time[::2])
    with written_for(DisplaySettings(units="imperial")):
        draw_against_past(past(raw), None)
    for axes, factor, sampled in ((drawn[-1].axes[0], POUNDS_A_MINUTE, time), (drawn[-1].axes[2], None, time[::2])):
        line = axes.lines[-1]
        within = sampled[(sampled >= OPENING_GRID_S[0]) & (sampled <= min(OPENING_GRID_S[-1], 1.0))]
        np.testing.assert_allclose(line.get_xdata(), within)
        told = (10.0 + within) * factor if factor else -(1.0 + 0.1 * within)
        np.testing.assert_allclose(line.get_ydata(), told, rtol=1e-6)
    for axes, factor, sampled in ((drawn[-1].axes[1], POUNDS_A_MINUTE, time), (drawn[-1].axes[3], None, time[::2])):
        line = axes.lines[-1]
        within = sampled[(sampled - 1.0 >= RELEASE_GRID_S[0]) & (sampled - 1.0 <= RELEASE_GRID_S[-1])]
        np.testing.assert_allclose(line.get_xdata(), within - 1.0)
        told = (10.0 + within) * factor if factor else -(1.0 + 0.1 * within)
        np.testing.assert_allclose(line.get_ydata(), told, rtol=1e-6)
    assert drawn[-1].axes[0].get_ylabel() == "air mass flow [lb/min]"
    draw_against_past(past(raw, hold_s=np.nan), None)
    opening, release = drawn[-1].axes[:2]
    assert opening.lines[-1].get_xdata()[-1] == pytest.approx(OPENING_GRID_S[-1])
    assert len(release.lines[-1].get_xdata()) == 0  # without a release nothing is aligned to it


def test_a_first_snap_has_no_range_and_words_fit_the_sensor(drawn: list[Figure]) -> None:
    for polarity, words in (
        ("rich_high", {"↑ rich", "↓ lean"}),
        ("rich_low", {"↑ lean", "↓ rich"}),
    ):
        sensor = {"kind": "narrowband", "polarity": polarity}
        draw_against_past(past(earlier=0), family("g_s", lambda_sensor=sensor))
        assert drawn[-1].axes[2].get_ylabel() == "lambda sensor [V]"
        assert words <= set(said(drawn[-1].axes[2]))
        assert [regions(axes) for axes in drawn[-1].axes] == [[]] * 4
    unknown = family("g_s", main_peak={})
    draw_against_past(past(earlier=0), unknown)
    assert across(drawn[-1].axes[0]) == {}
    negative = replace(past(earlier=0), latest_airflow=np.full(GRID.size, -5.0))
    draw_against_past(negative, None)
    assert drawn[-1].axes[0].get_ylim()[0] < -5.0 + 1e-9


def test_volts_of_an_unknown_family_are_drawn_as_volts_and_no_end_is_said_to_be_rich(drawn: list[Figure]) -> None:
    draw_against_past(replace(past(), volts_alone=True), None)
    axes = drawn[-1].axes[2]
    assert axes.get_ylabel() == "lambda sensor [V]"
    assert float(axes.lines[-1].get_ydata()[0]) == pytest.approx(0.9)  # as recorded, not turned
    assert not {"↑ lean", "↑ rich"} & set(said(axes))


WEEKS = ["2026-W10", "2026-W11", "2026-W12", "2026-W13"]
MONDAY = np.datetime64("2026-03-02")


def trend(**changes: object) -> pl.DataFrame:
    columns: dict[str, object] = {
        "week": WEEKS,
        "value": [100.0, 101.0, 90.0, 89.0],
        "value_u": [1.0, 1.0, 2.0, None],
        "baseline": [100.0] * 4,
        "expected_low": [97.0, 97.0, 96.0, None],
        "expected_high": [103.0, 103.0, 104.0, None],
        "limit_low": 80.0,
        "limit_high": None,
        "alarm": [False, False, True, True],
        "alarm_since": [None, None, "2026-W12", "2026-W12"],
    }
    return pl.DataFrame(columns | changes, strict=False)


def test_a_trend_on_paper_shows_uncertainty_limits_repairs_and_when_it_left(drawn: list[Figure]) -> None:
    _draw(trend(), "idle_g_s", [date(2026, 3, 18)])
    (axes,) = drawn[-1].axes
    mondays = mdates.date2num(MONDAY + 7 * np.arange(4))
    well, out = (next(line for line in axes.lines if line.get_marker() == mark) for mark in ("o", "s"))
    assert [list(mdates.date2num(line.get_xdata())) for line in (well, out)] == [list(mondays[:2]), list(mondays[2:])]
    assert [line.get_ydata().tolist() for line in (well, out)] == [[100.0, 101.0], [90.0, 89.0]]
    assert out.get_markerfacecolor() != well.get_markerfacecolor()  # told apart in black and white
    assert list(across(axes)) == [80.0]
    assert upright(axes) == [mondays[2], mdates.date2num(np.datetime64("2026-03-18"))]
    ranges, bars = (each for each in axes.collections if hasattr(each, "get_segments"))
    assert [(low[1], high[1]) for low, high in bars.get_segments()] == [(98, 102), (99, 103), (86, 94), (89, 89)]
    told = [(each[0][0], each[0][1], each[1][1]) for each in ranges.get_segments() if len(each)]
    assert told == [(mondays[0], 97, 103), (mondays[1], 97, 103), (mondays[2], 96, 104)]  # at the visits alone
    _draw(trend(alarm_since=[None] * 4, alarm=[False] * 4, limit_low=None, limit_high=120.0), "idle_g_s", [])
    (axes,) = drawn[-1].axes
    assert (upright(axes), list(across(axes))) == ([], [120.0])


def test_a_trend_in_other_units_scales_its_limits_too(drawn: list[Figure]) -> None:
    with written_for(DisplaySettings(units="imperial")):
        _draw(trend(limit_high=120.0), "idle_g_s", [])
    (axes,) = drawn[-1].axes
    assert sorted(across(axes)) == pytest.approx([80.0 * POUNDS_A_MINUTE, 120.0 * POUNDS_A_MINUTE], abs=1e-4)
    well = next(line for line in axes.lines if line.get_marker() == "o")
    np.testing.assert_allclose(well.get_ydata(), np.array([100.0, 101.0]) * POUNDS_A_MINUTE, rtol=1e-6)
