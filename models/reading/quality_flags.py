"""Quality flags, from which captures are graded: where each grade reason of data_contracts/reasons.py holds."""

import numpy as np

from data_contracts.family import Family
from data_contracts.limits import TRIGGER_V, WARM_COOLANT_C
from data_contracts.reasons import REPEAT_REASONS
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.landmarks import Landmarks
from models.reading.air_trace.snap_detection import SLOWEST_HZ
from models.reading.air_trace.throttle import NOTHING_ELSE, opened_from_channel
from models.reading.entries import Entries
from models.reading.lambda_trace.banks import BankFlags
from models.reading.needs import Extent
from models.reading.resampling import GAP, JITTER_LIMIT, MISSING, OUT_OF_RANGE, STUCK, Stack
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.estimate import Estimate, reason_number

# Below LOWER_BOUND a main peak is a lower bound; below SLOW a snap is sent back; below LOW it is usable. [Hz]
LOWER_BOUND_RATE_HZ, SLOW_RATE_HZ, LOW_RATE_HZ = 49.0, 40.0, 490.0
# Idle before the opening: less than the first sends back, less than the second lowers the grade. [s]
SHORTEST_BEFORE_S, SHORT_BEFORE_S = 0.2, 0.5
# A shorter hold sends back: from 0.2 s on, landmarks are read as they are of long holds (`tests/studies/holds.py`). Less
# recorded after the release lowers the grade. [s]
SHORTEST_HOLD_S, AFTER_S = 0.2, 1.5
# No engine that revs freely reaches its highest speed sooner. Common practice, no source (2026-11-30). [s]
SOONEST_PEAK_S = 0.35
# Flow that still climbs by more than this part of itself per second as the pedal is lifted has not reached its main peak:
# in both simulators it is then 3 % below it or less, in 95 of 100 snaps, and 12 % at 1.0 (2026-11-30). At the end of a record
# that ends too soon. [1/s]
STILL_CLIMBING, STILL_RISING_AT_END = 0.3, 0.5
# Noise as a part of the snap's height in the raw signal. 8 mV on 3.8 V is 0.002. [1]
NOISE_HIDES, NOISE_SHOWS = 0.02, 0.006
# Part of the samples in ignition spikes, two per spike: spikes hide the trace, or lower the grade. [1]
MANY_SPIKES, SOME_SPIKES = 0.03, 0.002
# Smallest opening that counts as full throttle, and largest drift of a steady idle, as a part of it. [1]
THROTTLE_FULL, UNSTEADY = 0.85, 0.12
OUTSIDE = reason_number("outside_transfer")


def _missing_in_snap(conditioned: Conditioned, marks: Landmarks, entries: int) -> Flags:
    """Whether more than 20 ms, or three samples, are missing in a row between rise and release."""
    out = np.zeros(entries, dtype=np.bool_)
    longest = max(3, int(0.02 / marks.interval_s))
    for s in np.flatnonzero(conditioned.lost[marks.snaps.row] >= longest):
        row = marks.snaps.row[s]
        bad = np.isin(conditioned.flag[row], (GAP, MISSING, OUT_OF_RANGE, STUCK))
        first = max(int(np.nan_to_num(marks.found.rise_start[s])) - longest, 0)
        stretch = bad[first : int(marks.snaps.off[s])]
        if stretch.sum() >= longest:
            edges = np.flatnonzero(np.diff(np.concatenate(([False], stretch, [False])).astype(np.int8)))
            out[s] = bool((edges[1::2] - edges[::2]).max() >= longest)
    return out


def _triggered_early(conditioned: Conditioned, rows: Codes, extent: Extent, family: Family) -> Flags:
    """No snap, or one whose hold the record cuts off, although ignition spikes cross the usual trigger level."""
    spikes = conditioned.spikes[rows] > 0
    if family.airflow_sensor.kind == "volts":
        spikes &= conditioned.spike_top[rows] > TRIGGER_V
    cut = ~extent.snap | (~extent.released & (extent.hold_s < SOONEST_PEAK_S))
    return cut & spikes


