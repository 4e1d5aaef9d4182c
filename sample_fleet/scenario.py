"""The life of a fleet: depots and their weather, vans, visits, faults that start, grow, come and go, and repairs."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta, timezone
from typing import Any, Literal

import numpy as np

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import Planted
from sample_fleet.combustion import PETROL, air_fuel_ratio
from sample_fleet.parameters import Driver, Faults, Recorder, Surroundings, Vehicle
from sample_fleet.simulate import Recording

Profile = Literal["ramp", "step", "intermittent"]
LONG, SHORT = Recording(1000.0, 9.0), Recording(2000.0, 2.0)
LOCAL_TIME = timezone(timedelta(hours=1))
PLANTED: Mapping[str, Planted] = {cause.code: cause.planted for cause in EVERY_CAUSE.values() if cause.planted}
"""The causes this fleet can plant; each has its field in `Faults`."""
DEALT = tuple(code for code, planted in PLANTED.items() if planted.dealt)
"""Those a fleet gets without being told to."""
FUELS = {name: air_fuel_ratio(*composition) for name, composition in PETROL.items()}


@dataclass(frozen=True)
class Feet:
    """How the technicians press the pedal: few hold it as long as they are told to. Sizes are a guess, no source.

    Attributes
    ----------
    hold_s : float
        Median time from the first movement to the lift. [s]
    visits, snaps : float
        Standard deviation of its logarithm from visit to visit, one foot each, and from snap to snap of one foot. [1]
    shortest_s, longest_s : float
        Limits of what is drawn. [s]
    in_steps, lifts_in_steps : float
        Share of snaps that open, and that close, in two steps. [1]
    """

    hold_s: float = 0.6
    visits: float = 0.3
    snaps: float = 0.25
    shortest_s: float = 0.15
    longest_s: float = 1.6
    in_steps: float = 0.06
    lifts_in_steps: float = 0.06


REAL_FEET = Feet()
"""As in a real fleet."""


@dataclass(frozen=True)
class Scenario:
    """What to plan.

    Attributes
    ----------
    vans, weeks, repeats, depots : int
        Size of the fleet, length, snaps per visit, places (at most 5).
    altitudes : tuple of 5 float
        Of the places, the first `depots` of which there are. [m]
    start : date
        A Monday.
    fault_share : float
        Share of vans that get a fault. [1]
    causes : tuple of str
        Codes faults are dealt from, in turn.
    profiles : tuple of str
        Profiles they are drawn from; causes that come and go by nature prefer "intermittent".
    severity : tuple of float
        Range of the severity at the end. [1]
    onset_weeks : tuple of float
        Range of the onset, as a share of the length. [1]
    repair_share, repair_failure : float
        Share of faults repaired before the end; share of repairs that do not mend. [1]
    spoiled : float
        Share of captures the technician spoils. [1]
    feet : Feet, optional
        How the others are made; default: every one held about a second, as asked.
    cold_visits, missing, trims : float
        Share of visits on a cold engine; of each condition not written down; of visits with trims. [1]
    long_share : float
        Share of recordings of the first kind; the others share the rest. [1]
    recordings : tuple of Recording
        The kinds: by default 9 s and 2 s.
    needles_per_s : float
        Ignition interference on the leads. [1/s]
    weather, scatter, recorder_errors : float
        Scale of weather, of differences between vans, of errors of the instruments; 1 is usual. [1]
    recorder_drift_v_week : float
        Drift of the first depot's first instrument. [V per week]
    recorder_shift_v : float
        Offset the same instrument has on top in the last week. [V]
    instruments : int
        Recorders of a depot, 1 or 2.
    visit_every : tuple of int
        Intervals between a van's visits, drawn van by van. [weeks]
    depot_of : tuple of int
        Depot of each van in turn, counted from 0; empty draws them.
    planted : mapping of int to FaultPlan, optional
        Faults by van, counted from 0; default: dealt out by the shares above.
    written : mapping of str to float
        Share of what is optional that a depot's manifest holds, where it is not `missing` that decides. [1]
    wrong_polarity : tuple of str
        Families whose register entry has the lambda polarity the wrong way round.
    families : mapping of str to Vehicle, optional
        Calibrated blueprints; default: the built-in ones.
    tables : mapping of str to dict, optional
        Their entries in families.toml; default: made from the blueprints, slightly imperfect.
    """

    vans: int = 60
    weeks: int = 26
    repeats: int = 3
    depots: int = 5
    altitudes: tuple[float, ...] = (45.0, 4.0, 640.0, 180.0, 95.0)
    start: date = date(2026, 1, 5)
    fault_share: float = 0.28
    causes: tuple[str, ...] = DEALT
    profiles: tuple[Profile, ...] = ("ramp", "ramp", "ramp", "step", "intermittent")
    severity: tuple[float, float] = (0.6, 1.0)
    onset_weeks: tuple[float, float] = (0.15, 0.65)
    repair_share: float = 0.3
    repair_failure: float = 0.1
    spoiled: float = 0.06
    feet: Feet | None = None
    cold_visits: float = 0.015
    missing: float = 0.06
    trims: float = 0.85
    long_share: float = 0.65
    recordings: tuple[Recording, ...] = (LONG, SHORT)
    needles_per_s: float = 0.25
    weather: float = 1.0
    scatter: float = 1.0
    recorder_errors: float = 1.0
    recorder_drift_v_week: float = 0.0
    recorder_shift_v: float = 0.0
    instruments: int = 2
    visit_every: tuple[int, ...] = (1, 2)
    depot_of: tuple[int, ...] = ()
    planted: Mapping[int, "FaultPlan"] | None = None
    written: Mapping[str, float] = field(default_factory=dict)
    wrong_polarity: tuple[str, ...] = ()
    families: Mapping[str, Vehicle] | None = None
    tables: Mapping[str, dict[str, Any]] | None = None


@dataclass(frozen=True)
class FaultPlan:
    """A fault of one van: cause, end severity, when and how it comes, when it is repaired, whether that mends it and how long."""

    cause: str
    severity: float
    onset: datetime
    profile: Profile
    ramp_days: float
    active_share: float
    details: Faults
    repaired: datetime | None = None
    mended: bool = True
    again: datetime | None = None

    def level(self, moment: datetime) -> float:
        """Severity at a moment, of an intermittent fault while it is active. [1]"""
        mended = self.repaired is not None and self.mended and moment >= self.repaired
        if moment < self.onset or (mended and (self.again is None or moment < self.again)):
            return 0.0
        if self.profile == "step":
            return self.severity
        return self.severity * min((moment - self.onset) / timedelta(days=self.ramp_days), 1.0)

    def learned(self, moment: datetime) -> float:
        """Severity the long trims have settled on: the mean of the last days of driving. [1]"""
        days = [self.level(moment - timedelta(days=back)) for back in (0.5, 2.0, 4.0, 6.0)]
        share = self.active_share if self.profile == "intermittent" else 1.0
        return share * float(np.mean(days))

    def faults(self, severity: float) -> Faults:
        """The generator's faults at a severity."""
        return replace(self.details, **{self.cause: severity})


