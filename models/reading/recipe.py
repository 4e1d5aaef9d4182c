"""The steps of a reading, for a stack of recordings of one family: `read_stack` calls them in order."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Conditions
from data_contracts.family import AirflowSensor, Family
from data_contracts.signals import QUANTITIES
from models.physics.air import main_peak_at_reference
from models.physics.transfer_table import outside, to_flow
from models.reading.air_trace.before_opening import QUANTITIES_OF_OPENING, begins_in_rise, not_at_idle, without_idle
from models.reading.air_trace.conditioning import Conditioned, condition_airflow
from models.reading.air_trace.engine import engine_estimates
from models.reading.air_trace.idle_only import idles_throughout, read_without_snap
from models.reading.air_trace.landmark_estimates import airflow_estimates
from models.reading.air_trace.landmarks import Landmarks, read_landmarks
from models.reading.air_trace.mains_hum import MainsHum, find_hum, no_hum
from models.reading.air_trace.plate_moments import (
    landmarks_without_air,
    moment_estimates,
    opening_channel,
    timed_by_channel,
)
from models.reading.air_trace.throttle import opened_from_shape
from models.reading.aligned_traces import GRID, on_grid
from models.reading.entries import Entries, extent_of, hold_end, list_entries
from models.reading.grade import grade
from models.reading.lambda_trace.banks import read_banks
from models.reading.manifold_pressure import has_flow, with_efficiency, with_port_flow
from models.reading.needs import OF_THE_HIGHEST_SPEED, Extent, apply_needs
from models.reading.quality_flags import (
    LOWER_BOUND_RATE_HZ,
    cut_short,
    idle_only,
    quality_flags,
)
from models.reading.resampling import CLIPPED, MISSING, Stack
from models.reading.snap_detail import SnapDetail, snap_details
from models.reading.swapped_channels import swapped_channels
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.estimate import Estimate, concatenate, estimate, reason_number, unread

METHOD = "13"
# Standard uncertainty of a trim read from a scan tool: steps of 0.78 % (SAE J1979), and its fluctuation. [%]
TRIM_U_PCT = 0.5
# What a main peak at the end of the range does not give; the release is then uncertain by this part of the fall. [1]
LOST_BY_CLIPPING = (
    "main_peak_v",
    "main_peak_g_s",
    "flow_per_rev_mg",
    "volumetric_efficiency",
    "climb_slope_g_s2",
    "run_up_time_s",
    "fall_time_s",
)
CLIPPED_FALL_U = 0.25
# No foot lifts so soon [s]: a fall that early is that of a manifold which is full, of a flow that hardly climbs afterwards.
SOONEST_RELEASE_S = 0.1
# Without an idle before it, an opening so unsure may be the climb after one that was not recorded. [s]
DOUBTFUL_OPENING_S = 0.05
# A slow log of a hold of fewer updates does not tell its first peak from its main one. [1]
FEWEST_UPDATES = 3.0
NOT_BY_FILLING = (*LOST_BY_CLIPPING, "release_s", "hold_s", "settle_time_s")


@dataclass(frozen=True)
class StackReading:
    """Entries of one stack; see `models.reading.read.Readings` for the fields they share."""

    recording: Codes
    snap: Codes
    estimates: dict[str, Estimate]
    marked: list[dict[str, str]]
    grade: list[str]
    grade_reasons: list[tuple[str, ...]]
    rate_hz: Floats
    length_s: Floats
    snap_start_s: Floats
    snap_end_s: Floats
    shape_airflow: NDArray[np.float32]
    shape_lambda: NDArray[np.float32]
    details: list[SnapDetail]


def read_stack(stack: Stack, family: Family, conditions: Sequence[Conditions], *, detail: bool = False) -> StackReading:
    """Read a stack: condition, find landmarks, engine speed, lambda, reference conditions, needs, grade.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    family : Family
        Of all of them.
    conditions : sequence of Conditions
        Of each row.
    detail : bool
        Also return the details that a plot needs.

    Returns
    -------
    StackReading
        One entry per snap, then one per recording without a snap.
    """
    stack = with_port_flow(stack, family, conditions)
    conditioned = _condition(stack, family)
    marks, timed_by = _landmarks(stack, conditioned, family)
    entries = list_entries(stack, marks, conditions)
    extent = extent_of(stack, marks, entries, family)
    hum = _hum(marks, conditioned, family)
    clipped = _clipped(marks, conditioned, entries)

    found = _airflow(stack, marks, timed_by, family, conditions)
    found = with_efficiency(found, family, entries.of_snaps()["intake_air_c"])
    found |= engine_estimates(stack, conditioned, marks, family, entries.of_snaps(), found["main_peak_g_s"], hum)
    idle, alone = read_without_snap(stack, conditioned, marks.flow, entries.without_snap, family)
    idle = with_efficiency(idle, family, entries.conditions["intake_air_c"][entries.snaps :])
    found = _all_entries(found, idle, entries.without_snap.size)
    found = _outside_table(found, family.airflow_sensor)
    found = _without_clipped(found, clipped)
    found = _without_filling(found, marks.interval_s)
    if marks.air:
        late = entries.padded(begins_in_rise(marks).astype(np.float64), 0.0) > 0.0
        late |= np.isnan(found["idle_g_s"].value) & (found["opening_s"].u > DOUBTFUL_OPENING_S)
        found |= {name: found[name].because(late, "not_enough_before") for name in QUANTITIES_OF_OPENING}
    found |= _at_reference(found, entries.conditions, family)
    short = cut_short(extent, np.nan_to_num(entries.padded(marks.found.end_slope)))
    found |= _of_the_highest_speed(found, short, extent)
    found |= _opened_from_shape(found, family)
    found |= _trims(entries.conditions)
    banks, lambda_flags, shape_lambda = read_banks(stack, marks, entries, family, found)
    found |= banks
    driven = _driven(stack, marks, entries, found, family)
    found = apply_needs(without_idle(found, driven), extent, family)

    flags = quality_flags(stack, conditioned, marks, entries, extent, found, lambda_flags, family, clipped, hum.found)
    flags["not_at_idle"] = driven
    flags["channels_swapped"] = swapped_channels(stack, family)[entries.row]
    if not marks.air:
        alone = idles_throughout(stack, entries.without_snap)
    flags |= idle_only(flags, np.concatenate((np.zeros(entries.snaps, dtype=np.bool_), alone)), found)
    grades, reasons = grade(flags, entries.row.size)
    return StackReading(
        recording=stack.recording[entries.row],
        snap=entries.number,
        estimates=found,
        marked=_marked(found, extent, short),
        grade=grades,
        grade_reasons=reasons,
        rate_hz=stack.rate_hz[entries.row],
        length_s=stack.length_s[entries.row],
        snap_start_s=stack.start_s + entries.first.astype(np.float64) * stack.interval_s,
        snap_end_s=stack.start_s + entries.stop.astype(np.float64) * stack.interval_s,
        shape_airflow=_shape_airflow(stack, marks, entries),
        shape_lambda=shape_lambda,
        details=snap_details(stack, conditioned, marks, entries, found) if detail else [],
    )


def _condition(stack: Stack, family: Family) -> Conditioned:
    """Conditioned air-mass traces; all of them missing where the channel was not recorded."""
    sensor = family.airflow_sensor
    name = sensor.trace if has_flow(stack, family) else ""
    signal, flag = stack.channels.get(name), stack.flag.get(name)
    if signal is None or flag is None:
        length = next(iter(stack.channels.values())).shape[1] if stack.channels else 8
        shape = (stack.recording.size, length)
        signal, flag = np.full(shape, np.nan, np.float32), np.full(shape, MISSING, np.uint8)
    low, high = sensor.range_v if sensor.kind == "volts" else (-np.inf, np.inf)
    return condition_airflow(
        signal,
        flag,
        stack.count,
        interval_s=stack.interval_s,
        range_low=low,
        range_high=high,
        clips=not sensor.reports_flow,
    )


def _landmarks(stack: Stack, conditioned: Conditioned, family: Family) -> tuple[Landmarks, str]:
    """Landmarks, and the channel of their moments; empty for the air-mass sensor's own."""
    if not has_flow(stack, family) and (name := opening_channel(stack)):
        return landmarks_without_air(stack, family), name
    flow = to_flow(conditioned.signal, family.airflow_sensor)
    rate_hz = stack.rate_hz / np.maximum(stack.held, 1.0)
    marks = read_landmarks(conditioned, flow, stack.count, family, interval_s=stack.interval_s, rate_hz=rate_hz)
    if family.airflow_sensor.metered or not has_flow(stack, family):
        return marks, ""
    return timed_by_channel(stack, marks)


