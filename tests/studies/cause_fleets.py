"""Fleets for the cause studies: invented families, healthy weeks, then a choice of futures for every van.

Every van is recorded healthy for some weeks; then each of its futures adds a few visits with one cause at one
severity (or none). One healthy past serves many futures, which keeps the studies affordable.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from data_contracts.capture import Conditions, capture_id
from data_contracts.causes import CAUSES, NONE
from data_contracts.errors import RegisterError
from data_contracts.family import Family
from data_contracts.weeks import week_of
from sample_fleet.families import individual, randomised_family
from sample_fleet.parameters import HEALTHY, Driver, Faults, Recorder, Surroundings, Vehicle
from sample_fleet.scenario import DEALT
from sample_fleet.simulate import Recording, simulate
from tests.studies.study_cache import kept

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
TRIM_SCAN_PCT = 0.8  # steps of a scan tool: 100/128 %
LONG, SHORT = Recording(2000.0, 8.0), Recording(2000.0, 2.0)
THROTTLE = ("throttle_pct",)


@dataclass(frozen=True)
class Capture:
    """One capture to simulate and read."""

    van_id: str
    vehicle: Vehicle
    family: Family
    at: datetime
    visit: str
    faults: Faults
    surroundings: Surroundings
    recording: Recording
    trims: bool
    future: int


@dataclass(frozen=True)
class Case:
    """What is wrong with a van in one of its futures."""

    van_id: str
    future: int
    cause: str
    severity: float


def fault(cause: str, severity: float, rng: np.random.Generator, vehicle: Vehicle) -> Faults:
    """A cause at a severity, with what is left open (bank, cylinder, edge, sign, flutter) drawn."""
    if cause == NONE:
        return HEALTHY
    return replace(
        HEALTHY,
        **{cause: severity},
        fault_bank=float(rng.integers(1, int(vehicle.engine.banks) + 1)),
        fault_cylinder=float(rng.integers(0, int(vehicle.engine.cylinders))),
        slow_edge=float(rng.choice([-1.0, 1.0])),
        offset_sign=float(rng.choice([-1.0, 1.0])),
        flutter=float(rng.choice([0.0, rng.uniform(0.3, 1.0)], p=[0.6, 0.4])),
    )


def possible(vehicle: Vehicle) -> list[str]:
    """Causes an engine can have and the generator can plant; a lambda sensor that is not recorded can still be ill, but never be seen."""
    return [code for code in DEALT if vehicle.engine.turbo > 0.5 or not CAUSES[code].turbo_only]


def weather(rng: np.random.Generator, day: int, altitude_kpa: float) -> Surroundings:
    """Air of one visit: season, weather, heat soak."""
    season = 12.0 - 9.0 * np.cos(2 * np.pi * (day + 10) / 365.0)
    return Surroundings(
        barometer_kpa=float(altitude_kpa + rng.normal(0, 0.9)),
        intake_air_c=float(season + rng.normal(0, 4.0) + rng.uniform(3, 15)),
        humidity_pct=float(rng.uniform(35, 90)),
        coolant_c=float(rng.uniform(84, 98)),
        battery_v=float(rng.uniform(13.6, 14.5)),
    )


def driver(rng: np.random.Generator, recording: Recording) -> Driver:
    """A fitter's foot."""
    return Driver(
        pedal_at_s=float(rng.uniform(2.6, 3.2) if recording.length_s > 4 else rng.uniform(0.55, 0.7)),
        pedal_rise_s=float(rng.uniform(0.05, 0.14)),
        hold_s=float(rng.uniform(0.95, 1.3) if recording.length_s > 4 else rng.uniform(0.8, 1.0)),
        pedal_fall_s=float(rng.uniform(0.05, 0.12)),
    )


def read(captures: Sequence[Capture], rng: np.random.Generator) -> pl.DataFrame:
    """Simulate and read captures: one row each, in the columns tracking takes, and `future`."""
    return kept((captures, rng.bit_generator.state), lambda: _read(captures, rng))


def _read(captures: Sequence[Capture], rng: np.random.Generator) -> pl.DataFrame:
    from models.reading.read import read_waveforms

    rows: list[dict[str, Any]] = []
    for recording in dict.fromkeys(c.recording for c in captures):
        alike = [c for c in captures if c.recording == recording]
        for start in range(0, len(alike), 400):
            part = alike[start : start + 400]
            batch = simulate(
                [c.vehicle for c in part],
                rng,
                recording=recording,
                surroundings=[c.surroundings for c in part],
                drivers=[driver(rng, recording) for _ in part],
                faults=[c.faults for c in part],
                recorders=[Recorder(recorder_offset_v=float(rng.normal(0, 0.003)), needles_per_s=0.5) for _ in part],
            )
            visits = {c.visit: rng.normal(0, 0.6, 2) for c in part}
            conditions = [_conditions(c, batch.truth, n, visits[c.visit]) for n, c in enumerate(part)]
            readings = read_waveforms(batch.waveforms(), [c.family for c in part], conditions)
            for row, (number, snap) in enumerate(zip(readings.recording.tolist(), readings.snap.tolist(), strict=True)):
                c, around = part[number], conditions[number]
                rows.append(
                    {
                        "capture_id": capture_id(f"{c.future}-{c.visit}-{start + number}", c.van_id, c.at, snap),
                        "future": c.future,
                        "van_id": c.van_id,
                        "family": c.family.name,
                        "depot": "north",
                        "captured_at": c.at,
                        "week": week_of(c.at),
                        "visit": c.visit,
                        "grade": readings.grade[row],
                        "grade_reasons": list(readings.grade_reasons[row]),
                        "rate_hz": recording.rate_hz,
                        "length_s": recording.length_s,
                        "coolant_c": around.coolant_c,
                        "intake_air_c": around.intake_air_c,
                        "barometer_kpa": around.barometer_kpa,
                        "humidity_pct": around.humidity_pct,
                        "altitude_m": None,
                        "recorder_serial": "r1",
                        "ecu_software": "s1",
                        "fuel": "E5",
                    }
                    | {name: float(column[row]) for name, column in readings.values.items()}
                    | {name + "_u": float(column[row]) for name, column in readings.u.items()}
                )
    return pl.DataFrame(rows, infer_schema_length=None).with_columns(pl.col(pl.Float64).fill_nan(None))


