"""Quantities of the air-mass trace with their uncertainties, from the landmarks of every snap.

The uncertainties hold: noise of the trace through the weights of each level (linearised); the quantisation step where
noise does not dither it; the sampling interval for crossings; for idle levels, second differences of block means and
the wander of the flow outside the window; firing ripple that a parabola keeps or that sampling folds; the uncertainty
of a window's definition; and the recorder's own offset and gain where its profile states them. All of it passes through
the slope of the transfer table, which adds its own uncertainty between its points: see `models.physics.transfer_table`.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from data_contracts.family import AirflowSensor, Family
from models.physics.transfer_table import rectified, slope_of, table_of, table_uncertainty
from models.reading.air_trace.landmark_opening import SLOW_LOG_S
from models.reading.air_trace.landmark_release import VALLEY_BEHIND
from models.reading.air_trace.landmark_table import Peak, Steady
from models.reading.air_trace.landmark_uncertainty import (
    CREST,
    FOLDING_RATE_HZ,
    RIPPLE_GROWS,
    highest_of,
    ripple_alone,
    ripple_gains,
)
from models.reading.air_trace.landmarks import SLOW_S, Landmarks, smoothing_halves
from models.statistics.arrays import Flags, Floats
from models.statistics.estimate import Estimate, estimate
from models.statistics.smoothing import smoothing_gain

# Shift of a crossing of a rounded edge by smoothing; sized on simulated engines and analytic traces. [s]
CROSSING_U_S = 1.3e-4
# Without a first peak the top of the first rise is its knee, which is less sharp. [s]
KNEE_U_S = 1.5e-3
# Uncertainty of the flow at the end of a hold, from the definition of that end, as a part of its height. [1]
HOLD_END_U = 0.015
# The same of a hold so short that it ends on its crest [s]; and how much longer than at its slope at half height a fall from
# 90 to 10 % takes at most, where it is one edge. Sized on both simulators. [1]
BRIEF_S, BRIEF_END_U, ONE_EDGE = 0.2, 0.06, 2.0
# A level that drifts while it is averaged is no single one: of its drift end to end. Sized on both simulators. [1]
DRIFTS_U = 0.05
# The level of a few samples of a slow log: its standard error by so few, of their scatter over the root of their number. [1]
FEW_SAMPLES_U = 2.0
# What a first peak between two samples 10 ms apart can lack, as a part of it. Sized on both simulators. [1]
MISSED_PEAK = 0.02
# Firing ripple on the edge of the opening: so many times what half the height's share gives. Sized on both simulators. [1]
RIPPLED_EDGE = 1.6
# A climb shorter than the first [s] is uncertain by this part for where it begins and ends. Sized on both simulators. [1]
SHORT_CLIMB_S, SHORT_CLIMB_U = 0.08, 0.035
# The edge of a slow log lies anywhere in an update, and the values asked for are older than their stamps: of an update. [1]
LOG_EDGE_U = 0.75
# Part of the ripple that the parabola of a top cut short by the release keeps: above 80 Hz at most this. [1]
CUT_TOP_KEEPS = 0.3
# Height of waves on the main peak over their scatter (a single sine 1.4, several together 1.8), and its standard
# uncertainty. [1]
WAVES, WAVES_U = 1.6, 0.3
# Uncertainty of an idle before the opening that is not in the record, as a part of the main peak. [1]
UNKNOWN_IDLE_U = 0.05
# Relative uncertainty of the difference between the signal at the mean flow and the mean signal. [1]
BENT_U = 0.4
# Part of a pulse 30 ms wide that a sampling interval of 10 ms can miss. [1]
MISSED_PULSE = 0.03
# Quantities not read where ripple is folded: crossings of gentle slopes, and the lowest flow.
HIDDEN_BY_FOLDING = ("climb_slope_g_s2", "run_up_time_s", "settle_time_s", "undershoot_g_s")
# Below CLEAN ripple may fold onto the level [Hz]; below SLOW [Hz] sampling is uncertain by this part of the level [1].
CLEAN_RATE_HZ, SLOW_RATE_HZ, SLOW_RATE_U = 900.0, 50.0, 0.02


class Level(NamedTuple):
    """A level of every snap.

    Attributes
    ----------
    flow, flow_u : ndarray of shape (snaps,)
        Flow and its standard uncertainty. [g/s]
    raw, raw_u : ndarray of shape (snaps,)
        Raw signal and its standard uncertainty. [V, Hz or g/s]
    """

    flow: Floats
    flow_u: Floats
    raw: Floats
    raw_u: Floats


class _Trace:
    """The landmarks of a stack, with their noise and the transfer table."""

    def __init__(self, marks: Landmarks, family: Family, recorder_u: tuple[Floats, Floats]) -> None:
        self.marks, self.found, self.family = marks, marks.found, family
        self.sensor: AirflowSensor = family.airflow_sensor
        self.table, self.reported = table_of(self.sensor), self.sensor.reports_flow
        self.recorder_u, self.interval_s = recorder_u, marks.interval_s
        fast_half, slow_half = smoothing_halves(marks.interval_s)
        self.fast_gain, self.slow_gain = smoothing_gain(fast_half), smoothing_gain(slow_half)
        self.step_u = marks.step_raw / np.sqrt(12.0)
        self.noise = self.top_noise = marks.noise_raw
        if self.reported:  # the noise of a reported flow grows with the flow
            self.top_noise = np.fmax(self.noise, self.found.top_noise * np.sqrt(marks.held))
        self.sample_noise = marks.noise_raw / np.sqrt(marks.held)
        self.rate_hz = 1.0 / (marks.interval_s * marks.held)
        self.ripple = ripple_alone(self.found, self.sample_noise, self.table)

    def slope(self, raw: Floats) -> Floats:
        """Slope of the transfer table at a raw level. [g/s per raw unit]"""
        return slope_of(raw, self.table)

    def raw_of(self, flow: Floats) -> Floats:
        """Raw signal of a flow. [V, Hz or g/s]"""
        return np.asarray(np.interp(flow, self.table[1], self.table[0]))

    def raw_at(self, flow: Floats, raw: Floats) -> Floats:
        """Raw signal of a flow; outside the table, the raw level as it was read. [V, Hz or g/s]"""
        with np.errstate(invalid="ignore"):
            inside = (raw >= self.table[0][0]) & (raw <= self.table[0][-1])
        return np.where(inside, self.raw_of(flow), raw)

    def steady(self, stretch: Steady) -> Level:
        """Level of a steady stretch."""
        number = np.maximum((stretch.stop - stretch.first) / self.marks.held, 2.0)
        few_u = FEW_SAMPLES_U * stretch.scatter / np.sqrt(number)
        few = np.isnan(stretch.raw_u) & (self.rate_hz < SLOW_RATE_HZ)
        raw_u = np.where(few, few_u, stretch.raw_u)
        flow_u = np.where(few, few_u * self.slope(stretch.raw), stretch.flow_u)
        flow_u = np.hypot(flow_u, self.step_u * self.slope(stretch.raw))
        flow = stretch.flow - rectified(stretch.raw, stretch.scatter, self.sample_noise, self.sensor)
        flow_u = np.hypot(flow_u, table_uncertainty(stretch.raw, self.sensor))
        return Level(flow, flow_u, stretch.raw, np.hypot(raw_u, self.step_u))

    def peak(self, spot: Peak) -> Level:
        """Level of a rounded peak or valley; its difference to a narrower parabola is part of the uncertainty."""
        slope = self.slope(spot.raw)
        flow = spot.flow - rectified(spot.raw, self.ripple * spot.flow / slope, self.sample_noise, self.sensor)
        raw_u = np.hypot(np.hypot(self.noise * spot.gain, self.step_u), spot.shape_u / slope)
        return Level(flow, np.hypot(raw_u * slope, table_uncertainty(spot.raw, self.sensor)), spot.raw, raw_u)

    def mean_peak(self) -> Level:
        """Mean level of the main peak's stretch."""
        spot = self.found.main_peak
        flow = spot.flow - rectified(spot.raw, spot.scatter, self.sample_noise, self.sensor)
        raw_u = np.hypot(self.top_noise * spot.gain, self.step_u)
        flow_u = np.hypot(raw_u * self.slope(spot.raw), table_uncertainty(spot.raw, self.sensor))
        return Level(flow, flow_u, spot.raw, raw_u)

    def with_ripple(self, level: Level, gain: Floats) -> Level:
        """Level of a peak or valley with the ripple that its parabola keeps, a part `gain` of it, in the
        uncertainty."""
        kept = gain * self.ripple * level.flow
        raw_u = np.hypot(level.raw_u, kept / self.slope(level.raw))
        return Level(level.flow, np.hypot(level.flow_u, kept), self.raw_at(level.flow, level.raw), raw_u)

    def with_recorder(self, level: Level) -> Level:
        """Level with the recorder's offset and gain in its uncertainties; only a voltage has them."""
        own = np.zeros(level.raw.size)
        if self.sensor.kind == "volts":
            own = np.asarray(np.hypot(self.recorder_u[0], self.recorder_u[1] * level.raw))
        flow_u = np.hypot(level.flow_u, own * self.slope(level.raw))
        return Level(level.flow, flow_u, level.raw, np.hypot(level.raw_u, own))


