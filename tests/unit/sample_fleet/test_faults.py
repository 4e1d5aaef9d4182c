"""Every cause moves the marks the way the trade's table says, by what severity 1 means physically."""

from dataclasses import replace

import numpy as np
import pytest

from sample_fleet.families import built_in_families
from sample_fleet.parameters import HEALTHY, Driver, Recorder
from sample_fleet.scenario import DEALT
from sample_fleet.simulate import Recording, simulate

QUIET = Recorder(needles_per_s=0.0)
DRIVER = Driver(pedal_at_s=3.0, hold_s=1.1)


class Snaps:
    """One healthy snap and one at severity 1 for each cause, same seed for all."""

    def __init__(self, vehicle, **details):
        codes = ["healthy", *DEALT]
        faults = [HEALTHY, *(replace(HEALTHY, **{code: 1.0}, **details) for code in DEALT)]
        batches = [
            simulate(
                [vehicle],
                np.random.default_rng(3),
                recording=Recording(1000.0, 9.0),
                drivers=DRIVER,
                faults=fault,
                recorders=QUIET,
            )
            for fault in faults
        ]
        self.truth = {
            code: {k: float(v[0]) for k, v in batch.truth.items()} for code, batch in zip(codes, batches, strict=True)
        }
        self.oxygen = {code: batch.oxygen[0, 0].astype(float) for code, batch in zip(codes, batches, strict=True)}
        self.vehicle = vehicle

    def ratio(self, code, name):
        return self.truth[code][name] / self.truth["healthy"][name]

    def change(self, code, name):
        return self.truth[code][name] - self.truth["healthy"][name]

    def indicated(self, code):
        volts, lam = np.array(self.vehicle.characteristic_v), np.array(self.vehicle.characteristic_lambda)
        order = np.argsort(volts)
        return np.interp(self.oxygen[code], volts[order], lam[order])


@pytest.fixture(scope="module", params=["brook-20", "heath-12"])
def snaps(request):
    return Snaps(built_in_families()[request.param])


def test_airflow_under_reading(snaps):
    assert snaps.ratio("airflow_under_reading", "main_peak_g_s") == pytest.approx(0.75, abs=0.01)
    assert snaps.ratio("airflow_under_reading", "idle_g_s") == pytest.approx(0.88, abs=0.02)
    assert snaps.ratio("airflow_under_reading", "idle_actual_g_s") == pytest.approx(1.0, abs=0.02)
    assert snaps.change("airflow_under_reading", "lambda_full_throttle") > 0.05
    assert (
        0
        < snaps.truth["airflow_under_reading"]["trim_idle_pct"]
        < snaps.truth["airflow_under_reading"]["trim_2500_pct"]
    )
    assert snaps.ratio("airflow_under_reading", "engine_speed_peak_rpm") == pytest.approx(1.0, abs=0.01)


def test_airflow_over_reading(snaps):
    assert snaps.ratio("airflow_over_reading", "main_peak_g_s") == pytest.approx(1.08, abs=0.01)
    assert snaps.ratio("airflow_over_reading", "idle_g_s") == pytest.approx(1.15, abs=0.025)
    trims = snaps.truth["airflow_over_reading"]
    assert trims["trim_idle_pct"] < trims["trim_2500_pct"] < -5.0


def test_intake_restricted(snaps):
    assert snaps.ratio("intake_restricted", "main_peak_g_s") == pytest.approx(0.80, abs=0.03)
    assert snaps.ratio("intake_restricted", "idle_g_s") == pytest.approx(1.0, abs=0.02)
    assert snaps.change("intake_restricted", "run_up_time_s") > 0.04
    assert abs(snaps.change("intake_restricted", "trim_2500_pct")) < 1.0
    assert abs(snaps.change("intake_restricted", "lambda_full_throttle")) < 0.03


def test_throttle_not_full(snaps):
    assert snaps.truth["throttle_not_full"]["plate_opened"] == pytest.approx(0.5, abs=0.01)
    assert snaps.ratio("throttle_not_full", "main_peak_g_s") < 0.85
    assert snaps.ratio("throttle_not_full", "first_peak_g_s") < 0.96
    assert snaps.ratio("throttle_not_full", "idle_g_s") == pytest.approx(1.0, abs=0.02)


