"""Fleets of the second simulator for the cause study of structures: a healthy past, then a future with every cause.

Vans of a family differ in how they are recorded: for 9 or 2.4 s, and held for a second or as briefly as most real snaps.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from data_contracts.capture import capture_id
from data_contracts.causes import CAUSES, NONE
from data_contracts.family import Family
from data_contracts.weeks import week_of
from tests.otherfleet.captures import make_capture, new_recorder
from tests.otherfleet.families import family_of
from tests.otherfleet.make import Row
from tests.otherfleet.recording import Capture, Recorder
from tests.otherfleet.structured_kinds import families_of, kind_of
from tests.otherfleet.vans import Van, new_van, new_visit
from tests.studies.cause_fleets import Case
from tests.studies.study_cache import kept

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
SEVERITIES = (0.3, 0.6, 1.0)
HEALTHY_WEEKS, FAULTY_WEEKS, REPEATS = 8, 2, 3
ALTITUDES_M = (20.0, 240.0, 900.0)
OTHERFLEET = Path(__file__).parents[1] / "otherfleet"


@dataclass(frozen=True)
class Recorded:
    """How a van is recorded: length and what comes before the snap [s], and the range of its holds [s].

    Its samples come at `rate_hz`, the instrument's own where that is None; the foot goes down in two stages where `staged` says so.
    """

    name: str
    length_s: float
    before_s: float
    holds_s: tuple[float, float]
    rate_hz: float | None = None
    staged: bool = False

    def recorder(self, number: int, rng: np.random.Generator) -> Recorder:
        """An instrument that records so."""
        one = replace(new_recorder(number, rng), length_s=self.length_s, before_s=self.before_s)
        return one if self.rate_hz is None else replace(one, rate_hz=self.rate_hz)

    def driven(self, van: Van, rng: np.random.Generator) -> Van:
        """The van with the foot that holds so."""
        van = replace(van, hold_s=float(rng.uniform(*self.holds_s)))
        if self.staged:
            van = replace(van, pause=float(rng.uniform(0.35, 0.6)), pause_s=float(rng.uniform(0.06, 0.18)))
        return van


LONG = Recorded("9 s, held a second and more", 9.0, 3.0, (1.2, 1.6))
SHORT = Recorded("2.4 s, held a second and more", 2.4, 0.6, (1.15, 1.35))
BRIEF = Recorded("2.4 s, held 0.2 to 0.6 s", 2.4, 0.6, (0.25, 0.6))
RECORDED = (LONG, SHORT, LONG, SHORT, BRIEF)
"""How the vans of a family are recorded, in turn."""
RECORDED_LATER = (
    LONG,
    Recorded("4 s, 250 Hz, held 0.55 to 0.95 s in two stages", 4.0, 1.0, (0.55, 0.95), 250.0, staged=True),
    Recorded("2 s, 2,000 Hz, held a second", 2.0, 0.6, (0.95, 1.15), 2000.0),
    Recorded("6 s, 100 Hz, held 0.8 to 1.4 s", 6.0, 2.0, (0.8, 1.4), 100.0),
    BRIEF,
)
"""The same of the structures that were drawn last."""
LAST = ("alder", "rowan", "hazel", "larch")


@dataclass(frozen=True)
class StructureFleet:
    """Readings of one structure's fleet, what each future holds, and the register.

    Attributes
    ----------
    frame : polars.DataFrame
        One row per capture, in the columns tracking takes, and `future`; -1 is the healthy past.
    cases : list of Case
    register, family_of : dict of str to Family
        By name, and by van.
    """

    frame: pl.DataFrame
    cases: list[Case]
    register: dict[str, Family]
    family_of: dict[str, Family]


def recorded_of(van_id: str) -> str:
    """How a van of these fleets is recorded, by its id."""
    family, _, number = van_id.rpartition("-")
    return recordings_of(kind_of(family).structure.name)[int(number) % len(RECORDED)].name


def recordings_of(structure: str) -> tuple[Recorded, ...]:
    """How the vans of a structure's families are recorded, in turn."""
    return RECORDED_LATER if structure in LAST else RECORDED


def futures_of(van: Van, number: int, rng: np.random.Generator) -> list[tuple[str, float]]:
    """Cause and severity of each future of a van: every cause its engine can have and none, severities in turn.

    In an order of the van's own: what moves all vans of a family at once is weather to the tracking, not a fault.
    """
    causes = [code for code in CAUSES if kind_of(van.family).turbo or not CAUSES[code].turbo_only]
    each = len(SEVERITIES)
    # severities turn with the van and with how it is recorded, so that each cause meets each severity
    turn = number + number // len(RECORDED)
    coming = [*((code, SEVERITIES[(turn + n) % each]) for n, code in enumerate(causes)), (NONE, 0.0)]
    return [coming[n] for n in rng.permutation(len(coming))]


