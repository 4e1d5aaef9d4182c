"""The judgement of one week: every van's state, causes and orders, stored in one transaction.

A van, family or recording that fails is left out, named in the notices, and stays as it was; the others are judged.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from typing import TYPE_CHECKING, Any

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.jobs import Job
from data_contracts.states import NOTED
from data_contracts.tables import NOTICES, TEST_PLAN, TRENDS, polars_schema
from data_contracts.weeks import is_silent, week_before, week_end
from models.work.order_states import replay
from pipelines.decisions.order_decisions import (
    bring_orders_up_to_date,
    record,
    stored_events,
    take_in_decisions,
)
from pipelines.decisions.proofs import proofs_due, waiting_for_proof
from pipelines.decisions.repairs import repairs_of
from pipelines.storage.records_aside import RecordsAside
from pipelines.storage.rows_aside import RowsAside
from pipelines.storage.sentences import with_sentences
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.captures_judged import Read, captures_judged, fault_codes, readings_judged, recently_settled
from pipelines.weekly.judge_apart import NotJudged, NotMade, facts_of, judge_apart, keep_traces, make_apart
from pipelines.weekly.left_standing import with_standing
from pipelines.weekly.programme import NO_PROGRAMME, Programme, programme_of_week
from pipelines.weekly.read_captures import READ_TRACES
from pipelines.weekly.shared_faults import shared_faults
from pipelines.weekly.store_captures import store_captures
from pipelines.weekly.testing import tests_of_week
from pipelines.workspace.register import Register
from pipelines.workspace.settings import Settings
from pipelines.workspace.workspace import Workspace

if TYPE_CHECKING:  # they take seconds to import
    from models.causes.infer import CausePosterior
    from models.tracking.assess import Assessment
    from models.tracking.state.told import Tell
    from models.work.learning import Learned
    from models.work.warranty import Warranty
    from models.work.watchlist import Circumstances


_ASKED_TO_WAIT = """
    SELECT van_id, min(w.week) FROM watchlist w JOIN work_orders o USING (van_id)
    WHERE o.state = 'proposed' AND w.week >= o.week AND w.week < ? AND w.urgency = 'watch'
      AND NOT list_contains(list_transform(w.reason_facts, lambda fact: fact.code), 'being_proven')
    GROUP BY van_id
"""
"""The first week in which a van's standing proposal asked to wait."""


MOST_THREADS = 4
"""Threads that track at most: each has some vans' tables in memory, and what they can't share is a third of the time. Of our choosing."""


def threads_of(settings: Settings) -> int:
    """How many threads track."""
    return min(settings.intake.workers or os.cpu_count() or 1, MOST_THREADS)


@dataclass(frozen=True)
class _Judged:
    """Results for the vans that are judged together; of trends only what is asked of those on the list."""

    assessment: "Assessment"
    posterior: "CausePosterior"
    flags: Mapping[str, tuple[str, ...]]
    circumstances: Mapping[str, "Circumstances"]
    listed: pl.DataFrame


def judge_week(
    workspace: Workspace,
    warehouse: Warehouse,
    register: Register,
    settings: Settings,
    run: Mapping[str, Any],
    about_register: Sequence[Fact] = (),
    tell: "Tell | None" = None,
) -> None:
    """Judge every van as of a week and store what was found.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
        Open for writing, outside a transaction.
    register : Register
    settings : Settings
    run : mapping
        The run's row of `runs`; its week is the one judged.
    about_register : sequence of Fact
        Notices of what in the register stands from the last run.
    tell : callable, optional
        Shares the charts of the fleet out, as `models.tracking.assess.assess` takes it.
    """
    aside = RowsAside(workspace.root / "trends.parquet", polars_schema(TRENDS))
    with aside, readings_judged(workspace, warehouse, register, str(run["week"])) as read:
        _judge_week(workspace, warehouse, register, settings, run, about_register, tell, read, aside)


