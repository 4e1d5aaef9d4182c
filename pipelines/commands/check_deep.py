"""`vansnap check --deep`: every recording is read anew and the published week judged anew, in a draft; nothing may differ."""

import shutil
from collections.abc import Callable

import polars as pl

from data_contracts.plurals import counted
from data_contracts.tables import TABLES
from pipelines.commands.rebuild import DRAFT
from pipelines.storage.publish import published_run
from pipelines.storage.standing_register import standing_register
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.progress import bar
from pipelines.weekly.read_captures import read_new_captures
from pipelines.weekly.steps import judge_again
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import FOLDERS, Workspace

_READ = ("captures", "readings", "shapes")
_JUDGED = ("captures", "readings", "trends", "watchlist")
_REMEDY = (
    "run `vansnap weekly`; if it stays, put the warehouse back (`vansnap restore`) or make it again (`vansnap rebuild`)"
)
# Of captures and readings: what judging adds to what was read.
_FROM_JUDGING: dict[str, tuple[str, ...]] = {
    "captures": ("representative", "held"),
    "readings": ("main_peak_reference_g_s", "main_peak_reference_g_s_u"),
}


def derived_findings(workspace: Workspace, told: Callable[[str], None]) -> list[str]:
    """What comes out otherwise than it is stored.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller, its warehouse closed.
    told : callable
        Told a line about each part.

    Returns
    -------
    list of str
        One line per table that differs, with its remedy.
    """
    settings = load_settings(workspace.settings_path)
    run = published_run(workspace.published_path, whole=False)
    draft = Workspace(workspace.root / DRAFT)
    shutil.rmtree(draft.root, ignore_errors=True)
    try:
        for folder in FOLDERS:
            if folder not in ("waveforms", "register"):
                (draft.root / folder).mkdir(parents=True)
        for folder in ("waveforms", "register"):
            (draft.root / folder).symlink_to(workspace.root / folder)
        shutil.copyfile(workspace.warehouse_path, draft.warehouse_path)
        with Warehouse(draft.warehouse_path) as warehouse:
            before = _tables(warehouse, {*_READ, *_JUDGED})
            with warehouse.transaction():
                for name in _READ:
                    warehouse.execute(f"DELETE FROM {name}")
            told("reading every recording anew")
            register = standing_register(draft, warehouse).register
            with bar("reading") as progress:
                read_new_captures(draft, warehouse, register, workers=settings.intake.workers, progress=progress)
            findings = _differing(before, _tables(warehouse, _READ), "read anew", _FROM_JUDGING)
            if findings or run is None:
                return findings
            at = warehouse.query("SELECT max(finished_at) FROM runs WHERE week = ?", [run[0]]).item()
            told(f"judging {run[0]} anew")
            judge_again(draft, warehouse, settings, run[0], at=at)
            if warehouse.query("SELECT data_id FROM runs WHERE week = ?", [run[0]]).item() != run[1]:
                return []  # something came in since: the next run judges, and there is nothing to compare with
            return _differing(before, _tables(warehouse, _JUDGED), "judged anew", {})
    finally:
        shutil.rmtree(draft.root, ignore_errors=True)


def _tables(warehouse: Warehouse, names: tuple[str, ...] | set[str]) -> dict[str, pl.DataFrame]:
    return {name: warehouse.query(f"SELECT * FROM {name} ORDER BY {', '.join(TABLES[name].key)}") for name in names}


def _differing(
    before: dict[str, pl.DataFrame], after: dict[str, pl.DataFrame], how: str, left_out: dict[str, tuple[str, ...]]
) -> list[str]:
    findings = []
    for name, frame in after.items():
        was, now = (one.drop(left_out.get(name, ())) for one in (before[name], frame))
        if was.height != now.height:
            findings.append(
                f"table {name} holds {counted(was.height, 'row', 'rows')}, {how} they are {now.height}: {_REMEDY}"
            )
        elif columns := [column for column in was.columns if not was[column].equals(now[column])]:
            findings.append(f"table {name} differs when {how}, in {', '.join(columns[:5])}: {_REMEDY}")
    return findings
