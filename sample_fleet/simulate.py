"""Captures in memory: batches of one sampling rate and length, one capture per row."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from data_contracts.capture import Waveform, make_waveform
from sample_fleet.engine import run_engine
from sample_fleet.engine_state import EVENTS, FUEL, PLATE, RPM, RUN_IN_S, SAID, SPEED, TRACES
from sample_fleet.parameters import HEALTHY, Driver, Faults, Recorder, Surroundings, Vehicle, pack, pack_faults
from sample_fleet.record import FloatArray, SeedArray
from sample_fleet.sensors import interference, record_air, record_oxygen
from sample_fleet.steady import on_bank
from sample_fleet.truth import TRUTH_FIELDS, landmarks

LONGEST_STEP_S = 5.0e-4
T = TypeVar("T")
EXTRAS = ("throttle_pct", "pedal_pct", "engine_rpm", "fuel_pressure_kpa", "battery_v")


@dataclass(frozen=True)
class Recording:
    """How a batch is recorded.

    Attributes
    ----------
    rate_hz, length_s : float
        Sampling rate and length. [Hz], [s]
    extras : tuple of str
        Channels beside air mass and lambda, of `EXTRAS`.
    """

    rate_hz: float = 2000.0
    length_s: float = 2.0
    extras: tuple[str, ...] = ()

    @property
    def samples(self) -> int:
        """Samples per channel."""
        return round(self.rate_hz * self.length_s)


_RECORDING, _SURROUNDINGS, _DRIVER, _RECORDER = Recording(), Surroundings(), Driver(), Recorder()


@dataclass(frozen=True)
class Batch:
    """Captures of one rate and length.

    Attributes
    ----------
    vehicles : tuple of Vehicle
        One per capture.
    recording : Recording
        Shared by all.
    airflow : ndarray of shape (captures, samples), float32
        [V, Hz or g/s, by the vehicle's air-mass sensor]
    oxygen : ndarray of shape (captures, 2, samples), float32
        Lambda signal of both banks; the second is NaN for one bank. [V or 1]
    extras : dict of str to ndarray of shape (captures, samples), float32
        The channels asked for. [unit of the signal]
    truth : dict of str to ndarray of shape (captures,)
        What really happened; names in `sample_fleet.truth.TRUTH_FIELDS`. [unit in the name]
    clean_said : ndarray of shape (captures, samples), float32, or None
        Noise-free, ripple-free flow the sensor says, where it was asked for. [g/s]
    clean_rpm : ndarray of shape (captures, samples), float32, or None
        Engine speed, where it was asked for. [1/min]
    """

    vehicles: tuple[Vehicle, ...]
    recording: Recording
    airflow: NDArray[np.float32]
    oxygen: NDArray[np.float32]
    extras: dict[str, NDArray[np.float32]]
    truth: dict[str, NDArray[np.float64]]
    clean_said: NDArray[np.float32] | None = None
    clean_rpm: NDArray[np.float32] | None = None

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Time of the samples, shape (samples,). [s]"""
        return np.arange(self.recording.samples) / self.recording.rate_hz

    def channels(self, capture: int) -> dict[str, NDArray[np.float32]]:
        """Canonical channels of one capture."""
        vehicle = self.vehicles[capture]
        kind = {"volts": "airflow_v", "hertz": "airflow_hz", "g_s": "airflow_g_s"}[vehicle.airflow_kind]
        found = {kind: self.airflow[capture]}
        if vehicle.lambda_kind != "none":
            name = "lambda_ratio" if vehicle.lambda_kind == "ratio" else "lambda_v"
            found[name] = self.oxygen[capture, 0]
            if vehicle.engine.banks > 1:
                found[f"bank2_{name}"] = self.oxygen[capture, 1]
        return found | {name: samples[capture] for name, samples in self.extras.items()}

    def waveform(self, capture: int) -> Waveform:
        """One capture in canonical form."""
        return make_waveform(self.time_s, self.channels(capture))

    def waveforms(self) -> list[Waveform]:
        """All captures in canonical form."""
        return [self.waveform(capture) for capture in range(len(self.vehicles))]


@njit(cache=True, nogil=True)
def _run_rows(
    runs: NDArray[np.void],
    faults: NDArray[np.void],
    learned: NDArray[np.void],
    seeds: SeedArray,
    ratio: FloatArray,
    signal: FloatArray,
    volts: NDArray[np.bool_],
    rate: float,
    every: int,
    airflow: NDArray[np.float32],
    oxygen: NDArray[np.float32],
    extras: NDArray[np.float32],
    truth: FloatArray,
    clean: NDArray[np.float32],
) -> None:
    step = 1.0 / (rate * every)
    run_in = every * int(RUN_IN_S * rate + 0.999)
    samples = airflow.shape[1]
    steps = run_in + (samples - 1) * every
    traces, gas, cold = np.empty((TRACES, samples)), np.empty((2, steps + 1)), np.empty(steps + 1)
    ripple, needles, pedal = np.empty(samples), np.empty(samples), np.empty(samples)
    seed = np.empty(1, dtype=np.uint64)
    for row in range(runs.size):
        r, f = runs[row], faults[row]
        seed[0] = seeds[row]
        events = np.zeros(EVENTS)
        run_engine(r, f, learned[row], seed, step, run_in, every, traces, gas, cold, ripple, pedal, events)
        interference(r, seed, rate, needles, samples)
        record_air(r, volts[row, 0], traces[SAID], ripple, needles, seed, rate, airflow[row])
        for bank in range(2):
            if bank < r.banks:
                record_oxygen(
                    r,
                    f,
                    on_bank(r, f, bank),
                    ratio[row],
                    signal[row],
                    volts[row, 1],
                    gas[bank],
                    cold,
                    step,
                    run_in,
                    every,
                    needles,
                    seed,
                    oxygen[row, bank],
                )
            else:
                oxygen[row, bank, :] = np.nan
        landmarks(r, f, traces, events, rate, truth[row])
        if extras.shape[0] > 0:
            for j in range(samples):
                dirt = 4.0 * f.throttle_deposits * max(1.0 - 10.0 * traces[PLATE, j], 0.0)  # made up for at idle
                extras[0, row, j] = round(4.0 + 90.0 * traces[PLATE, j] + dirt, 1)
                extras[1, row, j] = round(100.0 * pedal[j], 1)
                extras[2, row, j] = traces[SPEED, j] * RPM
                extras[3, row, j] = 380.0 * (1.0 - 1.6 * (1.0 - traces[FUEL, j]))
                extras[4, row, j] = r.battery_v
        if clean.shape[0] > 0:
            for j in range(samples):
                clean[0, row, j] = 1e3 * traces[SAID, j]
                clean[1, row, j] = traces[SPEED, j] * RPM


def _each(given: T | Sequence[T], count: int) -> list[T]:
    items = list(given) if isinstance(given, list | tuple) else [cast(T, given)] * count
    if len(items) != count:
        raise ValueError(f"{len(items)} given for {count} captures: give one, or one per capture")
    return items


def simulate(
    vehicles: Sequence[Vehicle],
    rng: np.random.Generator,
    *,
    recording: Recording = _RECORDING,
    surroundings: Surroundings | Sequence[Surroundings] = _SURROUNDINGS,
    drivers: Driver | Sequence[Driver] = _DRIVER,
    faults: Faults | Sequence[Faults] = HEALTHY,
    learned: Faults | Sequence[Faults] | None = None,
    recorders: Recorder | Sequence[Recorder] = _RECORDER,
    clean: bool = False,
) -> Batch:
    """Simulate one capture per vehicle.

    Parameters
    ----------
    vehicles : sequence of Vehicle
        One per capture; repeat a vehicle for repeats.
    rng : numpy.random.Generator
        Gives each capture its own seed, so that the result does not depend on batching.
    recording : Recording
        Rate, length and extra channels of the batch.
    surroundings, drivers, faults, recorders : one, or a list or tuple with one per capture
        Circumstances.
    learned : as faults
        What the long trims have settled on; default: `faults` as they are now.
    clean : bool
        Keep the noise-free flow and speed traces too.

    Returns
    -------
    Batch
    """
    count = len(vehicles)
    runs, ratio, signal = pack(
        vehicles,
        _each(surroundings, count),
        _each(drivers, count),
        _each(recorders, count),
    )
    now = pack_faults(_each(faults, count))
    settled = now if learned is None else pack_faults(_each(learned, count))
    seeds = rng.integers(1, 2**63 - 1, size=count, dtype=np.uint64)
    volts = np.array([(v.airflow_kind == "volts", v.lambda_kind in ("narrowband", "wideband")) for v in vehicles])
    samples, rate = recording.samples, recording.rate_hz
    every = max(1, int(np.ceil(1.0 / (rate * LONGEST_STEP_S) - 1e-9)))
    airflow = np.empty((count, samples), dtype=np.float32)
    oxygen = np.empty((count, 2, samples), dtype=np.float32)
    extras = np.empty((len(EXTRAS) if recording.extras else 0, count, samples), dtype=np.float32)
    kept = np.empty((2 if clean else 0, count, samples), dtype=np.float32)
    truth = np.empty((count, len(TRUTH_FIELDS)))
    if count:
        _run_rows(
            runs,
            now,
            settled,
            seeds,
            ratio,
            signal,
            volts.reshape(count, 2),
            float(rate),
            every,
            airflow,
            oxygen,
            extras,
            truth,
            kept,
        )
    return Batch(
        tuple(vehicles),
        recording,
        airflow,
        oxygen,
        {name: extras[EXTRAS.index(name)] for name in recording.extras},
        {name: truth[:, number] for number, name in enumerate(TRUTH_FIELDS)},
        kept[0] if clean else None,
        kept[1] if clean else None,
    )