class _MainPeak(NamedTuple):
    """The main peak as the highest flow; its lift over the mean, the flow that folding may hide, and where ripple
    folds.
    """

    level: Level
    lift: Floats
    folded: Floats
    folds: Flags


@dataclass(frozen=True)
class _Levels:
    """Levels of every snap, without the recorder's uncertainty."""

    idle: Level
    first_peak: Level
    dip: Level
    main: _MainPeak
    after: Level


def _lift(trace: _Trace) -> tuple[Floats, Floats]:
    """How far the highest flow stands above the mean of the main peak's stretch, and its standard uncertainty.

    Noise raises the highest of the slow trace's independent places near the top; ripple that passes the smoothing
    counts as noise. On an uneven top, noise and unevenness both contribute. The part of the unevenness, taken as a few
    waves, is real flow.
    """
    spot, family = trace.found.main_peak, trace.family
    slope = trace.slope(spot.raw)
    leak = float(np.sinc(family.max_free_rpm * family.cylinders / 120.0 * SLOW_S / 2.0)) ** 2
    rippling = np.sqrt(np.maximum(spot.scatter**2 - trace.sample_noise**2, 0.0)) * slope
    white = trace.slow_gain * trace.top_noise * slope
    slow_noise = np.hypot(white, leak * rippling)
    # with few places the estimate scatters more
    by_noise = slow_noise**2 * (1.0 + np.sqrt(2.0 / np.fmax(spot.near, 1.0)))
    uneven = np.sqrt(np.maximum(spot.uneven_top**2 - by_noise, 0.0))
    highest, highest_u = highest_of(spot.near)
    noise_lift = np.clip(highest * np.hypot(slow_noise, uneven) - WAVES * uneven, 0.0, highest * slow_noise)
    lift = np.maximum(spot.spread - noise_lift, 0.0)
    lift_u = np.hypot(np.maximum(-spot.spread - 2.0 * slow_noise, 0.0) / np.sqrt(3.0), highest_u * white)
    lift_u = np.hypot(lift_u, WAVES_U * np.hypot(spot.uneven, leak * rippling))
    # a climb that goes on into the fall reaches anything between none and all of its last rise
    lift, lift_u = lift + 0.5 * spot.rise, np.hypot(lift_u, spot.rise / np.sqrt(12.0))
    # the narrow parabola of a top that the release cut short keeps part of the ripple
    lift_u = np.hypot(lift_u, np.where(spot.shape_u > 0.0, np.hypot(spot.shape_u, CUT_TOP_KEEPS * rippling), 0.0))
    # a height over the mean may be ripple that sampling folded down; a reported flow has none
    foldable = (trace.rate_hz < CLEAN_RATE_HZ) & (not trace.reported)
    return np.where(foldable, 0.0, lift), np.where(foldable, np.hypot(lift_u, lift / np.sqrt(3.0)), lift_u)


