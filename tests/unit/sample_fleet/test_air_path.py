"""Limit cases of the air path: choked flow, speed-density, mass balance, the published steady point."""

import math

import numpy as np
import pytest

from sample_fleet.air import CHOKED, CRITICAL_RATIO, GAS_CONSTANT, flow_function, moist_gas_constant, plate_area
from sample_fleet.engine import run_engine
from sample_fleet.engine_state import BALANCE, EVENTS, FLOW_IN, PRESSURE, RPM, SPEED, TRACES
from sample_fleet.families import built_in_families
from sample_fleet.parameters import HEALTHY, Driver, Recorder, Surroundings, pack, pack_faults


@pytest.fixture(scope="module")
def families():
    return built_in_families()


def engine_traces(vehicle, driver, surroundings=None, length_s=4.0, rate=2000.0, faults=HEALTHY):
    """Noise-free traces of one run of the kernel."""
    runs, _, _ = pack([vehicle], [surroundings or Surroundings()], [driver], [Recorder()])
    severities = pack_faults([faults])
    samples, run_in = int(length_s * rate), int(0.9 * rate)
    traces = np.empty((TRACES, samples))
    run_engine(
        runs[0],
        severities[0],
        severities[0],
        np.array([7], dtype=np.uint64),
        1.0 / rate,
        run_in,
        1,
        traces,
        np.empty((2, run_in + samples)),
        np.empty(run_in + samples),
        np.empty(samples),
        np.empty(samples),
        np.zeros(EVENTS),
    )
    return traces


def test_choked_flow():
    # isentropic nozzle at kappa 1.4: critical ratio 0.5283, flow factor 0.6847 (textbook values, no source at hand)
    assert pytest.approx(0.5283, abs=5e-5) == CRITICAL_RATIO
    assert pytest.approx(0.6847, abs=5e-5) == CHOKED
    assert flow_function(0.2) == flow_function(0.5) == CHOKED
    ratio = np.linspace(0.0, 1.1, 2000)
    flow = np.array([flow_function(x) for x in ratio])
    assert np.all(np.diff(flow) <= 1e-12)
    assert np.max(np.abs(np.diff(flow))) < 0.006  # no jumps where the branches meet
    assert flow_function(1.0) == pytest.approx(0.0, abs=1e-12)
    assert flow_function(1.02) == pytest.approx(-flow_function(0.98))


def test_flow_function_is_the_published_one_in_shape():
    # Crossley & Cook 1991 (public Modelica ThrottleBody example): g(P) = 1 below half of ambient, else 2 sqrt(r - r^2)
    for ratio in (0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95):
        published = 1.0 if ratio <= 0.5 else 2.0 * math.sqrt(ratio - ratio * ratio)
        assert flow_function(ratio) / CHOKED == pytest.approx(published, rel=0.045)


def test_published_steady_point():
    # Crossley & Cook constants: P 0.543 bar and N 209.48 rad/s need a throttle of 8.972 degrees and 10.149 g/s
    pressure, speed = 0.543, 209.48
    pumped = -0.366 + 0.08979 * speed * pressure - 0.0337 * speed * pressure**2 + 0.0001 * speed**2 * pressure
    assert pumped == pytest.approx(10.149, abs=5e-4)
    theta = 8.972
    throttle = 2.821 - 0.05231 * theta + 0.10299 * theta**2 - 0.00063 * theta**3
    assert throttle * 2.0 * math.sqrt(pressure - pressure**2) == pytest.approx(10.149, abs=2e-3)
    # the same orifice in our formula passes the same flow within the difference of the two flow functions
    area = throttle * 1e-3 * math.sqrt(GAS_CONSTANT * 298.15) / (1e5 * CHOKED)
    ours = area * 1e5 * flow_function(pressure) / math.sqrt(GAS_CONSTANT * 298.15)
    assert ours * 1e3 == pytest.approx(10.149, rel=0.02)