def _airflow(
    stack: Stack, marks: Landmarks, timed_by: str, family: Family, conditions: Sequence[Conditions]
) -> dict[str, Estimate]:
    """Every airflow quantity of the snaps; without air only the moments that another channel tells."""
    if not marks.air:
        nothing = unread(marks.snaps.row.size, "no_channel")
        found = {name: nothing for name, each in QUANTITIES.items() if each.need.channel == "airflow"}
        del found["throttle_opened"]  # from its channel, or not at all
    else:
        found = airflow_estimates(marks, stack.start_s, family, _recorder_u(conditions, marks))
    return found | moment_estimates(stack, marks, timed_by) if timed_by else found


def _recorder_u(conditions: Sequence[Conditions], marks: Landmarks) -> tuple[Floats, Floats]:
    """Standard uncertainty of the recorder's offset and gain, of every snap. [V], [1]"""
    rows = marks.snaps.row.tolist()
    return (
        np.array([conditions[row].recorder_offset_u_v for row in rows]),
        np.array([conditions[row].recorder_gain_u for row in rows]),
    )


def _hum(marks: Landmarks, conditioned: Conditioned, family: Family) -> MainsHum:
    """Mains hum of every snap; only a voltage picks it up."""
    found = marks.found
    if family.airflow_sensor.kind != "volts" or not marks.air:
        return no_hum(marks.snaps.row.size)
    return find_hum(
        conditioned.signal,
        marks.snaps.row,
        (found.idle.first, found.idle.stop),
        (found.main_peak.first, found.hold_stop),
        found.main_peak.raw - found.idle.raw,
        interval_s=marks.interval_s,
    )


