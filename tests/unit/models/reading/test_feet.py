"""What feet do besides one clean snap: a manifold that is full, a lift in two steps, an idle that the engine is still on its way to."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import Waveform, make_waveform
from models.reading.read import Readings, read_waveforms
from tests.analytic import FLOW, VOLTS, WARM, Snap, clean_flow, family

RATE_HZ = 1000.0
T = np.arange(0.0, 5.0, 1.0 / RATE_HZ)
SNAP = Snap(opening=1.2, hold=0.6, length=5.0)


def recorded(flow: np.ndarray) -> Waveform:
    noise = np.random.default_rng(5).normal(0.0, 0.002, flow.size)
    return make_waveform(T, {"airflow_v": np.interp(flow, FLOW, VOLTS) + noise})


def read(flow: np.ndarray) -> Readings:
    return read_waveforms([recorded(flow)], [family()], [WARM])


def test_a_fall_of_the_full_manifold_is_no_release():
    still = replace(SNAP, hold=0.3, speed_time=60.0)  # the engine hardly gains speed: in gear
    found = read(clean_flow(still, T))
    for name in ("main_peak_g_s", "release_s", "hold_s", "fall_time_s"):
        assert found.unread[0][name] == "hold_too_short", name
    assert np.isfinite(found.values["idle_g_s"][0])
    assert found.grade == ["repeat"]


@pytest.mark.parametrize("lower", [22.0, 26.0])
def test_after_a_lift_in_two_steps_the_main_peak_is_the_highest_flow_and_the_dip_the_first_valley(lower):
    short = replace(SNAP, hold=0.3, surge=90.0, speed_time=0.6)
    whole = clean_flow(short, T)
    lifts = short.opening + short.hold
    closing = 1.0 - 0.3 * np.exp(-(((T - lifts - 0.07) / 0.03) ** 2))  # then open enough for what the engine draws
    stays = (lifts < T) * lower * closing / (1.0 + np.exp((T - lifts - 0.25) / 0.01))
    found, plain = read(np.maximum(whole, stays)), read(whole)
    assert plain.values["main_peak_g_s"][0] > 1.5 * lower
    for name in ("first_peak_g_s", "dip_g_s", "main_peak_g_s"):
        assert found.values[name][0] == pytest.approx(plain.values[name][0], rel=0.02), name


@pytest.mark.parametrize(("falls_s", "idles"), [(0.5, False), (30.0, True)])
def test_a_flow_that_still_falls_to_idle_is_none(falls_s, idles):
    ahead = 0.45 * SNAP.after_idle * np.exp(-T / falls_s) * (SNAP.opening > T)
    late = T >= 0.75  # the record begins in the overrun before the snap
    whole = recorded(clean_flow(SNAP, T) + np.where(SNAP.opening > T, ahead * np.exp(0.9 / falls_s), 0.0))
    wave = make_waveform(whole.time_s[late], {name: c[late] for name, c in whole.channels.items()})
    found = read_waveforms([wave], [family()], [WARM])
    assert bool(np.isfinite(found.values["idle_g_s"][0])) == idles
    assert ("not_at_idle" in found.grade_reasons[0]) != idles
