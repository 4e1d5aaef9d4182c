"""The steps of a week as plain functions; flows.py runs them under Prefect, tests without it.

Each opens the warehouse, does its part in transactions, and closes it. Steps hand on keys only, and a killed run
is continued by running again.
"""

import hashlib
import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.plurals import counted
from data_contracts.states import PLANNED_STATES
from data_contracts.tables import READ_FROM_WORDS
from data_contracts.weeks import week_of
from pipelines.decisions.order_decisions import take_in_decisions
from pipelines.decisions.proofs import PERSON
from pipelines.decisions.quarantine_decisions import take_in_item_decisions
from pipelines.intake.accounts import DeliveryAccount
from pipelines.intake.filing import pack_delivered
from pipelines.intake.forgetting import complete, finish
from pipelines.intake.gone import Gone
from pipelines.intake.journal import clear_left_drafts, note_intake, note_run
from pipelines.intake.take_in import Report, take_in
from pipelines.storage.identity import identity_of
from pipelines.storage.publish import publish, published_run
from pipelines.storage.standing_register import keep_families, standing_register
from pipelines.storage.warehouse import Warehouse, open_warehouse
from pipelines.weekly.judging import judge_week, threads_of
from pipelines.weekly.own_version import models_print
from pipelines.weekly.prepare import say_first_use
from pipelines.weekly.progress import bar
from pipelines.weekly.read_captures import read_new_captures
from pipelines.weekly.testing import test_plan_facts
from pipelines.weekly.track_on_cluster import TrackingOnCluster
from pipelines.workspace.cluster_settings import ClusterSettings
from pipelines.workspace.log import note
from pipelines.workspace.register import Register
from pipelines.workspace.run_progress import note_progress
from pipelines.workspace.settings import Settings, load_settings
from pipelines.workspace.version import VERSION
from pipelines.workspace.workspace import Workspace, open_workspace

if TYPE_CHECKING:  # it takes seconds to import
    from models.tracking.state.told import Tell

CLOCK_SLACK = timedelta(minutes=5)
"""A clock that is corrected by less than this stops no run. Of our choosing."""
# Sections of the settings that change no figure: when, where and for whom.
_NO_RESULT = {"schedule", "intake", "cluster", "board", "people", "display", "notify", "evidence"}


@dataclass(frozen=True)
class Tracked:
    """Result of the tracking step: counts by urgency, open orders, notices, whether anything changed, the tests, the week of the
    newest capture, and how many decisions were taken in."""

    listed: Mapping[str, int]
    orders: int
    notices: tuple[Mapping[str, Any], ...]
    changed: bool
    tests: tuple[Fact, ...] = ()
    newest: str = ""
    decisions: int = 0


def intake(home: Path, *, quiet: bool = True, now: datetime | None = None) -> tuple[DeliveryAccount, ...]:
    """Take in what is in the inbox and what waits in quarantine.

    Parameters
    ----------
    home : Path
        The workspace.
    quiet : bool
        Show no progress.
    now : datetime or None
        Time of the run; None is the clock's.

    Returns
    -------
    tuple of DeliveryAccount
    """
    workspace, settings = _opened(home)
    at = now or datetime.now(UTC)
    clear_left_drafts(workspace)
    counted = note_progress(workspace, "intake")
    with open_warehouse(workspace) as warehouse, bar("taking in", quiet=quiet, note=counted) as progress:
        cut_off = finish(workspace, warehouse)
        if cut_off and (run := published_run(workspace.published_path, whole=False)) is not None:
            publish(warehouse, workspace.published_path, week=run[0])
        found = take_in_all(workspace, warehouse, settings, at, progress=progress)
        note_progress(workspace, "packing")
        packed = pack_delivered(workspace, warehouse)
        note_intake(workspace, warehouse, [account.delivery for account in found], now=at, packed=packed)
    if cut_off:
        complete(workspace)
    return found


def take_in_all(
    workspace: Workspace,
    warehouse: Warehouse,
    settings: Settings,
    at: datetime,
    *,
    progress: Report | None = None,
    names: Mapping[str, str] | None = None,
    gone: Gone | None = None,
) -> tuple[DeliveryAccount, ...]:
    """What an intake does once the warehouse is open.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
        Open for writing, outside a transaction.
    settings : Settings
    at : datetime
        Time of the run.
    progress : callable, optional
        Told (done, total) in recordings.
    names : mapping of str to str, optional
        Names that deliveries had before, by their name in the inbox.
    gone : mapping, optional
        What decoding gave of rows whose files are emptied by now, by delivery and row.

    Returns
    -------
    tuple of DeliveryAccount
    """
    register = standing_register(workspace, warehouse).register
    keep_families(workspace, warehouse, register)
    take_in_item_decisions(workspace, warehouse)
    workers = settings.intake.workers
    known = take_in(workspace, warehouse, register, now=at, progress=progress, workers=workers, names=names, gone=gone)
    return tuple(known)


