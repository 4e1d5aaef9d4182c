"""Write a whole second fleet: register, deliveries and truth.

`python -m tests.otherfleet.make DIR --vans 40 --weeks 26 --seed 7 [--faulty 0.3]`
"""

import argparse
import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import chain
from pathlib import Path

import numpy as np
import polars as pl

from data_contracts.causes import CAUSES
from tests.otherfleet.captures import SPOILED, make_capture, new_recorder
from tests.otherfleet.families import register_toml
from tests.otherfleet.kinds import KINDS
from tests.otherfleet.recording import Capture, Recorder
from tests.otherfleet.structured_kinds import kind_of
from tests.otherfleet.vans import Van, new_van, new_visit

DEPOTS = (("quayside", 5.0, 1.5), ("millfield", 180.0, 0.0), ("highmoor", 610.0, -2.5), ("passhead", 900.0, -4.0))
FIRST_WEEK = datetime(2026, 1, 5, tzinfo=UTC)
MANIFEST = (
    "file",
    "van_id",
    "captured_at",
    "visit",
    "odometer_km",
    "coolant_c",
    "intake_air_c",
    "barometer_kpa",
    "humidity_pct",
    "altitude_m",
    "closed_loop",
    "trim_idle_pct",
    "trim_2500_pct",
    "fault_codes",
    "fuel",
    "recorder",
    "recorder_serial",
    "ecu_software",
    "note",
)
PROFILE = """# a hand-held instrument: semicolons, decimal comma, milliseconds, millivolts
[profile]
delimiter = ";"
decimal = ","
skip_rows = 2

[time]
column = "Zeit"
unit = "ms"

[channels.airflow_v]
column = "A"
unit = "mV"

[channels.lambda_v]
column = "B"
unit = "mV"
"""


@dataclass(frozen=True)
class Fault:
    """What one van has, and when."""

    cause: str | None
    final: float
    onset: int
    ramp_weeks: float
    profile: str

    def severity(self, week: int) -> float:
        """Severity in a week counted from 0."""
        if self.cause is None or week < self.onset:
            return 0.0
        if self.profile in ("step", "from_start", "intermittent"):
            return self.final
        return self.final * min((week - self.onset + 1) / self.ramp_weeks, 1.0)


def make_faults(vans: list[Van], weeks: int, faulty: float, rng: np.random.Generator) -> list[Fault]:
    """One fault or none per van; causes are spread evenly over the faulty ones."""
    chosen = set(rng.permutation(len(vans))[: round(faulty * len(vans))].tolist())
    dealt = [code for code, cause in CAUSES.items() if cause.planted]  # a cause with an injection, here as there
    pool: list[str] = []
    faults = []
    for number, van in enumerate(vans):
        if number not in chosen:
            faults.append(Fault(None, 0.0, weeks, 1.0, "none"))
            continue
        if not pool:
            pool = [str(c) for c in rng.permutation(dealt)]
        fits = [c for c in pool if kind_of(van.family).turbo or not CAUSES[c].turbo_only]
        cause = fits[0] if fits else str(rng.choice([c for c in dealt if not CAUSES[c].turbo_only]))
        if cause in pool:
            pool.remove(cause)
        draw = rng.random()
        profile = "ramp" if draw < 0.75 else "step" if draw < 0.88 else "intermittent" if draw < 0.94 else "from_start"
        latest = max(weeks - 10, 6)
        onset = 0 if profile == "from_start" else int(rng.integers(5, latest))
        faults.append(Fault(cause, float(rng.uniform(0.4, 1.0)), onset, float(rng.uniform(8, 12)), profile))
    return faults


@dataclass(frozen=True)
class Row:
    """One capture of the fleet with its place in time."""

    van_id: str
    week: int
    depot: str
    captured_at: datetime
    visit: str
    odometer_km: int
    recorder: Recorder
    capture: Capture


def make_fleet(
    vans: int,
    weeks: int,
    seed: int,
    faulty: float = 0.3,
    spoiled: float = 0.06,
    holds_s: tuple[float, float] | None = None,
) -> tuple[list[Van], list[Fault], Iterator[Row]]:
    """The fleet in memory; rows come week by week, so that only one is held at a time. Each visit has a foot of its own
    where `holds_s` says between what its snaps are held. [s]"""
    fleet, faults, by_week = make_weeks(vans, weeks, seed, faulty, spoiled, holds_s)
    return fleet, faults, chain.from_iterable(by_week)


