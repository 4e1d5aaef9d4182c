"""Simulated engines with their truth, for the study of the reading: repeats, good and spoiled captures, lags in order."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.stats import spearmanr

from data_contracts.capture import Conditions, Waveform
from data_contracts.family import Family
from models.reading.read import Readings, read_waveforms
from sample_fleet.families import built_in_families, individual, register_family
from sample_fleet.parameters import HEALTHY, Driver, Faults, Recorder, Surroundings
from sample_fleet.simulate import Batch, Recording, simulate
from sample_fleet.vehicle import Vehicle
from tests.studies.reading_analytic import GAIN, OFFSET_V, definitions

Floats = NDArray[np.float64]
WARM = Conditions(coolant_c=88.0, intake_air_c=25.0, barometer_kpa=99.0, humidity_pct=0.0, closed_loop=True)
USUAL, SHORT = Surroundings(), Recording(2000.0, 2.0)


def feet(count: int, length_s: float, rng: np.random.Generator) -> list[Driver]:
    """How technicians press the pedal when they do it well."""
    long = length_s > 4.0
    return [
        Driver(
            pedal_at_s=float(rng.uniform(2.4, 3.2) if long else rng.uniform(0.5, 0.6)),
            pedal_rise_s=float(rng.uniform(0.05, 0.13)),
            hold_s=float(rng.uniform(0.95, 1.2)),
            pedal_fall_s=float(rng.uniform(0.05, 0.14)),
        )
        for _ in range(count)
    ]


def recorders(count: int, rng: np.random.Generator, *, errors: bool) -> list[Recorder]:
    """Instruments, with their offset and gain drawn where asked for."""
    size = float(errors)
    return [
        Recorder(
            size * OFFSET_V * rng.normal(),
            1.0 + size * GAIN * rng.normal(),
            float(rng.exponential()),
            float(rng.uniform(0.3, 1.6)),
        )
        for _ in range(count)
    ]


def fleet_case(
    name: str, rate_hz: float, count: int, seed: int, *, errors: bool
) -> dict[str, tuple[Floats, Floats, Floats]]:
    """Value, standard uncertainty and truth over vans of one family, one capture each."""
    rng = np.random.default_rng(seed)
    blueprint = built_in_families()[name]
    vans = [individual(blueprint, rng) for _ in range(count)]
    batch = simulate(
        vans,
        rng,
        recording=Recording(rate_hz, 9.0),
        drivers=feet(count, 9.0, rng),
        recorders=recorders(count, rng, errors=errors),
        clean=True,
    )
    family, conditions = register_family(blueprint), WARM
    if errors:
        conditions = replace(WARM, recorder_offset_u_v=OFFSET_V, recorder_gain_u=GAIN)
    elif family.airflow_sensor.kind != "g_s":
        family = _with_own_curve(family, blueprint)
    found = read_waveforms(batch.waveforms(), [family] * count, [conditions] * count)
    keep = found.snap == 1
    truths = [_truth(batch, k) for k in found.recording[keep].tolist()]
    names = {name for each in truths for name in each}
    return {
        q: (found.values[q][keep], found.u[q][keep], np.array([each.get(q, np.nan) for each in truths]))
        for q in found.values
        if q in names
    }


def _with_own_curve(family: Family, vehicle: Vehicle) -> Family:
    """The family with its sensor's own curve as a fine table."""
    sensor = vehicle.air_sensor
    flow = np.geomspace(0.1 * vehicle.engine.idle_flow_g_s, 1.6 * vehicle.engine.rated_flow_g_s, 800)
    raw = (sensor.air_zero + sensor.air_slope * flow**sensor.air_exponent) ** sensor.air_root
    return replace(family, airflow_sensor=replace(family.airflow_sensor, transfer=raw, transfer_g_s=flow))