def _main_peak(trace: _Trace, mean: Level) -> _MainPeak:
    """The main peak: the mean of its stretch, lifted to the highest flow."""
    lift, lift_u = _lift(trace)
    flow = mean.flow + lift
    # with ripple and a bent table, the signal at the mean flow is not the mean signal
    raw = trace.raw_at(flow, mean.raw)
    bent = np.abs(raw - mean.raw - lift / trace.slope(mean.raw))
    slope = trace.slope(raw)
    raw_u = np.sqrt(mean.raw_u**2 + (BENT_U * bent) ** 2 + (lift_u / slope) ** 2)
    # a control unit that reports flow has averaged the ripple out
    folds = (trace.rate_hz < FOLDING_RATE_HZ) & (not trace.reported)
    folded = np.where(folds, CREST * trace.ripple * flow, 0.0)  # the highest samples are crests
    # too few samples to estimate the ripple
    unseen = (trace.rate_hz < SLOW_RATE_HZ) | (folds & (trace.found.ripple == 0.0))
    folded = np.where(unseen, np.fmax(folded, SLOW_RATE_U * flow), folded)
    flow_u = np.sqrt(mean.flow_u**2 + lift_u**2 + folded**2)
    return _MainPeak(Level(flow, flow_u, raw, np.hypot(raw_u, folded / slope)), lift, folded, folds)


