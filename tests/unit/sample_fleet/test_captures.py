"""Captures in memory: the landmarks of a healthy snap, determinism, structural switches, families."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.family import parse_family
from sample_fleet.families import built_in_families, family_table, individual, randomised_family, register_family
from sample_fleet.parameters import HEALTHY, Driver, Recorder, Surroundings
from sample_fleet.simulate import EXTRAS, Recording, simulate
from sample_fleet.truth import TRUTH_FIELDS

FAMILIES = built_in_families()
EARLY = Driver(pedal_at_s=0.55)  # for recordings of 2 s


@pytest.mark.parametrize("name", list(FAMILIES))
def test_healthy_snap_has_the_landmarks_of_the_trade(name):
    # common practice, no published source: idle 0.8-1.0 V, first peak below the main peak and over in about 0.1 s,
    # a clear dip, main peak about 4.7 V, fuel cut after the release, no stall
    vehicle = FAMILIES[name]
    batch = simulate([vehicle], np.random.default_rng(2), recording=Recording(1000.0, 9.0), clean=True)
    truth = {key: float(values[0]) for key, values in batch.truth.items()}
    if vehicle.airflow_kind == "volts":
        assert 0.8 <= truth["idle_raw"] <= 1.0
        assert truth["main_peak_raw"] == pytest.approx(4.70, abs=0.02)
    assert truth["first_peak_g_s"] < 0.9 * truth["main_peak_g_s"]
    assert truth["dip_g_s"] < 0.6 * truth["first_peak_g_s"]
    said = batch.clean_said[0]
    above = np.flatnonzero(said[3000:3300] > 0.5 * truth["first_peak_g_s"])
    surge = np.flatnonzero(np.diff(above) > 1)
    assert (above[surge[0]] if surge.size else above[-1]) - above[0] < 130
    climb = said[int(1000 * truth["opening_s"]) + 150 : int(1000 * truth["pedal_up_s"])]
    assert np.max(np.maximum.accumulate(climb) - climb) < 0.02 * truth["main_peak_g_s"]
    assert truth["lambda_idle"] == pytest.approx(1.0, abs=0.02)
    assert 0.85 <= truth["lambda_full_throttle"] <= 0.95
    assert truth["pedal_up_s"] < truth["fuel_cut_s"] < truth["fuel_resume_s"]
    assert truth["lowest_rpm_after"] > 0.75 * truth["engine_speed_idle_rpm"]
    assert truth["idle_after_g_s"] == pytest.approx(truth["idle_g_s"], rel=0.15)


def test_same_seed_same_samples_whatever_the_batch():
    vehicles = [FAMILIES["brook-20"], FAMILIES["moor-30"], FAMILIES["marsh-16"]]
    whole = simulate(vehicles, np.random.default_rng(11), drivers=EARLY)
    again = simulate(vehicles, np.random.default_rng(11), drivers=EARLY)
    assert np.array_equal(whole.airflow, again.airflow)
    assert np.array_equal(whole.oxygen, again.oxygen, equal_nan=True)
    rng = np.random.default_rng(11)
    for row, vehicle in enumerate(vehicles):
        alone = simulate([vehicle], rng, drivers=EARLY)
        assert np.array_equal(alone.airflow[0], whole.airflow[row])
    other = simulate(vehicles, np.random.default_rng(12), drivers=EARLY)
    assert not np.array_equal(whole.airflow, other.airflow)


def test_severity_zero_is_healthy():
    vehicle = FAMILIES["heath-12"]
    healthy = simulate([vehicle], np.random.default_rng(1), drivers=EARLY)
    zero = simulate(
        [vehicle], np.random.default_rng(1), drivers=EARLY, faults=replace(HEALTHY, fault_cylinder=2.0, flutter=0.8)
    )
    assert np.array_equal(healthy.airflow, zero.airflow)
    assert np.array_equal(healthy.oxygen, zero.oxygen, equal_nan=True)


def test_waveform_has_the_channels_of_its_family():
    rng = np.random.default_rng(1)
    names = {
        name: set(simulate([vehicle], rng, recording=Recording(2000.0, 2.0)).waveform(0).channels)
        for name, vehicle in FAMILIES.items()
    }
    assert names == {
        "brook-20": {"airflow_v", "lambda_v"},
        "heath-12": {"airflow_v", "lambda_v"},
        "marsh-16": {"airflow_hz", "lambda_v"},
        "moor-30": {"airflow_v", "lambda_v", "bank2_lambda_v"},
        "fell-15": {"airflow_g_s", "lambda_ratio"},
        "dale-25": {"airflow_v", "lambda_v"},
    }
    extra = simulate([FAMILIES["brook-20"]], rng, recording=Recording(2000.0, 2.0, EXTRAS), drivers=EARLY).waveform(0)
    assert set(EXTRAS) < set(extra.channels)
    assert extra.channels["engine_rpm"].max() == pytest.approx(6150, rel=0.02)


def test_signal_is_the_transfer_of_what_the_sensor_says():
    vehicle = FAMILIES["brook-20"]
    batch = simulate([vehicle], np.random.default_rng(4), recorders=Recorder(needles_per_s=0.0), clean=True)
    family = register_family(vehicle)
    flow = np.interp(batch.airflow[0], family.airflow_sensor.transfer, family.airflow_sensor.transfer_g_s)
    idle = slice(0, 1000)
    assert flow[idle].mean() == pytest.approx(batch.clean_said[0, idle].mean(), rel=0.005)
    assert batch.airflow.min() >= 0.0
    steps = batch.airflow[0] / vehicle.air_sensor.air_step
    assert np.allclose(steps, np.round(steps), atol=1e-2)


def test_firing_ripple_tells_the_speed():
    vehicle = replace(FAMILIES["moor-30"], air_sensor=replace(FAMILIES["moor-30"].air_sensor, air_noise=0.002))
    batch = simulate(
        [vehicle],
        np.random.default_rng(4),
        recording=Recording(4000.0, 2.5),
        drivers=Driver(pedal_at_s=0.4, hold_s=2.0),
        recorders=Recorder(needles_per_s=0.0),
        clean=True,
    )
    plateau = slice(6000, 9000)
    trace = batch.airflow[0, plateau].astype(float)
    spectrum = np.abs(np.fft.rfft((trace - trace.mean()) * np.hanning(trace.size)))
    spectrum[:20] = 0.0
    hertz = np.fft.rfftfreq(trace.size, 1 / 4000.0)[int(np.argmax(spectrum))]
    speed = hertz * 120.0 / vehicle.engine.cylinders
    assert speed == pytest.approx(float(batch.clean_rpm[0, plateau].mean()), rel=0.01)


def test_structural_switches_change_the_structure():
    vehicle = FAMILIES["brook-20"]
    control = vehicle.control
    weak = replace(HEALTHY, airflow_under_reading=1.0)
    recording = Recording(1000.0, 9.0)

    def truth(control=control, faults=HEALTHY, sensor=vehicle.air_sensor):
        changed = replace(vehicle, control=control, air_sensor=sensor)
        batch = simulate([changed], np.random.default_rng(1), recording=recording, faults=faults)
        return {key: float(values[0]) for key, values in batch.truth.items()}

    usual = truth()
    no_delay = truth(replace(control, cut_delay_s=0.0))
    assert no_delay["fuel_cut_s"] < usual["fuel_cut_s"] - 0.2
    fast = truth(replace(control, throttle_rate_s=0.0))
    assert fast["opening_s"] < usual["opening_s"]
    hidden, open_ = truth(faults=weak), truth(replace(control, trim_learning=0.0), weak)
    assert open_["lambda_full_throttle"] > hidden["lambda_full_throttle"] + 0.1  # nothing learned carries over
    quick = truth(sensor=replace(vehicle.air_sensor, air_lag_s=0.0))
    assert abs(quick["opening_said_s"] - quick["opening_s"]) < 1e-3 < usual["opening_said_s"] - usual["opening_s"]


def test_no_snap_cold_and_early_trigger():
    vehicle = FAMILIES["brook-20"]
    batch = simulate(
        [vehicle] * 3,
        np.random.default_rng(1),
        recording=Recording(1000.0, 9.0),
        drivers=[Driver(snaps=0.0), Driver(), Driver(pedal_at_s=8.8)],
        surroundings=[Surroundings(), Surroundings(coolant_c=40.0), Surroundings()],
        recorders=Recorder(needles_per_s=0.0),
    )
    assert np.isnan(batch.truth["main_peak_g_s"][0])
    assert batch.truth["idle_g_s"][0] > 0
    assert batch.truth["lambda_idle"][1] < 0.93
    assert batch.truth["engine_speed_idle_rpm"][1] > batch.truth["engine_speed_idle_rpm"][0] + 80
    assert np.ptp(batch.oxygen[1, 0]) < 0.1  # not active yet
    assert np.isnan(batch.truth["release_s"][2])


def test_several_snaps_in_one_recording():
    batch = simulate(
        [FAMILIES["brook-20"]],
        np.random.default_rng(1),
        recording=Recording(1000.0, 18.0),
        drivers=Driver(pedal_at_s=2.0, snaps=2.0, snap_interval_s=8.0),
        recorders=Recorder(needles_per_s=0.0),
    )
    high = batch.airflow[0] > 4.3
    assert np.count_nonzero(np.diff(high.astype(int)) == 1) >= 2
    assert high[2800]
    assert high[10800]
    assert not high[7000]


def test_register_entries_of_invented_families_are_sound():
    rng = np.random.default_rng(8)
    kinds = set()
    for number in range(12):
        vehicle, family = randomised_family(rng, wide=number % 3 > 0, name=f"made-{number}")
        kinds.add((family.airflow_sensor.kind, family.lambda_sensor.kind))
        assert family.main_peak.expected_g_s == pytest.approx(vehicle.engine.rated_flow_g_s, rel=0.025)
        assert family.cylinders == vehicle.engine.cylinders
        parse_family(family.name, family_table(vehicle))
    assert len(kinds) >= 4
    polarity = {name: register_family(vehicle).lambda_sensor.polarity for name, vehicle in FAMILIES.items()}
    assert {polarity["brook-20"], polarity["heath-12"]} == {"rich_low", "rich_high"}


def test_vans_of_a_family_differ_a_little():
    rng = np.random.default_rng(5)
    vans = [individual(FAMILIES["brook-20"], rng) for _ in range(40)]
    peaks = simulate(vans, rng, recording=Recording(2000.0, 2.0), drivers=Driver(pedal_at_s=0.5, hold_s=1.2)).truth[
        "main_peak_g_s"
    ]
    assert 0.008 < np.std(peaks) / np.mean(peaks) < 0.03
    assert (
        individual(FAMILIES["brook-20"], rng, 0.0).engine.volumetric_efficiency
        == FAMILIES["brook-20"].engine.volumetric_efficiency
    )
    assert len(TRUTH_FIELDS) == len(set(TRUTH_FIELDS))