def _truth(batch: Batch, k: int) -> dict[str, float]:
    """Truth of one capture by the definitions, levels also in volts through the sensor's own curve."""
    assert batch.clean_said is not None
    assert batch.clean_rpm is not None
    opens, lifts = float(batch.truth["opening_said_s"][k]), float(batch.truth["release_said_s"][k])
    idle = float(batch.truth["idle_g_s"][k])
    y, rpm = batch.clean_said[k].astype(np.float64), batch.clean_rpm[k].astype(np.float64)
    t = batch.time_s
    if (
        t[1] - t[0] > 1e-3
    ):  # between the samples of a slow recording the clean trace runs on, smooth through the sensor's lag
        fine = np.arange(t[0], t[-1], 5e-4)
        t, y, rpm = fine, CubicSpline(t, y)(fine), np.interp(fine, t, rpm)
    out = definitions(t, y, rpm, opens, lifts, idle)
    out["engine_speed_idle_rpm"] = float(batch.truth["engine_speed_idle_rpm"][k])
    sensor = batch.vehicles[k].air_sensor
    for name in ("idle", "first_peak", "dip", "main_peak"):
        if f"{name}_g_s" in out:
            flow = out[f"{name}_g_s"] ** sensor.air_exponent
            out[f"{name}_v"] = float((sensor.air_zero + sensor.air_slope * flow) ** sensor.air_root)
    return out


@dataclass(frozen=True)
class Kind:
    """A kind of capture: how it is made, and whether it should be sent back."""

    send_back: bool
    driver: Callable[[Driver, np.random.Generator], Driver] = lambda d, _: d
    around: Surroundings = USUAL
    conditions: Conditions = WARM
    recording: Recording = SHORT
    recorder: Callable[[Recorder, np.random.Generator], Recorder] = lambda r, _: r
    change: Callable[[Waveform, np.random.Generator], Waveform] = lambda w, _: w
    faults: Faults = HEALTHY
    kinds: tuple[str, ...] = ("volts", "hertz", "g_s")


def _over(wave: Waveform, work: Callable[[str, NDArray[np.float32]], NDArray[np.float32]]) -> Waveform:
    return Waveform(wave.time_s, {name: work(name, samples) for name, samples in wave.channels.items()})