def _levels(trace: _Trace) -> _Levels:
    """Every level except those of the pulse and the undershoot."""
    first_peak, dip, mean = trace.peak(trace.found.first_peak), trace.peak(trace.found.dip), trace.mean_peak()
    after = trace.steady(trace.found.idle_after)
    peak_gain, dip_gain = ripple_gains(trace.family, dip.flow / mean.flow, trace.rate_hz)
    missed = np.where(trace.rate_hz < FOLDING_RATE_HZ, MISSED_PEAK * trace.interval_s * trace.marks.held / 0.01, 0.0)
    first_peak = first_peak._replace(flow_u=np.hypot(first_peak.flow_u, missed * first_peak.flow))
    return _Levels(
        idle=trace.steady(trace.found.idle),
        first_peak=trace.with_ripple(first_peak, peak_gain),
        dip=trace.with_ripple(dip, dip_gain),
        main=_main_peak(trace, mean),
        after=after._replace(
            flow_u=np.hypot(after.flow_u, DRIFTS_U * np.abs(trace.found.idle_after.drift) * after.flow)
        ),
    )


def _crossing_u(trace: _Trace, main: Level, slope: Floats, raw: Floats, gain: float, level_u: Floats) -> Floats:
    """Standard uncertainty of a crossing. [s]

    Noise and the level's own uncertainty over the slope, and the error of a straight line within one interval.
    """
    noise = trace.noise
    if trace.reported:
        noise = np.fmax(noise, trace.top_noise * np.minimum(raw / main.raw, 1.0))
    flow_u = np.hypot(noise * gain * trace.slope(raw), level_u)
    steep = np.abs(slope)
    height = np.abs(trace.found.main_peak.flow - np.nan_to_num(trace.found.idle.flow))
    sampled = np.minimum(steep / height, 1.0) / np.sqrt(12.0)
    # a held value may be anything from new to as old as its interval
    sampled = np.where(trace.marks.held > 1.0, trace.marks.held / np.sqrt(3.0), sampled)
    return np.asarray(np.hypot(np.hypot(flow_u / steep, sampled) * trace.interval_s, CROSSING_U_S))


