"""Throttle snaps written down as formulas: the truth of every landmark is known without any engine model.

Independent of sample_fleet on purpose. The flow is a sum of elementary curves, the truth is read from the
same curves on a fine grid by the plain definitions, and only then ripple, noise, needles and steps are added.
"""

import functools
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Conditions, Waveform, make_waveform
from data_contracts.family import Family, parse_family

VOLTS = np.array([0.30, 0.60, 0.90, 1.20, 1.60, 2.00, 2.50, 3.00, 3.50, 4.00, 4.40, 4.70, 4.90, 5.00])
FLOW = np.array([0.2, 1.5, 4.0, 7.5, 13.0, 20.0, 31.0, 46.0, 66.0, 92.0, 118.0, 141.0, 158.0, 167.0])


def family(kind: str = "volts", **changes: object) -> Family:
    """A four-cylinder family of this page; `changes` replace keys of its table."""
    sensor: dict[str, object] = {"kind": kind, "range_v": [0.0, 5.0]}
    if kind == "volts":
        sensor |= {"transfer_v": VOLTS.tolist(), "transfer_g_s": FLOW.tolist()}
    elif kind == "hertz":
        sensor |= {"transfer_hz": (1500.0 + 1700.0 * VOLTS).tolist(), "transfer_g_s": FLOW.tolist()}
    table: dict[str, object] = {
        "displacement_l": 2.0,
        "cylinders": 4,
        "aspiration": "turbo",
        "max_free_rpm": 6000,
        "airflow_sensor": sensor,
        "main_peak": {"expected_g_s": 118.0, "low_limit_g_s": 100.0},
        "lambda_sensor": {"kind": "none"},
    }
    return parse_family("analytic", table | changes)


@dataclass(frozen=True)
class Snap:
    """One snap as a formula; times in s, flow in g/s.

    `surge` is the height of the first peak over the flow the engine draws there; 0 leaves it out. `bounce` is the
    limiter's swing as a part of the flow; `speed_time` the time constant of the run-up.
    """

    opening: float = 0.62
    hold: float = 1.0
    length: float = 3.0
    idle: float = 4.0
    idle_wander: float = 0.0
    main: float = 118.0
    rise: float = 0.012
    surge: float = 45.0
    surge_time: float = 0.055
    idle_rpm: float = 850.0
    peak_rpm: float = 5900.0
    speed_time: float = 0.35
    limiter_at: float = 0.88
    bounce: float = 0.0
    fall: float = 0.018
    undershoot: float = 0.8
    pulse: float = 6.0
    ripple: float = 0.03
    after_idle: float = 4.2
    others: tuple["Snap", ...] = field(default=())


