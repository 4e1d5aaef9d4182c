"""Intake: from the inbox, and from quarantine, to recordings held.

For every delivery: the manifest is checked, files are decoded, identities settled, waveform chunks written and
synced, then all its rows committed, with those of some others, in one transaction; only then is it moved out of the inbox. Whatever a killed
run leaves behind, running again puts right.
"""

import itertools
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

import polars as pl

from data_contracts.tables import DELIVERIES, MANIFEST_ROWS, RECORDINGS, WAVEFORMS, polars_schema
from pipelines.decisions.quarantine_decisions import winning_claims
from pipelines.intake import check_results, quarantine
from pipelines.intake.accounts import DeliveryAccount, accounts, close_accounts
from pipelines.intake.ages import Ages, ages
from pipelines.intake.capture_dates import check_moment, date_of_delivery
from pipelines.intake.corrections import Mend, filled, mended_rows, mends
from pipelines.intake.decoding import Decoded, Decoders, Wanted
from pipelines.intake.delivery import (
    LARGEST_MANIFEST_BYTES,
    MANIFEST,
    RefusedError,
    close_archive,
    inner_path,
    open_delivery,
)
from pipelines.intake.due import new_jobs, waiting_jobs
from pipelines.intake.filing import file_away
from pipelines.intake.gone import Gone, to_decode, with_gone
from pipelines.intake.identity import Claims
from pipelines.intake.job import Job
from pipelines.intake.manifest import ManifestRow, RefusedManifestError, check_rows, read_manifest
from pipelines.intake.quarantine import Item
from pipelines.intake.unnamed import unnamed_files
from pipelines.storage.unreferenced import settle_chunks
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import write_waveforms
from pipelines.workspace.register import Register
from pipelines.workspace.workspace import Workspace

Report = Callable[[int, int], None]
_BATCH_ROWS, _BATCH_SAMPLES = 500, 16_000_000
"""What is committed at once: as much as makes its own cost small beside decoding, and is quickly done again. Of our choosing."""
_ROWS_OPEN = 5000
"""Rows of manifests that are checked together, some 2.5 kB each; as many more are held that were checked before. Of our choosing."""


def take_in(
    workspace: Workspace,
    warehouse: Warehouse,
    register: Register,
    *,
    now: datetime,
    progress: Report | None = None,
    workers: int = 0,
    names: Mapping[str, str] | None = None,
    gone: Gone | None = None,
) -> list[DeliveryAccount]:
    """Retry what waits in quarantine, then take in every complete delivery.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing.
    register : Register
        Vans, families and recorder profiles.
    now : datetime
        Time of the run.
    progress : callable, optional
        Told (done, total) in recordings.
    workers : int
        Processes that decode; 0 is one per core.
    names : mapping of str to str, optional
        Names that deliveries had before, by their name in the inbox; others are named by that.
    gone : mapping, optional
        What decoding gave of rows whose files are emptied by now, by delivery and row.

    Returns
    -------
    list of DeliveryAccount
        Deliveries that are new, or whose waiting rows changed; oldest first.
    """
    file_away(workspace, warehouse)
    quarantine.note_register_faults(warehouse, register, now=now)
    _keep_vans(warehouse, register)
    jobs = deque([*waiting_jobs(workspace, warehouse), *new_jobs(workspace, warehouse, names or {})])
    return _take_in(workspace, warehouse, register, jobs, now=now, progress=progress, workers=workers, gone=gone or {})


def retry_waiting(
    workspace: Workspace, warehouse: Warehouse, register: Register, *, now: datetime
) -> list[DeliveryAccount]:
    """Retry what waits in quarantine, and leave the inbox to the next run.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing.
    register : Register
        Vans, families and recorder profiles.
    now : datetime
        Time of the retry.

    Returns
    -------
    list of DeliveryAccount
        Deliveries whose waiting rows changed.
    """
    _keep_vans(warehouse, register)
    jobs = deque(waiting_jobs(workspace, warehouse))
    return _take_in(workspace, warehouse, register, jobs, now=now, workers=1, gone={})


