"""What reads files from outside, each with sound files to damage; every reader tells what is wrong in lines of text."""

import gzip
import io
import json
import re
import tomllib
import zipfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from data_contracts.errors import VansnapError
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from pipelines.commands.propose import proposal
from pipelines.decisions import order_decisions, quarantine_decisions
from pipelines.intake import corrections, journal
from pipelines.intake.delivery import RefusedError, open_delivery
from pipelines.intake.manifest import check_rows, read_manifest
from pipelines.intake.readers.picture import plain_photo
from pipelines.intake.readers.recording import read_recording, sketch_recording
from pipelines.reports.evidence_check import check_evidence
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.register import RegisterFault, load_families, load_recorders, load_register
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.deliveries import FAMILIES, VANS, deliver, recording, row
from tests.odd_csv import ODD
from tests.pictures import picture
from tests.recorded_files import mdf, wav

Lines = Iterable[str]


@dataclass(frozen=True)
class Target:
    """A reader of files.

    Attributes
    ----------
    sound : sequence of bytes
        Files it reads without complaint.
    read : callable
        Takes (folder, content); returns the lines it tells. A VansnapError tells its message.
    share : float
        Of the tries asked for: what starts processes or a contract suite is slow.
    """

    sound: Sequence[bytes]
    read: Callable[[Path, bytes], Lines]
    share: float = 1.0


def _as_parquet(frame: pl.DataFrame) -> bytes:
    file = io.BytesIO()
    frame.write_parquet(file)
    return file.getvalue()


def _recording(name: str, profile: RecorderProfile) -> Callable[[Path, bytes], Lines]:
    def read(_: Path, content: bytes) -> Lines:
        read_recording(name, content, profile)
        return ()

    return read


def _photo(_: Path, content: bytes) -> Lines:
    plain_photo("photo.jpg", content)
    return ()


def _logger(_: Path, content: bytes) -> Lines:
    """A file that no profile fits: one is proposed, as `vansnap read` does, and the file read through it."""
    sketch = sketch_recording("w.csv", content)
    if sketch is not None and sketch.columns:
        text = proposal("w.csv", content, sketch)
        read_recording("w.csv", content, parse_profile("saved", tomllib.loads(text)))
    return ()


def _manifest(_: Path, content: bytes) -> Lines:
    rows = read_manifest(content)
    for checked in (
        check_rows(rows[:50]) if len(content) % 16 == 0 else ()
    ):  # the contract suite takes a third of a second
        if checked.fault is not None:
            yield checked.fault[1]


def _delivery(folder: Path, content: bytes) -> Lines:
    path = folder / "delivery.zip"
    path.write_bytes(content)
    opened = open_delivery(path)
    opened.content_id()
    opened.written_at()
    for name in (*opened.files()[:20], "manifest.csv", "w.csv"):
        try:
            opened.read(name)
        except RefusedError as error:
            yield error.reason


def _settings(folder: Path, content: bytes) -> Lines:
    path = folder / "settings.toml"
    path.write_bytes(content)
    load_settings(path)
    return ()


def _families(folder: Path, content: bytes) -> Lines:
    (folder / "families.toml").write_bytes(content)
    faults: list[RegisterFault] = []
    load_families(folder, faults)
    return [fault.reason for fault in faults]


def _recorders(folder: Path, content: bytes) -> Lines:
    (folder / "recorders").mkdir(exist_ok=True)
    (folder / "recorders" / "box.toml").write_bytes(content)
    faults: list[RegisterFault] = []
    load_recorders(folder, faults)
    return [fault.reason for fault in faults]


def _register(name: str) -> Callable[[Path, bytes], Lines]:
    """The whole register with one table damaged."""

    def read(folder: Path, content: bytes) -> Lines:
        for file, text in {"families.toml": FAMILIES, "vans.csv": VANS}.items():
            (folder / file).write_text(text, encoding="utf-8")
        (folder / name).write_bytes(content)
        register = load_register(folder)
        register.vans_frame()
        register.repairs_frame()
        (folder / name).unlink()
        return [fault.reason for fault in register.faults]

    return read


def _kept(kind: str) -> Callable[[Path, bytes], Lines]:
    """Files that the program itself keeps, damaged on the disk: decisions, mends, the journal."""

    def read(folder: Path, content: bytes) -> Lines:
        home = folder / "home"
        workspace = Workspace(home) if home.exists() else make_workspace(home, {})
        path = {
            "decisions": workspace.decisions / "d.json",
            "mends": workspace.decisions / corrections.FOLDER / "m.json",
            "items": workspace.decisions / "quarantine" / "i.json",
            "journal": workspace.waveforms / journal.FOLDER / "000001.json",
        }[kind]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        order_decisions.pending(workspace)
        corrections.mends(workspace)
        for broken in (
            order_decisions.unreadable(workspace),
            corrections.unreadable_mends(workspace),
            quarantine_decisions.unreadable_items(workspace),
            journal.unreadable_entries(workspace),
        ):
            yield from broken

    return read


