"""The signs a grade rests on: where each reason of data_contracts/reasons.py holds."""

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.limits import TRIGGER_V, WARM_COOLANT_C
from models.reading.air_trace import landmark_columns as lk
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.landmarks import Landmarks
from models.reading.air_trace.throttle import NOTHING_ELSE, opened_from_channel
from models.reading.lambda_trace.banks import BankSigns
from models.reading.needs import Extent
from models.reading.resampling import GAP, JITTER_LIMIT, MISSING, OUT_OF_RANGE, STUCK, Stack
from models.statistics.estimate import Estimate, reason_number

Floats = NDArray[np.float64]

# Below this rate a main peak is a lower bound; below the next a snap is not worth keeping. [Hz]
LOWER_BOUND_RATE_HZ, SLOW_RATE_HZ, LOW_RATE_HZ = 49.0, 40.0, 490.0
# Idle before the opening: less than this sends back, less than this lowers the grade. [s]
SHORTEST_BEFORE_S, SHORT_BEFORE_S = 0.2, 0.5
SHORTEST_HOLD_S = 0.35
AFTER_S = 1.5
# Flow still rising at the release by more than this part of itself per second: the pedal came up too soon. [1/s]
STILL_RISING = 1.0
# Noise as a part of the snap's height in the raw signal. 8 mV on 3.8 V is 0.002.
NOISE_HIDES, NOISE_SHOWS = 0.02, 0.006
NEEDLE_PART = 0.03
THROTTLE_FULL = 0.85
UNSTEADY = 0.12
OUTSIDE = reason_number("outside_transfer")


def _over_snaps(column: Floats, entries: int, fill: float = np.nan) -> Floats:
    return np.concatenate((column, np.full(entries - column.size, fill)))


def _missing_in_snap(conditioned: Conditioned, marks: Landmarks, entries: int) -> NDArray[np.bool_]:
    """Whether more than 20 ms, or three samples, are missing in a row between rise and release."""
    out = np.zeros(entries, dtype=np.bool_)
    longest = max(3, int(0.02 / marks.interval_s))
    for s in np.flatnonzero(conditioned.lost[marks.snaps.row] >= longest):
        row = marks.snaps.row[s]
        bad = np.isin(conditioned.fate[row], (GAP, MISSING, OUT_OF_RANGE, STUCK))
        first = max(int(np.nan_to_num(marks[lk.RISE_START][s])) - longest, 0)
        stretch = bad[first : int(marks.snaps.off[s])]
        if stretch.sum() >= longest:
            edges = np.flatnonzero(np.diff(np.concatenate(([False], stretch, [False])).astype(np.int8)))
            out[s] = bool((edges[1::2] - edges[::2]).max() >= longest)
    return out


def _triggered_early(
    conditioned: Conditioned, rows: NDArray[np.int64], extent: Extent, family: Family
) -> NDArray[np.bool_]:
    """No snap, or one whose hold the record cuts off, although needles cross the usual trigger level."""
    needles = conditioned.needles[rows] > 0
    if family.airflow_sensor.kind == "volts":
        needles &= conditioned.needle_top[rows] > TRIGGER_V
    cut = ~extent.snap | (~extent.released & (extent.hold_s < SHORTEST_HOLD_S))
    return cut & needles


def _throttle_not_full(stack: Stack, marks: Landmarks, found: dict[str, Estimate], family: Family) -> NDArray[np.bool_]:
    """The throttle's or the pedal's channel says so; without one, a main peak below the family's low limit.

    From one capture a half-open plate can't be told from a weak van, so the van is recorded again; a van whose every
    capture of a visit says so is tracked all the same (`models.tracking.visits.tracked_captures`).
    """
    opened, reference = found["throttle_opened"].value, found["main_peak_reference_g_s"].value
    with np.errstate(invalid="ignore"):
        if "throttle_pct" in stack.channels:
            out = opened < THROTTLE_FULL
        else:
            low = family.main_peak.low_limit_g_s or NOTHING_ELSE * (family.main_peak.expected_g_s or 0.0)
            out = reference + found["main_peak_reference_g_s"].u < low
        if "pedal_pct" in stack.channels:
            pedal = opened_from_channel(
                stack.channels["pedal_pct"], marks.snaps.row, marks[lk.OPENING], marks[lk.HOLD_STOP], open_pct=100.0
            )
            out = out | _over_snaps((pedal.value < THROTTLE_FULL).astype(np.float64), out.size, 0.0).astype(np.bool_)
    return np.asarray(out)