def make_weeks(
    vans: int,
    weeks: int,
    seed: int,
    faulty: float = 0.3,
    spoiled: float = 0.06,
    holds_s: tuple[float, float] | None = None,
) -> tuple[list[Van], list[Fault], Iterator[Iterator[Row]]]:
    """The same, the rows of each week by themselves: exhaust a week before the next. A fault taken from the list between two
    weeks is gone from the next on."""
    rng = np.random.default_rng(seed)
    names = tuple(KINDS)
    fleet = [new_van(names[i % len(names)], rng) for i in range(vans)]
    faults = make_faults(fleet, weeks, faulty, rng)
    return fleet, faults, _weeks(fleet, faults, weeks, seed, spoiled, holds_s)


def _weeks(
    fleet: list[Van],
    faults: list[Fault],
    weeks: int,
    seed: int,
    spoiled: float,
    holds_s: tuple[float, float] | None,
) -> Iterator[Iterator[Row]]:
    rng, feet = np.random.default_rng(seed + 1), np.random.default_rng(seed + 2)
    instruments = [[new_recorder(10 * d + i, rng) for i in range(2)] for d in range(len(DEPOTS))]
    kilometres = rng.integers(20_000, 140_000, len(fleet))

    def of_week(week: int) -> Iterator[Row]:
        season = -np.cos(2 * np.pi * (week + 1.0) / 52.0)
        weather = rng.normal(0.0, 3.0, len(DEPOTS))
        for number, van in enumerate(fleet):
            kilometres[number] += int(rng.uniform(300, 900))
            if rng.random() > 0.88:
                continue
            depot = number % len(DEPOTS)
            name, altitude, colder = DEPOTS[depot]
            ambient = 9.0 + 9.0 * season + colder + weather[depot] + rng.normal(0, 2)
            present = 0.5 if faults[number].profile == "intermittent" else 0.85
            visit = new_visit(
                rng, altitude_m=altitude, ambient_c=ambient, fuel="E10" if rng.random() < 0.5 else "E5", present=present
            )
            instrument = instruments[depot][int(rng.random() < 0.4)]
            start = FIRST_WEEK + timedelta(weeks=week, days=float(rng.uniform(0.3, 4.7)))
            severity = faults[number].severity(week)
            if faults[number].profile == "intermittent" and not visit.fault_present:
                severity = 0.0
            missing_trims = rng.random() < 0.15
            pressed = van
            if holds_s is not None:
                pressed = replace(van, hold_s=float(np.exp(feet.uniform(*np.log(holds_s)))))
            for repeat in range(3):
                bad = str(rng.choice(SPOILED)) if rng.random() < spoiled else None
                if bad == "clipped" and kind_of(van.family).air == "g_s":
                    bad = "too_short"  # what a bus reports does not clip at a recorder's range
                capture = make_capture(
                    pressed,
                    visit,
                    instrument,
                    rng,
                    cause=faults[number].cause if severity > 0 else None,
                    severity=severity,
                    spoiled=bad,
                )
                conditions = replace(capture.conditions, fault_codes=())
                if missing_trims:
                    conditions = replace(conditions, trim_idle_pct=None, trim_2500_pct=None)
                capture.conditions = conditions
                yield Row(
                    f"OV{number + 1:03d}",
                    week,
                    name,
                    start + timedelta(minutes=3 * repeat),
                    f"OV{number + 1:03d}-{week:02d}",
                    int(kilometres[number]),
                    instrument,
                    capture,
                )

    return (of_week(week) for week in range(weeks))


def write_fleet(folder: Path, vans: int, weeks: int, seed: int, faulty: float = 0.3, spoiled: float = 0.06) -> None:
    """Write `register/`, `inbox/`, `truth.csv` and `captures_truth.parquet` under `folder`.

    Raises
    ------
    FileExistsError
        If the folder already holds a fleet.
    """
    fleet, faults, rows = make_fleet(vans, weeks, seed, faulty, spoiled)
    write_register(folder / "register", fleet)
    truths = write_rows(folder / "inbox", rows)
    pl.DataFrame(truths, infer_schema_length=None).write_parquet(folder / "captures_truth.parquet")
    _write_truth(folder / "truth.csv", fleet, faults, weeks)


