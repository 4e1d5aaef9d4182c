"""What a fleet's quantities truly are, without noise, weather or instruments: simulated and read at every severity of a fault."""

from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta

import numpy as np
import polars as pl

from data_contracts.capture import Conditions
from data_contracts.family import Family, parse_family
from data_contracts.signals import QUANTITIES
from models.reading.read import read_waveforms
from models.tracking.charts.family_limits import family_limits
from sample_fleet.parameters import HEALTHY, Driver, Recorder, Surroundings
from sample_fleet.planning import plan_fleet
from sample_fleet.scenario import FUELS, LOCAL_TIME, LONG, FaultPlan, Scenario, Van
from sample_fleet.simulate import simulate

LIMITED = tuple(
    name
    for name, quantity in QUANTITIES.items()
    if quantity.tracking is not None and (quantity.tracking.hurts is not None or quantity.tracking.register is not None)
)
"""Quantities a family can have a limit for."""
_SHARES = np.linspace(0.0, 1.0, 9)
_SNAPS = 3


def week_of(moment: datetime) -> float:
    """Weeks of a moment, on the count of `data_contracts.weeks.week_number`, with the fraction of the week. [weeks]"""
    whole = moment.astimezone(LOCAL_TIME)
    midnight = datetime.combine(whole.date(), time(), LOCAL_TIME)
    return (whole.date().toordinal() - 1 + (whole - midnight) / timedelta(days=1)) / 7.0


def true_crossings(scenario: Scenario, seed: int) -> pl.DataFrame:
    """Crossings of every faulty van's limited quantities.

    Parameters
    ----------
    scenario : Scenario
        What was planned.
    seed : int
        Its seed: the plan is the one `read_fleet` simulates.

    Returns
    -------
    polars.DataFrame
        van_id, quantity, low, high (limits as read), healthy, worst (levels without noise at severity 0 and the last), crossing
        (number of the week with its fraction; infinite for never; NaN where the quantity is beyond its limit before any fault).

    Notes
    -----
    Each van is simulated at its family's reference air with a perfect instrument, a usual foot and its fault at nine
    severities, read like any recording, and the medians joined by straight lines; the fault's plan gives the day of each
    severity. Trims have settled on each severity. The family's level, where a limit stands on it, is the median of its vans' noise-free values.
    """
    fleet = plan_fleet(scenario, np.random.default_rng(seed))
    families = {name: parse_family(name, table) for name, table in fleet.tables.items()}
    jobs = [(v, s) for v, van in enumerate(fleet.vans) for s in (_SHARES if van.fault else _SHARES[:1])]
    levels = _read(fleet.vans, families, jobs)
    healthy = {n: [levels[v, 0.0] for v, van in enumerate(fleet.vans) if van.family == n] for n in families}
    rows = []
    for v, van in enumerate(fleet.vans):
        if van.fault is None:
            continue
        curve = np.array([levels[v, s] for s in _SHARES])
        for q, quantity in enumerate(LIMITED):
            if not np.isfinite(curve[:, q]).all():
                continue
            level = float(np.nanmedian([h[q] for h in healthy[van.family]]))
            low, high = family_limits(families[van.family], quantity, level)
            if np.isfinite(low) or np.isfinite(high):
                share = crossed_share(curve[:, q], low, high)
                rows.append((van.van_id, quantity, low, high, curve[0, q], curve[-1, q], _moment(van.fault, share)))
    names = ["van_id", "quantity", "low", "high", "healthy", "worst", "crossing"]
    return pl.DataFrame(
        rows, schema=dict.fromkeys(names[:2], pl.String) | dict.fromkeys(names[2:], pl.Float64), orient="row"
    )


