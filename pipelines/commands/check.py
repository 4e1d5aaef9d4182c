"""`vansnap check` of a workspace: does everything stored add up?"""

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import duckdb

from data_contracts.errors import InputError, WorkspaceError, first_line
from data_contracts.plurals import counted
from data_contracts.tables import TABLES
from pipelines.commands.check_kept import NOT_COVERED, kept_findings
from pipelines.decisions.order_decisions import unreadable
from pipelines.decisions.quarantine_decisions import unreadable_items
from pipelines.decisions.repairs import repairs_of, repairs_of_no_van, unknown_work
from pipelines.intake import quarantine
from pipelines.intake.accounts import accounts
from pipelines.intake.corrections import unreadable_mends
from pipelines.intake.filing import place_of, unnameable
from pipelines.storage.packed_folder import ENDING, is_packed
from pipelines.storage.unreferenced import UNREFERENCED, chunks_aside
from pipelines.storage.upgrades import kept_copies
from pipelines.storage.warehouse import Warehouse, open_warehouse
from pipelines.storage.waveforms import read_chunk
from pipelines.workspace.register import load_register
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace

_RESTORE = (
    "put warehouse.duckdb and waveforms/ back from one backup (`vansnap restore`), or make them again from what was kept "
    "(`vansnap rebuild`)"
)

# Pairs of counts that must agree for every delivery: the ledger against each table it stands for.
_LEDGER = """
    WITH ledger AS (SELECT delivery, state, count(*) AS n FROM manifest_rows GROUP BY ALL),
    tables AS (
        SELECT delivery, state, count(*) AS n FROM recordings GROUP BY ALL
        UNION ALL
        SELECT delivery, 'quarantined', sum(rows)::BIGINT FROM quarantine
        WHERE state <> 'taken_in' AND delivery <> 'register' GROUP BY delivery HAVING sum(rows) > 0
    )
    SELECT coalesce(l.delivery, t.delivery) AS delivery, coalesce(l.state, t.state) AS state,
           coalesce(l.n, 0) AS ledger, coalesce(t.n, 0) AS found
    FROM (SELECT * FROM ledger WHERE state <> 'duplicate') l FULL JOIN tables t USING (delivery, state)
    WHERE coalesce(l.n, 0) <> coalesce(t.n, 0) ORDER BY ALL
"""


def check_workspace(
    workspace: Workspace, *, deep: bool = False, told: Callable[[str], None] = lambda line: None
) -> list[str]:
    """Check a workspace that nothing else has open.

    Parameters
    ----------
    workspace : Workspace
        Held by nobody.
    deep : bool
        Read every sample again, and derive the results of the published week anew.
    told : callable
        Told a line about each part, and how long it took.

    Returns
    -------
    list of str
        One line per finding, each with its remedy; empty when everything adds up.
    """
    start = time.monotonic()
    with workspace.held():
        with open_warehouse(workspace) as warehouse:
            counted = warehouse.query(
                "SELECT (SELECT count(*) FROM deliveries), (SELECT count(*) FROM waveforms), (SELECT count(DISTINCT chunk) FROM waveforms)"
            ).row(0)
            told("looking at {} deliveries and {} recordings in {} chunks".format(*counted))
            findings = audit(workspace, warehouse) + _waiting_findings(warehouse)
            if deep:
                told("reading every sample again")
                findings += verify(warehouse, workspace.waveforms)
        if deep:
            from pipelines.commands.check_deep import derived_findings

            findings += derived_findings(workspace, told)
    for copy in kept_copies(workspace.warehouse_path):
        told(f"{copy.name} is the warehouse as it was before this version: remove it once you have looked at the lists")
    told(f"looked at in {time.monotonic() - start:.1f} s; {NOT_COVERED}")
    return findings


def audit(workspace: Workspace, warehouse: Warehouse) -> list[str]:
    """Check row accounts, identities, waveforms, kept deliveries, register and settings.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    warehouse : Warehouse
        Open.

    Returns
    -------
    list of str
        One line per finding, each with its remedy; empty when everything adds up.
    """
    unreadable_tables = table_findings(warehouse)
    if unreadable_tables:  # what else is asked would fail on them
        return unreadable_tables
    findings = _account_findings(warehouse)
    findings += _identity_findings(warehouse)
    findings += kept_findings(workspace, warehouse)
    findings += _unreferenced_findings(workspace.waveforms, warehouse)
    findings += _filing_findings(workspace, warehouse)
    register = load_register(workspace.register)
    findings += [fault.reason for fault in register.faults]
    findings += unknown_work(repairs_of(register, warehouse))
    findings += repairs_of_no_van(register, warehouse)
    findings += _settings_findings(workspace.settings_path)
    findings += [
        f"decisions/{name} can't be read: write the decision again with `vansnap decide`, then delete the file"
        for name in (*unreadable(workspace), *unreadable_items(workspace))
    ]
    findings += [
        f"decisions/{name} can't be read: mend the row again on the board, then delete the file"
        for name in unreadable_mends(workspace)
    ]
    return findings


