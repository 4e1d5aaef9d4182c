"""A simulated fleet as a workspace's input: register, deliveries in the inbox, and the truth beside them."""

import shutil
import zipfile
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from data_contracts.weeks import week_of
from sample_fleet.fleet import FleetBatch, plan_jobs, simulate_plans
from sample_fleet.planning import plan_fleet
from sample_fleet.register import write_csv, write_register
from sample_fleet.scenario import CapturePlan, Fleet, Scenario
from sample_fleet.waveform_files import write_waveform

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
Progress = Callable[[int, int], None]


@dataclass
class Delivery:
    """A delivery being written: its folder and manifest rows; `fate` is the outcome intake must give a row."""

    name: str
    folder: Path
    zipped: bool
    rows: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True)
class Mix:
    """How the files are written: shares of plain CSV, of the two recorder profiles at their depots, of zips."""

    csv: float = 0.03
    slate: float = 0.25
    ledger: float = 0.06
    zipped: float = 0.2


_MIX = Mix()


def write_fleet(
    root: Path,
    scenario: Scenario,
    rng: np.random.Generator,
    *,
    mix: Mix = _MIX,
    broken: bool = True,
    workers: int = 2,
    progress: Progress | None = None,
) -> Fleet:
    """Write a fleet into a workspace: register/, inbox/, truth.csv, truth_rows.csv, truth_captures.parquet.

    Parameters
    ----------
    root : Path
        The workspace, or an empty folder.
    scenario : Scenario
        What to plan.
    rng : numpy.random.Generator
        Source of everything; the files do not depend on `workers`.
    mix : Mix
        Formats.
    broken : bool
        Include a handful of rows that break the contract, repeat or correct others.
    workers : int
        Threads.
    progress : callable, optional
        Called with captures done and in all.

    Returns
    -------
    Fleet
        What was planned.
    """
    fleet = plan_fleet(scenario, rng)
    write_register(fleet, root / "register")
    deliveries, truth_rows = _write_captures(fleet, root / "inbox", rng, mix, broken, workers, progress)
    _write_truth(root, fleet, deliveries, truth_rows)
    return fleet


def write_captures(fleet: Fleet, inbox: Path, rng: np.random.Generator, *, mix: Mix = _MIX, workers: int = 2) -> None:
    """Write the captures of a planned fleet into an inbox, and nothing beside them.

    Parameters
    ----------
    fleet : Fleet
        What was planned, or some weeks of it.
    inbox : Path
        Made if absent.
    rng : numpy.random.Generator
        Source of everything; the files do not depend on `workers`.
    mix : Mix
        Formats.
    workers : int
        Threads.
    """
    _write_captures(fleet, inbox, rng, mix, broken=False, workers=workers, progress=None)


def _write_captures(
    fleet: Fleet,
    inbox: Path,
    rng: np.random.Generator,
    mix: Mix,
    broken: bool,
    workers: int,
    progress: Progress | None,
) -> tuple[list[Delivery], list[dict[str, Any]]]:
    """Write and hand over the deliveries; these by name, and the truth of every capture."""
    inbox.mkdir(parents=True, exist_ok=True)
    deliveries, writers = _lay_out(fleet, inbox, mix, rng)

    def run(plans: tuple[CapturePlan, ...], recording: Any, own: np.random.Generator) -> FleetBatch:
        done = simulate_plans(fleet, plans, recording, own)
        for capture, plan in enumerate(plans):
            name, file, form = writers[id(plan)]
            write_waveform(
                deliveries[name].folder / file,
                done.batch.time_s,
                done.batch.channels(capture),
                form,
                plan.captured_at,
                done.batch.vehicles[capture].air_sensor.air_high,
            )
        empty = np.empty((0, 0), dtype=np.float32)
        slim = replace(done.batch, airflow=empty, oxygen=np.empty((0, 0, 0), dtype=np.float32), extras={})
        return replace(done, batch=slim)

    truth_rows: list[dict[str, Any]] = []
    finished = 0
    with ThreadPoolExecutor(workers) as pool:
        futures: list[Future[FleetBatch]] = [
            pool.submit(run, plans, recording, own) for recording, plans, own in plan_jobs(fleet, rng, 48)
        ]
        for future in futures:
            done = future.result()
            for capture, plan in enumerate(done.plans):
                name, file, form = writers[id(plan)]
                deliveries[name].rows.append(_manifest_row(fleet, done, capture, file, form))
                truth_rows.append(_truth_row(fleet, done, capture, name, file))
            finished += len(done.plans)
            if progress is not None:
                progress(finished, len(fleet.captures))
    order = sorted(deliveries)
    for name in order:
        deliveries[name].rows.sort(key=lambda row: str(row["file"]))
    if broken:
        _break_contract([deliveries[name] for name in order], rng)
    for name in order:
        _hand_over(deliveries[name], inbox)
    return [deliveries[name] for name in order], truth_rows