def _clipped(marks: Landmarks, conditioned: Conditioned, entries: Entries) -> Flags:
    """Whether more than a fifth of the main peak's samples are at the end of the range."""
    out = np.zeros(entries.row.size, dtype=np.bool_)
    spot = marks.found.main_peak
    for s in np.flatnonzero(conditioned.clipped_high[marks.snaps.row] > 0):
        if not np.isfinite(spot.at[s]):
            continue
        at = int(spot.at[s])
        first, stop = min(int(spot.first[s]), at - 20), max(int(spot.stop[s]), at + 20)
        part = conditioned.flag[marks.snaps.row[s], max(first, 0) : stop]
        out[s] = bool(np.mean(part == CLIPPED) > 0.2)
    return out


def _all_entries(found: dict[str, Estimate], idle: dict[str, Estimate], without_snap: int) -> dict[str, Estimate]:
    """Estimates of the snaps, followed by those of the recordings without one."""
    nothing = np.full(without_snap, np.nan)
    no_snap = estimate(nothing, nothing, "no_snap")
    return {name: concatenate((each, idle.get(name, no_snap))) for name, each in found.items()}


def _outside_table(found: dict[str, Estimate], sensor: AirflowSensor) -> dict[str, Estimate]:
    """Null flows whose raw level lies outside the transfer table."""
    out = dict(found)
    for name in ("idle", "first_peak", "dip", "main_peak"):
        beyond = outside(found[f"{name}_v"].value, sensor)
        out[f"{name}_g_s"] = found[f"{name}_g_s"].because(beyond, "outside_transfer")
    return out


def _without_clipped(found: dict[str, Estimate], clipped: Flags) -> dict[str, Estimate]:
    """Null the quantities that a clipped main peak can't give, and leave release and hold as unsure as their level.

    Half of an unknown height lies anywhere on the fall.
    """
    fall = found["fall_time_s"].value
    for name in ("release_s", "hold_s"):
        read = found[name]
        unsure = np.hypot(read.u, CLIPPED_FALL_U * fall)
        found |= {name: Estimate(read.value, np.where(clipped, unsure, read.u), read.reason)}
        found |= {name: found[name].because(clipped & np.isnan(fall), "clipped")}
    return found | {name: found[name].because(clipped, "clipped") for name in LOST_BY_CLIPPING}