def table_findings(warehouse: Warehouse) -> list[str]:
    """Read every value of every table: a damaged block in the middle of the file shows only when it is read.

    Parameters
    ----------
    warehouse : Warehouse
        Open.

    Returns
    -------
    list of str
        One line per table that can't be read, with its remedy.
    """
    findings = []
    for name in TABLES:
        try:
            warehouse.query(f'SELECT bit_xor(hash(t)) FROM "{name}" t')
        except duckdb.Error as error:
            findings.append(f"table {name} of warehouse.duckdb can't be read ({first_line(error)}): {_RESTORE}")
    return findings


def _settings_findings(path: Path) -> list[str]:
    try:
        load_settings(path)
    except InputError as error:
        return [str(error)]
    return []


def _waiting_findings(warehouse: Warehouse) -> list[str]:
    """What waits in quarantine; the register reports its own faults."""
    waiting = warehouse.query(
        "SELECT delivery, file, row, reason, item_id FROM quarantine WHERE state = 'waiting' AND rule <> 'bad_register' ORDER BY ALL"
    )
    return [
        f"in quarantine: {row['delivery']}"
        + (f" {row['file']}" if row["file"] else "")
        + (f" row {row['row']}" if row["row"] is not None else "")
        + f": {row['reason']} (item {row['item_id'][:12]})"
        for row in waiting.iter_rows(named=True)
    ]


def _account_findings(warehouse: Warehouse) -> list[str]:
    findings = [
        f"delivery {a.delivery}: {counted(a.rows, 'row', 'rows')}, but {a.held} held + {a.superseded} superseded + {counted(a.duplicates, 'duplicate', 'duplicates')} "
        f"+ {a.quarantined} quarantined: {_RESTORE}"
        for a in accounts(warehouse)
        if not a.closes
    ]
    findings += [
        f"delivery {row['delivery']}: the ledger says {counted(row['ledger'], 'row', 'rows')} {row['state']}, {row['found']} are there: {_RESTORE}"
        for row in warehouse.query(_LEDGER).iter_rows(named=True)
    ]
    wrong = warehouse.query(
        """
        SELECT d.delivery FROM deliveries d LEFT JOIN row_account a USING (delivery)
        WHERE (d.rows, d.held, d.superseded, d.duplicates, d.quarantined)
           IS DISTINCT FROM (coalesce(a.rows, 0), coalesce(a.held, 0), coalesce(a.superseded, 0), coalesce(a.duplicates, 0),
                             coalesce(a.quarantined, 0)) ORDER BY 1
        """
    )
    findings += [f"delivery {name}: its account is not what the ledger says: {_RESTORE}" for name in wrong["delivery"]]
    return findings


def _identity_findings(warehouse: Warehouse) -> list[str]:
    twice = warehouse.query(
        """
        SELECT waveform_id FROM recordings GROUP BY waveform_id
        HAVING count(DISTINCT (van_id, captured_at)) > 1 + (
            SELECT count(*) FROM item_events e JOIN quarantine q USING (item_id) JOIN manifest_rows m
            ON m.delivery = q.delivery AND m."row" = q."row" AND m.waveform_id = recordings.waveform_id
            WHERE e.state = 'taken_in' AND e.refused IS NULL) OR count(*) FILTER (WHERE state = 'held') <> 1 ORDER BY 1
        """
    )
    lost = warehouse.query(
        """
        SELECT delivery, row FROM (SELECT delivery, row, waveform_id FROM recordings UNION
            SELECT delivery, row, waveform_id FROM manifest_rows WHERE state = 'duplicate')
        WHERE waveform_id NOT IN (SELECT waveform_id FROM waveforms) ORDER BY ALL
        """
    )
    return [f"waveform {i[:12]}… is not held by exactly one van and time: {_RESTORE}" for i in twice["waveform_id"]] + [
        f"delivery {delivery} row {row}: its waveform is not in the catalogue: {_RESTORE}"
        for delivery, row in lost.iter_rows()
    ]


