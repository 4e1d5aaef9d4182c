"""Events for the study of short holds: snaps of any hold with the truth of their clean traces, from three sources."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Conditions, Waveform, make_waveform
from data_contracts.family import Family
from sample_fleet.families import built_in_families, individual, register_family
from sample_fleet.parameters import Driver
from sample_fleet.simulate import Recording, simulate
from tests.analytic import WARM, Recorder, clean_flow, family
from tests.otherfleet.captures import new_recorder
from tests.otherfleet.families import air_flow, family_of
from tests.otherfleet.kinds import KINDS
from tests.otherfleet.recording import Run, record, sensor_traces
from tests.otherfleet.vans import engine_for, new_van, new_visit
from tests.otherfleet.vans import simulate as run_other
from tests.studies.reading_analytic import draw_snap
from tests.studies.reading_analytic import record as record_analytic
from tests.studies.reading_fleet import recorders

Floats = NDArray[np.float64]
HOLDS = (0.15, 0.25, 0.4, 0.6, 0.95)
GRID_S = 5e-4
# Parts of the height over idle: a plain fall and climb; below the last there is no first peak.
FALL, CLIMB, NO_FALL = 0.08, 0.05, 0.01
# A flow that climbs by this part of itself per second as the fall begins climbs on. [1/s]
CLIMBING = 0.3
# A shorter climb, from 10 to 90 %, has no slope to speak of. [s]
CLIMB_S = 0.08
# One that climbs so much shows no end of the run-up. [1/s]
FAST_CLIMB = 1.2


@dataclass
class Event:
    """One snap as recorded, and its truth.

    Attributes
    ----------
    true : dict of str to float
        Quantities of the clean trace.
    plain, none : set of str
        Quantities a skilled eye can tell, and those the trace does not have.
    climbing : bool
        The flow still climbs as the fall begins.
    source, label : str
        Where it comes from, for looking at failures.
    """

    waveform: Waveform
    family: Family
    conditions: Conditions
    source: str
    label: str
    true: dict[str, float] = field(default_factory=dict)
    plain: set[str] = field(default_factory=set)
    none: set[str] = field(default_factory=set)
    climbing: bool = False


def _crossing(t: Floats, y: Floats, level: float, first: int, up: bool) -> float:
    side = (
        (y[first:-1] < level) & (y[first + 1 :] >= level) if up else (y[first:-1] > level) & (y[first + 1 :] <= level)
    )
    if not side.any():
        return float("nan")
    k = first + int(np.argmax(side))
    return float(t[k] + (level - y[k]) / (y[k + 1] - y[k]) * (t[k + 1] - t[k]))


def tell(event: Event, t: Floats, y: Floats, moves: float, lifts: float, idle: float) -> Event:
    """Fill in the truth of an event.

    Parameters
    ----------
    event : Event
        As recorded.
    t, y : ndarray of shape (samples,)
        Time on an even grid and clean flow. [s], [g/s]
    moves, lifts : float
        When the plate begins to open, and is half closed. [s]
    idle : float
        Flow before the opening. [g/s]
    """
    step = t[1] - t[0]
    begin, end = int((moves - t[0]) / step), int((lifts - t[0]) / step)
    # back from the closing plate to where the fall is first a tenth as steep as it gets
    late = np.diff(y[end : end + int(0.15 / step)])
    steepest, closing = 0.0, end + int(np.argmin(late))
    while end > begin and y[end + 1] > y[end]:
        end += 1
    end = min(max(end, closing), end + int(0.05 / step))
    while end > begin and y[end - 1] - y[end] >= 0.1 * steepest:
        steepest = max(steepest, float(y[end - 1] - y[end]))
        end -= 1
    top = float(y[begin : end + 1].max())
    height = top - idle
    # the valley that stands deepest below what is before and after it
    early = y[begin : min(end, begin + int(0.65 / step)) + 1]
    before = np.maximum.accumulate(early)
    after = np.maximum.accumulate(y[begin : end + 1][::-1])[::-1][: early.size]
    valley = int(np.argmax(np.minimum(before, after) - early))
    fall, climb = before[valley] - early[valley], after[valley] - early[valley]
    true = event.true
    base = begin
    if min(fall, climb) > NO_FALL * height:
        base = begin + valley
        true["first_peak_g_s"], true["dip_g_s"] = float(before[valley]), float(early[valley])
        if fall >= FALL * height and climb >= CLIMB * height:
            event.plain |= {"first_peak_g_s", "dip_g_s", "opening_s"}
    else:
        event.none |= {"first_peak_g_s", "dip_g_s"}
    main_at = base + int(np.argmax(y[base : end + 1]))
    main = true["main_peak_g_s"] = float(y[main_at])
    back = int(0.05 / step)
    slope = (y[end] - y[end - back]) / (back * step) / main
    event.climbing = bool(slope > CLIMBING)
    true["idle_g_s"] = idle
    true["release_s"] = _crossing(t, y, 0.5 * (idle + main), max(end, main_at), False)
    first_top = true.get("first_peak_g_s", float(y[begin : min(end, begin + int(0.25 / step)) + 1].max()))
    true["opening_s"] = _crossing(t, y, 0.5 * (idle + first_top), begin, True)
    true["hold_s"] = true["release_s"] - true["opening_s"]
    if "first_peak_g_s" in true and main - y[base] > 0.1 * main:
        low, high = (_crossing(t, y, y[base] + part * (main - y[base]), base, True) for part in (0.1, 0.9))
        true["climb_slope_g_s2"] = 0.8 * (main - y[base]) / (high - low)
        if high - low > CLIMB_S:
            event.plain.add("climb_slope_g_s2")
    reached = _crossing(t, y, 0.95 * main, max(base, begin + int(0.15 / step)), True)
    if slope > FAST_CLIMB:
        event.none.add("run_up_time_s")
    elif np.isfinite(reached):
        true["run_up_time_s"] = reached - true["opening_s"]
        if "first_peak_g_s" in event.plain and not event.climbing:
            event.plain.add("run_up_time_s")
    down = _crossing(t, y, idle + 0.1 * (y[end] - idle), end, False)
    true["fall_time_s"] = down - _crossing(t, y, y[end] - 0.1 * (y[end] - idle), end, False)
    event.plain |= {"idle_g_s", "main_peak_g_s", "release_s", "fall_time_s"}
    if "opening_s" in event.plain:
        event.plain.add("hold_s")
    tail = y[-int(1.3 / step) :]
    if t[-1] - true["release_s"] > 2.8:
        last = np.mean(y[max(int((true["release_s"] + 1.5 - t[0]) / step), y.size - int(1.5 / step)) :])
        true["idle_after_g_s"] = float(last)
        if np.abs(tail / last - 1.0).max() < 0.1:
            event.plain.add("idle_after_g_s")
    return event


def _lifts(t: Floats, plate: NDArray[np.float32]) -> float:
    """When the plate is closed by half of its largest opening. [s]"""
    opened = plate - plate[0]
    return float(t[np.flatnonzero(opened >= 0.5 * opened.max())[-1]])


def _analytic(hold: float, count: int, rng: np.random.Generator) -> list[Event]:
    """Snaps as formulas, of three kinds of sensor."""
    events = []
    families = {kind: family(kind) for kind in ("volts", "hertz", "g_s")}
    for _ in range(count):
        snap = replace(draw_snap(rng), hold=hold * float(rng.uniform(0.9, 1.1)))
        kind = str(rng.choice(["volts", "volts", "hertz", "g_s"]))
        rate = float(rng.choice([500.0, 1000.0, 2000.0, 5000.0] if kind != "g_s" else [100.0, 200.0, 500.0]))
        wave, late, _, _ = record_analytic(snap, Recorder(rate_hz=rate, kind=kind), rng, errors=False)
        t = np.arange(0.0, snap.length, GRID_S)
        event = Event(wave, families[kind], WARM, "analytic", f"{kind} {rate:g} Hz hold {snap.hold:.2f}")
        moves, lifts = snap.opening - 5 * snap.rise, snap.opening + snap.hold
        events.append(tell(event, t - late, clean_flow(snap, t), moves - late, lifts - late, snap.idle))
    return events


def _sample(hold: float, count: int, rng: np.random.Generator) -> list[Event]:
    """Snaps of the sample fleet's families."""
    events, blueprints = [], list(built_in_families().values())
    tables = {each.family: register_family(each) for each in blueprints}
    for rate in (500.0, 1000.0, 2000.0):
        vans = [individual(blueprints[int(rng.integers(len(blueprints)))], rng) for _ in range(count // 3)]
        drivers = [
            Driver(
                pedal_at_s=float(rng.uniform(1.0, 1.3)),
                pedal_rise_s=float(rng.uniform(0.03, 0.1)),
                hold_s=hold * float(rng.uniform(0.9, 1.1)),
                pedal_fall_s=float(rng.uniform(0.04, 0.12)),
            )
            for _ in vans
        ]
        batch = simulate(
            vans,
            rng,
            recording=Recording(rate, 5.0, ("throttle_pct",)),
            drivers=drivers,
            recorders=recorders(len(vans), rng, errors=False),
            clean=True,
        )
        assert batch.clean_said is not None
        for k, (van, foot) in enumerate(zip(vans, drivers, strict=True)):
            said, lifts = batch.clean_said[k].astype(np.float64), _lifts(batch.time_s, batch.extras["throttle_pct"][k])
            wave = batch.waveform(k)
            wave = make_waveform(wave.time_s, {n: c for n, c in wave.channels.items() if n != "throttle_pct"})
            event = Event(wave, tables[van.family], WARM, "sample", f"{van.family} {rate:g} Hz {foot.hold_s:.2f}")
            events.append(tell(event, batch.time_s, said, foot.pedal_at_s, lifts, float(batch.truth["idle_g_s"][k])))
    return events


def _other(hold: float, count: int, rng: np.random.Generator) -> list[Event]:
    """Snaps of the second simulator's families."""
    events = []
    for number in range(count):
        name = str(rng.choice(list(KINDS)))
        van, kind = new_van(name, rng), KINDS[name]
        visit = new_visit(rng, altitude_m=50.0, ambient_c=15.0, fuel="E5")
        engine, trim_idle, trim_load = engine_for(van, visit, None, 0.0)
        opens, held = float(rng.uniform(1.0, 1.3)), hold * float(rng.uniform(0.9, 1.1))
        engine = engine._replace(opening_s=opens, release_s=opens + held, foot_s=float(rng.uniform(0.04, 0.12)))
        recorder = replace(new_recorder(number, rng), length_s=5.0)
        time, out = run_other(engine, 0.0, 5.01, int(rng.integers(2**62)))
        run = Run(kind, van, visit, recorder, engine, time, out, 5.0, trim_idle, trim_load, None, 0.0, None)
        capture = record(run, rng)
        _, clean, _ = sensor_traces(run)
        y = air_flow(kind, clean)
        idle = float(np.mean(y[time < opens - 0.02]))
        label = f"{name} {capture.truth['rate_hz']:g} Hz {held:.2f}"
        event = Event(capture.waveform, family_of(name), capture.conditions, "other", label)
        events.append(tell(event, time, y, opens, _lifts(time, out[:, 6]), idle))
    return events


def draw(hold: float, count: int, seed: int) -> list[Event]:
    """Events of one hold length, a third from each source.

    Parameters
    ----------
    hold : float
        Time from the foot's first movement to its lift, within 10 %. [s]
    count, seed : int
        How many, and the seed.
    """
    rng = np.random.default_rng([seed, int(1000 * hold)])
    third = count // 3
    return _analytic(hold, third, rng) + _sample(hold, third, rng) + _other(hold, third, rng)
