"""Events for the study of short holds: snaps of any hold and foot with the truth of their clean traces, three sources."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform, make_waveform
from data_contracts.family import Family
from models.physics.transfer_table import table_of
from models.reading.air_trace.engine import RUN_UP_DONE
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
from tests.studies.feet import (
    ANYWHERE,
    FAN,
    LOG,
    PLAIN,
    RISING,
    Foot,
    begins_s,
    cropped,
    draw_foot,
    idle_added,
    log_of,
)
from tests.studies.feet import KINDS as FEET
from tests.studies.holds_truth import Event, tell, tell_log
from tests.studies.reading_analytic import draw_snap
from tests.studies.reading_analytic import record as record_analytic
from tests.studies.reading_fleet import OFFSET_V, recorders

Floats = NDArray[np.float64]
HOLDS = (0.15, 0.25, 0.4, 0.6, 0.95)
GRID_S, LENGTH_S = 5e-4, 5.0


def _lifts(t: Floats, plate: NDArray[np.float32], lift_pause: float = 0.0) -> float:
    """When the plate is closed by half, of its largest opening or of where the foot stopped on its way up. [s]"""
    opened = plate - plate[0]
    return float(t[np.flatnonzero(opened >= 0.5 * (lift_pause or 1.0) * opened.max())[-1]])


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


def _sample(hold: float, kind: str, count: int, rng: np.random.Generator) -> list[Event]:
    """Snaps of the sample fleet's families."""
    events, blueprints = [], list(built_in_families().values())
    tables = {each.family: register_family(each) for each in blueprints}
    for rate in (500.0, 1000.0, 2000.0):
        feet = [draw_foot(kind, hold, rng) for _ in range(count // 3)]
        vans = []
        for foot in feet:
            van = individual(blueprints[int(rng.integers(len(blueprints)))], rng)
            engine = replace(van.engine, inertia_kg_m2=foot.inertia * van.engine.inertia_kg_m2)
            vans.append(replace(van, engine=engine))
        batch = simulate(
            vans,
            rng,
            recording=Recording(rate, LENGTH_S, ("throttle_pct",)),
            drivers=[_driver(foot) for foot in feet],
            recorders=recorders(len(vans), rng, errors=False),
            clean=True,
        )
        assert batch.clean_said is not None
        assert batch.clean_rpm is not None
        for k, (van, foot) in enumerate(zip(vans, feet, strict=True)):
            wave = batch.waveform(k)
            wave = make_waveform(wave.time_s, {n: c for n, c in wave.channels.items() if n != "throttle_pct"})
            event = Event(wave, tables[van.family], WARM, "sample", f"{van.family} {rate:g} Hz {foot.hold_s:.2f}")
            said, rpm = batch.clean_said[k].astype(np.float64), batch.clean_rpm[k].astype(np.float64)
            seen = Seen(batch.time_s, said, batch.extras["throttle_pct"][k], rpm)
            events.append(_seen(event, seen, foot, rng))
    return events


def _driver(foot: Foot) -> Driver:
    """The foot as the sample fleet takes it."""
    return Driver(
        pedal_at_s=foot.opens_s,
        pedal_rise_s=foot.rise_s,
        hold_s=foot.hold_s,
        pedal_fall_s=foot.fall_s,
        snaps=2.0 if foot.every_s else 1.0,
        snap_interval_s=foot.every_s or 6.0,
        pause=foot.pause,
        pause_s=foot.pause_s,
        lift_pause=foot.lift_pause,
        lift_pause_s=foot.lift_pause_s,
        again=foot.again,
        again_after_s=foot.again_after_s,
        again_s=foot.again_s,
    )


def _other(hold: float, kind: str, count: int, rng: np.random.Generator) -> list[Event]:
    """Snaps of the second simulator's families."""
    events = []
    for number in range(count):
        name, foot = str(rng.choice(list(KINDS))), draw_foot(kind, hold, rng)
        van, engine_kind = new_van(name, rng), KINDS[name]
        visit = new_visit(rng, altitude_m=50.0, ambient_c=15.0, fuel="E5")
        engine, trim_idle, trim_load = engine_for(van, visit, None, 0.0)
        engine = engine._replace(
            opening_s=foot.opens_s,
            release_s=foot.opens_s + foot.hold_s,
            foot_s=foot.rise_s,
            lift_s=foot.fall_s,
            pause=foot.pause,
            pause_s=foot.pause_s,
            lift_pause=foot.lift_pause,
            lift_pause_s=foot.lift_pause_s,
            again=foot.again,
            again_after_s=foot.again_after_s,
            again_s=foot.again_s,
            snaps=2.0 if foot.every_s else 1.0,
            every_s=foot.every_s or 60.0,
            inertia=foot.inertia * engine.inertia,
        )
        recorder = replace(new_recorder(number, rng), length_s=LENGTH_S)
        time, out = run_other(engine, 0.0, LENGTH_S + 0.01, int(rng.integers(2**62)))
        run = Run(engine_kind, van, visit, recorder, engine, time, out, LENGTH_S, trim_idle, trim_load, None, 0.0, None)
        capture = record(run, rng)
        _, clean, _ = sensor_traces(run)
        label = f"{name} {capture.truth['rate_hz']:g} Hz {foot.hold_s:.2f}"
        # as in use, where the recorder's profile states it
        conditions = replace(capture.conditions, recorder_offset_u_v=OFFSET_V)
        event = Event(capture.waveform, family_of(name), conditions, "other", label)
        events.append(_seen(event, Seen(time, air_flow(engine_kind, clean), out[:, 6], out[:, 2]), foot, rng))
    return events


class Seen(NamedTuple):
    """What really happened, on the time of the simulation: clean flow, plate, engine speed. [s], [g/s], [1], [1/min]"""

    time: Floats
    flow: Floats
    plate: NDArray[np.float32]
    rpm: Floats


def _seen(event: Event, seen: Seen, foot: Foot, rng: np.random.Generator) -> Event:
    """An event as its kind of foot and logger leaves it, with its truth."""
    kind, time, plate = foot.kind, seen.time, seen.plate
    event.label = f"{kind} {event.label}"
    step = time[1] - time[0]
    mine = (time >= foot.starts_s - 0.02) & (
        time < foot.starts_s + foot.hold_s + foot.fall_s + foot.lift_pause_s + 0.08
    )
    opened = np.where(mine, plate, plate[0])
    lifts = _lifts(time, opened, foot.lift_pause)
    ahead = int((foot.starts_s - 0.02) / step)
    still = float(np.mean(seen.flow[: int((foot.opens_s - 0.02) / step)]))
    added = idle_added(kind, time, foot, still, rng) * (
        1.0 - np.clip((plate - plate[0]) / np.ptp(plate) * 4.0, 0.0, 1.0)
    )
    flow = seen.flow + added
    if added.any():
        event.waveform = _with_added(event.waveform, event.family, time, added)
    wave, late = cropped(event.waveform, begins_s(kind, foot, rng))
    if kind == LOG:
        log = log_of(time, flow, seen.rpm.astype(np.float64), rng)
        wave, late = log.wave, log.late_s
        event.family = replace(event.family, airflow_sensor=family("g_s").airflow_sensor)
    event.waveform = wave
    event.moments = [moment - late for moment in foot.moments()]
    # steady before the snap, or what a first one left
    idle = still + float(np.mean(added[: ahead + 1])) if foot.judged == 0 else float(flow[ahead])
    if kind in (RISING, FAN) or (kind == ANYWHERE and foot.starts_s - late > 0.05):
        idle = _idle_ahead(time - late, flow, foot.starts_s - late)
    until = foot.starts_s + foot.every_s - 0.02 if foot.every_s and foot.judged == 0 else np.inf
    if foot.again:
        until = foot.starts_s + foot.hold_s + foot.fall_s + foot.lift_pause_s + foot.again_after_s - 0.02
    tell(event, time - late, flow, foot.starts_s - late, lifts - late, idle, still=still, until=until - late)
    if "engine_rpm" in wave.channels:
        _tell_run_up_of_speed(event, time - late, seen.rpm.astype(np.float64), lifts - late)
    if kind == LOG:
        tell_log(event, log)
    return event


def _tell_run_up_of_speed(event: Event, t: Floats, rpm: Floats, lifts: float) -> None:
    """The run-up where a speed is recorded beside the flow: until that is near its highest of the hold."""
    if "run_up_time_s" not in event.true:
        return
    held = (t >= event.true["opening_s"]) & (t < lifts)
    reached = np.flatnonzero(rpm[held] >= RUN_UP_DONE * rpm[held].max())
    event.true["run_up_time_s"] = float(t[held][reached[0]] - event.true["opening_s"])


def _idle_ahead(t: Floats, flow: Floats, opens: float) -> float:
    """Mean flow over the record ahead of the opening, at most 3 s. [g/s]"""
    return float(np.mean(flow[(t >= max(opens - 3.0, 0.0)) & (t < opens - 0.02)]))


def _with_added(wave: Waveform, fam: Family, t: Floats, added: Floats) -> Waveform:
    """A recording of more flow than was simulated, by the sensor's table."""
    name = fam.airflow_sensor.channel
    raw, flow = table_of(fam.airflow_sensor)
    signal = wave.channels[name].astype(np.float64)
    # a control unit that repeats a value for a while repeats what was added to it too
    fresh = np.concatenate(([True], signal[1:] != signal[:-1]))
    said_at = wave.time_s[np.maximum.accumulate(np.where(fresh, np.arange(signal.size), 0))]
    at = said_at if fam.airflow_sensor.reports_flow else wave.time_s
    more = np.interp(np.interp(signal, raw, flow) + np.interp(at, t, added), flow, raw)
    inside = (signal > raw[0]) & (signal < raw[-1])
    return make_waveform(wave.time_s, dict(wave.channels) | {name: np.where(inside, more, signal)})


def draw(hold: float, count: int, seed: int, kind: str = PLAIN) -> list[Event]:
    """Events of one hold length and kind of foot: a third from each source, of a kind that formulas don't have half.

    Parameters
    ----------
    hold : float
        Time from the foot's first movement to its lift, within 10 %. [s]
    count, seed : int
        How many, and the seed.
    kind : str
        One of `tests.studies.feet.KINDS`.
    """
    rng = np.random.default_rng([seed, int(1000 * hold), FEET.index(kind)])
    if kind != PLAIN:
        half = count // 2
        return _sample(hold, kind, half, rng) + _other(hold, kind, half, rng)
    third = count // 3
    return _analytic(hold, third, rng) + _sample(hold, kind, third, rng) + _other(hold, kind, third, rng)
