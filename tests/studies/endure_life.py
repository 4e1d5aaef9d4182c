"""The stages of a small workspace's life that are killed in `tests.studies.endure`, and what a workspace holds, to compare.

Each stage is tried on a copy of the workspace as the stages before it left it. What it does may be done again after any kill, by
the very call that a person or a schedule would repeat.
"""

import hashlib
import json
import shutil
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from unittest.mock import patch

import duckdb
import polars as pl

from data_contracts.errors import InputError
from pipelines.commands.apply import apply_now
from pipelines.commands.backup import back_up
from pipelines.commands.check import audit
from pipelines.commands.forget import forget
from pipelines.commands.retry import retry
from pipelines.decisions.order_decisions import event_from, record
from pipelines.intake.corrections import Mend, record_mend
from pipelines.intake.filing import pack_delivered
from pipelines.intake.journal import read_journal
from pipelines.retention.step import retain
from pipelines.storage.backups import BackupPlace
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.kept_workspaces import DELIVERED, NAMES, unpacked
from tests.same_tables import LEFT_OUT

BEFORE, AFTER = "2026-W10", "2026-W11"
STRAY = "2026-W11-stray"
"""The delivery of a van that nobody knows, until it is mended."""
NOW = datetime(2026, 3, 30, 6, tzinfo=UTC)


def begun(root: Path) -> None:
    """Four vans judged as of a week, with the deliveries of the next in the inbox, one of them of an unknown van."""
    workspace = make_workspace(root / "home", {"settings.toml": "[intake]\nworkers = 1\n"})
    shutil.copytree(DELIVERED / "register", workspace.register, dirs_exist_ok=True)
    last = sorted(path for path in (DELIVERED / "inbox").iterdir() if path.name.startswith(AFTER))
    for path in sorted((DELIVERED / "inbox").iterdir()):
        if path not in last:
            shutil.copy2(path, workspace.inbox)
    steps.intake(workspace.root, now=NOW)
    steps.read_captures(workspace.root)
    steps.publish_week(workspace.root, BEFORE, steps.track(workspace.root, BEFORE))
    for path in last:  # as folders, which are packed once they are taken in
        shutil.unpack_archive(path, workspace.inbox / path.stem)
    stray = workspace.inbox / STRAY
    stray.mkdir()
    samples = pl.DataFrame(
        {"time_s": [n / 200 for n in range(600)], "airflow_v": [1.0 + n % 7 * 5 / 4096 for n in range(600)]}
    )
    samples.write_csv(stray / "a.csv")
    rows = "file,van_id,captured_at\na.csv,V999,2026-03-11T09:00:00+01:00\n"
    (stray / "manifest.csv").write_text(rows, encoding="utf-8")


def _intake(root: Path) -> None:
    steps.intake(root / "home", now=NOW)


def _reading(root: Path) -> None:
    steps.read_captures(root / "home")


def _tracking(root: Path) -> None:
    steps.track(root / "home", AFTER)


def _publishing(root: Path) -> None:
    steps.publish_week(root / "home", AFTER, steps.Tracked({}, 0, (), True))


def _deciding(root: Path) -> None:
    workspace = Workspace(root / "home")
    with duckdb.connect(str(workspace.published_path), read_only=True) as published:
        orders = published.execute("SELECT order_id FROM work_orders WHERE state <> 'withdrawn' ORDER BY 1").fetchall()
    for (order,) in orders:
        told = {"order_id": order, "state": "accepted", "at": "2026-03-30T09:00:00+02:00", "person": "foreman"}
        record(workspace, event_from(told))
    apply_now(workspace)


def _mending(root: Path) -> None:
    workspace = Workspace(root / "home")
    record_mend(workspace, Mend(STRAY, 1, {"van_id": "V001"}, NOW, "foreman", "a slip"))
    retry(workspace, STRAY)


def _packing(root: Path) -> None:
    workspace = Workspace(root / "home")
    with workspace.held(), Warehouse(workspace.warehouse_path) as warehouse:
        pack_delivered(workspace, warehouse)


def _retention(root: Path) -> None:
    workspace = Workspace(root / "home")
    workspace.settings_path.write_text("[intake]\nworkers = 1\n[retention]\nraw_months = 1\n", encoding="utf-8")
    with workspace.held():
        retain(workspace.root, now=NOW + timedelta(days=365))


