"""The fleet register of a planned fleet, written in the delivery format."""

import csv
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from sample_fleet.scenario import Fleet

RECORDERS = {
    "slate": """# writes semicolons, decimal commas, microseconds and the word overflow
[profile]
delimiter = ";"
decimal = ","
encoding = "latin-1"
skip_rows = 3
missing_text = ["overflow"]

[time]
column = "Time [µs]"
unit = "us"

[channels.airflow_v]
column = "Probe A [V]"

[channels.airflow_hz]
column = "Counter [kHz]"
scale = 1000.0

[channels.airflow_g_s]
column = "Air [mg/s]"
scale = 0.001

[channels.lambda_v]
column = "Probe B [mV]"
scale = 0.001

[channels.bank2_lambda_v]
column = "Probe C [mV]"
scale = 0.001

[channels.lambda_ratio]
column = "Lambda [1]"
""",
    "ledger": """# writes clock times without a date
[profile]
comment = "#"

[time]
column = "clock"
clock = "%H:%M:%S.%f"

[channels.airflow_v]
column = "air_volts"

[channels.airflow_hz]
column = "air_hertz"

[channels.airflow_g_s]
column = "air_grams"

[channels.lambda_v]
column = "probe_volts"

[channels.bank2_lambda_v]
column = "probe_volts_2"

[channels.lambda_ratio]
column = "lambda"
""",
}


def toml_text(tables: Mapping[str, Mapping[str, Any]]) -> str:
    """Families as TOML: one table per family, one sub-table per part."""

    def value(item: Any) -> str:
        if isinstance(item, str):
            return f'"{item}"'
        if isinstance(item, list):
            return "[" + ", ".join(value(part) for part in item) + "]"
        return repr(item)

    lines: list[str] = []
    for family, table in tables.items():
        lines.append(f"[{family}]")
        lines += [f"{key} = {value(item)}" for key, item in table.items() if not isinstance(item, dict)]
        for part, entries in table.items():
            if isinstance(entries, dict):
                lines += ["", f"[{family}.{part}]"]
                lines += [f"{key} = {value(item)}" for key, item in entries.items()]
        lines.append("")
    return "\n".join(lines)


def write_csv(path: Path, columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> None:
    """Write rows as UTF-8 CSV; None becomes an empty cell, a column absent from a row too."""
    names = list(columns)
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(names)
        for row in rows:
            writer.writerow(["" if row.get(name) is None else row[name] for name in names])


def write_register(fleet: Fleet, folder: Path) -> None:
    """Write vans.csv, families.toml, recorders/*.toml and repairs.csv.

    Parameters
    ----------
    fleet : Fleet
        The planned fleet.
    folder : Path
        The register; made if absent, files of the same name are replaced.
    """
    (folder / "recorders").mkdir(parents=True, exist_ok=True)
    write_csv(
        folder / "vans.csv",
        ("van_id", "family", "depot", "in_service_on", "warranty_until", "odometer_km", "lambda_banks", "note"),
        (
            {
                "van_id": van.van_id,
                "family": van.family,
                "depot": fleet.depots[van.depot].name,
                "in_service_on": van.in_service_on,
                "warranty_until": van.warranty_until,
                "odometer_km": round(van.odometer_km),
            }
            for van in fleet.vans
        ),
    )
    (folder / "families.toml").write_text(toml_text(fleet.tables), encoding="utf-8")
    for name, text in RECORDERS.items():
        (folder / "recorders" / f"{name}.toml").write_text(text, encoding="utf-8")
    write_csv(
        folder / "repairs.csv",
        ("van_id", "done_at", "work", "parts", "work_order", "note"),
        (
            {"van_id": r.van_id, "done_at": r.done_at.isoformat(), "work": r.work, "parts": r.parts}
            for r in fleet.repairs
        ),
    )