def _take_in(
    workspace: Workspace,
    warehouse: Warehouse,
    register: Register,
    jobs: deque[Job],
    *,
    now: datetime,
    progress: Report | None = None,
    workers: int,
    gone: Gone,
) -> list[DeliveryAccount]:
    mended = mends(workspace)
    said = ages(warehouse, mended)
    changed: list[str] = []
    first = _opened(jobs, mended, now)
    with Decoders(sum(len(job.text) for job in first), workers=workers) as decoders:
        checked = _checked(workspace, register, first, jobs, mended, gone, now=now)
        del first  # held no longer than the others
        for batch in decoders.one_ahead(_collected(decoders, checked, gone, progress)):
            changed += _commit(workspace, warehouse, batch, said, now=now)
    close_archive()
    file_away(workspace, warehouse)
    settle_chunks(warehouse, workspace.waveforms)
    return accounts(warehouse, changed)


def _keep_vans(warehouse: Warehouse, register: Register) -> None:
    with warehouse.transaction():
        warehouse.replace("vans", register.vans_frame())


def _opened(jobs: deque[Job], mended: Sequence[Mend], now: datetime) -> list[Job]:
    """Take the next deliveries, as many as are held at once, and open them."""
    some: list[Job] = []
    rows = 0
    while jobs and rows < _ROWS_OPEN:
        job = jobs.popleft()
        job.mended = [mend for mend in mended if mend.delivery == job.delivery]
        _open(job, now)
        some.append(job)
        rows += len(job.text)
    return some


class _Checked(NamedTuple):
    """Deliveries whose manifests are checked: what of each is to be decoded, how many recordings came before, and how many there may be of all."""

    jobs: list[Job]
    groups: list[list[Wanted]]
    before: int
    total: int


def _checked(
    workspace: Workspace,
    register: Register,
    some: list[Job],
    jobs: deque[Job],
    mended: Sequence[Mend],
    gone: Gone,
    *,
    now: datetime,
) -> Iterator[_Checked]:
    """Deliveries with their manifests checked, as many at a time as are held at once: those opened already, then the others."""
    done = fresh = of_fresh = 0
    while some:
        _check_manifests(workspace, some, register, now=now)
        groups = [to_decode(job, gone) for job in some]
        before, done = done, done + sum(map(len, groups))
        fresh += sum(not job.again for job in some)
        of_fresh += sum(len(group) for job, group in zip(some, groups, strict=True) if not job.again)
        left = sum(not job.again for job in jobs)  # not opened yet: each counts as the others do in the middle
        yield _Checked(some, groups, before, done + (round(of_fresh / fresh * left) if fresh else 0))
        some = _opened(jobs, mended, now)


def _collected(
    decoders: Decoders, checked: Iterator[_Checked], gone: Gone, progress: Report | None
) -> Iterator[list[tuple[Job, list[Decoded]]]]:
    """Deliveries decoded, as many at a time as are committed at once; the next manifests are checked meanwhile."""
    for jobs, groups, before, total in decoders.one_ahead(checked):

        def report(count: int, before: int = before, total: int = total) -> None:
            if progress is not None:
                progress(before + count, total)

        yield from _batches(jobs, with_gone(jobs, decoders.decode_all(groups), gone), report)


def _check_manifests(workspace: Workspace, jobs: Sequence[Job], register: Register, *, now: datetime) -> None:
    """Check some manifests in one batch, and decide what needs no decoding."""
    text = [row for job in jobs for row in job.text]
    checked = iter(check_rows(text))
    found = {job.delivery: (job.text, list(itertools.islice(checked, len(job.text)))) for job in jobs}
    check_results.keep(workspace.checks, check_results.of_deliveries(found), now=now)
    for job in jobs:
        for row in found[job.delivery][1]:
            try:
                wanted = _admit(job, row, register, now)
            except RefusedError as refused:
                job.items.append(Item(job.delivery, row.file, row.number, refused.rule, refused.reason, 1))
            else:
                job.ready.append(row)
                job.wanted.append(wanted)