def _opening_and_release_u(trace: _Trace, levels: _Levels) -> tuple[Floats, Floats]:
    """Standard uncertainties of opening and release. [s]"""
    found, peak, main = trace.found, levels.first_peak, levels.main.level
    half_raw = trace.raw_of(0.5 * (np.nan_to_num(found.idle.flow) + found.main_peak.flow))
    rippled = 0.5 * RIPPLED_EDGE * RIPPLE_GROWS * trace.ripple * np.fmax(peak.flow, 0.5 * main.flow)
    rippled = np.hypot(0.5 * np.fmax(peak.flow_u, 0.5 * main.flow_u), rippled)
    opening_u = _crossing_u(trace, main, found.opening.slope, half_raw, trace.fast_gain, rippled)
    opening_u = np.hypot(opening_u, np.where(np.isnan(peak.flow), KNEE_U_S, 0.0))
    # the first rise is over between two samples of a slow log: it may be anywhere between them
    between = np.maximum(trace.interval_s * trace.marks.held - SLOW_LOG_S, 0.0) / np.sqrt(12.0)
    # folded ripple moves the level and the samples beside the crossing
    idle_u = np.where(np.isfinite(levels.idle.flow_u), levels.idle.flow_u, UNKNOWN_IDLE_U * main.flow)
    level_u = 0.5 * np.sqrt(main.flow_u**2 + idle_u**2 + levels.main.folded**2)
    release_u = _crossing_u(trace, main, found.release.slope, half_raw, trace.fast_gain, level_u)
    # of an edge in two steps either may be the opening
    opening_u = np.hypot(opening_u, 0.5 * np.nan_to_num(found.edge) * trace.interval_s)
    in_log = np.where(trace.rate_hz < SLOW_RATE_HZ, LOG_EDGE_U / trace.rate_hz, 0.0)
    return np.fmax(np.fmax(opening_u, between), in_log), np.fmax(release_u, in_log)


def _climb(trace: _Trace, levels: _Levels, opening_u: Floats) -> dict[str, tuple[Floats, Floats]]:
    """Slope and notches of the climb, and the run-up by flow."""
    found, main, dt = trace.found, levels.main.level, trace.interval_s

    def passed_u(slope: Floats, flow: Floats) -> Floats:
        """Uncertainty of where the slow trace passes a flow, with that of the table there."""
        raw = trace.raw_of(flow)
        return _crossing_u(trace, main, slope, raw, trace.slow_gain, table_uncertainty(raw, trace.sensor))

    climb_s = (found.climb_90.at - found.climb_10.at) * dt
    climb_u = np.hypot(
        passed_u(found.climb_10.slope, found.main_peak.flow - 1.125 * found.climb_height),
        passed_u(found.climb_90.slope, found.main_peak.flow - 0.125 * found.climb_height),
    )
    climb_u = np.hypot(climb_u, np.where(climb_s < SHORT_CLIMB_S, SHORT_CLIMB_U * climb_s, 0.0))
    climb = found.climb_height / climb_s
    # a wrong level moves its crossing along the climb, which cancels half of its effect on the height
    level_u = 0.5 * np.hypot(np.where(np.isfinite(levels.dip.flow_u), levels.dip.flow_u, main.flow_u), main.flow_u)
    # the climb was read to parts of the mean level
    run_up_slope = found.run_up.slope
    run_up_at = found.run_up.at + 0.95 * levels.main.lift / run_up_slope
    run_up_u = passed_u(run_up_slope, 0.95 * found.main_peak.flow)
    run_up_u = np.hypot(run_up_u, main.flow_u / np.abs(run_up_slope) * dt)
    return {
        "climb_slope_g_s2": (climb, np.abs(climb) * np.hypot(climb_u / climb_s, level_u / found.climb_height)),
        "climb_notches": (found.notches, found.notches_u),
        "run_up_time_s": ((run_up_at - found.opening.at) * dt, np.hypot(opening_u, run_up_u)),
    }