def read_captures(home: Path, *, quiet: bool = True) -> int:
    """Read every recording that is new or changed.

    Parameters
    ----------
    home : Path
        The workspace.
    quiet : bool
        Show no progress.

    Returns
    -------
    int
        Recordings read.
    """
    workspace, settings = _opened(home)
    if not quiet:
        say_first_use()
    counted = note_progress(workspace, "reading")
    with open_warehouse(workspace) as warehouse, bar("reading", quiet=quiet, note=counted) as progress:
        register = standing_register(workspace, warehouse).register
        return read_new_captures(
            workspace,
            warehouse,
            register,
            workers=settings.intake.workers,
            progress=progress,
            cluster=_cluster(workspace, settings),
            tell=partial(_cluster_failed, workspace),
        )


def _cluster_failed(workspace: Workspace, line: str) -> None:
    print(line, file=sys.stderr, flush=True)
    note(workspace, "cluster_failed", why=line)


def _cluster(workspace: Workspace, settings: Settings) -> ClusterSettings:
    """The cluster that is named, with its files and storage; none is asked for otherwise."""
    asked = settings.cluster if settings.cluster.asked else ClusterSettings()
    return asked.within(workspace, identity_of(workspace) if asked.storage else "")


def resolve_week(home: Path, week: str | None) -> str:
    """The week a run publishes.

    Parameters
    ----------
    home : Path
        The workspace.
    week : str or None
        As asked; None is the week of the newest capture that is not dated ahead of this week.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If nothing was ever captured, or the clock stands before the last run: the week it names may be long past.
    """
    if week is not None:
        return week
    workspace, _ = _opened(home)
    now = datetime.now(UTC)
    with open_warehouse(workspace) as warehouse:
        _check_clock(warehouse, now)
        newest = _newest(warehouse, now)
        refused = warehouse.query("SELECT count(*) FROM quarantine WHERE state = 'waiting'").item()
    if not newest:
        why = (
            f"{counted(refused, 'item waits', 'items wait')} in quarantine (see `vansnap check`)"
            if refused
            else "the inbox is empty"
        )
        raise InputError(f"there is no capture yet and {why}: drop a delivery into {workspace.inbox}, then run again")
    return newest


def _newest(warehouse: Warehouse, now: datetime) -> str:
    """Week of the newest capture that is not dated ahead; empty where there is none."""
    return str(warehouse.query("SELECT max(week) FROM captures WHERE week <= ?", [week_of(now)]).item() or "")


def _check_clock(warehouse: Warehouse, now: datetime) -> None:
    last = warehouse.query("SELECT max(finished_at) FROM runs").item()
    if last is not None and now < last - CLOCK_SLACK:
        raise InputError(
            f"this machine's clock says {now:%Y-%m-%d %H:%M} UTC, but the last run ended {last:%Y-%m-%d %H:%M}: set the clock right, "
            "then run again; if it was wrong then, name the week once with --week. What was delivered is taken in"
        )


def track(home: Path, week: str, *, quiet: bool = True) -> Tracked:
    """Judge every van as of a week, name causes, propose work orders, and store all of it.

    Parameters
    ----------
    home : Path
        The workspace.
    week : str
        ISO week.
    quiet : bool
        Show no progress.

    Returns
    -------
    Tracked
    """
    workspace, settings = _opened(home)
    with open_warehouse(workspace) as warehouse:
        with bar("tracking", quiet=quiet) as progress:
            standing = published_run(workspace.published_path)
            decisions = take_in_decisions(workspace, warehouse)
            say = partial(_cluster_failed, workspace)
            cluster = TrackingOnCluster(_cluster(workspace, settings), threads=threads_of(settings), say=say)
            judged = judge_again(
                workspace, warehouse, settings, week, standing=standing, progress=progress, tell=cluster.tell
            )
            cluster.forget()
        note_run(workspace, warehouse)
        tracked = _standing(warehouse, week, settings.workshop.currency)
        return replace(tracked, changed=judged, decisions=decisions)


