"""Captures of the second fleet, in memory, with the truth of each."""

import numpy as np
import polars as pl

from data_contracts.capture import Conditions, Waveform
from tests.otherfleet.recording import Capture, Recorder, Run, record
from tests.otherfleet.structured_kinds import kind_of
from tests.otherfleet.vans import Van, Visit, engine_for, new_van, new_visit, simulate

SHORT_HOLD_S = 0.75
"""Below it a van's snaps are short, as most real ones are. [s]"""
SPOILED = ("throttle_half", "too_short", "early_trigger", "clipped", "cold", "ends_early")


def make_capture(
    van: Van,
    visit: Visit,
    recorder: Recorder,
    rng: np.random.Generator,
    *,
    cause: str | None = None,
    severity: float = 0.0,
    spoiled: str | None = None,
) -> Capture:
    """One capture.

    Parameters
    ----------
    van, visit, recorder
        Who, when, with what.
    rng : numpy.random.Generator
        Everything random.
    cause : str or None
        Code of `data_contracts.causes`.
    severity : float
        0 to 1, as trade and contracts define it.
    spoiled : str or None
        One of `SPOILED`.

    Returns
    -------
    Capture
    """
    kind = kind_of(van.family)
    engine, trim_idle, trim_load = engine_for(van, visit, cause, severity, cold=spoiled == "cold")
    before = recorder.before_s + rng.normal(0.0, 0.05 if recorder.length_s < 4 else 0.25)
    length = recorder.length_s
    if van.hold_s >= SHORT_HOLD_S:
        hold = float(np.clip(van.hold_s + rng.normal(0, 0.15), SHORT_HOLD_S, 2.0))
    else:
        hold = float(np.clip(van.hold_s * np.exp(rng.normal(0, 0.15)), 0.2, SHORT_HOLD_S))
    if spoiled == "too_short":
        hold = float(rng.uniform(0.10, 0.22))
    if spoiled == "throttle_half":
        engine = engine._replace(plate_max=float(rng.uniform(0.35, 0.5)))
    if spoiled == "early_trigger":
        before = length - float(rng.uniform(0.05, 0.25)) if rng.random() < 0.5 else length + 0.5
    if spoiled == "ends_early":
        length = before + float(rng.uniform(0.15, 0.28))
    opening = max(before, 0.15)
    foot = float(np.clip(van.foot_s * np.exp(rng.normal(0, 0.2)), 0.04, 0.3))
    engine = engine._replace(
        opening_s=opening, release_s=opening + hold, foot_s=foot, pause=van.pause, pause_s=van.pause_s
    )
    time, out = simulate(engine, 0.0, length + 0.01, int(rng.integers(2**62)))
    captured = Run(
        kind=kind,
        van=van,
        visit=visit,
        recorder=recorder,
        engine=engine,
        time=time,
        out=out,
        length=length,
        trim_idle=trim_idle,
        trim_load=trim_load,
        cause=cause,
        severity=severity,
        spoiled=spoiled,
    )
    return record(captured, rng)


def new_recorder(serial: int, rng: np.random.Generator) -> Recorder:
    """One of the fleet's instruments."""
    long = rng.random() < 0.75
    return Recorder(
        serial=f"R{serial:03d}",
        rate_hz=float(rng.choice([500.0, 1000.0, 2000.0, 5000.0] if not long else [500.0, 1000.0, 1000.0, 2000.0])),
        length_s=float(rng.uniform(8.0, 10.0)) if long else 2.0,
        before_s=3.0 if long else 0.6,
        bits=int(rng.choice([12, 16])),
        span_v=float(rng.choice([5.2, 10.0])),
        noise_v=float(rng.uniform(0.001, 0.006)),
        offset_v=float(rng.normal(0, 0.003)),
        hum_v=float(rng.choice([0.0, 0.0, 0.003, 0.008])),
        jitter=float(rng.choice([0.0, 0.0, 0.05])),
        needles_per_s=float(rng.choice([0.0, 0.0, 0.5])),
    )


def make_captures(
    family: str,
    n: int,
    cause: str | None = None,
    severity: float = 0.0,
    *,
    rng: np.random.Generator,
    spoiled: str | None = None,
    recorder: Recorder | None = None,
    scatter: float = 1.0,
    reference: bool = False,
) -> tuple[list[Waveform], list[Conditions], pl.DataFrame]:
    """Captures of `n` vans of one family, for checks at unit level.

    Parameters
    ----------
    family : str
        A name of `tests.otherfleet.structured_kinds.kind_of`.
    n : int
        How many vans, one capture each.
    cause, severity, spoiled
        As `make_capture` takes them.
    rng : numpy.random.Generator
        Everything random.
    recorder : Recorder or None
        One instrument for all; None draws one each.
    scatter : float
        Scale of the differences between vans.
    reference : bool
        All at reference conditions.

    Returns
    -------
    list of Waveform, list of Conditions, polars.DataFrame
        One row of truth per capture.
    """
    captures = []
    for number in range(n):
        van = new_van(family, rng, scatter)
        visit = Visit()
        if not reference:
            visit = new_visit(
                rng,
                altitude_m=float(rng.choice([20.0, 240.0, 520.0, 900.0])),
                ambient_c=float(rng.uniform(-2, 30)),
                fuel=str(rng.choice(["E5", "E10"])),
            )
        captures.append(
            make_capture(
                van, visit, recorder or new_recorder(number, rng), rng, cause=cause, severity=severity, spoiled=spoiled
            )
        )
    return [c.waveform for c in captures], [c.conditions for c in captures], pl.DataFrame([c.truth for c in captures])