def test_moist_gas_constant():
    assert moist_gas_constant(25.0, 0.0, 99.0) == pytest.approx(287.05, abs=0.05)  # dry air, CIPM-2007
    # 20 degC, 101.325 kPa, 50 %: 1.1993 kg/m3 (CIPM-2007 and an independent property package agree)
    density = 101325.0 / (moist_gas_constant(20.0, 50.0, 101.325) * 293.15)
    assert density == pytest.approx(1.1993, rel=1e-3)


def test_plate_area_runs_from_shut_to_open():
    assert plate_area(0.0) == 0.0
    assert plate_area(1.0) == pytest.approx(1.0)
    assert plate_area(0.5) == pytest.approx(1.0 - math.cos(math.pi / 4))


@pytest.mark.parametrize("name", ["brook-20", "heath-12", "marsh-16", "moor-30", "fell-15", "dale-25"])
def test_steady_idle_flow_is_speed_density(families, name):
    vehicle = families[name]
    engine = vehicle.engine
    traces = engine_traces(vehicle, Driver(snaps=0.0))
    idle, speed, pressure = traces[BALANCE].mean(), traces[SPEED].mean(), traces[PRESSURE].mean()
    temperature = 298.15 + 12.0 * math.exp(-idle * 1e3 / (0.12 * engine.rated_flow_g_s))
    implied = idle * 287.06 * temperature / (pressure * engine.displacement_l * 1e-3 * speed / (4 * math.pi))
    off = (speed * RPM - engine.efficiency_rpm) / engine.efficiency_rpm
    exhaust = 99e3 / pressure
    written = engine.volumetric_efficiency * (1 - engine.efficiency_fall * off * off)
    written *= (engine.compression - exhaust ** (1 / 1.3)) / (engine.compression - 1)
    written *= (temperature / 298.15) ** (1 - engine.temperature_exponent)
    assert implied == pytest.approx(written, rel=0.01)
    assert traces[FLOW_IN].mean() == pytest.approx(idle, rel=0.005)


def test_air_that_passes_the_sensor_is_burnt_or_stored(families):
    vehicle = families["brook-20"]
    engine = vehicle.engine
    rate = 4000.0
    traces = engine_traces(vehicle, Driver(pedal_at_s=1.0, hold_s=2.0), rate=rate)
    start, stop = int(0.9 * rate), int(2.4 * rate)  # from idle to the plateau at the limiter
    gained = (traces[FLOW_IN] - traces[BALANCE])[start:stop].sum() / rate
    warm = 298.15 + 12.0 * np.exp(-traces[BALANCE, [start, stop]] * 1e3 / (0.12 * engine.rated_flow_g_s))
    stored = np.diff(traces[PRESSURE, [start, stop]] / warm)[0] * engine.manifold_l * 1e-3 / 287.06
    duct = -engine.duct_drop * 99e3 * engine.duct_l * 1e-3 / (287.06 * 298.15)  # the duct gives a little back
    assert stored > 2e-3
    assert gained == pytest.approx(stored + duct, rel=0.04)  # the manifold's air cools while it fills


def test_flow_follows_pressure_and_temperature(families):
    vehicle = families["brook-20"]
    driver = Driver(pedal_at_s=0.5, hold_s=1.6)
    peaks = {
        key: engine_traces(vehicle, driver, Surroundings(barometer_kpa=key[0], intake_air_c=key[1]), 2.0)[FLOW_IN].max()
        for key in ((99.0, 25.0), (89.0, 25.0), (99.0, 0.0))
    }
    reference = peaks[99.0, 25.0]
    assert peaks[89.0, 25.0] / reference == pytest.approx(89.0 / 99.0, rel=0.02)
    exponent = math.log(peaks[99.0, 0.0] / reference) / math.log(298.15 / 273.15)
    assert exponent == pytest.approx(vehicle.engine.temperature_exponent, abs=0.12)
