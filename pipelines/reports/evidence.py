"""The warranty file of one van: what was measured, how sure it is, and what was left out, in one sealed ZIP."""

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import InputError, MissingFileError
from pipelines.read_side import queries
from pipelines.read_side.published import Published, open_published
from pipelines.reports.bag import TAG_MANIFEST, pack, seal_of
from pipelines.reports.claim import EVERYTHING, Claim
from pipelines.reports.evidence_claimant import claim_table, claimant_fields, unrecorded_work
from pipelines.reports.evidence_notes import as_asked, left_out, notes_section, photo_payload
from pipelines.reports.evidence_pdf import evidence_pdf
from pipelines.reports.evidence_tables import tables_of
from pipelines.reports.order_pdf import run_of
from pipelines.reports.paper import day, in_words, message, write_whole, written_for
from pipelines.storage.plain_text import spreadsheet_csv
from pipelines.storage.waveforms import read_chunk
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace


@dataclass(frozen=True)
class Made:
    """A warranty file that was written: recordings in it, and its seal."""

    recordings: int
    seal: str


def write_evidence(workspace: Workspace, van_id: str, out: Path, claim: Claim = EVERYTHING) -> Made:
    """Write the warranty file of a van, as of the published run.

    Parameters
    ----------
    workspace : Workspace
    van_id : str
        Van of the register.
    out : Path
        .zip.
    claim : Claim
        Period, quantities and statement; the default is everything.

    Returns
    -------
    Made

    Raises
    ------
    InputError
        If the van is unknown, none of its recordings lies in the period, the ending is wrong or the file can't be written.
    MissingFileError
        If nothing is published.
    WorkspaceError
        If stored samples are gone or damaged.
    """
    with written_for(load_settings(workspace.settings_path).display):
        return _write(workspace, van_id, out, claim)


def _write(workspace: Workspace, van_id: str, out: Path, claim: Claim) -> Made:
    if out.suffix.lower() != ".zip":
        raise InputError(f"--out {out} ends in {out.suffix or 'nothing'}: name a .zip file")
    if not out.parent.is_dir():
        raise InputError(f"can't write {out}: its folder is not there; name a file you may write")
    published = open_published(workspace.root)
    if queries.van(published, van_id) is None:
        raise InputError(f"van {van_id!r} is not in the register: `register/vans.csv` names them")
    run = run_of(published)
    at = run["finished_at"]
    if not isinstance(at, datetime):
        raise MissingFileError("the run has no time: run `vansnap weekly` again")
    every = tables_of(published, van_id)
    tables = as_asked(claim.of(every), asked=claim.notes)
    if tables["captures"].is_empty() and not every["captures"].is_empty():
        days = every["captures"]["captured_at"].dt.date().to_list()
        raise InputError(
            f"no recording of van {van_id} lies in that period: give days between {min(days)} and {max(days)}, its first and its last"
        )
    payload: dict[str, tuple[bytes, str]] = {}
    fields = claimant_fields(tables, claim.entered)
    for name, frame in {**tables, "claim": claim_table(claim, fields)}.items():
        payload[f"tables/{name}.parquet"] = (_parquet(frame), message(f"evidence.table.{name}"))
        payload[f"tables/{name}.csv"] = (spreadsheet_csv(frame).encode(), message(f"evidence.table.{name}"))
    removed = _removed(published, sorted(set(tables["captures"]["waveform_id"])))
    ids = sorted(set(tables["captures"]["waveform_id"]) - set(removed["waveform_id"]))
    for identity, frame in _waveforms(published, ids):
        payload[f"waveforms/{identity}.parquet"] = (_parquet(frame), message("evidence.waveform"))
        payload[f"waveforms/{identity}.csv"] = (frame.write_csv().encode(), message("evidence.waveform"))
    if claim.notes:
        payload |= photo_payload(workspace, tables["order_events"])
    payload["report.pdf"] = (
        evidence_pdf(
            workspace,
            published,
            van_id,
            tables,
            run,
            [*_claimed(claim, every, tables), *_raw_removed(tables["captures"], removed)],
            fields=[field.told for field in fields],
            notes=notes_section(tables["order_events"]) if claim.notes else None,
            left_out=() if claim.notes else left_out(every),
        ),
        message("evidence.report"),
    )
    key = load_settings(workspace.settings_path).evidence.signing_key
    content = pack(
        payload,
        name=message("evidence.name", van=van_id),
        about=message("evidence.about", van=van_id, week=run["week"]),
        at=at,
        key=workspace.root / key if key else None,
    )
    write_whole(out, content)
    import zipfile

    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return Made(len(ids), seal_of(archive.read(TAG_MANIFEST)))


