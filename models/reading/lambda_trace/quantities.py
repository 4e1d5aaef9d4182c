"""Every lambda quantity of one bank of a stack, with its uncertainty: `read_lambda` reads them in order."""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import LambdaSensor
from data_contracts.signals import QUANTITIES
from models.physics.lambda_scale import lambda_scale
from models.reading.lambda_trace.blocks import block_lambda
from models.reading.lambda_trace.cycle_ripple import SEARCH_P_VALUE, cycle_ripple
from models.reading.lambda_trace.lean_dips import count_lean_dips
from models.reading.lambda_trace.levels import Level, levels
from models.reading.lambda_trace.response_times import (
    LEAST_STEP_V,
    LONGEST_CUT_S,
    edge_after,
    response,
    switch_time,
    tip_in,
)
from models.reading.lambda_trace.steepest_fall import steepest_fall
from models.reading.lambda_trace.step_responses import ENDS_EARLY, FOUND, WRONG_MODEL, Edges
from models.reading.lambda_trace.stops import find_stops
from models.reading.lambda_trace.switching import switching
from models.reading.lambda_trace.trace import ARRIVED_S, CUT_LAMBDA, Reader, renamed
from models.reading.lambda_trace.trace_flags import TraceFlags, no_flags, trace_flags
from models.statistics.arrays import Flags, Floats
from models.statistics.estimate import Estimate, estimate, unread

NAMES: tuple[str, ...] = tuple(
    name for name, quantity in QUANTITIES.items() if quantity.group == "lambda" and not name.startswith("bank2_")
)
# After this many time constants the level has settled (98 %): a drift is read from there on. [1]
SETTLED_CONSTANTS = 4.0
# Full throttle is the mean level over this long at the end of the hold, as recorded. Where the response came late it is
# shorter: from this many time constants (86 %) of an identified response on, and from `ARRIVED_S` after the opening.
# [s], [1]
LEVEL_S = 0.2
LATEST_CONSTANTS = 2.0
# Where a switching sensor still gets richer by more than this over such a window, it has not arrived: a sixth of the
# smallest step that counts as a response. [V]
STILL_RISING_V = LEAST_STEP_V / 6.0
# A continuous sensor that still gets richer by more than the first has not arrived; a slope beyond the second, as which
# level ones wander, is uncertain by what it would gain in RISES_ON_S. On simulated engines the level of holds of 0.6 to
# 0.95 s lacks what it gains in 0.05 to 0.35 s. [lambda/s], [lambda/s], [s]
STILL_RISING_LAMBDA, RESTLESS_LAMBDA, RISES_ON_S = 0.15, 0.02, 0.35
# Enrichment, transport and the sensor together: a level read sooner after the opening than the first is 0.02 to 0.05 lean on
# both simulators even where it stands still, and unsure of that; until the second less. [s], [lambda]
ENRICHED_S, ENRICHED_U = (0.85, 1.1), (0.03, 0.015)
# Uncertainty of the end of the window; a drifting level is uncertain by its drift over it. [s]
PLACE_U_S = 0.02
# The rest of the response is subtracted from the drift. Relative uncertainty of that correction: where the response is
# first order to within a hundredth of its step, and where it is not. [1]
TAIL_U, WRONG_TAIL_U = 0.05, 0.25
# Without an identified response, lean dips and drift are read from this long after the opening. [s]
SETTLED_S = 0.6
# Shortest transport of burnt gas to the sensor after the release. [s]
ARRIVES_S = 0.03
SHORTEST_LEVEL_S = 0.08
SHORTEST_SLOPE_S = 0.2
# An idle that scatters more than this is not steady. [lambda]
STEADY_LAMBDA = 0.1
# Smallest lean dip that counts. [lambda]; for a switching sensor [V]
LEAST_DIP_LAMBDA = 0.02
LEAST_DIP_V = 0.08
# Where more than this share of the hold is at a stop of the channel, dips hide behind it. [1]
HIDDEN_SHARE = 0.5
# The hold is searched for lean dips from this many time constants into the response on. [1]
DIPS_FROM_CONSTANTS = 2.0
# Idling leaner than the first figure, and not steady there, an engine comes out of a fuel cut; leaner than the second it is
# in one, for no mixture burns. A leak in the intake idles steadily between the two. Common practice, no source. [lambda]
LEAN_IDLE_LAMBDA, LEANEST_IDLE_LAMBDA = 1.3, 1.6
# What needs the level at idle, and an engine that burns before the opening.
_FROM_IDLE = (
    "lambda_idle",
    "tip_in_lean_blip",
    "tip_in_lean_blip_length_s",
    "lambda_to_rich_dead_time_s",
    "lambda_to_rich_time_constant_s",
    "cycle_ripple",
)
_SENSOR_VOLTS = ("lambda_idle_v", "lambda_full_throttle_v", "lambda_fuel_cut_v", "lambda_switch_rate_hz")