def structure_fleet(structure: str, seed: int, vans: int) -> StructureFleet:
    """Simulate and read the fleet of one structure.

    Parameters
    ----------
    structure : str
        A key of `tests.otherfleet.structures.STRUCTURES`.
    seed : int
    vans : int
        Per family.

    Returns
    -------
    StructureFleet
    """
    names = families_of(structure)
    rng = np.random.default_rng([seed, 17])
    fleet = {f"{name}-{number:02d}": (new_van(name, rng), number) for name in names for number in range(vans)}
    cases = [
        Case(van_id, future, cause, severity)
        for van_id, (van, number) in fleet.items()
        for future, (cause, severity) in enumerate(futures_of(van, number, rng))
    ]
    asked = (structure, seed, vans, HEALTHY_WEEKS, FAULTY_WEEKS, REPEATS, recordings_of(structure), cases)
    frame = kept(asked, lambda: _read(fleet, cases, seed, recordings_of(structure)), OTHERFLEET)
    return StructureFleet(
        frame,
        cases,
        {name: family_of(name) for name in names},
        {van_id: family_of(van.family) for van_id, (van, _) in fleet.items()},
    )


def _read(
    fleet: dict[str, tuple[Van, int]], cases: list[Case], seed: int, recordings: tuple[Recorded, ...]
) -> pl.DataFrame:
    """Simulate and read every visit; one row each capture."""
    rows: list[dict[str, Any]] = []
    for place, (van_id, (van, number)) in enumerate(fleet.items()):
        rng = np.random.default_rng([seed, place])
        recorded = recordings[number % len(recordings)]
        van = recorded.driven(van, rng)
        instrument, altitude = recorded.recorder(place, rng), float(rng.choice(ALTITUDES_M))
        past = [(-1, week, None, 0.0) for week in range(HEALTHY_WEEKS)]
        coming = [
            (case.future, week, case.cause, case.severity)
            for case in cases
            if case.van_id == van_id
            for week in range(HEALTHY_WEEKS, HEALTHY_WEEKS + FAULTY_WEEKS)
        ]
        taken: list[tuple[dict[str, Any], Capture]] = []
        for future, week, cause, severity in [*past, *coming]:
            ambient = float(9.0 - 9.0 * np.cos(2 * np.pi * (week + 1.0) / 52.0) + rng.normal(0.0, 4.0))
            visit = new_visit(
                rng, altitude_m=altitude, ambient_c=ambient, fuel=str(rng.choice(["E5", "E10"])), present=0.85
            )
            at = START + timedelta(weeks=week, hours=float(rng.uniform(0, 90)))
            ill = None if cause == NONE else cause
            for repeat in range(REPEATS):
                capture = make_capture(van, visit, instrument, rng, cause=ill, severity=severity)
                row = {
                    "future": future,
                    "van_id": van_id,
                    "family": van.family,
                    "depot": "north",
                    "captured_at": at + timedelta(minutes=2 * repeat),
                    "week": week_of(at),
                    "visit": f"{van_id}-{future}-{week}",
                    "rate_hz": instrument.rate_hz,
                    "length_s": instrument.length_s,
                    "recorder_serial": instrument.serial,
                    "ecu_software": "s1",
                    "fuel": visit.fuel,
                }
                taken.append((row, capture))
        rows += read_van(family_of(van.family), taken)
    return pl.DataFrame(rows, infer_schema_length=None).with_columns(pl.col(pl.Float64).fill_nan(None))


def about(row: Row, family: str) -> dict[str, Any]:
    """What tracking takes of one capture of the second simulator's fleet, beside its readings: `read_van` adds those.

    Parameters
    ----------
    row : Row
        The capture with its place in time.
    family : str
        Of its van.
    """
    return {
        "van_id": row.van_id,
        "family": family,
        "depot": row.depot,
        "captured_at": row.captured_at,
        "week": week_of(row.captured_at),
        "visit": row.visit,
        "rate_hz": row.recorder.rate_hz,
        "length_s": row.recorder.length_s,
        "recorder_serial": row.recorder.serial,
        "ecu_software": "s1",
        "fuel": row.capture.conditions.fuel,
    }


def read_van(family: Family, taken: list[tuple[dict[str, Any], Capture]]) -> Iterable[dict[str, Any]]:
    """Rows of one van's captures with their readings."""
    from models.reading.read import read_waveforms

    captures = [capture for _, capture in taken]
    readings = read_waveforms([c.waveform for c in captures], [family] * len(taken), [c.conditions for c in captures])
    for n, (number, snap) in enumerate(zip(readings.recording.tolist(), readings.snap.tolist(), strict=True)):
        row, around = taken[number][0], captures[number].conditions
        yield (
            row
            | {
                "capture_id": capture_id(f"{row['visit']}-{number}", row["van_id"], row["captured_at"], snap),
                "grade": readings.grade[n],
                "grade_reasons": list(readings.grade_reasons[n]),
                "coolant_c": around.coolant_c,
                "intake_air_c": around.intake_air_c,
                "barometer_kpa": around.barometer_kpa,
                "humidity_pct": around.humidity_pct,
                "altitude_m": around.altitude_m,
            }
            | {name: float(column[n]) for name, column in readings.values.items()}
            | {name + "_u": float(column[n]) for name, column in readings.u.items()}
        )