@dataclass(frozen=True)
class Depot:
    """A place with its weather per day of the scenario and its instruments."""

    name: str
    altitude_m: float
    air_c: np.ndarray
    barometer_kpa: np.ndarray
    humidity_pct: np.ndarray
    instruments: tuple[str, ...]
    offsets_v: tuple[float, ...]
    gains: tuple[float, ...]
    notes_humidity: bool


@dataclass(frozen=True)
class Van:
    """One van of the fleet."""

    van_id: str
    family: str
    depot: int
    vehicle: Vehicle
    in_service_on: date
    warranty_until: date
    odometer_km: float
    km_per_week: float
    every_weeks: int
    phase: int
    fuel: str
    fault: FaultPlan | None


@dataclass(frozen=True)
class Repair:
    """A row of repairs.csv."""

    van_id: str
    done_at: datetime
    work: str
    parts: str


@dataclass(frozen=True)
class CapturePlan:
    """One capture before it is simulated: who, when, under what, and what is written down."""

    van: int
    visit: str
    repeat: int
    captured_at: datetime
    recording: Recording
    surroundings: Surroundings
    driver: Driver
    recorder: Recorder
    instrument: str
    faults: Faults
    learned: Faults
    severity: float
    spoiled: str
    manifest: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Fleet:
    """A planned fleet; captures are sorted by time."""

    scenario: Scenario
    depots: tuple[Depot, ...]
    vans: tuple[Van, ...]
    repairs: tuple[Repair, ...]
    captures: tuple[CapturePlan, ...]
    blueprints: Mapping[str, Vehicle]
    tables: Mapping[str, dict[str, Any]]
