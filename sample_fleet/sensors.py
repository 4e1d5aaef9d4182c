"""From the physics to what a recorder stores: transfer, lag, range, steps, noise, ignition spikes, hum, bus repetition."""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

from numba import njit

from sample_fleet.chance import normal, uniform
from sample_fleet.record import FloatArray, Record, SeedArray


@njit(cache=True, nogil=True, inline="always")
def air_raw(r: Record, flow: float) -> float:
    """Raw signal of the air-mass sensor at a flow [kg/s], within its range. [V, Hz or g/s]"""
    raw = max(r.air_zero + r.air_slope * abs(flow * 1e3) ** r.air_exponent, 0.0) ** r.air_root
    return min(max(raw, r.air_low), r.air_high)


@njit(cache=True, nogil=True)
def oxygen_raw(r: Record, ratio: FloatArray, signal: FloatArray, richness: float) -> float:
    """Signal of the lambda sensor at a richness, steady. [V or 1]"""
    if r.narrowband > 0.5:
        x = (richness - 1.0) / r.switch_width
        rich = r.rich_v + 0.22 * min(max(richness - 1.12, -0.12), 0.2)
        return (
            r.lean_v + (rich - r.lean_v) / (1.0 + math.exp(-min(max(x, -40.0), 40.0))) - 0.05 * max(0.8 - richness, 0.0)
        )
    value = 1.0 / max(richness, 1e-3)
    if value <= ratio[0]:
        return signal[0]
    for k in range(1, ratio.size):
        if value < ratio[k]:
            return signal[k - 1] + (value - ratio[k - 1]) / (ratio[k] - ratio[k - 1]) * (signal[k] - signal[k - 1])
    return signal[-1]


@njit(cache=True, nogil=True)
def interference(r: Record, seed: SeedArray, rate: float, needles: FloatArray, samples: int) -> None:
    """Ignition spikes picked up by the leads, one or two samples wide. [V], written to `needles`"""
    for j in range(samples):
        needles[j] = 0.0
    if r.needles_per_s <= 0.0:
        return
    chance = 1.0 - math.exp(-r.needles_per_s / rate)
    for j in range(samples):
        if uniform(seed) < chance:
            size = r.needle_v * (0.35 + 0.65 * uniform(seed)) * (1.0 if uniform(seed) < 0.8 else -1.0)
            needles[j] += size
            if j + 1 < samples and rate > 4000.0:
                needles[j + 1] -= 0.4 * size


@njit(cache=True, nogil=True)
def record_air(
    r: Record,
    volts: bool,
    said: FloatArray,
    ripple: FloatArray,
    needles: FloatArray,
    seed: SeedArray,
    rate: float,
    out: FloatArray,
) -> None:
    """Record the air-mass channel into `out`. [V, Hz or g/s]"""
    held, held_until = 0.0, -1.0
    phase = 2.0 * math.pi * uniform(seed)
    for j in range(out.size):
        t = j / rate
        raw = air_raw(r, said[j] + ripple[j]) + r.air_noise * normal(seed)
        if r.air_root == 1.0 and r.air_exponent != 1.0:  # a frequency is timed, so its noise grows with it
            raw += 0.0008 * raw * normal(seed)
        if volts:
            raw = raw * r.recorder_gain + r.recorder_offset_v + needles[j]
            if r.hum_v > 0.0:
                raw += r.hum_v * math.sin(2.0 * math.pi * 50.0 * t + phase)
            raw = min(max(raw, r.air_low), r.air_high)
        if r.air_interval_s > 0.0:
            if t >= held_until:
                held = raw
                held_until = t + r.air_interval_s
            raw = held
        if r.air_step > 0.0:
            raw = r.air_step * math.floor(raw / r.air_step + 0.5)
        out[j] = raw


@njit(cache=True, nogil=True)
def record_oxygen(
    r: Record,
    f: Record,
    here: float,
    ratio: FloatArray,
    signal: FloatArray,
    volts: bool,
    gas: FloatArray,
    cold: FloatArray,
    step: float,
    run_in: int,
    every: int,
    needles: FloatArray,
    seed: SeedArray,
    out: FloatArray,
) -> None:
    """Record one lambda channel into `out`: lag, characteristic, then the recorder. [V or 1]

    `here` is 1 where one-sided faults sit on this bank; `gas` is 1/lambda at the tip and `cold` how cold a sensor
    without its heater is, every step.
    """
    slow = 1.0 + 3.0 * f.lambda_slow * here
    rich_s = r.rich_s * slow * (1.0 + 4.0 * f.lambda_slow_one_way * here * (1.0 if f.slow_edge > 0.0 else 0.0))
    lean_s = r.lean_s * slow * (1.0 + 4.0 * f.lambda_slow_one_way * here * (1.0 if f.slow_edge < 0.0 else 0.0))
    to_rich, to_lean = 1.0 - math.exp(-step / rich_s), 1.0 - math.exp(-step / lean_s)
    second = 1.0 - math.exp(-step / max(r.second_lag_s, 1e-6))
    in_signal = r.lag_in_signal > 0.5 or r.narrowband > 0.5
    rate = 1.0 / (step * every)
    first = gas[0]
    if in_signal:
        first = oxygen_raw(r, ratio, signal, first)
    last, held, held_until = first, 0.0, -1.0
    rich_loss = 0.12 * f.lambda_offset * here if r.narrowband > 0.5 else 0.0
    shift = 0.0  # offset of a wideband sensor: in signal, as large as 0.06 in lambda near one
    if r.narrowband < 0.5:
        off = 0.06 * f.lambda_offset * f.offset_sign * here
        shift = oxygen_raw(r, ratio, signal, 1.0) - oxygen_raw(r, ratio, signal, 1.0 / (1.0 - off))
    rich_is_up = signal[1] < signal[0] or r.narrowband > 0.5
    for i in range(gas.size):
        if f.lambda_heater > 0.0:
            sluggish = 1.0 + 3.0 * f.lambda_heater * here * cold[i]
            to_rich, to_lean = 1.0 - math.exp(-step / (rich_s * sluggish)), 1.0 - math.exp(-step / (lean_s * sluggish))
        if in_signal:
            aim = oxygen_raw(r, ratio, signal, gas[i])
            rising = (aim > first) == rich_is_up
            first += (aim - first) * (to_rich if rising else to_lean)
        else:
            first += (gas[i] - first) * (to_rich if gas[i] > first else to_lean)
        last += (first - last) * second
        if i < run_in or (i - run_in) % every != 0:
            continue
        j = (i - run_in) // every
        if j >= out.size:
            break
        t = j / rate
        raw = last if in_signal else oxygen_raw(r, ratio, signal, last)
        raw += shift
        if rich_loss > 0.0:
            raw -= rich_loss * min(max((raw - 0.3) / 0.4, 0.0), 1.0)
        if r.coolant_c < 42.0:  # not yet active: the bias of the input stage
            raw = 0.45 if r.narrowband > 0.5 else signal[ratio.size - 1] * 0.5 + signal[0] * 0.5
        raw += r.oxygen_noise * normal(seed)
        if volts:
            raw = raw * r.recorder_gain + r.recorder_offset_v + 0.25 * needles[j]
            raw = min(max(raw, r.oxygen_low), r.oxygen_high)
        if r.oxygen_interval_s > 0.0:
            if t >= held_until:
                held = raw
                held_until = t + r.oxygen_interval_s
            raw = held
        if r.oxygen_step > 0.0:
            raw = r.oxygen_step * math.floor(raw / r.oxygen_step + 0.5)
        out[j] = raw