def write_rows(inbox: Path, rows: Iterable[Row]) -> list[dict[str, object]]:
    """Write the deliveries of some captures, whole weeks of them; the truth of each capture."""
    truths: list[dict[str, object]] = []
    manifests: dict[Path, list[list[object]]] = {}
    for row in rows:
        delivery = inbox / f"{iso_week(row.week)}-{row.depot}"
        (delivery / "waveforms").mkdir(parents=True, exist_ok=True)
        lines = manifests.setdefault(delivery, [])
        number = len(lines) + 1
        recorder, file = _write_recording(row, delivery, number)
        lines.append(_manifest_line(row, file, recorder))
        truths.append(
            {
                "van_id": row.van_id,
                "week": iso_week(row.week),
                "captured_at": row.captured_at,
                "visit": row.visit,
                "delivery": delivery.name,
                "file": file,
                **row.capture.truth,
            }
        )
    for delivery, lines in manifests.items():
        with (delivery / "manifest.csv").open("w", newline="") as stream:
            table = csv.writer(stream)
            table.writerow(MANIFEST)
            table.writerows([["" if v is None else v for v in line] for line in lines])
    return truths


def write_register(folder: Path, fleet: list[Van]) -> None:
    """Write the register of a fleet; the folder must be new."""
    (folder / "recorders").mkdir(parents=True)
    (folder / "families.toml").write_text(register_toml(tuple(dict.fromkeys(v.family for v in fleet))))
    (folder / "recorders" / "handheld.toml").write_text(PROFILE)
    with (folder / "vans.csv").open("w", newline="") as stream:
        table = csv.writer(stream)
        table.writerow(
            ["van_id", "family", "depot", "in_service_on", "warranty_until", "odometer_km", "lambda_banks", "note"]
        )
        for i, van in enumerate(fleet):
            table.writerow(
                [f"OV{i + 1:03d}", van.family, DEPOTS[i % len(DEPOTS)][0], "2023-03-01", "2027-02-28", "", "", ""]
            )
    (folder / "repairs.csv").write_text("van_id,done_at,work,parts,work_order,note\n")


def _write_recording(row: Row, delivery: Path, number: int) -> tuple[str, str]:
    """Write one recording; its recorder profile and its file within the delivery."""
    frame = pl.DataFrame({"time_s": row.capture.waveform.time_s, **row.capture.waveform.channels})
    recorder = "canonical"
    if row.depot == "millfield" and set(frame.columns) == {"time_s", "airflow_v", "lambda_v"}:
        recorder, file = "handheld", f"waveforms/{number:04d}.csv"
        _write_handheld(frame, delivery / file)
    elif row.depot == "quayside":
        file = f"waveforms/{number:04d}.csv"
        frame.write_csv(delivery / file, float_precision=6)
    else:
        file = f"waveforms/{number:04d}.parquet"
        frame.write_parquet(delivery / file)
    return recorder, file


def _manifest_line(row: Row, file: str, recorder: str) -> list[object]:
    c = row.capture.conditions
    return [
        file,
        row.van_id,
        row.captured_at.isoformat(),
        row.visit,
        row.odometer_km,
        c.coolant_c,
        c.intake_air_c,
        c.barometer_kpa,
        c.humidity_pct,
        c.altitude_m,
        str(c.closed_loop).lower(),
        c.trim_idle_pct,
        c.trim_2500_pct,
        "",
        c.fuel,
        recorder,
        row.recorder.serial,
        "S1",
        "",
    ]


def _write_truth(path: Path, fleet: list[Van], faults: list[Fault], weeks: int) -> None:
    pl.DataFrame(
        [
            {
                "van_id": f"OV{i + 1:03d}",
                "family": van.family,
                "cause": fault.cause or "none",
                "severity_end": fault.severity(weeks - 1),
                "onset": iso_week(fault.onset) if fault.cause else "",
                "onset_week": fault.onset if fault.cause else -1,
                "ramp_weeks": fault.ramp_weeks,
                "severity_final": fault.final,
                "profile": fault.profile,
            }
            for i, (van, fault) in enumerate(zip(fleet, faults, strict=True))
        ]
    ).write_csv(path)


def _write_handheld(frame: pl.DataFrame, path: Path) -> None:
    milli = frame.select(
        Zeit=(pl.col("time_s") * 1e3).round(4),
        A=(pl.col("airflow_v") * 1e3).round(2),
        B=(pl.col("lambda_v") * 1e3).round(2),
    )
    path.write_text("record\nhand-held\n" + milli.write_csv(separator=";").replace(".", ","))


def iso_week(week: int) -> str:
    """ISO week of a week counted from 0."""
    year, number, _ = (FIRST_WEEK + timedelta(weeks=week)).isocalendar()
    return f"{year}-W{number:02d}"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--vans", type=int, default=40)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--faulty", type=float, default=0.3)
    parser.add_argument("--spoiled", type=float, default=0.06)
    given = parser.parse_args()
    write_fleet(given.folder, given.vans, given.weeks, given.seed, given.faulty, given.spoiled)


if __name__ == "__main__":
    main()
