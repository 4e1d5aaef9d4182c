"""The steps of a week as plain functions; flows.py runs them under Prefect, tests without it.

Each opens the warehouse, does its part in transactions, and closes it, so that steps hand on keys and
a killed run is picked up by running again.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata, resources
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.weeks import week_before, week_end
from models.work.order_states import replay
from pipelines.decisions.order_decisions import (
    bring_orders_up_to_date,
    record,
    repairs_from_orders,
    stored_events,
    take_in_decisions,
)
from pipelines.decisions.proofs import PERSON, proofs_due
from pipelines.decisions.quarantine_decisions import take_in_item_decisions
from pipelines.intake.take_in import DeliveryAccount, take_in
from pipelines.storage.publish import publish, published_run
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.progress import bar
from pipelines.weekly.read_captures import read_new_captures
from pipelines.workspace.register import Register, load_register
from pipelines.workspace.settings import Settings, load_settings
from pipelines.workspace.workspace import Workspace, open_workspace

VERSION = metadata.version("vansnap")
# Sections of the settings that say when, where and for whom, and change no figure.
_NO_RESULT = {"schedule", "intake", "board", "people", "display", "evidence"}


@dataclass(frozen=True)
class WeeklySummary:
    """What a weekly run did.

    Attributes
    ----------
    week : str
        ISO week it stands for.
    intake : tuple of DeliveryAccount
        Deliveries taken in, each with its row account.
    captures_read : int
        Recordings read because they were new or changed.
    listed : mapping of str to int
        Vans on the list by urgency.
    orders : int
        Open work orders.
    notices : tuple of str
        What concerns no single van.
    published : bool
        False when nothing had changed since the last run.
    """

    week: str
    intake: tuple[DeliveryAccount, ...]
    captures_read: int
    listed: Mapping[str, int]
    orders: int
    notices: tuple[str, ...]
    published: bool

    def document(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "week": self.week,
            "deliveries": [vars(account) for account in self.intake],
            "captures_read": self.captures_read,
            "watchlist": dict(self.listed),
            "open_work_orders": self.orders,
            "notices": list(self.notices),
            "published": self.published,
        }

    def text(self) -> str:
        """For people."""
        rows = sum(account.rows for account in self.intake)
        lines = [f"week {self.week}"]
        if self.intake:
            parts = ", ".join(
                f"{sum(getattr(account, name) for account in self.intake)} {word}"
                for name, word in (
                    ("held", "held"),
                    ("superseded", "superseded"),
                    ("duplicates", "duplicates"),
                    ("quarantined", "in quarantine"),
                )
            )
            lines.append(f"taken in: {len(self.intake)} deliveries, {rows} rows = {parts}")
        else:
            lines.append("taken in: nothing new in the inbox")
        lines.append(f"read: {self.captures_read} recordings")
        lines.append(
            "watchlist: " + ", ".join(f"{self.listed.get(word, 0)} {word}" for word in ("now", "plan", "watch"))
        )
        lines.append(f"open work orders: {self.orders}")
        lines.extend(self.notices)
        lines.append("published" if self.published else "nothing changed since the last run; the published file stays")
        return "\n".join(lines)


@dataclass(frozen=True)
class Tracked:
    """Result of the tracking step: counts by urgency, open orders, notices, and whether anything changed."""

    listed: Mapping[str, int]
    orders: int
    notices: tuple[str, ...]
    changed: bool


def intake(home: Path, *, quiet: bool = True) -> tuple[DeliveryAccount, ...]:
    """Take in what is in the inbox and what waits in quarantine.

    Parameters
    ----------
    home : Path
        The workspace.
    quiet : bool
        Show no progress.

    Returns
    -------
    tuple of DeliveryAccount
    """
    workspace, settings = _opened(home)
    register = load_register(workspace.register)
    with Warehouse(workspace.warehouse_path) as warehouse, bar("taking in", quiet=quiet) as progress:
        take_in_item_decisions(workspace, warehouse)
        return tuple(
            take_in(
                workspace,
                warehouse,
                register,
                now=datetime.now(UTC),
                progress=progress,
                workers=settings.intake.workers,
            )
        )


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
    register = load_register(workspace.register)
    with Warehouse(workspace.warehouse_path) as warehouse, bar("reading", quiet=quiet) as progress:
        return read_new_captures(workspace, warehouse, register, workers=settings.intake.workers, progress=progress)


def resolve_week(home: Path, week: str | None) -> str:
    """The week a run stands for.

    Parameters
    ----------
    home : Path
        The workspace.
    week : str or None
        As asked; None is the week of the newest capture.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If nothing was ever captured.
    """
    if week is not None:
        return week
    workspace, _ = _opened(home)
    with Warehouse(workspace.warehouse_path) as warehouse:
        newest = warehouse.query("SELECT max(week) FROM captures").item()
        refused = warehouse.query("SELECT count(*) FROM quarantine WHERE state = 'waiting'").item()
    if newest is None:
        why = f"{refused} items wait in quarantine (see `vansnap check`)" if refused else "the inbox is empty"
        raise InputError(f"there is no capture yet and {why}: drop a delivery into {workspace.inbox}, then run again")
    return str(newest)


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
    register = load_register(workspace.register)
    with Warehouse(workspace.warehouse_path) as warehouse:
        take_in_decisions(workspace, warehouse)
        data_id = _data_id(warehouse, register, settings, week)
        if published_run(workspace.published_path) == (week, data_id):
            return _standing(warehouse, week)
        with bar("tracking", quiet=quiet) as progress:
            progress(0, 1)
            notices = _track(workspace, warehouse, register, settings, week, data_id)
            progress(1, 1)
        standing = _standing(warehouse, week)
        return Tracked(standing.listed, standing.orders, notices, True)


def publish_week(home: Path, week: str, tracked: Tracked) -> bool:
    """Put the read side in place, unless it is there already.

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
    with Warehouse(workspace.warehouse_path) as warehouse:
        publish(warehouse, workspace.published_path, week=week)
    return True