def _evidence(folder: Path, content: bytes) -> Lines:
    path = folder / "evidence.zip"
    path.write_bytes(content)
    return check_evidence(path).findings


def _zips(folder: Path) -> list[bytes]:
    made = deliver(folder / "made", [row("w.csv")], {"w.csv": recording(1)}, zipped=True).read_bytes()
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as packed:
        packed.writestr("manifest.csv", "file,van_id,captured_at\nw.csv,V001,2026-03-02T10:00:00Z\n")
        packed.writestr("w.csv", recording(2).write_csv())
    return [made, file.getvalue()]


def _uncommented(text: str) -> bytes:
    """An example file with its commented keys and tables in force."""
    return re.sub(r"^# (?=\[|[a-z_]+ = )", "", text, flags=re.MULTILINE).encode()


def targets(folder: Path, evidence: Path) -> dict[str, Target]:
    """All readers by name.

    Parameters
    ----------
    folder : Path
        For sound files that have to be made.
    evidence : Path
        A sound warranty file.
    """
    frame, time = recording(1), np.arange(2000) / 1000
    pair = np.stack([np.cos(time), np.sin(time)], axis=1) / 2
    flow = {"airflow_v": (time, pair[:, 0] + 1, "V"), "lambda_v": (time[::2], pair[::2, 1] + 1, "V")}
    as_wav = parse_profile(
        "wav", {"time": {"of_file": True}, "channels": {"airflow_v": {"column": "1", "scale": 10.0}}}
    )
    as_mdf = parse_profile("mdf", {"time": {"of_file": True}, "channels": {name: {"column": name} for name in flow}})
    moment = "2026-03-02T09:15:00+00:00"
    manifest = "file,van_id,captured_at,visit,odometer_km,coolant_c,fault_codes,fuel,note\n" + "".join(
        f'{n}.csv,V00{n},2026-03-02T09:1{n}:00Z,morning,6120{n},88,P0171;P0101,E10,"a, b"\n' for n in range(4)
    )
    decision = {
        "order_id": "o1",
        "state": "accepted",
        "at": moment,
        "person": "ann",
        "note": "",
        "hours": 2.5,
        "photos": ["0" * 64],
    }
    mend = {"delivery": "d", "row": 2, "cells": {"van_id": "V001"}, "at": moment, "person": "ann", "reason": "typed"}
    item = {"item_id": "i1", "state": "discarded", "at": moment, "person": "ann", "reason": "twice"}
    entry = {"at": moment, "decisions": ["d.json"], "deliveries": {}, "week": "2026-W10", "run_id": "r"}
    return {
        "csv": Target([frame.write_csv().encode()], _recording("w.csv", CANONICAL), 0.3),
        "csv of loggers": Target([content for content, *_ in ODD.values()], _logger, 0.1),
        "csv.gz": Target([gzip.compress(frame.write_csv().encode())], _recording("w.csv.gz", CANONICAL)),
        "parquet": Target([_as_parquet(frame)], _recording("w.parquet", CANONICAL), 0.5),
        "wav": Target([wav(pair, 1000)], _recording("w.wav", as_wav)),
        "mdf": Target([mdf(flow)], _recording("w.mf4", as_mdf), 0.03),
        "manifest": Target([manifest.encode()], _manifest),
        "delivery": Target(_zips(folder), _delivery),
        "photo": Target([picture(name, (300, 200)) for name in ("JPEG", "PNG", "WEBP")], _photo, 0.3),
        "settings": Target([EXAMPLE_FILES["settings.toml"].encode()], _settings, 0.3),
        "families": Target([FAMILIES.encode(), _uncommented(EXAMPLE_FILES["register/families.toml"])], _families),
        "recorders": Target([_uncommented(EXAMPLE_FILES["register/recorders/example.toml"])], _recorders),
        "vans": Target([VANS.encode()], _register("vans.csv"), 0.02),
        "repairs": Target(
            [b"van_id,done_at,work,parts,work_order,note\nV001,2026-03-02,air-mass sensor replaced,A-1,,x\n"],
            _register("repairs.csv"),
            0.02,
        ),
        "away": Target(
            [b"van_id,first_day,last_day,reason\nV001,2026-07-01,2026-07-14,leave\n"], _register("away.csv"), 0.02
        ),
        "work": Target([_uncommented(EXAMPLE_FILES["register/work.toml"])], _register("work.toml"), 0.02),
        "decisions": Target([json.dumps(decision).encode()], _kept("decisions")),
        "mends": Target([json.dumps(mend).encode()], _kept("mends")),
        "items": Target([json.dumps(item).encode()], _kept("items")),
        "journal": Target([json.dumps(entry).encode()], _kept("journal")),
        "evidence": Target([evidence.read_bytes()], _evidence, 0.1),
    }


def told_by(target: Target, folder: Path, content: bytes) -> list[str]:
    """The lines a reader tells of a file, whether it returns or refuses."""
    try:
        return list(target.read(folder, content))
    except VansnapError as error:
        return [str(error)]
