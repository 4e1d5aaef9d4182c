"""Work orders on paper: one page each, filled in at the van."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

import polars as pl

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import PROVE
from data_contracts.cautions import cautions_for
from data_contracts.due import due_of
from data_contracts.errors import MissingFileError
from data_contracts.facts.numerals import parted
from data_contracts.facts.rendering import capital
from data_contracts.family import Family
from data_contracts.jobs import JOBS, TESTS, asked_tests, steps_of
from data_contracts.likelihood import ranked
from data_contracts.states import shown_state
from pipelines.read_side import queries
from pipelines.read_side.past_snaps import changed_week, past_snaps
from pipelines.read_side.published import Published, board_settings, families
from pipelines.read_side.traces import traces
from pipelines.read_side.van_card import also_of, hurts_most, in_short_of
from pipelines.reports.paper import (
    as_shown,
    board_address,
    contract,
    day,
    fact_said,
    likelihood,
    make_pdf,
    message,
    numeral,
    qr_code,
    sentences_of,
    typeset,
    written_for,
)
from pipelines.reports.snap_against_past import draw_against_past
from pipelines.workspace.settings import Settings
from pipelines.workspace.workspace import Workspace

CAUSES_SHOWN = 3
REASON_LONGEST = 700
SHORTEST_SHOWN = 0.05
"""A shorter time is shown as none. [h]"""


def orders_pdf(workspace: Workspace, published: Published, orders: pl.DataFrame, today: date | None = None) -> bytes:
    """Set one page per order.

    Parameters
    ----------
    workspace : Workspace
    published : Published
    orders : polars.DataFrame
        Rows of work_orders, in the order of the pages.
    today : date, optional
        Day of printing, which tells what is overdue. Default the day of the run.

    Returns
    -------
    bytes
        PDF.
    """
    settings = board_settings(workspace.root)
    with written_for(settings.display):
        return _set(workspace, published, orders, settings, today)


def _set(
    workspace: Workspace, published: Published, orders: pl.DataFrame, settings: Settings, today: date | None
) -> bytes:
    run = run_of(published)
    at = run["finished_at"]
    assert isinstance(at, datetime)
    known = families(workspace.root)
    drawings: dict[str, bytes] = {}
    pages = []
    for number, order in enumerate(orders.iter_rows(named=True)):
        family = known.get(str(order["family"]))
        visits = queries.van_visits(published, str(order["van_id"]), str(run["week"]), limit=200)
        drawing, caption = draw_latest(
            published, visits, family, changed_week(published, str(order["van_id"]), str(run["week"]))
        )
        if drawing is not None:
            drawings[f"traces-{number}.svg"] = drawing
        link = board_address(
            settings.board, "van", van=str(order["van_id"]), week=str(run["week"]), order=str(order["order_id"])
        )
        drawings[f"qr-{number}.svg"] = qr_code(link)
        page = _page(published, order, visits, str(run["week"]), family, today or at.date())
        page |= {
            "qr": f"qr-{number}.svg",
            "drawing": f"traces-{number}.svg" if drawing is not None else None,
            "caption": caption,
        }
        pages.append(page)
    return make_pdf("order.typ", {"orders": pages, "foot": foot(run)}, drawings, at)


def run_of(published: Published) -> dict[str, Any]:
    """The run behind a published file.

    Parameters
    ----------
    published : Published
        The published file.

    Raises
    ------
    MissingFileError
        If the file holds none.
    """
    run = queries.last_run(published)
    if run is None:
        raise MissingFileError(
            f"{published.home} holds no finished run: run `vansnap weekly --home {published.home}` first"
        )
    return run


def foot(run: Mapping[str, Any]) -> str:
    """Foot of every page: version, week, time of the run.

    Parameters
    ----------
    run : mapping
        Row of `runs`.
    """
    at = f"{run['finished_at']:%Y-%m-%d}"
    return f"{message('foot.run', version=run['vansnap'], week=run['week'], at=at)} {message('foot.indication')}"


def register_of(published: Published, van_id: str) -> list[tuple[str, str]]:
    """Number plate and identification number of a van, where the register has them.

    Parameters
    ----------
    published : Published
        The published file.
    van_id : str
        Van.

    Returns
    -------
    list of (heading, value)
    """
    van = queries.van(published, van_id) or {}
    return [(message(f"order.{name}"), str(van[name])) for name in ("plate", "vin") if van.get(name)]


def cause_title(code: str) -> str:
    """A cause in words.

    Parameters
    ----------
    code : str
        Code of the cause.
    """
    return (
        contract(EVERY_CAUSE[code].title)
        if code in EVERY_CAUSE
        else message(f"cause.{code}")
        if code == "none"
        else message("cause.not_separable")
    )


def _page(
    published: Published,
    order: Mapping[str, Any],
    visits: pl.DataFrame,
    week: str,
    family: Family | None,
    today: date,
) -> dict[str, object]:
    job = JOBS.get(str(order["cause"]))
    newest = visits.row(0, named=True) if visits.height else {}
    odometer, codes = newest.get("odometer_km"), newest.get("fault_codes")
    km = as_shown("km")
    place = "; ".join(sentences_of(order, "plan_note"))
    facts = [
        (message("order.family"), order["family"]),
        (message("order.depot"), order["depot"]),
        *register_of(published, str(order["van_id"])),
        due_said(order, today),
        (
            message("order.odometer"),
            "–" if odometer is None else f"{numeral(parted(km.value(odometer)))} {km.unit}",
        ),
        (message("order.fault_codes"), _codes(codes)),
        (message("order.state"), message(f"state.{shown_state(order)}")),
    ]
    now = queries.van_on_list(published, str(order["van_id"]), week)
    listed = now or queries.van_on_list(published, str(order["van_id"]), str(order["week"]))
    known: Any = (listed or {}).get("causes") or []
    urgency, tests = str((now or order)["urgency"]), asked_tests(str(order["cause"]))
    return {
        "order_id": order["order_id"],
        "rank": _place(order, now, week),
        "van_id": order["van_id"],
        "urgency": message(f"urgency.{urgency}"),
        "now": urgency == "now",
        "facts": facts,
        "reason": _shortened(_why(published, order, now, week)),
        "action": contract(" ".join(sentences_of(order, "action"))),
        "place": place[:1].upper() + place[1:],
        "warranty": " ".join(sentences_of(order, "warranty")),
        "causes": [(cause_title(code), likelihood(p)) for code, p in ranked(known, CAUSES_SHOWN)],
        "steps": [typeset(capital(contract(step))) for step in steps_of(str(order["cause"]))]
        if job
        else [message("order.steps_open"), capital(contract(PROVE))],
        "passes": [
            *(typeset(f"{contract(test.title)}: {contract(test.passes)}.") for test in tests),
            *([message("order.practice")] if any(test.by_practice for test in tests) else []),
        ],
        "parts": contract(job.parts) if job and job.parts else message("order.no_parts"),
        "times": _times(order),
        "cautions": [typeset(contract(caution.text)) for caution in cautions_for(str(order["cause"]), family)],
    }


def _place(order: Mapping[str, Any], now: Mapping[str, Any] | None, week: str) -> str:
    """Place of the van on the present list, and the week the order is from: ranks of several weeks are not compared."""
    place = message("order.rank", rank=now["rank"], week=week) if now else message("order.off_list", week=week)
    return f"{place} · {message('order.from', week=order['week'])}"


def _codes(codes: Sequence[str] | None) -> str:
    """Fault codes of the latest visit; that there were none, or that nobody read them out."""
    return ", ".join(codes) if codes else message("order.codes_unread" if codes is None else "order.codes_none")


def due_said(order: Mapping[str, Any], today: date) -> tuple[str, str]:
    """By when an order is due: heading and day, as list and card of the board tell it."""
    word, when, _ = due_of(order, today)
    return message(f"due.{word}"), day(when)


def _why(published: Published, order: Mapping[str, Any], now: Mapping[str, Any] | None, week: str) -> str:
    """Why the van is called in, in the sentences that head its page on the board; of one that left the list, as of the order."""
    if now is None:
        reason = " ".join(sentences_of(order, "reason"))
        return message("order.as_of", week=order["week"], reason=reason) if order["state"] != "proposed" else reason
    first = in_short_of(published, [now], week).get(str(now["van_id"]))
    also = None if first is None else also_of(published, now, week, first)
    told = [] if first is None else [fact_said(first)]
    if also is not None:
        told.append(message("order.also", told=fact_said(also)))
    hurts = hurts_most(now)
    told += [] if hurts is None else [fact_said(hurts)]
    return " ".join(told) or " ".join(sentences_of(now, "reasons")[:2])


def _times(order: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Time for the tests and for the repair, each by itself: together the hours the plan counts with."""
    hours = order["hours"]
    told = [dict(fact["words"] or {}) for fact in order["action_facts"] or []]
    asked = [str(words["test"]) for words in told if words.get("test")]
    cause = EVERY_CAUSE.get(str(order["cause"]))
    if cause is not None and (not asked or any(words.get("cause") for words in told)):  # a job's own test comes first
        asked.insert(0, cause.first_test)
    tests = [TESTS[name] for name in dict.fromkeys(asked) if name in TESTS]
    if not hours or not tests:
        return [(message("order.hours"), _hours(hours) if hours else "–")]
    testing = min(sum(test.minutes for test in tests) / 60.0, hours)
    repair = _hours(hours - testing) if hours - testing >= SHORTEST_SHOWN else message("order.after_test")
    return [(message("order.test_time"), _hours(testing)), (message("order.repair_time"), repair)]