def test_unmetered_air(snaps):
    assert snaps.ratio("unmetered_air", "idle_g_s") < 0.75
    assert snaps.ratio("unmetered_air", "main_peak_g_s") == pytest.approx(1.0, abs=0.015)
    trims = snaps.truth["unmetered_air"]
    assert trims["trim_idle_pct"] > 25.0
    assert trims["trim_2500_pct"] < 0.75 * trims["trim_idle_pct"]
    assert snaps.change("unmetered_air", "lambda_full_throttle") < -0.01  # the trims carry over


def test_charge_air_leak_and_recirculation_valve(snaps):
    turbo = snaps.vehicle.engine.turbo > 0.5
    leak = "charge_air_leak"
    assert snaps.ratio(leak, "main_peak_g_s") == pytest.approx(1.0, abs=0.02)
    if turbo:
        assert snaps.ratio("recirculation_valve", "recirculation_pulse_g_s") < 0.1
        assert -0.04 < snaps.change(leak, "lambda_full_throttle") < -0.002
    else:
        assert abs(snaps.change(leak, "lambda_full_throttle")) < 0.002
        assert np.isnan(snaps.truth["healthy"]["recirculation_pulse_g_s"])


def test_fuel_delivery_weak(snaps):
    healthy, weak = snaps.truth["healthy"], snaps.truth["fuel_delivery_weak"]
    fuel = healthy["lambda_full_throttle_end"] / weak["lambda_full_throttle_end"]
    assert fuel == pytest.approx(0.75, abs=0.03)  # after a hold of 1.1 s
    assert weak["lambda_full_throttle_end"] > weak["lambda_full_throttle"] + 0.02
    assert weak["tip_in_lean_blip"] == pytest.approx(healthy["tip_in_lean_blip"], abs=0.05)
    assert (
        abs(weak["trim_idle_pct"] - healthy["trim_idle_pct"]) < 0.5 < weak["trim_2500_pct"] - healthy["trim_2500_pct"]
    )


def test_injector_restricted(snaps):
    cylinders = snaps.vehicle.engine.cylinders
    share = 1.0 - (0.35 + 0.08 * (cylinders - 1)) / cylinders
    trims = snaps.truth["injector_restricted"]
    expected = 100.0 * (1.0 / share - 1.0)
    assert snaps.change("injector_restricted", "trim_idle_pct") == pytest.approx(expected, abs=1.0)
    assert trims["trim_idle_pct"] == pytest.approx(trims["trim_2500_pct"], abs=0.5)
    assert snaps.change("injector_restricted", "tip_in_lean_blip") > 0.05


def test_injector_restricted_shows_once_a_cycle_at_idle(snaps):
    speed = snaps.truth["healthy"]["engine_speed_idle_rpm"]

    def at_cycle(code):
        idle = snaps.indicated(code)[200:2900]
        spectrum = np.abs(np.fft.rfft((idle - idle.mean()) * np.hanning(idle.size))) * 4.0 / idle.size
        hertz = np.fft.rfftfreq(idle.size, 1e-3)
        return spectrum[np.abs(hertz - speed / 120.0) < 0.5].max()

    assert at_cycle("injector_restricted") > 3.0 * at_cycle("healthy")


def test_injector_leaking(snaps):
    leak = snaps.truth["injector_leaking"]
    assert leak["trim_idle_pct"] == pytest.approx(-25.0, abs=2.0)  # 25 % of idle fuel
    assert leak["trim_idle_pct"] < leak["trim_2500_pct"] < -3.0
    cut = slice(5500, 6200)
    assert snaps.indicated("injector_leaking")[cut].mean() < snaps.indicated("healthy")[cut].mean() - 0.8


def test_fuel_aeration(snaps):
    assert snaps.truth["fuel_aeration"]["aeration_dips"] == pytest.approx(8.0 * 9.0, rel=0.35)
    idle = slice(500, 2900)
    assert np.std(snaps.indicated("fuel_aeration")[idle]) > 4.0 * np.std(snaps.indicated("healthy")[idle])


def test_ignition_weak(snaps):
    snap = snaps.truth["ignition_weak"]
    revolutions = snap["engine_speed_peak_rpm"] / 60.0 * 0.6 * (snap["pedal_up_s"] - snap["pedal_down_s"])
    firings = revolutions * snaps.vehicle.engine.cylinders / 2.0
    assert snap["misfires"] / firings == pytest.approx(0.15, abs=0.08)
    assert 0.96 < snaps.ratio("ignition_weak", "main_peak_g_s") < 1.005
    hold = slice(3500, 4100)
    assert np.mean(snaps.indicated("ignition_weak")[hold]) > np.mean(snaps.indicated("healthy")[hold]) + 0.03


