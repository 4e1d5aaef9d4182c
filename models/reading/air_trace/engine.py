"""Engine speed and what follows from it: run-up, flow per revolution, volumetric efficiency; and the throttle."""

import numpy as np

from data_contracts.family import Family
from models.physics.air import known_air, moist_air_density_kg_m3
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.engine_speed import idle_speed_from_ripple, peak_speed_from_ripple, speed_from_channel
from models.reading.air_trace.landmarks import Landmarks
from models.reading.air_trace.mains_hum import MainsHum, without_hum
from models.reading.air_trace.throttle import opened_from_channel
from models.reading.resampling import Stack
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate, estimate, unread

# Part of the highest speed at which the run-up ends. [1]
RUN_UP_DONE = 0.97


def engine_speeds(
    stack: Stack, conditioned: Conditioned, marks: Landmarks, family: Family, hum: MainsHum
) -> tuple[Estimate, Estimate]:
    """Engine speed at idle and at the main peak; a recorded channel is preferred to the ripple.

    Parameters
    ----------
    stack, conditioned, marks
        The stack, its conditioned air-mass traces and their landmarks.
    family : Family
        Of all of them.
    hum : MainsHum
        Hum of every snap, removed before the ripple is searched for.

    Returns
    -------
    idle, peak : Estimate
        Over the snaps. [1/min]
    """
    rows, dt = marks.snaps.row, stack.interval_s
    found, idle_stretch = marks.found, marks.found.idle
    opening, hold_stop = found.opening.at, found.hold_stop
    channel = stack.channels.get("engine_rpm")
    if channel is not None:
        half = max(0.03 / dt, 1.0)
        first = np.maximum(np.minimum(found.main_peak.at, hold_stop - 2.0 * half) - half, opening)
        return (
            speed_from_channel(channel, rows, idle_stretch.first, idle_stretch.stop),
            speed_from_channel(channel, rows, first, np.minimum(first + 2.0 * half + 1.0, hold_stop + 1.0)),
        )
    if family.airflow_sensor.reports_flow or not marks.air:
        return unread(rows.size, "not_for_this_family"), unread(rows.size, "not_for_this_family")
    signal, of = conditioned.signal, rows
    humming = np.flatnonzero(hum.found)
    if humming.size:
        clean = [
            without_hum(signal[rows[s]], float(hum.frequency_hz[s]), float(hum.cosine[s]), float(hum.sine[s]), dt)
            for s in humming.tolist()
        ]
        of = rows.copy()
        of[humming] = signal.shape[0] + np.arange(humming.size)
        signal = np.concatenate((signal, np.stack(clean)))
    idle = idle_speed_from_ripple(
        signal, of, idle_stretch.first, idle_stretch.stop, interval_s=dt, cylinders=family.cylinders
    )
    peak = peak_speed_from_ripple(
        marks.flow,
        rows,
        found.main_peak.at,
        found.main_peak.flow,
        found.main_peak.first,
        found.main_peak.stop,
        opening,
        hold_stop,
        interval_s=dt,
        cylinders=family.cylinders,
        max_free_rpm=family.max_free_rpm,
    )
    return idle, peak


def _run_up_from_channel(stack: Stack, marks: Landmarks) -> Estimate:
    """Time from the opening until the recorded speed reaches 97 % of its highest."""
    channel, dt = stack.channels["engine_rpm"], stack.interval_s
    value = np.full(marks.snaps.row.size, np.nan)
    for s, row in enumerate(marks.snaps.row.tolist()):
        opening, stop = marks.found.opening.at[s], marks.found.hold_stop[s]
        if not (np.isfinite(opening) and np.isfinite(stop)):
            continue
        held = channel[row, int(opening) : int(stop)]
        if held.size < 2 or not np.isfinite(held).any():
            continue
        reached = np.flatnonzero(held >= RUN_UP_DONE * np.nanmax(held))
        value[s] = (int(opening) + reached[0] - opening) * dt
    return estimate(value, np.full(value.size, 0.01 + dt / np.sqrt(12.0)), "gap")


def engine_estimates(
    stack: Stack,
    conditioned: Conditioned,
    marks: Landmarks,
    family: Family,
    conditions: dict[str, Floats],
    main: Estimate,
    hum: MainsHum,
) -> dict[str, Estimate]:
    """Every quantity of the engine group, and how far the throttle opened where its channel says so.

    Parameters
    ----------
    stack, conditioned, marks
        The stack, its conditioned air-mass traces and their landmarks.
    family : Family
        Of all of them.
    conditions : dict of str to ndarray of shape (snaps,)
        Conditions of each snap; NaN is unmeasured.
    main : Estimate
        Flow at the main peak. [g/s]
    hum : MainsHum
        Of every snap.

    Returns
    -------
    dict of str to Estimate
        Over the snaps.

    Notes
    -----
    Flow per revolution is flow over speed / 60. Volumetric efficiency is flow per revolution over what half the
    displacement holds at the density of the intake air: m = VE · rho · V · N / 2, the speed–density form for four
    strokes.
    """
    idle, peak = engine_speeds(stack, conditioned, marks, family, hum)
    out = {"engine_speed_idle_rpm": idle, "engine_speed_peak_rpm": peak}
    if "engine_rpm" in stack.channels:
        out["run_up_time_s"] = _run_up_from_channel(stack, marks)
    with np.errstate(invalid="ignore", divide="ignore"):
        per_rev = 60e3 * main.value / peak.value
        relative = np.hypot(main.u / main.value, peak.u / peak.value)
    out["flow_per_rev_mg"] = _inherit(per_rev, per_rev * relative, peak, main)
    air = known_air(
        conditions["intake_air_c"],
        conditions["barometer_kpa"],
        conditions["humidity_pct"],
        conditions["altitude_m"],
        usual_intake_air_c=family.main_peak.reference_intake_air_c,
    )
    density = moist_air_density_kg_m3(air.intake_air_c, air.barometer_kpa, air.humidity_pct)
    efficiency = per_rev / (density * 1e3 * family.displacement_l / 2.0)
    air_u = np.hypot(air.barometer_u / air.barometer_kpa, air.intake_air_u / (air.intake_air_c + 273.15))
    out["volumetric_efficiency"] = _inherit(efficiency, efficiency * np.hypot(relative, air_u), peak, main)
    if "throttle_pct" in stack.channels:
        out["throttle_opened"] = opened_from_channel(
            stack.channels["throttle_pct"],
            marks.snaps.row,
            marks.found.opening.at,
            marks.found.hold_stop,
            open_pct=family.throttle_open_pct,
        )
    return out


def _inherit(value: Floats, u: Floats, *parents: Estimate) -> Estimate:
    """An estimate derived from others: where one of them is null, its reason is kept."""
    out = estimate(value, u)
    reason = out.reason
    for parent in parents:
        reason = np.where(parent.reason != 0, parent.reason, reason)
    return Estimate(out.value, out.u, reason.astype(np.int8))
