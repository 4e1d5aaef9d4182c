"""The steps of a week as plain functions; flows.py runs them under Prefect, tests without it.

Each opens the warehouse, does its part in transactions, and closes it, so that steps hand on keys and
a killed run is picked up by running again.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import metadata, resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.facts.say import sentence
from data_contracts.family import Family
from data_contracts.tables import NOTICES, polars_schema
from data_contracts.weeks import is_silent, week_before, week_end, week_of
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
from pipelines.storage.sentences import with_sentences
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.apart import STEPS, NotJudged, judge_apart
from pipelines.weekly.progress import bar
from pipelines.weekly.read_captures import READ_TRACES, read_new_captures
from pipelines.workspace.register import Register, load_register
from pipelines.workspace.settings import Settings, load_settings
from pipelines.workspace.workspace import Workspace, open_workspace

if TYPE_CHECKING:  # they take seconds to import
    from models.causes.infer import CausePosterior
    from models.tracking.assess import Assessment

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
    notices : tuple of mapping
        What concerns no single van: rows of `notices`.
    published : bool
        False when nothing had changed since the last run.
    """

    week: str
    intake: tuple[DeliveryAccount, ...]
    captures_read: int
    listed: Mapping[str, int]
    orders: int
    notices: tuple[Mapping[str, Any], ...]
    published: bool

    def document(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "week": self.week,
            "deliveries": [vars(account) for account in self.intake],
            "captures_read": self.captures_read,
            "watchlist": dict(self.listed),
            "open_work_orders": self.orders,
            "notices": [notice["text"] for notice in self.notices],
            "published": self.published,
        }

    def text(self, language: str = "en", units: str = "metric") -> str:
        """For people; what the run found out is told in their language and units."""
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
        lines.extend(sentence(notice, "text", language, units) for notice in self.notices)
        lines.append("published" if self.published else "nothing changed since the last run; the published file stays")
        return "\n".join(lines)


@dataclass(frozen=True)
class _Judged:
    """What is found of the vans that are judged together."""

    assessment: "Assessment"
    posterior: "CausePosterior"
    flags: Mapping[str, tuple[str, ...]]
    listed: pl.DataFrame


