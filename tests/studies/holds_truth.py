"""The truth of one snap for the study of short holds: landmarks of its clean trace, and which of them an eye can tell."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Conditions, Waveform
from data_contracts.family import Family
from tests.studies.feet import Log

Floats = NDArray[np.float64]
# Parts of the height over idle: a plain fall and climb; below the last there is no first peak.
FALL, CLIMB, NO_FALL = 0.08, 0.05, 0.01
# A flow that climbs by this part of itself per second as the fall begins climbs on. [1/s]
CLIMBING = 0.3
# A shorter climb, from 10 to 90 %, has no slope to speak of. [s]
CLIMB_S = 0.08
# A fall so soon is that of a manifold which is full, and shows neither release nor main peak. [s]
SHORTEST_S = 0.1
# A flow so many times that of a steady idle over the last 0.3 s before the opening is none. [1]
NOT_IDLE = 1.25
# One that climbs so much shows no end of the run-up. [1/s]
FAST_CLIMB = 1.2


@dataclass
class Event:
    """One snap as recorded, and its truth.

    Attributes
    ----------
    true : dict of str to float
        Quantities of the clean trace.
    also : dict of str to float
        What they are too, where first peak and main peak are a matter of definition: a climb too small to be plain.
    plain, none : set of str
        Quantities a skilled eye can tell, and those the trace does not have.
    climbing : bool
        The flow still climbs as the fall begins.
    lifts_s : float
        When the plate is half closed, from the recording's first sample. [s]
    moments : list of float
        Other movements of the foot, that may be snaps or not. [s]
    spacing_s : float
        From one update of the flow to the next in a slow log, else 0. [s]
    source, label : str
        Where it comes from, for looking at failures.
    """

    waveform: Waveform
    family: Family
    conditions: Conditions
    source: str
    label: str
    true: dict[str, float] = field(default_factory=dict)
    also: dict[str, float] = field(default_factory=dict)
    plain: set[str] = field(default_factory=set)
    none: set[str] = field(default_factory=set)
    climbing: bool = False
    lifts_s: float = 0.0
    moments: list[float] = field(default_factory=list)
    spacing_s: float = 0.0


def _crossing(t: Floats, y: Floats, level: float, first: int, up: bool) -> float:
    side = (
        (y[first:-1] < level) & (y[first + 1 :] >= level) if up else (y[first:-1] > level) & (y[first + 1 :] <= level)
    )
    if not side.any():
        return float("nan")
    k = first + int(np.argmax(side))
    return float(t[k] + (level - y[k]) / (y[k + 1] - y[k]) * (t[k + 1] - t[k]))


def tell(
    event: Event,
    t: Floats,
    y: Floats,
    moves: float,
    lifts: float,
    idle: float,
    *,
    still: float | None = None,
    until: float = np.inf,
) -> Event:
    """Fill in the truth of an event.

    Parameters
    ----------
    event : Event
        As recorded.
    t, y : ndarray of shape (samples,)
        Time from the recording's first sample on an even grid, negative before it, and clean flow. [s], [g/s]
    moves, lifts : float
        When the plate begins to open, and is half closed. [s]
    idle : float
        Flow before the opening. [g/s]
    still : float, optional
        Flow of the engine at a steady idle, where it did not idle before the opening. [g/s]
    until : float
        Where the next movement of the foot begins. [s]
    """
    event.lifts_s, still = lifts, idle if still is None else still
    y, t = y[t < until], t[t < until]
    step = t[1] - t[0]
    begin, end = int((moves - t[0]) / step), int((lifts - t[0]) / step)
    end = _before_the_fall(y, begin, end, step)
    top = float(y[begin : end + 1].max())
    valley, before, bottom, after = _deepest_valley(y[begin : end + 1], int(0.65 / step) + 1)
    fall, climb = before - bottom, after - bottom
    true = event.true
    base = begin
    if min(fall, climb) > NO_FALL * (top - idle):
        base = begin + valley
        true["first_peak_g_s"], true["dip_g_s"] = before, bottom
        if fall >= FALL * (top - idle) and climb >= CLIMB * (top - idle):
            event.plain |= {"first_peak_g_s", "dip_g_s", "opening_s"}
    else:
        event.none |= {"first_peak_g_s", "dip_g_s"}
    main_at = base + int(np.argmax(y[base : end + 1]))
    main = true["main_peak_g_s"] = float(y[main_at])
    back = int(0.05 / step)
    slope = (y[end] - y[end - back]) / (back * step) / main
    event.climbing = bool(slope > CLIMBING)
    true["idle_g_s"] = idle
    true["release_s"] = _crossing(t, y, 0.5 * (idle + main), main_at, False)
    first_top = true.get("first_peak_g_s", float(y[begin : min(end, begin + int(0.25 / step)) + 1].max()))
    true["opening_s"] = _crossing(t, y, 0.5 * (idle + first_top), begin, True)
    true["hold_s"] = true["release_s"] - true["opening_s"]
    if "first_peak_g_s" in true and "first_peak_g_s" not in event.plain and top > main:
        first_at = begin + int(np.argmax(y[begin : end + 1]))
        event.also = {"main_peak_g_s": top, "release_s": _crossing(t, y, 0.5 * (idle + top), first_at, False)}
        event.also["hold_s"] = event.also["release_s"] - true["opening_s"]
    if "first_peak_g_s" in true and main - y[base] > 0.1 * main:
        _tell_climb(event, t, y, base, main)
    if true["hold_s"] < SHORTEST_S:
        event.none |= {"main_peak_g_s", "release_s", "hold_s"}
    reached = _crossing(t, y, 0.95 * main, max(base, begin + int(0.15 / step)), True)
    if slope > FAST_CLIMB:
        event.none.add("run_up_time_s")
    elif np.isfinite(reached):
        true["run_up_time_s"] = reached - true["opening_s"]
        if "first_peak_g_s" in event.plain and not event.climbing:
            event.plain.add("run_up_time_s")
    down = _crossing(t, y, idle + 0.1 * (y[end] - idle), end, False)
    true["fall_time_s"] = down - _crossing(t, y, y[end] - 0.1 * (y[end] - idle), end, False)
    _tell_idle(event, t, y, begin, still)
    if not event.also:
        event.plain |= {"main_peak_g_s", "release_s", "fall_time_s"} - event.none
    if "opening_s" in event.plain and "hold_s" not in event.none:
        event.plain.add("hold_s")
    _tell_idle_after(event, t, y)
    _not_recorded(event, t[begin], t[base], t[main_at])
    return event


def _before_the_fall(y: Floats, begin: int, end: int, step: float) -> int:
    """Back from the closing plate to where the fall is first a tenth as steep as it gets."""
    steepest, closing = 0.0, end + int(np.argmin(np.diff(y[end : end + int(0.15 / step)])))
    while end > begin and y[end + 1] > y[end]:
        end += 1
    end = min(max(end, closing), end + int(0.05 / step))
    while end > begin and y[end - 1] - y[end] >= 0.1 * steepest:
        steepest = max(steepest, float(y[end - 1] - y[end]))
        end -= 1
    return end


def _deepest_valley(hold: Floats, samples: int) -> tuple[int, float, float, float]:
    """Where, within the first samples, the flow stands deepest below what is before and after it; before, there, after."""
    early = hold[:samples]
    before = np.maximum.accumulate(early)
    after = np.maximum.accumulate(hold[::-1])[::-1][: early.size]
    valley = int(np.argmax(np.minimum(before, after) - early))
    return valley, float(before[valley]), float(early[valley]), float(after[valley])


def _tell_climb(event: Event, t: Floats, y: Floats, base: int, main: float) -> None:
    """The climb from the dip to the main peak, plain where it takes its time."""
    low, high = (_crossing(t, y, y[base] + part * (main - y[base]), base, True) for part in (0.1, 0.9))
    event.true["climb_slope_g_s2"] = 0.8 * (main - y[base]) / (high - low)
    if high - low > CLIMB_S:
        event.plain.add("climb_slope_g_s2")


def _tell_idle_after(event: Event, t: Floats, y: Floats) -> None:
    """The idle after the release, plain where it has settled."""
    step, release = t[1] - t[0], event.true["release_s"]
    if t[-1] - release > 2.8:
        last = np.mean(y[max(int((release + 1.5 - t[0]) / step), y.size - int(1.5 / step)) :])
        event.true["idle_after_g_s"] = float(last)
        if np.abs(y[-int(1.3 / step) :] / last - 1.0).max() < 0.1:
            event.plain.add("idle_after_g_s")


def _tell_idle(event: Event, t: Floats, y: Floats, begin: int, still: float) -> None:
    """Idle that a skilled eye can tell: steady for 0.3 s before the opening. None where the flow falls to it."""
    step = t[1] - t[0]
    first = int(np.searchsorted(t, max(t[begin] - 3.0, 0.0)))
    ahead = y[first:begin]
    last = ahead[-int(0.3 / step) :]
    if t[begin] - max(t[0], 0.0) < 0.05 or last.mean() > NOT_IDLE * still:
        event.none.add("idle_g_s")
        event.true.pop("idle_g_s")
        return
    steady = ahead[-int(1.0 / step) :]
    if t[begin] - max(t[0], 0.0) >= 0.3 and np.ptp(steady) < 0.1 * steady.mean():
        event.plain.add("idle_g_s")


def _not_recorded(event: Event, begin: float, dip: float, main: float) -> None:
    """What a record that begins late does not hold. Begin of the opening, dip and main peak. [s]"""
    if begin < 0.05:
        event.plain -= {"opening_s", "hold_s", "run_up_time_s", "fall_time_s", "first_peak_g_s"}
    if begin < 0.0:
        event.none |= {"opening_s", "hold_s", "run_up_time_s"} if event.true["opening_s"] < -0.01 else set()
        for name in ("fall_time_s", "run_up_time_s"):  # in parts of a height over an idle that is not in the record
            event.true.pop(name, None)
    if dip < 0.02 or "opening_s" in event.none:
        event.plain -= {"first_peak_g_s", "dip_g_s", "climb_slope_g_s2"}
    if dip < 0.0:
        event.none |= {"first_peak_g_s", "dip_g_s"}
        event.true.pop("first_peak_g_s", None)
        event.true.pop("dip_g_s", None)
    if main < 0.05:
        event.plain -= {"main_peak_g_s", "release_s"}


def tell_log(event: Event, log: Log) -> None:
    """What a slow log leaves to be seen: nothing a few samples long, and nothing in a burst that is lost.

    Parameters
    ----------
    event : Event
        With the truth of its clean trace.
    log : Log
    """
    event.spacing_s = 1.0 / log.rate_hz
    begin, end = event.true["opening_s"] - 0.3, event.true["release_s"] + 0.5
    kept = {"idle_g_s", "idle_after_g_s"}
    if event.true["hold_s"] >= 4.0 * event.spacing_s and log.rate_hz >= 8.0:
        kept |= {"opening_s", "release_s", "hold_s", "main_peak_g_s"}
    if log.lost[1] and log.lost[0] - log.late_s < end and log.lost[1] - log.late_s > begin:
        kept = set()
    if log.lost[1] and log.lost[1] - log.late_s > end:
        kept -= {"idle_after_g_s"}
    event.plain &= kept if log.rate_hz >= 8.0 else set()