def _forgetting(root: Path) -> None:
    names = (f"{number:06x}" for number in count(1))  # drawn otherwise
    with (
        patch("pipelines.intake.forgetting.secrets.token_hex", lambda _: next(names)),
        suppress(InputError),  # nobody is named so any more: it was killed when all was done
    ):
        forget(Workspace(root / "home"), "foreman")


def _backup(root: Path) -> None:
    back_up(Workspace(root / "home"), str(root / "backups"))


def _migration(root: Path) -> None:
    Warehouse(root / "home" / "warehouse.duckdb").close()


def older(root: Path) -> None:
    """A workspace of an earlier version."""
    unpacked(NAMES[0], root / "home")


STAGES: dict[str, Callable[[Path], None]] = {
    "intake": _intake,
    "reading": _reading,
    "tracking": _tracking,
    "publishing": _publishing,
    "deciding": _deciding,
    "mending": _mending,
    "packing": _packing,
    "retention": _retention,
    "forgetting": _forgetting,
    "backup": _backup,
    "migration": _migration,
}
"""In the order of a life; the last begins with a workspace of its own."""


def state_of(root: Path) -> dict[str, str]:
    """What is there, by its name: a hash of each table, each file's name and that of its bytes, what `check` finds.

    Left out are moments of runs, and databases as files; of reports the bytes, which hold such moments. Of the journal
    it is told what was taken in and judged, once: a run that was killed when it had written all down is made again.
    """
    workspace = Workspace(root / "home")
    with Warehouse(workspace.warehouse_path) as warehouse:
        found = {f"found: {line}": "" for line in audit(workspace, warehouse)}
    for path in (workspace.warehouse_path, workspace.published_path):
        with duckdb.connect(str(path), read_only=True) as file:
            names = [str(name) for (name,) in file.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
            for name in names:
                rows = file.sql(f'SELECT * FROM "{name}"').pl().drop(LEFT_OUT.get(name, ()), strict=False)
                lines = sorted(repr(row) for row in rows.iter_rows())
                found[f"{path.stem}: {name}"] = hashlib.sha256("\n".join(lines).encode()).hexdigest()
    for path in sorted(one for one in root.rglob("*") if one.is_file()):
        inside = path.relative_to(root).as_posix()
        if inside.startswith("backups/") or path.match("journal/[!.]*.json"):
            continue  # told by what can be put back, and by what the entries say
        volatile = (
            path.suffix in (".duckdb", ".wal") or "before-upgrade" in path.name or path.name in (".lock", ".workspace")
        )
        moments = any(part in inside for part in ("/reports/", "/models/"))
        name = inside.split("before-upgrade-")[0]
        while f"file: {name}" in found:  # copies of upgrades, whose names are moments
            name += "+"
        found[f"file: {name}"] = "" if volatile or moments else hashlib.sha256(path.read_bytes()).hexdigest()
    for entry in read_journal(workspace):
        taken = sorted((name, kept.content_id, sorted(kept.files.items())) for name, kept in entry.deliveries.items())
        found |= {f"journal, taken in: {one}": "" for one in taken}
        found |= {f"journal, decision: {name}": "" for name in entry.decisions}
        if entry.week:
            found[f"journal, judged: {entry.week} {entry.run_id}"] = ""
    if (root / "backups").is_dir():
        found |= _backed_up(root)
    return found


def _backed_up(root: Path) -> dict[str, str]:
    """The newest backup, held against the workspace it is of; and what lies at the place that no backup names."""
    place = BackupPlace(str(root / "backups"))
    newest = place.backups()[-1]
    found = {f"damaged: {path}": "" for path in place.damaged(newest)}
    there = {path: (root / "home" / path).stat().st_size for path in newest.files}
    found |= {f"size: {path}": "" for path, (_, size, _) in newest.files.items() if there[path] != size}
    named = {digest for one in place.backups() for digest, _, _ in one.files.values()}
    objects = {path.name for path in (root / "backups" / "objects").rglob("*") if path.is_file()}
    found |= {f"object: {'a draft' if name.endswith('.part') else name}": "" for name in sorted(objects - named)}
    return found | {f"backup: {path}": "" for path in sorted(newest.files)}


def write_state(root: Path, out: Path) -> None:
    """Write down what is there."""
    out.write_text(json.dumps(state_of(root)), encoding="utf-8")