def _idle(reader: Reader) -> tuple[dict[str, Estimate], Level]:
    """Level and switching over the steady idle before the opening, or over the record where there is no snap."""
    blocks, h = reader.blocks, reader.h
    first, stop = reader.idle
    idle = levels(blocks.x, first, stop, interval_s=h)
    x, u = idle.level, idle.level_u
    short = (stop - first) * h < QUANTITIES["lambda_idle"].need.before_s - 0.5 * h
    unsteady = idle.scatter > STEADY_LAMBDA * reader.unit if not reader.narrow else np.zeros(x.shape, bool)
    out = {}
    for name, found in (("lambda_idle", reader.as_lambda(x, u)), ("lambda_idle_v", reader.as_volts(x, u))):
        found = found.because(short, "not_enough_before").because(unsteady, "not_steady")
        out[name] = found if name.endswith("_v") else reader.censored(found, first, stop)
    margin = np.maximum(0.1 if reader.narrow else 0.004 * reader.unit, 2.0 * blocks.noise)
    before = np.where(reader.opening >= 0, reader.opening, blocks.count)
    rate, rate_u = switching(blocks.x, np.zeros_like(before), before, x, margin, interval_s=h)
    brief = before * h < QUANTITIES["lambda_switch_rate_hz"].need.before_s
    rates = estimate(rate, rate_u, "not_found")
    out["lambda_switch_rate_hz"] = renamed(rates, brief, "not_enough_before")
    return out, idle


def _cut_before(reader: Reader, idle: Level) -> Flags:
    """Whether the engine is still in fuel cut before the opening, so that there is no idle to read."""
    if reader.narrow:
        return np.zeros(idle.level.size, dtype=np.bool_)
    lean, leanest = reader.scale.richness_of(np.array([LEAN_IDLE_LAMBDA, LEANEST_IDLE_LAMBDA]))
    with np.errstate(invalid="ignore"):
        moves = ~(idle.scatter <= STEADY_LAMBDA * reader.unit)
        return np.asarray((reader.opening >= 0) & (idle.level < np.where(moves, lean, leanest)))


def _full_throttle(reader: Reader, rich: Edges) -> dict[str, Estimate]:
    """Level at the end of the hold, and its drift.

    The level is the mean as recorded over `LEVEL_S`, up to `ENDS_BEFORE_S` before the release (or before the end of the
    record): nothing is extrapolated, and the rich spike after the pedal lifts is left out. A switching sensor that is
    still moving has no level: the hold, or the record, was too short. The drift is that of the part where the response
    has settled, less the rest of the identified response.
    """
    blocks, h = reader.blocks, reader.h
    fitted = rich.code == FOUND
    start, constant = np.nan_to_num(rich.fit.start), np.nan_to_num(rich.fit.constant)
    stop = reader.held_until
    arrived = reader.opening * h + ARRIVED_S
    arrived = np.where(fitted, np.maximum(start + LATEST_CONSTANTS * constant, arrived), arrived)
    first = np.ceil(np.maximum(stop * h - LEVEL_S, arrived) / h - 1e-6).astype(np.int64)
    short = (stop - first) * h < SHORTEST_LEVEL_S
    held = levels(blocks.x, first, np.where(short, first, stop), interval_s=h, drifts=True)
    x, u = held.level, np.hypot(held.level_u, PLACE_U_S * held.slope)
    with np.errstate(invalid="ignore"):
        if reader.narrow:
            rising = held.slope > np.maximum(STILL_RISING_V / LEVEL_S, held.slope_u)
        else:
            rising = held.slope > STILL_RISING_LAMBDA * reader.unit
            u = np.hypot(u, RISES_ON_S * np.maximum(held.slope - RESTLESS_LAMBDA * reader.unit, 0.0))
            held_s = (stop - reader.opening) * h
            lacks = np.select([held_s < until for until in ENRICHED_S], ENRICHED_U, 0.0)
            u = np.hypot(u, lacks * reader.unit)
    late = np.maximum(stop * h - LEVEL_S, start + LATEST_CONSTANTS * constant)
    settled = np.where(fitted, np.minimum(start + SETTLED_CONSTANTS * constant, late), reader.opening * h + SETTLED_S)
    begin = np.ceil(settled / h - 1e-6).astype(np.int64)
    unsettled = (stop - begin) * h < SHORTEST_SLOPE_S
    after = np.where(unsettled, begin, stop)
    tail = np.where(fitted[:, None], np.stack([rich.fit.step, start, constant], axis=1), 0.0)
    drift = levels(blocks.x, begin, after, tail=tail, interval_s=h, drifts=True)
    raw = levels(blocks.x, begin, after, interval_s=h, drifts=True)
    wrong = rich.fit.residual > WRONG_MODEL * rich.fit.step
    tail_u = np.where(wrong, WRONG_TAIL_U, TAIL_U) * (drift.slope - raw.slope)
    slope_u = np.hypot(drift.slope_u, tail_u)
    per_lambda = reader.scale.lambda_slope(x)
    why = np.where(reader.released, "hold_too_short", "record_ends_early")
    out = {}
    for name, found in (
        ("lambda_full_throttle", reader.as_lambda(x, u)),
        ("lambda_full_throttle_v", reader.as_volts(x, u)),
        ("lambda_full_throttle_slope_per_s", estimate(-drift.slope * per_lambda, slope_u * per_lambda)),
    ):
        brief = unsettled if name.endswith("slope_per_s") else short | rising
        for code in ("hold_too_short", "record_ends_early"):
            found = renamed(found, brief & (why == code), code)
        stretch = (begin, after) if name.endswith("slope_per_s") else (first, stop)
        out[name] = found if name.endswith("_v") else reader.censored(found, *stretch)
    return out


