"""Response of lambda to the pedal: tip-in blip, dead time and time constant of both edges, switching times."""

import numpy as np

from models.reading.lambda_trace.levels import Level, tip_in_blip
from models.reading.lambda_trace.linear_scale import settle_domain
from models.reading.lambda_trace.step_responses import ENDS_EARLY, FOUND, NOT_FOUND, REASONS, Edges, find_edges
from models.reading.lambda_trace.switching import switch_times
from models.reading.lambda_trace.trace import Reader, renamed
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate, estimate

# Smallest step whose response is identified: half a usual enrichment. [lambda]; for a switching sensor [V]
LEAST_STEP_LAMBDA = 0.03
LEAST_STEP_V = 0.3
# Fuel cut begins within this time of the release; later the engine is back in closed loop. [s]
LONGEST_CUT_S = 4.0
# Largest standard uncertainty of a time that is read: several times the length of a response. [s]
LARGEST_U_S = 0.5
# A time constant that is less certain than this part of itself could be that of any sensor. [1]
VAGUE_PART = 0.6


def edge_after(reader: Reader, *, to_rich: bool) -> Edges:
    """The response to the opening or to the release, in the quantity in which it is first order.

    Parameters
    ----------
    reader : Reader
        The stack being read.
    to_rich : bool
        The response to the opening; otherwise that to the release.

    Returns
    -------
    Edges
        One per row.
    """
    blocks, scale = reader.blocks, reader.scale
    event = reader.opening if to_rich else np.where(reader.released, reader.release, -1)
    until = reader.held_until if to_rich else np.minimum(blocks.count, reader.release + int(LONGEST_CUT_S / reader.h))
    least = LEAST_STEP_V if reader.narrow else LEAST_STEP_LAMBDA * scale.per_lambda
    found = find_edges(
        blocks.x,
        interval_s=reader.h,
        to_rich=to_rich,
        event=event,
        until=until,
        noise=blocks.noise,
        least=least,
        far_end=scale.rich_end if to_rich else scale.lean_end,
        air=np.nan if to_rich else scale.air,
    )
    return settle_domain(
        found,
        blocks.x,
        scale,
        interval_s=reader.h,
        to_rich=to_rich,
        event=event,
        until=until,
        noise=blocks.noise,
        least=least,
    )


def response(reader: Reader, edge: Edges, event: tuple[Floats, Floats], name: str) -> dict[str, Estimate]:
    """Dead time and time constant of one edge.

    Parameters
    ----------
    reader : Reader
        The stack being read.
    edge : Edges
        One per row.
    event : tuple of two ndarray of shape (captures,)
        Opening or release, from the row's first sample, and its standard uncertainty; NaN unknown. [s]
    name : {"to_rich", "to_lean"}
        Which edge.

    Returns
    -------
    dict of str to Estimate
        [s]
    """
    good = edge.code == FOUND
    event_s, event_u = event
    start = edge.fit.start + reader.blocks.start_s - event_s
    out = {}
    # a value held until the next one comes late by up to its interval
    start_u = np.hypot(np.hypot(edge.fit.start_u, np.nan_to_num(event_u)), reader.held_s / np.sqrt(3.0))
    times = {"dead_time_s": (start, start_u), "time_constant_s": (edge.fit.constant, edge.fit.constant_u)}
    for key, (value, u) in times.items():
        vague = good & ~(u <= LARGEST_U_S)
        found = renamed(estimate(np.where(good & ~vague, value, np.nan), u), vague, "noise")
        if key == "time_constant_s":
            with np.errstate(invalid="ignore"):
                found = found.because(good & np.isfinite(u) & (u > VAGUE_PART * value), "noise")
            found = renamed(found, good & np.isinf(u), REASONS[ENDS_EARLY])
        for number, reason in enumerate(REASONS):
            if number != FOUND:
                found = renamed(found, edge.code == number, reason)
        if reader.narrow and key == "time_constant_s":
            found = renamed(found, np.ones_like(good), "not_for_this_family")
        if name == "to_rich":
            unfinished = (edge.code == ENDS_EARLY) | (good & np.isinf(u))
            found = renamed(found, unfinished & reader.released, "hold_too_short")
            if reader.scale.form == "inverse":  # the model knows the end of a characteristic, and no ratio's
                found = reader.censored(found, edge.end - 2, edge.stop, whatever=True)
        out[f"lambda_{name}_{key}"] = found
    return out


def tip_in(reader: Reader, rich: Edges, idle: Level, swing: Floats) -> dict[str, Estimate]:
    """Lean blip between the opening and the response to rich.

    Parameters
    ----------
    reader : Reader
        The stack being read.
    rich : Edges
        Responses to rich.
    idle : Level
        Idle before the opening.
    swing : ndarray of shape (captures,)
        Highest minus lowest value of each trace. [unit of richness]

    Returns
    -------
    dict of str to Estimate
        Depth and length. [lambda, or the part of its swing for a switching sensor], [s]
    """
    blocks = reader.blocks
    base = idle.level
    wander = np.sqrt(np.maximum(idle.scatter**2 - blocks.noise**2, 0.0))
    until = np.where(rich.end > reader.opening, rich.end, reader.release)
    blip = tip_in_blip(blocks.x, reader.opening, until, base, blocks.noise, interval_s=reader.h)
    if reader.narrow:
        with np.errstate(invalid="ignore", divide="ignore"):
            part = np.where(swing > LEAST_STEP_V, swing, np.nan)
            depth, depth_u = blip.depth / part, blip.depth_u / part
    else:
        lean = reader.scale.lambda_of(base - blip.depth)
        depth = lean - reader.scale.lambda_of(base)
        # a short excursion has the coloured noise of the idle
        depth_u = np.hypot(blip.depth_u, wander) * reader.scale.lambda_slope(base - blip.depth)
    length = estimate(blip.length, blip.length_u)
    return {"tip_in_lean_blip": estimate(depth, depth_u), "tip_in_lean_blip_length_s": length}


def switch_time(reader: Reader, edge: Edges, name: str) -> dict[str, Estimate]:
    """Time a narrowband sensor takes to switch from one level to the other.

    Parameters
    ----------
    reader : Reader
        The stack being read.
    edge : Edges
        One per row.
    name : {"to_rich", "to_lean"}
        Which edge.

    Returns
    -------
    dict of str to Estimate
        [s]
    """
    there = np.where(np.isin(edge.code, (FOUND, NOT_FOUND)), edge.turn, -1)
    time, u = switch_times(
        reader.blocks.x,
        there,
        edge.end,
        edge.stop,
        reader.blocks.noise,
        interval_s=reader.h,
        to_rich=name == "to_rich",
    )
    found = estimate(time, u)
    for number, reason in enumerate(REASONS):
        if number not in (FOUND, NOT_FOUND):
            found = renamed(found, edge.code == number, reason)
    if name == "to_rich":
        found = renamed(found, (edge.code == ENDS_EARLY) & reader.released, "hold_too_short")
    return {f"lambda_{name}_switch_time_s": found}