def _without_filling(found: dict[str, Estimate], interval_s: float) -> dict[str, Estimate]:
    """Null the quantities of a release that was none; a slow log does not show which it was, nor what a hold of a few updates reached."""
    with np.errstate(invalid="ignore"):
        if interval_s > 0.25 * SOONEST_RELEASE_S:
            within = found["hold_s"].value < FEWEST_UPDATES * interval_s
            return found | {name: found[name].because(within, "rate_too_low") for name in NOT_BY_FILLING}
        full = found["hold_s"].value < SOONEST_RELEASE_S
    return found | {name: found[name].because(full, "hold_too_short") for name in NOT_BY_FILLING}


def _at_reference(found: dict[str, Estimate], conditions: dict[str, Floats], family: Family) -> dict[str, Estimate]:
    """Main peak at reference conditions."""
    main = found["main_peak_g_s"]
    reference = main_peak_at_reference(
        main.value,
        main.u,
        family=family,
        intake_air_c=conditions["intake_air_c"],
        barometer_kpa=conditions["barometer_kpa"],
        humidity_pct=conditions["humidity_pct"],
        altitude_m=conditions["altitude_m"],
    )
    return {"main_peak_reference_g_s": Estimate(reference.value, reference.u, main.reason)}


def _opened_from_shape(found: dict[str, Estimate], family: Family) -> dict[str, Estimate]:
    """Throttle opening from the shape of the flow, where no channel gives it."""
    if "throttle_opened" in found:
        return {}
    opened = opened_from_shape(
        found["main_peak_reference_g_s"].value,
        found["first_peak_g_s"].value / found["main_peak_g_s"].value,
        expected_g_s=family.main_peak.expected_g_s or 0.0,
    )
    return {"throttle_opened": opened}


def _driven(stack: Stack, marks: Landmarks, entries: Entries, found: dict[str, Estimate], family: Family) -> Flags:
    """Whether an entry's snap began from something else than idle."""
    speed, snaps = found["engine_speed_idle_rpm"], entries.snaps
    of_snaps = Estimate(speed.value[:snaps], speed.u[:snaps], speed.reason[:snaps])
    driven = entries.padded(not_at_idle(stack, marks, of_snaps, family).astype(np.float64), 0.0) > 0.0
    cut = (
        found["lambda_idle"].reason == reason_number("fuel_cut_before")
        if "lambda_idle" in found
        else np.zeros_like(driven)
    )
    return np.asarray(driven | (cut & (np.arange(driven.size) < snaps)))


def _trims(conditions: dict[str, Floats]) -> dict[str, Estimate]:
    """Fuel trims as the manifest states them."""
    names = ("trim_idle_pct", "trim_2500_pct")
    u = np.full(conditions["trim_idle_pct"].size, TRIM_U_PCT)
    return {name: estimate(conditions[name], u, "unmeasured_condition") for name in names}


def _of_the_highest_speed(found: dict[str, Estimate], short: Flags, extent: Extent) -> dict[str, Estimate]:
    """What belongs to the highest speed, null where the engine did not reach it."""
    return {
        name: found[name].because(short & extent.released, "hold_too_short").because(short, "record_ends_early")
        for name in OF_THE_HIGHEST_SPEED
        if name in found
    }


def _marked(found: dict[str, Estimate], extent: Extent, short: Flags) -> list[dict[str, str]]:
    """Mark as lower bounds the main peak that was sampled too slowly, and peak and speed of a hold too short for the highest."""
    low = (extent.rate_hz < LOWER_BOUND_RATE_HZ) | short
    holds = {"main_peak_g_s": low, "main_peak_v": low, "engine_speed_peak_rpm": short}
    table = np.stack([where & np.isfinite(found[name].value) for name, where in holds.items()], axis=1)
    names, shared = tuple(holds), dict[bytes, dict[str, str]]()
    return [shared.setdefault(row.tobytes(), {names[k]: "lower_bound" for k in np.flatnonzero(row)}) for row in table]


def _shape_airflow(stack: Stack, marks: Landmarks, entries: Entries) -> NDArray[np.float32]:
    """Flow on the fixed grid; NaN for a recording without a snap."""
    out = np.full((entries.row.size, GRID), np.nan, dtype=np.float32)
    out[: entries.snaps] = on_grid(
        marks.flow,
        stack.count,
        marks.snaps.row,
        interval_s=stack.interval_s,
        opening=marks.found.opening.at,
        release=hold_end(marks),
    )
    return out
