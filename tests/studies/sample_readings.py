"""The sample fleet, simulated and read in memory: captures joined with readings, shapes, register and truth."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from data_contracts.capture import capture_id
from data_contracts.family import Family, parse_family
from data_contracts.signals import QUANTITIES
from data_contracts.tables import CAPTURES, READINGS, REPAIRS, SHAPES, polars_schema
from data_contracts.weeks import week_of
from models.reading.read import read_waveforms
from sample_fleet.fleet import run_fleet
from sample_fleet.planning import plan_fleet
from sample_fleet.scenario import Fleet, Scenario


@dataclass(frozen=True)
class ReadFleet:
    """A fleet as tracking sees it, and the truth.

    Attributes
    ----------
    frame, shapes, repairs : polars.DataFrame
        As the warehouse holds them.
    families : dict of str to Family
        Register.
    truth : polars.DataFrame
        van_id, cause ("" healthy), profile, severity (at the end), onset, repaired.
    severity : polars.DataFrame
        van_id, week, severity (largest planned of the week's captures; 0 healthy).
    weeks : tuple of str
        ISO weeks with captures.
    """

    frame: pl.DataFrame
    shapes: pl.DataFrame
    repairs: pl.DataFrame
    families: dict[str, Family]
    truth: pl.DataFrame
    severity: pl.DataFrame
    weeks: tuple[str, ...]


def read_fleet(scenario: Scenario, seed: int, *, workers: int = 1) -> ReadFleet:
    """Simulate and read one fleet."""
    rng = np.random.default_rng(seed)
    fleet = plan_fleet(scenario, rng)
    families = {name: parse_family(name, table) for name, table in fleet.tables.items()}
    rows: list[dict[str, object]] = []
    readings: list[pl.DataFrame] = []
    shapes: list[pl.DataFrame] = []
    for batch in run_fleet(fleet, rng, workers=workers):
        waveforms = [batch.waveform(k) for k in range(len(batch.plans))]
        of = [families[batch.vans[plan.van].family] for plan in batch.plans]
        read = read_waveforms(waveforms, of, [batch.conditions(k) for k in range(len(batch.plans))])
        ids = []
        for entry, (k, snap) in enumerate(zip(read.recording.tolist(), read.snap.tolist(), strict=True)):
            plan, manifest = batch.plans[k], batch.rows[k]
            van = batch.vans[plan.van]
            identity = capture_id(waveforms[k].waveform_id, van.van_id, plan.captured_at, snap)
            ids.append(identity)
            rows.append(
                {
                    "capture_id": identity,
                    "waveform_id": waveforms[k].waveform_id,
                    "snap": snap,
                    "delivery": "memory",
                    "file": "memory",
                    "van_id": van.van_id,
                    "family": van.family,
                    "depot": fleet.depots[van.depot].name,
                    "captured_at": plan.captured_at,
                    "week": week_of(plan.captured_at),
                    "visit": plan.visit,
                    "grade": read.grade[entry],
                    "grade_reasons": list(read.grade_reasons[entry]),
                    "rate_hz": float(read.rate_hz[entry]),
                    "length_s": float(read.length_s[entry]),
                    "fault_codes": [c for c in manifest["fault_codes"].split(";") if c],
                    "recorder_serial": plan.instrument,
                    "severity": plan.severity,
                    "spoiled": plan.spoiled,
                    **{
                        c: manifest.get(c)
                        for c in (
                            "coolant_c",
                            "intake_air_c",
                            "barometer_kpa",
                            "humidity_pct",
                            "altitude_m",
                            "fuel",
                            "ecu_software",
                            "odometer_km",
                        )
                    },
                }
            )
        columns = {"capture_id": ids}
        for name in QUANTITIES:
            columns[name], columns[name + "_u"] = read.values[name], read.u[name]
        readings.append(pl.DataFrame(columns))
        shapes.append(
            pl.DataFrame(
                {"capture_id": ids, "airflow": read.shape_airflow, "lambda_signal": read.shape_lambda},
                schema_overrides={
                    "airflow": pl.Array(pl.Float32, read.shape_airflow.shape[1]),
                    "lambda_signal": pl.Array(pl.Float32, read.shape_lambda.shape[1]),
                },
            ).cast(dict(polars_schema(SHAPES).items()))
        )
    captures = pl.DataFrame(rows, infer_schema_length=None).with_columns(
        pl.col("captured_at").dt.convert_time_zone("UTC")
    )
    frame = captures.join(pl.concat(readings), on="capture_id")
    severity = frame.group_by("van_id", "week").agg(pl.col("severity").max())
    schema = polars_schema(CAPTURES) | polars_schema(READINGS)
    rest = [pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in frame.columns]
    numbers = [name for name, kind in schema.items() if kind == pl.Float64()]
    frame = (
        frame.with_columns(rest).select(list(schema)).cast(dict(schema)).with_columns(pl.col(numbers).fill_nan(None))
    )
    weeks = tuple(sorted(frame["week"].unique().to_list()))
    return ReadFleet(frame, pl.concat(shapes), _repairs(fleet), families, _truth(fleet), severity, weeks)


def _repairs(fleet: Fleet) -> pl.DataFrame:
    """Rows of the table of repairs; what each touched is left to be read from its words."""
    rows = [
        {"repair_id": f"r{n}", "van_id": r.van_id, "done_at": r.done_at, "work": r.work, "parts": r.parts}
        for n, r in enumerate(fleet.repairs)
    ]
    return pl.DataFrame(rows, schema=polars_schema(REPAIRS))


def _truth(fleet: Fleet) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "van_id": v.van_id,
                "family": v.family,
                "cause": v.fault.cause if v.fault else "",
                "profile": v.fault.profile if v.fault else "",
                "severity_end": v.fault.severity if v.fault else 0.0,
                "onset": v.fault.onset.isoformat() if v.fault else None,
                "ramp_days": v.fault.ramp_days if v.fault else None,
                "repaired": v.fault.repaired.isoformat() if v.fault and v.fault.repaired else None,
            }
            for v in fleet.vans
        ],
        infer_schema_length=None,
    )