def _throttle_not_full(
    stack: Stack, marks: Landmarks, entries: Entries, found: dict[str, Estimate], family: Family
) -> Flags:
    """Throttle not fully open, by its channel or the pedal's; without one, by a main peak below the family's low limit.

    A single capture does not show whether the plate was half open or the van is weak, so the van is recorded again. If
    every capture of a visit has this flag, the visit is tracked (`models.tracking.visits.tracked_captures`).
    """
    opened, reference = found["throttle_opened"].value, found["main_peak_reference_g_s"].value
    with np.errstate(invalid="ignore"):
        if "throttle_pct" in stack.channels:
            out = opened < THROTTLE_FULL
        else:
            low = family.main_peak.low_limit_g_s or NOTHING_ELSE * (family.main_peak.expected_g_s or 0.0)
            out = reference + found["main_peak_reference_g_s"].u < low
        if "pedal_pct" in stack.channels:
            opening, hold_stop = marks.found.opening.at, marks.found.hold_stop
            pedal = opened_from_channel(
                stack.channels["pedal_pct"], marks.snaps.row, opening, hold_stop, open_pct=100.0
            )
            out = out | (entries.padded(pedal.value) < THROTTLE_FULL)
    return np.asarray(out)


def cut_short(extent: Extent, rising: Floats) -> Flags:
    """Whether the hold, or the record, ends before the main peak, so that what is read as one is a lower bound.

    Parameters
    ----------
    extent : Extent
        What the recording of each entry holds.
    rising : ndarray of shape (entries,)
        Slope of the flow at the end of the hold, as a part of itself. [1/s]

    Returns
    -------
    ndarray of shape (entries,), bool
    """
    return np.asarray(extent.snap & ((extent.hold_s < SOONEST_PEAK_S) | (rising > STILL_CLIMBING)))


def _extent_flags(extent: Extent, rising: Floats, slow_hz: float) -> dict[str, Flags]:
    """Flags of the recording's extent; `rising` is the relative slope of the flow at the end of the hold [1/s], and a
    recording slower than `slow_hz` is sent back."""
    snap, before_s = extent.snap, extent.before_s
    too_short, slow = extent.hold_s < SHORTEST_HOLD_S, extent.rate_hz < slow_hz
    ends = (extent.hold_s < SOONEST_PEAK_S) | (rising > STILL_RISING_AT_END)
    no_idle = before_s < SHORTEST_BEFORE_S
    return {
        "no_snap": ~snap,
        "too_short_before": snap & no_idle,
        "short_before": snap & ~no_idle & (before_s < SHORT_BEFORE_S),
        "hold_too_short": snap & extent.released & too_short,
        "hold_short": cut_short(extent, rising) & extent.released & ~too_short,
        "ends_early": snap & ~extent.released & ends,
        "ends_before_settle": snap & (~extent.released | (extent.after_s < AFTER_S)),
        "too_slow": slow,
        "low_rate": ~slow & (extent.rate_hz < LOW_RATE_HZ),
        "no_lambda": ~(extent.lambda_banks[0] | extent.lambda_banks[1]),
    }


def _condition_flags(conditions: dict[str, Floats]) -> dict[str, Flags]:
    """Flags of the conditions in the manifest."""
    with np.errstate(invalid="ignore"):
        cold = conditions["coolant_c"] < WARM_COOLANT_C
    return {
        "cold": cold,
        "coolant_unmeasured": np.isnan(conditions["coolant_c"]),
        "not_closed_loop": conditions["closed_loop"] == 0.0,
        "closed_loop_unmeasured": np.isnan(conditions["closed_loop"]),
    }


def _no_air(stack: Stack, entries: Entries) -> dict[str, Flags]:
    """Flags of recordings whose snaps another channel tells."""
    return {
        "no_airflow": np.ones(entries.row.size, dtype=np.bool_),
        "jitter": stack.jitter[entries.row] >= JITTER_LIMIT,
    }


