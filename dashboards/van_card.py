"""The card on top of a van's page: the verdict, what to do first and by when, the picture, cautions, deciding, and who decided what."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboards import (
    card_picture,
    decide,
    markup,
    meant,
    order_card,
    order_history,
    parts,
    standing,
    text,
    told_by,
    verdict,
    warranty,
)
from dashboards.display import language
from dashboards.drawing import Drawing
from dashboards.text import inert, message
from dashboards.trend_picture import trend_picture
from data_contracts import lambda_axis
from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from data_contracts.states import PLANNED_STATES, shown_state
from data_contracts.weeks import is_silent, week_start
from pipelines.read_side import order_queries, queries
from pipelines.read_side import van_card as reads
from pipelines.read_side.past_snaps import changed_week, past_snaps
from pipelines.read_side.published import Published, board_settings

VISITS_OF_BAND = 200
"""Visits to take the band of the picture from, as the order on paper does."""


@dataclass(frozen=True)
class Shown:
    """What the card is about.

    Attributes
    ----------
    published : Published
    van : mapping
        Row of `vans`.
    week : str
        ISO week.
    listed : mapping or None
        The van's row of the week's list.
    visits : polars.DataFrame
        Newest first.
    family : Family or None
    order : mapping or None
        See `order_shown`.
    """

    published: Published
    van: Mapping[str, Any]
    week: str
    listed: Mapping[str, Any] | None
    visits: pl.DataFrame
    family: Family | None
    order: Mapping[str, Any] | None

    @property
    def van_id(self) -> str:
        """The van."""
        return str(self.van["van_id"])


def show(shown: Shown) -> None:
    """Draw the card.

    Parameters
    ----------
    shown : Shown
    """
    order, fact = shown.order, None
    if shown.listed is not None:
        fact = reads.in_short_of(shown.published, [shown.listed], shown.week).get(shown.van_id)
    trend = []
    if fact is not None:
        trend = reads.quantity_trend(shown.published, shown.van_id, fact.quantity or "", shown.week)
    with st.container(border=True, key="van-card"):
        left_alone = _verdict(shown, fact, trend)
        drawn = None if fact is None or not trend else _picture(shown, fact, trend)
        if order is None and drawn is None:
            if shown.listed is not None:
                parts.quiet(message("card.no_order"))
            return
        left, right = st.columns([1, 1], gap="large") if drawn else (None, st.container())
        if drawn is not None and left is not None:
            with left:
                markup.picture(*drawn)
                parts.quiet(inert(drawn[0].says))
        with right:
            if order is not None:
                _to_do(shown, order)
            _codes(shown)
            if order is not None:
                order_card.danger(order, left_alone)
                _buttons(order)
        if order is not None:
            if order["state"] in PLANNED_STATES:
                order_card.cautions(str(order["cause"]), shown.family)
            order_history.show(shown.published, shown.van_id)


def order_shown(published: Published, van_id: str, week: str) -> Mapping[str, Any] | None:
    """The order asked for in the address, where a QR code on paper leads; else the newest of the van.

    Says so where the one asked for is not known, and forgets it where another van has been chosen since.
    """
    asked = st.query_params.get("order")
    if asked is not None:
        row = order_queries.order(published, asked)
        if row is None:
            st.warning(message("order.unknown", order=inert(asked)), icon=":material/search_off:")
        elif row["van_id"] == van_id:
            return row
        else:
            del st.query_params["order"]
    newest = queries.van_orders(published, van_id, week, limit=1)
    return newest.row(0, named=True) if newest.height else None


def _verdict(shown: Shown, fact: Fact | None, trend: Sequence[Mapping[str, Any]]) -> str:
    """What the van reads, why, and how long so; gives what comes of leaving it, for the box of a danger."""
    listed, week = shown.listed, shown.week
    seen = shown.visits["captured_at"][0] if shown.visits.height else None
    if listed is None:
        last = None if seen is None else str(shown.visits["week"][0])
        if last is not None and is_silent(last, week):
            st.warning(message("card.silent", day=text.day(seen), week=week), icon=":material/visibility_off:")
        elif last is not None:
            said = message("van.not_on_list", week=week) + " " + message("card.last_seen", day=text.day(seen))
            st.success(said, icon=":material/check_circle:")
        return ""
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        parts.badge_urgency(str(listed["urgency"]))
        if shown.order is not None and shown.order["safety"] and shown.order["state"] in PLANNED_STATES:
            order_card.badge_safety()
        about = [message("van.on_list", rank=listed["rank"], week=week, day=text.weekday(week_start(week)))]
        if seen is not None:
            about.append(message("card.last_seen", day=text.day(seen)))
        parts.quiet(" · ".join(about), width="content")
        if following := queries.next_on_list(shown.published, week, int(listed["rank"])):
            with st.container(key="next-van", width="content"):
                parts.link("a_van", message("card.next", van=inert(following)), van=following, week=week)
    told = verdict.of_listed(listed, fact, verdict.checked_mark(shown.published))
    st.header(told.reading.removesuffix("\\."), anchor=False)
    also = None if fact is None else reads.also_of(shown.published, listed, week, fact)
    apart = shown.order is not None and order_card.endangers(shown.order)
    lines = [told.causes, "" if apart else told.left_alone]
    if also is not None:
        explained = told_by.shows(str(listed["leading_cause"]), also.quantity or "")
        lines.insert(1, message("card.also" if explained else "card.also_apart", told=meant.fact(also)))
    st.markdown("  \n".join(line for line in lines if line))
    proposed = shown.order["week"] if shown.order is not None and shown.order["state"] == "proposed" else None
    since = reads.alarm_weeks(shown.published, [listed], week).get(shown.van_id)
    if stands := standing.how_long(since, proposed, week, trend):
        parts.quiet(text.sentence(stands))
    return told.left_alone


def _to_do(shown: Shown, order: Mapping[str, Any]) -> None:
    """What to do first, by when and for how long; of an order that waits no longer, what became of it and when."""
    waits = order["state"] in PLANNED_STATES
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.markdown(f"**{message('card.do_first' if waits else 'card.last_order')}**", width="content")
        if order["state"] != "proposed":
            order_card.badge_state(shown_state(order))
    st.subheader(inert(text.sentence_of(order, "action")), anchor=False)
    if waits:
        st.markdown(standing.when(order))
    elif (event := reads.last_event(shown.published, order)) is not None:
        st.markdown(order_history.event_line(event, board_settings(shown.published.home).workshop.currency))


def _codes(shown: Shown) -> None:
    """Fault codes of the latest visit since the last repair."""
    if not shown.visits.height:
        return
    repaired = reads.repaired_last(shown.published, shown.van_id, shown.week)
    visits = shown.visits if repaired is None else shown.visits.filter(pl.col("captured_at") > repaired)
    read = reads.codes_read(visits)
    if not visits.height:
        told = message("card.codes_repaired")
    elif read is None:
        told = message("card.codes_unread")
    elif not read[0]:
        told = message("card.codes_none")
    else:
        told = "; ".join(
            message(
                "card.code" if read[1] > 1 else "card.code_once",
                code=inert(code),
                says=inert(text.contract(FAULT_CODES[code].says)) if code in FAULT_CODES else message("number.none"),
                count=count,
                visits=read[1],
            )
            for code, count in read[0]
        )
    st.markdown(f"**{message('card.codes')}:** {told}")


_PICTURE_SAYS = {
    (True, False): "card.picture_before",
    (True, True): "card.picture_before_one",
    (False, False): "card.picture_earlier",
    (False, True): "card.picture_earlier_one",
}
"""By whether the visits are those before the change, and whether there is one."""


def _picture(shown: Shown, fact: Fact, rows: Sequence[Mapping[str, Any]]) -> tuple[Drawing, Drawing] | None:
    """The most convincing picture, for a desk and for a phone: the trace over the healthy band, else the quantity over the
    weeks."""
    quantity = fact.quantity or ""
    words = QUANTITIES[quantity].plainly if quantity in QUANTITIES else None
    alarmed = {str(flag["quantity"]) for flag in (shown.listed or {}).get("reason_facts") or [] if flag.get("quantity")}
    # the stored traces are of the first bank: they show what the second did only where the first did the same
    visible = not quantity.startswith(BANK2_PREFIX) or quantity.removeprefix(BANK2_PREFIX) in alarmed
    own = fact.code == "in_short" and "peer_baseline" not in fact.numbers  # the band is of the van's own snaps
    if words is not None and words.seen is not None and visible and own:
        changed = changed_week(shown.published, shown.van_id, shown.week)
        visits = queries.van_visits(shown.published, shown.van_id, shown.week, limit=VISITS_OF_BAND)
        snaps = past_snaps(shown.published, visits, changed)
        if snaps is not None and snaps.days:
            said = message(
                _PICTURE_SAYS[snaps.before_change, len(snaps.days) == 1],
                latest=text.day(shown.visits["captured_at"][0]),
                count=len(snaps.days),
                first=text.day(snaps.days[0]),
                last=text.day(snaps.days[-1]),
            )
            mark = (words.high if fact.words["side"] == "high" else words.low).in_language(language())
            sensor = None if shown.family is None else shown.family.lambda_sensor
            draw = partial(
                card_picture.trace_picture,
                snaps,
                words.seen,
                mark,
                side=card_picture.side_drawn(quantity, words.seen, fact.words["side"], sensor),
                narrowband=snaps.in_volts(sensor),
                rich_is_up=None if sensor is None and snaps.in_volts(sensor) else lambda_axis.rich_is_up(sensor),
                palette=parts.palette(),
                says=said,
            )
            if (wide := draw()) is not None and (narrow := draw(width=card_picture.NARROW)) is not None:
                return wide, narrow
    wide, narrow = (trend_picture(rows, parts.palette(), fact=fact, size=size) for size in ("large", "narrow"))
    return None if wide is None or narrow is None else (wide, narrow)


def _buttons(order: Mapping[str, Any]) -> None:
    with st.container(horizontal=True, gap="small"):
        warranty.build_file(order)
        decide.buttons(order, text.sentence_of(order, "action"), finding=True)
    with st.container(horizontal=True, gap="small"):
        decide.note_button(order)
        order_card.paper(order)
        order_card.driver_sheet(str(order["van_id"]))
