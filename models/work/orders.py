"""Work orders: one per watched van, the same one however often the week is run."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from data_contracts.causes import CAUSES, NONE
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.jobs import JOBS, Job
from data_contracts.states import PLANNED_STATES
from data_contracts.tables import WORK_ORDERS, polars_schema, rows_of
from data_contracts.weeks import week_start
from models.causes.infer import CausePosterior
from models.work.finding import finding_of
from models.work.first_step import first_step, worth_of_step
from models.work.in_short import MOVED, leading_reason, shows
from models.work.urgency import Finding, is_soon
from models.work.worth import NO_WORTH, RankingSettings, Worth, worth_fact

OPEN_STATES = (*PLANNED_STATES, "done")
_LATEST_DAYS, _SOON_DAYS = 91, 28
_SILENT_WEEKS = 8


@dataclass(frozen=True)
class WatchedVan:
    """One van on the week's list, as the orders need it.

    Attributes
    ----------
    van_id, family, depot : str
    week : str
        ISO week of the list.
    urgency : {"now", "plan", "watch"}
    alarm_since : str
        ISO week the standing alarm or anomaly began.
    weeks_to_limit : float or None
        Fewest median weeks to any limit, 0 for one that is crossed; None unknown. [week]
    warranty_until : date or None
        Last day its warranty covers, by date and by kilometres; None where it covers no more.
    reasons : tuple of Fact
        Why it is on the list, most telling first.
    duty : float
        How much worse a failure of this van is than of an ordinary one. [1]
    flagged_by : tuple of str
        Quantities whose alarm stands; anomaly where none stands out alone.
    standing_codes : mapping of str to int
        Fault codes that stand visit after visit, and at how many of the last visits.
    repaired_on : str
        ISO day of a repair that is being proven; empty for none.
    weeks_to_pressing_limit : float or None
        The same, of limits that call a van in at once. [week]
    rank : int
        Its place on the list, which is the place of its order.
    stood : int
        Visits since the order that stands proposed for it asked to wait.
    settling : Fact or None
        How late it comes back to idle, where that is beyond its family's limit.
    in_vain : frozenset of str
        Causes whose job was done of late and did not help.
    """

    van_id: str
    family: str
    depot: str
    week: str
    urgency: str
    alarm_since: str
    weeks_to_limit: float | None
    warranty_until: date | None
    reasons: tuple[Fact, ...]
    duty: float = 1.0
    flagged_by: tuple[str, ...] = ()
    standing_codes: Mapping[str, int] = field(default_factory=dict)
    repaired_on: str = ""
    weeks_to_pressing_limit: float | None = None
    rank: int = 0
    stood: int = 0
    settling: Fact | None = None
    in_vain: frozenset[str] = frozenset()


@dataclass(frozen=True)
class OrderBook:
    """Orders after a run.

    Attributes
    ----------
    orders : polars.DataFrame
        WORK_ORDERS: what was there, refreshed where it was still a proposal, and what is new; of these two the facts,
        no sentences.
    worth : mapping of str to Worth
        Per order that was ranked now, its worth in parts.
    """

    orders: pl.DataFrame
    worth: Mapping[str, Worth]


def order_id(van_id: str, alarm_since: str, number: int = 0) -> str:
    """Identity of an order: the van, the first week of its standing alarm, and which order on that alarm.

    Parameters
    ----------
    van_id, alarm_since : str
    number : int
        0 for the first order on an alarm, 1 for the next after a repair that did not end it, and so on.

    Returns
    -------
    str
        16 hexadecimal digits.
    """
    return hashlib.sha256(f"{van_id}\x1f{alarm_since}\x1f{number}".encode()).hexdigest()[:16]


def due_by(van: WatchedVan, finding: Finding, settings: RankingSettings) -> date:
    """Latest sensible day, as of the van's week.

    Parameters
    ----------
    van : WatchedVan
    finding : Finding
    settings : RankingSettings

    Returns
    -------
    date
        Within a week when urgent; within four where it is planned but not to be left for long, or a repair is to be
        proven; within six and a half otherwise, or thirteen when watched. Before a limit that calls a van in at once, but
        not sooner than in a week, nor than in four weeks for any other limit; and before a warranty ends.
    """
    start = week_start(van.week) + timedelta(days=7)
    days = {"now": 7, "plan": _LATEST_DAYS // 2}.get(van.urgency, _LATEST_DAYS)
    if finding.repaired_on or (van.urgency == "plan" and is_soon(finding, settings)):
        days = _SOON_DAYS
    for weeks, least in ((van.weeks_to_pressing_limit, 7), (van.weeks_to_limit, _SOON_DAYS)):
        if weeks is not None and weeks < np.inf:
            days = min(days, max(least, int(7 * weeks)))
    due = start + timedelta(days=days)
    if van.warranty_until is not None and start <= van.warranty_until < start + timedelta(
        weeks=settings.warranty_weeks
    ):
        due = min(due, van.warranty_until)
    return due


def _reason(van: WatchedVan, row: int, posterior: CausePosterior) -> list[Fact]:
    """What hurts or moved, and what it points to."""
    moved = _shown_first(van, posterior.evidence_for[row])
    if van.reasons and van.reasons[0].code in ("being_proven", "cause_hurts", "dangers_likely"):
        told = [van.reasons[0], moved] if moved != van.reasons[0] else [moved]
        beside = van.reasons[0].code == "dangers_likely" and posterior.leading[row] in CAUSES
        return [*told, _likely(row, posterior)] if beside else told
    if van.reasons and van.reasons[0].code in ("limit_crossed", "trims_together", "settles_late", "code_stands"):
        moved = van.reasons[0]
    if posterior.leading[row] in CAUSES:
        return [moved, _likely(row, posterior)]
    if posterior.leading[row] == NONE:
        reason = van.reasons[0] if van.reasons else moved
        return [reason] if reason.code in ("settles_late", "code_stands") else [reason, Fact.of("nothing_fits")]
    first, second = np.argsort(-posterior.probability[row])[:2]
    return [
        moved,
        Fact.of(
            "not_separable_yet",
            cause=posterior.codes[first],
            probability=float(posterior.probability[row, first]),
            second_cause=posterior.codes[second],
            second_probability=float(posterior.probability[row, second]),
        ),
    ]


def _shown_first(van: WatchedVan, evidence: Sequence[Fact]) -> Fact:
    """What is told first of the van everywhere, as evidence for its cause where it is some; scatter is told in one figure."""
    leading = leading_reason(van.reasons, {})
    if leading is None:
        return (*evidence, *van.reasons, Fact.of("stands_out"))[0]
    if leading.code in MOVED and leading.code != "repeats_disagree":
        return next((fact for fact in evidence if shows(fact, leading)), leading)
    return leading


def _likely(row: int, posterior: CausePosterior) -> Fact:
    probability = float(posterior.leading_probability[row])
    return Fact.of("cause_likely", cause=posterior.likeliest[row], probability=probability)


def _of_a_repair(van: WatchedVan) -> list[Fact]:
    """What a repair of late came to."""
    return [fact for fact in van.reasons if fact.code == "repair_judged"]


def propose_orders(
    watched: Sequence[WatchedVan],
    posterior: CausePosterior,
    settings: RankingSettings | None = None,
    existing: pl.DataFrame | None = None,
    jobs: Mapping[str, Job] = JOBS,
) -> OrderBook:
    """One work order per watched van.

    For a van to watch the order says to wait, and why. Work that costs more than it is expected to avoid is proposed
    all the same where people may come to harm, a limit is crossed or near, a fault code stands, or it stood for as many
    visits as an order asked to wait.

    A van with an open order keeps it: a proposal is refreshed, and what people decided stays as decided. The day of a
    proposal, or of an order that is accepted or booked, moves only earlier. A declined order silences its alarm, and for
    eight weeks the van, unless it becomes urgent; after a judged repair a standing alarm may bring a new order. Run again
    on the same week, nothing is added. Proposals stand in the order of the list.

    Parameters
    ----------
    watched : sequence of WatchedVan
        The week's list.
    posterior : CausePosterior
        Holds every watched van.
    settings : RankingSettings, optional
    existing : polars.DataFrame, optional
        WORK_ORDERS so far, with their present state.
    jobs : mapping of str to Job
        Jobs with the workshop's own hours and costs.

    Returns
    -------
    OrderBook

    Raises
    ------
    InputError
        If a watched van has no causes.
    """
    settings = settings or RankingSettings()
    schema = polars_schema(WORK_ORDERS)
    before = pl.DataFrame(schema=schema) if existing is None else existing.select(list(schema)).cast(schema)  # type: ignore[arg-type]
    rows = {str(row["order_id"]): row for row in before.iter_rows(named=True)}
    open_of = {str(row["van_id"]): str(row["order_id"]) for row in rows.values() if row["state"] in OPEN_STATES}
    position = {van_id: number for number, van_id in enumerate(posterior.van_ids)}
    worth: dict[str, Worth] = {}
    for van in sorted(watched, key=lambda van: van.rank):
        row = position.get(van.van_id)
        if row is None:
            raise InputError(f"van {van.van_id} is on the list without causes: infer its causes first")
        name = open_of.get(van.van_id) or _next_order(van, rows)
        if name is None:
            continue
        state = rows[name]["state"] if name in rows else "proposed"
        if state not in ("proposed", "accepted", "booked"):
            continue
        finding = finding_of(row, posterior, van)
        kept = {"due_by": due_by(van, finding, settings)}
        if name in rows:
            kept = {"week": rows[name]["week"], "due_by": min(rows[name]["due_by"] or date.max, kept["due_by"])}
        if state != "proposed":
            rows[name] |= kept
            continue
        drafted, worth[name] = _draft(van, row, posterior, finding, settings, jobs)
        rows[name] = {"order_id": name, "rank": len(worth), "state": "proposed"} | drafted | kept
    known = list(rows.values())
    return OrderBook(rows_of(WORK_ORDERS, known), worth)


def _draft(
    van: WatchedVan,
    row: int,
    posterior: CausePosterior,
    finding: Finding,
    settings: RankingSettings,
    jobs: Mapping[str, Job],
) -> tuple[dict[str, Any], Worth]:
    """What an order says of a van, but for its day, and its worth."""
    step = first_step(finding, row, posterior, settings)
    day = week_start(van.week) + timedelta(days=6)
    worth = worth_of_step(step, finding, day=day, warranty_until=van.warranty_until, settings=settings, jobs=jobs)
    facts, wait = [worth_fact(worth, settings)], van.urgency == "watch"
    if wait:
        facts, worth = [] if van.repaired_on else [Fact.of("not_worth_yet"), *facts], NO_WORTH
    elif worth.expected_cost_avoided < 0:
        facts.append(Fact.of("done_for_safety" if finding.safety else _all_the_same(van)))
    drafted: dict[str, Any] = {
        "week": van.week,
        "van_id": van.van_id,
        "family": van.family,
        "depot": van.depot,
        "urgency": van.urgency,
        "cause": step.leading,
        "action_facts": [step.action(wait=wait, proving=bool(van.repaired_on), stood=van.stood).row()],
        "reason_facts": [fact.row() for fact in (*_reason(van, row, posterior), *_of_a_repair(van))],
        "hours": worth.hours,
        "expected_cost_avoided": worth.expected_cost_avoided,
        "failure_avoided": worth.failure_avoided,
        "running_avoided": worth.running_avoided,
        "put_off": worth.put_off,
        "warranty_paid": worth.warranty,
        "work_cost": worth.work,
        "parts_cost": worth.parts,
        "van_time_cost": worth.van_time,
        "failure_probability": worth.failure_probability,
        "severities": [
            {"code": code, "severity": size} for code, size in finding.severities.items() if np.isfinite(size)
        ],
        "duty": finding.duty,
        "worth_facts": [fact.row() for fact in facts],
        "safety": finding.safety,
        "flagged_by": list(van.flagged_by),
    }
    return drafted, worth


_ALL_THE_SAME = {
    "limit_crossed": "done_for_limit",
    "trims_together": "done_for_limit",
    "settles_late": "done_for_limit",
    "limit_ahead": "done_for_near_limit",
    "code_agrees": "done_for_code",
    "code_stands": "done_for_code",
    "stood_since_order": "done_as_it_stands",
}
"""Why work is proposed though it costs more than it avoids, by the reasons of its van."""
ALL_THE_SAME = frozenset({"done_for_safety", "done_for_waiting", *_ALL_THE_SAME.values()})
"""Facts of a worth that say so: such work has its day, and its place in the plan, like any other."""


def _all_the_same(van: WatchedVan) -> str:
    reasons = {fact.code for fact in van.reasons}
    return next((why for reason, why in _ALL_THE_SAME.items() if reason in reasons), "done_for_waiting")


def _next_order(van: WatchedVan, rows: Mapping[str, Mapping[str, object]]) -> str | None:
    """Identity of the van's next order; None where one declined of late still silences it.

    A declined order silences its alarm for good and the van for some weeks, unless it has become urgent since.
    """
    for row in rows.values():
        if row["van_id"] == van.van_id and row["state"] == "declined":
            weeks = (week_start(van.week) - week_start(str(row["week"]))).days / 7
            worse = van.urgency == "now" and row["urgency"] != "now"
            if not worse and 0 <= weeks < _SILENT_WEEKS:
                return None
    number = 0
    while (name := order_id(van.van_id, van.alarm_since, number)) in rows:
        if rows[name]["state"] == "declined" and not (van.urgency == "now" and rows[name]["urgency"] != "now"):
            return None
        number += 1
    return name