def _hours(hours: float) -> str:
    return numeral(f"{hours:.1f} h")


def _shortened(words: str) -> str:
    """A reason is two sentences; what is much longer is on the board."""
    return words if len(words) <= REASON_LONGEST else words[: REASON_LONGEST - 1].rsplit(" ", 1)[0] + " …"


def draw_latest(
    published: Published, visits: pl.DataFrame, family: Family | None, changed: str | None
) -> tuple[bytes | None, str]:
    """The latest snap over those of visits before the change, or over the newest earlier ones where no change is dated.

    Parameters
    ----------
    published : Published
        The published file.
    visits : DataFrame
        Visits of the van, newest first.
    family : Family or None
        Engine family; None where the register has none.
    changed : str or None
        ISO week in which the change began.
    """
    snaps = past_snaps(published, visits, changed)
    if snaps is None:
        return None, ""
    latest = snaps.latest
    raw = traces(published, str(visits["van_id"][0]), [latest], family).get(latest) if family is not None else None
    drawing = draw_against_past(replace(snaps, raw=raw), family)
    at = day(visits["captured_at"][0])
    if not snaps.days:
        return drawing, message("order.caption_alone", latest=at)
    first, last = day(snaps.days[0]), day(snaps.days[-1])
    if len(snaps.days) == 1:
        return drawing, message("order.caption_one", latest=at, first=first)
    return drawing, message("order.caption", latest=at, count=len(snaps.days), first=first, last=last)