def test_lambda_slow_and_one_way(snaps):
    for name in ("lambda_sensor_rich_s", "lambda_sensor_lean_s"):
        assert snaps.ratio("lambda_slow", name) == pytest.approx(4.0)
    assert snaps.ratio("lambda_slow_one_way", "lambda_sensor_rich_s") == pytest.approx(5.0)
    assert snaps.ratio("lambda_slow_one_way", "lambda_sensor_lean_s") == pytest.approx(1.0)

    def lean_time(code):  # from 10 % to 63 % of the way to the fuel-cut plateau, after the richest point
        trace = snaps.indicated(code)[4100:6400]
        start = int(np.argmin(trace))
        return int(np.argmax(1.0 / trace[start:] < 0.3))

    assert lean_time("lambda_slow") > lean_time("healthy") + 60
    assert abs(snaps.change("lambda_slow", "trim_idle_pct")) < 0.1


def test_lambda_offset(snaps):
    idle = slice(500, 2900)
    assert snaps.indicated("lambda_offset")[idle].mean() == pytest.approx(1.0, abs=0.012)
    assert snaps.truth["lambda_offset"]["lambda_idle"] == pytest.approx(0.94, abs=0.01)
    trims = snaps.truth["lambda_offset"]
    assert trims["trim_idle_pct"] == pytest.approx(trims["trim_2500_pct"], abs=0.5)
    assert trims["trim_idle_pct"] > 4.0


def test_exhaust_leak(snaps):
    leak = snaps.truth["exhaust_leak"]
    assert leak["trim_idle_pct"] == pytest.approx(6.0, abs=0.8)
    assert 0.5 < leak["trim_2500_pct"] < 0.5 * leak["trim_idle_pct"]
    assert leak["lambda_idle"] == pytest.approx(1.0 / 1.06, abs=0.01)


def test_exhaust_restricted(snaps):
    assert snaps.ratio("exhaust_restricted", "main_peak_g_s") == pytest.approx(0.80, abs=0.05)
    assert snaps.ratio("exhaust_restricted", "flow_per_rev_mg") < 0.85
    assert snaps.change("exhaust_restricted", "run_up_time_s") > 0.04
    assert snaps.ratio("exhaust_restricted", "first_peak_g_s") == pytest.approx(1.0, abs=0.03)


def test_narrowband_offset_lowers_the_rich_level():
    snaps = Snaps(built_in_families()["dale-25"])
    hold = slice(3700, 4100)
    assert snaps.oxygen["lambda_offset"][hold].mean() - snaps.oxygen["healthy"][hold].mean() == pytest.approx(
        -0.12, abs=0.02
    )


def test_a_one_sided_fault_stays_on_its_bank():
    vehicle = built_in_families()["moor-30"]
    batch = simulate(
        [vehicle] * 2,
        np.random.default_rng(1),
        recording=Recording(1000.0, 9.0),
        recorders=QUIET,
        faults=[replace(HEALTHY, injector_leaking=1.0, fault_bank=2.0), HEALTHY],
    )
    cut = slice(5500, 6200)
    leaking, healthy = batch.oxygen[0, :, cut].mean(axis=-1), batch.oxygen[1, :, cut].mean(axis=-1)
    assert leaking[0] == pytest.approx(healthy[0], abs=0.01)
    assert leaking[1] < healthy[1] - 0.1


@pytest.mark.parametrize("code", list(DEALT))
def test_severity_is_monotonic_from_healthy(code):
    vehicle = built_in_families()["heath-12"]
    names = (
        "main_peak_g_s",
        "idle_g_s",
        "lambda_full_throttle_end",
        "trim_idle_pct",
        "recirculation_pulse_g_s",
        "misfires",
        "aeration_dips",
        "lambda_sensor_rich_s",
        "plate_opened",
        "trim_2500_pct",
    )
    marks = []
    for severity in (0.0, 0.5, 1.0):
        batch = simulate(
            [vehicle],
            np.random.default_rng(3),
            recording=Recording(1000.0, 9.0),
            drivers=DRIVER,
            faults=replace(HEALTHY, **{code: severity}),
            recorders=QUIET,
        )
        marks.append([batch.truth[name][0] for name in names])
    marks = np.array(marks)
    moved = np.abs(marks[2] - marks[0]) / (np.abs(marks[0]) + 1.0)
    strongest = int(np.argmax(moved))
    assert moved[strongest] > 0.005
    first, second = marks[1, strongest] - marks[0, strongest], marks[2, strongest] - marks[1, strongest]
    assert first * second >= 0.0  # grows, or stands still once the trims are at their limit
