"""A small fleet without air-mass sensors, delivered as a recorder writes it: manifold pressure, engine speed and lambda."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.workspace.workspace import Workspace, make_workspace
from tests.analytic_pressure import TABLE, PressureSnap, channels
from tests.deliveries import deliver, row
from tests.pipelines.judged_home import toml_of

VANS, WEEKS, SNAPS = 7, 10, 2
WEAK_VAN, WEAK_FROM = "F3", 6
PROFILE = """\
[time]
column = "Time (ms)"
unit = "ms"
[channels.map_kpa]
column = "Manifold pressure"
unit = "mbar"
[channels.engine_rpm]
column = "Engine speed"
[channels.lambda_ratio]
column = "Lambda"
"""
LAMBDA_PROFILE = """\
[time]
column = "Time (ms)"
unit = "ms"
[channels.lambda_ratio]
column = "Lambda"
[channels.throttle_pct]
column = "Throttle"
"""


def _frame(snap: PressureSnap, rng: np.random.Generator) -> pl.DataFrame:
    time, every = channels(snap, rng)
    return pl.DataFrame(
        {
            "Time (ms)": np.round(1e3 * time),
            "Manifold pressure": np.round(10.0 * every["map_kpa"], 1),
            "Engine speed": every["engine_rpm"],
            "Lambda": np.round(every["lambda_ratio"], 4),
        }
    )


def pressure_home(root: Path) -> Workspace:
    """A workspace with the fleet's register and deliveries; lambda of one van grows lean during the hold from a week on.

    Beside them come a recording without engine speed, and one of lambda and throttle alone, both of van F0.
    """
    rng = np.random.default_rng(20)
    names = [f"F{number}" for number in range(VANS)]
    vans = "van_id,family,depot,in_service_on,warranty_until\n" + "".join(
        f"{name},fen-16,north,2024-01-01,2027-01-01\n" for name in names
    )
    home = make_workspace(
        root,
        {
            "settings.toml": "",
            "register/vans.csv": vans,
            "register/families.toml": toml_of("fen-16", TABLE),
            "register/recorders/bus.toml": PROFILE,
            "register/recorders/lambda.toml": LAMBDA_PROFILE,
        },
    )
    own = {name: (32.0 * np.exp(rng.normal(0, 0.03)), rng.normal(0.88, 0.006)) for name in names}
    for week in range(WEEKS):
        rows, files = [], {}
        for name in names:
            at = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(weeks=week, hours=names.index(name))
            idle, held = own[name][0] * np.exp(rng.normal(0, 0.01)), own[name][1] + rng.normal(0, 0.003)
            leans = 0.06 * min(week - WEAK_FROM + 1, 3) if name == WEAK_VAN and week >= WEAK_FROM else 0.0
            for number in range(SNAPS):
                file = f"{name}-{week}-{number}.csv"
                files[file] = _frame(PressureSnap(idle_kpa=idle, lambda_held=held, leans=leans), rng)
                rows.append(_row(file, name, at + timedelta(minutes=5 * number), rng))
        if week == WEEKS - 1:
            at = datetime(2026, 1, 5, 9, tzinfo=UTC) + timedelta(weeks=week)
            whole = _frame(PressureSnap(), rng)
            files["no-speed.csv"] = whole.drop("Engine speed")
            plate = channels(PressureSnap(), rng)[1]["throttle_pct"]
            files["lambda.csv"] = whole.select("Time (ms)", "Lambda").with_columns(Throttle=plate)
            rows += [_row("no-speed.csv", "F0", at, rng), _row("lambda.csv", "F0", at, rng) | {"recorder": "lambda"}]
        deliver(home.inbox / f"2026-{week:02d}", rows, files)
    return home


def _row(file: str, van: str, at: datetime, rng: np.random.Generator) -> dict[str, object]:
    conditions = {
        "coolant_c": 90,
        "intake_air_c": round(rng.normal(15, 5), 1),
        "barometer_kpa": 99.0,
        "closed_loop": "true",
    }
    trims = {"trim_idle_pct": round(rng.normal(0, 0.8), 1), "trim_2500_pct": round(rng.normal(0, 0.8), 1)}
    return row(file, van, at.isoformat(), recorder="bus", **conditions, **trims)
