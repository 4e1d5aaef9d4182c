"""What was no idle, edges that are two, and records that begin inside a hold: the opening and what is before it."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import make_waveform
from models.reading.read import read_waveforms
from tests.analytic import FLOW, VOLTS, WARM, Recorder, Snap, airflow, clean_flow, family, truth
from tests.studies.feet import ANYWHERE
from tests.studies.holds import judge
from tests.studies.holds_drawn import draw

SNAP = Snap(opening=2.0, hold=1.0, length=7.0, ripple=0.01)
QUIET = Recorder(needles_per_s=0, rate_hz=1000.0)
IDLE = ("idle_v", "idle_g_s", "engine_speed_idle_rpm")


def read(*waves, fam=None):
    return read_waveforms(list(waves), [fam or family()] * len(waves), [WARM] * len(waves))


def with_flow(flow, t, noise=0.004, seed=1, **channels):
    volts = np.interp(flow, FLOW, VOLTS) + np.random.default_rng(seed).normal(0.0, noise, t.size)
    return make_waveform(t, {"airflow_v": volts, **channels})


def driven(found):
    sent = ["not_at_idle" in reasons for reasons in found.grade_reasons]
    null = [all(each.get(name) == "not_at_idle" for name in IDLE[:2]) for each in found.unread]
    assert sent == null
    return sent


def test_an_idle_is_an_idle():
    wave = airflow(SNAP, QUIET, np.random.default_rng(1))
    t = wave.time_s
    speed = np.where(t < 2.0, 850.0, 900.0)
    plate = 8.0 + 80.0 * ((t > 2.0) & (t < 3.0))
    found = read(wave, make_waveform(t, {**wave.channels, "engine_rpm": speed, "throttle_pct": plate}))
    assert driven(found) == [False, False]
    assert np.all(np.isfinite(found.values["idle_g_s"]))


def test_a_speed_or_a_plate_above_idle_before_the_opening_is_no_idle():
    wave = airflow(SNAP, QUIET, np.random.default_rng(1))
    t = wave.time_s
    fast = make_waveform(t, {**wave.channels, "engine_rpm": np.full(t.size, 4800.0)})
    plate = 8.0 + 14.0 * (t < 2.0) + 80.0 * ((t > 2.0) & (t < 3.0))
    open_plate = make_waveform(t, {**wave.channels, "throttle_pct": plate})
    found = read(fast, open_plate)
    assert driven(found) == [True, True]
    assert set(found.grade) == {"repeat"}
    assert np.isnan(found.values["engine_speed_idle_rpm"][0])


def test_an_idle_that_a_leak_raises_is_an_idle_and_a_cruise_that_ends_there_is_none():
    """1,400 1/min before and after is how the engine idles; 1,400 1/min and then an idle of a third of the flow is not."""
    wave = airflow(SNAP, QUIET, np.random.default_rng(1))
    t = wave.time_s
    channels = {"engine_rpm": np.full(t.size, 1400.0)}
    leaking = make_waveform(t, {**wave.channels, **channels})
    cruising = with_flow(clean_flow(SNAP, t) + 8.0 * (t < 2.0), t, **channels)
    found = read(leaking, cruising)
    assert driven(found) == [False, True]
    assert found.values["engine_speed_idle_rpm"][0] == pytest.approx(1400.0, rel=0.01)


@pytest.mark.parametrize("before", ["high", "falling"])
def test_flow_before_the_opening_that_is_no_idle_shows_without_a_channel(before):
    t = np.arange(0.0, SNAP.length, 1e-3)
    extra = 8.0 * (t < 2.0) if before == "high" else 6.0 * np.exp(-t / 1.2) * (t < 2.0)
    found = read(with_flow(clean_flow(SNAP, t) + extra, t), with_flow(clean_flow(SNAP, t), t))
    assert driven(found) == [True, False]


@pytest.mark.parametrize(("opens", "driven_so"), [(0.5, True), (2.0, False)])
def test_a_record_that_begins_on_the_way_down_to_idle_states_none(opens, driven_so):
    """Out of an overrun, half a second before the opening: a third above the idle it comes to, and falling by a tenth a second."""
    t = np.arange(0.0, SNAP.length, 1e-3)
    extra = 0.4 * SNAP.idle * np.exp(-t / 2.5) * (t < opens)
    extra = extra if driven_so else np.zeros(t.size)
    found = read(with_flow(clean_flow(replace(SNAP, opening=opens), t) + extra, t))
    assert driven(found) == [driven_so]
    assert np.isnan(found.values["idle_g_s"][0]) == driven_so


def test_a_record_that_begins_inside_a_hold_has_no_opening():
    t = np.arange(0.0, 4.0, 5e-4)
    waves = [with_flow(clean_flow(replace(SNAP, opening=-start), t), t) for start in (0.05, 0.2, 0.5, 0.8)]
    found = read(*waves)
    for name in ("opening_s", "hold_s", "run_up_time_s", "first_peak_g_s"):
        assert np.all(np.isnan(found.values[name])), name
    assert np.all(found.u["release_s"] > 0.0)
    np.testing.assert_allclose(found.values["release_s"], [0.95, 0.8, 0.5, 0.2], atol=0.02)


def test_a_record_that_begins_on_a_falling_flank_states_no_peak():
    t = np.arange(0.0, 4.0, 5e-4)
    found = read(*(with_flow(clean_flow(replace(SNAP, opening=-1.0 - late), t), t) for late in (-0.01, 0.0, 0.01)))
    for name in ("first_peak_g_s", "dip_g_s", "main_peak_g_s", "opening_s", "hold_s"):
        assert np.all(np.isnan(found.values[name])), name


def stepped(t, wait, part):
    """A foot that opens in two steps; the flow stands at a part of its height in between."""
    steps = [share / (1.0 + np.exp(-(t - at) / 0.004)) for share, at in ((part, 2.0), (1.0 - part, 2.0 + wait))]
    open_flow = clean_flow(replace(SNAP, opening=1.9, hold=1.1, surge=60.0, surge_time=0.15), t)
    return SNAP.idle + (open_flow - SNAP.idle) * np.where(t < 2.5, sum(steps), 1.0)


@pytest.mark.parametrize("ripple", [0.0, 0.04])
@pytest.mark.parametrize("wait", [0.049, 0.06])
def test_an_edge_in_two_steps_is_no_sharp_opening(ripple, wait):
    """Half the height lies near the step between the two, and ripple decides in which edge: it is as unsure as that."""
    t = np.arange(0.0, SNAP.length, 5e-4)
    rng, waves, parts = np.random.default_rng(3), [], (0.42, 0.46, 0.5, 0.54, 0.58)
    for part in parts:
        wave = 1.0 + ripple * np.sin(2 * np.pi * (40.0 * t + rng.uniform()))
        waves.append(with_flow(stepped(t, wait, part) * wave, t, 0.002))
    found = read(*waves)
    at, u = found.values["opening_s"], found.u["opening_s"]
    for place, doubt in zip(at, u, strict=True):
        assert max(abs(place - 2.0), abs(place - 2.0 - wait)) <= 2.5 * doubt


def test_one_edge_stays_sharp():
    rng = np.random.default_rng(4)
    found = read(*(airflow(replace(SNAP, opening=2.0 + 0.01 * k), QUIET, rng) for k in range(10)))
    assert np.all(found.u["opening_s"] < 0.003)


def test_the_top_sample_of_a_slow_log_counts():
    t = np.arange(0.0, 6.0, 0.05)
    flow = np.full(t.size, 4.0)
    flow[40:47] = [4.3, 18.0, 22.0, 24.1, 33.2, 17.4, 6.0]
    found = read(make_waveform(t, {"airflow_g_s": flow}), fam=family("g_s"))
    assert found.values["main_peak_g_s"][0] == pytest.approx(33.2, abs=0.1)
    assert found.marked[0]["main_peak_g_s"] == "lower_bound"
    assert 1.0 < found.u["main_peak_g_s"][0] < 6.0  # what may lie between the samples


@pytest.mark.parametrize("rate", [13.0, 20.0, 40.0])
def test_a_slow_log_states_the_highest_it_saw(rate):
    rng = np.random.default_rng(6)
    snaps = [replace(SNAP, opening=2.0 + rng.uniform(0.0, 0.2), hold=0.5, ripple=0.0) for _ in range(20)]
    waves = [airflow(snap, Recorder(rate_hz=rate, kind="g_s", needles_per_s=0, noise_v=1e-4), rng) for snap in snaps]
    found = read(*waves, fam=family("g_s", main_peak={"expected_g_s": 118.0}))
    keep = np.isfinite(found.values["main_peak_g_s"])
    assert keep.sum() >= 18
    true = np.array([truth(snaps[k])["main_peak_g_s"] for k in found.recording[keep]])
    seen = np.array([waves[k].channels["airflow_g_s"].max() for k in found.recording[keep]])
    np.testing.assert_allclose(found.values["main_peak_g_s"][keep], seen, rtol=0.02)
    off = (true - found.values["main_peak_g_s"][keep]) / found.u["main_peak_g_s"][keep]
    assert np.mean(np.abs(off) < 2.0) >= 0.9


def test_a_record_that_begins_in_the_rise_or_the_hold_states_no_opening():
    """What looks like half a height is the climb: the edge lies ahead of the record. The study of short holds in small."""
    counts = judge(draw(0.6, 40, 23, ANYWHERE))
    for name in ("opening_s", "hold_s"):
        assert counts[name].none >= 10, name
        assert counts[name].invented <= 1, name
        assert counts[name].plain_read >= 0.9 * counts[name].plain > 0, name


def test_a_record_that_begins_in_the_rise_states_no_climb():
    wave = airflow(SNAP, QUIET, np.random.default_rng(1))
    starts = [SNAP.opening + late for late in (-1.0, 0.02, 0.08, 0.2, 0.4)]
    cut = [wave.time_s >= start for start in starts]
    found = read(*(make_waveform(wave.time_s[at], {n: c[at] for n, c in wave.channels.items()}) for at in cut))
    assert np.isfinite(found.values["climb_slope_g_s2"]).tolist() == [True, False, False, False, False]
    assert np.isnan(found.values["opening_s"]).tolist() == [False, True, True, True, True]


@pytest.mark.parametrize(("raised", "idles"), [(1.0, True), (1.45, False)])
def test_a_flow_that_has_not_come_back_from_the_snap_before_is_no_idle(raised, idles):
    t = np.arange(0.0, 7.0, 1e-3)
    first, second = (replace(SNAP, opening=at, hold=0.4, after_idle=SNAP.idle) for at in (1.5, 3.2))
    flow = np.maximum(clean_flow(first, t), clean_flow(second, t))
    between = (t > first.opening + 1.0) & (t < second.opening - 0.05)
    found = read(with_flow(np.where(between, raised * SNAP.idle, flow), t))
    assert found.snap.tolist() == [1, 2]
    assert np.isfinite(found.values["idle_g_s"]).tolist() == [True, idles]
