r"""Airflow landmarks of every snap: where they are, their levels in flow and raw signal, with uncertainty.

Definitions. All levels and crossings are of the *mass flow*; `fast` is the flow smoothed over ±4 ms and
`slow` over ±15 ms (triangles; no shift), both shrinking to single samples at low rates.

=================  ====================================================================================
idle               mean over the steady flow before the opening, at most 3 s, ending short of the first
                   departure from it
first peak, dip    earliest fall of the fast trace within 0.6 s of the opening that recovers, is more than
                   5 % of the snap's height, and stays above 1.5 times idle; the peak where a parabola over ±12.5 ms
                   is highest, the dip by one over ±20 ms at the lowest of the slow trace (below 330 Hz of the fast trace)
opening            fast trace through half the height from idle to the first peak, or, with no first peak, to
                   the level at which the first rise has lost four fifths of its steepness (half, below 50 Hz)
main peak          after the dip and before the fall, the mean over the stretch around the highest point in
                   which the slow trace stays within 0.5 % (and 4 standard deviations of its noise) of it, lifted by
                   what the slow trace's highest point stands above that mean beyond its noise; where the stretch
                   is shorter than 0.08 s, a tapered parabola over 80 ms read at the highest point. In the raw
                   signal: the signal at that flow
release            fast trace falling through half the height from idle before to main peak
fall time          fast trace from 90 % to 10 % of the height from idle to the flow at the end of the hold
climb slope        between 10 % and 90 % of the rise of the slow trace from dip to main peak
notch              a fall of the slow trace in the climb by more than 3 % of the main peak that rises again
run-up (by flow)   from the opening until the slow trace first reaches 95 % of the main peak after the dip; unread
                   where the flow is there within 0.15 s, which is the manifold filling
recirculation      of the fast trace within 0.6 s of the release the peak that stands highest above both valleys
pulse              beside it, its height above the one behind it, at most twice what it stands above both;
                   peak and valley by parabolas over ±10 ms
undershoot         idle after (idle before where the record ends first) less the lowest flow, a parabola over ±25 ms
settle             from the release until the slow trace stays within 10 % of idle to the end of the record
idle after         mean over the last 1.5 s, from 1.5 s after the release
=================  ====================================================================================

Uncertainty. Noise of the trace through the weights of each level (linearised), the quantisation step where
noise does not dither it, the sampling interval for crossings, second differences of block means for idle levels and the wander of what
the window leaves aside, firing ripple that a parabola keeps or that sampling folds, the doubt of a window's definition, and the recorder's own offset and gain where its profile states them. The transfer table passes
them on by its slope and adds what it leaves open between its points: see `models.physics.transfer_table`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from models.physics.transfer_table import rectified, slope_of, table_doubt, table_of
from models.reading.air_trace import landmark_columns as lk
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.landmark_release import VALLEY_BEHIND
from models.reading.air_trace.landmark_search import SLOW_LOG_S, read_snaps
from models.reading.air_trace.landmark_uncertainty import (
    CREST,
    FOLDING_RATE_HZ,
    RIPPLE_GROWS,
    highest_of,
    ripple_alone,
    ripple_gains,
)
from models.reading.air_trace.snap_detection import SnapList, find_snaps
from models.statistics.estimate import Estimate, estimate
from models.statistics.smoothing import smooth, smoothing_gain

FAST_S, SLOW_S = 0.004, 0.015
# What smoothing moves a crossing of a rounded edge; sized on simulated engines and analytic traces. [s]
CROSSING_U_S = 1.3e-4
# With no first peak the top of the first rise is where it bends, and that is less sharp. [s]
KNEE_U_S = 1.5e-3
# Part of the difference between a wide and a narrow parabola that counts as doubt of the level.
SHAPE_PART = 1.0
# Where a hold ends is a matter of definition: the flow there, as a part of its height, and what that moves in the fall.
HOLD_END_U = 0.015
# How far waves on the main peak rise over their own scatter: a sine 1.4, several beside each other 1.8; and its doubt. [1]
WAVES, WAVES_U = 1.6, 0.3
# Of what the signal at the mean flow differs from the mean signal: the part in doubt.
BENT_U = 0.4
# What a sampling interval of 10 ms can miss of a pulse 30 ms wide. [1]
MISSED_PULSE = 0.03
# What ripple folded down to any frequency hides: crossings of gentle slopes and the lowest flow.
HIDDEN_BY_FOLDING = ("climb_slope_g_s2", "run_up_time_s", "settle_time_s", "undershoot_g_s")
# Below CLEAN ripple may fold onto the level [Hz]; what sampling below SLOW can miss or catch.
CLEAN_RATE_HZ, SLOW_RATE_HZ, SLOW_RATE_U = 900.0, 50.0, 0.02
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Landmarks:
    """Landmarks of every snap of a stack, in samples and flow.

    Attributes
    ----------
    snaps : SnapList
        Which snap of which row.
    table : ndarray of shape (snaps, columns)
        Columns of `models.reading.air_trace.landmark_columns`; NaN where not found.
    flow, fast, slow : ndarray of shape (captures, samples), float32
        The traces they were read from. [g/s]
    noise_raw : ndarray of shape (snaps,)
        Noise of the raw signal, sample to sample. [V, Hz or g/s]
    step_raw : ndarray of shape (snaps,)
        Part of the quantisation step that noise does not dither. [V, Hz or g/s]
    held : ndarray of shape (snaps,)
        Samples for which the recorder repeats a value.
    interval_s : float
        Sampling interval. [s]
    """

    snaps: SnapList
    table: Floats
    flow: NDArray[np.float32]
    fast: NDArray[np.float32]
    slow: NDArray[np.float32]
    noise_raw: Floats
    step_raw: Floats
    held: Floats
    interval_s: float

    def __getitem__(self, column: int) -> Floats:
        """One column of the table, over all snaps."""
        return self.table[:, column]


def _raw_at(flow: Floats, raw: Floats, table: tuple[Floats, Floats]) -> Floats:
    """Raw signal at a flow; outside the table the raw level as it was read."""
    with np.errstate(invalid="ignore"):
        inside = (raw >= table[0][0]) & (raw <= table[0][-1])
    return np.where(inside, np.interp(flow, table[1], table[0]), raw)


def read_landmarks(
    conditioned: Conditioned,
    flow: NDArray[np.float32],
    count: NDArray[np.int64],
    *,
    interval_s: float,
    table: tuple[Floats, Floats],
    reported: bool,
    expected_g_s: float,
    rate_hz: Floats,
) -> Landmarks:
    """Find the snaps of a stack and read their landmarks.

    Parameters
    ----------
    conditioned : Conditioned
        Air-mass traces.
    flow : ndarray of shape (captures, samples), float32
        Their mass flow. [g/s]
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    interval_s : float
        Sampling interval. [s]
    table : tuple of two ndarrays of shape (points,)
        Transfer table: raw signal and flow. [V, Hz or g/s], [g/s]
    reported : bool
        The signal is a flow that a control unit reported.
    expected_g_s : float
        The family's main peak; 0 where unknown. [g/s]
    rate_hz : ndarray of shape (captures,)
        Rate at which each recording was updated. [Hz]

    Returns
    -------
    Landmarks
    """
    fast_half = int(FAST_S / 2.0 / interval_s + 0.5)
    slow_half = int(SLOW_S / 2.0 / interval_s + 0.5)
    fast, slow = smooth(flow, count, fast_half), smooth(flow, count, slow_half)
    sigma = np.maximum(conditioned.noise, conditioned.step / np.sqrt(12.0))
    raw_idle = np.quantile(conditioned.signal[:, :: max(1, flow.shape[1] // 64)], 0.3, axis=1).astype(np.float64)
    raw_top = conditioned.signal.max(axis=1).astype(np.float64)
    at_idle, at_top = sigma * slope_of(raw_idle, table), sigma * slope_of(raw_top, table)
    fast_gain, slow_gain = smoothing_gain(fast_half), smoothing_gain(slow_half)
    snaps = find_snaps(
        slow, count, interval_s=interval_s, expected_g_s=expected_g_s, noise_g_s=at_top * slow_gain, rate_hz=rate_hz
    )
    rows = snaps.row
    noise = np.stack((at_idle[rows] * fast_gain, at_top[rows] * fast_gain, at_top[rows] * slow_gain), axis=1)
    bounds = np.stack((snaps.on, snaps.off, snaps.first, snaps.stop), axis=1)
    out = np.full((rows.size, lk.COLUMNS), np.nan)
    read_snaps(
        flow, conditioned.signal, fast, slow, rows, bounds, interval_s, (fast_half, slow_half), noise, reported, out
    )
    undithered = np.where(conditioned.noise > 0.5 * conditioned.step, 0.0, conditioned.step)
    held = conditioned.held.astype(np.float64)
    noise_of_means = sigma * np.sqrt(held)
    return Landmarks(snaps, out, flow, fast, slow, noise_of_means[rows], undithered[rows], held[rows], interval_s)


def airflow_estimates(
    marks: Landmarks, start_s: float, family: Family, recorder_u: tuple[Floats, Floats]
) -> dict[str, Estimate]:
    """Every airflow quantity that the trace itself gives.

    Parameters
    ----------
    marks : Landmarks
        Of a stack.
    start_s : float
        Time of the grid's first sample from the recording's first. [s]
    family : Family
        With the sensor's transfer table.
    recorder_u : tuple of two ndarrays of shape (snaps,)
        Standard uncertainty of the recorder's offset and gain; 0 where its profile states none. [V], [1]

    Returns
    -------
    dict of str to Estimate
        Over the snaps. Raw levels are under `<landmark>_v` whatever the raw unit.
    """
    sensor = family.airflow_sensor
    table = table_of(sensor)
    dt = marks.interval_s
    fast_gain = smoothing_gain(int(FAST_S / 2.0 / dt + 0.5))
    slow_gain = smoothing_gain(int(SLOW_S / 2.0 / dt + 0.5))
    step_u = marks.step_raw / np.sqrt(12.0)
    noise_at_top = marks.noise_raw
    reported = sensor.kind == "g_s"
    if reported:  # the noise of a reported flow grows with the flow
        noise_at_top = np.fmax(noise_at_top, marks[lk.TOP_NOISE] * np.sqrt(marks.held))
    sample_noise = marks.noise_raw / np.sqrt(marks.held)
    rate = 1.0 / (dt * marks.held)
    ripple = ripple_alone(marks.table, sample_noise, table)
    idle_raw, main_raw = marks[lk.IDLE_RAW], marks[lk.MAIN_RAW]
    half_raw = np.interp(0.5 * (marks[lk.IDLE] + marks[lk.MAIN]), table[1], table[0])

    def recorder(raw: Floats) -> Floats:
        """What the recorder's offset and gain leave open of a raw level."""
        if sensor.kind != "volts":
            return np.zeros(raw.size)
        return np.asarray(np.hypot(recorder_u[0], recorder_u[1] * raw))

    def level(column: int) -> tuple[Floats, Floats, Floats, Floats]:
        """Flow, its u, raw, its u of a landmark stored as (…, flow, raw, gain); the recorder's share not yet in it."""
        raw, gain = marks[column + 1], marks[column + 2]
        raw_u = np.hypot((noise_at_top if column == lk.MAIN else marks.noise_raw) * gain, step_u)
        rippled = marks[lk.MAIN_SCATTER] if column == lk.MAIN else ripple * marks[column] / slope_of(raw, table)
        flow = marks[column] - rectified(raw, rippled, sample_noise, sensor)
        if column != lk.MAIN:
            raw_u = np.hypot(raw_u, SHAPE_PART * marks[column + 3] / slope_of(raw, table))
        return flow, np.hypot(raw_u * slope_of(raw, table), table_doubt(raw, sensor)), raw, raw_u

    def with_recorder(raw: Floats, raw_u: Floats, flow_u: Floats) -> tuple[Floats, Floats]:
        """Uncertainties of a level in raw signal and flow, the recorder's share in them."""
        own = recorder(raw)
        return np.hypot(raw_u, own), np.hypot(flow_u, own * slope_of(raw, table))

    def crossing_u(slope: Floats, raw: Floats, gain: float, level_u: Floats) -> Floats:
        """u of a crossing: noise and level over the slope, and the share of an interval a straight line can't see."""
        own = np.fmax(marks.noise_raw, noise_at_top * np.minimum(raw / main_raw, 1.0)) if reported else marks.noise_raw
        noise = np.hypot(own * gain * slope_of(raw, table), level_u)
        steep = np.abs(slope)
        height = np.abs(marks[lk.MAIN] - marks[lk.IDLE])
        return np.asarray(
            np.hypot(
                np.hypot(noise / steep, marks.held * np.minimum(steep / height, 1.0) / np.sqrt(12.0)) * dt, CROSSING_U_S
            )
        )

    def passed_u(slope: Floats, flow: Floats) -> Floats:
        """u of where the slow trace passes a flow in the climb, with what the table leaves open there."""
        raw = np.interp(flow, table[1], table[0])
        return crossing_u(slope, raw, slow_gain, table_doubt(raw, sensor))

    idle_u = np.hypot(np.hypot(marks[lk.IDLE_U], step_u * slope_of(idle_raw, table)), table_doubt(idle_raw, sensor))
    after_raw = marks[lk.AFTER_RAW]
    after_u = np.hypot(np.hypot(marks[lk.AFTER_U], step_u * slope_of(after_raw, table)), table_doubt(after_raw, sensor))
    peak, peak_u, peak_raw, peak_raw_u = level(lk.FIRST_PEAK)
    dip, dip_u, dip_raw, dip_raw_u = level(lk.DIP)
    main, main_u, _, main_raw_u = level(lk.MAIN)
    peak_gain, dip_gain = ripple_gains(family, dip / main, rate)
    peak_u, dip_u = np.hypot(peak_u, peak_gain * ripple * peak), np.hypot(dip_u, dip_gain * ripple * dip)
    peak_raw_u = np.hypot(peak_raw_u, peak_gain * ripple * peak / slope_of(peak_raw, table))
    dip_raw_u = np.hypot(dip_raw_u, dip_gain * ripple * dip / slope_of(dip_raw, table))
    # a rounded peak or valley in the raw signal is the signal at its flow
    peak_raw, dip_raw = _raw_at(peak, peak_raw, table), _raw_at(dip, dip_raw, table)
    # The highest point of a stretch that is not flat lies above its mean. Noise lifts the highest of the slow trace's
    # independent places near the top, and what smoothing leaves of the ripple is noise to it; on an uneven top noise and
    # unevenness together make it, and what the unevenness has of it, as a few waves would, is real.
    leak = float(np.sinc(family.max_free_rpm * family.cylinders / 120.0 * SLOW_S / 2.0)) ** 2
    rippling = np.sqrt(np.maximum(marks[lk.MAIN_SCATTER] ** 2 - sample_noise**2, 0.0)) * slope_of(main_raw, table)
    white = slow_gain * noise_at_top * slope_of(main_raw, table)
    slow_noise = np.hypot(white, leak * rippling)
    # so few places scatter by as much more
    by_noise = slow_noise**2 * (1.0 + np.sqrt(2.0 / np.fmax(marks[lk.MAIN_NEAR], 1.0)))
    uneven = np.sqrt(np.maximum(marks[lk.MAIN_UNEVEN_TOP] ** 2 - by_noise, 0.0))
    highest, highest_u = highest_of(marks[lk.MAIN_NEAR])
    noise_lift = np.clip(highest * np.hypot(slow_noise, uneven) - WAVES * uneven, 0.0, highest * slow_noise)
    spread = marks[lk.MAIN_SPREAD]
    lift = np.maximum(spread - noise_lift, 0.0)
    doubt = np.hypot(np.maximum(-spread - 2.0 * slow_noise, 0.0) / np.sqrt(3.0), highest_u * white)
    doubt = np.hypot(doubt, WAVES_U * np.hypot(marks[lk.MAIN_UNEVEN], leak * rippling))
    # of a climb that goes on into the fall anything between nothing and all of its last rise is reached
    rise = marks[lk.MAIN_RISE]
    lift, doubt = lift + 0.5 * rise, np.hypot(doubt, rise / np.sqrt(12.0))
    # what stands out of the mean may be ripple that sampling folded down; a reported flow has none
    foldable = (rate < CLEAN_RATE_HZ) & (sensor.kind != "g_s")
    lift, doubt = np.where(foldable, 0.0, lift), np.where(foldable, np.hypot(doubt, lift / np.sqrt(3.0)), doubt)
    main = main + lift
    # the climb was read to parts of the mean level
    run_up_at = marks[lk.RUN_UP] + 0.95 * lift / marks[lk.RUN_UP_SLOPE]
    # ripple is in the flow: through a bent table the signal at the mean flow is not the mean signal
    at_main = _raw_at(main, main_raw, table)
    bent = np.abs(at_main - main_raw - lift / slope_of(main_raw, table))
    main_raw = at_main
    main_raw_u = np.sqrt(main_raw_u**2 + (BENT_U * bent) ** 2 + (doubt / slope_of(main_raw, table)) ** 2)
    # a control unit that reports flow has averaged the ripple out
    folds = (rate < FOLDING_RATE_HZ) & (sensor.kind != "g_s")
    folded = np.where(folds, CREST * ripple * main, 0.0)  # the highest samples are crests
    unseen = (rate < SLOW_RATE_HZ) | (folds & (marks[lk.RIPPLE] == 0.0))  # too few samples to tell the ripple from
    folded = np.where(unseen, np.fmax(folded, SLOW_RATE_U * main), folded)
    main_u = np.sqrt(main_u**2 + doubt**2 + folded**2)
    main_raw_u = np.hypot(main_raw_u, folded / slope_of(main_raw, table))
    low, low_u, _, _ = level(lk.LOW)
    opening, release = marks[lk.OPENING], marks[lk.RELEASE]
    rippled = np.hypot(0.5 * np.fmax(peak_u, 0.5 * main_u), 0.5 * RIPPLE_GROWS * ripple * np.fmax(peak, 0.5 * main))
    opening_u = crossing_u(marks[lk.OPENING_SLOPE], half_raw, fast_gain, rippled)
    opening_u = np.hypot(opening_u, np.where(np.isnan(peak), KNEE_U_S, 0.0))
    # the first rise is over between two samples of a slow log: it may be anywhere between them
    opening_u = np.fmax(opening_u, np.maximum(dt * marks.held - SLOW_LOG_S, 0.0) / np.sqrt(12.0))
    # folded ripple moves the level and the samples beside the crossing
    release_u = crossing_u(
        marks[lk.RELEASE_SLOPE], half_raw, fast_gain, 0.5 * np.sqrt(main_u**2 + idle_u**2 + folded**2)
    )
    climb_s = (marks[lk.CLIMB_90] - marks[lk.CLIMB_10]) * dt
    climb_u = np.hypot(
        passed_u(marks[lk.CLIMB_10_SLOPE], marks[lk.MAIN] - 1.125 * marks[lk.CLIMB_HEIGHT]),
        passed_u(marks[lk.CLIMB_90_SLOPE], marks[lk.MAIN] - 0.125 * marks[lk.CLIMB_HEIGHT]),
    )
    climb = marks[lk.CLIMB_HEIGHT] / climb_s
    # a wrong level moves its crossing along the climb, which takes back half of what it does to the height
    climb_level_u = 0.5 * np.hypot(np.where(np.isfinite(dip_u), dip_u, main_u), main_u)
    fall_u = np.hypot(
        crossing_u(marks[lk.FALL_90_SLOPE], main_raw, fast_gain, main_u),
        crossing_u(marks[lk.FALL_10_SLOPE], idle_raw, fast_gain, idle_u),
    )
    height = main - marks[lk.IDLE]
    fall_u = np.hypot(fall_u, HOLD_END_U * height * dt / np.abs(marks[lk.FALL_90_SLOPE]))
    run_up_slope = marks[lk.RUN_UP_SLOPE]
    run_up_u = np.hypot(passed_u(run_up_slope, 0.95 * marks[lk.MAIN]), main_u / np.abs(run_up_slope) * dt)
    after = np.where(np.isfinite(marks[lk.AFTER]), marks[lk.AFTER], marks[lk.IDLE])
    later_u = np.where(np.isfinite(marks[lk.AFTER]), after_u, np.hypot(idle_u, 0.03 * marks[lk.IDLE]))
    top, top_u, top_raw, top_raw_u = level(lk.PULSE)
    base, base_u, base_raw, base_raw_u = level(lk.BASE)
    missed = MISSED_PULSE * dt * marks.held / 0.01
    part = marks[lk.PULSE_PART]
    pulse, pulse_u = part * np.maximum(top - base, 0.0), part * np.hypot(top_u, base_u)
    pulse_raw, pulse_raw_u = part * np.maximum(top_raw - base_raw, 0.0), part * np.hypot(top_raw_u, base_raw_u)
    # of a ripple only what it stands above its surroundings counts, and noise is as high
    ripple_raw_u = np.where(
        part < 1.0, VALLEY_BEHIND * np.sqrt(2.0) * np.hypot(marks.noise_raw * fast_gain, step_u), 0.0
    )
    pulse_raw_u = np.hypot(pulse_raw_u, ripple_raw_u)
    pulse_u = np.hypot(pulse_u, ripple_raw_u * slope_of(base_raw, table))
    idle = marks[lk.IDLE] - rectified(idle_raw, marks[lk.IDLE_SCATTER], sample_noise, sensor)
    idle_raw = _raw_at(idle, idle_raw, table)
    idle_raw_u, idle_u = with_recorder(idle_raw, np.hypot(marks[lk.IDLE_RAW_U], step_u), idle_u)
    _, after_u = with_recorder(after_raw, after_u, after_u)
    peak_raw_u, peak_u = with_recorder(peak_raw, peak_raw_u, peak_u)
    dip_raw_u, dip_u = with_recorder(dip_raw, dip_raw_u, dip_u)
    main_raw_u, main_u = with_recorder(main_raw, main_raw_u, main_u)
    values = {
        "idle_v": (idle_raw, idle_raw_u),
        "idle_g_s": (idle, idle_u),
        "opening_s": (start_s + opening * dt, opening_u),
        "first_peak_v": (peak_raw, peak_raw_u),
        "first_peak_g_s": (peak, peak_u),
        "dip_v": (dip_raw, dip_raw_u),
        "dip_g_s": (dip, dip_u),
        "climb_slope_g_s2": (
            climb,
            np.abs(climb) * np.hypot(climb_u / climb_s, climb_level_u / marks[lk.CLIMB_HEIGHT]),
        ),
        "climb_notches": (marks[lk.NOTCHES], marks[lk.NOTCHES_U]),
        "main_peak_v": (main_raw, main_raw_u),
        "main_peak_g_s": (main, main_u),
        "release_s": (start_s + release * dt, release_u),
        "hold_s": ((release - opening) * dt, np.hypot(opening_u, release_u)),
        "fall_time_s": ((marks[lk.FALL_10] - marks[lk.FALL_90]) * dt, fall_u),
        "recirculation_pulse_v": (pulse_raw, np.hypot(pulse_raw_u, missed * pulse_raw)),
        "recirculation_pulse_g_s": (
            pulse,
            np.hypot(pulse_u, missed * pulse),
        ),
        "undershoot_g_s": (np.maximum(after - low, 0.0), np.hypot(later_u, low_u)),
        "settle_time_s": ((marks[lk.SETTLE] - release) * dt, np.hypot(marks[lk.SETTLE_U] * dt, release_u)),
        "idle_after_g_s": (
            marks[lk.AFTER] - rectified(after_raw, marks[lk.AFTER_SCATTER], sample_noise, sensor),
            after_u,
        ),
        "run_up_time_s": ((run_up_at - opening) * dt, np.hypot(opening_u, run_up_u)),
    }
    out = {name: estimate(value, u) for name, (value, u) in values.items()}
    return out | {name: out[name].because(folds, "rate_too_low") for name in HIDDEN_BY_FOLDING}