def judge_again(
    workspace: Workspace,
    warehouse: Warehouse,
    settings: Settings,
    week: str,
    *,
    standing: tuple[str, str] | None = None,
    at: datetime | None = None,
    progress: Report | None = None,
    tell: "Tell | None" = None,
) -> bool:
    """What tracking does once the warehouse is open and the decisions are taken in.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
        Open for writing, outside a transaction.
    settings : Settings
    week : str
        ISO week.
    standing : tuple of (str, str), optional
        Week and `data_id` of what is published: the same is not judged again.
    at : datetime or None
        When the run ended; None is the clock's.
    progress : callable, optional
        Told (0, 1), then (1, 1).
    tell : callable, optional
        Shares the charts of the fleet out, as `models.tracking.assess.assess` takes it.

    Returns
    -------
    bool
        Whether the week was judged.
    """
    if at is None:  # of a clock that was ahead; later runs were refused, or a person named the week
        warehouse.execute("UPDATE runs SET finished_at = $now WHERE finished_at > $now", {"now": datetime.now(UTC)})
    known = standing_register(workspace, warehouse)
    data_id = _data_id(warehouse, known.register, settings, week)
    if standing == (week, data_id):
        return False
    if progress is not None:
        progress(0, 1)
    run = _run_row(week, data_id, at or datetime.now(UTC))
    judge_week(workspace, warehouse, known.register, settings, run, known.facts(), tell)
    if progress is not None:
        progress(1, 1)
    return True


def publish_week(home: Path, week: str, tracked: Tracked) -> bool:
    """Publish the read side, unless the same is published already.

    Parameters
    ----------
    home : Path
        The workspace.
    week : str
        ISO week it stands for.
    tracked : Tracked
        What tracking found.

    Returns
    -------
    bool
        Whether a new file was published.
    """
    if not tracked.changed:
        return False
    workspace, _ = _opened(home)
    with open_warehouse(workspace) as warehouse:
        publish(warehouse, workspace.published_path, week=week)
    return True


def _opened(home: Path) -> tuple[Workspace, Settings]:
    workspace = open_workspace(home)
    return workspace, load_settings(workspace.settings_path)


def _standing(warehouse: Warehouse, week: str, currency: str) -> Tracked:
    listed = dict(
        warehouse.query("SELECT urgency, count(*) FROM watchlist WHERE week = ? GROUP BY urgency", [week]).iter_rows()
    )
    orders = warehouse.query(
        f"SELECT count(*) FROM work_orders WHERE week <= ? AND state IN {PLANNED_STATES}",
        [week],
    ).item()
    notices = warehouse.query("SELECT text, text_facts FROM notices WHERE week = ? ORDER BY number", [week])
    tests = test_plan_facts(warehouse, week, currency)
    newest = _newest(warehouse, datetime.now(UTC))
    return Tracked(listed, int(orders), tuple(notices.to_dicts()), False, tests, newest)


def _run_row(week: str, data_id: str, at: datetime) -> dict[str, Any]:
    """Row of `runs` for a week that is judged now."""
    run_id = hashlib.sha256(f"{week}\x1f{data_id}".encode()).hexdigest()[:16]
    return {
        "run_id": run_id,
        "week": week,
        "finished_at": at,
        "vansnap": VERSION,
        "data_id": data_id,
    }


def _data_id(warehouse: Warehouse, register: Register, settings: Settings, week: str) -> str:
    """Hash over everything a week's judgement depends on."""
    from models.reading.read import METHOD

    digest = hashlib.sha256()
    captures = warehouse.query(
        "SELECT capture_id, read_id, visit, depot FROM captures WHERE week <= ? ORDER BY ALL", [week]
    )
    for row in captures.iter_rows():
        digest.update("\x1f".join(row).encode())
    waiting = warehouse.query("SELECT item_id, state FROM quarantine ORDER BY ALL")
    accounts = warehouse.query("SELECT * EXCLUDE (taken_in_at, written_at) FROM deliveries ORDER BY ALL")
    # a proof follows from what is hashed here, so it must not make the run that found it look out of date
    decided = warehouse.query("SELECT event_id FROM order_events WHERE person <> ? ORDER BY 1", [PERSON])
    repairs = register.repairs_frame().drop(READ_FROM_WORDS)
    for frame in (waiting, accounts, decided, register.vans_frame(), repairs):
        digest.update(frame.write_csv().encode())
    warranties = sorted((name, family.warranty_km) for name, family in register.families.items())
    digest.update(repr(warranties).encode())
    digest.update(repr((register.absences, register.works)).encode())
    digest.update(json.dumps(settings.model_dump(mode="json", exclude=_NO_RESULT), sort_keys=True).encode())
    digest.update(f"{VERSION}\x1f{METHOD}\x1f{models_print()}".encode())
    return digest.hexdigest()