def true_courses(scenario: Scenario, seed: int, quantities: Sequence[str]) -> dict[str, np.ndarray]:
    """Noise-free quantities of every faulty van from no severity to its last, in equal steps.

    Parameters
    ----------
    scenario, seed
        As for `true_crossings`.
    quantities : sequence of str

    Returns
    -------
    dict of str to ndarray of shape (severities, quantities)
        By van. [units of the quantities]
    """
    fleet = plan_fleet(scenario, np.random.default_rng(seed))
    families = {name: parse_family(name, table) for name, table in fleet.tables.items()}
    faulty = [v for v, van in enumerate(fleet.vans) if van.fault is not None]
    levels = _read(fleet.vans, families, [(v, s) for v in faulty for s in _SHARES[::2]], quantities)
    return {fleet.vans[v].van_id: np.array([levels[v, s] for s in _SHARES[::2]]) for v in faulty}


def _read(
    vans: Sequence[Van],
    families: Mapping[str, Family],
    jobs: Sequence[tuple[int, float]],
    quantities: Sequence[str] = LIMITED,
) -> dict[tuple[int, float], np.ndarray]:
    """Noise-free quantities of vans at shares of their end severity."""
    found: dict[tuple[int, float], np.ndarray] = {}
    for start in range(0, len(jobs), 32):
        part = [job for job in jobs[start : start + 32] for _ in range(_SNAPS)]
        plans = [vans[v].fault for v, _ in part]
        faults = [HEALTHY if f is None else f.faults(s * f.severity) for f, (_, s) in zip(plans, part, strict=True)]
        peaks = [families[vans[v].family].main_peak for v, _ in part]
        around = [
            Surroundings(
                barometer_kpa=p.reference_barometer_kpa,
                intake_air_c=p.reference_intake_air_c,
                humidity_pct=40.0,
                coolant_c=89.0,
                stoichiometry=FUELS[vans[v].fuel],
            )
            for p, (v, _) in zip(peaks, part, strict=True)
        ]
        drivers = [Driver(pedal_at_s=2.8, pedal_rise_s=0.09, hold_s=1.25, pedal_fall_s=0.095) for _ in part]
        batch = simulate(
            [vans[v].vehicle for v, _ in part],
            np.random.default_rng(start),
            recording=LONG,
            surroundings=around,
            drivers=drivers,
            faults=faults,
            learned=faults,
            recorders=[Recorder(needles_per_s=0.0) for _ in part],
        )
        conditions = [
            Conditions(
                coolant_c=a.coolant_c,
                intake_air_c=a.intake_air_c,
                barometer_kpa=a.barometer_kpa,
                humidity_pct=a.humidity_pct,
                altitude_m=None,
                closed_loop=True,
                trim_idle_pct=float(batch.truth["trim_idle_pct"][k]),
                trim_2500_pct=float(batch.truth["trim_2500_pct"][k]),
                fault_codes=(),
                fuel=vans[v].fuel,
            )
            for k, (a, (v, _)) in enumerate(zip(around, part, strict=True))
        ]
        read = read_waveforms(
            [batch.waveform(k) for k in range(len(part))], [families[vans[v].family] for v, _ in part], conditions
        )
        first = np.flatnonzero(read.snap == 1)
        values = np.stack([read.values[q][first] for q in quantities], axis=1)
        for k in range(0, len(part), _SNAPS):
            three = values[k : k + _SNAPS]
            known = np.isfinite(three).any(axis=0)
            found[part[k]] = np.where(known, np.nanmedian(np.where(known, three, 0.0), axis=0), np.nan)
    return found


def crossed_share(curve: np.ndarray, low: float, high: float) -> float:
    """Share of the end severity at which a curve first leaves its limits; infinite for never, NaN for from the start."""
    fine = np.linspace(0.0, 1.0, 1001)
    value = np.interp(fine, _SHARES, curve)
    outside = (value < low) | (value > high)
    if outside[0]:
        return float("nan")
    return float(fine[int(np.argmax(outside))]) if outside.any() else float("inf")


def _moment(fault: FaultPlan, share: float) -> float:
    if not np.isfinite(share):
        return share
    days = 0.0 if fault.profile == "step" else share * fault.ramp_days
    moment = fault.onset + timedelta(days=days)
    if fault.repaired is not None and fault.mended and moment >= fault.repaired:
        return float("inf")
    return week_of(moment)