def _opened(home: Path) -> tuple[Workspace, Settings]:
    workspace = open_workspace(home)
    return workspace, load_settings(workspace.settings_path)


def _standing(warehouse: Warehouse, week: str) -> Tracked:
    listed = dict(
        warehouse.query("SELECT urgency, count(*) FROM watchlist WHERE week = ? GROUP BY urgency", [week]).iter_rows()
    )
    orders = warehouse.query(
        "SELECT count(*) FROM work_orders WHERE week <= ? AND state IN ('proposed', 'accepted', 'postponed', 'booked')",
        [week],
    ).item()
    notices = tuple(warehouse.query("SELECT text FROM notices WHERE week = ? ORDER BY number", [week])["text"])
    return Tracked(listed, int(orders), notices, False)


def _track(
    workspace: Workspace, warehouse: Warehouse, register: Register, settings: Settings, week: str, data_id: str
) -> tuple[str, ...]:
    from models.causes.infer import infer_causes
    from models.tracking.assess import assess
    from models.work.learning import van_priors
    from models.work.watchlist import watchlist
    from pipelines.decisions import lessons
    from pipelines.decisions.work_orders import propose
    from pipelines.storage.models import keep_models

    families: dict[str, Family] = dict(register.families)
    repairs = (
        pl.concat([register.repairs_frame(), repairs_from_orders(warehouse)]).unique("repair_id").sort("repair_id")
    )
    frame = warehouse.query(
        "SELECT c.*, r.* EXCLUDE (capture_id) FROM captures c JOIN readings r USING (capture_id) WHERE c.week <= ?",
        [week],
    ).filter(pl.col("van_id").is_in(list(register.vans)))  # a van that left the register keeps its history only
    shapes = warehouse.query("SELECT s.* FROM shapes s JOIN captures c USING (capture_id) WHERE c.week <= ?", [week])
    assessment = assess(
        frame,
        families=families,
        repairs=repairs.filter(pl.col("done_at") < week_end(week)),
        week=week,
        settings=settings.tracking.for_models(),
        shapes=shapes,
    )
    for event in proofs_due(warehouse, assessment.trends):
        record(workspace, event)
    take_in_decisions(workspace, warehouse)  # before orders are proposed: a judged repair makes room for the next
    learned = lessons.learn_until(warehouse, list(families), settings, week)
    changes = lessons.changes_of_week(warehouse, learned, week)
    flags = lessons.flags_of(assessment)
    van_ids = assessment.residuals.van_ids
    family_of = dict(assessment.states.select("van_id", "family").iter_rows())
    posterior = infer_causes(
        assessment.residuals,
        [families[family_of[van_id]] for van_id in van_ids],
        _fault_codes(frame, van_ids),
        settings=settings.causes.for_models(),
        priors=van_priors(learned, [family_of[van_id] for van_id in van_ids], [flags[v] for v in van_ids]),
    )
    before = warehouse.query("SELECT van_id FROM watchlist WHERE week = ?", [week_before(week)])["van_id"].to_list()
    listed = watchlist(assessment.states, posterior, week=week, before=set(before))
    listed = lessons.with_trust(listed, learned, flags)
    existing = warehouse.query("SELECT * FROM work_orders ORDER BY week, rank, order_id")
    orders = propose(
        listed, assessment, posterior, register, settings, existing, week=week, jobs=learned.jobs, flags=flags
    )
    notices = pl.DataFrame(
        {
            "week": [week] * len(assessment.notices),
            "number": range(len(assessment.notices)),
            "text": [notice.text for notice in assessment.notices],
            "depot": [notice.depot for notice in assessment.notices],
        },
        schema={"week": pl.String, "number": pl.Int64, "text": pl.String, "depot": pl.String},
    )
    card = lessons.learning_card(learned, changes, week)
    keep_models(workspace.models, assessment.models, [*assessment.model_cards, card])
    with warehouse.transaction():
        _store_captures(warehouse, assessment.captures)
        warehouse.replace("trends", assessment.trends)
        lesson = lessons.learning_rows(changes, week)
        for table, rows in (("watchlist", listed), ("notices", notices), ("learning", lesson)):
            warehouse.execute(f"DELETE FROM {table} WHERE week = ?", [week])
            warehouse.append(table, rows)
        warehouse.replace("work_orders", orders)
        bring_orders_up_to_date(warehouse, replay(stored_events(warehouse))[0])
        warehouse.replace("vans", register.vans_frame())
        warehouse.replace("repairs", repairs)
        warehouse.execute("DELETE FROM runs WHERE week = ?", [week])
        run = hashlib.sha256(f"{week}\x1f{data_id}".encode()).hexdigest()[:16]
        now = datetime.now(UTC)
        row = {"run_id": run, "week": week, "finished_at": now, "vansnap": VERSION, "data_id": data_id}
        warehouse.append("runs", pl.DataFrame([row]))
    return tuple(notice.text for notice in assessment.notices)