def _fall(trace: _Trace, levels: _Levels, release_u: Floats) -> dict[str, tuple[Floats, Floats]]:
    """Fall time, undershoot and settle time."""
    found, main, idle, dt = trace.found, levels.main.level, levels.idle, trace.interval_s
    fall_u = np.hypot(
        _crossing_u(trace, main, found.fall_90.slope, main.raw, trace.fast_gain, main.flow_u),
        _crossing_u(trace, main, found.fall_10.slope, idle.raw, trace.fast_gain, idle.flow_u),
    )
    height = main.flow - found.idle.flow
    brief = (found.release.at - found.opening.at) * dt < BRIEF_S
    fall_u = np.hypot(fall_u, np.where(brief, BRIEF_END_U, HOLD_END_U) * height * dt / np.abs(found.fall_90.slope))
    # a lift in two steps makes two edges: the fall is as unsure as it is longer than one of its steepness
    fall_s = (found.fall_10.at - found.fall_90.at) * dt
    one_edge_s = ONE_EDGE * 0.8 * height * dt / np.abs(found.release.slope)
    fall_u = np.hypot(fall_u, 0.5 * np.maximum(fall_s - one_edge_s, 0.0))
    settled = np.isfinite(found.idle_after.flow)
    after = np.where(settled, found.idle_after.flow, found.idle.flow)
    after_u = np.where(settled, levels.after.flow_u, np.hypot(idle.flow_u, 0.03 * found.idle.flow))
    lowest = trace.peak(found.lowest)
    settle_s = (found.settle - found.release.at) * dt
    return {
        "fall_time_s": (fall_s, fall_u),
        "undershoot_g_s": (np.maximum(after - lowest.flow, 0.0), np.hypot(after_u, lowest.flow_u)),
        "settle_time_s": (settle_s, np.hypot(found.settle_u * dt, release_u)),
    }


def _pulse(trace: _Trace) -> dict[str, tuple[Floats, Floats]]:
    """Recirculation pulse over the valley behind it."""
    top, base, part = trace.peak(trace.found.pulse), trace.peak(trace.found.behind_pulse), trace.found.pulse_part
    missed = MISSED_PULSE * trace.interval_s * trace.marks.held / 0.01
    flow, flow_u = part * np.maximum(top.flow - base.flow, 0.0), part * np.hypot(top.flow_u, base.flow_u)
    raw, raw_u = part * np.maximum(top.raw - base.raw, 0.0), part * np.hypot(top.raw_u, base.raw_u)
    # only the height of a ripple above its surroundings counts, and noise is as high
    noise_u = VALLEY_BEHIND * np.sqrt(2.0) * np.hypot(trace.noise * trace.fast_gain, trace.step_u)
    noise_u = np.where(part < 1.0, noise_u, 0.0)
    raw_u, flow_u = np.hypot(raw_u, noise_u), np.hypot(flow_u, noise_u * trace.slope(base.raw))
    return {
        "recirculation_pulse_v": (raw, np.hypot(raw_u, missed * raw)),
        "recirculation_pulse_g_s": (flow, np.hypot(flow_u, missed * flow)),
    }


def airflow_estimates(
    marks: Landmarks, start_s: float, family: Family, recorder_u: tuple[Floats, Floats]
) -> dict[str, Estimate]:
    """Every airflow quantity that the trace itself gives.

    Parameters
    ----------
    marks : Landmarks
        Landmarks of a stack.
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
    trace = _Trace(marks, family, recorder_u)
    levels = _levels(trace)
    opening_u, release_u = _opening_and_release_u(trace, levels)
    opening, release, dt = marks.found.opening.at, marks.found.release.at, marks.interval_s
    values = {
        "opening_s": (start_s + opening * dt, opening_u),
        "release_s": (start_s + release * dt, release_u),
        "hold_s": ((release - opening) * dt, np.hypot(opening_u, release_u)),
    }
    idle = levels.idle._replace(raw=trace.raw_at(levels.idle.flow, levels.idle.raw))
    named = {"idle": idle, "first_peak": levels.first_peak, "dip": levels.dip, "main_peak": levels.main.level}
    for name, level in named.items():
        whole = trace.with_recorder(level)
        values |= {f"{name}_v": (whole.raw, whole.raw_u), f"{name}_g_s": (whole.flow, whole.flow_u)}
    after = trace.with_recorder(levels.after)
    values["idle_after_g_s"] = (after.flow, after.flow_u)
    values |= _climb(trace, levels, opening_u) | _fall(trace, levels, release_u) | _pulse(trace)
    out = {name: estimate(value, u) for name, (value, u) in values.items()}
    return out | {name: out[name].because(levels.main.folds, "rate_too_low") for name in HIDDEN_BY_FOLDING}