def _conditions(c: Capture, truth: dict[str, Any], row: int, scan: np.ndarray) -> Conditions:
    def trim(name: str, off: float) -> float | None:
        return round((float(truth[name][row]) + off) / TRIM_SCAN_PCT) * TRIM_SCAN_PCT if c.trims else None

    return Conditions(
        coolant_c=round(c.surroundings.coolant_c),
        intake_air_c=round(c.surroundings.intake_air_c),
        barometer_kpa=round(c.surroundings.barometer_kpa, 1),
        humidity_pct=round(c.surroundings.humidity_pct),
        closed_loop=True,
        trim_idle_pct=trim("trim_idle_pct", scan[0]),
        trim_2500_pct=trim("trim_2500_pct", scan[1]),
        fuel="E5",
    )


def draw_families(
    rng: np.random.Generator,
    count: int,
    accept: Callable[[Vehicle], bool],
    change: Callable[[Vehicle], Vehicle] | None = None,
) -> list[tuple[Vehicle, Family]]:
    """Invented families that a study asks for, each with a lambda sensor."""
    found: list[tuple[Vehicle, Family]] = []
    while len(found) < count:
        try:
            vehicle, family = randomised_family(rng, name=f"invented-{len(found):03d}")
        except RegisterError:  # a peak outside the table drawn for it: not an entry an owner could write
            continue
        if accept(vehicle) and vehicle.lambda_kind != "none":
            found.append((vehicle if change is None else change(vehicle), family))
    return found


def _visit(
    rng: np.random.Generator,
    base: Capture,
    week: int,
    altitude: float | None,
    *,
    repeats: int,
    trims_share: float,
) -> list[Capture]:
    """The snaps of one visit of a van; in its base weather where no pressure [kPa] is given."""
    around = base.surroundings if altitude is None else weather(rng, 7 * week, altitude)
    at = START + timedelta(weeks=week, hours=float(rng.uniform(0, 90)))
    trims = bool(rng.random() < trims_share)
    return [
        replace(
            base,
            at=at + timedelta(minutes=2 * repeat),
            visit=f"{base.van_id}-{base.future}-{week}",
            surroundings=around,
            trims=trims,
        )
        for repeat in range(repeats)
    ]


def cohort(
    rng: np.random.Generator,
    families: Sequence[tuple[Vehicle, Family]],
    *,
    vans: int,
    futures: Callable[[Vehicle, np.random.Generator], list[tuple[str, float]]],
    healthy_weeks: int,
    faulty_weeks: int,
    repeats: int = 3,
    short_share: float = 0.3,
    trims_share: float = 0.8,
    throttle_share: float = 0.3,
    same_air: bool = False,
) -> tuple[list[Capture], list[Case]]:
    """Captures of vans with a healthy past (future −1) and several futures each.

    Parameters
    ----------
    rng : numpy.random.Generator
    families : sequence of (Vehicle, Family)
    vans : int
        Per family.
    futures : callable
        (cause, severity) of each future of a van.
    healthy_weeks, faulty_weeks : int
        Weekly visits before, and in each future.
    repeats : int
        Snaps per visit.
    short_share, trims_share : float
        Share of vans recorded for 2 s; of visits with trims. [1]
    throttle_share : float
        Share of vans whose throttle position is recorded. [1]
    same_air : bool
        One weather for all visits of a van, to see effects free of it.

    Returns
    -------
    list of Capture, list of Case
    """
    captures: list[Capture] = []
    cases: list[Case] = []
    for blueprint, family in families:
        altitude = float(rng.choice([101.0, 99.5, 94.0]))
        for number in range(vans):
            van_id = f"{family.name}-{number:02d}"
            vehicle = individual(blueprint, rng)
            recording = SHORT if rng.random() < short_share else LONG
            if rng.random() < throttle_share:
                recording = replace(recording, extras=THROTTLE)
            fixed = weather(rng, int(rng.integers(365)), altitude)

            base = Capture(van_id, vehicle, family, START, "", HEALTHY, fixed, recording, True, -1)
            for week in range(healthy_weeks):
                captures += _visit(
                    rng, base, week, None if same_air else altitude, repeats=repeats, trims_share=trims_share
                )
            for future, (cause, severity) in enumerate(futures(vehicle, rng)):
                ill = replace(base, future=future, faults=fault(cause, severity, rng, vehicle))
                cases.append(Case(van_id, future, cause, severity))
                for week in range(healthy_weeks, healthy_weeks + faulty_weeks):
                    captures += _visit(
                        rng, ill, week, None if same_air else altitude, repeats=repeats, trims_share=trims_share
                    )
    return captures, cases
