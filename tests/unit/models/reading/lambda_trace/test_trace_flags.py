"""Polarity, activity and clipping of whole traces, wideband, ratio and narrowband."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from data_contracts.capture import Conditions
from models.reading.read import read_waveforms
from models.statistics.estimate import UNREAD_CODES
from sample_fleet.families import built_in_families, register_family
from sample_fleet.parameters import HEALTHY as NO_FAULT
from sample_fleet.parameters import Driver
from sample_fleet.simulate import Recording, simulate
from tests.analytic_lambda import NARROWBAND, RATIO, WIDEBAND, WIDEBAND_HIGH, Snap, coloured, read, volts_of_lambda

RATE = 2000.0
LENGTHS = {"short": 2.1, "long": 6.0}
HEALTHY = Snap()
SHORT_OF_FUEL = Snap(full=1.0 / 1.08)
LEAKING = Snap(cut=0.3, full=1.0 / 0.84)
SNAPS = {"healthy": HEALTHY, "short of fuel": SHORT_OF_FUEL, "leaking": LEAKING}


def trace(snap: Snap, length_s: float, rows: int = 12) -> np.ndarray:
    time = np.arange(int(length_s * RATE)) / RATE
    x = snap.richness(time)
    rng = np.random.default_rng(1)
    return np.tile(x, (rows, 1)) + coloured(rng, (rows, x.size), 0.002, 0.02, 1.0 / RATE)


def as_ratio(richness: np.ndarray) -> np.ndarray:
    return 1.0 / np.clip(richness, 1.0 / 8.0, None)


def as_narrowband(richness: np.ndarray) -> np.ndarray:
    """A logistic switch at lambda 1 between 0.08 V and 0.88 V; a made-up shape for the test."""
    return 0.08 + 0.80 / (1.0 + np.exp(-(richness - 1.0) / 0.008))


def contradicted(signal, sensor, kind, snap=HEALTHY):
    _, signs = read(signal, rate_hz=RATE, sensor=sensor, kind=kind, opening_s=snap.opening_s, release_s=snap.release_s)
    return signs.polarity_contradicts


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("which", SNAPS)
def test_the_right_polarity_is_left_alone(which, length):
    x = trace(SNAPS[which], LENGTHS[length])
    for sensor in (WIDEBAND, WIDEBAND_HIGH):
        assert not contradicted(volts_of_lambda(sensor, as_ratio(x)), sensor, "v").any()
    assert not contradicted(as_ratio(x), RATIO, "ratio").any()
    assert not contradicted(as_narrowband(x), NARROWBAND, "v").any()


@pytest.mark.parametrize("length", LENGTHS)
def test_swapped_polarity_is_said(length):
    x = trace(HEALTHY, LENGTHS[length])
    swapped = replace(WIDEBAND, polarity="rich_high", characteristic_lambda=WIDEBAND.characteristic_lambda[::-1])
    assert contradicted(volts_of_lambda(WIDEBAND, as_ratio(x)), swapped, "v").all()


@pytest.mark.parametrize("which", SNAPS)
def test_swapped_polarity_is_said_of_a_bad_van_too_once_fuel_cut_is_recorded(which):
    x = trace(SNAPS[which], LENGTHS["long"])
    swapped = replace(WIDEBAND, polarity="rich_high", characteristic_lambda=WIDEBAND.characteristic_lambda[::-1])
    assert contradicted(volts_of_lambda(WIDEBAND, as_ratio(x)), swapped, "v").all()


def test_swapped_narrowband_is_said_with_a_fuel_cut():
    x = trace(HEALTHY, LENGTHS["long"])
    swapped = replace(NARROWBAND, polarity="rich_low")
    assert contradicted(as_narrowband(x), swapped, "v").all()


def test_what_is_contradicted_is_null_and_never_turned_round():
    x = trace(HEALTHY, LENGTHS["long"])
    swapped = replace(WIDEBAND, polarity="rich_high", characteristic_lambda=WIDEBAND.characteristic_lambda[::-1])
    volts = volts_of_lambda(WIDEBAND, as_ratio(x))
    out, _ = read(volts, rate_hz=RATE, sensor=swapped, kind="v", opening_s=0.6, release_s=1.7)
    assert {UNREAD_CODES[code] for code in out["lambda_full_throttle"].reason} == {"polarity_contradicts"}
    np.testing.assert_allclose(out["lambda_idle_v"].value, volts[:, :1200].mean(axis=1), atol=1e-3)


def test_volts_no_narrowband_sensor_gives_contradict_it():
    x = trace(HEALTHY, LENGTHS["long"])
    assert contradicted(volts_of_lambda(WIDEBAND, as_ratio(x)), NARROWBAND, "v").all()


@pytest.mark.parametrize(
    ("sensor", "kind", "level"), [(WIDEBAND, "v", 1.45), (RATIO, "ratio", 1.0), (NARROWBAND, "v", 0.45)]
)
def test_a_dead_sensor_is_inactive_and_gives_nothing(sensor, kind, level):
    rng = np.random.default_rng(2)
    signal = level + rng.normal(0.0, 0.002, (5, 8000))
    out, signs = read(signal, rate_hz=RATE, sensor=sensor, kind=kind, opening_s=1.0, release_s=2.1)
    assert not signs.active.any()
    assert all(np.all(found.reason != 0) for found in out.values())


def test_clipped_counts_the_rich_end_and_not_the_fuel_cut():
    cut = volts_of_lambda(WIDEBAND, as_ratio(trace(HEALTHY, 6.0)))
    flooded = volts_of_lambda(WIDEBAND, as_ratio(trace(Snap(full=1.0 / 0.6), 6.0)))
    for signal, expected in ((cut, False), (flooded, True)):
        _, signs = read(signal, rate_hz=RATE, sensor=WIDEBAND, kind="v", opening_s=0.6, release_s=1.7)
        assert np.all(signs.clipped == expected)


@pytest.mark.parametrize("fault", ["fuel_delivery_weak", "injector_restricted", "fuel_aeration"])
def test_a_faulty_van_on_a_short_record_contradicts_nothing(fault):
    """Simulated vans short of fuel up to the worst, recorded for 2 s: a false call is worse than a miss."""
    rng = np.random.default_rng(21)
    vans = [
        vehicle for vehicle in built_in_families().values() if register_family(vehicle).lambda_sensor.kind != "none"
    ]
    faults = [replace(NO_FAULT, **{fault: severity}) for severity in np.linspace(0.3, 1.0, 4) for _ in vans]
    feet = [Driver(pedal_at_s=0.55, hold_s=1.1)] * len(faults)
    batch = simulate(vans * 4, rng, recording=Recording(2000.0, 2.0), drivers=feet, faults=faults)
    found = read_waveforms(
        batch.waveforms(), [register_family(each) for each in vans * 4], [Conditions()] * len(faults)
    )
    assert np.isfinite(found.values["main_peak_g_s"]).sum() >= 0.9 * len(faults)
    assert np.isfinite(found.values["tip_in_lean_blip"]).sum() >= 0.5 * len(faults)
    assert not any("polarity_contradicts" in why.values() for why in found.unread)


def test_a_ratio_has_no_polarity():
    assert not contradicted(1.0 / as_ratio(trace(HEALTHY, LENGTHS["long"])), RATIO, "ratio").any()


@pytest.mark.parametrize("after_s", [0.4, 0.8, 2.5])
@pytest.mark.parametrize("before", [1.0, 0.3], ids=["idle", "fuel cut"])
@pytest.mark.parametrize("hold_s", [0.25, 0.45])
def test_a_short_snap_answered_late_contradicts_nothing(hold_s, before, after_s):
    """Lambda answers half a second late: a lean tip-in while the foot is down, the rich mixture after it has lifted."""
    time = np.arange(int((2.0 + hold_s + after_s) * RATE)) / RATE
    rich_from, rich_to = 2.45, 2.45 + hold_s + 0.2
    x = np.where(time < 1.9, before, 1.0)
    x = np.where((time > 2.05) & (time < rich_from), 0.94, x)
    x = np.where((time >= rich_from) & (time < rich_to), 1.0 / 0.82, x)
    x = np.where(time >= 2.0 + hold_s + 1.0, 0.2, x)
    lag = np.exp(-1.0 / RATE / 0.12)
    smooth = lfilter([1.0 - lag], [1.0, -lag], x, zi=[x[0] * lag])[0]
    rows = np.tile(smooth, (6, 1)) + coloured(np.random.default_rng(4), (6, x.size), 0.002, 0.02, 1.0 / RATE)
    snap = Snap(opening_s=2.0, release_s=2.0 + hold_s)
    for sensor in (WIDEBAND, WIDEBAND_HIGH):
        assert not contradicted(volts_of_lambda(sensor, as_ratio(rows)), sensor, "v", snap).any()
    assert not contradicted(as_narrowband(rows), NARROWBAND, "v", snap).any()


@pytest.mark.parametrize("hold_s", [0.4, 1.1])
@pytest.mark.parametrize("fault", ["", "lambda_slow"])
def test_a_slow_sensor_on_a_short_record_contradicts_nothing(fault, hold_s):
    """Such recordings were sent back, so that a van with a slow sensor was never tracked at all."""
    vans = [vehicle for vehicle in built_in_families().values() for _ in range(3)]
    faults = replace(NO_FAULT, **({fault: 2.3 / 3.0} if fault else {}))
    feet = [Driver(pedal_at_s=0.55, hold_s=hold_s)] * len(vans)
    batch = simulate(
        vans, np.random.default_rng(5), recording=Recording(1000.0, 1.5 + hold_s), drivers=feet, faults=faults
    )
    found = read_waveforms(batch.waveforms(), [register_family(each) for each in vans], [Conditions()] * len(vans))
    assert sum(snap == 1 for snap in found.snap.tolist()) == len(vans)
    assert not any("polarity_contradicts" in why.values() for why in found.unread)