def _lay_out(
    fleet: Fleet, inbox: Path, mix: Mix, rng: np.random.Generator
) -> tuple[dict[str, Delivery], dict[int, tuple[str, str, str]]]:
    """The deliveries by name, their folders made; and of each plan its delivery, file and format."""
    deliveries: dict[str, Delivery] = {}
    writers: dict[int, tuple[str, str, str]] = {}  # by identity of the plan: delivery, file, recorder
    for number, plan in enumerate(fleet.captures):
        name = _delivery_of(fleet, plan)
        if name not in deliveries:
            folder = inbox / f".{name}.writing"
            shutil.rmtree(folder, ignore_errors=True)
            (folder / "waveforms").mkdir(parents=True)
            deliveries[name] = Delivery(name, folder, bool(rng.random() < mix.zipped))
        form = _form(fleet.depots[fleet.vans[plan.van].depot].name, mix, rng)
        suffix = "parquet" if form == "parquet" else "csv"
        file = f"waveforms/{number:05d}-{fleet.vans[plan.van].van_id}.{suffix}"
        writers[id(plan)] = (name, file, form)
    return deliveries, writers


def _delivery_of(fleet: Fleet, plan: CapturePlan) -> str:
    return f"{week_of(plan.captured_at)}-{fleet.depots[fleet.vans[plan.van].depot].name}"


def _form(depot: str, mix: Mix, rng: np.random.Generator) -> str:
    draw = rng.random()
    if depot == "south" and draw < mix.slate:
        return "slate"
    if depot == "mill" and draw < mix.ledger:
        return "ledger"
    return "csv" if draw > 1.0 - mix.csv else "parquet"


def _manifest_row(fleet: Fleet, done: FleetBatch, capture: int, file: str, form: str) -> dict[str, Any]:
    plan, row = done.plans[capture], dict(done.rows[capture])
    for key in ("trim_idle_pct", "trim_2500_pct"):
        row[key] = None if row[key] is None else round(row[key], 2)
    return row | {
        "file": file,
        "van_id": fleet.vans[plan.van].van_id,
        "captured_at": plan.captured_at.isoformat(timespec="milliseconds"),
        "visit": plan.visit,
        "recorder": form if form in ("slate", "ledger") else "",
        "recorder_serial": plan.instrument if row.pop("recorder_serial_written", True) else None,
        "fate": "held",
    }


def _truth_row(fleet: Fleet, done: FleetBatch, capture: int, delivery: str, file: str) -> dict[str, Any]:
    plan = done.plans[capture]
    van = fleet.vans[plan.van]
    return {
        "delivery": delivery,
        "file": file,
        "van_id": van.van_id,
        "family": van.family,
        "visit": plan.visit,
        "repeat": plan.repeat,
        "captured_at": plan.captured_at,
        "spoiled": plan.spoiled,
        "cause": "none" if van.fault is None or plan.severity == 0.0 else van.fault.cause,
        "severity": plan.severity,
    } | {name: float(values[capture]) for name, values in done.batch.truth.items()}