def _judge_week(
    workspace: Workspace,
    warehouse: Warehouse,
    register: Register,
    settings: Settings,
    run: Mapping[str, Any],
    about_register: Sequence[Fact],
    tell: "Tell | None",
    read: Read,
    trends: RowsAside,
) -> None:
    """Judge a week; its readings and trends go through files."""
    from models.work.vans_to_test import TEST_TRENDS
    from pipelines.decisions import lessons, warranties
    from pipelines.storage.models import keep_models

    week = str(run["week"])
    repairs = repairs_of(register, warehouse)
    frame = captures_judged(warehouse, register, week)
    learned = lessons.learn_until(warehouse, list(register.families), settings, week)
    granted = warranties.warranties_of(register, frame, week)
    judged = _judge(warehouse, register, settings, week, frame, repairs, learned, granted, tell, read, trends)
    now, failed = judge_apart(judged, _vans_by_family(frame.filter(pl.col("family").is_in(list(register.families)))))
    unproven = _prove_repairs(workspace, warehouse, trends, repairs, week)
    changes = lessons.changes_of_week(warehouse, learned, week)
    aside = {van_id for one in failed for van_id in one.van_ids}
    orders, unordered = _orders(warehouse, register, settings, week, now, aside, learned.jobs, granted)
    listed, standing = with_standing(warehouse, sorted(aside), now.listed, week)
    tests, untested = make_apart(
        "tests",
        lambda: tests_of_week(
            register,
            settings,
            week,
            captures=frame,
            assessment=now.assessment,
            posterior=now.posterior,
            listed=listed,
            trends=chain(trends.parts(TEST_TRENDS), [standing]),
            orders=orders,
            repairs=repairs,
            learned=learned,
        ),
        pl.DataFrame(schema=polars_schema(TEST_PLAN)),
    )
    shared, programme, unsummed = _of_record(warehouse, register, frame, listed, repairs, week)
    not_made = (*untested, *unsummed)
    keep_traces(workspace, week, [*failed, *unproven, *unordered], not_made)
    told = [
        *about_register,
        *facts_of({"judging": failed, "proof": unproven, "order": unordered}),
        *_silence(frame, week),
    ]
    told += [*_unread(warehouse, register), *(one.fact for one in not_made), *shared]
    notices, lesson = _notice_rows(week, told, now.assessment), lessons.learning_rows(changes, week)
    cards = [*now.assessment.model_cards, lessons.learning_card(learned, changes, week)]
    keep_models(workspace.models, now.assessment.models, cards)
    with warehouse.transaction():
        store_captures(warehouse, now.assessment.captures)
        warehouse.make_whole("trends", trends.file())
        warehouse.append("trends", standing)
        of_week = {"watchlist": listed, "notices": notices, "learning": lesson, "test_plan": tests}
        _store_week(warehouse, week, of_week | programme.tables() | {"runs": pl.DataFrame([run])})
        warehouse.replace("warranties", with_sentences(warranties.warranty_rows(granted, week)))
        warehouse.replace("work_orders", with_sentences(orders))
        bring_orders_up_to_date(warehouse, replay(stored_events(warehouse))[0])
        warehouse.replace("vans", register.vans_frame())
        warehouse.replace("repairs", repairs)