def _open(job: Job, now: datetime) -> None:
    try:
        job.opened = open_delivery(job.path)
        content = job.opened.read(MANIFEST, LARGEST_MANIFEST_BYTES)
        rows = mended_rows(read_manifest(content, filled(job.mended)), job.mended)
    except RefusedManifestError as refused:
        job.total = refused.rows
        job.items.append(
            Item(job.delivery, MANIFEST, None, refused.rule, refused.reason, len(job.open_rows(refused.rows)))
        )
    except RefusedError as refused:
        rule, reason = refused.rule, refused.reason
        if job.opened is not None:
            if rule == "missing_file":
                rule, reason = "missing_manifest", job.opened.without_manifest()
            elif rule in ("unreadable_file", "too_large"):
                rule = "unreadable_manifest"
        file = None if job.opened is None else MANIFEST
        job.items.append(Item(job.delivery, file, None, rule, reason, len(job.open_rows(0))))
    else:
        job.total, job.dated = len(rows), date_of_delivery(rows, now)
        job.text = [row for row in rows if row.number not in job.settled]
        job.written = job.opened.written_at()
        job.changed = job.again and job.opened.content_id() != job.content_id
        job.items += unnamed_files(job.delivery, job.opened, rows, job.discarded)
        for number in sorted(job.waiting - {row.number for row in rows}):
            reason = f"row {number} is no longer in the manifest: put it back, or discard the item"
            job.items.append(Item(job.delivery, MANIFEST, number, "unreadable_manifest", reason, 1))
    if not job.again:
        job.content_id = job.opened.content_id() if job.opened is not None else job.source


def _admit(job: Job, row: ManifestRow, register: Register, now: datetime) -> Wanted:
    """What to decode for a row, or why it is refused before that."""
    if row.fault is not None:
        raise RefusedError(*row.fault)
    assert row.file is not None
    assert job.opened is not None
    van = register.vans.get(row.van_id or "")
    if van is None:
        raise RefusedError(
            "unknown_van", f"van {row.van_id!r} is not in register/vans.csv: add it; the row is taken in then"
        )
    if van.family not in register.families:
        broken = register.broken_families.get(van.family)
        what = broken or f"family {van.family} of van {van.van_id} is not in register/families.toml: add it"
        raise RefusedError("broken_family", what)
    said = {mend.row for mend in job.mended if mend.row is not None and "captured_at" in mend.cells}
    check_moment(row, van, job.dated, said, now)
    name = row.conditions["recorder"]
    profile = register.recorders.get(name)
    if profile is None:
        broken = register.broken_recorders.get(name)
        if broken is not None:
            raise RefusedError("broken_recorder", broken)
        what = f"recorder profile {name!r} is not in the register: add register/recorders/{name}.toml"
        raise RefusedError("unknown_recorder", what)
    inner_path(row.file)
    return Wanted(job.opened, row.file, profile, register.families[van.family])


def _batches(
    jobs: Sequence[Job], decoded: Iterator[list[Decoded]], report: Callable[[int], None]
) -> Iterator[list[tuple[Job, list[Decoded]]]]:
    """Deliveries as they are decoded, as many at a time as are committed at once."""
    batch: list[tuple[Job, list[Decoded]]] = []
    rows = samples = done = 0
    for job, found in zip(jobs, decoded, strict=True):
        batch.append((job, found))
        done += len(found)
        report(done)
        rows += max(len(job.text), 1)
        samples += sum(int(str(row["samples"])) for each in found for row in each.encoded)
        if rows >= _BATCH_ROWS or samples >= _BATCH_SAMPLES:
            yield batch
            batch, rows, samples = [], 0, 0
    if batch:
        yield batch