def _claimed(claim: Claim, every: Mapping[str, pl.DataFrame], tables: Mapping[str, pl.DataFrame]) -> list[str]:
    """The choice of period and trends and what it leaves out, in sentences; empty where everything is shown."""
    if claim.everything:
        return []
    lines = [claim.statement, *unrecorded_work(claim, tables)] if claim.statement else []
    if claim.first is None and claim.last is None and not claim.quantities:
        return lines
    unnamed = message("evidence.open_end")
    lines.append(message("evidence.period", first=claim.first or unnamed, last=claim.last or unnamed))
    if claim.quantities:
        lines.append(message("evidence.only", quantities=", ".join(map(in_words, claim.quantities))))
    outside = every["captures"].height - tables["captures"].height
    shown, known = (set(frames["trends"]["quantity"]) for frames in (tables, every))
    lines.append(
        message(
            "evidence.asked_out", captures=outside, quantities=", ".join(map(in_words, sorted(known - shown))) or "–"
        )
    )
    return lines


def _removed(published: Published, ids: list[str]) -> pl.DataFrame:
    """Waveforms whose samples are gone by the retention setting, and when."""
    return published.ask(
        "SELECT waveform_id, removed_on FROM waveforms WHERE list_contains($ids, waveform_id) AND removed_on IS NOT NULL",
        {"ids": ids},
    )


def _raw_removed(captures: pl.DataFrame, removed: pl.DataFrame) -> list[str]:
    if removed.is_empty():
        return []
    gone = captures.join(removed, on="waveform_id", how="semi").height
    days = ", ".join(map(day, sorted(set(removed["removed_on"]))))
    return [message("evidence.raw_removed", captures=gone, days=days)]


def _waveforms(published: Published, ids: list[str]) -> list[tuple[str, pl.DataFrame]]:
    where = published.ask(
        "SELECT waveform_id, chunk, row_group FROM waveforms WHERE list_contains($ids, waveform_id) ORDER BY ALL",
        {"ids": ids},
    )
    found: dict[str, pl.DataFrame] = {}
    for (chunk,), rows in where.group_by(["chunk"], maintain_order=True):
        if not (published.home / "waveforms" / str(chunk)).is_file():
            raise InputError(
                "samples were removed or moved meanwhile: run this again; if it stays so, run `vansnap check`"
            )
        held = read_chunk(
            published.home / "waveforms" / str(chunk), sorted(set(rows["row_group"])), set(rows["waveform_id"])
        )
        for identity, waveform in held.items():
            columns: dict[str, Any] = {"time_s": waveform.time_s}
            columns |= {name: waveform.channels[name] for name in sorted(waveform.channels)}
            found[identity] = pl.DataFrame(columns)
    missing = [identity for identity in ids if identity not in found]
    if missing:
        raise InputError(f"waveform {missing[0][:12]}… is not stored: run `vansnap check`, then restore waveforms/")
    return sorted(found.items(), key=lambda item: item[0])


def _parquet(frame: pl.DataFrame) -> bytes:
    out = io.BytesIO()
    frame.write_parquet(out, compression="zstd", statistics=False)
    return out.getvalue()
