"""Reading speed on one core, beside a per-capture scipy loop, two general feature libraries, and one pass over the bytes.

Every line is measured in this run on the same captures, in processor time, so that other work on the machine is not counted;
ratios travel between machines, seconds do not.
"""

import time
import warnings
from collections.abc import Callable
from functools import partial
from importlib.util import find_spec

import numpy as np
from scipy.optimize import OptimizeWarning, curve_fit
from scipy.signal import find_peaks, savgol_filter

from data_contracts.capture import Conditions, Waveform
from data_contracts.family import Family
from models.reading.read import read_waveforms
from sample_fleet.families import built_in_families, register_family
from sample_fleet.parameters import Driver
from sample_fleet.simulate import Recording, simulate

FAMILY = "brook-20"
CONDITIONS = Conditions(coolant_c=88.0, intake_air_c=20.0, barometer_kpa=99.0, humidity_pct=60.0, closed_loop=True)
CASES = (  # name, rate [Hz], length [s], captures
    ("2 s x 2 kHz", 2000.0, 2.0, 2000),
    ("2 s x 10 kHz", 10_000.0, 2.0, 400),
    ("9 s x 2 kHz", 2000.0, 9.0, 400),
)


def captures(rate_hz: float, length_s: float, count: int) -> list[Waveform]:
    """Healthy snaps of one family, two channels each."""
    pedal = 0.3 * length_s if length_s < 4 else 3.0
    batch = simulate(
        [built_in_families()[FAMILY]] * count,
        np.random.default_rng(1),
        recording=Recording(rate_hz=rate_hz, length_s=length_s),
        drivers=Driver(pedal_at_s=pedal, hold_s=1.0),
    )
    return [batch.waveform(index) for index in range(count)]


def fastest(work: Callable[[], object], repeats: int = 5) -> float:
    """Shortest processor time of some repeats. [s]"""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def scipy_loop(waveforms: list[Waveform]) -> None:
    """What one would write for one capture: smooth, find peaks, fit a first-order step with dead time to both edges."""

    def step(t: np.ndarray, level: float, height: float, dead: float, tau: float) -> np.ndarray:
        return level + height * (1.0 - np.exp(-np.clip(t - dead, 0.0, None) / abs(tau)))

    for waveform in waveforms:
        flow = savgol_filter(waveform.channels["airflow_v"], 31, 2)
        find_peaks(flow, prominence=0.05)
        rise = int(np.argmax(flow > 2.0))
        fall = flow.size - int(np.argmax(flow[::-1] > 2.0))
        for start in (rise, fall):
            t, y = waveform.time_s[start:], waveform.channels["lambda_v"][start:].astype(float)
            if t.size < 50:
                continue
            t = t - t[0]
            try:
                curve_fit(step, t, y, p0=(y[0], y[-1] - y[0], 0.1, 0.1), maxfev=400)
            except RuntimeError:
                continue


def memory_pass(waveforms: list[Waveform]) -> float:
    """Processor time of one float32 pass over the same bytes. [s]"""
    stack = np.stack([np.stack([w.channels["airflow_v"], w.channels["lambda_v"]]) for w in waveforms])
    passes = 20  # the clock of the processor is too coarse for one
    return fastest(lambda: [float(stack.sum(dtype=np.float32)) for _ in range(passes)]) / passes


def tsfresh_efficient(waveforms: list[Waveform]) -> None:
    """tsfresh with its efficient settings."""
    import pandas as pd
    from tsfresh import extract_features
    from tsfresh.feature_extraction import EfficientFCParameters

    frames = [
        pd.DataFrame({"id": i, "time": w.time_s, "a": w.channels["airflow_v"], "b": w.channels["lambda_v"]})
        for i, w in enumerate(waveforms)
    ]
    extract_features(
        pd.concat(frames),
        column_id="id",
        column_sort="time",
        n_jobs=0,
        disable_progressbar=True,
        default_fc_parameters=EfficientFCParameters(),
    )


def tsfel_all(waveforms: list[Waveform]) -> None:
    """tsfel with its temporal and statistical domains."""
    import pandas as pd
    import tsfel

    configuration = tsfel.get_features_by_domain("temporal") | tsfel.get_features_by_domain("statistical")
    for w in waveforms:
        frame = pd.DataFrame({"a": w.channels["airflow_v"], "b": w.channels["lambda_v"]})
        tsfel.time_series_features_extractor(configuration, frame, fs=2000.0, verbose=0)


LIBRARIES = (  # name, work, captures to time it on, package it needs
    ("scipy loop with curve_fit", scipy_loop, 60, "scipy"),
    ("tsfel, temporal and statistical", tsfel_all, 10, "tsfel"),
    ("tsfresh, efficient settings", tsfresh_efficient, 4, "tsfresh"),
)


def main() -> None:
    """Measure and print."""
    warnings.simplefilter("ignore")
    warnings.simplefilter("ignore", OptimizeWarning)
    family: Family = register_family(built_in_families()[FAMILY])
    read_waveforms(captures(2000.0, 2.0, 8), [family] * 8, [CONDITIONS] * 8)  # compile once
    once = captures(2000.0, 2.0, 1)
    for _, work, _, package in LIBRARIES:  # import once, so that no import is timed
        if find_spec(package) is not None:
            work(once)
    print("reading, one core, two channels, full reading with uncertainties; captures per second of processor time")
    print(f"{'case':<14}{'captures/s':>12}{'memory pass':>14}{'passes':>9}", end="")
    print("".join(f"{name.split(',')[0].split(' with')[0]:>14}{'ours is':>9}" for name, *_ in LIBRARIES))
    for name, rate_hz, length_s, count in CASES:
        waveforms = captures(rate_hz, length_s, count)
        families, conditions = [family] * count, [CONDITIONS] * count
        ours = count / fastest(partial(read_waveforms, waveforms, families, conditions))
        floor = count / memory_pass(waveforms)
        print(f"{name:<14}{ours:>12.0f}{floor:>14.0f}{floor / ours:>9.0f}", end="")
        for _, work, few, package in LIBRARIES:
            if find_spec(package) is None:
                print(f"{'not installed':>14}{'':>9}", end="")
                continue
            theirs = few / fastest(partial(work, waveforms[:few]), 1)
            print(f"{theirs:>14.1f}{ours / theirs:>8.0f}x", end="")
        print(flush=True)


if __name__ == "__main__":
    main()
