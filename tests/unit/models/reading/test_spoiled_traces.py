"""Traces that look right and are not: hum and ripple on flat tops, clipped tops, swapped leads, needles that are none."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import make_waveform
from models.reading.read import read_waveforms
from tests.analytic import FLOW, VOLTS, WARM, Recorder, Snap, airflow, clean_flow, family

SNAP = Snap(opening=1.0, hold=1.0, length=5.0)


def flat_top(ripple=0.0, hum=0.0, noise=0.004, seed=1, rate=1000.0):
    """A rise to a flat top, with no first peak and no dip."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, SNAP.length, 1.0 / rate)
    open_part = 1 / (1 + np.exp(-(t - 1.0) / 0.012)) / (1 + np.exp((t - 2.0) / 0.018))
    flow = 4.0 + 76.0 * open_part
    flow = flow * (1.0 + ripple * np.sin(2 * np.pi * (33.0 * t + rng.uniform())))
    volts = np.interp(flow, FLOW, VOLTS) + hum * np.sin(2 * np.pi * (50.0 * t + rng.uniform()))
    return make_waveform(t, {"airflow_v": volts + rng.normal(0.0, noise, t.size)})


@pytest.mark.parametrize("spoiled", [{"hum": 0.1}, {"ripple": 0.08}, {"noise": 0.02}])
def test_a_flat_top_has_no_first_peak(spoiled):
    waves = [flat_top(seed=seed, **spoiled) for seed in range(20)]
    found = read_waveforms(waves, [family()] * 20, [WARM] * 20)
    assert np.isnan(found.values["first_peak_g_s"]).sum() >= 20
    assert np.isnan(found.values["dip_g_s"]).all()


def test_no_first_peak_lies_below_its_dip():
    rng = np.random.default_rng(2)
    snaps = [replace(SNAP, surge=s, hold=h) for s in (10.0, 20.0, 30.0) for h in (0.2, 0.35, 0.6, 1.0)]
    recorder = Recorder(noise_v=0.02, rate_hz=1000.0, needles_per_s=0)
    found = read_waveforms([airflow(s, recorder, rng) for s in snaps], [family()] * 12, [WARM] * 12)
    both = np.isfinite(found.values["first_peak_g_s"]) & np.isfinite(found.values["dip_g_s"])
    assert both.any()
    assert np.all(found.values["first_peak_g_s"][both] > found.values["dip_g_s"][both])


def test_a_clipped_main_peak_leaves_release_and_hold_as_unsure_as_its_height():
    rng, fam = np.random.default_rng(3), family()
    whole = airflow(replace(SNAP, ripple=0.0), Recorder(needles_per_s=0, noise_v=0.002), rng)
    cut = make_waveform(whole.time_s, {"airflow_v": np.minimum(whole.channels["airflow_v"], np.float32(3.4))})
    found = read_waveforms([whole, cut], [fam] * 2, [WARM] * 2)
    assert "clipped" in found.grade_reasons[1]
    assert found.unread[1]["run_up_time_s"] == "clipped"
    for name in ("release_s", "hold_s"):
        value, u = found.values[name], found.u[name]
        assert np.isnan(value[1]) or abs(value[1] - value[0]) <= 2.0 * u[1]
        assert np.isnan(value[1]) or u[1] > 3.0 * u[0]


@pytest.mark.parametrize("kind", ["wideband", "narrowband"])
def test_swapped_leads_are_named(kind):
    from tests.analytic_lambda import NARROWBAND, WIDEBAND, first_order, volts_of_lambda

    rng = np.random.default_rng(4)
    air = airflow(SNAP, Recorder(needles_per_s=0, rate_hz=1000.0), rng)
    t = air.time_s
    sensor = NARROWBAND if kind == "narrowband" else WIDEBAND
    levels = (0.45, 0.85, 0.1) if kind == "narrowband" else volts_of_lambda(sensor, np.array([1.0, 0.88, 2.0])).tolist()
    a, b, c = levels
    x = first_order(t, 1.15, 0.06, a, b) + first_order(t, 2.2, 0.06, 0.0, c - b) + rng.normal(0.0, 0.004, t.size)
    fam = replace(family(), lambda_sensor=sensor)
    right = make_waveform(t, {"airflow_v": air.channels["airflow_v"], "lambda_v": x})
    swapped = make_waveform(t, {"airflow_v": x, "lambda_v": air.channels["airflow_v"]})
    found = read_waveforms([right, swapped], [fam] * 2, [WARM] * 2)
    first = {int(r): k for k, (r, s) in enumerate(zip(found.recording, found.snap, strict=True)) if s == 1}
    assert "channels_swapped" not in found.grade_reasons[first[0]]
    assert "channels_swapped" in found.grade_reasons[first[1]]
    assert found.grade[first[1]] == "repeat"


def test_a_reported_flow_has_no_ignition_spikes():
    """Steps of a reported flow in a fast log are no needles: no lead picks anything up."""
    rng, count = np.random.default_rng(5), 20
    t = np.arange(0.0, SNAP.length, 1e-3)
    waves = []
    for _ in range(count):
        flow = clean_flow(replace(SNAP, opening=1.0 + rng.uniform(0.0, 0.05)), t)
        flow = flow * (1.0 + 0.003 * rng.normal(size=t.size)) + 3.0 * (rng.random(t.size) < 0.003)
        waves.append(make_waveform(t, {"airflow_g_s": np.round(flow, 2)}))
    found = read_waveforms(waves, [family("g_s")] * count, [WARM] * count)
    assert not any("needles" in reasons for reasons in found.grade_reasons)


@pytest.mark.parametrize("rate", [100.0, 1000.0])
def test_times_of_a_held_trace_cover(rate):
    """A bus value held for 10 ms, in a log as fast or ten times as fast: what lies between two updates is not known."""
    from tests.studies.reading_analytic import drawn

    rng, waves, truths = np.random.default_rng(6), [], []
    for snap, true in drawn(60, 31):
        t = np.arange(0.0, snap.length, 1.0 / rate)
        late = rng.uniform(0.0, 0.01) if rate > 100.0 else 0.0
        updates = np.floor((t + late) / 0.01 + 1e-9) * 0.01 - late
        fine = np.arange(-0.02, snap.length, 1e-3)
        waves.append(make_waveform(t, {"airflow_g_s": np.round(np.interp(updates, fine, clean_flow(snap, fine)), 2)}))
        truths.append(true)
    found = read_waveforms(waves, [family("g_s")] * len(waves), [WARM] * len(waves))
    for name in ("run_up_time_s", "release_s", "recirculation_pulse_g_s"):
        value, u = found.values[name], found.u[name]
        off = np.abs(value - np.array([each.get(name, np.nan) for each in truths])[found.recording]) / u
        assert np.mean(off[np.isfinite(off)] <= 2.0) >= 0.93, (name, np.quantile(off[np.isfinite(off)], 0.93))