def _judge(
    warehouse: Warehouse,
    register: Register,
    settings: Settings,
    week: str,
    frame: pl.DataFrame,
    repairs: pl.DataFrame,
    learned: "Learned",
    warranties: Mapping[str, "Warranty"],
    tell: "Tell | None",
    read: Read,
    trends: RowsAside,
) -> Callable[[frozenset[str]], _Judged]:
    """Judge some of the vans together; the trends are theirs, whatever was judged before."""
    from models.causes.as_recorded import as_recorded
    from models.causes.infer import infer_causes
    from models.work.learning import van_priors
    from models.work.repair_proof import PROOF_TRENDS
    from models.work.settling import late_to_settle
    from models.work.standing_codes import standing_codes
    from models.work.watchlist import watchlist
    from pipelines.decisions import lessons
    from pipelines.decisions.circumstances import circumstances_of
    from pipelines.decisions.proofs import jobs_in_vain, jobs_not_proven

    families: dict[str, Family] = dict(register.families)
    everyone = frozenset(frame["van_id"].unique())
    before = set(warehouse.query("SELECT van_id FROM watchlist WHERE week = ?", [week_before(week)])["van_id"])
    done = repairs.filter(pl.col("done_at") < week_end(week), pl.col("touches").list.len() > 0)
    late = late_to_settle(recently_settled(warehouse, register, week), done, families)
    not_proven = jobs_not_proven(warehouse, week)
    asked = dict(warehouse.query(_ASKED_TO_WAIT, [week]).iter_rows())
    money = settings.workshop.for_models(least_probability=settings.causes.least_probability)

    def judged(van_ids: frozenset[str]) -> _Judged:
        of_them = pl.lit(value=True) if van_ids >= everyone else pl.col("van_id").is_in(list(van_ids))
        mine, readings = frame.filter(of_them), read.of(of_them)
        codes = standing_codes(mine, done)
        settling = {van_id: fact for van_id, fact in late.items() if van_id in van_ids}
        assessment = _tracked(
            warehouse,
            readings,
            trends,
            families=families,
            repairs=done,
            week=week,
            settings=settings.tracking.for_models(threads=threads_of(settings)),
            also=codes.keys() | settling.keys(),
            tell=tell,
        )
        found = assessment.residuals.van_ids
        assessment = replace(assessment, trends=trends.of_vans(found, (*PROOF_TRENDS, "level", "alarm_since")))
        flags = lessons.flags_of(assessment)
        family_of = dict(assessment.states.select("van_id", "family").iter_rows())
        posterior = infer_causes(
            assessment.residuals,
            [families[family_of[van_id]] for van_id in found],
            fault_codes(mine, found, done),
            settings=settings.causes.for_models(),
            priors=van_priors(learned, [family_of[van_id] for van_id in found], [flags[v] for v in found]),
            threads=threads_of(settings),
        )
        posterior = as_recorded(posterior, assessment.trends)
        vain = jobs_in_vain(not_proven, assessment.trends)
        about = circumstances_of(
            found, mine, done, assessment.trends, codes, settling, vain, asked, register, settings, week, warranties
        )
        listed = watchlist(
            assessment.states,
            posterior,
            week=week,
            before=before,
            circumstances=about,
            settings=money,
            jobs=learned.jobs,
        )
        return _Judged(assessment, posterior, flags, about, lessons.with_trust(listed, learned, flags))

    return judged


def _tracked(warehouse: Warehouse, read: Read, trends: RowsAside, **known: Any) -> "Assessment":
    """What `assess` finds; trends and what states are made of go through files."""
    from models.tracking.assess import assess
    from models.tracking.state.told import KINDS

    trends.clear()
    with RecordsAside(warehouse.path.with_name("states")) as of_states:
        aside = partial(of_states.put, kinds=KINDS)
        return assess(read.readings, shapes=read.shapes, keep=trends.add, aside=aside, **known)


def _prove_repairs(
    workspace: Workspace, warehouse: Warehouse, trends: RowsAside, repairs: pl.DataFrame, week: str
) -> tuple[NotJudged, ...]:
    """Record which repairs are proven, before orders are proposed: a judged repair makes room for the next order."""
    from models.work.repair_proof import PROOF_TRENDS

    mine = trends.of_vans(waiting_for_proof(warehouse), PROOF_TRENDS)
    proofs, unproven = judge_apart(
        lambda van_ids: proofs_due(warehouse, mine.filter(pl.col("van_id").is_in(list(van_ids))), repairs, week),
        _vans_by_family(warehouse.query("SELECT family, van_id FROM work_orders")),
    )
    for event in proofs:
        record(workspace, event)
    take_in_decisions(workspace, warehouse)
    return unproven