def _trace_flags(
    stack: Stack, conditioned: Conditioned, marks: Landmarks, entries: Entries, clipped: Flags
) -> dict[str, Flags]:
    """Flags of the air-mass trace."""
    rows, snap = entries.row, np.arange(entries.row.size) < entries.snaps
    found, signal = marks.found, conditioned.signal
    with np.errstate(invalid="ignore", divide="ignore"):
        height = entries.padded(found.main_peak.raw - found.idle.raw)
        noise = np.where(snap, conditioned.noise[rows] / np.abs(height), 0.0)
        flat = (signal.max(axis=1) - signal.min(axis=1))[rows] <= conditioned.step[rows]
    spike_part = conditioned.spikes[rows] * 2.0 / np.maximum(stack.count[rows], 1)
    pinned = (conditioned.clipped_high[rows] > 0) | (conditioned.clipped_low[rows] > 0)
    drift = np.abs(np.nan_to_num(entries.padded(found.idle.drift)))
    return {
        "flat": flat | (conditioned.lost[rows] >= stack.count[rows]),
        "clipped": clipped,
        "partly_clipped": pinned & ~clipped,
        "noise": snap & ((noise > NOISE_HIDES) | (spike_part > MANY_SPIKES)),
        "noisy": snap & (noise > NOISE_SHOWS) & (noise <= NOISE_HIDES),
        "needles": (conditioned.spikes[rows] > 0) & (spike_part > SOME_SPIKES),
        "gap": _missing_in_snap(conditioned, marks, rows.size),
        "jitter": stack.jitter[rows] >= JITTER_LIMIT,
        "unsteady_idle": snap & (drift > UNSTEADY),
    }


def quality_flags(
    stack: Stack,
    conditioned: Conditioned,
    marks: Landmarks,
    entries: Entries,
    extent: Extent,
    found: dict[str, Estimate],
    banks: BankFlags,
    family: Family,
    clipped: Flags,
    hum: Flags,
) -> dict[str, Flags]:
    """Where each grade reason holds.

    Parameters
    ----------
    stack, conditioned, marks
        The stack, its conditioned air-mass traces and their landmarks.
    entries : Entries
        Snaps, then recordings without one.
    extent : Extent
        What the recording of each entry holds.
    found : dict of str to Estimate
        Every quantity, needs applied.
    banks : BankFlags
        Flags of the lambda traces.
    family : Family
        Of all of them.
    clipped : ndarray of shape (entries,), bool
        The main peak is at the end of the range.
    hum : ndarray of shape (snaps,), bool
        The trace has mains hum.

    Returns
    -------
    dict of str to ndarray of shape (entries,), bool
        Reason codes to where they hold.
    """
    snap, rising = extent.snap, np.nan_to_num(entries.padded(marks.found.end_slope))
    # a surge that is not there needs no rate to be seen: whatever rate shows a snap gives the levels
    slow_hz = SLOW_RATE_HZ if family.airflow_sensor.metered else SLOWEST_HZ
    flags = _extent_flags(extent, rising, slow_hz) | _condition_flags(entries.conditions)
    flags |= _trace_flags(stack, conditioned, marks, entries, clipped) if marks.air else _no_air(stack, entries)
    return flags | {
        "throttle_not_full": snap & _throttle_not_full(stack, marks, entries, found, family),
        "early_trigger": _triggered_early(conditioned, entries.row, extent, family),
        "outside_transfer": (found["main_peak_g_s"].reason == OUTSIDE) | (found["idle_g_s"].reason == OUTSIDE),
        "mains_hum": entries.padded(hum.astype(np.float64), 0.0) > 0.0,
        "sensor_inactive": snap & banks.inactive,
        "polarity_contradicts": banks.polarity_contradicts,
        "lambda_clipped": banks.clipped,
    }


def idle_only(flags: dict[str, Flags], alone: Flags, found: dict[str, Estimate]) -> dict[str, Flags]:
    """Where a recording without a snap is one of idle alone, which is followed for what idle tells.

    Parameters
    ----------
    flags : dict of str to ndarray of shape (entries,), bool
        Every other reason.
    alone : ndarray of shape (entries,), bool
        The recording holds nothing but idle.
    found : dict of str to Estimate
        Every quantity, needs applied.

    Returns
    -------
    dict of str to ndarray of shape (entries,), bool
        `idle_only`, where idle flow or lambda at idle was read and nothing but the missing snap sends it back; and
        `no_snap` and `too_slow`, which are not said of it.
    """
    read = np.isfinite(found["idle_g_s"].value) | np.isfinite(found["lambda_idle"].value)
    wrong = [where for code, where in flags.items() if code in REPEAT_REASONS and code not in ("no_snap", "too_slow")]
    only = alone & read & ~np.any(wrong, axis=0)
    return {"idle_only": only, "no_snap": flags["no_snap"] & ~only, "too_slow": flags["too_slow"] & ~only}
