"""What feet and loggers do to a snap, drawn for the study of short holds; each kind alone, so that its effect is seen.

Every size is common practice or a guess, no source: a foot that stops on its way, comes back or snaps twice; a record
that begins in overrun, in the rise or in the hold; an engine in gear, an idle that climbs, a fan that cuts in; a scan
tool that asks for its channels in turn, writes coarse stamps and loses bursts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform, make_waveform

Floats = NDArray[np.float64]
PLAIN, IN_STEPS, SLOW, LIFTS_IN_STEPS, LIFTS_SLOWLY, AGAIN, DOUBLE, OVERRUN, GEAR, RISING, FAN, ANYWHERE, LOG = (
    KINDS
) = (
    "plain",
    "opens in two steps",
    "opens slowly",
    "lifts in two steps",
    "lifts slowly",
    "comes back",
    "two in a row",
    "from overrun",
    "in gear",
    "rising idle",
    "fan",
    "begins anywhere",
    "scan-tool log",
)


@dataclass(frozen=True)
class Foot:
    """One press of the pedal, as both simulators take it, and what surrounds it.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    opens_s, hold_s, rise_s, fall_s : float
        First movement, time from there to the lift, time down and up. [s]
    pause, pause_s, lift_pause, lift_pause_s : float
        A stop on the way down, and one on the way up, as parts of the way. [1], [s]
    again, again_after_s, again_s : float
        Coming back after the lift. [1], [s]
    every_s : float
        From one snap to the next, 0 for a single one. [s]
    judged : int
        Which snap of the recording is judged.
    inertia : float
        Of what turns, times that of the engine in neutral. [1]
    """

    kind: str = PLAIN
    opens_s: float = 1.2
    hold_s: float = 0.4
    rise_s: float = 0.07
    fall_s: float = 0.08
    pause: float = 1.0
    pause_s: float = 0.0
    lift_pause: float = 0.0
    lift_pause_s: float = 0.0
    again: float = 0.0
    again_after_s: float = 0.3
    again_s: float = 0.2
    every_s: float = 0.0
    judged: int = 0
    inertia: float = 1.0

    @property
    def starts_s(self) -> float:
        """First movement of the snap that is judged. [s]"""
        return self.opens_s + self.judged * self.every_s

    def moments(self) -> list[float]:
        """Middle of every movement that is no snap to be judged: another snap, a foot that comes back. [s]"""
        snaps = 2 if self.every_s else 1
        out = [self.opens_s + k * self.every_s + 0.5 * self.hold_s for k in range(snaps) if k != self.judged]
        if self.again:
            up = self.starts_s + self.hold_s + self.fall_s + self.lift_pause_s
            out.append(up + self.again_after_s + 0.5 * self.again_s)
        return out


def draw_foot(kind: str, hold: float, rng: np.random.Generator) -> Foot:
    """One foot of a kind; `hold` within 10 %. [s]"""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    base = {
        "kind": kind,
        "opens_s": between(1.0, 1.3),
        "hold_s": hold * between(0.9, 1.1),
        "rise_s": between(0.03, 0.1),
        "fall_s": between(0.04, 0.12),
    }
    held = base["hold_s"]
    more: dict[str, float] = {}
    if kind == IN_STEPS:
        more = {"pause": between(0.2, 0.6), "pause_s": min(between(0.05, 0.2), 0.5 * held)}
    elif kind == SLOW:
        more = {"rise_s": min(between(0.12, 0.35), 0.9 * held)}
    elif kind == LIFTS_IN_STEPS:
        more = {"lift_pause": between(0.2, 0.6), "lift_pause_s": between(0.08, 0.25)}
    elif kind == LIFTS_SLOWLY:
        more = {"fall_s": between(0.2, 0.4)}
    elif kind == AGAIN:
        more = {"again": between(0.12, 0.4), "again_after_s": between(0.15, 0.6), "again_s": between(0.12, 0.3)}
    elif kind == DOUBLE:
        more = {"every_s": held + base["fall_s"] + between(0.3, 1.2), "judged": int(rng.integers(2))}
    elif kind == OVERRUN:
        more = {"every_s": held + base["fall_s"] + between(0.25, 0.8), "judged": 1}
    elif kind == GEAR:
        more = {"inertia": between(2.0, 6.0)}
    return Foot(**(base | more))  # type: ignore[arg-type]


def idle_added(kind: str, t: Floats, foot: Foot, idle: float, rng: np.random.Generator) -> Floats:
    """Flow that an idle which climbs, or a fan, adds while the plate is closed. [g/s]"""
    if kind == RISING:
        return idle * rng.uniform(0.1, 0.4) * float(rng.choice([-1.0, 1.0])) * (t - t[0]) / (t[-1] - t[0])
    if kind == FAN:
        before = rng.random() < 0.5
        lift = foot.starts_s + foot.hold_s
        at = foot.starts_s - rng.uniform(0.15, 0.9) if before else lift + rng.uniform(0.3, 2.5)
        late = np.clip(t - at, 0.0, None)
        swing = 1.0 - np.exp(-late / 0.12) * np.cos(2.0 * np.pi * 2.0 * late)
        return idle * rng.uniform(0.08, 0.25) * float(rng.choice([-1.0, 1.0])) * swing
    return np.zeros(t.size)


def begins_s(kind: str, foot: Foot, rng: np.random.Generator) -> float:
    """Where the record begins, of the time simulated. [s]"""
    if kind == OVERRUN:
        return foot.opens_s + foot.hold_s + foot.fall_s + float(rng.uniform(0.05, 0.15))
    if kind == ANYWHERE:
        return foot.starts_s + float(rng.uniform(-0.35, 0.6 * foot.hold_s))
    return 0.0


def cropped(wave: Waveform, first_s: float) -> tuple[Waveform, float]:
    """A recording without what came before a moment, and how much of its time that was. [s]"""
    keep = wave.time_s >= first_s
    if keep.all():
        return wave, 0.0
    late = float(wave.time_s[keep][0])
    return make_waveform(wave.time_s[keep] - late, {name: c[keep] for name, c in wave.channels.items()}), late


@dataclass(frozen=True)
class Log:
    """A scan-tool log of one snap: the recording, and what its sampling leaves to be seen.

    Attributes
    ----------
    wave : Waveform
        Reported flow and engine speed.
    late_s : float
        Of its first stamp. [s]
    rate_hz : float
        At which the flow is updated. [Hz]
    lost : tuple of float
        Begin and end of the burst that is missing; both 0 for none. [s]
    """

    wave: Waveform
    late_s: float
    rate_hz: float
    lost: tuple[float, float]


def log_of(t: Floats, flow: Floats, rpm: Floats, rng: np.random.Generator) -> Log:
    """What a scan tool writes down of a snap: 8 to 20 rows a second, channels in turn, coarse stamps, a burst lost.

    Parameters
    ----------
    t, flow, rpm : ndarray of shape (samples,)
        Time, clean flow and engine speed. [s], [g/s], [1/min]
    rng : numpy.random.Generator
        Source of everything.
    """
    rate, turns = float(rng.uniform(8.0, 20.0)), int(rng.choice([1, 1, 2]))
    rows = np.arange(int((t[-1] - t[0]) * rate) - 1)
    asked = (rows + rng.uniform(0.0, 1.0) + rng.uniform(-0.15, 0.15, rows.size)) / rate + t[0]
    answered = asked - rng.uniform(0.0, 0.3) / rate  # the control unit's value is older than its stamp
    columns = {}
    for place, (name, trace) in enumerate((("airflow_g_s", flow), ("engine_rpm", rpm))):
        value = np.interp(answered, t, trace)
        mine = (rows + place) % turns == 0
        last = np.maximum.accumulate(np.where(mine, rows, 0))
        columns[name] = np.round(value[last], 2 if place == 0 else 0)
    lost = (0.0, 0.0)
    keep = np.ones(rows.size, dtype=bool)
    if rng.random() < 0.4:
        begin = float(rng.uniform(t[0] + 0.5, t[-1] - 1.0))
        lost = (begin, begin + float(rng.uniform(0.25, 0.8)))
        keep = (asked < lost[0]) | (asked > lost[1])
    stamps = asked[keep]
    if rng.random() < 0.4:  # a clock of whole hundredths or twentieths; rows of one stamp are spread over its tick
        tick = float(rng.choice([0.01, 0.05, 0.1]))
        stamps = _spread(np.floor(stamps / tick) * tick, tick)
    late = float(stamps[0])
    return Log(make_waveform(stamps - late, {n: c[keep] for n, c in columns.items()}), late, rate / turns, lost)


def _spread(stamps: Floats, tick: float) -> Floats:
    """Repeated stamps, spread evenly over the tick they share."""
    _, first, count = np.unique(stamps, return_index=True, return_counts=True)
    return np.asarray(np.concatenate([stamps[a] + tick * np.arange(n) / n for a, n in zip(first, count, strict=True)]))
