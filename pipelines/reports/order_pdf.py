"""Work orders on paper: one page each, filled in at the van."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

import polars as pl

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import PROVE
from data_contracts.cautions import cautions_for
from data_contracts.errors import MissingFileError
from data_contracts.facts.numerals import parted
from data_contracts.family import Family
from data_contracts.jobs import JOBS, TESTS, asked_tests, steps_of
from data_contracts.states import shown_state
from pipelines.read_side import queries
from pipelines.read_side.past_snaps import changed_week, past_snaps
from pipelines.read_side.published import Published, board_settings, families
from pipelines.read_side.traces import traces
from pipelines.reports.paper import (
    as_shown,
    board_address,
    contract,
    day,
    likelihood,
    make_pdf,
    message,
    numeral,
    qr_code,
    sentences_of,
    written_for,
)
from pipelines.reports.snap_against_past import draw_against_past
from pipelines.workspace.settings import Settings
from pipelines.workspace.workspace import Workspace

CAUSES_SHOWN = 3
REASONS_SHOWN = 2
REASON_LONGEST = 700
SHORTEST_SHOWN = 0.05
"""A shorter time is shown as none. [h]"""


def orders_pdf(workspace: Workspace, published: Published, orders: pl.DataFrame) -> bytes:
    """Set one page per order.

    Parameters
    ----------
    workspace : Workspace
    published : Published
    orders : polars.DataFrame
        Rows of work_orders, in the order of the pages.

    Returns
    -------
    bytes
        PDF.
    """
    settings = board_settings(workspace.root)
    with written_for(settings.display):
        return _set(workspace, published, orders, settings)


def _set(workspace: Workspace, published: Published, orders: pl.DataFrame, settings: Settings) -> bytes:
    run = run_of(published)
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
        page = _page(published, order, visits, str(run["week"]), family)
        page |= {
            "qr": f"qr-{number}.svg",
            "drawing": f"traces-{number}.svg" if drawing is not None else None,
            "caption": caption,
        }
        pages.append(page)
    at = run["finished_at"]
    assert isinstance(at, datetime)
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
    published: Published, order: Mapping[str, Any], visits: pl.DataFrame, week: str, family: Family | None
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
        (message("order.due"), day(order["due_by"])),
        (
            message("order.odometer"),
            "–" if odometer is None else f"{numeral(parted(km.value(odometer)))} {km.unit}",
        ),
        (message("order.fault_codes"), ", ".join(codes) if codes else "–"),
        (message("order.state"), message(f"state.{shown_state(order)}")),
    ]
    now = queries.van_on_list(published, str(order["van_id"]), week)
    listed = now or queries.van_on_list(published, str(order["van_id"]), str(order["week"]))
    known: Any = (listed or {}).get("causes") or []
    urgency, tests = str((now or order)["urgency"]), asked_tests(str(order["cause"]))
    causes = sorted(known, key=lambda c: -float(c["probability"]))
    return {
        "order_id": order["order_id"],
        "rank": _place(order, now, week),
        "van_id": order["van_id"],
        "urgency": message(f"urgency.{urgency}"),
        "now": urgency == "now",
        "facts": facts,
        "reason": _shortened(_why(order, now)),
        "action": contract(" ".join(sentences_of(order, "action"))),
        "place": place[:1].upper() + place[1:],
        "warranty": " ".join(sentences_of(order, "warranty")),
        "causes": [(cause_title(c["code"]), likelihood(c["probability"])) for c in causes[:CAUSES_SHOWN]],
        "steps": [contract(step) for step in steps_of(str(order["cause"]))]
        if job
        else [message("order.steps_open"), contract(PROVE)],
        "passes": [
            *(f"{contract(test.title)}: {contract(test.passes)}" for test in tests),
            *([message("order.practice")] if any(test.by_practice for test in tests) else []),
        ],
        "parts": contract(job.parts) if job and job.parts else message("order.no_parts"),
        "times": _times(order),
        "cautions": [contract(caution.text) for caution in cautions_for(str(order["cause"]), family)],
    }


def _place(order: Mapping[str, Any], now: Mapping[str, Any] | None, week: str) -> str:
    """Place of the van on the present list, and the week the order is from: ranks of several weeks are not compared."""
    place = message("order.rank", rank=now["rank"], week=week) if now else message("order.off_list", week=week)
    return f"{place} · {message('order.from', week=order['week'])}"


def _why(order: Mapping[str, Any], now: Mapping[str, Any] | None) -> str:
    """Why the van is called in, as the list says it now; of an order that was decided on and whose van left the list, as of then.

    A proposal is made anew in every run, so its own reason is the present one.
    """
    if order["state"] == "proposed":
        return " ".join(sentences_of(order, "reason"))
    if now is not None:
        return " ".join(sentences_of(now, "reasons")[:REASONS_SHOWN])
    return message("order.as_of", week=order["week"], reason=" ".join(sentences_of(order, "reason")))


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