def _leaner_than_idle(reader: Reader, lean: Edges, idle: Floats) -> Flags:
    """Whether the fall after the release is so deep that fuel must have been cut."""
    x = reader.blocks.x
    around = np.clip(lean.end[:, None] + np.arange(-2, 3), 0, x.shape[1] - 1)
    furthest = np.nanmin(np.where(np.isfinite(x), x, np.inf)[np.arange(idle.size)[:, None], around], axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray(idle - furthest > (0.0 if reader.narrow else CUT_LAMBDA * reader.unit))


def _until_cut(reader: Reader, lean: Edges, uncut: Flags) -> Edges:
    """Drop responses to lean without a fuel cut, where the record ends while a cut could still come.

    Such a fall is the return from the rich spike of the lifted pedal, or ripple on it. A fall from the level of the
    hold, as on a bench, counts once it has settled.
    """
    blocks, h = reader.blocks, reader.h
    still_to_come = reader.release + int(LONGEST_CUT_S / h) > blocks.count
    falling = lean.fit.start + SETTLED_CONSTANTS * lean.fit.constant > lean.stop * h
    other = (still_to_come & ~lean.clean) | (falling & (lean.stop >= blocks.count - 2))
    early = (lean.code == FOUND) & other & uncut
    return replace(lean, code=np.where(early, ENDS_EARLY, lean.code))


def _fuel_cut(reader: Reader, lean: Edges, fell: Flags) -> dict[str, Estimate]:
    """Plateau after the release; `fell` where the fall goes so far that fuel must have been cut."""
    blocks, h = reader.blocks, reader.h
    seen = np.isin(lean.code, (FOUND, ENDS_EARLY)) & (lean.end >= 0)
    settled = np.where(lean.code == FOUND, lean.fit.start + SETTLED_CONSTANTS * lean.fit.constant, np.nan)
    # a signal cut off by its range is at the plateau before the response has settled, one that moves on only later
    first = np.where(lean.cut_off | lean.goes_on, lean.end - int(0.02 / h), np.nan_to_num(settled, nan=1e6) / h)
    first = np.minimum(first.astype(np.int64), lean.stop)
    short = (lean.stop - first) * h < 0.03
    stop = np.where(short | ~seen, first, lean.stop)
    plateau = levels(blocks.x, first, stop, interval_s=h)
    # a drifting plateau has no single level: any place in it is as good
    moving = levels(blocks.x, first, stop, interval_s=h, drifts=True)
    slope = np.sqrt(np.maximum(np.nan_to_num(moving.slope**2 - moving.slope_u**2), 0.0))
    x, u = plateau.level, np.hypot(plateau.level_u, slope * (stop - first) * h / np.sqrt(12.0))
    cut = seen & fell
    ended = lean.stop >= blocks.count - 2
    out = {}
    for name, found in (("lambda_fuel_cut", reader.as_lambda(x, u)), ("lambda_fuel_cut_v", reader.as_volts(x, u))):
        found = renamed(found, seen & short & ~ended, "not_steady")
        found = renamed(found, seen & short & ended, "record_ends_early")
        if name == "lambda_fuel_cut" and not reader.narrow:
            found = reader.censored(renamed(found, lean.cut_off, "censored"), first, lean.stop)
        found = renamed(found, ~cut, "no_fuel_cut")
        found = renamed(found, (lean.code == ENDS_EARLY) & (short | ~cut) & ended, "record_ends_early")
        brief = (blocks.count - reader.release) * h < QUANTITIES[name].need.after_s
        found = renamed(found, (reader.opening >= 0) & (~reader.released | (brief & ~cut)), "record_ends_early")
        out[name] = found
    return out


def _lean_dips(reader: Reader, rich: Edges, swing: Floats, opening_s: Floats) -> dict[str, Estimate]:
    """Lean dips in the settled part of the hold; electrical spikes over the whole record."""
    blocks, h = reader.blocks, reader.h
    fitted = rich.code == FOUND
    from_s = rich.fit.start + DIPS_FROM_CONSTANTS * rich.fit.constant
    late = reader.opening * h + SETTLED_S
    first = np.where(reader.opening < 0, -1, np.where(fitted, np.fmin(from_s, late), late) / h).astype(np.int64)
    stop = np.minimum(reader.release + int(ARRIVES_S / h), blocks.count)
    dips = count_lean_dips(
        blocks.x,
        interval_s=h,
        idle_stop=np.maximum(reader.opening, 0),
        first=first,
        stop=stop,
        noise=blocks.noise,
        least=LEAST_DIP_V if reader.narrow else LEAST_DIP_LAMBDA * reader.unit,
    )
    why = np.where(reader.released, "hold_too_short", "record_ends_early")
    counted = estimate(dips.number, dips.number_u)
    for code in ("hold_too_short", "record_ends_early"):
        counted = renamed(counted, np.isnan(dips.number) & (why == code), code)
    if reader.narrow:
        scale = 1.0 / np.where(swing > LEAST_STEP_V, swing, np.nan)
    else:
        level = levels(blocks.x, np.maximum(first, 0), stop, interval_s=h).level
        scale = reader.scale.lambda_slope(level - 0.5 * np.nan_to_num(dips.depth))
    counted = reader.censored(counted, first, stop, HIDDEN_SHARE)
    sizes = estimate(dips.depth * scale, dips.depth_u * scale)
    electrical = blocks.electrical.sum(axis=1) + np.nan_to_num(dips.electrical)
    few = np.full(electrical.shape, 12.0**-0.5)
    since = reader.blocks.start_s - opening_s
    middle = estimate(dips.middle + since, dips.middle_u)
    beat = estimate(dips.irregularity, dips.irregularity_u)
    return {
        "lean_needles": counted,
        "lean_needle_size": sizes,
        "lean_needle_time_s": middle,
        "lean_needle_irregularity": beat,
        "electrical_needles": estimate(electrical, few),
    }


def _ripple(reader: Reader, idle_speed_rpm: Floats, base: Floats, swing: Floats) -> dict[str, Estimate]:
    """Once-per-cycle ripple before the opening."""
    stop = np.where(reader.opening >= 0, reader.opening, reader.blocks.count)
    ripple = cycle_ripple(reader.blocks.x, stop, idle_speed_rpm, interval_s=reader.h)
    scale = 1.0 / np.where(swing > LEAST_STEP_V, swing, np.nan) if reader.narrow else reader.scale.lambda_slope(base)
    found = estimate(ripple.amplitude * scale, ripple.amplitude_u * scale, "noise")
    short = stop * reader.h < QUANTITIES["cycle_ripple"].need.before_s
    with np.errstate(invalid="ignore"):
        hidden = np.isnan(idle_speed_rpm) & (ripple.p_value > SEARCH_P_VALUE)
    return {"cycle_ripple": renamed(found.because(hidden, "noise"), short, "not_enough_before")}


def read_lambda(
    signal: NDArray[np.float32],
    keep: Flags,
    *,
    interval_s: float,
    sensor: LambdaSensor,
    opening_s: Floats,
    release_s: Floats,
    events_u: tuple[Floats, Floats] | None = None,
    idle_s: tuple[Floats, Floats],
    idle_speed_rpm: Floats,
    kind: Literal["v", "ratio"],
) -> tuple[dict[str, Estimate], TraceFlags]:
    """Read every lambda quantity of a stack of captures.

    Parameters
    ----------
    signal : ndarray of shape (captures, samples), float32
        Recorded lambda signal of one bank. [V or 1]
    keep : ndarray of shape (captures, samples), bool
        True = use: False for samples missing or outside the physical range. Spikes need not be marked; they are found
        here.
    interval_s : float
        Sampling interval. [s]
    sensor : LambdaSensor
        The family's lambda sensor.
    opening_s, release_s : ndarray of shape (captures,)
        Opening and release, from the row's first sample; NaN where not found. [s]
    events_u : tuple of two ndarray of shape (captures,), optional
        Standard uncertainties of opening and release. [s]
    idle_s : tuple of two ndarray of shape (captures,)
        Begin and end of the steady idle of the air mass, from the row's first sample; NaN where not found. [s]
    idle_speed_rpm : ndarray of shape (captures,)
        Engine speed at idle; NaN unknown. [1/min]
    kind : {"v", "ratio"}
        Which channel was recorded.

    Returns
    -------
    tuple of dict and TraceFlags
        Estimates by the names of data_contracts/signals.py without bank prefix, and flags of the whole trace.
    """
    rows = signal.shape[0]
    scale = lambda_scale(sensor, kind)
    if scale is None or rows == 0:
        return {name: unread(rows, "not_for_this_family") for name in NAMES}, no_flags(rows)
    blocks = block_lambda(signal, keep, scale, interval_s=interval_s)
    stops = find_stops(signal, keep, scale, sensor, interval_s=interval_s)
    reader = Reader(blocks, scale, interval_s, opening_s, release_s, idle_s, stops)
    flags = trace_flags(
        blocks.x,
        scale,
        interval_s=reader.h,
        count=blocks.count,
        opening=reader.opening,
        release=reader.release,
        noise=blocks.noise,
        stops=stops,
    )
    rich, lean = (edge_after(reader, to_rich=to_rich) for to_rich in (True, False))
    out, idle = _idle(reader)
    cut_before = _cut_before(reader, idle)
    closed_loop = np.where(cut_before, scale.richness_of(np.ones(rows)), idle.level)
    cut = _leaner_than_idle(reader, lean, closed_loop)
    lean = _until_cut(reader, lean, np.isfinite(closed_loop) & ~cut)
    out |= _full_throttle(reader, rich)
    out |= _fuel_cut(reader, lean, cut)
    opening, release = zip((opening_s, release_s), events_u or np.zeros((2, rows)), strict=True)
    out |= response(reader, rich, opening, "to_rich")
    out |= response(reader, lean, release, "to_lean")
    out |= tip_in(reader, rich, idle, flags.swing)
    out |= _lean_dips(reader, rich, flags.swing, opening_s)
    out |= _ripple(reader, idle_speed_rpm, idle.level, flags.swing)
    if reader.narrow:
        out |= switch_time(reader, rich, "to_rich") | switch_time(reader, lean, "to_lean")
    else:
        out |= steepest_fall(reader, lean, cut)
    for name in NAMES:
        out.setdefault(name, unread(rows, "not_for_this_family"))
    return _with_needs(out, reader, flags, cut_before), flags


def _with_needs(out: dict[str, Estimate], reader: Reader, flags: TraceFlags, cut_before: Flags) -> dict[str, Estimate]:
    """Null the quantities that the recording, the sensor or its flags rule out; such a reason comes before any
    other."""
    rows, recorded = flags.active.size, "ratio" if reader.scale.form == "inverse" else reader.scale.form
    everywhere = np.ones(rows, dtype=np.bool_)
    nothing = reader.blocks.count == 0
    for name, found in out.items():
        need = QUANTITIES[name].need
        if name in _FROM_IDLE:
            found = renamed(found, cut_before, "fuel_cut_before")
        if name not in _SENSOR_VOLTS:
            found = renamed(found, flags.polarity_contradicts, "polarity_contradicts")
        found = renamed(found, ~flags.active, "sensor_inactive")
        if need.snap:
            found = renamed(found, reader.opening < 0, "no_snap")
        if reader.rate_hz < 0.98 * need.rate_hz:
            found = renamed(found, everywhere, "rate_too_low")
        found = renamed(found, nothing, "no_channel")
        if need.kinds and recorded not in need.kinds:
            found = renamed(found, everywhere, "not_for_this_family")
        out[name] = found
    return out