@dataclass(frozen=True)
class Tracked:
    """Result of the tracking step: counts by urgency, open orders, notices, and whether anything changed."""

    listed: Mapping[str, int]
    orders: int
    notices: tuple[Mapping[str, Any], ...]
    changed: bool


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
    register = load_register(workspace.register)
    with Warehouse(workspace.warehouse_path) as warehouse, bar("taking in", quiet=quiet) as progress:
        take_in_item_decisions(workspace, warehouse)
        return tuple(
            take_in(
                workspace,
                warehouse,
                register,
                now=now or datetime.now(UTC),
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
        As asked; None is the week of the newest capture that is not dated ahead of this week.

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
        newest = warehouse.query("SELECT max(week) FROM captures WHERE week <= ?", [week_of(datetime.now(UTC))]).item()
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
            _track(workspace, warehouse, register, settings, week, data_id)
            progress(1, 1)
        return replace(_standing(warehouse, week), changed=True)


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
    notices = warehouse.query("SELECT text, text_facts FROM notices WHERE week = ? ORDER BY number", [week])
    return Tracked(listed, int(orders), tuple(notices.to_dicts()), False)


def _track(
    workspace: Workspace, warehouse: Warehouse, register: Register, settings: Settings, week: str, data_id: str
) -> None:
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
    learned = lessons.learn_until(warehouse, list(families), settings, week)
    before = warehouse.query("SELECT van_id FROM watchlist WHERE week = ?", [week_before(week)])["van_id"].to_list()

    def judged(van_ids: frozenset[str]) -> _Judged:
        mine = frame.filter(pl.col("van_id").is_in(list(van_ids)))
        assessment = assess(
            mine,
            families=families,
            repairs=repairs.filter(pl.col("done_at") < week_end(week)),
            week=week,
            settings=settings.tracking.for_models(),
            shapes=shapes,
        )
        flags = lessons.flags_of(assessment)
        found = assessment.residuals.van_ids
        family_of = dict(assessment.states.select("van_id", "family").iter_rows())
        posterior = infer_causes(
            assessment.residuals,
            [families[family_of[van_id]] for van_id in found],
            _fault_codes(mine, found),
            settings=settings.causes.for_models(),
            priors=van_priors(learned, [family_of[van_id] for van_id in found], [flags[v] for v in found]),
        )
        listed = watchlist(assessment.states, posterior, week=week, before=set(before))
        return _Judged(assessment, posterior, flags, lessons.with_trust(listed, learned, flags))

    now, failed = judge_apart(judged, _vans_by_family(frame.filter(pl.col("family").is_in(list(families)))))
    assessment = now.assessment
    proofs, unproven = judge_apart(
        lambda van_ids: proofs_due(warehouse, assessment.trends.filter(pl.col("van_id").is_in(list(van_ids)))),
        _vans_by_family(warehouse.query("SELECT family, van_id FROM work_orders")),
    )
    for event in proofs:
        record(workspace, event)
    take_in_decisions(workspace, warehouse)  # before orders are proposed: a judged repair makes room for the next
    changes = lessons.changes_of_week(warehouse, learned, week)
    existing = warehouse.query("SELECT * FROM work_orders")
    aside = {van_id for one in failed for van_id in one.van_ids}
    candidates = _vans_by_family(pl.concat([part.select("family", "van_id") for part in (now.listed, existing)]))

    def proposed(van_ids: frozenset[str]) -> pl.DataFrame:
        apart = aside.union(*candidates.values()) - (van_ids - aside)
        kept = pl.col("van_id").is_in(sorted(apart))
        orders = propose(
            now.listed.filter(~kept), assessment, now.posterior, register, settings, existing.filter(~kept),
            week=week, jobs=learned.jobs, flags=now.flags,
        )  # fmt: skip
        return pl.concat([orders, existing.filter(kept).select(orders.columns)])

    orders, unordered = judge_apart(proposed, candidates)
    listed, trends = now.listed, assessment.trends
    if aside:
        listed, trends = _with_standing(warehouse, sorted(aside), listed, trends, week)
    trouble = [one.fact(step) for step, some in zip(STEPS, (failed, unproven, unordered), strict=True) for one in some]
    _keep_traces(workspace, week, [*failed, *unproven, *unordered])
    told = [*trouble, *_silence(frame, week), *_unread(warehouse, register)]
    facts = [*((fact,) for fact in told), *(notice.facts for notice in assessment.notices)]
    notices = pl.DataFrame(
        {
            "week": [week] * len(facts),
            "number": range(len(facts)),
            "text": [None] * len(facts),
            "text_facts": [[fact.row() for fact in one] for one in facts],
            "depot": [*[None] * len(told), *(notice.depot for notice in assessment.notices)],
        },
        schema=polars_schema(NOTICES),
    )
    card = lessons.learning_card(learned, changes, week)
    keep_models(workspace.models, assessment.models, [*assessment.model_cards, card])
    with warehouse.transaction():
        _store_captures(warehouse, assessment.captures)
        warehouse.replace("trends", trends)
        lesson = lessons.learning_rows(changes, week)
        for table, rows in (("watchlist", listed), ("notices", notices), ("learning", lesson)):
            warehouse.execute(f"DELETE FROM {table} WHERE week = ?", [week])
            warehouse.append(table, with_sentences(rows))
        warehouse.replace("work_orders", with_sentences(orders))
        bring_orders_up_to_date(warehouse, replay(stored_events(warehouse))[0])
        warehouse.replace("vans", register.vans_frame())
        warehouse.replace("repairs", repairs)
        warehouse.execute("DELETE FROM runs WHERE week = ?", [week])
        run = hashlib.sha256(f"{week}\x1f{data_id}".encode()).hexdigest()[:16]
        row = {"run_id": run, "week": week, "finished_at": datetime.now(UTC), "vansnap": VERSION, "data_id": data_id}
        warehouse.append("runs", pl.DataFrame([row]))


def _vans_by_family(rows: pl.DataFrame) -> dict[str, list[str]]:
    """Family to its vans, of any table that names both."""
    return dict(rows.group_by("family").agg(pl.col("van_id").unique().sort()).sort("family").iter_rows())


def _with_standing(
    warehouse: Warehouse, van_ids: list[str], listed: pl.DataFrame, trends: pl.DataFrame, week: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """List and trends with what was known before of vans that could not be judged: off the list would say they are well."""
    last = warehouse.query("SELECT max(week) FROM runs WHERE week <= ?", [week]).item()
    standing = warehouse.query("SELECT * FROM watchlist WHERE week = ? ORDER BY rank", [last]).filter(
        pl.col("van_id").is_in(van_ids)
    )
    rows = [row | {"week": week, "new": False} | _standing_from(row, last) for row in standing.iter_rows(named=True)]
    standing = pl.DataFrame(rows, schema=listed.schema)
    urgencies = pl.col("urgency").replace_strict({"now": 0, "plan": 1, "watch": 2}, return_dtype=pl.Int64)
    listed = pl.concat([listed, standing]).sort(urgencies, maintain_order=True)  # last within their urgency
    known = warehouse.query("SELECT * FROM trends WHERE week <= ?", [week]).filter(pl.col("van_id").is_in(van_ids))
    ranked = listed.with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
    return ranked, pl.concat([trends, known.select(trends.columns)]).sort("van_id", "week", "quantity")


def _keep_traces(workspace: Workspace, week: str, failed: Sequence[NotJudged]) -> None:
    """For whoever mends it: where each failure of a run happened; none leaves no file."""
    path = workspace.reports / f"not-judged-{week}.txt"
    path.unlink(missing_ok=True)
    if failed:
        parts = [f"{one.family}: {', '.join(one.van_ids)}\n{one.trace}" for one in failed]
        path.write_text("\n".join(parts), encoding="utf-8")


def _standing_from(row: Mapping[str, Any], week: str) -> dict[str, Any]:
    """The reasons of a row that stands from an earlier week, after that it does: known once, however long it stands."""
    stands, facts = Fact.of("stands_from", since=week), row["reason_facts"]
    if not facts:  # of an earlier version: its sentences stand
        return {}
    again = facts[0]["code"] == stands.code
    return {"reasons": None, "reason_facts": facts if again else [stands.row(), *facts]}


def _silence(frame: pl.DataFrame, week: str) -> list[Fact]:
    """What a list without a visit of late must say."""
    last = max(frame["week"], default="")
    if last and not is_silent(last, week):
        return []
    return [Fact.of("no_visit_since", since=last) if last else Fact.of("no_visit_until", week=week)]


def _unread(warehouse: Warehouse, register: Register) -> list[Fact]:
    """What is known of recordings whose reading failed; it is tried again at every run."""
    sound = [van.van_id for van in register.vans.values() if van.family in register.families]
    rows = warehouse.query(
        "SELECT delivery, file, van_id FROM recordings r WHERE state = 'held' AND NOT EXISTS "
        "(SELECT 1 FROM captures c WHERE c.delivery = r.delivery AND c.row = r.row) ORDER BY ALL"
    ).filter(pl.col("van_id").is_in(sound))
    if rows.is_empty():
        return []
    code = "one_unread_recording" if rows.height == 1 else "unread_recordings"
    count = None if rows.height == 1 else rows.height
    return [Fact.of(code, count=count, file=rows["file"][0], delivery=rows["delivery"][0], log=READ_TRACES)]


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
