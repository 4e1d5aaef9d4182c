"""Engine speed from the firing ripple, run-up, flow per revolution, volumetric efficiency."""

import numpy as np
import pytest

from data_contracts.capture import make_waveform
from models.reading.air_trace.engine_speed import peak_speed_from_ripple, ripple_frequency
from models.reading.read import read_waveforms
from tests import naive
from tests.analytic import WARM, Recorder, Snap, airflow, family, repeats, speed, truth


@pytest.mark.parametrize("frequency", [83.0, 141.7, 196.67, 305.0])
@pytest.mark.parametrize("samples", [250, 400, 700])
def test_a_line_is_found_where_its_twin_finds_it(frequency, samples):
    rng = np.random.default_rng(samples)
    t = np.arange(samples) / 2000.0
    x = 4.0 + 0.3 * t + 0.05 * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 6)) + 0.02 * rng.normal(size=samples)
    row, ends = np.array([0]), (np.array([0]), np.array([samples]))
    found, u, _ = ripple_frequency(x[None].astype(np.float32), row, *ends, interval_s=5e-4, band_hz=(60.0, 350.0))
    assert found[0] == pytest.approx(naive.spectrum_line(x, 5e-4, 60.0, 350.0), abs=0.15)
    assert abs(found[0] - frequency) < 4 * u[0]


def test_the_interval_of_a_line_covers():
    rng = np.random.default_rng(1)
    n, count = 400, 600
    t = np.arange(n) / 2000.0
    truths = rng.uniform(150.0, 220.0, count)
    x = 0.03 * np.sin(2 * np.pi * truths[:, None] * t + rng.uniform(0, 6, (count, 1)))
    x = (x + 0.02 * rng.normal(size=(count, n))).astype(np.float32)
    ends = (np.zeros(count, dtype=np.int64), np.full(count, n))
    found, u, _ = ripple_frequency(x, np.arange(count), *ends, interval_s=5e-4, band_hz=(90.0, 260.0))
    read = np.isfinite(found)
    assert read.mean() > 0.98
    assert 0.92 < np.mean(np.abs(found - truths)[read] < 1.96 * u[read]) < 0.985


def test_noise_alone_gives_no_line():
    x = np.random.default_rng(2).normal(size=(400, 400)).astype(np.float32)
    ends = (np.zeros(400, dtype=np.int64), np.full(400, 400))
    found, _, _ = ripple_frequency(x, np.arange(400), *ends, interval_s=5e-4, band_hz=(90.0, 260.0))
    assert np.isfinite(found).mean() < 0.02


@pytest.mark.parametrize("cylinders", [3, 4, 5, 6])
def test_speed_at_the_peak_is_within_two_percent(cylinders):
    count, fam = 20, family(cylinders=cylinders)
    rng = np.random.default_rng(cylinders)
    waves = []
    for _ in range(count):
        # the analytic ripple fires twice a revolution: another count of cylinders is another speed for the same ripple
        waves.append(airflow(Snap(peak_rpm=5900.0 * cylinders / 4, idle_rpm=850.0 * cylinders / 4), Recorder(), rng))
    found = read_waveforms(waves, [fam] * count, [WARM] * count)
    assert np.all(np.abs(found.values["engine_speed_peak_rpm"] / 5900.0 - 1.0) < 0.02)
    idle = found.values["engine_speed_idle_rpm"]
    assert np.isfinite(idle).mean() > 0.7
    assert np.nanmax(np.abs(idle / 850.0 - 1.0)) < 0.02