def speed(snap: Snap, t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Engine speed: exponential run-up cut by a limiter, exponential run-down. [1/min]"""
    top = snap.idle_rpm + (snap.peak_rpm - snap.idle_rpm) / snap.limiter_at
    up = snap.idle_rpm + (top - snap.idle_rpm) * -np.expm1(-np.clip(t - snap.opening, 0, None) / snap.speed_time)
    up = np.minimum(up, snap.peak_rpm)
    if snap.bounce:
        reached = snap.opening - snap.speed_time * np.log1p(-snap.limiter_at)
        late = np.clip(t - reached, 0, None)
        up = up * (1 - snap.bounce * 0.5 * (1 - np.cos(2 * np.pi * 9.0 * late)))
    release = snap.opening + snap.hold
    down = np.exp(-np.clip(t - release, 0, None) / 0.6)
    at_release = up[np.searchsorted(t, release) - 1] if np.any(t < release) else snap.idle_rpm
    return np.where(t < release, up, snap.idle_rpm + (at_release - snap.idle_rpm) * down)


def clean_flow(snap: Snap, t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Flow without ripple or noise. [g/s]"""
    rpm = speed(snap, t)
    release = snap.opening + snap.hold
    open_part = 1 / (1 + np.exp(-(t - snap.opening) / snap.rise))
    shut_part = 1 / (1 + np.exp((t - release) / snap.fall))
    drawn = snap.main * rpm / snap.peak_rpm
    late = np.clip(t - snap.opening - 2 * snap.rise, 0, None)
    surge = snap.surge * np.exp(-((late / snap.surge_time) ** 2))
    idle = snap.idle + snap.idle_wander * np.sin(2 * np.pi * 0.8 * t)
    after = np.clip(t - release, 0, None)
    closed = snap.after_idle + (idle - snap.after_idle) * (t < release)
    closed = closed - snap.undershoot * (after / 0.25) * np.exp(1 - after / 0.25) * (t > release)
    closed = closed + snap.pulse * np.exp(-(((t - release - 0.16) / 0.03) ** 2))
    return closed + (drawn + surge - closed) * open_part * shut_part


@functools.cache
def truth(snap: Snap) -> dict[str, float]:
    """The landmarks by their definitions, on a grid of 0.1 ms; one of 20 µs moves the release by 0.05 ms, all else by 1e-6 of itself."""
    t = np.arange(0, snap.length, 1e-4)
    y = clean_flow(snap, t)
    release = snap.opening + snap.hold
    held = (t > snap.opening) & (t < release)
    out = {"idle_g_s": snap.idle}
    early = (t > snap.opening) & (t < snap.opening + 0.3)
    rises = np.flatnonzero(np.diff(y[early]) < 0)
    start = int(np.flatnonzero(early)[0])
    top = np.nan
    if rises.size:
        peak = start + int(rises[0])
        dip_from = peak + int(np.flatnonzero(np.diff(y[peak:]) > 0)[0])
        if y[peak] - y[dip_from] > 0.08 * (snap.main - snap.idle):
            top = float(y[peak])
            out |= {"first_peak_g_s": top, "dip_g_s": float(y[dip_from])}
    out["main_peak_g_s"] = float(y[held].max())
    if np.isfinite(top):
        half = 0.5 * (snap.idle + top)
        i = int(np.flatnonzero((y[:-1] < half) & (y[1:] >= half))[0])
        out["opening_s"] = float(np.interp(half, y[i : i + 2], t[i : i + 2]))
    half = 0.5 * (snap.idle + out["main_peak_g_s"])
    after = np.flatnonzero((y[:-1] > half) & (y[1:] <= half) & (t[1:] > release - 0.1))
    if after.size:
        i = int(after[0])
        out["release_s"] = float(np.interp(-half, -y[i : i + 2], t[i : i + 2]))
    out["engine_speed_peak_rpm"] = float(speed(snap, t)[held][int(np.argmax(y[held]))])
    out["engine_speed_idle_rpm"] = snap.idle_rpm
    return out


@dataclass(frozen=True)
class Recorder:
    """How a snap is recorded. Volts unless `kind` says otherwise."""

    rate_hz: float = 2000.0
    bits: int = 12
    span_v: float = 5.0
    noise_v: float = 0.008
    needles_per_s: float = 4.0
    needle_v: float = 1.2
    kind: str = "volts"
    jitter: float = 0.0
    offset_v: float = 0.0


WARM = Conditions(coolant_c=88.0, intake_air_c=25.0, barometer_kpa=99.0, humidity_pct=0.0, closed_loop=True)


def airflow(snap: Snap, recorder: Recorder, rng: np.random.Generator) -> Waveform:
    """A recording of the air-mass sensor alone."""
    n = round(snap.length * recorder.rate_hz)
    t = np.arange(n) / recorder.rate_hz
    if recorder.jitter:
        t = np.sort(t + rng.uniform(-0.5, 0.5, n) * recorder.jitter / recorder.rate_hz)
        t -= t[0]
    flow = clean_flow(snap, t)
    for other in snap.others:
        flow = flow + clean_flow(other, t) - other.idle
    rpm = speed(snap, t)
    phase = np.cumsum(rpm / 30.0 * 2 * np.pi * np.gradient(t)) + rng.uniform(0, 2 * np.pi)
    flow = flow * (1 + snap.ripple * np.sin(phase))
    volts = np.interp(flow, FLOW, VOLTS)
    volts += rng.normal(0, recorder.noise_v, n)
    hits = rng.random(n) < recorder.needles_per_s / recorder.rate_hz
    volts[hits] += recorder.needle_v * rng.choice([-1.0, 1.0], int(hits.sum())) * rng.uniform(0.5, 1.5, int(hits.sum()))
    if recorder.kind == "g_s":
        return make_waveform(t, {"airflow_g_s": np.round(np.interp(volts, VOLTS, FLOW), 2)})
    if recorder.kind == "hertz":
        return make_waveform(t, {"airflow_hz": np.round(1500.0 + 1700.0 * volts)})
    step = recorder.span_v / 2**recorder.bits
    volts = np.clip(np.round((volts + recorder.offset_v) / step) * step, 0, recorder.span_v - step)
    return make_waveform(t, {"airflow_v": volts})


def repeats(
    snap: Snap, recorder: Recorder, count: int, seed: int, shift: float = 0.05
) -> tuple[list[Waveform], list[Snap]]:
    """The same snap recorded again and again, begun at another phase of the sampling each time."""
    rng = np.random.default_rng(seed)
    snaps = [replace(snap, opening=snap.opening + rng.uniform(0, shift)) for _ in range(count)]
    return [airflow(each, recorder, rng) for each in snaps], snaps