def _orders(
    warehouse: Warehouse,
    register: Register,
    settings: Settings,
    week: str,
    now: _Judged,
    aside: set[str],
    jobs: Mapping[str, Job],
    warranties: Mapping[str, "Warranty"],
) -> tuple[pl.DataFrame, tuple[NotJudged, ...]]:
    """All orders with those proposed this week; a proposal for a van that could not be judged stays as it was."""
    from pipelines.decisions.work_orders import propose

    existing = warehouse.query("SELECT * FROM work_orders ORDER BY week, rank, order_id")
    noted = warehouse.query("SELECT DISTINCT order_id FROM order_events WHERE state = ? AND refused IS NULL", [NOTED])
    candidates = _vans_by_family(pl.concat([part.select("family", "van_id") for part in (now.listed, existing)]))

    def proposed(van_ids: frozenset[str]) -> pl.DataFrame:
        apart = aside.union(*candidates.values()) - (van_ids - aside)
        kept = pl.col("van_id").is_in(sorted(apart))
        orders = propose(
            now.listed.filter(~kept),
            now.assessment,
            now.posterior,
            register,
            settings,
            existing.filter(~kept),
            week=week,
            jobs=jobs,
            flags=now.flags,
            circumstances=now.circumstances,
            warranties=warranties,
            noted=noted["order_id"].to_list(),
        )
        return pl.concat([orders, existing.filter(kept).select(orders.columns)])

    return judge_apart(proposed, candidates)


def _of_record(
    warehouse: Warehouse,
    register: Register,
    frame: pl.DataFrame,
    listed: pl.DataFrame,
    repairs: pl.DataFrame,
    week: str,
) -> tuple[list[Fact], Programme, tuple[NotMade, ...]]:
    """Notices of vans that share a fault and something else, and the tables of the programme; none where that fails."""
    nothing: list[Fact] = []
    shared, unshared = make_apart(
        "clusters", lambda: shared_faults(warehouse, register.vans_frame(), frame, listed, week), nothing
    )
    programme, unsummed = make_apart(
        "programme", lambda: programme_of_week(warehouse, register, week, frame, listed, repairs), NO_PROGRAMME
    )
    return shared, programme, (*unshared, *unsummed)


def _store_week(warehouse: Warehouse, week: str, tables: Mapping[str, pl.DataFrame]) -> None:
    """A week's rows of some tables, in place of those there."""
    for table, rows in tables.items():
        warehouse.execute(f"DELETE FROM {table} WHERE week = ?", [week])
        warehouse.append(table, with_sentences(rows))


def _notice_rows(week: str, told: Sequence[Fact], assessment: "Assessment") -> pl.DataFrame:
    """Rows of `notices`: about the run, then about depots."""
    facts = [[fact.row()] for fact in told] + [[fact.row() for fact in notice.facts] for notice in assessment.notices]
    return pl.DataFrame(
        {
            "week": [week] * len(facts),
            "number": range(len(facts)),
            "text": [None] * len(facts),
            "text_facts": facts,
            "depot": [*[None] * len(told), *(notice.depot for notice in assessment.notices)],
        },
        schema=polars_schema(NOTICES),
    )


def _vans_by_family(rows: pl.DataFrame) -> dict[str, list[str]]:
    """Family to its vans, of any table that names both."""
    return dict(rows.group_by("family").agg(pl.col("van_id").unique().sort()).sort("family").iter_rows())


def _silence(frame: pl.DataFrame, week: str) -> list[Fact]:
    """What a list without a recent visit must say."""
    last = max(frame["week"], default="")
    if last and not is_silent(last, week):
        return []
    return [Fact.of("no_visit_since", since=last) if last else Fact.of("no_visit_until", week=week)]


def _unread(warehouse: Warehouse, register: Register) -> list[Fact]:
    """The notice for recordings whose reading failed; each run tries them again."""
    sound = [van.van_id for van in register.vans.values() if van.family in register.families]
    rows = warehouse.query(
        "SELECT delivery, file, van_id FROM recordings r WHERE state = 'held' AND NOT EXISTS "
        "(SELECT 1 FROM captures c WHERE c.delivery = r.delivery AND c.row = r.row) ORDER BY ALL"
    ).filter(pl.col("van_id").is_in(sound))
    if rows.is_empty():
        return []
    where = {"file": rows["file"][0], "delivery": rows["delivery"][0], "log": READ_TRACES}
    return [
        Fact.of("one_unread_recording", **where)
        if rows.height == 1
        else Fact.of("unread_recordings", count=rows.height, **where)
    ]
