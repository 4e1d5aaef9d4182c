"""Plots by their artists: what is marked, at which place, in which unit and under which words; not how thick a line is."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.reasons import GRADE_REASONS
from data_contracts.signals import QUANTITIES
from models.reading.lambda_trace.quantities import LEVEL_S
from models.reading.lambda_trace.trace import ENDS_BEFORE_S
from models.reading.read import Readings
from models.reading.snap_detail import SnapDetail
from pipelines.reports.paper import written_for
from pipelines.reports.snap_plot import draw_snaps
from pipelines.workspace.settings import DisplaySettings
from tests.analytic import FLOW, VOLTS, family
from tests.artists import across, dots, keys, regions, said, upright

TIME = np.arange(3000) / 1000.0
FLOWS = np.where((TIME > 0.6) & (TIME < 1.6), 120.0, 4.0).astype(np.float32)
POUNDS_A_MINUTE = 60.0 / 453.59237
"""1 g/s in lb/min: the pound is exact by definition."""
POINTS = {
    "opening": (0.6, 4.0),
    "first_peak": (0.65, 90.0),
    "dip": (0.7, 80.0),
    "main_peak": (1.4, 120.0),
    "release": (1.6, 119.0),
    "settle": (2.2, 4.0),
}
MARKS = {"first_peak": "first peak", "main_peak": "main peak"}
WIDEBAND = {
    "kind": "wideband",
    "polarity": "rich_low",
    "characteristic_v": [0.3, 1.0, 1.5, 2.6],
    "characteristic_lambda": [0.65, 0.85, 1.0, 5.0],
}


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """Figures in place of the files they would become."""
    figures: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda self, *_, **__: figures.append(self))
    return figures


@dataclass
class Snaps:
    """What one plot is made of."""

    details: list[SnapDetail]
    readings: Readings


def snaps(
    points: list[dict[str, tuple[float, float]]] | None = None,
    channels: dict[str, Any] | None = None,
    **values: float,
) -> Snaps:
    """A recording with one snap for each table of points, and these readings in each."""
    tables = [POINTS] if points is None else points
    told = dict.fromkeys(QUANTITIES, np.nan) | {"idle_g_s": 4.0, "opening_s": 0.6, "release_s": 1.6} | values
    count = len(tables)
    flag = ["" if not 100 <= n < 110 else "spike" for n in range(TIME.size)]
    details = [
        SnapDetail(
            time_s=TIME,
            airflow_raw=np.interp(FLOWS, FLOW, VOLTS).astype(np.float32),
            airflow_g_s=FLOWS,
            flag=flag,
            channels=channels or {},
            points=table,
            stretches={"idle": (0.1, 0.55), "main_peak": (1.39, 1.41)},
        )
        for table in tables
    ]
    nothing = np.zeros(count)
    readings = Readings(
        recording=np.zeros(count, dtype=np.int64),
        snap=np.arange(1, count + 1),
        values={name: np.full(count, value) for name, value in told.items()},
        u=dict.fromkeys(told, nothing),
        unread=[{}] * count,
        marked=[{}] * count,
        grade=["good"] * count,
        grade_reasons=[()] * count,
        rate_hz=nothing,
        length_s=nothing,
        snap_start_s=nothing,
        snap_end_s=nothing,
        shape_airflow=np.zeros((count, 1), dtype=np.float32),
        shape_lambda=np.zeros((count, 1), dtype=np.float32),
    )
    return Snaps(details, readings)


def plotted(drawn: list[Figure], made: Snaps, of: Family, **more: Any) -> list[Axes]:
    draw_snaps(Path("x.svg"), "snap.csv", of, made.readings, made.details, **more)
    return list(drawn[-1].axes)


def trace_of(axes: Axes) -> Line2D:
    return max(axes.lines, key=lambda line: len(line.get_xdata()))


def test_flow_as_recorded_with_every_landmark(drawn: list[Figure]) -> None:
    unknown = {"undershoot": (1.9, 1.0), "recirculation_pulse": (np.nan, 9.0)}
    (axes,) = plotted(drawn, snaps([POINTS | unknown], main_peak_reference_g_s=118.0), family("g_s"))
    np.testing.assert_array_equal(trace_of(axes).get_ydata(), FLOWS)
    np.testing.assert_array_equal(trace_of(axes).get_xdata(), TIME)
    assert axes.get_ylabel() == "air mass flow [g/s]"
    assert axes.get_xlabel() == "time from the first sample [s]"
    assert dots(axes) == set(POINTS.values())
    words = said(axes)
    for name, place in POINTS.items():
        assert words[MARKS.get(name, name)] == place
    assert "recirculation pulse" not in words
    assert upright(axes) == [0.6, 1.6]
    assert set(across(axes)) == {118.0, 100.0, 4.0}
    assert (words["expected at reference"], words["low limit"]) == ((0.0, 118.0), (0.0, 100.0))
    expected, low = (across(axes)[level].get_linestyle() for level in (118.0, 100.0))
    assert expected != low  # told apart in black and white
    left_out = next(line for line in axes.lines if line.get_label() == "samples not used")
    np.testing.assert_array_equal(left_out.get_xdata(), TIME[100:110])
    np.testing.assert_array_equal(left_out.get_ydata(), FLOWS[100:110])
    assert left_out.get_linestyle() == "None"
    assert keys(axes) == ["air mass flow", "samples not used"]


def test_the_highest_flow_is_no_main_peak_where_it_is_not_judged(drawn: list[Figure]) -> None:
    (axes,) = plotted(drawn, snaps(), family("g_s"))
    assert "main peak" not in said(axes)
    assert said(axes)["highest, not judged"] == POINTS["main_peak"]


def test_everything_drawn_lies_within_the_axis(drawn: list[Figure]) -> None:
    high = family("g_s", main_peak={"expected_g_s": 300.0, "low_limit_g_s": 100.0})
    (axes,) = plotted(drawn, snaps(), high)
    low, top = axes.get_ylim()
    assert low == 0.0
    assert 1.1 * 300.0 < top < 1.3 * 300.0
    made = snaps()
    below = replace(made.details[0], airflow_g_s=FLOWS - 10.0)
    (axes,) = plotted(drawn, Snaps([below], made.readings), family("g_s"))
    low, top = axes.get_ylim()
    assert -7.0 < low < -6.0
    assert 1.1 * 118.0 < top < 1.3 * 118.0
    nothing = replace(made.details[0], airflow_g_s=np.full(TIME.size, np.nan, dtype=np.float32))
    assert plotted(drawn, Snaps([nothing], made.readings), family("g_s"))[0].get_ylim()[1] > 0


def test_another_unit_moves_trace_marks_and_levels_alike(drawn: list[Figure]) -> None:
    with written_for(DisplaySettings(units="imperial")):
        (axes,) = plotted(drawn, snaps(main_peak_reference_g_s=118.0), family("g_s"))
    assert axes.get_ylabel() == "air mass flow [lb/min]"
    np.testing.assert_allclose(trace_of(axes).get_ydata(), FLOWS * POUNDS_A_MINUTE, rtol=1e-6)
    assert said(axes)["main peak"] == pytest.approx((1.4, 120.0 * POUNDS_A_MINUTE), abs=1e-3)
    assert sorted(across(axes)) == pytest.approx([level * POUNDS_A_MINUTE for level in (4.0, 100.0, 118.0)], abs=1e-4)


def test_an_analogue_sensor_is_drawn_in_volts_with_round_flows_beside(drawn: list[Figure]) -> None:
    axes, right = plotted(drawn, snaps(main_peak_reference_g_s=118.0), family("volts"))
    assert (axes.get_ylabel(), right.get_ylabel()) == ("air-mass sensor [V]", "air mass flow [g/s]")
    np.testing.assert_allclose(trace_of(axes).get_ydata(), np.interp(FLOWS, FLOW, VOLTS), rtol=1e-6)
    assert said(axes)["main peak"] == (1.4, round(float(np.interp(120.0, FLOW, VOLTS)), 4))
    assert sorted(across(axes)) == pytest.approx(np.interp([4.0, 100.0, 118.0], FLOW, VOLTS).tolist(), abs=1e-5)
    assert right.get_ylim() == axes.get_ylim()
    flows = [float(label.get_text()) for label in right.get_yticklabels()]
    assert 3 <= len(flows) <= 10
    assert flows[0] == 0.0 or np.diff(flows).min() > 0
    assert max(flows) <= FLOW[-1]
    np.testing.assert_allclose(right.get_yticks(), np.interp(flows, FLOW, VOLTS))
    with written_for(DisplaySettings(units="imperial", language="de")):
        _, right = plotted(drawn, snaps(main_peak_reference_g_s=118.0), family("volts"))
    shown = [float(label.get_text().replace(",", ".")) for label in right.get_yticklabels()]
    np.testing.assert_allclose(right.get_yticks(), np.interp(np.array(shown) / POUNDS_A_MINUTE, FLOW, VOLTS))
    assert "lb/min" in right.get_ylabel()


def test_expected_levels_are_brought_to_the_air_of_each_snap(drawn: list[Figure]) -> None:
    """A peak read 10 % below its value at reference conditions: its band is drawn 10 % lower, an idle band as it is."""
    made = snaps([POINTS, POINTS], main_peak_g_s=108.0, main_peak_reference_g_s=120.0)
    bands = {"main_peak_reference_g_s": (110.0, 150.0), "idle_g_s": (3.0, 5.0)}
    (axes,) = plotted(drawn, made, family("g_s"), bands=bands)
    peak, idle = (1.25, 1.55, 99.0, 135.0), (0.1, 0.55, 3.0, 5.0)  # a short level is widened to 0.3 s
    assert regions(axes) == [peak, idle, peak, idle]
    assert all(each.get_hatch() for each in axes.collections)  # shows in black and white
    assert keys(axes) == ["air mass flow", "samples not used", "expected"]
    assert axes.get_ylim()[1] == pytest.approx(1.18 * 135.0)
    (axes,) = plotted(drawn, snaps(), family("g_s"), bands=bands)  # without a peak its band has no place
    assert regions(axes) == [idle]


LAMBDA = np.where(TIME < 0.9, 1.0, np.where(TIME < 1.8, 0.85, 1.2)).astype(np.float32)
READ = {
    "lambda_to_rich_dead_time_s": 0.1,
    "lean_needle_time_s": 0.05,
    "lambda_to_lean_dead_time_s": 0.2,
    "lambda_to_lean_time_constant_s": 0.05,
    "lambda_idle": 1.0,
    "lambda_full_throttle": 0.85,
    "lambda_fuel_cut": 1.2,
}


def levels(axes: Axes) -> dict[float, tuple[float, float]]:
    """Level to the stretch it is drawn over."""
    flat = [line for line in axes.lines if len(line.get_xdata()) == 2 and list(line.get_xdata()) != [0, 1]]
    flat = [line for line in flat if line.get_ydata()[0] == line.get_ydata()[1]]
    return {
        round(float(line.get_ydata()[0]), 4): tuple(round(float(x), 4) for x in line.get_xdata())  # type: ignore[misc]
        for line in flat
    }


def test_lambda_with_responses_needles_and_levels(drawn: list[Figure]) -> None:
    ratio = family("g_s", lambda_sensor={"kind": "ratio"})
    _, axes = plotted(drawn, snaps(channels={"lambda_ratio": LAMBDA}, **READ), ratio)
    assert axes.get_ylabel() == "lambda"
    assert axes.get_ylim() == (0.65, 1.7)
    np.testing.assert_array_equal(trace_of(axes).get_ydata(), LAMBDA)
    places = {"response to rich": (0.7, 1.0), "lean needles": (0.65, 1.0), "response to the cut": (1.8, 1.2)}
    assert dots(axes) == {(at, round(float(np.interp(at, TIME, LAMBDA)), 4)) for at, _ in places.values()}
    words = said(axes)
    assert {name: words[name] for name in places} == places
    held_until = round(1.6 - ENDS_BEFORE_S, 4)
    full = (round(held_until - LEVEL_S, 4), held_until)
    assert levels(axes) == {1.0: (0.1, 0.55), 0.85: full, 1.2: (2.0, 2.4)}  # 4 time constants after the response
    assert (words["idle"], words["full throttle"], words["fuel cut"]) == ((0.1, 1.0), (full[0], 0.85), (2.0, 1.2))
    assert upright(axes) == [0.6, 1.6]
    assert keys(axes) == []
    assert not any("not drawn" in word for word in words)


def test_a_switching_sensor_settles_by_its_switch_time_and_a_held_throttle_ends_with_the_trace(
    drawn: list[Figure],
) -> None:
    volts = {"lambda_idle_v": 0.45, "lambda_full_throttle_v": 0.85, "lambda_fuel_cut_v": 0.1}
    read = {name: value for name, value in READ.items() if name.endswith("_s") and "constant" not in name}
    narrow = family("g_s", lambda_sensor={"kind": "narrowband", "polarity": "rich_high"})
    made = snaps(channels={"lambda_v": LAMBDA}, **read, **volts, lambda_to_lean_switch_time_s=0.1)
    _, axes = plotted(drawn, made, narrow)
    assert axes.get_ylabel() == "lambda sensor [V]"
    assert levels(axes)[0.1] == (1.95, 2.35)  # 1.5 switch times after the response
    made = snaps(channels={"lambda_v": LAMBDA}, **(read | volts), release_s=np.nan)
    _, axes = plotted(drawn, made, narrow)
    last = float(TIME[-1])
    assert levels(axes) == {0.45: (0.1, 0.55), 0.85: (round(last - LEVEL_S, 4), round(last, 4))}
    assert "response to the cut" not in said(axes)


@pytest.mark.parametrize(
    ("sensor", "channel", "above"),
    [
        ({"kind": "narrowband", "polarity": "rich_high"}, "lambda_v", "rich"),
        (WIDEBAND, "lambda_v", "lean"),
        ({"kind": "ratio"}, "lambda_ratio", "lean"),
    ],
)
def test_which_end_is_rich(drawn: list[Figure], sensor: dict[str, Any], channel: str, above: str) -> None:
    _, axes = plotted(drawn, snaps(channels={channel: LAMBDA}), family("g_s", lambda_sensor=sensor))
    below = "lean" if above == "rich" else "rich"
    words = said(axes)
    assert words[f"↑ {above}"][1] > 0.9
    assert words[f"↓ {below}"][1] < 0.1


def test_two_banks_are_told_apart_and_named_once(drawn: list[Figure]) -> None:
    both = {"bank2_lambda_ratio": LAMBDA + np.float32(0.01), "lambda_ratio": LAMBDA}
    of_bank2 = {f"bank2_{name}": value for name, value in READ.items()}
    of_bank2 |= {"bank2_lambda_idle": 1.01, "bank2_lambda_full_throttle": 0.86, "bank2_lambda_fuel_cut": 1.21}
    two = family("g_s", lambda_sensor={"kind": "ratio"}, lambda_banks=2)
    bands = {"lambda_full_throttle": (0.8, 0.9), "bank2_lambda_full_throttle": (0.81, 0.91)}
    _, axes = plotted(drawn, snaps(channels=both, **READ, **of_bank2), two, bands=bands)
    first, second = (line for line in axes.lines if len(line.get_xdata()) == TIME.size)
    assert (first.get_label(), second.get_label()) == ("bank 1", "bank 2")
    assert first.get_linestyle() != second.get_linestyle()
    np.testing.assert_array_equal(second.get_ydata(), LAMBDA + np.float32(0.01))
    assert keys(axes) == ["bank 1", "bank 2", "expected"]
    assert sum(text.get_text() == "full throttle" for text in axes.texts) == 1
    assert {(low, high) for _, _, low, high in regions(axes)} == {(0.8, 0.9), (0.81, 0.91)}
    assert {0.85, 0.86, 1.2, 1.21} <= set(levels(axes))
    one = family("g_s", lambda_sensor={"kind": "ratio"})
    _, axes = plotted(drawn, snaps(channels={"lambda_ratio": LAMBDA}, **READ), one, bands={"idle_g_s": (3.0, 5.0)})
    assert keys(axes) == []


def test_lean_beyond_the_axis_is_said(drawn: list[Figure]) -> None:
    ratio = family("g_s", lambda_sensor={"kind": "ratio"})
    for most, beyond in ((1.7, False), (1.71, True)):
        lean = np.where(TIME > 2.0, np.float32(most), LAMBDA)
        _, axes = plotted(drawn, snaps(channels={"lambda_ratio": lean.astype(np.float32)}), ratio)
        assert ("lean beyond 1.7: not drawn" in said(axes)) == beyond


def test_the_heading_says_verdict_grade_and_why(drawn: list[Figure]) -> None:
    made = snaps([POINTS] * 5)
    code = next(iter(GRADE_REASONS))
    reasons = [(code,), *[()] * 4]
    readings = replace(made.readings, grade=["repeat", "usable", "good", "good", "good"], grade_reasons=reasons)
    plotted(drawn, Snaps(made.details, readings), family("g_s"), lead="It leans out. " * 40)
    lines = drawn[-1].get_suptitle().splitlines()
    assert lines[0] == "snap.csv (analytic)"
    assert 1 <= sum(line.startswith("It leans out") for line in lines) <= 2  # a long finding is cut, not the plot
    snap_lines = [line for line in lines if ", snap " in line]
    assert [line.split(", snap ")[1].split(",")[0] for line in snap_lines] == ["1", "2", "3"]
    assert snap_lines[0].startswith("REPEAT, snap 1, ")
    assert str(GRADE_REASONS[code].sentence)[:30] in " ".join(lines)
    assert snap_lines[1].startswith("ACCEPT, snap 2, ")
    assert ":" not in snap_lines[1]
    assert max(map(len, lines)) <= 135


def test_a_plot_is_written_whole_and_the_same_twice(tmp_path: Path) -> None:
    made = snaps(channels={"lambda_ratio": LAMBDA}, **READ)
    of = family("g_s", lambda_sensor={"kind": "ratio"})
    for name in ("a.svg", "b.svg", "c.png"):
        draw_snaps(tmp_path / name, "x", of, made.readings, made.details)
    assert b"<dc:date>" not in (tmp_path / "a.svg").read_bytes()
    assert (tmp_path / "c.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(InputError, match="name a file you may write"):
        draw_snaps(tmp_path / "no" / "x.svg", "x", of, made.readings, made.details)