@pytest.mark.parametrize("late", ["speed", "filling"])
def test_a_flow_that_rises_to_its_peak_is_speed_or_filling(late):
    """Over the window the flow gains 2 %: with the speed, or at a governed speed with the filling; one is as likely."""
    dt, count, rng = 5e-4, 12, np.random.default_rng(7)
    t = np.arange(2000) * dt
    rise = 1.0 + 0.02 * (t - t[-1]) / 0.2
    rpm = 6000.0 * (rise if late == "speed" else np.ones_like(t))
    phase = 2.0 * np.pi * np.cumsum(rpm / 30.0) * dt
    flow = np.stack([100.0 * rise * (1.0 + 0.03 * np.sin(phase + rng.uniform(0, 6.28))) for _ in range(count)])
    flow = (flow + rng.normal(0, 0.3, flow.shape)).astype(np.float32)
    same = np.ones(count)
    found = peak_speed_from_ripple(
        flow,
        np.arange(count),
        main_at=1999.0 * same,
        main=100.0 * same,
        main_first=1600.0 * same,
        main_stop=2000.0 * same,
        hold_first=0.0 * same,
        hold_stop=2000.0 * same,
        interval_s=dt,
        cylinders=4,
        max_free_rpm=6500.0,
    )
    assert np.all(np.abs(found.value - 6000.0) < 1.2 * found.u)
    assert np.all(found.u < 40.0)


def test_no_ripple_no_speed():
    fam = family()
    waves, _ = repeats(Snap(ripple=0.0), Recorder(), 20, 3)
    found = read_waveforms(waves, [fam] * 20, [WARM] * 20)
    assert np.isnan(found.values["engine_speed_peak_rpm"]).mean() >= 0.9
    assert {each["flow_per_rev_mg"] for each in found.unread if "flow_per_rev_mg" in each} == {"noise"}


def test_too_slow_a_rate_gives_no_speed():
    waves, _ = repeats(Snap(), Recorder(rate_hz=500.0), 3, 3)
    found = read_waveforms(waves, [family()] * 3, [WARM] * 3)
    assert np.all(np.isnan(found.values["engine_speed_peak_rpm"]))
    assert all(each["engine_speed_peak_rpm"] == "rate_too_low" for each in found.unread)


def test_a_recorded_channel_wins():
    snap = Snap()
    wave = airflow(snap, Recorder(), np.random.default_rng(1))
    said = speed(snap, wave.time_s) * 1.02
    both = make_waveform(wave.time_s, {**wave.channels, "engine_rpm": said})
    found = read_waveforms([both], [family()], [WARM])
    assert found.values["engine_speed_peak_rpm"][0] == pytest.approx(5900 * 1.02, rel=1e-3)
    assert found.values["engine_speed_idle_rpm"][0] == pytest.approx(850 * 1.02, rel=1e-3)
    # from the opening to 97 % of the highest speed, by formula
    reach = 0.97 * 5900 - 850
    top = (5900 - 850) / snap.limiter_at
    expected = -snap.speed_time * np.log1p(-reach / top) - (truth(snap)["opening_s"] - snap.opening)
    assert found.values["run_up_time_s"][0] == pytest.approx(expected, abs=0.005)


def test_volumetric_efficiency_is_the_speed_density_identity():
    """2.0 l at 5,500 1/min, VE 0.85, air of 1.184 kg/m³ (25 °C, 101.325 kPa, dry) draw 92.25 g/s: arithmetic."""
    from dataclasses import replace

    sea = replace(WARM, barometer_kpa=101.325)
    snap = Snap(main=92.25, peak_rpm=5500.0, surge=35.0)
    waves, _ = repeats(snap, Recorder(), 5, 4)
    found = read_waveforms(waves, [family(main_peak={"expected_g_s": 92.25})] * 5, [sea] * 5)
    np.testing.assert_allclose(found.values["volumetric_efficiency"], 0.85, rtol=0.005)
    np.testing.assert_allclose(found.values["flow_per_rev_mg"], 60e3 * 92.25 / 5500.0, rtol=0.005)


def test_volumetric_efficiency_needs_the_intake_temperature():
    from dataclasses import replace

    waves, _ = repeats(Snap(), Recorder(), 2, 4)
    found = read_waveforms(waves, [family()] * 2, [replace(WARM, intake_air_c=None)] * 2)
    assert np.all(np.isnan(found.values["volumetric_efficiency"]))
    assert all(each["volumetric_efficiency"] == "unmeasured_condition" for each in found.unread)
