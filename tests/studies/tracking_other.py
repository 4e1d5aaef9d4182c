"""Forecasts of tracking on the fleet of the second simulator: stated odds against what came true, on engines nothing was chosen with.

Run with `python -m tests.studies.tracking_other [--seeds N] [--first S] [--every W]`; prints the tables of RESULTS.md as Markdown. Vans that
have a fault that comes and goes are left out.
"""

import argparse
import warnings
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl

from data_contracts.family import Family
from models.tracking.assess import TrackingSettings
from models.tracking.charts.family_limits import family_limits
from tests.otherfleet.captures import make_capture
from tests.otherfleet.families import family_of
from tests.otherfleet.make import FIRST_WEEK, Fault, make_fleet
from tests.otherfleet.recording import Recorder
from tests.otherfleet.vans import Van, Visit
from tests.studies.sample_readings import ReadFleet
from tests.studies.structure_fleets import about, read_van
from tests.studies.tracking import forecast_lines, forecasts
from tests.studies.tracking_run import weekly_states
from tests.studies.true_levels import LIMITED, crossed_share
from tests.studies.true_levels import week_of as moment

VANS, WEEKS, FAULTY = 40, 26, 0.35
_SHARES, _SNAPS = np.linspace(0.0, 1.0, 9), 3


def other_fleet(seed: int) -> tuple[ReadFleet, pl.DataFrame]:
    """The fleet simulated and read, and its true crossings as `true_levels.true_crossings` gives them."""
    vans, faults, rows = make_fleet(VANS, WEEKS, seed, FAULTY)
    families = {name: family_of(name) for name in dict.fromkeys(van.family for van in vans)}
    names = [f"OV{n + 1:03d}" for n in range(len(vans))]
    taken = {name: [] for name in names}
    for row in rows:
        family = vans[names.index(row.van_id)].family
        taken[row.van_id].append((about(row, family), row.capture))
    read = [row for van, name in zip(vans, names, strict=True) for row in read_van(families[van.family], taken[name])]
    frame = pl.DataFrame(read, infer_schema_length=None).with_columns(pl.col(pl.Float64).fill_nan(None))
    truth = pl.DataFrame({"van_id": names, "cause": [fault.cause or "" for fault in faults]})
    nothing = pl.DataFrame()
    repairs = pl.DataFrame(schema={"van_id": pl.String, "done_at": pl.Datetime("us", "UTC")})
    weeks = tuple(sorted(frame["week"].unique().to_list()))
    fleet = ReadFleet(frame, nothing, repairs, families, truth, nothing, weeks)
    return fleet, _crossings(dict(zip(names, vans, strict=True)), dict(zip(names, faults, strict=True)), families)


def _crossings(vans: dict[str, Van], faults: dict[str, Fault], families: dict[str, Family]) -> pl.DataFrame:
    """When each limited quantity of each faulty van truly leaves its limits."""
    levels = {name: _levels(van, families[van.family], None, 0.0) for name, van in vans.items()}
    rows = []
    for van_id, fault in faults.items():
        if fault.cause is None or fault.profile == "intermittent":
            continue
        van = vans[van_id]
        alike = [levels[name] for name, other in vans.items() if other.family == van.family]
        worse = [_levels(van, families[van.family], fault.cause, share * fault.final) for share in _SHARES[1:]]
        curve = np.array([levels[van_id], *worse])
        for q, quantity in enumerate(LIMITED):
            if not np.isfinite(curve[:, q]).all():
                continue
            low, high = family_limits(families[van.family], quantity, float(np.nanmedian([one[q] for one in alike])))
            if np.isfinite(low) or np.isfinite(high):
                rows.append((van_id, quantity, _moment(fault, crossed_share(curve[:, q], low, high))))
    return pl.DataFrame(rows, schema={"van_id": pl.String, "quantity": pl.String, "crossing": pl.Float64}, orient="row")


def _moment(fault: Fault, share: float) -> float:
    """The beginning of the week in which a share of the last severity is reached."""
    if not np.isfinite(share):
        return share
    weeks = [week for week in range(WEEKS) if fault.severity(week) >= share * fault.final > 0.0]
    return moment(FIRST_WEEK + timedelta(weeks=weeks[0])) if weeks else float("inf")


def _levels(van: Van, family: Family, cause: str | None, severity: float) -> np.ndarray:
    """Noise-free quantities of a van at its family's reference air, by a perfect instrument. [units of the quantities]"""
    at = family.main_peak
    visit = Visit(at.reference_intake_air_c, at.reference_barometer_kpa)
    recorder = Recorder(bits=24, noise_v=0.0)
    steady = replace(van, hold_s=1.25, foot_s=0.09)
    taken = [
        (
            {"visit": "truth", "van_id": "truth", "captured_at": FIRST_WEEK},
            make_capture(steady, visit, recorder, rng, cause=cause, severity=severity),
        )
        for rng in (np.random.default_rng(seed) for seed in range(_SNAPS))
    ]
    read = pl.DataFrame(list(read_van(family, taken)), infer_schema_length=None).select(LIMITED).to_numpy()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(read, axis=0), np.float64)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=31)
    parser.add_argument("--every", type=int, default=2)
    chosen = parser.parse_args()
    found = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for seed in range(chosen.first, chosen.first + chosen.seeds):
            fleet, crossings = other_fleet(seed)
            weeks = fleet.weeks[:: -chosen.every][::-1]
            settings = TrackingSettings(trend_weeks=chosen.every)
            _, trends = weekly_states(fleet.frame, fleet.families, fleet.repairs, weeks, settings)
            found.append(forecasts(fleet, trends, crossings).with_columns(seed=pl.lit(seed)))
            print(f"seed {seed}: {found[-1].height} forecasts", flush=True)
    print("\n".join(forecast_lines(pl.concat(found))))


if __name__ == "__main__":
    main()