def _break_contract(deliveries: list[Delivery], rng: np.random.Generator) -> None:
    """Spoil a handful of rows the way real deliveries are, and note what intake must make of each."""
    roomy = [d for d in deliveries if len(d.rows) >= 6]
    if len(roomy) < 6:
        return
    picked = [roomy[i] for i in sorted(rng.choice(len(roomy) - 1, size=5, replace=False))]
    unknown, missing, repeated, corrected, other = picked
    visit = unknown.rows[0]["visit"]
    for row in unknown.rows:  # a van nobody registered
        if row["visit"] == visit:
            row["van_id"], row["visit"], row["fate"] = "V900", "V900" + visit[4:], "unknown_van"
    gone = missing.rows[1]
    (missing.folder / gone["file"]).unlink()
    gone["fate"] = "missing_file"
    wrong = missing.rows[3]
    wrong["coolant_c"], wrong["fate"] = "warm", "bad_value"
    later = deliveries[deliveries.index(repeated) + 1]
    for row in repeated.rows[:2]:  # handed in again, unchanged
        _copy_row(repeated, row, later, "duplicate", {})
    old = corrected.rows[2]  # handed in again with the barometer put right
    _copy_row(
        corrected,
        old,
        deliveries[deliveries.index(corrected) + 1],
        "held",
        {"barometer_kpa": 98.4, "note": "barometer corrected"},
    )
    old["fate"] = "superseded"
    twin = other.rows[4]  # one recording claimed for another van too
    stolen = (
        next(row for row in other.rows if row["van_id"] != twin["van_id"])
        if len({r["van_id"] for r in other.rows}) > 1
        else twin
    )
    if stolen is not twin:
        _copy_row(
            other,
            twin,
            deliveries[deliveries.index(other) + 1],
            "claimed_twice",
            {"van_id": stolen["van_id"], "visit": ""},
        )
    leaving = dict(other.rows[5]) | {"file": "../elsewhere.parquet", "fate": "path_leaves_delivery"}
    leaving["captured_at"] = leaving["captured_at"].replace(".000", ".500")
    other.rows.append(leaving)


def _copy_row(source: Delivery, row: dict[str, Any], target: Delivery, fate: str, changes: dict[str, Any]) -> None:
    file = row["file"].replace("waveforms/", "waveforms/again-")
    shutil.copy(source.folder / row["file"], target.folder / file)
    target.rows.append(row | {"file": file, "fate": fate} | changes)


def _hand_over(delivery: Delivery, inbox: Path) -> None:
    """Write the manifest and rename the whole into the inbox."""
    write_csv(delivery.folder / "manifest.csv", MANIFEST, delivery.rows)
    target = inbox / delivery.name
    if delivery.zipped:
        part = inbox / f"{delivery.name}.zip.part"
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive:
            for path in sorted(delivery.folder.rglob("*")):
                if path.is_file():
                    name = path.relative_to(delivery.folder).as_posix()
                    entry = zipfile.ZipInfo(name)  # a fixed date: the same seed gives the same bytes
                    entry.compress_type = zipfile.ZIP_STORED if name.endswith(".parquet") else zipfile.ZIP_DEFLATED
                    archive.writestr(entry, path.read_bytes())
        part.replace(inbox / f"{delivery.name}.zip")
        shutil.rmtree(delivery.folder)
        return
    delivery.folder.replace(target)


def _write_truth(root: Path, fleet: Fleet, deliveries: list[Delivery], captures: list[dict[str, Any]]) -> None:
    import polars as pl

    end = max(plan.captured_at for plan in fleet.captures) + timedelta(days=1)
    rows = []
    for van in fleet.vans:
        fault = van.fault
        row: dict[str, Any] = {"van_id": van.van_id, "family": van.family, "depot": fleet.depots[van.depot].name}
        row["cause"] = "none" if fault is None else fault.cause
        if fault is not None:
            row |= {
                "severity_end": round(fault.level(end), 4),
                "severity_full": round(fault.severity, 4),
                "onset": fault.onset.date(),
                "profile": fault.profile,
                "ramp_days": round(fault.ramp_days, 1) if fault.profile != "step" else None,
                "active_share": round(fault.active_share, 2),
                "repaired_on": None if fault.repaired is None else fault.repaired.date(),
                "mended": None if fault.repaired is None else str(fault.mended).lower(),
            }
        rows.append(row)
    columns = (
        "van_id",
        "family",
        "depot",
        "cause",
        "severity_end",
        "severity_full",
        "onset",
        "profile",
        "ramp_days",
        "active_share",
        "repaired_on",
        "mended",
    )
    write_csv(root / "truth.csv", columns, rows)
    write_csv(
        root / "truth_rows.csv",
        ("delivery", "row", "file", "van_id", "fate"),
        (
            {"delivery": d.name, "row": number, "file": row["file"], "van_id": row["van_id"], "fate": row["fate"]}
            for d in deliveries
            for number, row in enumerate(d.rows, start=1)
        ),
    )
    captures.sort(key=lambda row: (row["delivery"], row["file"]))
    pl.DataFrame(captures, infer_schema_length=None).write_parquet(root / "truth_captures.parquet")