def _store_captures(warehouse: Warehouse, rows: pl.DataFrame) -> None:
    """Which repeat stands for its visit, and the main peak at reference conditions."""
    with warehouse.rows("_assessed", rows):
        warehouse.execute(
            "UPDATE captures SET representative = a.representative FROM _assessed a "
            "WHERE captures.capture_id = a.capture_id AND captures.representative IS DISTINCT FROM a.representative"
        )
        warehouse.execute(
            "UPDATE readings SET main_peak_reference_g_s = a.main_peak_reference_g_s, "
            "main_peak_reference_g_s_u = a.main_peak_reference_g_s_u FROM _assessed a "
            "WHERE readings.capture_id = a.capture_id "
            "AND readings.main_peak_reference_g_s IS DISTINCT FROM a.main_peak_reference_g_s "
            "AND a.main_peak_reference_g_s IS NOT NULL"
        )


def _fault_codes(frame: pl.DataFrame, van_ids: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Fault codes of each van's last three visits."""
    recent = (
        frame.filter(pl.col("van_id").is_in(list(van_ids)))
        .sort("van_id", "captured_at")
        .group_by("van_id")
        .agg(pl.col("fault_codes").tail(9).explode().drop_nulls().unique().sort())
    )
    codes = dict(recent.iter_rows())
    return [tuple(codes.get(van_id) or ()) for van_id in van_ids]


def _models_print() -> str:
    """Hash over the models' own code and data: another judgement is another run."""
    digest = hashlib.sha256()
    folder = Path(str(resources.files("models")))
    for file in sorted(folder.rglob("*")):
        if file.suffix in (".py", ".toml", ".csv", ".json"):
            digest.update(file.relative_to(folder).as_posix().encode() + b"\x00" + file.read_bytes())
    return digest.hexdigest()


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
    accounts = warehouse.query("SELECT * EXCLUDE (taken_in_at) FROM deliveries ORDER BY ALL")
    # a proof follows from what is hashed here, so it must not make the run that found it look out of date
    decided = warehouse.query("SELECT event_id FROM order_events WHERE person <> ? ORDER BY 1", [PERSON])
    for frame in (waiting, accounts, decided, register.vans_frame(), register.repairs_frame()):
        digest.update(frame.write_csv().encode())
    digest.update(repr(register.absences).encode())
    digest.update(json.dumps(settings.model_dump(mode="json", exclude=_NO_RESULT), sort_keys=True).encode())
    digest.update(f"{VERSION}\x1f{METHOD}\x1f{_models_print()}".encode())
    return digest.hexdigest()