def _unreferenced_findings(folder: Path, warehouse: Warehouse) -> list[str]:
    known = set(warehouse.query("SELECT DISTINCT chunk FROM waveforms")["chunk"])
    findings = [
        f"waveforms/{path.name[:16]}… belongs to nothing: the next `vansnap weekly` sets a chunk aside; move any other file away"
        for path in sorted(folder.iterdir())
        if path.is_file() and path.name not in known
    ]
    if aside := chunks_aside(folder):
        findings.append(
            f"waveforms/{UNREFERENCED}/ holds {counted(len(aside), 'chunk', 'chunks')} that no row of the warehouse names: if warehouse.duckdb is an "
            "older one, put the newest back (`vansnap restore`) and they return to their place; else delete that folder"
        )
    return findings


def _filing_findings(workspace: Workspace, warehouse: Warehouse) -> list[str]:
    findings = []
    waiting = set(quarantine.waiting(warehouse)["delivery"])
    rows = warehouse.query("SELECT delivery, source, place FROM deliveries ORDER BY delivery")
    for row in rows.iter_rows(named=True):
        place = row["place"]
        if place == "inbox":
            findings.append(
                f"delivery {row['delivery']} is taken in, but its files still lie in the inbox: run `vansnap weekly` again; if they "
                "stay, let the account that runs Vansnap move them (usual where another account drops them)"
            )
        elif row["delivery"] in waiting and not place_of(workspace, row["delivery"], row["source"], place).exists():
            findings.append(
                f"delivery {row['delivery']} waits, but its files are gone from quarantine/: put them back or deliver again"
            )
    findings += [
        f"inbox/ holds something whose name can't be kept, as {name}: the next `vansnap weekly` renames it; if it stays, rename it there"
        for name in unnameable(workspace.inbox)
    ]
    kept = {workspace.quarantine, workspace.delivered}
    known = {place_of(workspace, r["delivery"], r["source"], r["place"]) for r in rows.iter_rows(named=True)}
    known |= {path.with_name(path.name.removesuffix(ENDING)) for path in known}  # left by a run that was cut off
    for folder in kept:
        if folder.is_dir():
            unknown = [p for p in sorted(folder.iterdir()) if p not in known and not p.name.startswith(".")]
            findings += _unknown_deliveries(folder.relative_to(workspace.root), unknown)
    return findings


def _unknown_deliveries(folder: Path, unknown: Sequence[Path]) -> list[str]:
    """Kept deliveries that the warehouse does not know, in one line: many where it is older than they are."""
    if not unknown:
        return []
    if len(unknown) == 1 and is_packed(unknown[0]):
        return [
            f"{folder / unknown[0].name} belongs to no delivery: unpack it (`tar --zstd -xf`) into a folder of the inbox, or remove it"
        ]
    if len(unknown) == 1:
        return [f"{folder / unknown[0].name} belongs to no delivery: move it to the inbox or remove it"]
    return [
        f"{folder}/ holds {len(unknown)} deliveries the warehouse does not know ({unknown[0].name} to {unknown[-1].name}): if "
        "warehouse.duckdb is an older one, put the newest back (`vansnap restore`), or make it again from them (`vansnap rebuild`)"
    ]


def verify(warehouse: Warehouse, folder: Path) -> list[str]:
    """Hash every stored waveform again.

    Parameters
    ----------
    warehouse : Warehouse
        Holds the catalogue.
    folder : Path
        waveforms/ of the workspace.

    Returns
    -------
    list of str
        One line per finding; empty when every waveform is there and true.
    """
    findings: list[str] = []
    catalogue = warehouse.query("SELECT waveform_id, chunk FROM waveforms WHERE removed_on IS NULL ORDER BY ALL")
    for (chunk,), rows in catalogue.group_by(["chunk"], maintain_order=True):
        try:
            held = read_chunk(folder / str(chunk))
        except WorkspaceError as error:
            findings.append(f"{error} ({counted(rows.height, 'recording', 'recordings')})")
            continue
        for waveform_id in rows["waveform_id"]:
            if waveform_id not in held:
                findings.append(
                    f"waveform {waveform_id[:12]}… is not in its chunk {str(chunk)[:12]}…: put the chunk back from a backup (`vansnap restore`)"
                )
            elif held[waveform_id].waveform_id != waveform_id:
                findings.append(
                    f"waveform {waveform_id[:12]}… no longer has its hash: put chunk {str(chunk)[:12]}… back from a backup (`vansnap restore`)"
                )
    return findings