def _commit(
    workspace: Workspace,
    warehouse: Warehouse,
    batch: Sequence[tuple[Job, Sequence[Decoded]]],
    said: Ages,
    *,
    now: datetime,
) -> list[str]:
    """Commit some deliveries; those about which anything changed."""
    wins = winning_claims(warehouse)
    named = [result.waveform_id for _, decoded in batch for result in decoded if result.waveform_id is not None]
    claims = Claims(warehouse, named, said)
    fresh: list[dict[str, Sequence[Mapping[str, object]]]] = []
    removed: dict[str, Mapping[str, object]] = {}
    ledger: dict[tuple[str, int], tuple[str, str | None]] = {}
    items: dict[str, list[Item]] = {}
    deliveries: list[dict[str, object]] = []
    for job, decoded in batch:
        told = said.now_told(job.delivery, job.source, job.written, now, changed=job.changed)
        refused = _settle(job, decoded, claims, wins)
        if job.again and not claims.rows and _same_items(warehouse, job.delivery, refused):
            continue
        items[job.delivery] = refused
        unstored = claims.unstored()
        there = [result for result in decoded if result.waveform_id in unstored]
        fresh.append({str(one.waveform_id): one.encoded for one in there if one.removed is None})
        removed |= {str(one.waveform_id): one.removed for one in there if one.removed is not None}
        ledger.update(claims.rows)
        for item in refused:
            numbers = [item.row] if item.row is not None else job.open_rows(job.total) if item.rows else []
            ledger.update({(job.delivery, n): ("quarantined", None) for n in numbers})
        if not job.again:
            deliveries.append(
                {
                    "delivery": job.delivery,
                    "content_id": job.content_id,
                    "source": job.source,
                    "place": "inbox",
                    "taken_in_at": now,
                    "written_at": told.written,
                    "rows": job.total,
                    **dict.fromkeys(("held", "superseded", "duplicates", "quarantined"), 0),
                }
            )
    if not items:
        return []
    waveforms = write_waveforms(workspace.waveforms, *fresh)
    with warehouse.transaction():
        warehouse.append("deliveries", pl.DataFrame(deliveries, schema=polars_schema(DELIVERIES)))
        stored = [*(vars(one) for one in waveforms), *removed.values()]
        warehouse.upsert("waveforms", pl.DataFrame(stored, schema=polars_schema(WAVEFORMS)))
        warehouse.append("recordings", pl.DataFrame(claims.recordings(), schema=polars_schema(RECORDINGS)))
        for (delivery, number), by in claims.corrected.items():
            warehouse.execute(
                "UPDATE recordings SET state = 'superseded', superseded_by = ? WHERE delivery = ? AND row = ?",
                [by, delivery, number],
            )
        entries = [(d, n, state, waveform_id) for (d, n), (state, waveform_id) in ledger.items()]
        warehouse.upsert("manifest_rows", pl.DataFrame(entries, schema=polars_schema(MANIFEST_ROWS), orient="row"))
        quarantine.store(warehouse, items, now=now)
        close_accounts(warehouse, sorted({*items, *(d for d, _ in ledger)}))
    return list(items)


def _settle(job: Job, decoded: Sequence[Decoded], claims: Claims, wins: Collection[str]) -> list[Item]:
    """Settle whose recording each row of a delivery is; all that is refused of it."""
    ready = [row.with_conditions(result.conditions) for row, result in zip(job.ready, decoded, strict=True)]
    winning = {row.number for row in ready if _claimed_twice(job.delivery, row, "").item_id in wins} if wins else set()
    claims.begin(job.delivery, winning)
    items = list(job.items)
    for row, result in zip(ready, decoded, strict=True):
        known = result.waveform_id is not None and claims.knows(result.waveform_id) and row.number not in winning
        if result.refusal is not None and not known:
            items.append(Item(job.delivery, row.file, row.number, *result.refusal, 1))
        elif result.waveform_id is not None and (reason := claims.claim(row, result.waveform_id)) is not None:
            items.append(_claimed_twice(job.delivery, row, reason))
    return items


def _claimed_twice(delivery: str, row: ManifestRow, reason: str) -> Item:
    return Item(delivery, row.file, row.number, "claimed_twice", reason, 1)


def _same_items(warehouse: Warehouse, delivery: str, items: Sequence[Item]) -> bool:
    before = warehouse.query(
        "SELECT item_id, reason FROM quarantine WHERE delivery = ? AND state = 'waiting'", [delivery]
    )
    return dict(before.iter_rows()) == {item.item_id: item.reason for item in items}
