"""One page for a van's driver or owner: what was tested, what was found, what happens next, in everyday words."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any

from data_contracts.causes import CAUSES, EVERY_CAUSE
from data_contracts.due import is_past
from data_contracts.errors import InputError
from data_contracts.facts.rendering import capital, means_words
from data_contracts.jobs import JOBS
from data_contracts.states import CANT_TELL
from data_contracts.weeks import week_start
from models.work.urgency import worst_of
from pipelines.read_side import queries
from pipelines.read_side.published import Published, board_settings
from pipelines.reports.order_pdf import foot, run_of
from pipelines.reports.paper import contract, day, likelihood, make_pdf, message, written_for
from pipelines.workspace.settings import DisplaySettings

POSSIBLE = 0.5
"""Probability of a cause of which an older list states none: it is told as possible. [1]"""


def driver_pdf(
    published: Published, van_id: str, display: DisplaySettings | None = None, today: date | None = None
) -> bytes:
    """Set the sheet of one van as of the published week.

    Parameters
    ----------
    published : Published
    van_id : str
    display : DisplaySettings, optional
        Language and units; default those of the workspace.
    today : date, optional
        Day the sheet is handed out: of a list whose days are past it asks for a new one. Default the day of the run.

    Returns
    -------
    bytes
        PDF, one page.

    Raises
    ------
    InputError
        If the van is not in the published register.
    """
    with written_for(display or board_settings(published.home).display):
        return _set(published, van_id, today)


def _set(published: Published, van_id: str, today: date | None) -> bytes:
    run = run_of(published)
    week = str(run["week"])
    van = queries.van(published, van_id)
    if van is None:
        raise InputError(f"van {van_id!r} is not in the published register: name one of its vans")
    visits = queries.van_visits(published, van_id, week, limit=1000)
    listed = queries.van_on_list(published, van_id, week)
    orders = queries.van_orders(published, van_id, week)
    order = orders.row(0, named=True) if orders.height else None
    verdict, found = _found(listed, order, bool(visits.height))
    at = run["finished_at"]
    assert isinstance(at, datetime)
    document = {
        "van": message("driver.van", van=van_id),
        "date": day(at),
        "tested": _tested(visits.height, None if not visits.height else visits["captured_at"][0]),
        "verdict": verdict,
        "found": found,
        "next": _next(listed, order, bool(visits.height), today or at.date()),
        "meanwhile": _meanwhile(listed, order),
        "foot": foot(run),
    }
    return make_pdf("driver_sheet.typ", document, {}, at)


def _tested(visits: int, last: Any) -> list[str]:
    if not visits:
        return [message("driver.not_tested")]
    told = message("driver.tested_once" if visits == 1 else "driver.tested_often", day=day(last), count=visits)
    return [told, message("driver.how")]


def _found(listed: Mapping[str, Any] | None, order: Mapping[str, Any] | None, recorded: bool) -> tuple[str, list[str]]:
    """The finding in one line, and what it means."""
    if not recorded:
        return message("driver.nothing_known"), []
    if order is not None and order["state"] == "proven" and listed is None:
        return message("driver.mended"), [_cause(str(order["found"] or order["cause"]))]
    if order is not None and order["state"] == "done" and order["found"] in EVERY_CAUSE:
        return message("driver.being_proven"), [_cause(str(order["found"]))]
    if listed is None:
        return message("driver.well"), [message("driver.well_more")]
    code, probability = str(listed["leading_cause"]), listed["leading_cause_probability"]
    urgency = str(listed["urgency"])
    if code not in CAUSES:
        return message(f"driver.changed_{urgency}"), [message("driver.not_certain")]
    likely = capital(likelihood(POSSIBLE if probability is None else probability))
    means = contract(means_words(_means(listed, code), code))
    told = [message("driver.likely", likely=likely, cause=_cause(code)), message("driver.means", means=means)]
    return message(f"driver.changed_{urgency}"), told


def _means(listed: Mapping[str, Any], code: str) -> str:
    """What it means to leave the cause, as the list has it; by the cause alone where an older list does not say."""
    for fact in listed["reason_facts"] or []:
        told = dict(fact["words"] or {})
        if fact["code"] == "cause_hurts" and "means" in told:
            return str(told["means"])
    return worst_of(code, float("nan"))


def _cause(code: str) -> str:
    """What is wrong in everyday words."""
    cause = EVERY_CAUSE.get(code)
    if cause is None:
        return message("driver.not_certain")
    return (
        contract(cause.everyday) if cause.everyday is not None else message("driver.part", part=contract(cause.title))
    )


def _next(
    listed: Mapping[str, Any] | None, order: Mapping[str, Any] | None, recorded: bool, today: date | None = None
) -> list[str]:
    """What happens next, by the state of the newest order and the day."""
    if not recorded:
        return [message("driver.next_record")]
    state = None if order is None else str(order["state"])
    if order is None or state in ("declined", "not_proven", "proven") or (listed is None and state == "proposed"):
        again = state == "not_proven" and (order or {}).get("proof") != CANT_TELL
        return [message("driver.next_again" if again else "driver.next_watch" if listed else "driver.next_none")]
    if state == "done":
        return [message("driver.next_proof")]
    if state == "proposed" and not order["hours"]:  # it waits for another recording
        being_proven = any(fact["code"] == "being_proven" for fact in (listed or {}).get("reason_facts") or [])
        return [message("driver.next_proof" if being_proven else "driver.next_watch")]
    when, last = _when(order)
    past = today is not None and is_past(last, today)
    steps = [
        message("driver.next_past" if past else f"driver.next_{state}" if when else "driver.next_no_day", when=when)
    ]
    if order["cause"] in JOBS:
        steps.append(message("driver.workshop", action=contract(JOBS[str(order["cause"])].action)))
    steps.append(message("driver.next_after"))
    return steps


def _when(order: Mapping[str, Any]) -> tuple[str, date | None]:
    """Day of the visit to the workshop, or the week planned up to the latest day, or that day; and the last of them."""
    due: date | None = order["due_by"]
    if order["until"] is not None:
        return message("driver.on", day=day(order["until"])), order["until"]
    if order["plan_week"]:
        first = week_start(str(order["plan_week"]))
        last = first + timedelta(days=4)
        if due is not None and first <= due < last:  # the order says no later day
            last = due
        told = (
            message("driver.on", day=day(first))
            if first == last
            else message("driver.between", first=day(first), last=day(last))
        )
        return told, last
    return (message("driver.by", day=day(due)) if due is not None else ""), due


def _endangers(listed: Mapping[str, Any] | None) -> bool:
    """Whether people may come to harm by what the list holds likeliest, whatever was decided on an order."""
    if listed is None:
        return False
    code = str(listed["leading_cause"])
    facts = {fact["code"] for fact in listed["reason_facts"] or []}
    return (code in CAUSES and CAUSES[code].endangers) or "dangers_likely" in facts


def _meanwhile(listed: Mapping[str, Any] | None, order: Mapping[str, Any] | None) -> list[str]:
    """What the driver should watch for; more where people could come to harm."""
    safety = (order is not None and bool(order["safety"]) and order["state"] != "proven") or _endangers(listed)
    urgent = listed is not None and listed["urgency"] == "now"
    lines = [message("driver.ask_first")] if safety else [message("driver.soon")] if urgent else []
    return [*lines, message("driver.stop"), message("driver.no_repair")]
