"""A small fleet that is recorded at idle only, as a data logger in the van does it: air mass, engine speed and lambda.

Two vans have a fault from a week on: air that leaks in after the sensor, and an injector that gives too little.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.workspace.workspace import Workspace, make_workspace
from tests.deliveries import deliver, row
from tests.pipelines.judged_home import toml_of

VANS, WEEKS, FAULT_FROM = 6, 47, 36
LEAKING, STARVED = "I2", "I4"
RATE_HZ, LENGTH_S = 100.0, 4.0
TABLE: dict[str, object] = {
    "displacement_l": 1.6,
    "cylinders": 4,
    "aspiration": "natural",
    "max_free_rpm": 6000,
    "airflow_sensor": {"kind": "g_s"},
    "main_peak": {},
    "lambda_sensor": {"kind": "ratio"},
}


def idle(
    rng: np.random.Generator, *, flow: float = 3.0, rpm: float = 800.0, ripple: float = 0.0, drive: bool = False
) -> pl.DataFrame:
    """One recording: steady flow and speed, and lambda that closed loop takes round 1 once a second; `ripple` once per
    engine cycle. With `drive` the van pulls away half way.
    """
    t = np.arange(0.0, LENGTH_S, 1.0 / RATE_HZ)
    cycle = 0.008 * np.sin(2 * np.pi * (1.1 * t + rng.uniform()))
    weak = ripple * np.sin(2 * np.pi * (rpm / 120.0 * t + rng.uniform()))
    away = np.clip((t - 0.5 * LENGTH_S) * 0.3, 0.0, None) if drive else np.zeros(t.size)
    return pl.DataFrame(
        {
            "time_s": t,
            "airflow_g_s": np.round((flow + rng.normal(0, 0.02, t.size)) * (1.0 + away), 2),
            "engine_rpm": np.round((rpm + rng.normal(0, 5, t.size)) * (1.0 + away)),
            "lambda_ratio": 1.0 + cycle + weak + rng.normal(0, 0.004, t.size),
        }
    )


def idle_home(root: Path) -> Workspace:
    """A workspace with the fleet's register and deliveries."""
    rng = np.random.default_rng(47)
    names = [f"I{number}" for number in range(VANS)]
    vans = "van_id,family,depot,in_service_on,warranty_until\n" + "".join(
        f"{name},reed-16,north,2024-01-01,2027-01-01\n" for name in names
    )
    files = {
        "settings.toml": "[intake]\nworkers = 1\n",
        "register/vans.csv": vans,
        "register/families.toml": toml_of("reed-16", TABLE),
    }
    home = make_workspace(root, files)
    own = {name: 3.0 * np.exp(rng.normal(0, 0.03)) for name in names}
    rows, recordings = [], {}
    for week in range(WEEKS):
        for number, name in enumerate(names):
            ill = week >= FAULT_FROM
            leak, starved = ill and name == LEAKING, ill and name == STARVED
            file = f"{name}-{week}.csv"
            flow = own[name] * np.exp(rng.normal(0, 0.012)) * (0.75 if leak else 1.0)
            recordings[file] = idle(rng, flow=flow, ripple=0.02 if starved else 0.0)
            trims = (14.0 if leak else 9.0 if starved else 0.0, 3.0 if leak else 9.0 if starved else 0.0)
            at = datetime(2025, 1, 6, 8, tzinfo=UTC) + timedelta(weeks=week, hours=number)
            rows.append(_row(file, name, at, trims, rng))
    deliver(home.inbox / "idles", rows, recordings)
    return home


def _row(file: str, van: str, at: datetime, trims: tuple[float, float], rng: np.random.Generator) -> dict[str, object]:
    conditions = {
        "coolant_c": 90,
        "intake_air_c": round(rng.normal(15, 5), 1),
        "barometer_kpa": 99.0,
        "closed_loop": "true",
    }
    moved = {
        name: round(trim + rng.normal(0, 0.8), 1)
        for name, trim in zip(("trim_idle_pct", "trim_2500_pct"), trims, strict=True)
    }
    return row(file, van, at.isoformat(), **conditions, **moved)