def snap_signs(
    stack: Stack,
    conditioned: Conditioned,
    marks: Landmarks,
    rows: NDArray[np.int64],
    extent: Extent,
    found: dict[str, Estimate],
    banks: BankSigns,
    family: Family,
    manifest: dict[str, Floats],
    clipped: NDArray[np.bool_],
    hum: NDArray[np.bool_],
) -> dict[str, NDArray[np.bool_]]:
    """Where each grade reason holds.

    Parameters
    ----------
    stack, conditioned, marks
        The stack, its conditioned air-mass traces and their landmarks.
    rows : ndarray of shape (entries,), int
        Row of each entry; snaps first.
    extent : Extent
        What each entry holds.
    found : dict of str to Estimate
        Every quantity, needs applied.
    banks : BankSigns
        What the lambda traces show.
    family : Family
        Of all of them.
    manifest : dict of str to ndarray of shape (entries,)
        Conditions; NaN is unmeasured.
    clipped : ndarray of shape (entries,), bool
        The main peak is at the end of the range.
    hum : ndarray of shape (snaps,), bool
        Mains hum rides on the trace.

    Returns
    -------
    dict of str to ndarray of shape (entries,), bool
        Reason codes to where they hold.
    """
    entries, snap = rows.size, extent.snap
    count = np.maximum(stack.count[rows], 1)
    raw_height = _over_snaps(marks[lk.MAIN_RAW] - marks[lk.IDLE_RAW], entries)
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = np.where(snap, conditioned.noise[rows] / np.abs(raw_height), 0.0)
    needle_part = conditioned.needles[rows] * 2.0 / count
    rising = np.nan_to_num(_over_snaps(marks[lk.END_SLOPE], entries))
    ended = extent.released | ~snap
    not_full = snap & (_throttle_not_full(stack, marks, found, family))
    with np.errstate(invalid="ignore"):
        cold = manifest["coolant_c"] < WARM_COOLANT_C
    pinned = (conditioned.clipped_high[rows] > 0) | (conditioned.clipped_low[rows] > 0)
    with np.errstate(invalid="ignore"):
        flat = (conditioned.signal.max(axis=1) - conditioned.signal.min(axis=1))[rows] <= conditioned.step[rows]
    nothing = conditioned.lost[rows] >= stack.count[rows]
    missing_before = extent.before_s < SHORTEST_BEFORE_S
    has_lambda = extent.lambda_banks[0] | extent.lambda_banks[1]
    drift = np.abs(np.nan_to_num(_over_snaps(marks[lk.IDLE_DRIFT], entries)))
    beyond = np.zeros(entries, dtype=np.bool_)
    for name in ("main_peak_g_s", "idle_g_s"):
        beyond |= found[name].reason == OUTSIDE
    slow = extent.rate_hz < SLOW_RATE_HZ
    return {
        "no_snap": ~snap,
        "flat": flat | nothing,
        "cold": cold,
        "not_closed_loop": manifest["closed_loop"] == 0.0,
        "throttle_not_full": not_full,
        "early_trigger": _triggered_early(conditioned, rows, extent, family),
        "too_short_before": snap & missing_before,
        "hold_too_short": snap & extent.released & ((extent.hold_s < SHORTEST_HOLD_S) | (rising > STILL_RISING)),
        "ends_early": snap & ~ended & ((extent.hold_s < SHORTEST_HOLD_S) | (rising > 0.5)),
        "clipped": clipped,
        "too_slow": slow,
        "sensor_inactive": snap & banks.inactive,
        "polarity_contradicts": banks.polarity_contradicts,
        "noise": snap & ((noise > NOISE_HIDES) | (needle_part > NEEDLE_PART)),
        "gap": _missing_in_snap(conditioned, marks, entries),
        "outside_transfer": beyond,
        "coolant_unmeasured": np.isnan(manifest["coolant_c"]),
        "closed_loop_unmeasured": np.isnan(manifest["closed_loop"]),
        "no_lambda": ~has_lambda,
        "short_before": snap & ~missing_before & (extent.before_s < SHORT_BEFORE_S),
        "ends_before_settle": snap & (~extent.released | (extent.after_s < AFTER_S)),
        "needles": (conditioned.needles[rows] > 0) & (needle_part > 0.002),
        "low_rate": ~slow & (extent.rate_hz < LOW_RATE_HZ),
        "jitter": stack.jitter[rows] >= JITTER_LIMIT,
        "partly_clipped": pinned & ~clipped,
        "noisy": snap & (noise > NOISE_SHOWS) & (noise <= NOISE_HIDES),
        "lambda_clipped": banks.clipped,
        "mains_hum": _over_snaps(hum.astype(np.float64), entries, 0.0) > 0.0,
        "unsteady_idle": snap & (drift > UNSTEADY),
    }