def _clip(wave: Waveform, rng: np.random.Generator) -> Waveform:
    def work(name: str, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        if not name.startswith("airflow"):
            return samples
        end = np.float32(np.quantile(samples, 0.9) * rng.uniform(0.88, 0.98))
        return np.minimum(samples, end)

    return _over(wave, work)


def _noise(wave: Waveform, rng: np.random.Generator) -> Waveform:
    def work(name: str, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        if not name.startswith("airflow"):
            return samples
        return (samples + rng.normal(0.0, 0.05 * np.ptp(samples), samples.size)).astype(np.float32)

    return _over(wave, work)


def _gap(wave: Waveform, rng: np.random.Generator) -> Waveform:
    n = wave.time_s.size
    at, long = int(n * rng.uniform(0.45, 0.6)), int(n * rng.uniform(0.03, 0.08))

    def work(name: str, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        out = samples.copy()
        out[at : at + long] = np.nan
        return out

    return _over(wave, work)


def _dead_lambda(wave: Waveform, rng: np.random.Generator) -> Waveform:
    def work(name: str, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        if name.startswith("airflow"):
            return samples
        return (0.45 + rng.normal(0.0, 0.002, samples.size)).astype(np.float32)

    return _over(wave, work)


def _set(**names: tuple[float, float]) -> Callable[[Driver, np.random.Generator], Driver]:
    return lambda d, rng: replace(d, **{name: float(rng.uniform(*span)) for name, span in names.items()})


KINDS: dict[str, Kind] = {
    "good, 2 s": Kind(False),
    "good, 9 s": Kind(False, recording=Recording(2000.0, 9.0)),
    "good, thin air and heat": Kind(
        False,
        around=Surroundings(barometer_kpa=88.0, intake_air_c=38.0),
        conditions=replace(WARM, barometer_kpa=88.0, intake_air_c=38.0),
    ),
    "weak breathing, 0.2 lower": Kind(False, faults=replace(HEALTHY, intake_restricted=1.0)),
    "reads 25 % low": Kind(False, faults=replace(HEALTHY, airflow_under_reading=1.0)),
    "hum of 20 mV": Kind(False, recorder=lambda r, rng: replace(r, hum_v=0.02), kinds=("volts",)),
    "cold": Kind(True, around=Surroundings(coolant_c=40.0), conditions=replace(WARM, coolant_c=40.0)),
    "not closed loop": Kind(True, conditions=replace(WARM, closed_loop=False)),
    "half open, plate channel": Kind(
        True, _set(pedal=(0.35, 0.55)), recording=Recording(2000.0, 2.0, ("throttle_pct",))
    ),
    "half open, no channel": Kind(True, _set(pedal=(0.35, 0.55))),
    "early trigger": Kind(True, _set(pedal_at_s=(1.65, 1.9)), recorder=lambda r, rng: replace(r, needles_per_s=8.0)),
    "too short before": Kind(True, _set(pedal_at_s=(-0.02, 0.06))),
    "released too soon": Kind(True, _set(hold_s=(0.18, 0.36))),
    "ends early": Kind(True, _set(pedal_at_s=(1.6, 1.8))),
    "clipped": Kind(True, change=_clip),
    "too slow": Kind(True, recording=Recording(20.0, 6.0), driver=_set(pedal_at_s=(2.0, 3.0))),
    "lambda sensor dead": Kind(True, change=_dead_lambda, kinds=("volts", "hertz")),
    "noise": Kind(True, change=_noise),
    "gap": Kind(True, change=_gap),
    "no snap": Kind(True, _set(snaps=(0.0, 0.0))),
}


def make_kind(kind: Kind, count: int, rng: np.random.Generator) -> tuple[Batch, Readings]:
    """Captures of one kind over all fitting families, vans drawn, and their reading."""
    blueprints = [v for v in built_in_families().values() if v.airflow_kind in kind.kinds]
    of = [blueprints[k % len(blueprints)] for k in range(count)]
    vans = [individual(v, rng) for v in of]
    drivers = [kind.driver(d, rng) for d in feet(count, kind.recording.length_s, rng)]
    instruments = [kind.recorder(r, rng) for r in recorders(count, rng, errors=True)]
    batch = simulate(
        vans,
        rng,
        recording=kind.recording,
        drivers=drivers,
        recorders=instruments,
        surroundings=kind.around,
        faults=kind.faults,
    )
    tables = {v.family: register_family(v, rng) for v in blueprints}
    waves = [kind.change(batch.waveform(k), rng) for k in range(count)]
    return batch, read_waveforms(waves, [tables[v.family] for v in of], [kind.conditions] * count)


def first_entries(found: Readings, count: int) -> list[tuple[str, tuple[str, ...]]]:
    """Grade and reasons of the first snap of each recording."""
    out: list[tuple[str, tuple[str, ...]]] = [("", ())] * count
    for k, snap, g, why in zip(
        found.recording.tolist(), found.snap.tolist(), found.grade, found.grade_reasons, strict=True
    ):
        if snap == 1:
            out[k] = (g, why)
    return out


def rank_of_lag(vehicle: Vehicle, quantities: list[str], count: int, seed: int) -> tuple[float, int]:
    """Rank correlation of a sum of apparent times with the sensor's true lag, ×1 to ×4, one van; and how many were read."""
    rng = np.random.default_rng(seed)
    family = register_family(vehicle)
    severity = np.linspace(0.0, 1.0, count)
    batch = simulate(
        [vehicle] * count,
        rng,
        recording=Recording(2000.0, 9.0),
        drivers=feet(count, 9.0, rng),
        recorders=recorders(count, rng, errors=True),
        faults=[replace(HEALTHY, lambda_slow=float(s)) for s in severity],
    )
    found = read_waveforms(batch.waveforms(), [family] * count, [WARM] * count)
    keep = found.snap == 1
    value = np.sum([found.values[quantity][keep] for quantity in quantities], axis=0)
    read = np.isfinite(value)
    if read.sum() < 5:
        return float("nan"), int(read.sum())
    return float(spearmanr(severity[found.recording[keep]][read], value[read]).statistic), int(read.sum())
